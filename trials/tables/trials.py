from operator import attrgetter

import django_tables2 as tables
from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase
from prospecting.tables.base import FileColumn, ListTable
from trials.models import Trial


class TrialTable(ListTable):
    question = tables.Column(verbose_name=gettext_lazy("Question"), linkify=True)
    state = tables.Column(verbose_name=gettext_lazy("State"))
    feed_lot = tables.Column(
        verbose_name=gettext_lazy("Lot"),
        accessor="feed_lot__code",
        linkify=lambda record: record.feed_lot.get_absolute_url(),
    )
    logged = tables.Column(verbose_name=gettext_lazy("Runs in"), accessor="logged")

    class Meta:
        model = Trial
        fields = ("question", "state", "feed_lot", "logged")
        empty_text = gettext_lazy("No trial yet. Blend a test lot, cut portions, then plan a trial on it.")

    def render_logged(self, record: Trial) -> str:
        return (
            phrase("{logged} of {planned}", logged=record.logged, planned=record.planned)
            if record.planned
            else ""
        )

    def file_columns(self) -> list[FileColumn]:
        return [
            ("Trial", attrgetter("pk")),
            ("Question", attrgetter("question")),
            ("State", Trial.get_state_display),
            ("Lot", attrgetter("feed_lot.code")),
            ("Judged by", Trial.get_outcome_display),
            ("Runs planned", attrgetter("planned")),
            ("Runs in", attrgetter("logged")),
        ]
