"""What a draft's plan could see, before anyone pans: the honest half of planning."""

from dataclasses import dataclass
from decimal import Decimal

from prospecting.calc.grade import grade_g_per_t
from trials.calc.spread import relative_spread
from trials.models import Run, Trial

# Relative spreads of equal untreated portions to show when the lot's own is not known yet: well-riffled fine gold, usual,
# coarse gold (common practice, no source).
USUAL_SPREADS = (0.2, 0.35, 0.6)
FEWEST_FOR_OWN_SPREAD = 4


@dataclass(frozen=True)
class OutlookRow:
    """At this relative spread of untreated portions, the smallest gain the plan shows, and the blocks the wished one needs."""

    spread: float
    seen: int
    ratio: str
    blocks: str


@dataclass(frozen=True)
class Outlook:
    runs: int
    needed_g: Decimal
    portions_ready: int
    too_small: str
    rows: list[OutlookRow]
    working: str


def plan_outlook(trial: Trial, treatments: int) -> Outlook | None:
    """What `treatments` treatments in the draft's blocks could show; None before there are two treatments."""
    if treatments < 2 or trial.blocks_planned < 2:
        return None
    runs = treatments * trial.blocks_planned
    needed_g = runs * trial.portion_mass_g
    ready = len(trial.portions_ready()) if trial.portions_from == Trial.PortionsFrom.CUT else 0
    return Outlook(
        runs=runs,
        needed_g=needed_g,
        portions_ready=ready,
        too_small=_too_small(trial, runs, needed_g, ready),
        rows=[_row(trial, treatments, spread, seen) for spread, seen in _spreads(trial)],
        working=(
            "ln(expected gold) = treatment + block, the variance of a run growing with its gold as a sum of grains does; a "
            "treatment is compared with the control at a level of 5 % over all treatments together (Dunnett), two-sided; the "
            "gain is the one shown with a chance of 80 %. The spread is that of untreated portions over their mean, an "
            "assumption unless it is marked as seen in this lot."
        ),
    )


def _too_small(trial: Trial, runs: int, needed_g: Decimal, ready: int) -> str:
    if trial.portions_from == Trial.PortionsFrom.CUT and ready < runs:
        return f"{runs - ready} portions are missing: cut them from {trial.feed_lot.code} all at once, or plan fewer blocks."
    if trial.portions_from == Trial.PortionsFrom.MEASURED and needed_g > trial.feed_lot.on_hand_g:
        return f"{trial.feed_lot.code} does not hold that much. Plan fewer blocks, smaller portions or fewer treatments."
    return ""


def _spreads(trial: Trial) -> list[tuple[float, int]]:
    """The lot's own spread of untreated portions where enough were weighed, else the usual ones."""
    of_lot = Run.objects.standing().untreated().of_feed(trial.feed_lot).weighings()
    grades = [float(grade_g_per_t(gold_mg, portion_g)) for gold_mg, portion_g in of_lot]
    if len(grades) >= FEWEST_FOR_OWN_SPREAD:
        own = relative_spread(grades)
        if own > 0:
            return [(own, len(grades))]
    return [(spread, 0) for spread in USUAL_SPREADS]


def _row(trial: Trial, treatments: int, spread: float, seen: int) -> OutlookRow:
    from trials.calc import power
    from trials.calc.working import figure

    # As the verdict will reckon: the scatter is grains falling by chance (chance_share 1).
    ratio = power.detectable_ratio(spread, trial.blocks_planned, treatments, chance_share=1.0)
    blocks = power.blocks_needed(spread, float(trial.smallest_ratio), treatments, chance_share=1.0)
    return OutlookRow(
        spread=spread,
        seen=seen,
        ratio=f"{figure(ratio)} times" if ratio < 100 else "over 100 times",
        blocks=str(blocks) if blocks else "more than 500",
    )
