from operator import attrgetter

import django_tables2 as tables
from django.urls import reverse
from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase, to_phrase
from prospecting.models import Invitation, Member
from prospecting.tables.base import FileColumn, ListTable, empty_last

# A role in one word; what it may do is said where one is chosen.
ROLES = {
    Member.Role.GUEST: to_phrase("guest"),
    Member.Role.MEMBER: to_phrase("member"),
    Member.Role.KEEPER: to_phrase("keeper"),
}


class MemberTable(ListTable):
    username = tables.Column(
        verbose_name=gettext_lazy("User name"),
        linkify=lambda record: reverse("member-edit", args=[record.pk]),
        attrs={"td": {"class": "lead"}},
    )
    name = tables.Column(
        accessor="get_full_name",
        verbose_name=gettext_lazy("Name"),
        default=gettext_lazy("not given"),
        order_by=("first_name", "last_name"),
    )
    role = tables.Column(verbose_name=gettext_lazy("Role"))
    is_active = tables.Column(verbose_name=gettext_lazy("May sign in"))
    last_login = tables.DateTimeColumn(
        verbose_name=gettext_lazy("Last signed in"), format="d M Y H:i", default=gettext_lazy("never")
    )

    order_last_login = empty_last("last_login")

    class Meta:
        model = Member
        fields = ("username", "name", "role", "is_active", "last_login")

    def render_role(self, record: Member) -> str:
        return phrase(ROLES[record.role])

    def render_is_active(self, value: bool) -> str:
        return phrase("yes") if value else phrase("no, switched off")

    def file_columns(self) -> list[FileColumn]:
        return [
            ("User name", attrgetter("username")),
            ("Name", Member.get_full_name),
            ("Role", Member.get_role_display),
            ("May sign in", attrgetter("is_active")),
            ("Last signed in (UTC)", attrgetter("last_login")),
        ]


class InvitationTable(ListTable):
    """Invitations that open nothing any more, newest first."""

    meant_for = tables.Column(
        verbose_name=gettext_lazy("For"), attrs={"td": {"class": "lead"}}, orderable=False
    )
    role = tables.Column(verbose_name=gettext_lazy("As"))
    past = tables.Column(verbose_name=gettext_lazy("What became of it"), orderable=False)
    invited_at = tables.DateTimeColumn(verbose_name=gettext_lazy("Invited"), format="j M Y")
    invited_by = tables.Column(verbose_name=gettext_lazy("By"), order_by="invited_by__username")

    class Meta:
        model = Invitation
        fields = ("meant_for", "role", "past", "invited_at", "invited_by")

    def render_role(self, record: Invitation) -> str:
        return phrase(ROLES[record.role])

    def render_past(self, record: Invitation) -> str:
        return became_of(record)

    def file_columns(self) -> list[FileColumn]:
        return [
            ("For", attrgetter("meant_for")),
            ("As", attrgetter("role")),
            ("What became of it", became_of),
            ("Invited (UTC)", attrgetter("invited_at")),
            ("By", lambda invitation: str(invitation.invited_by)),
        ]


def became_of(invitation: Invitation) -> str:
    if invitation.joined_as:
        return phrase("used by {member}", member=invitation.joined_as)
    return invitation.past
