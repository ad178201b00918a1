"""Renewing a test lot: what to blend from what is on hand so that the new lot resembles the old one, and how long one lasts."""

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_FLOOR, Decimal

from prospecting.calc.language import phrase

WHOLE_GRAM = Decimal(1)


@dataclass(frozen=True)
class Candidate:
    """A lot that could go into the blend: what is on hand (g), its share from each zone, its top size (µm) and dryness."""

    lot: Hashable
    on_hand_g: Decimal
    zone_shares: Mapping[Hashable, Decimal]
    top_size_um: Decimal | None
    is_dry: bool


@dataclass(frozen=True)
class ZoneFit:
    """One zone's share of the old lot and of the proposed blend, and the mass of it that is missing, in g."""

    zone: Hashable
    wanted: Decimal
    got: Decimal
    missing_g: Decimal

    # Whether what is missing is more than 1 % of the wanted mass: less is lost in weighing.
    is_short: bool

    @property
    def difference(self) -> Decimal:
        return self.got - self.wanted


@dataclass(frozen=True)
class BlendProposal:
    """How much to take of which lots. `short_g` is what all of them together lack of the wanted mass."""

    masses_g: dict[Hashable, Decimal]
    zones: tuple[ZoneFit, ...]
    short_g: Decimal

    @property
    def mass_g(self) -> Decimal:
        return sum(self.masses_g.values(), Decimal(0))

    @property
    def largest_difference(self) -> Decimal:
        """How far the worst zone's share lies from the old lot's, 0 to 1."""
        return max((abs(zone.difference) for zone in self.zones), default=Decimal(0))


def work_needed(candidate: Candidate, top_size_um: Decimal | None, is_dry: bool) -> list[str] | None:
    """Return what must be done before the lot is like the old one in size and dryness; None when nothing can make it so.

    `top_size_um` and `is_dry` are the old lot's; without a known size of the old lot no size is asked for. Material that is
    finer already cannot be made coarser, and dried material is not wetted.

    >>> bucket = Candidate("KX7", Decimal(9000), {}, None, is_dry=False)
    >>> work_needed(bucket, Decimal(850), is_dry=True)
    ['dry', 'crush and screen']
    """
    if candidate.is_dry and not is_dry:
        return None
    work = [phrase("dry")] if is_dry and not candidate.is_dry else []
    if top_size_um is None or candidate.top_size_um == top_size_um:
        return work
    if candidate.top_size_um is not None and candidate.top_size_um < top_size_um:
        return None
    return [*work, phrase("crush and screen")]


def propose_blend(
    candidates: Sequence[Candidate], target: Mapping[Hashable, Decimal], wanted_g: Decimal
) -> BlendProposal:
    """Return the blend of these lots whose zone shares come closest to the old lot's.

    Parameters
    ----------
    candidates : sequence of Candidate
        Lots that are ready to go in; each with something on hand, none twice. Otherwise ValueError.
    target : mapping of zone to share
        The old lot's shares, 0 to 1, adding up to 1 (within 1e-6); otherwise ValueError.
    wanted_g : Decimal, above 0
        Mass of the new lot in g. More than all candidates hold gives a blend of all of them, and `short_g`.

    Notes
    -----
    Taking x g of each lot, between nothing and what is on hand and `wanted_g` in all, makes every zone's share a plain sum; the
    masses chosen are those that make the largest difference of any zone from its wanted share as small as it can be: a linear
    programme, solved exactly but for rounding by scipy.optimize.linprog (HiGHS). Masses are then rounded to whole grams, what
    rounding leaves over going to the first lots that have room for it. Every lot is taken as well mixed.

    >>> north = Candidate("A", Decimal(8000), {"north": Decimal(1)}, None, True)
    >>> south = Candidate("B", Decimal(8000), {"south": Decimal(1)}, None, True)
    >>> found = propose_blend([north, south], {"north": Decimal("0.7"), "south": Decimal("0.3")}, Decimal(10000))
    >>> found.masses_g == {"A": Decimal(7000), "B": Decimal(3000)}
    True
    """
    _check(candidates, target, wanted_g)
    in_all_g = sum((each.on_hand_g for each in candidates), Decimal(0))
    mass_g = min(wanted_g, in_all_g)
    masses_g = _closest(candidates, target, mass_g) if mass_g else {}
    zones = dict.fromkeys([*target, *(zone for each in candidates for zone in each.zone_shares)])
    got_g = {
        zone: sum(
            (masses_g.get(each.lot, Decimal(0)) * each.zone_shares.get(zone, 0) for each in candidates),
            Decimal(0),
        )
        for zone in zones
    }
    return BlendProposal(
        masses_g=masses_g,
        zones=tuple(
            _fit(zone, target.get(zone, Decimal(0)), got_g[zone], mass_g, wanted_g)
            for zone in zones
            if target.get(zone) or got_g[zone]
        ),
        short_g=wanted_g - mass_g,
    )


def portions_in(mass_g: Decimal, portion_g: Decimal) -> int:
    """Return how many portions of `portion_g` it takes to make up `mass_g`, the last one counted whole.

    A portion of nothing raises ValueError.

    >>> portions_in(Decimal(1000), Decimal(454))
    3
    """
    if portion_g <= 0:
        raise ValueError(f"A portion weighs more than nothing ({portion_g} g).")
    return math.ceil(mass_g / portion_g)


def days_left(portions: int, used: int, over_days: int) -> int | None:
    """Return in how many days so many portions are used up at the rate of `used` in `over_days`; None when none was used.

    A number below zero, or no days to look back on, raises ValueError.

    >>> days_left(12, used=9, over_days=90)
    120
    """
    if portions < 0 or used < 0 or over_days < 1:
        raise ValueError(f"{portions} portions, {used} used in {over_days} days: that cannot be.")
    return portions * over_days // used if used else None


def _check(candidates: Sequence[Candidate], target: Mapping[Hashable, Decimal], wanted_g: Decimal) -> None:
    if wanted_g <= 0:
        raise ValueError(f"A blend weighs more than nothing ({wanted_g} g).")
    if abs(sum(target.values(), Decimal(0)) - 1) > Decimal("1e-6") or min(target.values(), default=0) < 0:
        raise ValueError("The old lot's shares must be none below zero and add up to 1.")
    if len({each.lot for each in candidates}) < len(candidates):
        raise ValueError("A lot is listed twice.")
    if any(each.on_hand_g <= 0 for each in candidates):
        raise ValueError("A lot with nothing on hand cannot go into a blend.")


def _fit(zone: Hashable, wanted: Decimal, got_g: Decimal, mass_g: Decimal, wanted_g: Decimal) -> ZoneFit:
    missing_g = max(Decimal(0), wanted * wanted_g - got_g)
    return ZoneFit(
        zone=zone,
        wanted=wanted,
        got=got_g / mass_g if mass_g else Decimal(0),
        missing_g=missing_g,
        is_short=missing_g > wanted_g / 100,
    )


def _closest(
    candidates: Sequence[Candidate], target: Mapping[Hashable, Decimal], mass_g: Decimal
) -> dict[Hashable, Decimal]:
    """The masses, each as a part of `mass_g` while they are looked for: the last unknown is the largest difference."""
    import numpy as np
    from scipy.optimize import linprog

    zones = list(dict.fromkeys([*target, *(zone for each in candidates for zone in each.zone_shares)]))
    shares = np.array([[float(each.zone_shares.get(zone, 0)) for each in candidates] for zone in zones])
    wanted = np.array([float(target.get(zone, 0)) for zone in zones])
    margin = -np.ones((len(zones), 1))
    room = [(0.0, float(each.on_hand_g / mass_g)) for each in candidates]
    solved = linprog(
        [0.0] * len(candidates) + [1.0],
        A_ub=np.vstack([np.hstack([shares, margin]), np.hstack([-shares, margin])]),
        b_ub=np.concatenate([wanted, -wanted]),
        A_eq=[[1.0] * len(candidates) + [0.0]],
        b_eq=[1.0],
        bounds=[*room, (0.0, None)],
        method="highs",
    )
    if not solved.success:
        raise ValueError(f"No blend was found: {solved.message}")
    parts = [max(Decimal(0), Decimal(float(part)) * mass_g) for part in solved.x[:-1]]
    # A hair is added before the floor: 6999.9999999 g is 7000 g.
    masses = [
        min((part + Decimal("1e-4")).quantize(WHOLE_GRAM, ROUND_FLOOR), each.on_hand_g)
        for part, each in zip(parts, candidates, strict=True)
    ]
    over = mass_g - sum(masses, Decimal(0))
    for place in sorted(range(len(masses)), key=lambda place: -masses[place]):
        change = max(min(over, candidates[place].on_hand_g - masses[place]), -masses[place])
        masses[place] += change
        over -= change
    return {each.lot: mass for each, mass in zip(candidates, masses, strict=True) if mass > 0}
