"""Whether grades stand in another unit than the title over them says: a thousand times, or 34 times, off.

The two classic slips of a certificate are ppb under a title of ppm, and troy ounces per short ton under g/t (common practice,
no source). Ore of one vein scatters several-fold, not three hundred-fold, so a slip of a thousand shows against anything known
beforehand; one of 34 only where the same material is compared. Pans are known beforehand too, but catch free gold only: a
reading stands off them by such a factor only after what a pan may have missed is allowed for.
"""

import statistics
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from prospecting.calc.units import convert_grade

THOUSAND = (Decimal(300), Decimal(3000))
OUNCE = convert_grade(Decimal(1), "ozt_per_short_ton", "g_per_t")
# Repeats of one powder rarely differ more than this (our own limit, no source).
NEAR = Decimal("1.5")
# A pan catches free gold only: a fifth of all the gold, or more, in ore that is panned at all (common practice, no source).
LEAST_CAUGHT = Decimal("0.2")


@dataclass(frozen=True)
class UnitJump:
    """How far a column is off: `times` 1000 or 34, whether it reads too high, and both middle grades in g/t."""

    times: int
    is_higher: bool
    read_g_per_t: Decimal
    known_g_per_t: Decimal


@dataclass(frozen=True)
class PanPair:
    """A reading beside what pans of the same material gave (`is_same`), or of its zone and of what it was made from; g/t."""

    read_g_per_t: Decimal
    panned_g_per_t: Decimal
    is_same: bool

    def meant_g_per_t(self, factor: Decimal, *, is_higher: bool) -> Decimal:
        """What was read, with the slip taken back."""
        return self.read_g_per_t / factor if is_higher else self.read_g_per_t * factor

    def slips(self, factor: Decimal, *, is_higher: bool) -> bool:
        """Whether a pan caught a likely part of the gold if the reading is off by this factor."""
        caught = self.panned_g_per_t / self.meant_g_per_t(factor, is_higher=is_higher)
        return LEAST_CAUGHT <= caught <= NEAR


@dataclass(frozen=True)
class PanJump:
    """A column that is off against pans: `times` 1000 or 34, `places` of the pairs that are, and the middle one of them.

    `meant_g_per_t` is its reading with the slip taken back. `caught_as_printed` and `caught_if_meant` are what was panned over
    each of the two, as fractions.
    """

    times: int
    is_higher: bool
    places: tuple[int, ...]
    is_same: bool
    meant_g_per_t: Decimal
    caught_as_printed: Decimal
    caught_if_meant: Decimal


def jump_against(read: Sequence[Decimal], known: Sequence[Decimal]) -> UnitJump | None:
    """Return the jump of a thousand between the middle of a column and the middle of what is known of like ore.

    Grades in g/t; noughts are left out. None without any on one side, and for every smaller difference.

    >>> jump_against([Decimal(4100), Decimal(3800)], [Decimal("4.0")]).times
    1000
    """
    middles = _middle(read), _middle(known)
    return None if None in middles else _jump(*middles, with_ounces=False)


def jump_of_pairs(pairs: Sequence[tuple[Decimal, Decimal]]) -> UnitJump | None:
    """Return the jump between readings of the same material, (read, known) in g/t: a thousand, or 34 as well.

    >>> jump_of_pairs([(Decimal("0.12"), Decimal("4.1")), (Decimal("0.03"), Decimal("1.0"))]).times
    34
    """
    usable = [(read, known) for read, known in pairs if read > 0 and known > 0]
    if not usable:
        return None
    # The pair with the middle ratio stands for the column.
    read, known = sorted(usable, key=lambda pair: pair[0] / pair[1])[(len(usable) - 1) // 2]
    return _jump(read, known, with_ounces=True)


def jump_against_pans(pairs: Sequence[PanPair]) -> PanJump | None:
    """Return the jump of readings against pans; None where none shows. Noughts are left out.

    With pans of the same material each reading of a thousand is found by itself, and a column of 34; with pans of like ground,
    whose ore scatters, only a column of a thousand. A pan that caught a fifth of the gold or more is never asked about.

    >>> jump_against_pans([PanPair(Decimal(4100), Decimal("2.05"), True)]).caught_if_meant
    Decimal('0.5')
    >>> jump_against_pans([PanPair(Decimal("4.1"), Decimal("2.05"), True)]) is None
    True
    """
    usable = [place for place, pair in enumerate(pairs) if pair.read_g_per_t > 0 and pair.panned_g_per_t > 0]
    same = [place for place in usable if pairs[place].is_same]
    others = [place for place in usable if not pairs[place].is_same]
    for places, factor, by_itself in ((same, 1000, True), (same, OUNCE, False), (others, 1000, False)):
        for is_higher in (True, False):
            off = [place for place in places if pairs[place].slips(factor, is_higher=is_higher)]
            if off and (by_itself or _middle_place(pairs, places) in off):
                return _pan_jump(pairs, off, factor, is_higher)
    return None


def _middle_place(pairs: Sequence[PanPair], places: Sequence[int]) -> int:
    """The place of the pair whose ratio is the middle one; it stands for the others."""
    ordered = sorted(places, key=lambda place: pairs[place].read_g_per_t / pairs[place].panned_g_per_t)
    return ordered[(len(ordered) - 1) // 2]


def _pan_jump(pairs: Sequence[PanPair], off: Sequence[int], factor: Decimal, is_higher: bool) -> PanJump:
    middle = pairs[_middle_place(pairs, off)]
    meant = middle.meant_g_per_t(factor, is_higher=is_higher)
    return PanJump(
        times=int(factor),
        is_higher=is_higher,
        places=tuple(off),
        is_same=middle.is_same,
        meant_g_per_t=meant,
        caught_as_printed=middle.panned_g_per_t / middle.read_g_per_t,
        caught_if_meant=middle.panned_g_per_t / meant,
    )


def _jump(read: Decimal, known: Decimal, *, with_ounces: bool) -> UnitJump | None:
    factor = max(read, known) / min(read, known)
    if THOUSAND[0] <= factor <= THOUSAND[1]:
        return UnitJump(1000, read > known, read, known)
    if with_ounces and OUNCE / NEAR <= factor <= OUNCE * NEAR:
        return UnitJump(34, read > known, read, known)
    return None


def _middle(grades: Sequence[Decimal]) -> Decimal | None:
    usable = [grade for grade in grades if grade > 0]
    return statistics.median(usable) if usable else None


class Others:
    """Many grades of which each is to be set against all the others, without sorting them anew for each."""

    def __init__(self, grades: Sequence[Decimal]) -> None:
        self._sorted = sorted(grade for grade in grades if grade > 0)

    def hold(self, grade: Decimal) -> bool:
        """Whether a grade of these lies between two others, so that nothing is to be asked of it."""
        return len(self._sorted) > 2 and self._sorted[0] < grade < self._sorted[-1]

    def of(self, grade: Decimal) -> list[Decimal]:
        """Least, middle and largest of the others; fewer where there are fewer.

        >>> Others([Decimal(1), Decimal(2), Decimal(3), Decimal(9)]).of(Decimal(9))
        [Decimal('1'), Decimal('2'), Decimal('3')]
        """
        own = bisect_left(self._sorted, grade)
        has_own = own < len(self._sorted) and self._sorted[own] == grade
        number = len(self._sorted) - has_own
        if number == 0:
            return []

        def at(place: int) -> Decimal:
            return self._sorted[place + (has_own and place >= own)]

        middle = (at((number - 1) // 2) + at(number // 2)) / 2
        return [at(0), middle, at(number - 1)]
