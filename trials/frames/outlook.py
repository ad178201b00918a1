"""What a draft's plan could see, before anyone pans: the honest half of planning."""

from dataclasses import dataclass

from prospecting.calc import units
from prospecting.calc.grade import gold_mg, grade_g_per_t, pooled_grade_g_per_t
from prospecting.calc.mass_balance import PortionsNeed, portions_need
from prospecting.models import Lot
from trials.calc.spread import relative_spread, step_hides
from trials.models import Run, Trial

# Relative spreads of equal untreated portions to show when the lot's own is not known yet: well-riffled fine gold, usual,
# coarse gold (common practice, no source).
USUAL_SPREADS = (0.2, 0.35, 0.6)
FEWEST_FOR_OWN_SPREAD = 4


@dataclass(frozen=True)
class OutlookRow:
    """At this relative spread of untreated portions, the smallest gain the plan shows, and the blocks the wished one needs.

    `width_blocks`, of a bridge: the blocks for an interval that reaches no farther than the wished ratio to either side.
    """

    spread: float
    seen: int
    ratio: str
    blocks: str
    width_blocks: str = ""


@dataclass(frozen=True)
class FeedNeed:
    """What the runs of a plan take of one of its lots, beside what it gives."""

    lot: Lot
    runs: int
    need: PortionsNeed
    portions_ready: int
    too_small: str


@dataclass(frozen=True)
class Outlook:
    runs: int
    feeds: list[FeedNeed]
    rows: list[OutlookRow]
    coarse_scale: str
    working: str


def plan_outlook(trial: Trial, treatments: int) -> Outlook | None:
    """What `treatments` treatments in the draft's blocks could show; None before there are two treatments."""
    if treatments < 2 or trial.blocks_planned < 2:
        return None
    runs = trial.runs_of(treatments)
    return Outlook(
        runs=runs,
        feeds=[_feed_need(trial, lot, trial.runs_on_each(runs)) for lot in trial.feeds],
        rows=[_row(trial, treatments, spread, seen) for spread, seen in spreads_of(trial.feed_lot)],
        coarse_scale=_coarse_scale(trial),
        working=(
            "ln(expected gold) = treatment + block, the variance of a run growing with its gold as a sum of grains does; a "
            "treatment is compared with the control at a level of 5 % over all treatments together (Dunnett), two-sided; the "
            "gain is the one shown with a chance of 80 %. The spread is that of untreated portions over their mean, an "
            "assumption unless it is marked as seen in this lot."
        ),
    )


def _feed_need(trial: Trial, lot: Lot, runs: int) -> FeedNeed:
    need = portions_need(lot.on_hand_g, runs, trial.portion_mass_g)
    cut = trial.portions_from == Trial.PortionsFrom.CUT
    ready = len(trial.portions_ready(lot)) if cut else 0
    too_small = ""
    if cut and ready < runs:
        too_small = f"{runs - ready} portions are missing: cut them from {lot.code} all at once, or plan fewer blocks."
    elif not cut and lot.reserve_reason:
        too_small = f"{lot.code} is held back ({lot.reserve_reason}): release it first."
    elif not cut and need.short_g:
        too_small = (
            f"{lot.code} does not hold that much. Plan fewer blocks, smaller portions or fewer treatments."
        )
    return FeedNeed(lot=lot, runs=runs, need=need, portions_ready=ready, too_small=too_small)


def _coarse_scale(trial: Trial) -> str:
    """What the figures below leave out: runs whose gold the planned scale could not show."""
    if trial.outcome != Trial.Outcome.GOLD_MASS or not trial.scale_step_mg:
        return ""
    weighings = Run.objects.standing().untreated().of_feed(trial.feed_lot).weighings()
    if not weighings:
        return ""
    golds_mg, portions_g = zip(*weighings, strict=True)
    expected_mg = gold_mg(pooled_grade_g_per_t(golds_mg, portions_g), trial.portion_mass_g)
    if not step_hides(float(trial.scale_step_mg), float(expected_mg)):
        return ""
    return (
        f"An untreated portion of this lot gives about {units.format_gold_mg(expected_mg)}, and the scale shows steps of "
        f"{units.format_gold_mg(trial.scale_step_mg)}: some runs will come out below it, and the trial will see less than the "
        "figures here say. Weigh finer, take larger portions, or count colours."
    )


def spreads_of(lot: Lot) -> list[tuple[float, int]]:
    """The lot's own spread of untreated portions, with how many were weighed if enough were; else the usual ones and 0."""
    of_lot = Run.objects.standing().untreated().of_feed(lot).weighings()
    grades = [float(grade_g_per_t(gold, portion_g)) for gold, portion_g in of_lot]
    if len(grades) >= FEWEST_FOR_OWN_SPREAD:
        own = relative_spread(grades)
        if own > 0:
            return [(own, len(grades))]
    return [(spread, 0) for spread in USUAL_SPREADS]


def width_blocks(spread: float, factor: float) -> str:
    """The blocks of a bridge whose interval reaches no farther than `factor` times to either side."""
    from trials.calc.bridge import MOST_BLOCKS, blocks_for_width

    return str(blocks_for_width(spread, factor) or f"more than {MOST_BLOCKS}")


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
        width_blocks=width_blocks(spread, float(trial.smallest_ratio)) if trial.is_bridge else "",
    )
