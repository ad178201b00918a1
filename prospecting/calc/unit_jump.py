"""Whether a whole column of grades stands in another unit than its title says: a thousand times, or 34 times, off.

The two classic slips of a certificate are ppb under a title of ppm, and troy ounces per short ton under g/t (common practice,
no source). Ore of one vein scatters several-fold, not three hundred-fold, so a slip of a thousand shows against anything known
beforehand; one of 34 only where the same material is compared.
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


@dataclass(frozen=True)
class UnitJump:
    """How far a column is off: `times` 1000 or 34, whether it reads too high, and both middle grades in g/t."""

    times: int
    is_higher: bool
    read_g_per_t: Decimal
    known_g_per_t: Decimal


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
