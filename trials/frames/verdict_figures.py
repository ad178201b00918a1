"""Figures of a verdict as they are to be read: intervals, and gold and grade more or less than the control gives."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from prospecting.calc import units
from prospecting.calc.grade import grade_g_per_t
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.models import Member
from trials.frames.trial_lines import TrialLines

if TYPE_CHECKING:
    from trials.calc.comparison import ControlComparison, TreatmentComparison
    from trials.calc.verdict import Verdict


@dataclass(frozen=True)
class More:
    """Gold more or less than the control gives, as it is to be read."""

    gold: str = ""
    gold_interval: str = ""
    grade: str = ""
    grade_interval: str = ""


@dataclass(frozen=True)
class Grades:
    """Gold of a mean portion of these runs as a grade, in this reader's unit."""

    reading: TrialLines
    member: Member

    def of(self, mg: float) -> str:
        return units.format_grade(grade_g_per_t(mg, self.reading.mean_portion_g), self.member.grade_unit)

    def signed(self, mg: float) -> str:
        return f"{_sign(mg)}{self.of(abs(mg))}"

    @property
    def formula(self) -> str:
        own = self.member.grade_unit
        formula = phrase("mg of gold / g of ore x 1000 = g/t")
        if own == "g_per_t":
            return formula
        return f"{formula}; / {numeral(float(units.GRADE_G_PER_T[own]), '.6g')} = {units.UNIT_NAMES[own]}"

    def limit(self, mg: float) -> str:
        """Without its unit, which stands beside it."""
        return _bare(self.signed(mg))


def more_of(
    entry: "TreatmentComparison", comparison: "ControlComparison", verdict: "Verdict", grades: Grades
) -> More:
    """How much more or less gold, in mg a portion and in grade, with the interval the verdict rests on."""
    gain = comparison.gain(entry.treatment)
    gains = [comparison.gain_at(entry.treatment, limit) for limit in deciding_interval(entry, verdict)]
    level = _level_said(verdict)
    return More(
        gold=signed_gold(gain),
        gold_interval=_between(gains, _gold_limit, level),
        grade=grades.signed(gain),
        grade_interval=_between(gains, grades.limit, level),
    )


def deciding_interval(entry: "TreatmentComparison", verdict: "Verdict") -> tuple[float | None, float | None]:
    """The interval the verdict rests on."""
    if verdict.kind == "equivalent":
        return entry.equivalence_lower, entry.equivalence_upper
    return entry.lower, entry.upper


def interval_text(entry: "TreatmentComparison", verdict: "Verdict") -> str:
    from trials.calc.ratio_words import between

    said = between(*deciding_interval(entry, verdict))
    return f"{said}{_level_said(verdict)}" if said else ""


def _level_said(verdict: "Verdict") -> str:
    """What the table's heading does not say of an interval."""
    return " (90 %)" if verdict.kind == "equivalent" else ""


def _between(gains: "Sequence[float | None]", written: "Callable[[float], str]", level: str) -> str:
    lower, upper = (None if gain is None else written(gain) for gain in gains)
    if lower is None:
        return phrase("{high} or less{level}", high=upper, level=level) if upper else ""
    if upper is None:
        return phrase("{low} or more{level}", low=lower, level=level)
    return phrase("{low} to {high}{level}", low=lower, high=upper, level=level)


def signed_gold(mg: float) -> str:
    return f"{_sign(mg)}{units.format_gold_mg(abs(mg))}"


def _gold_limit(mg: float) -> str:
    return _bare(signed_gold(mg))


def _bare(text: str) -> str:
    return text.partition(" ")[0]


def _sign(number: float) -> str:
    return "+" if number > 0 else "−" if number < 0 else ""
