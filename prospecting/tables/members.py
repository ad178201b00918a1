from operator import attrgetter

import django_tables2 as tables
from django.urls import reverse

from prospecting.models import Invitation, Member
from prospecting.tables.base import FileColumn, ListTable, empty_last


class MemberTable(ListTable):
    username = tables.Column(
        verbose_name="User name",
        linkify=lambda record: reverse("member-edit", args=[record.pk]),
        attrs={"td": {"class": "lead"}},
    )
    name = tables.Column(
        accessor="get_full_name",
        verbose_name="Name",
        default="not given",
        order_by=("first_name", "last_name"),
    )
    role = tables.Column()
    is_active = tables.Column(verbose_name="May sign in")
    last_login = tables.DateTimeColumn(verbose_name="Last signed in", format="d M Y H:i", default="never")

    order_last_login = empty_last("last_login")

    class Meta:
        model = Member
        fields = ("username", "name", "role", "is_active", "last_login")

    def render_role(self, record: Member) -> str:
        return record.role

    def render_is_active(self, value: bool) -> str:
        return "yes" if value else "no, switched off"

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

    meant_for = tables.Column(verbose_name="For", attrs={"td": {"class": "lead"}}, orderable=False)
    role = tables.Column(verbose_name="As")
    past = tables.Column(verbose_name="What became of it", orderable=False)
    invited_at = tables.DateTimeColumn(verbose_name="Invited", format="j M Y")
    invited_by = tables.Column(verbose_name="By", order_by="invited_by__username")

    class Meta:
        model = Invitation
        fields = ("meant_for", "role", "past", "invited_at", "invited_by")

    def render_role(self, record: Invitation) -> str:
        return record.role

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
    return f"{invitation.past} by {invitation.joined_as}" if invitation.joined_as else invitation.past
