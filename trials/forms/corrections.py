"""Masses as they should have been recorded: of one lot, or all of one step."""

from collections.abc import Sequence
from decimal import Decimal

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext_lazy

from prospecting.actions.correction import Weight
from prospecting.calc import guard, mass_balance, units
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.forms.base import MassField, SiteForm
from prospecting.models import Draw, Lot, Step


class CorrectionForm(SiteForm):
    """First sent to be shown what would change, then once more with `agreed`, the fingerprint of what was shown.

    A subclass gives `wanted()`, the named arguments of trials.actions.correction.correct_step.
    """

    agreed = forms.CharField(max_length=64, required=False, widget=forms.HiddenInput)
    reason = forms.CharField(
        label=gettext_lazy("Why it is corrected"),
        max_length=200,
        help_text=gettext_lazy("Like: read the wrong line, the bag was not taken off."),
    )

    @property
    def is_agreed(self) -> bool:
        return self.is_bound and bool(self.data.get("agreed")) and not self.is_changing

    @property
    def is_changing(self) -> bool:
        """Whether the member went back from the list of changes to the figures."""
        return self.is_bound and "change" in self.data

    def weight(self, name: str) -> Weight | None:
        typed = self.cleaned_data.get(name)
        return Weight(mass_g=typed.canonical, typed=typed.typed, field=name) if typed else None

    def ask_about(self, name: str, booked_g: Decimal, called: str = "") -> None:
        """Ask when a figure is about ten times off what is booked: one of the two has a wrong unit or sign."""
        typed = self.cleaned_data.get(name)
        if typed:
            told = guard.mass_guard(typed.canonical, expected_g=booked_g, mass_unit=self.member.mass_unit)
            self.ask(f"{called}{told.ask}" if told.ask else None)


class LotCorrectionForm(CorrectionForm):
    """What a lot weighed when it was made."""

    def __init__(self, *args, lot: Lot, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.lot = lot
        booked = units.format_mass(lot.mass_g, self.member.mass_unit)
        self.fields["mass"] = MassField(
            label=phrase("It weighed, when it was made"),
            unit=self.member.mass_unit,
            help_text=phrase(
                "The books say {mass}. Also with its unit: 22 lb 4 oz, 10.2 kg, 454 g.", mass=booked
            ),
        )
        self.fields["mass"].widget.attrs["data-field"] = ""
        self.order_fields(["mass", "reason"])

    @staticmethod
    def starting_with(query, lot: Lot, mass_unit: str) -> dict:
        """From an address with `weighed`, what the scale shows of the lot now: what it must have weighed when made."""
        try:
            weighed = units.parse_mass(query.get("weighed", ""), mass_unit)
        except ValueError:
            return {}
        missing_g = mass_balance.mass_left_g(weighed.canonical, [lot.on_hand_g])
        made_g = mass_balance.total_mass_g([lot.mass_g, missing_g])
        if made_g <= 0:
            return {}
        made = round(units.convert_mass(made_g, "g", mass_unit), 4).normalize()
        return {
            "mass": f"{numeral(made, 'f')} {mass_unit}",
            "weighed": units.format_mass(weighed.canonical, mass_unit),
        }

    def clean(self) -> dict:
        data = super().clean()
        self.ask_about("mass", self.lot.mass_g)
        return data

    def wanted(self) -> dict:
        return {
            "step": self.lot.made_by,
            "draws": {},
            "makes": {self.lot.pk: self.weight("mass")},
            "reason": self.cleaned_data["reason"],
        }


class StepCorrectionForm(CorrectionForm):
    """Every mass of one step; what is left blank stays as it is booked."""

    def __init__(self, *args, step: Step, draws: Sequence[Draw], made: Sequence[Lot], **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.step = step
        self.draws = {f"taken_{draw.lot.code}": draw for draw in draws}
        self.made = {f"made_{lot.code}": lot for lot in made}
        missing = step.kind == Step.Kind.REWEIGH
        for name, draw in self.draws.items():
            lot = draw.lot.code
            label = phrase("Missing of {lot}", lot=lot) if missing else phrase("Taken from {lot}", lot=lot)
            self.add_mass(name, label, draw.mass_g, unweighed=draw.takes_all)
        if len(self.made) > 2:
            self.add_mass("each", phrase("Every one of them weighed"), None)
        for name, lot in self.made.items():
            label = phrase("{kind} {lot} weighed", kind=lot.get_kind_display(), lot=lot.code)
            self.add_mass(name, label, lot.mass_g)
        self.order_fields([*self.draws, "each", *self.made, "reason"])

    def add_mass(self, name: str, label: str, booked_g: Decimal | None, *, unweighed: bool = False) -> None:
        says = (
            phrase("Booked: {mass}. ", mass=units.format_mass(booked_g, self.member.mass_unit))
            if booked_g
            else ""
        )
        says += phrase("All there was, not weighed: it follows the lot's own mass. ") if unweighed else ""
        rest = phrase("Leave empty what stays.") if booked_g else phrase("For all that is left empty below.")
        self.fields[name] = MassField(
            label=label, unit=self.member.mass_unit, required=False, help_text=says + rest
        )
        self.fields[name].widget.attrs["data-field"] = ""

    def clean(self) -> dict:
        data = super().clean()
        for name, draw in self.draws.items():
            self.ask_about(name, draw.mass_g, f"{draw.lot.code}: ")
        for name, lot in self.made.items():
            self.ask_about(name, lot.mass_g, f"{lot.code}: ")
        if self.made:
            self.ask_about("each", mass_balance.usual_mass_g(lot.mass_g for lot in self.made.values()))
        if not self.errors and not any(data.get(name) for name in [*self.draws, *self.made, "each"]):
            self.add_error(
                None, ValidationError(phrase("Type at least one mass that was wrong."), code="required")
            )
        return data

    def wanted(self) -> dict:
        draws = {draw.lot_id: self.weight(name) for name, draw in self.draws.items()}
        makes = {lot.pk: self.weight(name) or self.weight("each") for name, lot in self.made.items()}
        return {
            "step": self.step,
            "draws": {lot: weight for lot, weight in draws.items() if weight},
            "makes": {lot: weight for lot, weight in makes.items() if weight},
            "reason": self.cleaned_data["reason"],
        }
