"""The family tree of a lot as rows to be printed, from plain pairs of ids; never imports Django."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal


@dataclass(frozen=True)
class Edge:
    """`mass_g` of lot `parent` went through step `step`, which made lot `child` (None: it made no lot)."""

    parent: int
    step: int
    child: int | None
    mass_g: Decimal


@dataclass(frozen=True)
class TreeRow:
    """One line of the tree: `lot` (None for a step that made nothing) at `depth` 1 and deeper.

    `seen_above` marks a lot whose own branch was printed higher up already, so that a lot reached on many ways is
    spelled out once.
    """

    depth: int
    lot: int | None
    step: int
    mass_g: Decimal
    seen_above: bool


def rows_up(edges: Iterable[Edge], root: int) -> list[TreeRow]:
    """The lots `root` was made from, each followed by those it was made from itself.

    A loop among the edges (impossible in books that balance) raises ValueError that names the lot.
    """
    parents: dict[int, list[Edge]] = defaultdict(list)
    for edge in edges:
        if edge.child is not None:
            parents[edge.child].append(edge)
    return _rows(parents, root, lambda edge: edge.parent)


def rows_down(edges: Iterable[Edge], root: int) -> list[TreeRow]:
    """The lots made from `root`, each followed by those made from it. Same rules as rows_up."""
    children: dict[int, list[Edge]] = defaultdict(list)
    for edge in edges:
        children[edge.parent].append(edge)
    return _rows(children, root, lambda edge: edge.child)


def _rows(next_edges: dict[int, list[Edge]], root: int, far_end) -> list[TreeRow]:
    rows: list[TreeRow] = []
    spelled_out = {root}
    # A stack instead of recursion: a lot may be many generations deep. Each entry: edge, depth, the lots above it.
    stack = [(edge, 1, (root,)) for edge in reversed(next_edges.get(root, []))]
    while stack:
        edge, depth, above = stack.pop()
        lot = far_end(edge)
        if lot in above:
            raise ValueError(f"lot {lot} is among its own ancestors")
        seen = lot in spelled_out
        rows.append(TreeRow(depth=depth, lot=lot, step=edge.step, mass_g=edge.mass_g, seen_above=seen))
        if lot is None or seen:
            continue
        spelled_out.add(lot)
        stack.extend((further, depth + 1, (*above, lot)) for further in reversed(next_edges.get(lot, [])))
    return rows
