from decimal import Decimal

import pytest

from prospecting.calc.ancestry import Edge, rows_down, rows_up


def edge(parent: int, step: int, child: int | None, mass: str = "1") -> Edge:
    return Edge(parent=parent, step=step, child=child, mass_g=Decimal(mass))


# Buckets 1 and 2 blended to 3; portions 4 and 5 cut from it; 4 was panned (made nothing).
EDGES = [edge(1, 10, 3), edge(2, 10, 3), edge(3, 11, 4), edge(3, 11, 5), edge(4, 12, None)]


def test_it_goes_back_to_every_bucket():
    assert [(row.depth, row.lot) for row in rows_up(EDGES, 4)] == [(1, 3), (2, 1), (2, 2)]


def test_it_goes_on_to_the_last_step_that_made_nothing():
    assert [(row.depth, row.lot, row.step) for row in rows_down(EDGES, 3)] == [
        (1, 4, 11),
        (2, None, 12),
        (1, 5, 11),
    ]


def test_it_spells_a_lot_out_once():
    twice = [edge(1, 10, 2), edge(1, 11, 3), edge(2, 12, 4), edge(3, 12, 4), edge(4, 13, 5)]
    rows = rows_down(twice, 1)
    assert [(row.lot, row.seen_above) for row in rows] == [
        (2, False),
        (4, False),
        (5, False),
        (3, False),
        (4, True),
    ]


def test_it_follows_a_thousand_generations():
    long_line = [edge(number, number, number + 1) for number in range(1000)]
    assert rows_up(long_line, 1000)[-1].depth == 1000


def test_it_refuses_a_lot_among_its_own_ancestors():
    with pytest.raises(ValueError, match="lot 1 is among its own ancestors"):
        rows_up([edge(1, 10, 2), edge(2, 11, 1)], 1)
