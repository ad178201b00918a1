"""Are the lots that go into a blend alike? Their test pans and assays side by side, read in a few queries."""

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from django.urls import reverse
from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.bucket_gold import (
    Beside,
    Gold,
    Result,
    beside_others,
    dominates,
    is_next_to_nothing,
    mass_shares,
)
from prospecting.calc.grade import gold_mg
from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.number_words import listed
from prospecting.calc.sampling import ENOUGH_GRAINS, Interval
from prospecting.models import Draw, Lot, Reading, Sample, Step
from trials.calc.portion_evidence import (
    ASSAYS,
    COLOURS,
    MISSED,
    ONE_COLOUR,
    WEIGHTS,
    Grain,
    confidence_each,
)
from trials.calc.working import Working, WorkingRow, figure, given
from trials.frames.lineage import ALIKE
from trials.frames.portion_evidence import percent
from trials.frames.uniformity import charge_g, grain_of
from trials.models import Run

RICH, POOR, FEW, ALIKE_ENOUGH, NOTHING = "rich", "poor", "few", "alike", "nothing"
# Twice the others' grade or half of it: then a blend hides what the lot was.
TIMES = 2.0
# Drying and crushing leave the grade as it is: what was found before them still holds.
LEVELS_UP = 3
BASIS = {
    WEIGHTS: gettext_lazy("gold weighed"),
    COLOURS: gettext_lazy("colours counted"),
    ASSAYS: gettext_lazy("assays"),
}
WORDS = {
    RICH: gettext_lazy("Not alike"),
    POOR: gettext_lazy("Not alike"),
    FEW: gettext_lazy("Too little to compare by"),
    ALIKE_ENOUGH: gettext_lazy("Not shown to differ"),
    NOTHING: gettext_lazy("Nothing to compare yet"),
}


@dataclass(frozen=True)
class Compared:
    """One lot of the planned blend; what could not be told is None or blank."""

    lot: Lot
    mass_g: Decimal
    found: Mapping[str, Gold]
    outcome: str = NOTHING
    grade_text: str = ""
    limits: Interval | None = None
    limits_text: str = ""
    ratio: Interval | None = None
    ratio_text: str = ""
    mass_share: float | None = None
    gold_share: float | None = None
    says: str = ""

    @property
    def colours_text(self) -> str:
        gold = self.found.get(COLOURS)
        return (
            phrase(
                "{colours} in {mass}",
                colours=round(gold.least),
                mass=units.format_mass(gold.exposure_g, "kg"),
            )
            if gold
            else ""
        )


@dataclass(frozen=True)
class Bar:
    """One lot in the picture (a row of charts/verdict.py), in the unit it is read in; `below` results have no figure."""

    label: str
    values: Sequence[float]
    below: int
    centre: float | None
    lower: float | None
    upper: float | None
    shown: bool
    worse: bool
    # Pans of a lot stand in no blocks.
    blocks: Sequence[int] = ()
    below_blocks: Sequence[int] = ()


@dataclass(frozen=True)
class Comparison:
    """The lots side by side by the kind of result that most of them have."""

    outcome: str
    headline: str
    explanation: Sequence[str]
    lots: Sequence[Compared]
    basis: str = ""
    basis_unit: str = ""
    bars: Sequence[Bar] = ()
    working: Working | None = None

    @property
    def word(self) -> str:
        return WORDS[self.outcome]

    @property
    def basis_text(self) -> str:
        return BASIS.get(self.basis, "")


def compare_lots(
    masses_g: Mapping[Lot, Decimal], *, grain_mg: float | None = None, grade_unit: str, mass_unit: str
) -> Comparison:
    """Return the lots of a planned blend, with the mass each would bring, side by side."""
    found, counted = _found(list(masses_g), grade_unit)
    lots = [Compared(lot, mass_g, found[lot.pk]) for lot, mass_g in masses_g.items()]
    basis = max(BASIS, key=lambda kind: sum(kind in each.found for each in lots))
    told = [each for each in lots if basis in each.found]
    weighed = sum(len(gold.results) for each in lots for kind, gold in each.found.items() if kind == WEIGHTS)
    grain = ONE_COLOUR if basis == COLOURS else None
    grain = grain or grain_of(counted, typed_mg=grain_mg, weighed=weighed)
    if len(told) < 2:
        names = listed([each.lot.code for each in lots if each not in told])
        said = [
            phrase(
                "Pan at least one measured portion of each lot before they are blended: {lots}.", lots=names
            )
        ]
        return Comparison(
            NOTHING, phrase("Fewer than two of these lots were test-panned or assayed"), said, lots
        )
    unit = phrase("colours per kg") if basis == COLOURS else units.UNIT_NAMES[grade_unit]
    lots = _judged(lots, basis, grain, grade_unit, mass_unit)
    outcome, headline = _headline(lots, grain)
    return Comparison(
        outcome=outcome,
        headline=headline,
        explanation=_explanation(lots, basis, grain),
        lots=lots,
        basis=basis,
        basis_unit=unit,
        bars=_bars(lots, basis, grade_unit),
        working=_working(lots, basis, grain, unit),
    )


def _judged(
    lots: Sequence[Compared], basis: str, grain: Grain | None, grade_unit: str, mass_unit: str
) -> list[Compared]:
    from prospecting.calc.homogeneity import gold_shares

    told = [each for each in lots if basis in each.found]
    golds = {each.lot.pk: each.found[basis] for each in told}
    complete = len(told) == len(lots) and any(gold.least for gold in golds.values())
    masses_g = [float(each.mass_g) for each in lots]
    rates = [gold.middle_per_kg for gold in golds.values()]
    shares = dict(zip(golds, gold_shares(masses_g, rates), strict=True)) if complete else {}
    level = confidence_each(len(told))
    judged = []
    for each, mass_share in zip(lots, mass_shares(masses_g), strict=True):
        gold = golds.get(each.lot.pk)
        if gold is None:
            judged.append(
                replace(
                    each,
                    mass_share=mass_share,
                    says=phrase("No result of this kind: pan it before it is blended."),
                )
            )
            continue
        others = [other for pk, other in golds.items() if pk != each.lot.pk]
        beside = beside_others(gold, others, grain=grain.high_mg, level=level) if grain is not None else None
        outcome, says = _outcome(beside, mass_unit)
        judged.append(
            replace(
                each,
                outcome=outcome,
                grade_text=_between(gold.low_per_kg, gold.high_per_kg, basis, grade_unit),
                limits=beside and beside.limits,
                limits_text=_between(beside.limits.low, beside.limits.high, basis, grade_unit)
                if beside
                else "",
                ratio=beside and beside.ratio,
                ratio_text=_ratio_text(beside.ratio) if beside else "",
                mass_share=mass_share,
                gold_share=shares.get(each.lot.pk),
                says=says,
            )
        )
    return judged


def _outcome(beside: Beside | None, mass_unit: str) -> tuple[str, str]:
    if beside is None:
        return FEW, phrase("How sure this is cannot be told: the mass of a typical grain is not known.")
    ratio, lacking_g = beside.ratio, beside.lacking_g
    if ratio.low >= TIMES:
        return (
            RICH,
            phrase(
                "Rich: {times} the others' grade. In the blend nobody will see it any more.",
                times=_ratio_text(ratio),
            ),
        )
    if ratio.high <= 1 / TIMES:
        return POOR, phrase("Poor: {times} the others' grade. It thins the blend.", times=_ratio_text(ratio))
    if lacking_g is None:
        return FEW, phrase("No gold was measured in any of them.")
    if lacking_g > 0:
        more = units.format_mass(lacking_g, mass_unit)
        return (
            FEW,
            phrase(
                "Too little panned to compare: pan about {mass} more of it, for some {grains} grains.",
                mass=more,
                grains=ENOUGH_GRAINS,
            ),
        )
    return ALIKE_ENOUGH, phrase(
        "Not shown to be twice or half the others: {times} their grade.", times=_ratio_text(ratio)
    )


def _headline(lots: Sequence[Compared], grain: Grain | None) -> tuple[str, str]:
    rich, poor, few, missing = (
        [each.lot.code for each in lots if each.outcome == kind] for kind in (RICH, POOR, FEW, NOTHING)
    )
    outcome, said = _outcome_of_all(rich, poor, few, grain)
    if missing:
        without = phrase_counted(
            "{lots} is without a result.",
            "{lots} are without a result.",
            len(missing),
            lots=listed(missing),
        )
        said = f"{said} {without}"
    return outcome, said


def _outcome_of_all(rich: list[str], poor: list[str], few: list[str], grain: Grain | None) -> tuple[str, str]:
    said = []
    if rich:
        said.append(
            phrase_counted(
                "{lots} is at least twice as rich as the others",
                "{lots} are at least twice as rich as the others",
                len(rich),
                lots=listed(rich),
            )
        )
    if poor:
        said.append(
            phrase_counted(
                "{lots} is at most half as rich as the others",
                "{lots} are at most half as rich as the others",
                len(poor),
                lots=listed(poor),
            )
        )
    if said:
        return (RICH if rich else POOR), phrase("{lots}: blending buries that.", lots="; ".join(said))
    if grain is None:
        return FEW, phrase("How far chance alone sets these lots apart is not known.")
    if few:
        return FEW, phrase("Too little was panned or assayed of {lots} to compare.", lots=listed(few))
    return ALIKE_ENOUGH, phrase("No lot is shown to be twice as rich as the others, or half as rich.")


def _explanation(lots: Sequence[Compared], basis: str, grain: Grain | None) -> list[str]:
    said = [
        _dominance(each)
        for each in lots
        if each.gold_share is not None and dominates(each.gold_share, each.mass_share)
    ]
    told = [each for each in lots if each.gold_share is not None]
    if told and not said:
        most = max(told, key=lambda each: each.gold_share)
        start = phrase("No lot is seen to dominate the planned blend")
        if any(each.outcome == FEW for each in lots):
            start = phrase("Too little was panned to rule out that one lot dominates the planned blend")
        said = [
            phrase(
                "{start}: {lot} would bring about {gold} of the gold from {mass} of the mass.",
                start=start,
                lot=most.lot.code,
                gold=percent(most.gold_share),
                mass=percent(most.mass_share),
            )
        ]
    elif not told:
        said = [
            phrase(
                "Which lot brings most of the gold cannot be told before each of them has shown some result of this kind."
            )
        ]
    if grain is None:
        said.append(
            phrase("Count the colours by size in these pans, or say below how heavy a typical grain is.")
        )
    said.append(
        phrase(
            "Compared by {results}, of each lot itself, of what it was dried or crushed from, and of what was taken straight "
            "from it. Ratios to the others hold with {level} confidence over all lots together, other limits with {level} "
            "each.",
            results=BASIS[basis],
            level=percent(1 - MISSED),
        )
    )
    return said


def _dominance(each: Compared) -> str:
    shown = each.ratio is not None and each.ratio.low > 1
    shares = {"gold": percent(each.gold_share), "mass": percent(each.mass_share)}
    if shown:
        return phrase(
            "{lot} dominates the planned blend: about {gold} of the gold from {mass} of the mass.",
            lot=each.lot.code,
            **shares,
        )
    return phrase(
        "{lot} may dominate the planned blend: about {gold} of the gold from {mass} of the mass.",
        lot=each.lot.code,
        **shares,
    )


def _found(lots: Sequence[Lot], grade_unit: str) -> tuple[dict[int, dict[str, Gold]], list]:
    """What was found in each lot by kind, and the colours by class of all pans."""
    belongs = _same_material(lots)
    found: dict[int, dict[str, Gold]] = {lot.pk: {} for lot in lots}
    counted = []
    runs = Run.objects.standing().untreated().filter(lot__in=belongs, lot__is_void=False)
    for run in runs.select_related("planned").prefetch_related("colours").order_by("pk"):
        classes = {count.size_class: count.count for count in run.colours.all()}
        if classes:
            counted.append((classes, None if run.gold_mg is None else float(run.gold_mg)))
        for root in belongs[run.lot_id]:
            _add_run(found[root], run, sum(classes.values()) if classes else None)
    samples = Sample.objects.of_lots(belongs).with_value().select_related("dispatch")
    for sample in samples.answered().filter(lot__is_void=False):
        for root in belongs[sample.lot_id]:
            _add_sample(found[root], sample, grade_unit)
    return found, counted


def _add(found: dict[str, Gold], kind: str, result: Result) -> None:
    found.setdefault(kind, Gold()).results.append(result)


def _add_run(found: dict[str, Gold], run: Run, colours: int | None) -> None:
    ore, url = float(run.portion_mass_g), run.get_absolute_url()
    if colours is not None:
        _add(found, COLOURS, Result(colours, colours, ore, phrase("{colours} colours", colours=colours), url))
    if run.gold_mg is not None:
        gold = float(run.gold_mg)
        _add(found, WEIGHTS, Result(gold, gold, ore, units.format_gold_mg(run.gold_mg), url))
    elif run.below_scale:
        shown = phrase("below {gold}", gold=units.format_gold_mg(run.scale_step_mg))
        _add(found, WEIGHTS, Result(0.0, float(run.scale_step_mg), ore, shown, url))


def _add_sample(found: dict[str, Gold], sample: Sample, grade_unit: str) -> None:
    reading, charge = sample.in_use, charge_g(sample)
    # Above the method's limit there is no figure, and without a charge no telling what chance does.
    if reading.symbol == Reading.Symbol.ABOVE or not charge:
        return
    below = reading.symbol == Reading.Symbol.BELOW
    value = reading.limit_g_per_t if below else reading.grade_g_per_t
    gold = gold_mg(float(value), charge)
    grade = units.format_grade(value, grade_unit)
    shown = phrase("below {grade}", grade=grade) if below else grade
    url = reverse("return-detail", args=[sample.reading_in_use.assay_return_id])
    _add(found, ASSAYS, Result(0.0 if below else gold, gold, charge, shown, url))


def _same_material(lots: Sequence[Lot]) -> dict[int, set[int]]:
    """Lots whose results speak for one of these: itself, what it was dried or crushed from, what was taken straight from it."""
    belongs: dict[int, set[int]] = defaultdict(set)
    for lot in lots:
        belongs[lot.pk].add(lot.pk)
    upward = {lot.pk: {lot.pk} for lot in lots}
    for _ in range(LEVELS_UP):
        made = dict(Lot.objects.filter(pk__in=upward).values_list("pk", "made_by_id"))
        draws = Draw.objects.filter(step__in=made.values(), step__kind__in=[Step.Kind.DRY, Step.Kind.CRUSH])
        parents = dict(draws.values_list("step_id", "lot_id"))
        above: dict[int, set[int]] = defaultdict(set)
        for child, step in made.items():
            if step in parents:
                above[parents[step]] |= upward[child]
        for parent, roots in above.items():
            belongs[parent] |= roots
        if not above:
            break
        upward = above
    draws = Draw.objects.filter(lot__in=lots, step__kind__in=ALIKE, step__voided_at__isnull=True)
    source = dict(draws.values_list("step_id", "lot_id"))
    for child, step in Lot.objects.standing().filter(made_by__in=source).values_list("pk", "made_by_id"):
        belongs[child].add(source[step])
    return belongs


def _working(lots: Sequence[Compared], basis: str, grain: Grain | None, unit: str) -> Working:
    rows = [
        WorkingRow(
            f"{each.lot.code}, {BASIS[basis]}",
            phrase(
                "all the gold ÷ all the ore; limits: gamma law of the grains found; ratio: beta law of its grains among all"
            ),
            tuple(
                given(phrase("result {number}", number=number), result.shown, "", result.url)
                for number, result in enumerate(each.found[basis].results, 1)
            ),
            each.grade_text,
            "",
            phrase(
                "Limits of a count: Garwood 1936; of a ratio given the sum: Clopper and Pearson 1934, Przyborowski and "
                "Wilenski 1940 (from memory)"
            ),
        )
        for each in lots
        if basis in each.found
    ]
    shares = [each for each in lots if each.gold_share is not None]
    if shares:
        rows.append(
            WorkingRow(
                phrase("Share of the gold of the planned blend"),
                phrase("mass × grade ÷ sum of (mass × grade); below the scale counts as half the limit here"),
                tuple(
                    given(each.lot.code, percent(each.gold_share), "", each.lot.get_absolute_url())
                    for each in shares
                ),
            )
        )
    taken = [
        phrase(
            "Grains fall into a pan by chance alone: unlike pans of one uneven lot make these limits too narrow."
        ),
        phrase(
            "Counted are untreated runs, and assays with a value in use whose charge is known. Failed and voided ones are "
            "left out."
        ),
    ]
    if grain is not None and basis != COLOURS:
        taken.append(
            phrase("A grain, weighted by mass: {grain}. Gold is counted in such grains.", grain=grain.words)
        )
    return Working(tuple(rows), tuple(taken))


def _between(low: float, high: float, basis: str, grade_unit: str) -> str:
    """A rate per kg of ore or charge as it is to be read; `low` to `high` where they differ."""

    def written(rate: float) -> str:
        if basis == COLOURS:
            return phrase("{number} colours per kg", number=figure(rate, 2))
        return units.format_grade(rate, grade_unit)

    if low == high:
        return written(low)
    if is_next_to_nothing(low, high):
        return phrase("up to {high}", high=written(high))
    number = figure(low, 2) if basis == COLOURS else written(low).partition(" ")[0]
    return phrase("{low} to {high}", low=number, high=written(high))


def _ratio_text(ratio: Interval) -> str:
    if math.isinf(ratio.high):
        return phrase("at least {low} times", low=figure(ratio.low, 2))
    if is_next_to_nothing(ratio.low, ratio.high):
        return phrase("at most {high} times", high=figure(ratio.high, 2))
    return phrase("{low} to {high} times", low=figure(ratio.low, 2), high=figure(ratio.high, 2))


def _bars(lots: Sequence[Compared], basis: str, grade_unit: str) -> list[Bar]:
    def shown(per_kg: float) -> float:
        return per_kg if basis == COLOURS else float(units.convert_grade(per_kg, "g_per_t", grade_unit))

    bars = []
    for each in lots:
        gold, limits = each.found.get(basis, Gold()), each.limits
        bars.append(
            Bar(
                label=each.lot.code,
                values=[shown(value) for value in gold.values_per_kg],
                below=gold.below,
                centre=shown(gold.middle_per_kg) if gold.least else None,
                lower=shown(limits.low) if limits else None,
                upper=shown(limits.high) if limits else None,
                shown=each.outcome in (RICH, POOR),
                worse=each.outcome == POOR,
            )
        )
    return bars
