"""The family tree of a lot as lines to be read, and which of its descendants are still the same material."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from prospecting.calc.ancestry import Edge, TreeRow, rows_down, rows_up
from prospecting.models import Lot, Step
from prospecting.models.lineage import edges_down, edges_up

MOST_LINES = 100
# On a phone a deeper indent would leave no room for the words; from here on the number of steps is written out.
DEEPEST_INDENT = 5
# What these make has the parent's grade but for chance: nothing is added, sorted out or won from it.
ALIKE = (Step.Kind.DRY, Step.Kind.CRUSH, Step.Kind.SPLIT, Step.Kind.CUT, Step.Kind.ASSAY)


@dataclass(frozen=True)
class Line:
    """One line: `mass_g` drawn by `step` from the lot nearer to the root or, upward, from `lot` itself.

    `lot` is None for a step that made none; `made` is how many lots the step made, `again` that a line above told of the same
    draw already and made another lot. `opens` starts an indented list before
    the line, `has_below` says that the next line belongs under it, `closes` counts the lists that end after it.
    """

    lot: Lot | None
    step: Step
    mass_g: Decimal
    made: int
    again: bool
    depth: int
    seen_above: bool
    opens: bool
    has_below: bool
    closes: range

    @property
    def is_deep(self) -> bool:
        return self.depth > DEEPEST_INDENT


@dataclass(frozen=True)
class Tree:
    """The lines shown, and how many there are in all."""

    lines: Sequence[Line]
    in_all: int

    @property
    def is_cut(self) -> bool:
        return self.in_all > len(self.lines)

    @property
    def is_long(self) -> bool:
        return self.in_all > 12


@dataclass(frozen=True)
class Family:
    """Where a lot came from, what became of it, and `alike`: its own id and those of lots that are the same material."""

    up: Tree
    down: Tree
    alike: frozenset[int]


def family_of(lot: Lot) -> Family:
    """Both trees of a lot: one recursive query each way, one for the steps, one for the lots that are shown."""
    above, below = edges_up(lot), edges_down(lot)
    up, down = rows_up(above, lot.pk), rows_down(below, lot.pk)
    shown = [*up[:MOST_LINES], *down[:MOST_LINES]]
    steps = Step.objects.in_bulk({edge.step for edge in below} | {row.step for row in shown})
    lots = Lot.objects.in_bulk({row.lot for row in shown if row.lot is not None})
    kinds = {pk: step.kind for pk, step in steps.items()}
    return Family(
        up=_tree(up, above, steps, lots),
        down=_tree(down, below, steps, lots),
        alike=alike(lot.pk, below, kinds),
    )


def alike(root: int, edges: Iterable[Edge], kinds: Mapping[int, str]) -> frozenset[int]:
    """The lot and every lot made from it by steps that leave the grade as it is; `kinds` maps a step to its kind."""
    children: dict[int, list[int]] = defaultdict(list)
    for edge in edges:
        if edge.child is not None and kinds[edge.step] in ALIKE:
            children[edge.parent].append(edge.child)
    found = {root}
    waiting = [root]
    while waiting:
        new = [child for child in children[waiting.pop()] if child not in found]
        found.update(new)
        waiting.extend(new)
    return frozenset(found)


def _tree(
    rows: Sequence[TreeRow], edges: Iterable[Edge], steps: Mapping[int, Step], lots: Mapping[int, Lot]
) -> Tree:
    made: dict[int, set[int]] = defaultdict(set)
    for edge in edges:
        if edge.child is not None:
            made[edge.step].add(edge.child)
    shown = rows[:MOST_LINES]
    indents = [min(row.depth, DEEPEST_INDENT) for row in shown]
    lines = []
    # The lot each line hangs under, by depth, and which draws from it were told.
    under: dict[int, int | None] = {}
    told: set[tuple[int | None, int]] = set()
    for row, indent, before, after in zip(shown, indents, [1, *indents], [*indents[1:], 1], strict=False):
        under[row.depth] = row.lot
        draw = (under.get(row.depth - 1), row.step)
        lines.append(
            Line(
                lot=lots.get(row.lot),
                step=steps[row.step],
                mass_g=row.mass_g,
                made=len(made[row.step]),
                again=draw in told,
                depth=row.depth,
                seen_above=row.seen_above,
                opens=indent > before,
                has_below=after > indent,
                closes=range(max(0, indent - after)),
            )
        )
        told.add(draw)
    return Tree(lines=lines, in_all=len(rows))
