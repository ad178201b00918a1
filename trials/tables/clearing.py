from operator import attrgetter

import django_tables2 as tables
from django.utils import dateformat
from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase
from prospecting.tables.base import FileColumn, ListTable, empty_last
from trials.models import ClearingTest


class ClearingTable(ListTable):
    question = tables.Column(verbose_name=gettext_lazy("Question"), linkify=True)
    measure = tables.Column(verbose_name=gettext_lazy("Read by"))
    tub_count = tables.Column(
        verbose_name=gettext_lazy("Tubs"), attrs={"td": {"class": "num"}, "th": {"class": "num"}}
    )
    reading_count = tables.Column(
        verbose_name=gettext_lazy("Readings"), attrs={"td": {"class": "num"}, "th": {"class": "num"}}
    )
    state = tables.Column(verbose_name=gettext_lazy("State"), empty_values=(), order_by="ended_at")

    order_state = empty_last("ended_at")

    class Meta:
        model = ClearingTest
        fields = ("question", "measure", "tub_count", "reading_count", "state")
        empty_text = gettext_lazy(
            "No clearing test yet. Fill equal tubs with the same muddy water, leave one without additive, and write down "
            "what goes into each."
        )

    def render_state(self, record: ClearingTest) -> str:
        return (
            phrase("ended {day}", day=dateformat.format(record.ended_at, "j M Y"))
            if record.ended_at
            else phrase("being watched")
        )

    def file_columns(self) -> list[FileColumn]:
        return [
            ("Clearing test", attrgetter("pk")),
            ("Question", attrgetter("question")),
            ("Read by", ClearingTest.get_measure_display),
            ("Tubs", attrgetter("tub_count")),
            ("Readings", attrgetter("reading_count")),
            ("Ended (UTC)", attrgetter("ended_at")),
        ]
