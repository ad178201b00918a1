"""Is a lot uniform enough? Its untreated portions against what chance alone does, read in a few queries."""

import math
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from django.db.models import Q
from django.urls import reverse

from prospecting.calc import units
from prospecting.calc.grade import gold_mg as gold_of_grade_mg
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.calc.sampling import ENOUGH_GRAINS, counting_spread
from prospecting.models import Dispatch, Draw, Lot, Reading, Sample, Step
from trials.calc.portion_evidence import (
    ASSAYS,
    COLOURS,
    MISSED,
    RECKONED_POWER,
    SAID_POWER,
    WEIGHTS,
    Grain,
    Portion,
    confidence_each,
    difference_of_ratio,
    error_each,
    grain_of_colours,
    grains_each,
    rates_to_rank,
)
from trials.calc.working import Working, figure
from trials.frames.portion_evidence import (
    FEW,
    NOT_SHOWN,
    UNEVEN,
    UNIFORM,
    WORDS,
    Evidence,
    Point,
    of_assays,
    of_colours,
    of_duplicates,
    of_weights,
    percent,
)
from trials.models import ColourCount, Run, Trial

Counted = list[tuple[dict[str, int], float | None]]
LEAST_PAIRS, LEAST_IN_ORDER = 3, 5
# A quarter: about what a trial's plan asks for, and about what counting 20 grains leaves open anyway (22 %).
USUAL_DIFFERENCE = 0.25
CHARGES_G = {Dispatch.Method.FIRE_15: 15.0, Dispatch.Method.FIRE_30: 30.0, Dispatch.Method.FIRE_50: 50.0}


@dataclass(frozen=True)
class Uniformity:
    """Everything the page shows: the verdict, each kind of evidence, the check along the order of cutting, the working."""

    outcome: str
    headline: str
    explanation: Sequence[str]
    evidence: Sequence[Evidence]
    trend: str
    differs: float
    differs_from: str
    grain: Grain | None
    left_out: Sequence[str]
    working: Working | None

    @property
    def word(self) -> str:
        return str(WORDS[self.outcome])


@dataclass
class Found:
    """Results of a lot's portions by kind, and what was left out, in words."""

    weights: list[Portion] = field(default_factory=list)
    colours: list[Portion] = field(default_factory=list)
    # Colours by class, and the gold in mg where it was weighed too.
    counted: Counted = field(default_factory=list)
    # Assays of each portion, by the portion they were taken from.
    assays: dict[object, list[Portion]] = field(default_factory=dict)
    above: int = 0
    no_charge: int = 0


def lot_uniformity(
    lot: Lot, *, differs: float | None = None, grain_mg: float | None = None, grade_unit: str
) -> Uniformity:
    """Return what the untreated portions of a lot say of its blend.

    `differs` is the relative sd between portions that matters (else from the lot's newest trial, else the usual quarter),
    `grain_mg` the grain that holds most of the gold, where colours were not counted by size.
    """
    found = _found(lot, grade_unit)
    differs_from = phrase("as you typed it")
    if differs is None:
        differs, differs_from = _usual_difference(lot)
    grain = grain_of(found.counted, typed_mg=grain_mg, weighed=len(found.weights))
    looks = _looks(found, grain, differs)
    evidence = [look(confidence_each(len(looks))) for look in looks]
    untested = _untested(found, grain)
    shown = [*evidence, *untested]
    outcome, headline, explanation = _verdict(evidence, untested, differs)
    return Uniformity(
        outcome=outcome,
        headline=headline,
        explanation=explanation,
        evidence=shown,
        trend=_trend(found),
        differs=differs,
        differs_from=differs_from,
        grain=grain,
        left_out=_left_out(found),
        working=_working(evidence, grain, len(looks)),
    )


def _looks(found: Found, grain: Grain | None, differs: float) -> list[Callable[[float], Evidence]]:
    """What there is to test; each look is given the confidence its share of the 5 % leaves."""
    looks: list[Callable[[float], Evidence]] = []
    if _can_test(found.weights) and grain is not None and grains_each(found.weights, grain) >= 1:
        looks.append(lambda level: of_weights(found.weights, grain, differs, level))
    if _can_test(found.colours):
        looks.append(lambda level: of_colours(found.colours, differs, level))
    pairs, singles = _pairs(found), _singles(found)
    if len(pairs) >= LEAST_PAIRS:
        floor = _portion_floor(found, grain)
        looks.append(lambda level: of_duplicates(pairs, floor, differs, level))
    elif _can_test(singles) and grain is not None and grains_each(singles, grain) >= 1:
        looks.append(lambda level: of_assays(singles, grain, differs, level, found.above))
    return looks


def _can_test(portions: Sequence[Portion]) -> bool:
    """Two or more, at least half of them measured, and gold among them."""
    measured = [portion.amount for portion in portions if portion.amount is not None]
    return len(portions) >= 2 and 2 * len(measured) >= len(portions) and any(measured)


def _untested(found: Found, grain: Grain | None) -> list[Evidence]:
    """Results that are there but say nothing of the blend yet, and why."""
    said = []
    for kind, portions in ((WEIGHTS, found.weights), (COLOURS, found.colours), (ASSAYS, _singles(found))):
        in_pairs = kind == ASSAYS and len(_pairs(found)) >= LEAST_PAIRS
        if portions and not in_pairs and (reason := _why_not(kind, portions, grain)):
            said.append(Evidence(kind, FEW, reason[0], reason[1:], [_unplaced(each) for each in portions]))
    return said


def _unplaced(portion: Portion) -> Point:
    return Point(0, portion.label, portion.url, portion.shown, 0.0, None, portion.amount is None)


def _why_not(kind: str, portions: Sequence[Portion], grain: Grain | None) -> tuple[str, ...] | None:
    if len(portions) < 2:
        return (phrase("One portion shows no scatter"),)
    if not any(p.amount for p in portions):
        return (phrase("No gold was measured in any of them, so nothing can be seen to differ"),)
    if not _can_test(portions):
        return (
            phrase("More than half lie below the limit"),
            phrase(
                "Below the limit is not zero, and so many unknown values show no scatter. Larger portions, a finer "
                "scale or counted colours would."
            ),
        )
    if kind == COLOURS:
        return None
    if grain is None:
        return (
            phrase("What chance alone does is not known"),
            phrase(
                "It depends on how heavy the gold grains are. Count colours by size class in these pans, or say "
                "below how heavy a typical grain is."
            ),
        )
    if grains_each(portions, grain) < 1:
        return (
            phrase("Less than one typical grain to a portion"),
            phrase("With so few grains no scatter can tell a bad blend from luck. Larger portions would."),
        )
    return None


def _verdict(
    evidence: Sequence[Evidence], untested: Sequence[Evidence], differs: float
) -> tuple[str, str, Sequence[str]]:
    for outcome in (UNEVEN, UNIFORM, NOT_SHOWN, FEW):
        said = sorted(
            (each for each in evidence if each.outcome == outcome), key=lambda each: each.visible or math.inf
        )
        if said:
            best = said[0]
            return outcome, best.headline, [best.more or best.sentences[min(1, len(best.sentences) - 1)]]
    if untested:
        return FEW, untested[0].headline, [*untested[0].sentences, _needed(differs)]
    return (
        FEW,
        phrase("No untreated portion of this lot has been panned or assayed yet"),
        [
            phrase(
                "Pan three to five untreated portions to begin with (common practice, no source), weigh the gold and count the "
                "colours by size. This page then says what they show and how many more would tell."
            ),
        ],
    )


def _needed(differs: float) -> str:
    from prospecting.calc.homogeneity import portions_to_tell

    number = portions_to_tell(counting_spread(ENOUGH_GRAINS), differs, power=RECKONED_POWER)
    many = (
        phrase("about {number} portions", number=number)
        if number
        else phrase("more portions than anyone pans")
    )
    return phrase(
        "With some {grains} grains to a portion it takes {portions} to tell an unevenness of {unevenness} from chance "
        "({power} chance to see it, 5 % to see what is not there).",
        grains=ENOUGH_GRAINS,
        portions=many,
        unevenness=percent(differs),
        power=percent(SAID_POWER),
    )


def _trend(found: Found) -> str:
    """Whether the gold rises or falls along the order of cutting, by the kind of result with most portions in order."""
    best: list[Portion] = []
    for portions in (found.weights, found.colours, _singles(found)):
        by_step: dict[int, list[Portion]] = defaultdict(list)
        for portion in portions:
            if portion.cut:
                by_step[portion.cut[0]].append(portion)
        best = max([best, *by_step.values()], key=len)
    if not best:
        return ""
    if len(best) < LEAST_IN_ORDER:
        return phrase(
            "Only {number} of the portions were cut in a numbered order: at least {needed} are needed to see whether "
            "the gold rose or fell while the lot was cut.",
            number=len(best),
            needed=LEAST_IN_ORDER,
        )
    rates = rates_to_rank(best)
    if len(set(rates)) == 1:
        return phrase(
            "All {number} portions cut in order gave the same: nothing rose or fell along the order.",
            number=len(best),
        )

    from prospecting.calc.trend import mann_kendall

    test = mann_kendall([portion.cut[1] for portion in best], rates)
    pairs, rises = test.pairs, test.rising_pairs
    if test.p_two_sided < MISSED:
        if test.s > 0:
            return phrase(
                "The gold rises along the order of cutting: the heavy grains seem to have settled apart while the lot was "
                "cut. Of {pairs} pairs of portions {that_way} go that way; orders that mean nothing look so one-sided in "
                "fewer than 1 of 20 cases. Give treatments to portions by lot, never in order.",
                pairs=pairs,
                that_way=rises,
            )
        return phrase(
            "The gold falls along the order of cutting: the heavy grains seem to have settled apart while the lot was "
            "cut. Of {pairs} pairs of portions {that_way} go that way; orders that mean nothing look so one-sided in "
            "fewer than 1 of 20 cases. Give treatments to portions by lot, never in order.",
            pairs=pairs,
            that_way=pairs - rises,
        )
    return phrase(
        "No rise or fall along the order of cutting is shown by the {number} portions cut in order "
        "(Mann-Kendall test at 5 %). A slight one could hide in so few.",
        number=len(best),
    )


def _found(lot: Lot, grade_unit: str) -> Found:
    found = Found()
    runs = (
        Run.objects.standing()
        .untreated()
        .of_feed(lot)
        .filter(lot__is_void=False)
        .select_related("lot", "planned")
        .prefetch_related("colours")
        # A blend's own maker has many draws, and of_feed looks through them.
        .distinct()
        .order_by("pk")
    )
    for run in sorted(runs, key=lambda run: (_order(run.lot, lot), run.pk)):
        _add_run(found, run, lot)
    _add_assays(found, lot, grade_unit)
    return found


def _order(portion: Lot, lot: Lot) -> tuple:
    """Portions cut in order first, by their cut and number; then splits; what was measured out of the lot itself last."""
    if portion.portion_number:
        return (0, portion.made_by_id, portion.portion_number)
    return (2,) if portion.pk == lot.pk else (1, portion.made_by_id, portion.pk)


def _cut(portion: Lot) -> tuple[int, int] | None:
    return (portion.made_by_id, portion.portion_number) if portion.portion_number else None


def _label(portion: Lot, lot: Lot, alone: str) -> str:
    """A portion's or split's own code; what was measured out of the lot itself goes by `alone`."""
    return alone if portion.pk == lot.pk else portion.code


def _add_run(found: Found, run: Run, lot: Lot) -> None:
    name = (
        phrase("control run {code}", code=run.planned.blind_code)
        if run.planned
        else phrase("test pan {number}", number=run.pk)
    )
    base = {
        "label": _label(run.lot, lot, name),
        "url": run.get_absolute_url(),
        "exposure": float(run.portion_mass_g),
        "cut": _cut(run.lot),
    }
    classes = {count.size_class: count.count for count in run.colours.all()}
    if classes:
        total = sum(classes.values())
        found.colours.append(
            Portion(amount=float(total), shown=phrase("{colours} colours", colours=total), **base)
        )
        found.counted.append((classes, None if run.gold_mg is None else float(run.gold_mg)))
    step = float(run.scale_step_mg or 0)
    if run.gold_mg is not None:
        shown = units.format_gold_mg(run.gold_mg)
        found.weights.append(Portion(amount=float(run.gold_mg), shown=shown, step_mg=step, **base))
    elif run.below_scale:
        shown = phrase("below {limit}", limit=units.format_gold_mg(run.scale_step_mg))
        found.weights.append(Portion(amount=None, shown=shown, limit=step, step_mg=step, **base))


def _add_assays(found: Found, lot: Lot, grade_unit: str) -> None:
    """Values in use of samples that are the lot, a portion or split straight from it, or were taken from one of these."""
    straight = Lot.objects.standing().filter(
        made_by__kind__in=[Step.Kind.CUT, Step.Kind.SPLIT], made_by__draws__lot=lot
    )
    parts = {lot.pk: lot, **{part.pk: part for part in straight}}
    draws = Draw.objects.filter(step__kind=Step.Kind.ASSAY, step__voided_at__isnull=True, lot__in=parts)
    taken_from = dict(draws.values_list("step_id", "lot_id"))
    samples = (
        Sample.objects.filter(Q(lot__made_by__in=taken_from) | Q(lot__in=parts), lot__is_void=False)
        .with_value()
        .answered()
        .select_related("dispatch")
        .order_by("pk")
    )
    for sample in samples:
        part = parts[taken_from.get(sample.lot.made_by_id, sample.lot_id)]
        _add_assay(found, sample, part, lot, grade_unit)
    found.assays = dict(sorted(found.assays.items(), key=lambda pair: pair[0]))


def charge_g(sample: Sample) -> float:
    """How much of a sample was assayed, in g; 0 where its method does not say."""
    if sample.dispatch.method == Dispatch.Method.SCREEN_FIRE:
        return float(sample.lot.mass_g)
    return CHARGES_G.get(sample.dispatch.method, 0.0)


def _add_assay(found: Found, sample: Sample, part: Lot, lot: Lot, grade_unit: str) -> None:
    reading = sample.in_use
    if reading.symbol == Reading.Symbol.ABOVE:
        found.above += 1
        return
    charge = charge_g(sample)
    if not charge:
        found.no_charge += 1
        return
    below = reading.symbol == Reading.Symbol.BELOW
    value = reading.limit_g_per_t if below else reading.grade_g_per_t
    shown = units.format_grade(value, grade_unit)
    gold_mg = gold_of_grade_mg(float(value), charge)
    # What was taken from the lot itself is a portion of its own each time.
    key = (_order(part, lot), sample.lot_id if part.pk == lot.pk else part.pk)
    found.assays.setdefault(key, []).append(
        Portion(
            label=_label(part, lot, phrase("split {code}", code=sample.lot.code)),
            url=reverse("return-detail", args=[sample.reading_in_use.assay_return_id]),
            exposure=charge,
            amount=None if below else gold_mg,
            limit=gold_mg if below else 0.0,
            shown=phrase("below {limit}", limit=shown) if below else shown,
            cut=_cut(part),
        )
    )


def _pairs(found: Found) -> list[tuple[Portion, Portion]]:
    """The first two measured assays of each portion that has two."""
    measured = [[each for each in assays if each.amount is not None] for assays in found.assays.values()]
    return [(assays[0], assays[1]) for assays in measured if len(assays) >= 2]


def _singles(found: Found) -> list[Portion]:
    return [assays[0] for assays in found.assays.values()]


def _portion_floor(found: Found, grain: Grain | None) -> float | None:
    """Relative sd that counting gives a whole portion, from its pans; None where the grains or the pans are not known."""
    if grain is None or not _can_test(found.weights):
        return None
    each = grains_each(found.weights, grain)
    return counting_spread(each) if each >= 1 else None


def grain_of(counted: Counted, *, typed_mg: float | None, weighed: int) -> Grain | None:
    """The grain that rules the scatter: from colours by class, made to add up to what was weighed where both are known; else
    as typed; else not known. `weighed` is how many weighed results it is to speak for."""
    found = grain_of_colours(counted)
    if found is None:
        return (
            None
            if typed_mg is None
            else Grain(typed_mg, typed_mg, False, phrase("{mass} mg as typed", mass=figure(typed_mg)))
        )
    names = ", ".join(
        f"{number} {ColourCount.SizeClass(name).label.partition(' (')[0].lower()}"
        for name, number in found.totals.items()
        if number
    )
    return Grain(
        low_mg=found.low_mg,
        high_mg=found.high_mg,
        is_counted=len(counted) >= weighed,
        words=phrase(
            "{mass} mg from the colours counted ({colours})", mass=figure(found.high_mg, 2), colours=names
        ),
        mix=found.mix,
    )


def _usual_difference(lot: Lot) -> tuple[float, str]:
    trial = Trial.objects.filter(feed_lot=lot).first()
    if trial is not None:
        differs = difference_of_ratio(float(trial.smallest_ratio))
        return differs, phrase("the smallest difference that matters in the trial “{trial}”", trial=trial)
    return USUAL_DIFFERENCE, (
        phrase(
            "a quarter, unless you say otherwise: about what a trial looks for, and about what counting "
            "{grains} grains leaves open anyway (22 %)",
            grains=ENOUGH_GRAINS,
        )
    )


def _left_out(found: Found) -> list[str]:
    said = []
    if found.above:
        said.append(
            phrase("Assays above the method's upper limit, with no figure: {number}.", number=found.above)
        )
    if found.no_charge:
        said.append(
            phrase("Assays by a method whose charge is not in the books: {number}.", number=found.no_charge)
        )
    return said


def _working(evidence: Sequence[Evidence], grain: Grain | None, looks: int) -> Working | None:
    rows = tuple(each.row for each in evidence if each.row is not None)
    if not rows:
        return None
    share = (
        phrase(
            "There are {looks} looks at the same lot, so each is judged at {level} %, 5 % together.",
            looks=looks,
            level=numeral(100 * error_each(looks), ".2g"),
        )
        if looks > 1
        else phrase("Judged at 5 %.")
    )
    taken = [
        phrase(
            "Counted are untreated portions only: test pans, and control runs of blocks whose key is open; of the "
            "lot itself and of portions and splits taken straight from it. Failed and voided ones are left out."
        ),
        share,
        phrase(
            "Chances of seeing an unevenness: simulated for weighed gold whose colours were counted; else "
            "reckoned at {reckoned} and said as {said}, since the law behind flatters by up to five "
            "points.",
            reckoned=percent(RECKONED_POWER),
            said=percent(SAID_POWER),
        ),
        phrase("One result to a portion cannot tell a bad blend from unlike panning, weighing or assaying."),
    ]
    if grain is not None:
        taken.append(phrase("A grain, weighted by mass: {grain}.", grain=grain.words))
    return Working(rows, tuple(taken))
