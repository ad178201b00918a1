import django_tables2 as tables

from prospecting.tables.base import ListTable
from trials.models import Trial


class TrialTable(ListTable):
    question = tables.Column(verbose_name="Question", linkify=True)
    state = tables.Column(verbose_name="State")
    feed_lot = tables.Column(
        verbose_name="Lot",
        accessor="feed_lot__code",
        linkify=lambda record: record.feed_lot.get_absolute_url(),
    )
    logged = tables.Column(verbose_name="Runs in", accessor="logged", orderable=False)

    class Meta:
        model = Trial
        fields = ("question", "state", "feed_lot", "logged")
        empty_text = "No trial yet. Blend a test lot, cut portions, then plan a trial on it."

    def render_logged(self, record: Trial) -> str:
        return f"{record.logged} of {record.planned}" if record.planned else ""
