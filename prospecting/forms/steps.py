"""One form for each thing done to material: what is typed on a phone becomes masses, sizes and the details of a step.

`draw()`, `made()` and `details()` give the named arguments of actions.material's DrawFrom, NewLot and StepDetails.
"""

import datetime
import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django import forms
from django.core.exceptions import ValidationError
from django.core.validators import MaxLengthValidator
from django.utils.formats import date_format
from django.utils.translation import gettext_lazy

from prospecting.calc import bulk_density, guard, mass_balance, units
from prospecting.calc.language import phrase, to_phrase
from prospecting.calc.number_words import as_written, numeral
from prospecting.forms.base import (
    MASS_STEP_G,
    CountField,
    DayField,
    MassField,
    SiteForm,
    VolumeField,
    phrase_later,
)
from prospecting.models import Lot, Step

Method = Step.Method
# Short enough that the typed text still fits its column with a unit and a word before it.
MASS_SIGNS = 24
# Common practice, no source: laboratories are sent half a kilogram to a few kilograms.
LARGE_ASSAY_SPLIT_G = Decimal(10_000)
MOST_PORTIONS = 60
MOST_PIECES = 8
# The most of one kind a uniformity check needs: three to five are usual (common practice, no source).
MOST_CHECKS = 12
# R. Minnitt, scoop against riffle with tracers of rising density, Sampling Science and Technology, doi 10.62178/sst.005.002.
SCOOPING = gettext_lazy(
    "Scooping is the worst way: in a published test, scoops varied up to 19 times more (variance) than chance, and 28 to 47 % "
    "of them missed the heavy grains. Riffle splits stayed within chance."
)
SIZE_HELP = gettext_lazy("A sieve number or an opening: 20 mesh, 0.85 mm, 850 µm")


@dataclass(frozen=True)
class Size:
    """The size material was brought to or passed: the opening, and the sieve number where one was typed."""

    opening_um: Decimal
    mesh_number: int | None = None


def read_size(text: str, series: str) -> Size:
    """Turn "20 mesh", "-20 mesh", "#20" or a length with its unit into a Size; ValueError with a sentence otherwise."""
    plain = " ".join(text.casefold().split())
    mesh = re.fullmatch(r"(?:-|−|minus )?\s*(?:#\s*(?P<after>\w+)|(?P<before>\w+)\s*-?\s*(?:mesh|#))", plain)
    if mesh:
        number = units.parse_number(mesh["after"] or mesh["before"], allow_zero=False)
        if number != number.to_integral_value():
            raise ValueError(phrase("A sieve number is a whole number, like 20 mesh."))
        return Size(opening_um=units.sieve_opening_um(series, int(number)), mesh_number=int(number))
    if not any(sign.isalpha() or sign in "\"'″′" for sign in plain):
        raise ValueError(phrase("“{text}” of what? Write 20 mesh, 0.85 mm or 850 µm.", text=text.strip()))
    opening_um = units.parse_length(text, "mm").canonical.quantize(Decimal("0.1"))
    if opening_um == 0:
        raise ValueError(
            phrase("That is finer than anything can be screened. Check the number and its unit.")
        )
    return Size(opening_um=opening_um)


def method_field(*methods: str, help_text: str = "") -> forms.ChoiceField:
    """How it was split or mixed, one big tick each."""
    choices = [(method, Method(method).label) for method in methods]
    return forms.ChoiceField(
        label=gettext_lazy("How"), choices=choices, widget=forms.RadioSelect, help_text=help_text
    )


def splitting_field() -> forms.ChoiceField:
    """How material was divided, with the caution where the choice is made."""
    return method_field(
        Method.RIFFLE,
        Method.CONE_QUARTER,
        Method.ROLLED,
        Method.SHOVELLED,
        Method.SCOOPED,
        help_text=SCOOPING,
    )


def passes_field() -> CountField:
    return CountField(label=gettext_lazy("Passes or turns"), least=1, most=1000, required=False)


def mass_field(label: str, **kwargs) -> MassField:
    return MassField(label=label, max_length=MASS_SIGNS, **kwargs)


def kind_and_title(lot: Lot) -> str:
    return ", ".join(filter(None, (lot.get_kind_display(), lot.title)))


def typed_size(step: Step) -> str:
    """The size of a step as one types it."""
    if step.mesh_number:
        return f"{step.mesh_number} mesh"
    return f"{numeral(step.target_size_um.normalize(), 'f')} µm" if step.target_size_um else ""


@dataclass(frozen=True)
class Fold:
    """Fields seldom needed, folded away under a line that says what stands in them."""

    summary: str
    fields: list[forms.BoundField]
    is_open: bool


class StepForm(SiteForm):
    """What every step records besides its masses; `lot` is the lot it draws from."""

    kind: str
    done_on = DayField()
    people = forms.CharField(label=gettext_lazy("Who did it"), max_length=200)
    loss_reason = forms.CharField(
        label=gettext_lazy("Where missing mass went"),
        max_length=200,
        required=False,
    )
    note = forms.CharField(
        label=gettext_lazy("Note"), max_length=2000, required=False, widget=forms.Textarea(attrs={"rows": 3})
    )
    last_fields = ("done_on", "people", "loss_reason", "note")
    folded = last_fields

    def __init__(self, *args, lot: Lot | None = None, like: Step | None = None, **kwargs) -> None:
        """`like` is an earlier step to repeat (masses are weighed anew); without a lot the help reads for any lot."""
        super().__init__(*args, **kwargs)
        self.lot = lot
        self.like = like
        self.fields["people"].initial = str(self.member)
        if like is not None:
            self._fill_in_like(like)
        tolerance = mass_balance.LOSS_TOLERANCE[self.kind]
        if tolerance is not None:
            self.fields["loss_reason"].help_text = phrase(
                "Needed only when more than {tolerance} of what was put in is missing.",
                tolerance=units.format_share(tolerance),
            )
        self.order_fields(
            [*(name for name in self.fields if name not in self.last_fields), *self.last_fields]
        )
        if "mass" in self.fields and not self.fields["mass"].required:
            self.fields["mass"].help_text = (
                phrase("Leave empty to take all it holds, or write how much: 22 lb 4 oz, 10.2 kg, 454 g.")
                if lot is None
                else phrase(
                    "Leave empty to take all {mass}, or write how much: 22 lb 4 oz, 10.2 kg, 454 g.",
                    mass=self.shown(lot.on_hand_g),
                )
            )

    def _fill_in_like(self, step: Step) -> None:
        stays = {
            "done_on": step.done_on,
            "people": step.people,
            "method": step.method,
            "passes": step.passes,
            "machine": step.machine,
            "size": typed_size(step),
            "mesh_series": step.mesh_series or None,
        }
        for name, value in stays.items():
            if name in self.fields and value is not None:
                self.fields[name].initial = value

    def first_fields(self) -> list[forms.BoundField]:
        """The fields of the act itself, in the order it is done."""
        folded = {field.name for fold in self.folds() for field in fold.fields}
        return [field for field in self.shown_fields() if field.name not in folded]

    def folds(self) -> list[Fold]:
        # A form sent back still says the day as it reads, not as the browser sends it.
        day = getattr(self, "cleaned_data", {}).get("done_on") or self["done_on"].value()
        day = date_format(day, "j M Y") if isinstance(day, datetime.date) else day
        stands = ", ".join(filter(None, (day, self["people"].value())))
        summary = (
            phrase("{day_and_people}: change it, or add a note", day_and_people=stands)
            if stands
            else phrase("Day and who did it: change it, or add a note")
        )
        return [self.fold(summary, self.folded)]

    def fold(self, summary: str, names: Sequence[str]) -> Fold:
        """These fields folded away, but not while one of them needs a look."""
        fields = [self[name] for name in names if name in self.fields]
        is_open = any(field.errors or (field.value() and not field.field.required) for field in fields)
        return Fold(summary=summary, fields=fields, is_open=is_open)

    def add_mass_field(self, name: str, label: str, **kwargs) -> None:
        """A mass field known only when the page is asked for, in the member's unit like the others."""
        self.fields[name] = mass_field(label, unit=self.member.mass_unit, **kwargs)
        self.fields[name].widget.attrs["data-field"] = ""

    def shown(self, mass_g: Decimal) -> str:
        """A mass in the member's own unit."""
        return units.format_mass(mass_g, self.member.mass_unit)

    def draw(self, field: str = "mass", lot: Lot | None = None) -> dict:
        """The mass to take: what was typed, or all the lot holds."""
        lot = lot or self.lot
        typed = self.cleaned_data.get(field)
        if typed is None:
            return self.all_of(lot, field)
        return {"lot": lot, "mass_g": typed.canonical, "typed": typed.typed, "field": field}

    def all_of(self, lot: Lot, field: str) -> dict:
        return {
            "lot": lot,
            "mass_g": lot.on_hand_g,
            "typed": f"all, {self.shown(lot.on_hand_g)}",
            "field": field,
            "takes_all": True,
        }

    def made(self, field: str) -> dict | None:
        """The mass typed in `field` as a new lot; None where nothing was typed."""
        typed = self.cleaned_data[field]
        return {"mass_g": typed.canonical, "typed": typed.typed, "field": field} if typed else None

    def details(self) -> dict:
        """What was typed of the step itself; a form without one of these fields leaves it blank."""
        data = self.cleaned_data
        size = data.get("size")
        return {
            "people": data["people"],
            "method": data.get("method") or "",
            "passes": data.get("passes"),
            "machine": data.get("machine") or "",
            "target_size_um": size.opening_um if size else None,
            "mesh_series": data["mesh_series"] if size and size.mesh_number else "",
            "mesh_number": size.mesh_number if size else None,
            "loss_reason": data.get("loss_reason") or "",
            "note": data["note"],
        }

    def ask_about_draw(self) -> None:
        """Ask when what is taken is about ten times less than the lot holds; more than it holds is refused anyway."""
        typed = self.cleaned_data.get("mass")
        if typed is not None and typed.canonical <= self.lot.on_hand_g:
            self._ask(self.fields["mass"].label, typed.canonical, expected_g=self.lot.on_hand_g)

    def ask_about_yield(self, fields: Sequence[str], drawn_g: Decimal) -> None:
        """Ask when what came out is out of line by about ten with what went in."""
        made = [self.cleaned_data[name].canonical for name in fields if self.cleaned_data.get(name)]
        # More than went in is refused by the action. So is drawing from a used-up lot; and a form sent twice, the second
        # time with the lot used up by the first, must read the same both times.
        if made and sum(made) <= drawn_g:
            self._ask(phrase("What came out"), sum(made), expected_g=drawn_g)

    def ask_about_odd_ones(self, fields: Sequence[str]) -> None:
        """Ask about a piece that is out of line by about ten with the middle one of its siblings."""
        typed = {name: self.cleaned_data[name].canonical for name in fields if self.cleaned_data.get(name)}
        if len(typed) >= 3:
            middle_g = mass_balance.usual_mass_g(typed.values())
            for name, mass_g in typed.items():
                self._ask(self.fields[name].label, mass_g, expected_g=middle_g)

    def _ask(self, what: str, mass_g: Decimal, *, expected_g: Decimal) -> None:
        question = guard.mass_guard(mass_g, expected_g=expected_g, mass_unit=self.member.mass_unit).ask
        if question:
            self.ask(f"{what}: {question}")


class SizedForm(StepForm):
    """A step with a size: one field for it, and the sieve series that a mesh number is meant in."""

    size = forms.CharField(label=gettext_lazy("Size"), max_length=40, help_text=SIZE_HELP)
    mesh_series = forms.ChoiceField(
        label=gettext_lazy("Sieve numbers are"),
        choices=Step.MeshSeries.choices,
        help_text=gettext_lazy("The same number opens differently in the two series."),
    )

    def clean(self) -> dict:
        data = super().clean()
        if data.get("size") and data.get("mesh_series"):
            try:
                data["size"] = read_size(data["size"], data["mesh_series"])
            except ValueError as error:
                self.add_error("size", ValidationError(str(error), code="size"))
        return data


class DryForm(StepForm):
    kind = Step.Kind.DRY
    mass = mass_field(gettext_lazy("Mass put in to dry"), required=False)
    dry_mass = mass_field(gettext_lazy("Dry mass that came out"))

    def clean(self) -> dict:
        data = super().clean()
        self.ask_about_draw()
        self.ask_about_yield(["dry_mass"], self.draw()["mass_g"])
        return data


class CrushForm(SizedForm):
    kind = Step.Kind.CRUSH
    mass = mass_field(gettext_lazy("Mass put in"), required=False)
    mass_out = mass_field(gettext_lazy("Mass that came out"))
    machine = forms.CharField(label=gettext_lazy("Crusher, mill or mortar"), max_length=80)
    passes = passes_field()

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["size"].label = gettext_lazy("Crushed to")
        self.order_fields(["mass", "machine", "passes", "size", "mesh_series", "mass_out"])

    def clean(self) -> dict:
        data = super().clean()
        self.ask_about_draw()
        self.ask_about_yield(["mass_out"], self.draw()["mass_g"])
        return data


class ScreenForm(SizedForm):
    kind = Step.Kind.SCREEN
    mass = mass_field(gettext_lazy("Mass put on the screen"), required=False)
    undersize = mass_field(
        gettext_lazy("Undersize (what passed)"),
        required=False,
        help_text=gettext_lazy("Leave empty when nothing passed."),
    )
    oversize = mass_field(
        gettext_lazy("Oversize (what stayed on top)"),
        required=False,
        help_text=gettext_lazy(
            "Leave empty when nothing stayed. Weigh it also when it goes back to the crusher: it becomes a lot of its own."
        ),
    )

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["size"].label = gettext_lazy("Screen")
        self.order_fields(["mass", "size", "mesh_series", "undersize", "oversize"])

    def clean(self) -> dict:
        data = super().clean()
        if not (
            data.get("undersize") or data.get("oversize") or {"undersize", "oversize"} & set(self.errors)
        ):
            self.add_error(
                "undersize",
                ValidationError(phrase("Weigh what passed, what stayed, or both."), code="required"),
            )
        self.ask_about_draw()
        self.ask_about_yield(["undersize", "oversize"], self.draw()["mass_g"])
        return data


class SplitForm(StepForm):
    """`pieces` is how many mass fields the page shows."""

    kind = Step.Kind.SPLIT
    mass = mass_field(gettext_lazy("Mass put in"), required=False)
    method = splitting_field()
    passes = passes_field()

    def __init__(self, *args, pieces: int, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.pieces = [f"piece_{number}" for number in range(1, pieces + 1)]
        for number, name in enumerate(self.pieces, start=1):
            self.add_mass_field(name, phrase_later(to_phrase("Piece {number}"), number=number), help_text="")
        self.order_fields(["mass", *self.pieces, "method", "passes"])

    def clean(self) -> dict:
        data = super().clean()
        self.ask_about_draw()
        self.ask_about_yield(self.pieces, self.draw()["mass_g"])
        self.ask_about_odd_ones(self.pieces)
        return data


class CutForm(StepForm):
    """Portions cut of a lot; a subclass gives `portions()` and, for all of them together, `typed_together()`."""

    kind = Step.Kind.CUT
    method = splitting_field()
    passes = passes_field()
    nothing_left = forms.BooleanField(
        label=gettext_lazy("Nothing is left of the lot: what the portions lack was lost in cutting"),
        required=False,
    )

    def taken(self) -> dict:
        """All of the lot when nothing is left of it, otherwise what the portions weigh together."""
        portions = self.portions()
        field = portions[0]["field"]
        if self.cleaned_data["nothing_left"]:
            return self.all_of(self.lot, field)
        together_g = mass_balance.total_mass_g(portion["mass_g"] for portion in portions)
        return {"lot": self.lot, "mass_g": together_g, "typed": self.typed_together(), "field": field}


class CutEqualForm(CutForm):
    number = CountField(label=gettext_lazy("How many portions"), least=1, most=MOST_PORTIONS)
    each = mass_field(gettext_lazy("Each portion weighs"))

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        large, small = ("1 lb", "1/2 lb") if self.member.mass_unit == "lb" else ("1 kg", "0.5 kg")
        self.fields["number"].help_text = phrase(
            "{mass} is enough for {few} portions of {large} or {many} of {small}.",
            mass=self.shown(self.lot.on_hand_g),
            few=self.holds(large),
            large=large,
            many=self.holds(small),
            small=small,
        )
        self.order_fields(["number", "each", "method", "passes", "nothing_left"])

    def holds(self, portion: str) -> int:
        """How many portions of a mass such as "1 lb" the lot gives."""
        return mass_balance.equal_portions(self.lot.on_hand_g, units.parse_mass(portion, "g").canonical)

    def portions(self) -> list[dict]:
        return [self.made("each")] * self.cleaned_data["number"]

    def typed_together(self) -> str:
        return f"{self.cleaned_data['number']} x {self.cleaned_data['each'].typed}"


class CutWeighedForm(CutForm):
    """`pieces` is how many mass fields the page shows."""

    def __init__(self, *args, pieces: int, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.pieces = [f"portion_{number}" for number in range(1, pieces + 1)]
        for number, name in enumerate(self.pieces, start=1):
            self.add_mass_field(
                name, phrase_later(to_phrase("Portion {number}"), number=number), help_text=""
            )
        self.order_fields([*self.pieces, "method", "passes", "nothing_left"])

    def clean(self) -> dict:
        data = super().clean()
        self.ask_about_odd_ones(self.pieces)
        return data

    def portions(self) -> list[dict]:
        return [self.made(name) for name in self.pieces]

    def typed_together(self) -> str:
        return f"{len(self.pieces)} portions, each weighed"


class CutMeasuredForm(CutForm):
    """Portions of one full measure each; what a measure weighs follows from a bulk density weighed on this material."""

    number = CountField(label=gettext_lazy("How many portions"), least=1, most=MOST_PORTIONS)
    # Short enough that "60 x 1 1/2 US cup at 1.65 g/mL" fits its column.
    measure = VolumeField(
        label=gettext_lazy("The measure holds"),
        unit="mL",
        max_length=12,
        help_text=gettext_lazy("Also with its unit: 250 mL, 1 cup"),
    )
    weighed_volume = VolumeField(
        label=gettext_lazy("Volume you weighed"),
        unit="mL",
        help_text=gettext_lazy(
            "Five to ten measures of this very material are surer than one: 5 x 250 mL is 1250 mL."
        ),
    )
    weighed_mass = mass_field(gettext_lazy("What that volume weighed"))

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.order_fields(
            ["measure", "weighed_volume", "weighed_mass", "number", "method", "passes", "nothing_left"]
        )

    def clean(self) -> dict:
        data = super().clean()
        volume, mass = data.get("weighed_volume"), data.get("weighed_mass")
        if volume and mass:
            try:
                density = bulk_density.bulk_density_g_per_ml(mass.canonical, volume.canonical)
            except ValueError as error:
                self.add_error("weighed_mass", ValidationError(str(error), code="density"))
            else:
                data["density"] = density
                self.ask(bulk_density.question_about(density))
                self._say_what_a_portion_weighs()
        return data

    def _say_what_a_portion_weighs(self) -> None:
        if self.cleaned_data.get("measure"):
            each = self.shown(self._each_g())
            self.fields["measure"].says = phrase(
                "A full measure is {each}, at {density}.", each=each, density=self._density()
            )

    def _density(self) -> str:
        return f"{numeral(self.cleaned_data['density'], '.2f')} g/mL"

    def _each_g(self) -> Decimal:
        data = self.cleaned_data
        return bulk_density.measured_mass_g(data["measure"].canonical, data["density"]).quantize(MASS_STEP_G)

    def portions(self) -> list[dict]:
        typed = f"{self.cleaned_data['measure'].typed} at {self._density()}"
        portion = {"mass_g": self._each_g(), "typed": typed, "field": "measure"}
        return [portion] * self.cleaned_data["number"]

    def typed_together(self) -> str:
        return f"{self.cleaned_data['number']} x {self.portions()[0]['typed']}"

    def details(self) -> dict:
        data = self.cleaned_data
        return super().details() | {
            "measure_ml": data["measure"].canonical,
            "bulk_density_g_per_ml": data["density"],
        }


class BlendForm(StepForm):
    """`lots` are the lots to put together; each has a mass field of its own."""

    kind = Step.Kind.BLEND
    folded = ("place", *StepForm.last_fields)
    mass_out = mass_field(
        gettext_lazy("Weight of the finished blend"),
        help_text=gettext_lazy("Weighed after mixing. What is missing is booked as loss."),
    )
    method = method_field(Method.ROLLED, Method.RIFFLE, Method.CONE_QUARTER, Method.SHOVELLED)
    passes = passes_field()
    title = forms.CharField(
        label=gettext_lazy("What it is"),
        max_length=120,
        required=False,
        help_text=gettext_lazy("For the tag, like: test lot 3"),
    )
    place = forms.CharField(label=gettext_lazy("Where it stands"), max_length=120, required=False)
    check_number = CountField(
        label=gettext_lazy("Uniformity portions"),
        least=1,
        most=MOST_CHECKS,
        required=False,
        help_text=gettext_lazy(
            "Three to five, panned or assayed untreated, show how well it is mixed. Cut the way it was mixed."
        ),
    )
    check_mass = mass_field(gettext_lazy("Each of them weighs"), required=False)

    def __init__(self, *args, lots: Sequence[Lot], **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.lots = {f"mass_{lot.code}": lot for lot in lots}
        for name, lot in self.lots.items():
            self.add_mass_field(
                name,
                phrase_later(to_phrase("Taken from {lot}"), lot=lot.code),
                required=False,
                help_text=phrase(
                    "{lot}. Leave empty to take all {mass}.",
                    lot=kind_and_title(lot),
                    mass=self.shown(lot.on_hand_g),
                ),
            )
        self.order_fields(
            [*self.lots, "method", "passes", "mass_out", "title", "place", "check_number", "check_mass"]
        )

    def folds(self) -> list[Fold]:
        checks = self.fold(phrase("Cut uniformity portions now"), ("check_number", "check_mass"))
        return [checks, *super().folds()]

    def draws(self) -> list[dict]:
        return [self.draw(name, lot) for name, lot in self.lots.items()]

    def clean(self) -> dict:
        data = super().clean()
        self._need_both_of_the_check()
        self.ask_about_yield(["mass_out"], mass_balance.total_mass_g(draw["mass_g"] for draw in self.draws()))
        return data

    def _need_both_of_the_check(self) -> None:
        names = ("check_number", "check_mass")
        for name, other in (names, names[::-1]):
            if self.cleaned_data.get(other) and not self.cleaned_data.get(name) and name not in self.errors:
                self.add_error(
                    name, ValidationError(phrase("Give both their number and what each weighs."), code="half")
                )

    def uniformity_portions(self) -> list[dict]:
        """The portions that are to show how well it is mixed; none unless asked for."""
        return [self.made("check_mass")] * (self.cleaned_data["check_number"] or 0)


class TakeForAssayForm(StepForm):
    kind = Step.Kind.ASSAY
    mass = mass_field(gettext_lazy("Mass for the laboratory"), required=False)
    method = splitting_field()
    passes = passes_field()

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["loss_reason"]

    def clean(self) -> dict:
        data = super().clean()
        mass_g = self.draw()["mass_g"]
        if mass_g >= LARGE_ASSAY_SPLIT_G:
            self.ask(
                phrase(
                    "{mass} would leave for the laboratory. Half a kilogram to three is usual (1 to 7 lb). Is that "
                    "mass and its unit right?",
                    mass=self.shown(mass_g),
                )
            )
        return data


class ReweighForm(StepForm):
    """What is missing is booked as lost; a weight that was wrong from the start is corrected on another page."""

    kind = Step.Kind.REWEIGH
    folded = ("done_on", "people", "note")
    WRONG = "wrong"
    REASONS = [
        ("dried", gettext_lazy("It dried out")),
        ("spilled", gettext_lazy("Some was spilled or lost")),
        (WRONG, gettext_lazy("The earlier weight was wrong")),
        ("other", gettext_lazy("Something else, in the words below")),
    ]
    mass = mass_field(gettext_lazy("Mass on the scale now"))
    reason = forms.ChoiceField(
        label=gettext_lazy("Why it weighs less"), choices=REASONS, widget=forms.RadioSelect
    )

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        words = self.fields["loss_reason"]
        words.label = gettext_lazy("In words")
        # Room for the reason ticked before it.
        words.max_length = 150
        words.validators = [MaxLengthValidator(150)]
        words.widget.attrs["maxlength"] = "150"
        words.help_text = ""
        self.order_fields(["mass", "reason", "loss_reason"])
        # The field beside which the page leads to the correction of an earlier weight.
        self.correct_beside = ""

    def clean(self) -> dict:
        data = super().clean()
        if data.get("reason") == self.WRONG:
            self.correct_beside = "reason"
            self.add_error(
                "reason",
                ValidationError(
                    phrase(
                        "Nothing went missing then: correct the earlier weight, and all that follows from it is put right."
                    ),
                    code="earlier_weight_wrong",
                ),
            )
        elif data.get("reason") == "other" and not data.get("loss_reason"):
            self.add_error(
                "loss_reason", ValidationError(phrase("Say in words where it went."), code="required")
            )
        self.ask_about_draw()
        return data

    def add_refusal(self, error: ValidationError) -> None:
        super().add_refusal(error)
        if getattr(error, "code", "") == "gain":
            self.correct_beside = "mass"

    def details(self) -> dict:
        words = self.cleaned_data["loss_reason"]
        if self.cleaned_data["reason"] != "other":
            with as_written():
                reason = str(dict(self.REASONS)[self.cleaned_data["reason"]])
            words = ": ".join(filter(None, (reason, words)))
        return super().details() | {"loss_reason": words}


class DiscardForm(StepForm):
    kind = Step.Kind.DISCARD
    folded = ("done_on", "people", "note")
    mass = mass_field(gettext_lazy("Mass thrown away"), required=False)

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        reason = self.fields["loss_reason"]
        reason.label = gettext_lazy("Why it is discarded")
        reason.required = True
        reason.help_text = phrase("The lot stays in the books with its origin; only its mass leaves.")
        self.order_fields(["mass", "loss_reason"])


class VoidForm(SiteForm):
    reason = forms.CharField(
        label=gettext_lazy("Why it is voided"),
        max_length=200,
        help_text=gettext_lazy("The step stays in the books, marked, with this reason."),
    )
