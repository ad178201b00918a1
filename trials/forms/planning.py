"""Forms of planning: the draft, its treatments, the plan, the mixing sheet, the end."""

from decimal import Decimal

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.forms.base import CountField, GoldMassField, MassField, NumberField, SiteForm, WaterField
from prospecting.forms.lot_choice import LooksForLots, LotField
from prospecting.models import Lot, Member
from trials.actions.planning import DoseOf
from trials.calc.designs import MOST_ROWS, whole_squares
from trials.models import Additive, Treatment, Trial

# Offered before others, for they are made to be tried on.
TEST_LOTS = (Lot.Kind.BLEND, Lot.Kind.SPLIT, Lot.Kind.UNDERSIZE)
# What a trial judged by place keeps where others keep the smallest gain that matters; nothing reads it.
UNUSED_RATIO = Decimal("1.25")


class PlanForm(SiteForm):
    """What every plan fixes, whichever lots its portions come from."""

    outcome = forms.ChoiceField(label=gettext_lazy("Judged by"), choices=Trial.Outcome)
    portion = MassField(label=gettext_lazy("Mass of a portion"))
    portions_from = forms.ChoiceField(label=gettext_lazy("Portions"), choices=Trial.PortionsFrom)
    blocks = CountField(
        label=gettext_lazy("Blocks"),
        least=2,
        most=MOST_ROWS,
        help_text=gettext_lazy(
            "Each block holds every treatment once. Three is the least that can say anything; five or more is better."
        ),
    )
    smallest_ratio = NumberField(
        label=gettext_lazy("Smallest gain that would matter to you"),
        least=Decimal("1.01"),
        most=Decimal("20"),
        places=2,
        unit_label=gettext_lazy("times the control"),
        help_text=gettext_lazy(
            "1.25 means: a quarter more gold. Settle it now, from what would change what you do. Judged by place it has no "
            "meaning: places have no ratio."
        ),
    )
    water = WaterField(label=gettext_lazy("Water in the tub"))
    soak_min = NumberField(
        label=gettext_lazy("Soak"), unit_label="min", most=100_000, places=1, required=False
    )
    run_min = NumberField(
        label=gettext_lazy("One run takes"),
        unit_label="min",
        least=Decimal("0.1"),
        most=10_000,
        places=1,
        required=False,
        help_text=gettext_lazy(
            "From tub to weighed gold, without the soak. Left empty, the plan reckons with 30 min."
        ),
    )
    scale_step = GoldMassField(
        label=gettext_lazy("Scale step"),
        required=False,
        help_text=gettext_lazy("The smallest step your scale shows: 1 mg, 0.01 g"),
    )
    mixer = forms.ModelChoiceField(
        label=gettext_lazy("Mixer"),
        queryset=Member.objects.none(),
        help_text=gettext_lazy(
            "Only the mixer sees which code is which treatment. To be blind, the mixer is not the panner."
        ),
    )
    note = forms.CharField(
        label=gettext_lazy("Note"), required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 2})
    )

    def __init__(self, *args, member: Member, **kwargs) -> None:
        super().__init__(*args, member=member, **kwargs)
        self.fields["mixer"].queryset = Member.objects.filter(is_active=True).exclude(role=Member.Role.GUEST)
        if self.data.get("outcome") == Trial.Outcome.PLACES:
            self.fields["smallest_ratio"].required = False

    def fields_typed(self) -> dict:
        values = self.cleaned_data
        step = values["scale_step"]
        return {
            "outcome": values["outcome"],
            "blocks_planned": values["blocks"],
            "smallest_ratio": values["smallest_ratio"] or UNUSED_RATIO,
            "portion_mass_g": values["portion"].canonical,
            "portion_typed": values["portion"].typed,
            "portions_from": values["portions_from"],
            "water_ml": values["water"].canonical,
            "water_typed": values["water"].typed,
            "soak_min": values["soak_min"] or Decimal(0),
            "run_min": values["run_min"],
            "scale_step_mg": step.canonical if step else None,
            "mixer": values["mixer"],
            "note": values["note"],
        }


class TrialForm(LooksForLots, PlanForm):
    question = forms.CharField(
        label=gettext_lazy("Question"),
        max_length=200,
        help_text=gettext_lazy("One question: Does rinse A keep more fine gold than plain water?"),
    )
    feed_lot = LotField(
        label=gettext_lazy("Lot the portions come from"),
        not_kinds=(Lot.Kind.PORTION, Lot.Kind.ASSAY_SPLIT, Lot.Kind.CONCENTRATE),
        likely=TEST_LOTS,
    )
    design = forms.ChoiceField(
        label=gettext_lazy("Order of the runs"),
        choices=Trial.Design,
        initial=Trial.Design.BLOCKS,
        help_text=gettext_lazy(
            "Blocks are the safe choice: day, water, tiredness and light change, and a block takes that out. A square "
            "is for when the place in the order matters too. Without blocks any drift falls on some treatments by luck."
        ),
    )
    field_order = ("question", "feed_lot", "outcome", "portion", "portions_from", "design", "blocks")

    def __init__(self, *args, member: Member, treatments: int = 0, **kwargs) -> None:
        super().__init__(*args, member=member, **kwargs)
        blocks = self.fields["blocks"]
        blocks.label = phrase("Blocks, rows of squares, or runs of each")
        blocks.help_text = f"{blocks.help_text} {rows_that_fit(treatments)}"
        self.fields["feed_lot"].stays = self.initial.get("feed_lot", "")

    @staticmethod
    def starting_with(query: dict) -> dict:
        """Initial values of a new draft; `?lot=CODE` chooses the lot."""
        lot = Lot.objects.in_stock().filter(code=query.get("lot", "")).first()
        return {"smallest_ratio": Decimal("1.25"), "blocks": 5} | ({"feed_lot": lot.code} if lot else {})

    def fields_typed(self) -> dict:
        own = {name: self.cleaned_data[name] for name in ("question", "feed_lot", "design")}
        return super().fields_typed() | own


def rows_that_fit(treatments: int) -> str:
    """Which numbers of rows make whole squares of so many treatments, in a sentence."""
    if treatments < 2:
        return phrase(
            "A Latin square takes as many rows as there are treatments, or twice, three times as many; so does a Williams "
            "square, but of an odd number of treatments twice as many."
        )
    latin, williams = (
        ", ".join(str(rows) for rows in whole_squares(kind, treatments))
        for kind in (Trial.Design.LATIN, Trial.Design.WILLIAMS)
    )
    return phrase(
        "With {treatments} treatments the rows fit in a Latin square {latin} and so on; a Williams square {williams} "
        "and so on.",
        treatments=treatments,
        latin=latin,
        williams=williams,
    )


def read_dose(typed: str, member: Member) -> tuple[str, units.Dose]:
    """A dose as typed, and read; a bare number is meant in the member's own unit and is kept with that unit.

    ValueError with a sentence where it can't be read, or is too little to record.
    """
    if typed.replace(".", "").replace(",", "").isdecimal():
        typed = f"{typed} {'tsp per gal' if member.dose_unit == Member.DoseUnit.TSP_PER_US_GAL else 'mL/L'}"
    dose = units.parse_dose(typed)
    if stored_dose(dose) == 0:
        raise ValueError(phrase("That is too little to record."))
    return dose.typed, dose


def stored_dose(dose: units.Dose) -> Decimal:
    """As fine as the books keep it, in mL/L."""
    return dose.ml_per_l.quantize(Decimal("0.000001"))


def too_strong(typed: str, ml_per_l: Decimal) -> str | None:
    """The guard's question about a dose that no tub usually gets."""
    if ml_per_l <= 50:
        return None
    return phrase(
        "{typed} is {dose}, a very strong dose. Is it right?",
        typed=typed,
        dose=units.format_dose(ml_per_l, "ml_per_l"),
    )


class TreatmentForm(SiteForm):
    """A treatment: the control, or doses of one or two additives and/or a technique."""

    name = forms.CharField(
        label=gettext_lazy("Name"),
        max_length=80,
        help_text=gettext_lazy("plain water; rinse, low; second screen"),
    )
    is_control = forms.BooleanField(
        label=gettext_lazy("This is the control: nothing is added or changed"), required=False
    )
    additive = forms.ModelChoiceField(
        label=gettext_lazy("Additive"),
        queryset=Additive.objects.all(),
        required=False,
        empty_label=gettext_lazy("none"),
    )
    dose = forms.CharField(
        label=gettext_lazy("Dose"),
        max_length=40,
        required=False,
        help_text=gettext_lazy(
            "As you measure it: 12 drops in 9 L, 1/4 tsp per gal, 0.4 mL/L. Gal is the US gallon."
        ),
    )
    second_additive = forms.ModelChoiceField(
        label=gettext_lazy("Second additive"),
        queryset=Additive.objects.all(),
        required=False,
        empty_label=gettext_lazy("none"),
    )
    second_dose = forms.CharField(label=gettext_lazy("Its dose"), max_length=40, required=False)
    technique = forms.CharField(
        label=gettext_lazy("Technique or gear"),
        max_length=200,
        required=False,
        help_text=gettext_lazy("What is done differently, in a few words"),
    )

    pairs = (("additive", "dose"), ("second_additive", "second_dose"))

    def clean(self) -> dict:
        cleaned = super().clean()
        self.doses: list[DoseOf] = []
        for additive_name, dose_name in self.pairs:
            additive, typed = cleaned.get(additive_name), cleaned.get(dose_name)
            if additive and not typed:
                self.add_error(dose_name, ValidationError(phrase("How much of it?"), code="dose_missing"))
            elif typed and not additive and additive_name not in self.errors:
                self.add_error(
                    additive_name, ValidationError(phrase("Of which additive?"), code="additive_missing")
                )
            elif typed and additive:
                self._read_dose(dose_name, additive, typed)
        return cleaned

    def _read_dose(self, dose_name: str, additive: Additive, typed: str) -> None:
        try:
            typed, dose = read_dose(typed, self.member)
        except ValueError as error:
            self.add_error(dose_name, ValidationError(str(error), code="dose"))
            return
        self.fields[dose_name].says = dose.sentence
        ml_per_l = stored_dose(dose)
        self.ask(too_strong(typed, ml_per_l))
        self.doses.append(DoseOf(additive=additive, ml_per_l=ml_per_l, typed=typed))

    def fields_typed(self) -> dict:
        names = ("name", "is_control", "technique")
        return {name: self.cleaned_data[name] for name in names} | {"doses": self.doses}


class PlainForm(SiteForm):
    """Only a button: it carries the identity that keeps a second tap from doing it twice."""


class ReasonForm(SiteForm):
    """A button that may need a reason."""

    reason = forms.CharField(label=gettext_lazy("Reason"), max_length=200, required=False)


class MixingForm(ReasonForm):
    """Opens the mixing sheet, for tubs with so much water: as planned unless typed."""

    water = WaterField(label=gettext_lazy("Water in the tubs at hand"), required=False)

    def water_or(self, trial: Trial) -> units.Quantity:
        planned = units.Quantity(trial.water_ml, "mL", trial.water_ml, trial.water_typed)
        return self.cleaned_data.get("water") or planned


class FixForm(SiteForm):
    """The button that fixes the plan. A plan that `cannot` answer its question asks for a tick and a reason."""

    know = forms.BooleanField(
        label=gettext_lazy("I know it can't answer the question"),
        error_messages={"required": gettext_lazy("Tick this, or mend the plan first.")},
    )
    reason = forms.CharField(
        label=gettext_lazy("Why it is worth running all the same"),
        max_length=200,
        help_text=gettext_lazy(
            "To learn the spread of this lot; to practise. It stands on the trial and beside its verdict."
        ),
        error_messages={"required": gettext_lazy("Say why: whoever reads the verdict will ask.")},
    )

    def __init__(self, *args, cannot: str, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.cannot = cannot
        if not cannot:
            del self.fields["know"], self.fields["reason"]


def plain(number: Decimal) -> str:
    """A number as one would type it: 10, not 10.0."""
    return numeral(number.normalize(), "f")


def draft_before(trial: Trial) -> dict:
    """A draft's values as initial values of its form."""
    return {
        "question": trial.question,
        "feed_lot": trial.feed_lot.code,
        "outcome": trial.outcome,
        "portion": trial.portion_typed,
        "portions_from": trial.portions_from,
        "blocks": trial.blocks_planned,
        "smallest_ratio": trial.smallest_ratio,
        "water": trial.water_typed,
        "design": trial.design,
        "soak_min": plain(trial.soak_min) if trial.soak_min else "",
        "run_min": plain(trial.run_min) if trial.run_min else "",
        "scale_step": trial.scale_step_typed,
        "mixer": trial.mixer_id,
        "note": trial.note,
    }


def treatment_before(treatment: Treatment) -> dict:
    """A treatment's values as initial values of its form."""
    values = {"name": treatment.name, "is_control": treatment.is_control, "technique": treatment.technique}
    for (additive_name, dose_name), dose in zip(TreatmentForm.pairs, treatment.doses.all(), strict=False):
        values |= {additive_name: dose.additive_id, dose_name: dose.typed}
    return values
