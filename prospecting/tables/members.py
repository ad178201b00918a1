from operator import attrgetter

import django_tables2 as tables
from django.urls import reverse

from prospecting.models import Member
from prospecting.tables.base import FileColumn, ListTable


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
