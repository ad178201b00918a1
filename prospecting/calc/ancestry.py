"""The family of a lot from plain numbers: how far back each lot stands, what is alike in it, in which order it is drawn."""

import datetime
from collections import defaultdict
from collections.abc import Collection, Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import islice, zip_longest
from operator import itemgetter

# (draw, lot nearer to the one asked about, step, lot farther from it; None where the step made no lot).
Link = tuple[int, int, int, int | None]
# (onward, generation, draw, lot): see Rows.
RowKey = tuple[bool, int, int | None, int | None]


@dataclass(frozen=True)
class TreeRow:
    """One line of a tree: `lot` (None for a step that made nothing) at `depth` 1 and deeper, by this draw of this step.

    `seen_above` marks a lot whose own branch was printed higher up already, so that a lot reached on many ways is
    spelled out once.
    """

    depth: int
    lot: int | None
    step: int
    draw: int
    seen_above: bool


@dataclass(frozen=True)
class Walk:
    """Everything on one way from a lot, nearest first.

    `generations` holds the links, one list for each step away; `filled`, going back, the lots of each generation no step drew
    for, which a dig filled. `lots` counts the lots met and `draws` the draws.
    """

    onward: bool
    generations: Sequence[Sequence[Link]]
    filled: Sequence[Sequence[int]]
    lots: int
    draws: int


class Rows(Sequence):
    """Row keys of walks, nearest first, written out only where they are asked for: of ten thousand a page shows thirty.

    Each is (onward, generation, draw, None), a draw once; or (False, generation, None, lot) for a lot a dig filled.
    """

    def __init__(self, *walks: Walk) -> None:
        self.walks = walks

    def __len__(self) -> int:
        return sum(walk.draws + sum(map(len, walk.filled)) for walk in self.walks)

    def __getitem__(self, asked: slice) -> list[RowKey]:
        return list(islice(self, *asked.indices(len(self))))

    def __iter__(self) -> Iterator[RowKey]:
        for walk in self.walks:
            told: set[int] = set()
            both = zip_longest(walk.generations, walk.filled, fillvalue=())
            for generation, (links, filled) in enumerate(both, start=1):
                draws = {link[0] for link in links} - told
                told |= draws
                yield from ((walk.onward, generation, draw, None) for draw in sorted(draws))
                yield from ((False, generation, None, lot) for lot in sorted(filled))


@dataclass(frozen=True)
class Group:
    """Lots or steps that are drawn as one: of one kind, made and used alike.

    `mass_g` is what the lots weighed when they were made, None for steps. `facts` are words of its own (gold, readings, zone).
    `others_in`, `others_out`: lots beyond the family a step also drew from or also made, with their mass. `goes_on`
    ("back" or "onward") says that the family goes on at this place and is not drawn.
    """

    key: int
    is_step: bool
    kind: str
    word: str
    number: int
    url: str = ""
    mass_g: Decimal | None = None
    codes: Sequence[str] = ()
    days: tuple[datetime.date, datetime.date] | None = None
    facts: Sequence[str] = ()
    loss_g: Decimal = Decimal(0)
    others_in: int = 0
    others_in_g: Decimal = Decimal(0)
    others_out: int = 0
    others_out_g: Decimal = Decimal(0)
    is_root: bool = False
    is_void: bool = False
    is_marked: bool = False
    goes_on: str = ""


@dataclass(frozen=True)
class Flow:
    """`mass_g` from one group to another: drawn by a step (`is_draw`), or what it made."""

    source: int
    target: int
    mass_g: Decimal
    is_draw: bool


def tree_rows(links: Iterable[Link], root: int) -> list[TreeRow]:
    """The lots one step from `root`, each followed by those one step further.

    A loop among the links (impossible in books that balance) raises ValueError that names the lot.
    """
    by_near: dict[int, list[Link]] = defaultdict(list)
    for link in links:
        by_near[link[1]].append(link)
    rows: list[TreeRow] = []
    spelled_out = {root}
    # A stack instead of recursion: a lot may be many generations deep. Each entry: link, depth, the lots above it.
    stack = [(link, 1, (root,)) for link in reversed(by_near[root])]
    while stack:
        (draw, _, step, lot), depth, above = stack.pop()
        if lot in above:
            raise ValueError(f"lot {lot} is among its own ancestors")
        seen = lot in spelled_out
        rows.append(TreeRow(depth=depth, lot=lot, step=step, draw=draw, seen_above=seen))
        if lot is None or seen:
            continue
        spelled_out.add(lot)
        stack.extend((further, depth + 1, (*above, lot)) for further in reversed(by_near.get(lot, [])))
    return rows


def walked(links: Sequence[Link], root: int, *, onward: bool) -> Walk:
    """The links sorted by the fewest steps they lie from `root`; where they don't lead onward they lead to the ground.

    >>> list(Rows(walked([(7, 3, 12, 2), (6, 2, 11, 1)], 3, onward=False)))
    [(False, 1, 7, None), (False, 2, 6, None), (False, 3, None, 1)]
    """
    by_near: dict[int, list[Link]] = defaultdict(list)
    for link in links:
        by_near[link[1]].append(link)
    generations: list[list[Link]] = []
    filled: list[list[int]] = []
    met: set[int | None] = {root, None}
    level: Collection[int] = [root]
    while level:
        here: list[Link] = []
        unmade: list[int] = []
        for lot in level:
            own = by_near.get(lot)
            if own is not None:
                here += own
            else:
                unmade.append(lot)
        if here:
            generations.append(here)
        if not onward:
            filled.append(unmade)
        level = {*map(itemgetter(3), here)} - met
        met |= level
    return Walk(
        onward=onward,
        generations=generations,
        filled=filled,
        lots=len(met) - 2,
        draws=len({*map(itemgetter(0), links)}),
    )


def nearest(walk: Walk, most: int, most_first: int) -> int:
    """How many generations together hold at most `most` links; the first alone may hold `most_first`."""
    held = 0
    for number, links in enumerate(walk.generations):
        held += len(links)
        if held > (most if number else most_first):
            return number
    return len(walk.generations)


def levels(flows: Iterable[tuple[Hashable, Hashable]]) -> dict[Hashable, int]:
    """The most flows that lead to each node from a node nothing flows to, 0 for these themselves.

    A loop raises ValueError.

    >>> levels([("a", "b"), ("b", "c"), ("a", "c")])
    {'a': 0, 'b': 1, 'c': 2}
    """
    onward: dict[Hashable, list] = defaultdict(list)
    waits: dict[Hashable, int] = {}
    for source, target in flows:
        onward[source].append(target)
        waits.setdefault(source, 0)
        waits[target] = waits.get(target, 0) + 1
    found = {node: 0 for node, number in waits.items() if number == 0}
    ready = list(found)
    for node in ready:
        for target in onward[node]:
            found[target] = max(found.get(target, 0), found[node] + 1)
            waits[target] -= 1
            if waits[target] == 0:
                ready.append(target)
    if len(ready) < len(waits):
        raise ValueError("a lot is among its own ancestors")
    return found


def alike(
    colours: Mapping[Hashable, Hashable], flows: Iterable[tuple[Hashable, Hashable]]
) -> dict[Hashable, int]:
    """A group number for each node: two nodes share one when their colours are equal and their neighbours' groups are, on
    both sides. However many neighbours of one group there are makes no difference.

    >>> groups = alike({"a": 0, "b": 0, "c": 1, "d": 1, "e": 1}, [("a", "c"), ("b", "d")])
    >>> groups["a"] == groups["b"], groups["c"] == groups["d"], groups["c"] == groups["e"]
    (True, True, False)
    """
    before: dict[Hashable, list] = defaultdict(list)
    after: dict[Hashable, list] = defaultdict(list)
    for source, target in flows:
        before[target].append(source)
        after[source].append(target)
    groups = _numbered(colours)
    while True:
        seen = {
            node: (
                group,
                frozenset(groups[other] for other in before[node]),
                frozenset(groups[other] for other in after[node]),
            )
            for node, group in groups.items()
        }
        finer = _numbered(seen)
        if len(set(finer.values())) == len(set(groups.values())):
            return groups
        groups = finer


def part_g(mass_g: Decimal, share: Decimal) -> Decimal:
    """The mass in g that a share (0 to 1) of a well mixed lot is."""
    return mass_g * share


def _numbered(values: Mapping[Hashable, Hashable]) -> dict[Hashable, int]:
    numbers: dict[Hashable, int] = {}
    return {node: numbers.setdefault(value, len(numbers)) for node, value in values.items()}
