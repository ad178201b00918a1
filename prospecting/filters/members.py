from django.db.models import Q

from prospecting.filters.base import ChoiceFilter, ListFilter, TextFilter
from prospecting.models import Member


def named(members, text: str):
    return members.filter(
        Q(username__icontains=text) | Q(first_name__icontains=text) | Q(last_name__icontains=text)
    )


class MemberFilter(ListFilter):
    name = TextFilter("In the user name or the name", by=named)
    role = ChoiceFilter("Role", choices=Member.Role.choices, every="every role")
    may = ChoiceFilter(
        "May sign in",
        by=lambda members, may: members.filter(is_active=may == "yes"),
        choices=[("yes", "yes"), ("no", "no, switched off")],
        every="whether or not",
    )

    noun = ("member", "members")
