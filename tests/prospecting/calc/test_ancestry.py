import random
from decimal import Decimal

import pytest

from prospecting.calc.ancestry import Rows, alike, levels, nearest, part_g, tree_rows, walked

# Links are (draw, lot nearer to the one asked about, step, lot farther from it).
# Buckets 1 and 2 blended to 3 by step 10; portions 4 and 5 cut from it by 11; 4 panned by 12, which made nothing.
BACK_FROM_4 = [(3, 4, 11, 3), (1, 3, 10, 1), (2, 3, 10, 2)]
ONWARD_FROM_3 = [(3, 3, 11, 4), (3, 3, 11, 5), (4, 4, 12, None)]


def test_a_tree_goes_back_to_every_bucket():
    assert [(row.depth, row.lot) for row in tree_rows(BACK_FROM_4, 4)] == [(1, 3), (2, 1), (2, 2)]


def test_a_tree_goes_on_to_the_last_step_that_made_nothing():
    assert [(row.depth, row.lot, row.step) for row in tree_rows(ONWARD_FROM_3, 3)] == [
        (1, 4, 11),
        (2, None, 12),
        (1, 5, 11),
    ]


def test_a_tree_spells_a_lot_out_once():
    twice = [(1, 1, 10, 2), (2, 1, 11, 3), (3, 2, 12, 4), (4, 3, 12, 4), (5, 4, 13, 5)]
    assert [(row.lot, row.seen_above) for row in tree_rows(twice, 1)] == [
        (2, False),
        (4, False),
        (5, False),
        (3, False),
        (4, True),
    ]


def test_a_tree_of_a_lot_that_is_its_own_ancestor_is_refused():
    with pytest.raises(ValueError, match="its own ancestors"):
        tree_rows([(1, 1, 10, 2), (2, 2, 11, 1)], 1)


def test_a_walk_back_ends_at_the_lots_digs_filled():
    walk = walked(BACK_FROM_4, 4, onward=False)
    assert list(Rows(walk)) == [
        (False, 1, 3, None),
        (False, 2, 1, None),
        (False, 2, 2, None),
        (False, 3, None, 1),
        (False, 3, None, 2),
    ]
    assert (walk.lots, len(walk.generations)) == (3, 2)


def test_a_walk_onward_tells_a_draw_once_however_many_lots_it_made():
    walk = walked(ONWARD_FROM_3, 3, onward=True)
    assert list(Rows(walk)) == [(True, 1, 3, None), (True, 2, 4, None)]
    assert walk.lots == 2


def test_any_page_of_the_rows_is_a_part_of_them_all():
    rows = Rows(walked(BACK_FROM_4, 4, onward=False), walked(ONWARD_FROM_3, 3, onward=True))
    whole = rows[:]
    assert len(rows) == len(whole) == 7
    for start in range(9):
        for stop in range(start, 9):
            assert rows[start:stop] == whole[start:stop]


def test_a_walk_of_a_lot_nothing_leads_to():
    assert list(Rows(walked([], 7, onward=True))) == []
    assert list(Rows(walked([], 7, onward=False))) == [(False, 1, None, 7)]


def test_a_lot_reached_on_ways_of_two_lengths_stands_at_the_shorter():
    walk = walked([(1, 9, 20, 8), (2, 9, 20, 7), (3, 8, 19, 7)], 9, onward=False)
    assert (False, 2, None, 7) in list(Rows(walk))
    assert walk.lots == 2


def test_the_nearest_generations_within_a_number_of_links():
    walk = walked(BACK_FROM_4, 4, onward=False)
    assert [nearest(walk, most, 1) for most in (1, 2, 3)] == [1, 1, 2]
    # The first generation has a limit of its own.
    assert nearest(walk, 3, 0) == 0


def test_levels_are_the_longest_way():
    assert levels([("dig", "a"), ("a", "b"), ("dig", "b"), ("b", "c")]) == {"dig": 0, "a": 1, "b": 2, "c": 3}
    assert levels([]) == {}
    with pytest.raises(ValueError, match="own ancestors"):
        levels([("a", "b"), ("b", "a")])


def test_every_flow_leads_to_a_deeper_level():
    dice = random.Random(4)
    for _ in range(50):
        flows = {tuple(sorted(dice.sample(range(30), 2))) for _ in range(60)}
        at = levels(list(flows))
        assert all(at[target] > at[source] for source, target in flows)


def groups_of(colours: dict, flows: list) -> set[frozenset]:
    found: dict[int, set] = {}
    for node, group in alike(colours, flows).items():
        found.setdefault(group, set()).add(node)
    return {frozenset(nodes) for nodes in found.values()}


def test_alike_are_lots_of_one_kind_made_and_used_alike():
    # A dig fills three buckets; two are crushed, one is not.
    colours = {"dig": "dig", **dict.fromkeys("abc", "bucket"), "x": "crush", "y": "crush", "X": "c", "Y": "c"}
    flows = [("dig", "a"), ("dig", "b"), ("dig", "c"), ("a", "x"), ("b", "y"), ("x", "X"), ("y", "Y")]
    assert groups_of(colours, flows) == {
        frozenset({"dig"}),
        frozenset({"a", "b"}),
        frozenset({"c"}),
        frozenset({"x", "y"}),
        frozenset({"X", "Y"}),
    }


def test_groups_keep_what_leads_where_and_have_no_circle():
    """A law: all of a group have neighbours in the same groups, and the groups can be put on levels."""
    dice = random.Random(9)
    for _ in range(40):
        flows = sorted({tuple(sorted(dice.sample(range(25), 2))) for _ in range(40)})
        colours = {node: dice.randrange(3) for node in range(25)}
        groups = alike(colours, flows)
        for node in colours:
            for other in colours:
                if groups[node] == groups[other]:
                    assert colours[node] == colours[other]
                    for near, far in ((0, 1), (1, 0)):
                        lead = [
                            {groups[flow[far]] for flow in flows if flow[near] == each}
                            for each in (node, other)
                        ]
                        assert lead[0] == lead[1]
        levels({(groups[source], groups[target]) for source, target in flows})


def test_the_part_of_a_lot_a_share_is():
    assert part_g(Decimal("8000"), Decimal("0.375")) == 3000
