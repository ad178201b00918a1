from django.db.models import Q
from django.utils.translation import gettext_lazy

from prospecting.filters.base import ChoiceFilter, ListFilter, TextFilter
from prospecting.models import Member


def named(members, text: str):
    return members.filter(
        Q(username__icontains=text) | Q(first_name__icontains=text) | Q(last_name__icontains=text)
    )


class MemberFilter(ListFilter):
    name = TextFilter(gettext_lazy("In the user name or the name"), by=named)
    role = ChoiceFilter(gettext_lazy("Role"), choices=Member.Role.choices, every=gettext_lazy("every role"))
    may = ChoiceFilter(
        gettext_lazy("May sign in"),
        by=lambda members, may: members.filter(is_active=may == "yes"),
        choices=[("yes", gettext_lazy("yes")), ("no", gettext_lazy("no, switched off"))],
        every=gettext_lazy("whether or not"),
    )

    noun = (gettext_lazy("member"), gettext_lazy("members"))
