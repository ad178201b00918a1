"""Which lots are one and the same material, and how much of one material went into another: plain ids and masses.

Drying, crushing, splitting, cutting and taking for assay leave a lot the material it was; blending, screening and digging make
a new one. What a recovery left is its own making and nobody's grade.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple


class Link(NamedTuple):
    """A draw behind a lot: `made` came out of a step of this `kind`, which took `mass_g` from `drawn`."""

    made: int
    kind: str
    drawn: int
    mass_g: float


@dataclass(frozen=True)
class Part:
    """`share` (0 to 1) of a material's mass came from `material`; `is_sorted` says that a screen stands between the two."""

    material: int
    share: float
    is_sorted: bool = False


def covered_share(parts: Iterable[Part]) -> float:
    """Return how much of a material these parts make up together, at most 1 for what rounding adds.

    >>> covered_share([Part(1, 0.25), Part(2, 0.5)])
    0.75
    """
    return min(1.0, sum(part.share for part in parts))


@dataclass(frozen=True)
class Kinds:
    """The kinds of steps told apart: those that leave the material alike, those that sort by size, and recoveries."""

    alike: Collection[str]
    sorting: Collection[str]
    recovering: Collection[str]


class Materials:
    """The materials behind lots, from the draws that lead to them; `of` names each by the id of its first lot."""

    def __init__(self, links: Iterable[Link], kinds: Kinds) -> None:
        self._kinds = kinds
        self._into: dict[int, list[Link]] = defaultdict(list)
        for link in links:
            self._into[link.made].append(link)
        self._named: dict[int, int | None] = {}

    def of(self, lot: int) -> int | None:
        """Return the id of the lot this material began as; None where a recovery stands on the way.

        >>> kinds = Kinds(("crush",), ("screen",), ("recover",))
        >>> Materials([Link(3, "crush", 2, 90.0), Link(2, "blend", 1, 100.0)], kinds).of(3)
        2
        """
        on_the_way = []
        while lot not in self._named:
            on_the_way.append(lot)
            into = self._into.get(lot, [])
            if any(link.kind in self._kinds.recovering for link in into):
                self._named[lot] = None
            elif len(into) == 1 and into[0].kind in self._kinds.alike:
                lot = into[0].drawn
                continue
            else:
                self._named[lot] = lot
        for each in on_the_way:
            self._named[each] = self._named[lot]
        return self._named[lot]

    def parts(self, material: int, known: Collection[int]) -> list[Part]:
        """Return the nearest materials among `known` that went into this one, each with its share of the mass.

        The material itself where it is known; else what it was made of, as far back as need be. Behind a known material
        nothing is looked for, so no mass counts twice; shares may sum to less than 1.
        """
        found: Mapping[int, list] = defaultdict(lambda: [0.0, False])
        # A stack instead of recursion: books may go many generations back.
        stack = [(material, 1.0, False)]
        while stack:
            each, share, is_sorted = stack.pop()
            if each in known:
                found[each][0] += share
                found[each][1] |= is_sorted
                continue
            into = self._into.get(each, [])
            whole = sum(link.mass_g for link in into)
            for link in into:
                source = self.of(link.drawn)
                if source is not None and whole > 0:
                    sorts = is_sorted or link.kind in self._kinds.sorting
                    stack.append((source, share * link.mass_g / whole, sorts))
        return [Part(each, share, is_sorted) for each, (share, is_sorted) in sorted(found.items())]
