from operator import attrgetter

import django_tables2 as tables
from django.urls import reverse
from django.utils.html import format_html
from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.language import phrase
from prospecting.models import Dispatch, Laboratory, ReferenceMaterial
from prospecting.tables.base import FileColumn, ListTable, empty_last

NUMBER = {"td": {"class": "num"}, "th": {"class": "num"}}


class LaboratoryTable(ListTable):
    name = tables.Column(verbose_name=gettext_lazy("Laboratory"), attrs={"td": {"class": "lead"}})
    turnaround_days = tables.Column(verbose_name=gettext_lazy("Days it says it takes"), attrs=NUMBER)
    note = tables.Column(verbose_name=gettext_lazy("Note"), orderable=False)
    dispatch_count = tables.Column(verbose_name=gettext_lazy("Dispatches"), attrs=NUMBER)

    order_turnaround_days = empty_last("turnaround_days")

    class Meta:
        model = Laboratory
        fields = ("name", "turnaround_days", "dispatch_count", "note")

    def render_name(self, value: str, record: Laboratory):
        return format_html('<a href="{}">{}</a>', reverse("laboratory-detail", args=[record.pk]), value)

    def file_columns(self) -> list[FileColumn]:
        return [
            ("Laboratory", attrgetter("name")),
            ("Days it says it takes", attrgetter("turnaround_days")),
            ("Dispatches", attrgetter("dispatch_count")),
            ("Note", attrgetter("note")),
        ]


class MaterialTable(ListTable):
    name = tables.Column(
        verbose_name=gettext_lazy("Check material"), linkify=True, attrs={"td": {"class": "lead"}}
    )
    kind = tables.Column(verbose_name=gettext_lazy("Which it is"))
    certified_g_per_t = tables.Column(verbose_name=gettext_lazy("Certified value"), attrs=NUMBER)
    sample_count = tables.Column(verbose_name=gettext_lazy("Packets packed"), attrs=NUMBER)

    order_certified_g_per_t = empty_last("certified_g_per_t")

    class Meta:
        model = ReferenceMaterial
        fields = ("name", "kind", "certified_g_per_t", "sample_count")

    def __init__(self, *args, grade_unit: str, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.grade_unit = grade_unit

    def render_kind(self, record: ReferenceMaterial) -> str:
        kind = record.get_kind_display()
        return phrase("{kind}, retired", kind=kind) if record.is_retired else kind

    def render_certified_g_per_t(self, value) -> str:
        return units.format_grade(value, self.grade_unit)

    def file_columns(self) -> list[FileColumn]:
        return [
            ("Check material", attrgetter("name")),
            ("Which it is", ReferenceMaterial.get_kind_display),
            ("Retired", attrgetter("is_retired")),
            ("Certified value (g/t)", attrgetter("certified_g_per_t")),
            ("Plus or minus (g/t)", attrgetter("plus_minus_g_per_t")),
            ("What the plus or minus is", ReferenceMaterial.get_plus_minus_kind_display),
            ("Packets packed", attrgetter("sample_count")),
        ]


class DispatchTable(ListTable):
    id = tables.Column(verbose_name=gettext_lazy("Dispatch"), linkify=True, attrs={"td": {"class": "lead"}})
    laboratory = tables.Column(verbose_name=gettext_lazy("Laboratory"), order_by="laboratory__name")
    sent_on = tables.DateColumn(verbose_name=gettext_lazy("Sent"), format="d M Y")
    method = tables.Column(verbose_name=gettext_lazy("Method"))
    sample_count = tables.Column(verbose_name=gettext_lazy("Tags"), attrs=NUMBER)
    state = tables.TemplateColumn(
        template_name="prospecting/_dispatch_state.html",
        verbose_name=gettext_lazy("Return"),
        order_by="return_state",
    )
    expected_on = tables.DateColumn(verbose_name=gettext_lazy("Expected"), format="d M Y")

    order_sent_on = empty_last("sent_on")
    order_expected_on = empty_last("expected_on")

    class Meta:
        model = Dispatch
        fields = ("id", "laboratory", "sent_on", "method", "sample_count", "state", "expected_on")

    def render_id(self, value: int) -> str:
        return phrase("No. {number}", number=value)

    def file_columns(self) -> list[FileColumn]:
        return [
            ("Dispatch", attrgetter("pk")),
            ("Laboratory", attrgetter("laboratory.name")),
            ("Sent", attrgetter("sent_on")),
            ("Method", Dispatch.get_method_display),
            ("Tags", attrgetter("sample_count")),
            ("Tags answered", attrgetter("answered_count")),
            ("Return", attrgetter("return_state")),
            ("Expected", attrgetter("expected_on")),
        ]
