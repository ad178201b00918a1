"""Forms for runs: of a trial, alone, corrected, and their products kept as lots."""

from django import forms
from django.core.exceptions import ValidationError

from prospecting.actions.material import NewLot
from prospecting.calc import guard, units
from prospecting.calc.grade import gold_mg, grade_g_per_t
from prospecting.forms.base import CountField, DayField, GoldMassField, MassField, NumberField, SiteForm
from prospecting.models import Lot, Member, Photo
from trials.actions.running import Portion, RunResult
from trials.models import ColourCount, Run

SIZE_CLASSES = list(ColourCount.SizeClass)


class RunForm(SiteForm):
    """What one run gave. `portion` is asked for only where it is measured out of the lot at the run."""

    portion = MassField(label="Portion put through")
    gold = GoldMassField(label="Gold, dried and weighed", required=False)
    scale_step = GoldMassField(
        label="Scale step", required=False, help_text="The smallest step your scale shows: 1 mg, 0.01 g"
    )
    below_scale = forms.BooleanField(
        label="Nothing shows on the scale",
        required=False,
        help_text="Not the same as no gold: it is kept as less than one step.",
    )
    coarse = CountField(label=ColourCount.SizeClass.COARSE.label, required=False)
    medium = CountField(label=ColourCount.SizeClass.MEDIUM.label, required=False)
    fine = CountField(label=ColourCount.SizeClass.FINE.label, required=False)
    very_fine = CountField(label=ColourCount.SizeClass.VERY_FINE.label, required=False)
    flour = CountField(label=ColourCount.SizeClass.FLOUR.label, required=False)
    soak_min = NumberField(label="Soak", unit_label="min", most=100_000, places=1, required=False)
    pan_min = NumberField(label="Panning", unit_label="min", most=10_000, places=1, required=False)
    panned_on = DayField(done=True)
    panner = forms.ModelChoiceField(label="Panner", queryset=Member.objects.none(), empty_label=None)
    pan = forms.CharField(label="Pan or gear", max_length=80, required=False)
    water = forms.CharField(
        label="Water", max_length=120, required=False, help_text="Where from, fresh or re-used how often"
    )
    guess = forms.CharField(
        label="Could you guess the treatment?",
        max_length=80,
        required=False,
        help_text="By smell, suds or colour. Blank: no.",
    )
    photo = forms.FileField(
        label="Photo",
        required=False,
        help_text="Gold and a scale bar in one picture, the code beside it. Position data is removed.",
        widget=forms.FileInput(attrs={"accept": "image/jpeg,image/png,image/webp", "capture": "environment"}),
    )
    note = forms.CharField(
        label="Note", required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 2})
    )
    failed = forms.BooleanField(label="This run failed (spilled, mixed up)", required=False)
    fail_reason = forms.CharField(label="What went wrong", max_length=200, required=False)

    def __init__(
        self, *args, member: Member, weighings: list[tuple] = (), portion: Portion | None = None, **kwargs
    ) -> None:
        super().__init__(*args, member=member, **kwargs)
        self.weighings = weighings
        # A cut portion goes through whole: its mass is known and not asked for.
        self.known_portion = portion
        if portion is not None:
            del self.fields["portion"]
        self.fields["panner"].queryset = Member.objects.filter(is_active=True).exclude(role=Member.Role.GUEST)
        self.fields["panner"].initial = member.pk

    def colour_fields(self) -> list[forms.BoundField]:
        return [self[size_class.value] for size_class in SIZE_CLASSES]

    def clean(self) -> dict:
        cleaned = super().clean()
        gold, portion = cleaned.get("gold"), self.portion_taken()
        if gold is not None and portion is not None and not cleaned.get("failed"):
            step = cleaned.get("scale_step")
            told = guard.gold_guard(
                gold.canonical,
                portion.mass_g,
                scale_step_mg=step.canonical if step else None,
                others_mg=[
                    gold_mg(grade_g_per_t(other_mg, other_g), portion.mass_g)
                    for other_mg, other_g in self.weighings
                ],
                grade_unit=self.member.grade_unit,
                mass_unit=self.member.mass_unit,
            )
            self.fields["gold"].says = told.sentence
            self.ask(told.ask)
        return cleaned

    def portion_taken(self) -> Portion | None:
        if self.known_portion is not None:
            return self.known_portion
        typed = self.cleaned_data.get("portion")
        return None if typed is None else Portion(mass_g=typed.canonical, typed=typed.typed)

    def result(self, photo: Photo | None) -> RunResult:
        """The run as the actions take it, with its picture already kept."""
        values = self.cleaned_data
        gold, step = values["gold"], values["scale_step"]
        colours = {size.value: values[size.value] for size in SIZE_CLASSES if values[size.value] is not None}
        return RunResult(
            panned_on=values["panned_on"],
            panner=values["panner"],
            gold_mg=gold.canonical if gold else None,
            gold_typed=gold.typed if gold else "",
            below_scale=values["below_scale"],
            scale_step_mg=step.canonical if step else None,
            colours=colours,
            soak_min=values["soak_min"],
            pan_min=values["pan_min"],
            pan=values["pan"],
            water=values["water"],
            guess=values.get("guess", ""),
            note=values["note"],
            photo=photo,
            failed=values["failed"],
            fail_reason=values["fail_reason"],
        )


class PanForm(RunForm):
    """A run that stands alone: no treatment to guess."""

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["guess"]


class CorrectRunForm(RunForm):
    reason = forms.CharField(label="Why it is corrected", max_length=200)


class KeepProductsForm(SiteForm):
    """Weigh concentrate and tails of a run to keep them as lots."""

    concentrate = MassField(label="Concentrate", required=False, help_text="Dried, with its unit: 6.2 g")
    tails = MassField(label="Tails", required=False, help_text="Dried, with its unit: 440 g")
    place = forms.CharField(label="Where they stand", max_length=120, required=False)

    def clean(self) -> dict:
        cleaned = super().clean()
        if not self.errors and not (cleaned.get("concentrate") or cleaned.get("tails")):
            raise ValidationError("Weigh the concentrate, the tails, or both.", code="nothing_weighed")
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
    reason = forms.CharField(label="Why it is voided", max_length=200)


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


def typed_before(run: Run) -> dict:
    """A run's values as initial values of its correction."""
    values = {
        "gold": run.gold_typed,
        "scale_step": "" if run.scale_step_mg is None else units.format_gold_mg(run.scale_step_mg),
        "below_scale": run.below_scale,
        "soak_min": run.soak_min,
        "pan_min": run.pan_min,
        "panned_on": run.panned_on,
        "panner": run.panner_id,
        "pan": run.pan,
        "water": run.water,
        "guess": run.guess,
        "note": run.note,
        "failed": run.failed,
        "fail_reason": run.fail_reason,
    }
    return values | {count.size_class: count.count for count in run.colours.all()}
