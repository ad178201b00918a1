"""Forms of planning: the draft, its treatments, the plan, the mixing sheet, the end."""

from decimal import Decimal

from django import forms
from django.core.exceptions import ValidationError

from prospecting.calc import units
from prospecting.forms.base import CountField, GoldMassField, MassField, NumberField, SiteForm, WaterField
from prospecting.models import Lot, Member
from trials.actions.planning import DoseOf
from trials.models import Additive, Treatment, Trial


class LotChoiceField(forms.ModelChoiceField):
    def label_from_instance(self, lot: Lot) -> str:
        what = f", {lot.title}" if lot.title else ""
        return f"{lot.code}, {lot.get_kind_display().lower()}{what}, {units.format_mass(lot.on_hand_g, self.mass_unit)} on hand"


class PlanForm(SiteForm):
    """What every plan fixes, whichever lots its portions come from."""

    outcome = forms.ChoiceField(label="Judged by", choices=Trial.Outcome)
    portion = MassField(label="Mass of a portion")
    portions_from = forms.ChoiceField(label="Portions", choices=Trial.PortionsFrom)
    blocks = CountField(
        label="Blocks",
        least=2,
        most=60,
        help_text="Each block holds every treatment once. Three is the least that can say anything; five or more is better.",
    )
    smallest_ratio = NumberField(
        label="Smallest gain that would matter to you",
        least=Decimal("1.01"),
        most=Decimal("20"),
        places=2,
        unit_label="times the control",
        help_text="1.25 means: a quarter more gold. Settle it now, from what would change what you do.",
    )
    water = WaterField(label="Water in the tub")
    soak_min = NumberField(label="Soak", unit_label="min", most=100_000, places=1, required=False)
    scale_step = GoldMassField(
        label="Scale step", required=False, help_text="The smallest step your scale shows: 1 mg, 0.01 g"
    )
    mixer = forms.ModelChoiceField(
        label="Mixer",
        queryset=Member.objects.none(),
        help_text="Only the mixer sees which code is which treatment. To be blind, the mixer is not the panner.",
    )
    note = forms.CharField(
        label="Note", required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 2})
    )

    def __init__(self, *args, member: Member, **kwargs) -> None:
        super().__init__(*args, member=member, **kwargs)
        self.fields["mixer"].queryset = Member.objects.filter(is_active=True).exclude(role=Member.Role.GUEST)

    def fields_typed(self) -> dict:
        values = self.cleaned_data
        step = values["scale_step"]
        return {
            "outcome": values["outcome"],
            "blocks_planned": values["blocks"],
            "smallest_ratio": values["smallest_ratio"],
            "portion_mass_g": values["portion"].canonical,
            "portion_typed": values["portion"].typed,
            "portions_from": values["portions_from"],
            "water_ml": values["water"].canonical,
            "water_typed": values["water"].typed,
            "soak_min": values["soak_min"] or Decimal(0),
            "scale_step_mg": step.canonical if step else None,
            "mixer": values["mixer"],
            "note": values["note"],
        }


class TrialForm(PlanForm):
    question = forms.CharField(
        label="Question",
        max_length=200,
        help_text="One question: Does rinse A keep more fine gold than plain water?",
    )
    feed_lot = LotChoiceField(label="Lot the portions come from", queryset=Lot.objects.none())
    field_order = ("question", "feed_lot")

    def __init__(self, *args, member: Member, **kwargs) -> None:
        super().__init__(*args, member=member, **kwargs)
        lots = self.fields["feed_lot"]
        lots.mass_unit = member.mass_unit
        lots.queryset = Lot.objects.in_stock().exclude(
            kind__in=[Lot.Kind.PORTION, Lot.Kind.ASSAY_SPLIT, Lot.Kind.CONCENTRATE]
        )
        if self.initial.get("feed_lot"):
            lots.queryset |= Lot.objects.standing().filter(pk=self.initial["feed_lot"])

    @staticmethod
    def starting_with(query: dict) -> dict:
        """Initial values of a new draft; `?lot=CODE` chooses the lot."""
        lot = Lot.objects.in_stock().filter(code=query.get("lot", "")).first()
        return {"smallest_ratio": "1.25", "blocks": 5} | ({"feed_lot": lot.pk} if lot else {})

    def fields_typed(self) -> dict:
        own = {name: self.cleaned_data[name] for name in ("question", "feed_lot")}
        return super().fields_typed() | own


class TreatmentForm(SiteForm):
    """A treatment: the control, or doses of one or two additives and/or a technique."""

    name = forms.CharField(label="Name", max_length=80, help_text="plain water; rinse, low; second screen")
    is_control = forms.BooleanField(label="This is the control: nothing is added or changed", required=False)
    additive = forms.ModelChoiceField(
        label="Additive", queryset=Additive.objects.all(), required=False, empty_label="none"
    )
    dose = forms.CharField(
        label="Dose",
        max_length=40,
        required=False,
        help_text="As you measure it: 12 drops in 9 L, 1/4 tsp per gal, 0.4 mL/L. Gal is the US gallon.",
    )
    second_additive = forms.ModelChoiceField(
        label="Second additive", queryset=Additive.objects.all(), required=False, empty_label="none"
    )
    second_dose = forms.CharField(label="Its dose", max_length=40, required=False)
    technique = forms.CharField(
        label="Technique or gear",
        max_length=200,
        required=False,
        help_text="What is done differently, in a few words",
    )

    pairs = (("additive", "dose"), ("second_additive", "second_dose"))

    def clean(self) -> dict:
        cleaned = super().clean()
        self.doses: list[DoseOf] = []
        for additive_name, dose_name in self.pairs:
            additive, typed = cleaned.get(additive_name), cleaned.get(dose_name)
            if additive and not typed:
                self.add_error(dose_name, ValidationError("How much of it?", code="dose_missing"))
            elif typed and not additive and additive_name not in self.errors:
                self.add_error(additive_name, ValidationError("Of which additive?", code="additive_missing"))
            elif typed and additive:
                self._read_dose(dose_name, additive, typed)
        return cleaned

    def _read_dose(self, dose_name: str, additive: Additive, typed: str) -> None:
        if typed.replace(".", "").replace(",", "").isdecimal():
            # A bare number is meant in the member's own unit; it is kept with that unit.
            typed = f"{typed} {'tsp per gal' if self.member.dose_unit == Member.DoseUnit.TSP_PER_US_GAL else 'mL/L'}"
        try:
            dose = units.parse_dose(typed)
        except ValueError as error:
            self.add_error(dose_name, ValidationError(str(error), code="dose"))
            return
        self.fields[dose_name].says = dose.sentence
        ml_per_l = dose.ml_per_l.quantize(Decimal("0.000001"))
        if ml_per_l == 0:
            self.add_error(dose_name, ValidationError("That is too little to record.", code="dose_too_small"))
            return
        if ml_per_l > 50:
            self.ask(
                f"{typed} is {units.format_dose(ml_per_l, 'ml_per_l')}, a very strong dose. Is it right?"
            )
        self.doses.append(DoseOf(additive=additive, ml_per_l=ml_per_l, typed=typed))

    def fields_typed(self) -> dict:
        names = ("name", "is_control", "technique")
        return {name: self.cleaned_data[name] for name in names} | {"doses": self.doses}


class PlainForm(SiteForm):
    """Only a button: it carries the identity that keeps a second tap from doing it twice."""


class ReasonForm(SiteForm):
    """A button that may need a reason."""

    reason = forms.CharField(label="Reason", max_length=200, required=False)


def draft_before(trial: Trial) -> dict:
    """A draft's values as initial values of its form."""
    return {
        "question": trial.question,
        "feed_lot": trial.feed_lot_id,
        "outcome": trial.outcome,
        "portion": trial.portion_typed,
        "portions_from": trial.portions_from,
        "blocks": trial.blocks_planned,
        "smallest_ratio": trial.smallest_ratio,
        "water": trial.water_typed,
        "soak_min": trial.soak_min.normalize().__format__("f") if trial.soak_min else "",
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
