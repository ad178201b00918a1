import django_tables2 as tables
from django.utils.html import format_html

from prospecting.calc import units
from prospecting.calc.grade import grade_g_per_t
from prospecting.tables.base import ListTable
from trials.models import Run


class RunTable(ListTable):
    """Runs, newest first; the treatment of a trial's run is never among the columns."""

    run = tables.Column(accessor="pk", verbose_name="Run", linkify=True, orderable=False)
    panned_on = tables.DateColumn(verbose_name="Day", format="j M Y")
    lot = tables.Column(verbose_name="Lot", accessor="lot__code")
    what = tables.Column(verbose_name="What", empty_values=(), orderable=False)
    gold = tables.Column(verbose_name="Gold", empty_values=(), order_by="gold_mg")
    colours = tables.Column(verbose_name="Colours", accessor="colours_total", orderable=False)
    grade = tables.Column(verbose_name="Grade recovered", empty_values=(), orderable=False)
    panner = tables.Column(verbose_name="Panner", accessor="panner", orderable=False)

    class Meta:
        model = Run
        fields = ()
        sequence = ("run", "panned_on", "lot", "what", "gold", "colours", "grade", "panner")
        empty_text = "No pan has been logged yet. Open a lot and pan a portion of it."

    def render_lot(self, record: Run) -> str:
        if record.lot_hidden:
            return "hidden"
        return format_html('<a href="{}">{}</a>', record.lot.get_absolute_url(), record.lot.code)

    def render_what(self, record: Run) -> str:
        if record.is_void:
            return "voided"
        if record.failed:
            return "failed"
        if record.planned is None:
            return "test pan"
        return format_html(
            '<a href="{}">trial</a>, code {}',
            record.planned.trial.get_absolute_url(),
            record.planned.blind_code,
        )

    def render_gold(self, record: Run) -> str:
        if record.below_scale:
            return f"below {units.format_gold_mg(record.scale_step_mg)}"
        return units.format_gold_mg(record.gold_mg)

    def render_grade(self, record: Run) -> str:
        if record.gold_mg is None or record.failed:
            return ""
        grade = grade_g_per_t(record.gold_mg, record.portion_mass_g)
        return units.format_grade(grade, self.request.user.grade_unit)
