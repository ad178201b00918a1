from operator import attrgetter

import django_tables2 as tables
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils.html import format_html, format_html_join
from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase
from prospecting.models import AssayReturn, Reading
from prospecting.tables.base import FileColumn, ListTable

NUMBER = {"td": {"class": "num"}, "th": {"class": "num"}}


class ReadingTable(ListTable):
    """Every figure that came back, newest return first, as printed and as understood.

    Not sorted by the figure: a limit is no figure, and would have to stand among them or apart.
    """

    tag = tables.Column(
        accessor="sample__tag",
        verbose_name=gettext_lazy("Tag"),
        linkify=lambda record: reverse("sample-detail", args=[record.sample_id]),
        attrs={"td": {"class": "lead code"}},
    )
    what = tables.Column(accessor="sample__what", verbose_name=gettext_lazy("Sample of"), orderable=False)
    laboratory = tables.Column(
        accessor="sample__dispatch__laboratory__name", verbose_name=gettext_lazy("Laboratory")
    )
    reported_on = tables.DateColumn(
        accessor="assay_return__reported_on", verbose_name=gettext_lazy("Reported"), format="j M Y"
    )
    raw_text = tables.Column(
        verbose_name=gettext_lazy("As printed"), attrs=NUMBER, orderable=False, empty_values=()
    )
    symbol = tables.Column(verbose_name=gettext_lazy("As understood"), attrs=NUMBER, orderable=False)

    class Meta:
        model = Reading
        attrs = {"class": "printed"}
        fields = ("tag", "what", "laboratory", "reported_on", "raw_text", "symbol")
        empty_text = gettext_lazy("Nothing has come back from a laboratory yet.")

    def render_raw_text(self, record: Reading):
        printed = f"{record.raw_text} {record.unit}".strip()
        return printed if record.raw_text else format_html('<span class="soft">{}</span>', phrase("nothing"))

    def render_symbol(self, record: Reading) -> str:
        figure = render_to_string("prospecting/_reading.html", {"reading": record}, request=self.request)
        marked = ((word,) for word in marks(record))
        return format_html(
            "{}{}", figure, format_html_join("", ' <span class="value-mark">{}</span>', marked)
        )

    def file_columns(self) -> list[FileColumn]:
        return [
            ("Tag", attrgetter("sample.tag")),
            ("Kind of sample", lambda reading: reading.sample.get_kind_display()),
            ("Lot", lambda reading: reading.sample.lot and reading.sample.lot.code),
            ("Laboratory", attrgetter("sample.dispatch.laboratory.name")),
            ("Dispatch", attrgetter("sample.dispatch_id")),
            ("Certificate", attrgetter("assay_return.certificate_number")),
            ("Reported", attrgetter("assay_return.reported_on")),
            ("Certificate replaced by", replaced_by),
            ("Checks of the return", lambda reading: reading.assay_return.get_checks_state_display()),
            ("Column", attrgetter("method")),
            ("Fraction", Reading.get_fraction_display),
            ("As printed", attrgetter("raw_text")),
            ("Unit as printed", attrgetter("unit")),
            ("What it is", Reading.get_symbol_display),
            ("Grade (g/t)", attrgetter("grade_g_per_t")),
            ("Limit (g/t)", attrgetter("limit_g_per_t")),
            ("Value in use of the sample", value_in_use),
            ("Value in use (g/t)", attrgetter("sample.in_use_g_per_t")),
            ("Limit in use (g/t)", attrgetter("sample.in_use_limit_g_per_t")),
            ("By the rule", lambda reading: reading.sample.get_in_use_rule_display()),
        ]


def replaced_by(reading: Reading) -> str:
    """The number of the certificate that corrects the one it stands in; nothing where that stands."""
    revised = getattr(reading.assay_return, "replaced_by", None)
    return revised.certificate_number if revised else ""


def marks(reading: Reading) -> list[str]:
    """What keeps the figure from being taken as it stands."""
    checks = reading.assay_return
    failed = checks.checks_state in (AssayReturn.Checks.FAILED, AssayReturn.Checks.ACCEPTED)
    return [phrase("replaced")] * bool(replaced_by(reading)) + [checks.get_checks_state_display()] * failed


def value_in_use(reading: Reading) -> str:
    symbol = reading.sample.in_use_symbol
    return str(Reading.Symbol(symbol).label) if symbol else ""
