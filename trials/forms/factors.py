"""Forms of treatments made many at a time: the factors of a factorial, and a ladder of doses."""

import re
from decimal import Decimal

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.language import phrase
from prospecting.calc.number_words import as_written
from prospecting.forms.base import CountField, SiteForm
from prospecting.models import Member
from trials.actions.factors import LEVELS, MOST_FACTORS, FactorOf, LevelOf, RungOf
from trials.actions.planning import DoseOf
from trials.calc import designs
from trials.calc.designs import Rung
from trials.forms.planning import read_dose, stored_dose, too_strong
from trials.models import Additive, Factor, Level, Trial

# A comma between two digits is a decimal comma.
BETWEEN_LEVELS = re.compile(r"[;\n\r]|,(?=\s)|(?<!\d),|,(?!\d)")
NONE = frozenset({"none", "no", "nothing", "without", "0"})
# Stored as the name of a treatment, so it reads alike for everyone.
PLAIN_WATER = "plain water"
LONGEST_LEVEL = Level._meta.get_field("name").max_length


class FactorsForm(SiteForm):
    """Up to three factors, each with its levels on one line or one below the other."""

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        additives = Additive.objects.all()
        for number in range(1, MOST_FACTORS + 1):
            self.fields |= {
                f"kind_{number}": forms.ChoiceField(
                    label=phrase("What is varied"),
                    choices=[("", phrase("nothing more")), *Factor.Kind.choices],
                    required=number == 1,
                ),
                f"name_{number}": forms.CharField(
                    label=phrase("In a word"),
                    max_length=40,
                    required=False,
                    help_text=phrase("soak, pan, rinse"),
                ),
                f"additive_{number}": forms.ModelChoiceField(
                    label=phrase("Additive, for a dose"),
                    queryset=additives,
                    required=False,
                    empty_label=phrase("none"),
                ),
                f"levels_{number}": forms.CharField(
                    label=phrase("Levels, the control's first"),
                    max_length=300,
                    required=False,
                    help_text=phrase(
                        "Two to four, with commas between: none, 6 drops in 9 L, 12 drops in 9 L"
                    ),
                    widget=forms.Textarea(attrs={"rows": 2}),
                ),
            }
            for name in ("kind", "name", "additive", "levels"):
                self.fields[f"{name}_{number}"].widget.attrs["data-field"] = ""

    def groups(self) -> list[tuple[int, list[forms.BoundField]]]:
        """The fields of each factor, for a fieldset of its own."""
        return [
            (number, [self[f"{name}_{number}"] for name in ("kind", "name", "additive", "levels")])
            for number in range(1, MOST_FACTORS + 1)
        ]

    def clean(self) -> dict:
        data = super().clean()
        self.factors = [
            factor for number in range(1, MOST_FACTORS + 1) if (factor := self._read_factor(number, data))
        ]
        return data

    def _read_factor(self, number: int, data: dict) -> FactorOf | None:
        kind, additive = data.get(f"kind_{number}"), data.get(f"additive_{number}")
        name, typed = data.get(f"name_{number}") or "", data.get(f"levels_{number}") or ""
        if not kind:
            if name or additive or typed:
                self.add_error(
                    f"kind_{number}", ValidationError(phrase("Say what is varied."), code="kind_missing")
                )
            return None
        is_dose = kind == Factor.Kind.DOSE
        if is_dose and not additive:
            self.add_error(
                f"additive_{number}", ValidationError(phrase("Of which additive?"), code="additive_missing")
            )
        if additive and not is_dose:
            self.add_error(
                f"additive_{number}",
                ValidationError(phrase("Only a dose has an additive."), code="additive_not_asked"),
            )
        name = name or (additive.name[:40] if additive else _kind_in_a_word(kind))
        levels = self._read_levels(f"levels_{number}", typed, is_dose)
        return FactorOf(name=name, kind=kind, levels=levels, additive=additive if is_dose else None)

    def _read_levels(self, field: str, typed: str, is_dose: bool) -> list[LevelOf]:
        texts = [" ".join(piece.split()) for piece in BETWEEN_LEVELS.split(typed)]
        texts = [text for text in texts if text]
        if len(texts) not in LEVELS:
            self.add_error(
                field,
                ValidationError(
                    phrase(
                        "Give {least} to {most} levels with commas between, the control's first.",
                        least=LEVELS.start,
                        most=LEVELS.stop - 1,
                    ),
                    code="level_number",
                ),
            )
            return []
        levels = []
        for text in texts:
            if len(text) > LONGEST_LEVEL:
                self.add_error(
                    field,
                    ValidationError(
                        phrase("“{level}…” is too long for a level.", level=text[:20]), code="level_too_long"
                    ),
                )
            elif not is_dose or text.casefold() in NONE:
                levels.append(LevelOf(text))
            elif level := self._read_dose(field, text):
                levels.append(level)
        return levels

    def _read_dose(self, field: str, text: str) -> LevelOf | None:
        try:
            typed, dose = read_dose(text, self.member)
        except ValueError as error:
            self.add_error(field, ValidationError(f"{text}: {error}", code="dose"))
            return None
        self.ask(too_strong(typed, stored_dose(dose)))
        return LevelOf(typed, stored_dose(dose))


@as_written()
def _kind_in_a_word(kind: str) -> str:
    """What a factor is called in the books where nobody named it."""
    return Factor.Kind(kind).label.split(",")[0].lower()


class LadderForm(SiteForm):
    """The least dose and the greatest or how many: asked by GET to look at, sent by POST to add."""

    additive = forms.ModelChoiceField(label=gettext_lazy("Additive"), queryset=Additive.objects.all())
    lowest = forms.CharField(
        label=gettext_lazy("Lowest dose"),
        max_length=40,
        help_text=gettext_lazy("As you measure it: 6 drops in 9 L, 0.1 mL/L"),
    )
    highest = forms.CharField(
        label=gettext_lazy("Highest dose"),
        max_length=40,
        required=False,
        help_text=gettext_lazy("Left empty, each dose is twice the one before."),
    )
    doses = CountField(
        label=gettext_lazy("Doses from lowest to highest"),
        least=2,
        most=designs.MOST_DOSES,
        initial=3,
        help_text=gettext_lazy(
            "Zero, the control, and a deliberate overdose of four times the highest are added to these."
        ),
    )

    def __init__(self, *args, trial: Trial, asked: bool = False, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.trial = trial
        if asked:
            # Looking writes nothing, so nothing is asked about it and no entry is known by it.
            del self.fields["identity"], self.fields["keep_as_typed"]

    def clean(self) -> dict:
        data = super().clean()
        self.rungs: list[Rung] = []
        lowest, highest = (self._read(name, data.get(name)) for name in ("lowest", "highest"))
        if self.errors or lowest is None:
            return data
        water_ml = self.trial.water_ml
        try:
            factor = designs.ladder_factor(lowest, highest, data["doses"]) if highest else Decimal(2)
            ladder = designs.dose_ladder(lowest, data["doses"], water_ml, factor=factor)
            self.rungs = designs.pourable_ladder(ladder, water_ml)
        except ValueError as error:
            self.add_error("highest" if highest else "lowest", ValidationError(str(error), code="ladder"))
        return data

    def _read(self, name: str, typed: str | None) -> Decimal | None:
        if not typed:
            return None
        try:
            _, dose = read_dose(typed, self.member)
        except ValueError as error:
            self.add_error(name, ValidationError(str(error), code="dose"))
            return None
        self.fields[name].says = dose.sentence
        return stored_dose(dose)

    def treatments(self) -> list[RungOf]:
        """The ladder as treatments, each dose written as it is poured into this trial's tubs."""
        additive = self.cleaned_data["additive"]
        return [
            RungOf(PLAIN_WATER, None) if not rung.ml_per_l else self._treatment(additive, rung)
            for rung in self.rungs
        ]

    def _treatment(self, additive: Additive, rung: Rung) -> RungOf:
        typed = self.as_typed(rung)
        over = ", overdose" if rung.kind == "overdose" else ""
        return RungOf(f"{additive.name[:40]} {typed}{over}", DoseOf(additive, rung.ml_per_l, typed))

    def as_typed(self, rung: Rung) -> str:
        drops = designs.whole_drops(rung.tub)
        if drops:
            return f"{drops} drop{'' if drops == 1 else 's'} in {self.trial.water_typed}"
        return units.format_dose(rung.ml_per_l, Member.DoseUnit.ML_PER_L)

    def rows(self) -> list[tuple[Rung, str]]:
        """Each dose with how it will stand on the trial."""
        return [
            (rung, self.as_typed(rung) if rung.ml_per_l else phrase("{name}, the control", name=PLAIN_WATER))
            for rung in self.rungs
        ]
