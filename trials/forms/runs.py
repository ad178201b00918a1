"""Forms for runs: of a trial, alone, corrected, their tails panned again, and their products kept as lots."""

import datetime
from decimal import Decimal

from django import forms
from django.core.exceptions import ValidationError
from django.utils.dateparse import parse_datetime
from django.utils.translation import gettext_lazy

from prospecting.actions.material import NewLot
from prospecting.calc import guard, units
from prospecting.calc.grade import gold_mg, grade_g_per_t
from prospecting.calc.language import phrase, to_phrase
from prospecting.calc.weighing import readings_apart, weighed_as_said, weighed_gold_mg
from prospecting.forms.base import (
    CountField,
    DayField,
    GoldMassField,
    MassField,
    NumberField,
    QuantityField,
    SiteForm,
)
from prospecting.forms.photos import PhotoField
from prospecting.models import Lot, Member, Photo
from trials.actions.running import PannedAgain, Portion, Reading, RunResult
from trials.models import ColourCount, Run, SettledMud, TailsPan, Treatment, Trial

SIZE_CLASSES = list(ColourCount.SizeClass)
WEIGHINGS = ("gold", "gold_2", "gold_3")
# Of the pans there are, the newest: enough to see a slip of ten.
MOST_COMPARED = 60
# Warmer than a hand stands for long (common practice, no source).
WARMEST_TUB_C = 45


class InstantField(forms.CharField):
    """A moment as the page's own clock writes it: ISO 8601 with its offset. Cleans to an aware datetime."""

    def __init__(self) -> None:
        # Kept with the rest of an unsent form: see static/prospecting/keep-draft.js.
        super().__init__(required=False, max_length=40, widget=forms.HiddenInput(attrs={"data-keep": ""}))

    def clean(self, value: str) -> datetime.datetime | None:
        text = super().clean(value)
        if not text:
            return None
        try:
            moment = parse_datetime(text)
        except ValueError:
            moment = None
        if moment is None or moment.tzinfo is None or not 1970 < moment.year < 2200:
            raise ValidationError(
                phrase("The clock of this page wrote a time that cannot be read."), code="instant"
            )
        return moment


class WeighingForm(SiteForm):
    """Gold on a scale, and who looked at it when. The scale's unit is understood where none is typed."""

    scale_unit = forms.ChoiceField(
        label=gettext_lazy("The scale shows"),
        choices=[("mg", "mg"), ("g", "g"), ("grain", gettext_lazy("grains"))],
        required=False,
    )
    gold = GoldMassField(label=gettext_lazy("Gold, dried and weighed"), required=False, help_text="")
    scale_step = GoldMassField(
        label=gettext_lazy("Scale step"),
        required=False,
        help_text=gettext_lazy("The smallest step your scale shows: 1 mg, 0.01 g"),
    )
    below_scale = forms.BooleanField(
        label=gettext_lazy("Nothing shows on the scale"),
        required=False,
        help_text=gettext_lazy("Not the same as no gold: it is kept as less than one step."),
    )
    panned_on = DayField(done=True)
    panner = forms.ModelChoiceField(
        label=gettext_lazy("Panner"), queryset=Member.objects.none(), empty_label=None
    )
    note = forms.CharField(
        label=gettext_lazy("Note"), required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 2})
    )

    def __init__(self, *args, member: Member, **kwargs) -> None:
        super().__init__(*args, member=member, **kwargs)
        unit = self["scale_unit"].value()
        for form_field in self.fields.values():
            if isinstance(form_field, GoldMassField):
                if unit in dict(self.fields["scale_unit"].choices):
                    form_field.set_unit(unit)
                # The unit is chosen once, above; with it in view a keypad of digits is enough.
                form_field.unit_label = ""
                form_field.widget.attrs["inputmode"] = "decimal"
        self.fields["panner"].queryset = Member.objects.filter(is_active=True).exclude(role=Member.Role.GUEST)
        self.fields["panner"].initial = member.pk

    def step_mg(self):
        step = self.cleaned_data.get("scale_step")
        return step.canonical if step else None


class RunForm(WeighingForm):
    """What one run gave. `portion` is asked for only where it is measured out of the lot at the run.

    Of a trial's run the treatment may be guessed, and `judged_by` says what its page asks for first; a test pan has neither.
    """

    portion = MassField(label=gettext_lazy("Portion put through"))
    gold_2 = GoldMassField(label=gettext_lazy("Second weighing"), required=False, help_text="")
    gold_3 = GoldMassField(label=gettext_lazy("Third weighing"), required=False, help_text="")
    tare = GoldMassField(
        label=gettext_lazy("Empty dish"),
        required=False,
        help_text=gettext_lazy("Only where the weighings are of dish and gold together."),
    )
    coarse = CountField(label=ColourCount.SizeClass.COARSE.label, required=False)
    medium = CountField(label=ColourCount.SizeClass.MEDIUM.label, required=False)
    fine = CountField(label=ColourCount.SizeClass.FINE.label, required=False)
    very_fine = CountField(label=ColourCount.SizeClass.VERY_FINE.label, required=False)
    flour = CountField(label=ColourCount.SizeClass.FLOUR.label, required=False)
    began_at = InstantField()
    ended_at = InstantField()
    soak_min = NumberField(
        label=gettext_lazy("Soak"), unit_label="min", most=100_000, places=1, required=False
    )
    pan_min = NumberField(
        label=gettext_lazy("Panning"), unit_label="min", most=10_000, places=1, required=False
    )
    pan = forms.CharField(label=gettext_lazy("Pan or gear"), max_length=80, required=False)
    water_batch = forms.CharField(
        label=gettext_lazy("Water batch"),
        max_length=40,
        required=False,
        help_text=gettext_lazy("Its name or the barrel's number"),
    )
    water_uses = CountField(
        label=gettext_lazy("Used before"),
        most=999,
        required=False,
        help_text=gettext_lazy("How many times; 0 is fresh."),
    )
    water_temp = QuantityField(
        label=gettext_lazy("Water temperature"),
        read=units.parse_temperature,
        unit="°C",
        step=units.TENTH,
        required=False,
        help_text=gettext_lazy("Also with its unit: 15 °C, 59 °F"),
    )
    water_hardness = QuantityField(
        label=gettext_lazy("Hardness by strip"),
        read=units.parse_hardness,
        unit="mg/L",
        step=units.TENTH,
        required=False,
        help_text=gettext_lazy("As calcium carbonate. Also with its unit: 7 gpg, 6.7 °dH"),
    )
    water = forms.CharField(
        label=gettext_lazy("Water from"),
        max_length=120,
        required=False,
        help_text=gettext_lazy("Spring, creek, rain"),
    )
    light = forms.ChoiceField(
        label=gettext_lazy("Light"),
        choices=[("", gettext_lazy("Not said")), *Run.Light.choices],
        required=False,
    )
    guess_treatment = forms.ModelChoiceField(
        label=gettext_lazy("Could you guess the treatment?"),
        queryset=Treatment.objects.none(),
        empty_label=gettext_lazy("No"),
        required=False,
    )
    guess = forms.CharField(
        label=gettext_lazy("What gave it away"),
        max_length=80,
        required=False,
        help_text=gettext_lazy("Smell, suds, colour"),
    )
    photo = PhotoField()
    fail_kind = forms.ChoiceField(
        label=gettext_lazy("Did it go wrong?"),
        choices=[("", gettext_lazy("No, it counts")), *Run.FailKind.choices],
        required=False,
        widget=forms.RadioSelect,
    )
    fail_reason = forms.CharField(label=gettext_lazy("What happened"), max_length=200, required=False)

    def __init__(
        self,
        *args,
        member: Member,
        trial: Trial | None = None,
        weighings: list[tuple] = (),
        portion: Portion | None = None,
        **kwargs,
    ) -> None:
        super().__init__(*args, member=member, **kwargs)
        self.weighings = weighings
        # A cut portion goes through whole: its mass is known and not asked for.
        self.known_portion = portion
        if portion is not None:
            del self.fields["portion"]
        self.judged_by = trial.outcome if trial else ""
        if trial is None:
            del self.fields["guess_treatment"], self.fields["guess"]
        else:
            self.fields["guess_treatment"].queryset = trial.treatments.all()
        self.fields["water_temp"].set_unit("°F" if member.mass_unit == Member.MassUnit.LB else "°C")

    def colour_fields(self) -> list[forms.BoundField]:
        return [self[size_class.value] for size_class in SIZE_CLASSES]

    def clean(self) -> dict:
        cleaned = super().clean()
        self._ask_about_water(cleaned.get("water_temp"))
        readings = self._readings()
        if not readings or self.errors.keys() & {*WEIGHINGS, "tare", "scale_step"}:
            return cleaned
        if cleaned["gold"] is None:
            self.add_error(
                "gold", ValidationError(phrase("The first weighing goes here."), code="first_missing")
            )
            return cleaned
        try:
            weighed_mg = self._weighed_mg()
        except ValueError as error:
            self.add_error("gold", ValidationError(str(error), code="not_above_dish"))
            return cleaned
        if not cleaned.get("fail_kind"):
            self._ask_about_gold(weighed_mg)
            self.ask(readings_apart([reading.mg for reading in readings], self.step_mg()))
        return cleaned

    def _readings(self) -> list[Reading]:
        typed = (self.cleaned_data.get(name) for name in WEIGHINGS)
        return [Reading(mg=each.canonical, typed=each.typed) for each in typed if each]

    def _weighed_mg(self):
        tare = self.cleaned_data["tare"]
        return weighed_gold_mg([reading.mg for reading in self._readings()], tare.canonical if tare else None)

    def _ask_about_gold(self, weighed_mg) -> None:
        portion = self.portion_taken()
        if portion is None:
            return
        told = guard.gold_guard(
            weighed_mg,
            portion.mass_g,
            scale_step_mg=self.step_mg(),
            others_mg=[
                gold_mg(grade_g_per_t(other_mg, other_g), portion.mass_g)
                for other_mg, other_g in self.weighings[:MOST_COMPARED]
            ],
            grade_unit=self.member.grade_unit,
            mass_unit=self.member.mass_unit,
        )
        self.fields["gold"].says = told.sentence
        self.ask(told.ask)

    def _ask_about_water(self, temperature: units.Quantity | None) -> None:
        if temperature is not None and temperature.canonical > WARMEST_TUB_C:
            shown = units.format_temperature(temperature.canonical)
            self.ask(
                phrase("{shown} is hotter than a hand bears. Is the number right, and its unit?", shown=shown)
            )

    def portion_taken(self) -> Portion | None:
        if self.known_portion is not None:
            return self.known_portion
        typed = self.cleaned_data.get("portion")
        return None if typed is None else Portion(mass_g=typed.canonical, typed=typed.typed)

    def result(self, photo: Photo | None) -> RunResult:
        """The run as the actions take it, with its picture already kept."""
        values = self.cleaned_data
        readings, tare = self._readings(), values["tare"]
        weighed_mg = self._weighed_mg() if readings else None
        temperature, hardness = values["water_temp"], values["water_hardness"]
        as_typed = (
            "panned_on",
            "panner",
            "below_scale",
            "began_at",
            "ended_at",
            "soak_min",
            "pan_min",
            "pan",
        )
        as_typed += ("water", "water_batch", "water_uses", "light", "note", "fail_kind", "fail_reason")
        return RunResult(
            **{name: values[name] for name in as_typed},
            gold_mg=weighed_mg,
            gold_typed=weighed_as_said(
                weighed_mg, [reading.typed for reading in readings], in_dish=tare is not None
            )
            if readings
            else "",
            weighings=readings,
            tare_mg=tare.canonical if tare else None,
            tare_typed=tare.typed if tare else "",
            scale_step_mg=self.step_mg(),
            colours={
                size.value: values[size.value] for size in SIZE_CLASSES if values[size.value] is not None
            },
            water_temp_c=temperature.canonical if temperature else None,
            water_temp_typed=temperature.typed if temperature else "",
            water_hardness_mg_per_l=hardness.canonical if hardness else None,
            water_hardness_typed=hardness.typed if hardness else "",
            guess_treatment=values.get("guess_treatment"),
            guess=values.get("guess", ""),
            photo=photo,
            failed=bool(values["fail_kind"]),
        )


class CorrectRunForm(RunForm):
    reason = forms.CharField(label=gettext_lazy("Why it is corrected"), max_length=200)


class PannedAgainForm(WeighingForm):
    """What was panned once more: a run's tails, or the mud of a tub. `run` is None where no run's portion is known."""

    gold_label = colours_label = more_than_run = ""
    colours = CountField(required=False, help_text=gettext_lazy("All sizes together"))

    def __init__(self, *args, run: Run | None, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.run = run
        self.fields["gold"].label = phrase(self.gold_label)
        self.fields["colours"].label = phrase(self.colours_label)

    def clean(self) -> dict:
        cleaned = super().clean()
        gold = cleaned.get("gold")
        if gold is not None and self.run is not None:
            self._ask_about_gold(gold)
        return cleaned

    def _ask_about_gold(self, gold: units.Quantity) -> None:
        told = guard.gold_guard(
            gold.canonical,
            self.run.portion_mass_g,
            scale_step_mg=self.step_mg(),
            grade_unit=self.member.grade_unit,
            mass_unit=self.member.mass_unit,
        )
        self.fields["gold"].says = told.sentence
        self.ask(told.ask)
        if self.run.gold_mg is not None and gold.canonical > self.run.gold_mg:
            self.ask(phrase(self.more_than_run, gold=gold.typed, of_run=self.run.gold_typed))

    def found(self) -> PannedAgain:
        values, gold = self.cleaned_data, self.cleaned_data["gold"]
        return PannedAgain(
            **{name: values[name] for name in ("panned_on", "panner", "below_scale", "colours", "note")},
            gold_mg=gold.canonical if gold else None,
            gold_typed=gold.typed if gold else "",
            scale_step_mg=self.step_mg(),
        )


class TailsForm(PannedAgainForm):
    """What a run's tails gave when they were panned once more."""

    gold_label = to_phrase("Gold from the tails, dried and weighed")
    colours_label = to_phrase("Colours in the tails")
    more_than_run = to_phrase(
        "{gold} from the tails is more than the run itself gave ({of_run}). Is the number right?"
    )


class CorrectTailsForm(TailsForm):
    reason = forms.CharField(label=gettext_lazy("Why it is corrected"), max_length=200)


class KeepProductsForm(SiteForm):
    """Weigh concentrate and tails of a run to keep them as lots."""

    concentrate = MassField(
        label=gettext_lazy("Concentrate"),
        required=False,
        help_text=gettext_lazy("Dried, with its unit: 6.2 g"),
    )
    tails = MassField(
        label=gettext_lazy("Tails"), required=False, help_text=gettext_lazy("Dried, with its unit: 440 g")
    )
    place = forms.CharField(label=gettext_lazy("Where they stand"), max_length=120, required=False)

    def clean(self) -> dict:
        cleaned = super().clean()
        if not self.errors and not (cleaned.get("concentrate") or cleaned.get("tails")):
            raise ValidationError(
                phrase("Weigh the concentrate, the tails, or both."), code="nothing_weighed"
            )
        return cleaned

    def products(self) -> list[NewLot]:
        kinds = {"concentrate": Lot.Kind.CONCENTRATE, "tails": Lot.Kind.TAILS}
        return [
            NewLot(
                kind=kind,
                mass_g=self.cleaned_data[name].canonical,
                typed=self.cleaned_data[name].typed,
                place=self.cleaned_data["place"],
                field=name,
            )
            for name, kind in kinds.items()
            if self.cleaned_data[name]
        ]


class VoidRunForm(SiteForm):
    reason = forms.CharField(label=gettext_lazy("Why it is voided"), max_length=200)


class CloseBlockForm(SiteForm):
    """Only the button: closing a block asks nothing."""


def grade_says(run: Run, member: Member) -> str:
    """What a run's gold means as a grade, in the reader's units; blank without a weight."""
    if run.gold_mg is None:
        return ""
    told = guard.gold_guard(
        run.gold_mg, run.portion_mass_g, grade_unit=member.grade_unit, mass_unit=member.mass_unit
    )
    return told.sentence


def as_typed(typed: str, value: Decimal | None, unit: str) -> str:
    """As it was typed; a value of a run logged before that was kept, or read from a table, in the unit of the books."""
    return typed or ("" if value is None else f"{value} {unit}")


def typed_before(run: Run) -> dict:
    """A run's values as initial values of its correction."""
    same = ("below_scale", "soak_min", "pan_min", "panned_on", "pan", "water", "water_batch", "water_uses")
    same += ("light", "guess", "note", "fail_reason")
    values = {name: getattr(run, name) for name in same} | {
        # A run logged before its weighings were kept one by one has its one mass.
        "gold": run.gold_typed,
        "tare": run.tare_typed,
        "scale_step": units.format_gold_mg(run.scale_step_mg),
        "water_temp": as_typed(run.water_temp_typed, run.water_temp_c, "°C"),
        "water_hardness": as_typed(run.water_hardness_typed, run.water_hardness_mg_per_l, "mg/L"),
        "began_at": run.began_at.isoformat() if run.began_at else "",
        "ended_at": run.ended_at.isoformat() if run.ended_at else "",
        "panner": run.panner_id,
        "guess_treatment": run.guess_treatment_id,
        "fail_kind": run.fail_kind or (Run.FailKind.OTHER if run.failed else ""),
    }
    values |= {name: weighing.typed for name, weighing in zip(WEIGHINGS, run.weighings.all(), strict=False)}
    return values | {count.size_class: count.count for count in run.colours.all()}


def panned_again_start(run: Run) -> dict:
    """What the form of a run's tails or mud starts with: who panned the run, and by which scale."""
    return {"panner": run.panner_id, "scale_step": units.format_gold_mg(run.scale_step_mg)}


def panned_again_before(record: TailsPan | SettledMud) -> dict:
    """Values of what was panned again as initial values of their correction."""
    return {name: getattr(record, name) for name in ("below_scale", "colours", "panned_on", "note")} | {
        "gold": record.gold_typed,
        "scale_step": units.format_gold_mg(record.scale_step_mg),
        "panner": record.panner_id,
    }
