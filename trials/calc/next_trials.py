"""Which trials come next: what has been tried so far, what it leaves open, and what settling that costs. Plain rules, no records.

Loaded by ordinary pages: what needs the statistics libraries is imported where it is used.
"""

import math
from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

# Two doses this near are one dose: drops are counted whole (common practice, no source).
SAME_DOSE = 0.05
# Fewer blocks say nothing, and more than so many nobody pans for one question (common practice, no source).
FEWEST_BLOCKS, MOST_BLOCKS = 3, 20
# A spread seen by fewer may be far off (common practice, no source).
FEWEST_DF = 10
POWER = 0.8
# Equal portions differ so much where nobody has seen it (common practice, no source; the middle one of the planning page).
USUAL_SPREAD = 0.35
# The smallest ratio a new draft proposes.
USUAL_RATIO = 1.25
# From tub to weighed gold where nobody timed it, as the planning page reckons.
USUAL_RUN_MIN = 30.0

Rule = Literal["repeat", "ladder", "confirm", "gold", "pair", "open"]
Dosed = tuple[int, float]


@dataclass(frozen=True)
class Arm:
    """One treatment of a closed trial beside its control. `doses` are (additive, mL/L); `kind` is the word of its verdict."""

    name: str
    doses: tuple[Dosed, ...]
    technique: str
    kind: str
    more_blocks: int | None = None
    headline: str = ""

    @property
    def alone(self) -> Dosed | None:
        """The dose of a treatment that is one additive and nothing else."""
        return self.doses[0] if len(self.doses) == 1 and not self.technique else None

    def is_like(self, other: "Arm") -> bool:
        """Whether both are the same treatment: the same additives at the same doses, the same technique in words."""
        return (
            self.technique.casefold().split() == other.technique.casefold().split()
            and len(self.doses) == len(other.doses)
            and all(
                mine[0] == theirs[0] and same_dose(mine[1], theirs[1])
                for mine, theirs in zip(sorted(self.doses), sorted(other.doses), strict=True)
            )
            and bool(self.doses or self.technique or self.name.casefold() == other.name.casefold())
        )


@dataclass(frozen=True)
class Tried:
    """A closed trial: its treatments' verdicts, and how far its equal runs differ (`spread`, of ln or relative; None unknown).

    `df` runs were left over to see that spread by. `chance_share` and `dispersion` as in `power.power_against_control`.
    `blocks` are those that were compared, runs of each where there are none.
    """

    trial: int
    arms: tuple[Arm, ...]
    ratio: float
    blocks: int
    in_blocks: bool = True
    by_places: bool = False
    spread: float | None = None
    df: int | None = None
    chance_share: float = 0.0
    dispersion: float | None = None


@dataclass(frozen=True)
class Idea:
    """A trial worth running: which treatments beside the control, on which closed trial it rests (None: on no one).

    `unsettled` are the comparisons it is run for; the others are in it to be seen in the same blocks. `dose` is a dose nobody
    tried yet, and `why` says how it was found (see `next_dose`).
    """

    rule: Rule
    base: Tried | None
    arms: tuple[Arm, ...]
    unsettled: int
    dose: Dosed | None = None
    why: str = ""

    @property
    def treatments(self) -> int:
        """With the control."""
        return len(self.arms) + 1


@dataclass(frozen=True)
class Plan:
    """What an idea takes and what it would settle. `power` is the chance that one comparison shows the ratio, were it true."""

    treatments: int
    blocks: int
    runs: int
    hours: float
    ratio: float
    power: float
    settled: float
    per_hour: float
    spread: float
    spread_assumed: bool
    spread_thin: bool
    blocks_wanted: int | None

    @property
    def hours_each(self) -> float:
        """Hours of panning for one comparison settled."""
        return 1 / self.per_hour


def same_dose(first_ml_per_l: float, second_ml_per_l: float) -> bool:
    """Return whether two doses are near enough to be one.

    >>> same_dose(0.1, 0.104), same_dose(0.1, 0.15)
    (True, False)
    """
    return abs(first_ml_per_l - second_ml_per_l) <= SAME_DOSE * max(first_ml_per_l, second_ml_per_l)


def to_repeat(tried: Sequence[Tried], under_way: Collection[Arm] = ()) -> list[Idea]:
    """Return the closed trials, newest first in `tried`, in which more blocks would have seen the stated ratio.

    Only treatments that no trial has settled since: nothing shown of them anywhere, and not being tried now.

    >>> rinse = Arm("rinse", ((1, 0.1),), "", "not shown", more_blocks=4)
    >>> [idea.unsettled for idea in to_repeat([Tried(7, (rinse,), 1.25, 5)])]
    [1]
    """
    ideas, done = [], list(under_way)
    done += [arm for each in tried for arm in each.arms if arm.kind != "not shown"]
    for each in tried:
        left = [arm for arm in each.arms if arm.more_blocks and not _among(arm, done)]
        done += left
        if left:
            ideas.append(Idea("repeat", each, tuple(left), len(left)))
    return ideas


def next_on_ladders(tried: Sequence[Tried], under_way: Collection[Arm] = ()) -> list[Idea]:
    """Return for each additive tried at two doses or more in one trial the dose to try next (`next_dose.next_dose`).

    A dose counts as shown where any trial showed it better; the top one as harmful where any showed it worse.

    >>> arms = (Arm("low", ((1, 0.1),), "", "not shown"), Arm("high", ((1, 0.4),), "", "better"))
    >>> round(next_on_ladders([Tried(7, arms, 1.25, 5)])[0].dose[1], 3)
    0.2
    """
    from trials.calc.next_dose import next_dose

    ideas = []
    for additive, base in _ladders(tried).items():
        by_dose: list[tuple[float, list[Arm]]] = []
        for arm in (arm for each in tried for arm in each.arms):
            if arm.alone and arm.alone[0] == additive:
                place = next((arms for dose, arms in by_dose if same_dose(dose, arm.alone[1])), None)
                place.append(arm) if place is not None else by_dose.append((arm.alone[1], [arm]))
        shown = {dose: any(arm.kind == "better" for arm in arms) for dose, arms in by_dose}
        worst = max(by_dose, key=lambda each: each[0])[1]
        found = next_dose(shown, top_harms=any(arm.kind == "worse" for arm in worst))
        again = [
            next(arms[0] for dose, arms in by_dose if dose == each) for each in found.again_ml_per_l if each
        ]
        if found.why == "again":
            at_dose = next(arms[0] for dose, arms in by_dose if dose == found.dose_ml_per_l)
        else:
            at_dose = Arm("", ((additive, found.dose_ml_per_l),), "", "")
        if _among(at_dose, under_way):
            continue
        settled = [arm for arm in again if _times_shown(arm, tried) > 1]
        arms = (at_dose, *again)
        dose = None if found.why == "again" else (additive, found.dose_ml_per_l)
        ideas.append(Idea("ladder", base, arms, len(arms) - len(settled), dose, found.why))
    return ideas


def to_confirm(tried: Sequence[Tried], under_way: Collection[Arm] = ()) -> list[Idea]:
    """Return the treatments shown better in one trial only; of an additive's doses in one trial the least that was shown.

    >>> rinse = Arm("rinse", ((1, 0.1),), "", "better")
    >>> len(to_confirm([Tried(7, (rinse,), 1.25, 5)])), to_confirm([Tried(7, (rinse,), 1.25, 5), Tried(8, (rinse,), 1.25, 5)])
    (1, [])
    """
    ideas = []
    for each in tried:
        once = [
            arm
            for arm in each.arms
            if arm.kind == "better" and _times_shown(arm, tried) == 1 and not _among(arm, under_way)
        ]
        least: dict[object, Arm] = {}
        for arm in sorted(once, key=lambda arm: arm.doses[0][1] if arm.doses else 0.0):
            least.setdefault(arm.alone[0] if arm.alone else arm.name, arm)
        if least:
            ideas.append(Idea("confirm", each, tuple(least.values()), len(least)))
    return ideas


def to_pair(tried: Sequence[Tried], under_way: Collection[Arm] = ()) -> list[Idea]:
    """Return the pairs of additives each shown better alone and never tried together, at the least dose shown of either.

    >>> first, second = Arm("a", ((1, 0.1),), "", "better"), Arm("b", ((2, 0.3),), "", "better")
    >>> [idea.treatments for idea in to_pair([Tried(7, (first, second), 1.25, 5)])]
    [4]
    """
    shown: dict[int, tuple[Arm, Tried]] = {}
    for each in tried:
        for arm in each.arms:
            if arm.alone and arm.kind == "better":
                known = shown.get(arm.alone[0])
                if known is None or arm.alone[1] < known[0].alone[1]:
                    shown[arm.alone[0]] = (arm, each)
    everything = [*(arm for each in tried for arm in each.arms), *under_way]
    together = [{additive for additive, _ in arm.doses} for arm in everything]
    ideas = []
    for first, second in combinations(sorted(shown), 2):
        if any({first, second} <= both for both in together):
            continue
        (one, base), (other, _) = shown[first], shown[second]
        both = Arm("", (*one.doses, *other.doses), "", "")
        ideas.append(Idea("pair", base, (one, other, both), 1))
    return ideas


def costs_gold(doses: Iterable[Dosed], tried: Sequence[Tried], under_way: Collection[Arm] = ()) -> list[Idea]:
    """Return the flocculant doses that no closed trial has held against its control for gold, and no open one does.

    >>> [idea.dose for idea in costs_gold([(3, 0.2)], [])]
    [(3, 0.2)]
    """
    known = [*(arm for each in tried for arm in each.arms), *under_way]
    ideas: list[Idea] = []
    for additive, dose in doses:
        asked = [idea.dose for idea in ideas]
        if any(
            additive == other and same_dose(dose, at)
            for other, at in [*(each for arm in known for each in arm.doses), *asked]
        ):
            continue
        base = tried[0] if tried else None
        arm = Arm("", ((additive, dose),), "", "")
        ideas.append(Idea("gold", base, (arm,), 1, (additive, dose)))
    return ideas


def plan_of(idea: Idea, run_min: float) -> Plan:
    """Return the blocks an idea takes to see the stated ratio 8 times in 10, and what that settles per hour.

    Parameters
    ----------
    idea : Idea
        Without a closed trial behind it, or without a spread there, USUAL_SPREAD and USUAL_RATIO stand in.
    run_min : float, above 0
        Minutes of panning one run takes; soaking is not counted.

    Notes
    -----
    Between FEWEST_BLOCKS and MOST_BLOCKS, read by itself. Power by `power.power_against_control`, at the ratio stated and never
    at the one seen. Settled: the comparisons not settled so far, each times that chance. By places the blocks are those in
    which a treatment that wins 3 in 4 is seen 8 times in 10, as its verdict reckoned.

    >>> plan = plan_of(Idea("open", None, (Arm("", (), "other pan", ""),), 1), run_min=30)
    >>> plan.runs, plan.blocks_wanted, round(plan.power, 2), plan.hours
    (40, 41, 0.48, 20.0)
    """
    if not (run_min > 0 and math.isfinite(run_min)):
        raise ValueError(f"{run_min} min a run: it must be above 0.")
    base = idea.base
    ratio = base.ratio if base else USUAL_RATIO
    spread = base.spread if base and base.spread else None
    if base is not None and base.by_places:
        wanted = base.blocks + max((arm.more_blocks or 0 for arm in idea.arms), default=0)
        blocks, power = _within(wanted), POWER
    else:
        wanted, blocks, power = _blocks_and_power(idea, spread or USUAL_SPREAD, ratio)
    runs = blocks * idea.treatments
    hours = runs * run_min / 60
    settled = idea.unsettled * power
    return Plan(
        treatments=idea.treatments,
        blocks=blocks,
        runs=runs,
        hours=hours,
        ratio=ratio,
        power=power,
        settled=settled,
        per_hour=settled / hours,
        spread=spread or USUAL_SPREAD,
        spread_assumed=spread is None,
        spread_thin=spread is not None and (base.df or 0) < FEWEST_DF,
        blocks_wanted=wanted,
    )


def in_order(plans: Sequence[Plan]) -> list[int]:
    """Return the places of the plans, what settles most per hour of panning first; of equals the shorter one.

    >>> few = plan_of(Idea("open", None, (Arm("", (), "other pan", ""),), 1), run_min=10)
    >>> in_order([plan_of(Idea("open", None, (Arm("", (), "other pan", ""),), 1), run_min=30), few])
    [1, 0]
    """
    return sorted(range(len(plans)), key=lambda place: (-plans[place].per_hour, plans[place].hours))


def _blocks_and_power(idea: Idea, spread: float, ratio: float) -> tuple[int | None, int, float]:
    from trials.calc.power import blocks_needed, power_against_control

    share, dispersion = (idea.base.chance_share, idea.base.dispersion) if idea.base else (0.0, None)
    if dispersion is not None:
        dispersion = max(1.0, dispersion)
    wanted = blocks_needed(spread, ratio, idea.treatments, POWER, chance_share=share, dispersion=dispersion)
    blocks = _within(wanted)
    power = power_against_control(
        spread, ratio, blocks, idea.treatments, chance_share=share, dispersion=dispersion
    )
    return wanted, blocks, power


def _within(blocks: int | None) -> int:
    return MOST_BLOCKS if blocks is None else min(MOST_BLOCKS, max(FEWEST_BLOCKS, blocks))


def _among(arm: Arm, others: Iterable[Arm]) -> bool:
    return any(arm.is_like(other) for other in others)


def _times_shown(arm: Arm, tried: Sequence[Tried]) -> int:
    """In how many trials this treatment was shown better."""
    return sum(any(other.kind == "better" and arm.is_like(other) for other in each.arms) for each in tried)


def _ladders(tried: Sequence[Tried]) -> dict[int, Tried]:
    """The newest trial of each additive that holds two doses or more of it alone."""
    found: dict[int, Tried] = {}
    for each in tried:
        doses: dict[int, int] = defaultdict(int)
        for arm in each.arms:
            if arm.alone:
                doses[arm.alone[0]] += 1
        for additive, number in doses.items():
            if number > 1:
                found.setdefault(additive, each)
    return found
