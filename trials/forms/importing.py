"""A trial done elsewhere: its file, and what the file does not say."""

from decimal import Decimal

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext_lazy

from prospecting.calc.accepted_files import RUN_TABLE
from prospecting.calc.language import phrase
from prospecting.forms.base import DayField, GoldMassField, MassField, NumberField, SiteForm, WaterField
from prospecting.forms.files import AcceptedFileField
from prospecting.forms.lot_choice import LooksForLots, LotField
from prospecting.models import Member
from trials.actions.importing import ImportedTrial
from trials.calc.run_columns import COLUMNS, RunColumn
from trials.forms.planning import TEST_LOTS, UNUSED_RATIO
from trials.models import Trial
from trials.models.trials import NO_TEST_LOTS
from trials.readers.run_table import RunRow, RunTable, read_run_table

MOST_ROWS_SHOWN = 120


class RunFileForm(SiteForm):
    upload = AcceptedFileField(
        RUN_TABLE,
        label=gettext_lazy("The table of runs"),
        help_text=gettext_lazy("Nothing is recorded before you have seen what was read."),
    )

    @property
    def columns(self) -> list[RunColumn]:
        """Those that are read."""
        return [column.said for column in COLUMNS if column.is_read]


class RunFile:
    """What was read from an uploaded table of runs; `refusal` where nothing could be."""

    def __init__(self, *, data: bytes, name: str) -> None:
        self.name = name
        self.refusal = ""
        self.table: RunTable | None = None
        try:
            self.table = read_run_table(data)
        except ValueError as refusal:
            self.refusal = str(refusal)

    @property
    def runs_of(self) -> list[tuple[str, int]]:
        """How many runs each treatment has."""
        names = [row.treatment for row in self.table.rows]
        return [(name, names.count(name)) for name in self.table.treatments]

    @property
    def shown(self) -> tuple[RunRow, ...]:
        return self.table.rows[:MOST_ROWS_SHOWN]

    @property
    def not_shown(self) -> int:
        return max(0, len(self.table.rows) - MOST_ROWS_SHOWN)


class ImportForm(LooksForLots, SiteForm):
    """What the table does not say of its trial."""

    question = forms.CharField(
        label=gettext_lazy("Question"),
        max_length=200,
        help_text=gettext_lazy("The question that was put then, not one its results suggest."),
    )
    outcome = forms.ChoiceField(
        label=gettext_lazy("Judged by"),
        choices=Trial.Outcome,
        help_text=gettext_lazy(
            "As it was meant before the first run. Where nobody said so then, say in the note that it was chosen after."
        ),
    )
    control = forms.ChoiceField(label=gettext_lazy("The control"))
    feed_lot = LotField(
        label=gettext_lazy("Lot the portions came from"),
        not_kinds=NO_TEST_LOTS,
        likely=TEST_LOTS,
        help_text=gettext_lazy(
            "Each run takes its portion from this lot's mass on the books. Material that never was on them has to be "
            "put there first, as it was dug and blended; it can't be made up here."
        ),
    )
    portion = MassField(
        label=gettext_lazy("Mass of a portion"),
        help_text=gettext_lazy("Where the table gives none for a run. With its unit: 1 lb, 454 g"),
    )
    scale_step = GoldMassField(
        label=gettext_lazy("Scale step"),
        required=False,
        help_text=gettext_lazy("Where the table gives none: 1 mg, 0.01 g"),
    )
    smallest_ratio = NumberField(
        label=gettext_lazy("Smallest gain that would matter to you"),
        least=Decimal("1.01"),
        most=Decimal("20"),
        places=2,
        unit_label=gettext_lazy("times the control"),
        initial="1.25",
        help_text=gettext_lazy("From what would change what you do, not from what the table shows."),
    )
    water = WaterField(label=gettext_lazy("Water in the tub"))
    panned_on = DayField(
        label=gettext_lazy("Day"),
        done=True,
        initial=None,
        help_text=gettext_lazy("Where the table gives none for a run"),
    )
    done_by = forms.ModelChoiceField(
        label=gettext_lazy("Who answers for these runs"),
        queryset=Member.objects.none(),
        help_text=gettext_lazy(
            "Put down as mixer and panner, so no run of it counts as blind. Names in the table are kept in the notes."
        ),
    )
    note = forms.CharField(
        label=gettext_lazy("Note"), required=False, max_length=1000, widget=forms.Textarea(attrs={"rows": 3})
    )

    def __init__(self, *args, member: Member, table: RunTable, **kwargs) -> None:
        super().__init__(*args, member=member, **kwargs)
        self.fields["control"].choices = [
            ("", phrase("Choose it")),
            *((name, name) for name in table.treatments),
        ]
        people = self.fields["done_by"]
        people.queryset = Member.objects.filter(is_active=True).exclude(role=Member.Role.GUEST)
        people.initial = member.pk
        self.table = table
        if self.data.get("outcome") == Trial.Outcome.PLACES:
            self.fields["smallest_ratio"].required = False

    def clean(self) -> dict:
        cleaned = super().clean()
        outcome = cleaned.get("outcome")
        if outcome == Trial.Outcome.PLACES and not self.table.blocks:
            self.add_error(
                "outcome",
                ValidationError(
                    phrase("Places are given within blocks, and the table names none."), code="no_blocks"
                ),
            )
        return cleaned

    def facts(self) -> ImportedTrial:
        values = self.cleaned_data
        step = values["scale_step"]
        same = ("question", "feed_lot", "outcome", "control", "panned_on", "done_by", "note")
        return ImportedTrial(
            **{name: values[name] for name in same},
            smallest_ratio=values["smallest_ratio"] or UNUSED_RATIO,
            portion_mass_g=values["portion"].canonical,
            portion_typed=values["portion"].typed,
            water_ml=values["water"].canonical,
            water_typed=values["water"].typed,
            scale_step_mg=step.canonical if step else None,
        )
