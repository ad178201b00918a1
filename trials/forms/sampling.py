"""What a sampling plan of a lot is reckoned from: typed in the address, so that a plan can be linked; nothing is stored."""

from decimal import Decimal

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext_lazy

from prospecting.calc import guard, units
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.forms.base import GradeField, MassField, NumberField
from prospecting.forms.steps import SCOOPING, SIZE_HELP, read_size
from prospecting.models import Member, Step

MOST_STAGES = 5
# A tenth gold is no ore and no pan concentrate either; a slip of the unit (common practice, no source).
RICHEST_G_PER_T = Decimal(100_000)
SIZE_FIELDS = ("top", "gold_low", "gold", "gold_high", "before")
SPLITTING = [
    (method, Step.Method(method).label)
    for method in ("riffle", "cone_quarter", "rolled", "shovelled", "scooped")
]


class SizeField(forms.CharField):
    """A sieve number or a length as typed; the form reads it once the series is known."""

    def __init__(self, **kwargs) -> None:
        super().__init__(max_length=24, **kwargs)

    def widget_attrs(self, widget) -> dict:
        return super().widget_attrs(widget) | {"autocomplete": "off", "spellcheck": "false"}


def units_typed(data, member: Member) -> dict[str, str]:
    """The units bare numbers of this address are meant in: those it names, so that a passed-on link means the same to all."""
    given = {"mass_unit": data.get("mass_in"), "grade_unit": data.get("grade_in")}
    known = {"mass_unit": Member.MassUnit.values, "grade_unit": Member.GradeUnit.values}
    return {name: unit if unit in known[name] else getattr(member, name) for name, unit in given.items()}


def read_in(fields: dict[str, forms.Field], typed: dict[str, str]) -> None:
    """Let masses and grades be read in these units where none is typed."""
    for form_field in fields.values():
        if isinstance(form_field, MassField):
            form_field.set_unit(typed["mass_unit"])
        elif isinstance(form_field, GradeField):
            form_field.set_unit(typed["grade_unit"])


class SamplingForm(forms.Form):
    """Lot, gold and portion, then up to five stages of crushing and splitting.

    `start` are the texts the books give; the address says what was typed instead. `is_asked` tells whether there is anything
    to reckon with: something typed, or everything needed known from the books.
    """

    top = SizeField(label=gettext_lazy("Top size of the lot"), help_text=SIZE_HELP)
    gold = SizeField(
        label=gettext_lazy("Gold grains, usual size"),
        help_text=gettext_lazy("The size that holds most of the gold: 0.2 mm, 70 mesh"),
    )
    gold_low = SizeField(label=gettext_lazy("Gold grains, fine end"), required=False)
    gold_high = SizeField(
        label=gettext_lazy("Gold grains, coarse end"),
        required=False,
        help_text=gettext_lazy("The coarsest that matter: they rule luck."),
    )
    coarse_share = NumberField(
        label=gettext_lazy("Gold that is in such coarse grains"),
        unit_label="%",
        least=Decimal("0.1"),
        most=100,
        places=1,
        help_text=gettext_lazy("From a screen assay or by eye. 100: all of it, the kindest case."),
    )
    grade = GradeField(label=gettext_lazy("Grade, or your guess"), max_length=40)
    lot_mass = MassField(label=gettext_lazy("Mass of the lot that is split"), help_text="")
    portion = MassField(label=gettext_lazy("Mass of a portion"), help_text="")
    wanted = NumberField(
        label=gettext_lazy("Spread you want, one standard deviation"),
        unit_label="%",
        least=1,
        most=100,
        places=1,
    )
    method = forms.ChoiceField(
        label=gettext_lazy("How portions are split"), choices=SPLITTING, help_text=SCOOPING
    )
    series = forms.ChoiceField(label=gettext_lazy("Sieve numbers are"), choices=Step.MeshSeries)
    before = SizeField(
        label=gettext_lazy("Top size before any crushing"),
        required=False,
        help_text=gettext_lazy("To see what splitting before crushing would do."),
    )

    def __init__(self, data, *, member: Member, start: dict[str, str]) -> None:
        needed = ("top", "gold", "grade", "lot_mass", "portion")
        self.is_asked = bool(data) or all(start.get(name) for name in needed)
        # Values in the address go before those of the books; fields left out of it keep the books' values.
        given = start | {name: data.get(name) for name in data}
        super().__init__(given if self.is_asked else None, initial=start)
        self.member = member
        for number in range(1, MOST_STAGES + 1):
            self.fields[f"size{number}"] = SizeField(label=phrase("Crushed to"), required=False)
            self.fields[f"keep{number}"] = MassField(
                label=phrase("Split down to"), required=False, help_text=""
            )
            self.fields[f"how{number}"] = forms.ChoiceField(
                label=phrase("How"), choices=SPLITTING, required=False, initial="riffle"
            )
        read_in(self.fields, units_typed(data, member))

    def lot_fields(self) -> list[forms.BoundField]:
        names = (
            *("portion", "top", "grade", "gold", "gold_low", "gold_high", "coarse_share", "lot_mass"),
            *("wanted", "method", "series"),
        )
        return [self[name] for name in names]

    def stage_fields(self) -> list[tuple[int, list[forms.BoundField]]]:
        """(number, fields) of every stage."""
        return [
            (number, [self[f"{name}{number}"] for name in ("size", "keep", "how")])
            for number in range(1, MOST_STAGES + 1)
        ]

    def clean(self) -> dict:
        values = super().clean()
        self._read_sizes(values)
        self._check_gold(values)
        self._check_masses(values)
        self._check_stages(values)
        return values

    def values(self) -> dict:
        """What `frames.sampling_plan.sampling_plan` is asked with; masses in g, sizes in um, shares as fractions."""
        values = self.cleaned_data
        return {
            "top_um": values["top"],
            "gold_um": values["gold"],
            "gold_low_um": values["gold_low"] or None,
            "gold_high_um": values["gold_high"] or None,
            "coarse_share": units.share_of_percent(values["coarse_share"]),
            "grade_g_per_t": float(values["grade"].canonical),
            "lot_g": float(values["lot_mass"].canonical),
            "portion_g": float(values["portion"].canonical),
            "wanted_sd": units.share_of_percent(values["wanted"]),
            "method": values["method"],
            "series": values["series"],
            "before_um": values["before"] or None,
            "stages": [
                (
                    values[f"size{number}"] or None,
                    float(values[f"keep{number}"].canonical),
                    values[f"how{number}"] or "riffle",
                )
                for number in range(1, MOST_STAGES + 1)
                if values[f"keep{number}"]
            ],
        }

    def _read_sizes(self, values: dict) -> None:
        series = values.get("series") or Step.MeshSeries.ASTM_E11
        for name in (*SIZE_FIELDS, *(f"size{number}" for number in range(1, MOST_STAGES + 1))):
            if values.get(name):
                try:
                    values[name] = float(read_size(values[name], series).opening_um)
                except ValueError as error:
                    self.add_error(name, ValidationError(str(error), code="size"))

    def _check_gold(self, values: dict) -> None:
        top = values.get("top")
        for name in ("gold_low", "gold", "gold_high"):
            if top and values.get(name) and values[name] > top:
                self._refuse(
                    name,
                    phrase(
                        "Gold grains of {gold} don't pass where the lot's largest piece is {largest}. Check both sizes "
                        "and their units.",
                        gold=_size(values[name]),
                        largest=_size(top),
                    ),
                )
        gold = values.get("gold")
        if gold and values.get("gold_low") and values["gold_low"] > gold:
            self._refuse("gold_low", phrase("The fine end is coarser than the usual size."))
        if gold and values.get("gold_high") and values["gold_high"] < gold:
            self._refuse("gold_high", phrase("The coarse end is finer than the usual size."))
        if top and values.get("before") and values["before"] < top:
            self._refuse(
                "before",
                phrase(
                    "Before crushing pieces are at least as coarse as the lot is now, {size}.",
                    size=_size(top),
                ),
            )
        grade = values.get("grade")
        if grade and grade.canonical >= RICHEST_G_PER_T:
            self._refuse(
                "grade", phrase("That is a tenth gold or more: no ore is. Check the number and its unit.")
            )
        elif grade:
            says = guard.grade_guard(grade.canonical, grade_unit=self.member.grade_unit)
            self.fields["grade"].says = f"{says.sentence} {says.ask or ''}".strip()

    def _check_masses(self, values: dict) -> None:
        portion, lot = values.get("portion"), values.get("lot_mass")
        if portion and lot and portion.canonical > lot.canonical:
            self._refuse(
                "portion",
                phrase("A portion can't weigh more than the lot it is split from ({mass}).", mass=lot.typed),
            )

    def _check_stages(self, values: dict) -> None:
        """Each stage splits what the one before kept, no coarser than it was left."""
        mass, size = values.get("lot_mass"), values.get("top")
        mass_g, gap = (mass.canonical if mass else None), None
        for number in range(1, MOST_STAGES + 1):
            keep, crushed = values.get(f"keep{number}"), values.get(f"size{number}")
            if keep is None:
                if crushed and f"keep{number}" not in self.errors:
                    self._refuse(
                        f"keep{number}", phrase("Say how much this stage keeps, or leave its size empty too.")
                    )
                gap = gap or number
                continue
            if gap and f"keep{gap}" not in self.errors:
                self._refuse(
                    f"keep{number}", phrase("Stage {stage} is empty. Fill the stages in order.", stage=gap)
                )
            if mass_g is not None and keep.canonical > mass_g:
                self._refuse(
                    f"keep{number}",
                    phrase(
                        "More than there is to split: {mass}.",
                        mass=units.format_mass(mass_g, self.member.mass_unit),
                    ),
                )
            if crushed and size and crushed > size:
                self._refuse(
                    f"size{number}",
                    phrase("Crushing makes finer: before this stage it was {size}.", size=_size(size)),
                )
            size = crushed or size
            mass_g = keep.canonical

    def _refuse(self, name: str, sentence: str) -> None:
        self.add_error(name, ValidationError(sentence, code="nonsense"))


def _size(um: float) -> str:
    return f"{numeral(float(units.convert_length(um, 'um', 'mm')), 'g')} mm"
