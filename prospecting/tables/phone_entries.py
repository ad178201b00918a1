from operator import attrgetter

import django_tables2 as tables
from django.utils.translation import gettext_lazy

from prospecting.models import HeldEntry
from prospecting.tables.base import FileColumn, ListTable


class SettledTable(ListTable):
    """Entries from phones that came too late and were decided on, newest first."""

    title = tables.Column(
        verbose_name=gettext_lazy("Entry"), linkify=True, attrs={"td": {"class": "lead"}}, orderable=False
    )
    typed_by = tables.Column(
        verbose_name=gettext_lazy("Typed by"),
        accessor="delivery__member",
        order_by="delivery__member__username",
    )
    outcome = tables.Column(verbose_name=gettext_lazy("What became of it"))
    reason = tables.Column(
        verbose_name=gettext_lazy("Why"), orderable=False, attrs={"td": {"class": "words"}}
    )
    settled_at = tables.DateTimeColumn(verbose_name=gettext_lazy("Decided"), format="j M Y")
    settled_by = tables.Column(verbose_name=gettext_lazy("By"), order_by="settled_by__username")

    class Meta:
        model = HeldEntry
        fields = ("title", "typed_by", "outcome", "reason", "settled_at", "settled_by")

    def file_columns(self) -> list[FileColumn]:
        return [
            ("Entry", attrgetter("title")),
            ("Why it was held", attrgetter("sentence")),
            ("Typed by", lambda entry: str(entry.delivery.member)),
            ("Arrived (UTC)", attrgetter("held_at")),
            ("What became of it", HeldEntry.get_outcome_display),
            ("Why", attrgetter("reason")),
            ("Decided (UTC)", attrgetter("settled_at")),
            ("Decided by", lambda entry: str(entry.settled_by)),
        ]
