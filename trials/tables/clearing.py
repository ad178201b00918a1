from operator import attrgetter

import django_tables2 as tables

from prospecting.tables.base import FileColumn, ListTable, empty_last
from trials.models import ClearingTest


class ClearingTable(ListTable):
    question = tables.Column(verbose_name="Question", linkify=True)
    measure = tables.Column(verbose_name="Read by")
    tub_count = tables.Column(verbose_name="Tubs", attrs={"td": {"class": "num"}, "th": {"class": "num"}})
    reading_count = tables.Column(
        verbose_name="Readings", attrs={"td": {"class": "num"}, "th": {"class": "num"}}
    )
    state = tables.Column(verbose_name="State", empty_values=(), order_by="ended_at")

    order_state = empty_last("ended_at")

    class Meta:
        model = ClearingTest
        fields = ("question", "measure", "tub_count", "reading_count", "state")
        empty_text = (
            "No clearing test yet. Fill equal tubs with the same muddy water, leave one without additive, and write down "
            "what goes into each."
        )

    def render_state(self, record: ClearingTest) -> str:
        return f"ended {record.ended_at:%-d %b %Y}" if record.ended_at else "being watched"

    def file_columns(self) -> list[FileColumn]:
        return [
            ("Clearing test", attrgetter("pk")),
            ("Question", attrgetter("question")),
            ("Read by", ClearingTest.get_measure_display),
            ("Tubs", attrgetter("tub_count")),
            ("Readings", attrgetter("reading_count")),
            ("Ended (UTC)", attrgetter("ended_at")),
        ]
