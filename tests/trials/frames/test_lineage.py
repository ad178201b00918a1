from decimal import Decimal

import pytest

from prospecting.actions import steps
from prospecting.actions.material import DrawFrom, NewLot, StepDetails, void_step
from prospecting.models import Lot
from tests import make
from trials.frames.lineage import MOST_LINES, family_of

pytestmark = pytest.mark.django_db


def split(lot: Lot, *masses: str) -> list[Lot]:
    step = steps.split_lot(
        draw=DrawFrom(lot=lot, mass_g=sum(map(Decimal, masses))),
        pieces=[NewLot(kind=Lot.Kind.SPLIT, mass_g=Decimal(mass)) for mass in masses],
        recorded_by=make.make_member(),
        done_on=make.DAY,
        details=StepDetails(method="riffle"),
    )
    return list(step.made.order_by("pk"))


def shape(tree) -> str:
    """The nesting the template writes, one letter per lot."""
    text = ""
    for line in tree.lines:
        text += "(" if line.opens else ""
        text += "o"
        text += "" if line.has_below else "."
        text += ")" * len(line.closes)
    return text


def test_both_ways_with_the_masses_drawn():
    left, right = make.make_lot("6000"), make.make_lot("4000")
    blend = make.make_blend((left, "5000"), (right, "3000"))
    one, other = split(blend, "4000", "2000")
    up = family_of(one).up.lines
    assert [(line.lot, line.mass_g, line.depth) for line in up] == [
        (blend, Decimal(6000), 1),
        (left, Decimal(5000), 2),
        (right, Decimal(3000), 2),
    ]
    down = family_of(left).down
    assert [(line.lot, line.mass_g, line.made) for line in down.lines] == [
        (blend, Decimal(5000), 1),
        (one, Decimal(6000), 2),
        (other, Decimal(6000), 2),
    ]
    assert shape(down) == "o(o.o.)"
    # One draw made both pieces: its mass is told once.
    assert [line.again for line in down.lines] == [False, False, True]


def test_a_blend_reached_from_two_splits_tells_the_mass_drawn_from_each():
    lot = make.make_lot("9000")
    one, other = split(lot, "4000", "2000")
    make.make_blend((one, "3000"), (other, "1000"))
    told = [(line.mass_g, line.again, line.seen_above) for line in family_of(lot).down.lines]
    assert told == [
        (Decimal(6000), False, False),
        (Decimal(3000), False, False),
        (Decimal(6000), True, False),
        (Decimal(1000), False, True),
    ]


def test_lists_open_and_close_in_pairs():
    lot = make.make_lot("9000")
    one, other = split(lot, "4000", "4000")
    split(split(one, "2000", "1000")[0], "500", "400")
    split(other, "100", "200")
    tree = family_of(lot).down
    assert shape(tree) == "o(o(o.o.)o.)o(o.o.)"
    assert sum(line.opens for line in tree.lines) == sum(len(line.closes) for line in tree.lines)


def test_a_deep_tree_stops_indenting_and_still_closes_its_lists():
    lot = make.make_lot("9000")
    piece = lot
    for number in range(8):
        piece = split(piece, str(8000 - 1000 * number), "100")[0]
    tree = family_of(lot).down
    assert max(line.depth for line in tree.lines) == 8
    assert sum(line.opens for line in tree.lines) == sum(len(line.closes) for line in tree.lines)
    assert any(line.is_deep for line in tree.lines)


def test_alike_are_portions_and_splits_but_not_a_blend():
    lot = make.make_lot("9000")
    one, other = split(lot, "4000", "2000")
    portions = make.make_portions(one, 2)
    make.make_blend((other, "1000"), (lot, "1000"))
    assert family_of(lot).alike == {lot.pk, one.pk, other.pk, *(portion.pk for portion in portions)}


def test_a_voided_step_is_no_part_of_what_became_of_it():
    lot = make.make_lot("9000")
    piece = split(lot, "4000", "2000")[0]
    void_step(step=piece.made_by, reason="slip", voided_by=make.make_member("keeper"))
    family = family_of(lot)
    assert family.down.lines == []
    assert family.alike == {lot.pk}


def test_a_long_tree_is_cut_and_says_so():
    lot = make.make_lot("99000")
    make.make_portions(lot, MOST_LINES + 20)
    tree = family_of(lot).down
    assert (len(tree.lines), tree.in_all, tree.is_cut) == (MOST_LINES, MOST_LINES + 20, True)


def test_four_queries_however_large(django_assert_num_queries):
    lot = make.make_lot("99000")
    for portion in make.make_portions(lot, 12):
        split(portion, "100", "100")
    with django_assert_num_queries(4):
        family = family_of(lot)
    assert family.down.in_all == 36
