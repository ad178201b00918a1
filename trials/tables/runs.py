from decimal import Decimal
from operator import attrgetter

import django_tables2 as tables
from django.utils.html import format_html
from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.grade import grade_g_per_t
from prospecting.calc.language import phrase
from prospecting.tables.base import FileColumn, ListTable, empty_last
from trials.models import Run
from trials.models.runs import RunQuerySet


class RunTable(ListTable):
    """Runs, newest first; the treatment of a trial's run is never among the columns."""

    run = tables.Column(accessor="pk", verbose_name=gettext_lazy("Run"), linkify=True)
    panned_on = tables.DateColumn(verbose_name=gettext_lazy("Day"), format="j M Y")
    lot = tables.Column(verbose_name=gettext_lazy("Lot"), accessor="lot__code")
    what = tables.Column(verbose_name=gettext_lazy("What"), empty_values=(), orderable=False)
    gold = tables.Column(verbose_name=gettext_lazy("Gold"), empty_values=(), order_by="gold_mg")
    colours = tables.Column(verbose_name=gettext_lazy("Colours"), accessor="colours_total", orderable=False)
    grade = tables.Column(verbose_name=gettext_lazy("Grade recovered"), empty_values=(), orderable=False)
    panner = tables.Column(verbose_name=gettext_lazy("Panner"), accessor="panner", orderable=False)

    order_gold = empty_last("gold_mg")

    class Meta:
        model = Run
        fields = ()
        sequence = ("run", "panned_on", "lot", "what", "gold", "colours", "grade", "panner")
        empty_text = gettext_lazy("No pan has been logged yet. Open a lot and pan a portion of it.")

    def order_lot(self, runs: RunQuerySet, is_descending: bool) -> tuple[RunQuerySet, bool]:
        """By the lots that may be told: its place among them would tell a hidden one."""
        return empty_last("known_lot")(self, runs.with_known_lot_code(), is_descending)

    def render_lot(self, record: Run) -> str:
        if record.lot_hidden:
            return phrase("hidden")
        return format_html('<a href="{}">{}</a>', record.lot.get_absolute_url(), record.lot.code)

    def render_what(self, record: Run) -> str:
        if record.is_void:
            return phrase("voided")
        if record.failed:
            return phrase("failed")
        if record.planned is None:
            return phrase("test pan")
        trial = format_html('<a href="{}">{}</a>', record.planned.trial.get_absolute_url(), phrase("trial"))
        return format_html(phrase("{trial}, code {code}"), trial=trial, code=record.planned.blind_code)

    def render_gold(self, record: Run) -> str:
        if record.below_scale:
            return phrase("below {mass}", mass=units.format_gold_mg(record.scale_step_mg))
        return units.format_gold_mg(record.gold_mg)

    def render_grade(self, record: Run) -> str:
        grade = recovered_g_per_t(record)
        return "" if grade is None else units.format_grade(grade, self.request.user.grade_unit)

    def file_columns(self) -> list[FileColumn]:
        return [
            ("Run", attrgetter("pk")),
            ("Day", attrgetter("panned_on")),
            ("Lot", lambda run: "hidden" if run.lot_hidden else run.lot.code),
            ("Trial", lambda run: run.planned and run.planned.trial_id),
            ("Code", lambda run: run.planned and run.planned.blind_code),
            ("State", state_of),
            ("Portion (g)", attrgetter("portion_mass_g")),
            ("Gold (mg)", attrgetter("gold_mg")),
            ("Below the scale", attrgetter("below_scale")),
            ("Scale step (mg)", attrgetter("scale_step_mg")),
            ("Colours", attrgetter("colours_total")),
            ("Grade recovered (g/t)", recovered_g_per_t),
            ("Panner", lambda run: str(run.panner)),
        ]


def recovered_g_per_t(run: Run) -> Decimal | None:
    """Gold of a run that was weighed and did not fail, over its portion."""
    return None if run.gold_mg is None or run.failed else grade_g_per_t(run.gold_mg, run.portion_mass_g)


def state_of(run: Run) -> str:
    if run.is_void:
        return "voided"
    return "failed" if run.failed else "stands"
