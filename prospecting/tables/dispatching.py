import django_tables2 as tables

from prospecting.models import Dispatch, Laboratory
from prospecting.tables.base import ListTable


class LaboratoryTable(ListTable):
    name = tables.Column(verbose_name="Laboratory", attrs={"td": {"class": "lead"}})
    note = tables.Column(verbose_name="Note", orderable=False)
    dispatch_count = tables.Column(
        verbose_name="Dispatches", attrs={"td": {"class": "num"}, "th": {"class": "num"}}
    )

    class Meta:
        model = Laboratory
        fields = ("name", "note", "dispatch_count")


class DispatchTable(ListTable):
    id = tables.Column(verbose_name="Dispatch", linkify=True, attrs={"td": {"class": "lead"}})
    laboratory = tables.Column(order_by="laboratory__name")
    sent_on = tables.DateColumn(verbose_name="Sent", format="d M Y")
    method = tables.Column(orderable=False)
    sample_count = tables.Column(
        verbose_name="Samples", attrs={"td": {"class": "num"}, "th": {"class": "num"}}
    )
    state = tables.TemplateColumn(template_name="prospecting/_dispatch_state.html", verbose_name="Return")
    expected_on = tables.DateColumn(verbose_name="Expected", format="d M Y")

    class Meta:
        model = Dispatch
        fields = ("id", "laboratory", "sent_on", "method", "sample_count", "state", "expected_on")

    def render_id(self, value: int) -> str:
        return f"No. {value}"
