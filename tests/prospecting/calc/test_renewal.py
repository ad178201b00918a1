from decimal import Decimal

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from prospecting.calc.renewal import Candidate, days_left, portions_in, propose_blend, work_needed

D = Decimal
MINUS_20 = D(850)


def lot(name: str, on_hand_g: str | int, **zone_percents: int) -> Candidate:
    shares = {zone: D(percent) / 100 for zone, percent in zone_percents.items()}
    return Candidate(name, D(on_hand_g), shares, MINUS_20, is_dry=True)


ZONES = ("north", "seam", "dump")


@st.composite
def shares(draw) -> dict[str, Decimal]:
    parts = draw(st.lists(st.integers(0, 20), min_size=3, max_size=3).filter(any))
    return {zone: D(part) / sum(parts) for zone, part in zip(ZONES, parts, strict=True) if part}


@st.composite
def candidates(draw, least: int = 1) -> list[Candidate]:
    number = draw(st.integers(least, 7))
    return [
        Candidate(place, draw(st.decimals("0.01", "20000", places=2)), draw(shares()), MINUS_20, True)
        for place in range(number)
    ]


@settings(max_examples=150, deadline=None)
@given(candidates(), shares(), st.decimals("1", "30000", places=2))
def test_never_takes_more_than_is_on_hand_and_adds_up_to_what_was_wanted(lots, target, wanted_g):
    found = propose_blend(lots, target, wanted_g)
    on_hand = {each.lot: each.on_hand_g for each in lots}
    assert all(0 < mass_g <= on_hand[name] for name, mass_g in found.masses_g.items())
    assert found.mass_g + found.short_g == wanted_g
    assert found.short_g == max(D(0), wanted_g - sum(on_hand.values()))
    assert float(sum(zone.got for zone in found.zones)) == pytest.approx(1)


@settings(max_examples=150, deadline=None)
@given(candidates(least=2), shares(), st.integers(1, 100))
def test_one_lot_more_never_makes_it_worse(lots, target, percent):
    fewer = lots[:-1]
    wanted_g = (sum(each.on_hand_g for each in fewer) * percent / 100).quantize(D("0.01"))
    assume(wanted_g >= 1000)
    # Whole grams, of a kilogram or more: rounding shifts a share by so many thousandths at the most.
    rounding = D(len(lots)) / wanted_g
    with_all = propose_blend(lots, target, wanted_g).largest_difference
    assert with_all <= propose_blend(fewer, target, wanted_g).largest_difference + rounding


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 100), st.integers(0, 100), st.integers(0, 100), st.integers(10, 100))
def test_two_lots_come_as_close_as_trying_every_mixture_does(one, other, wanted, room):
    """Another route to the same answer: 1,000 mixtures of two lots tried in turn."""
    first = lot("A", room * 100, north=one, seam=100 - one)
    second = lot("B", 10000, north=other, seam=100 - other)
    target = {"north": D(wanted) / 100, "seam": D(100 - wanted) / 100}
    tried = [
        abs((D(part) * one + D(10000 - part) * other) / 10000 / 100 - target["north"])
        for part in range(0, min(room * 100, 10000) + 1, 10)
    ]
    found = propose_blend([first, second], target, D(10000)).largest_difference
    assert min(tried) - D("0.001") <= found <= min(tried) + D("0.0002")


def test_the_old_mixture_is_met_where_the_lots_allow_it():
    """Worked by hand: 6 kg of pure seam and 4 kg of half and half hold 8 kg of seam in 10."""
    seam, mixed = lot("A", 6000, seam=100), lot("B", 9000, seam=50, north=50)
    found = propose_blend([seam, mixed], {"seam": D("0.8"), "north": D("0.2")}, D(10000))
    assert found.masses_g == {"A": D(6000), "B": D(4000)}
    assert found.largest_difference == 0
    assert not any(zone.is_short for zone in found.zones)


def test_says_how_far_the_worst_zone_is_off_and_what_is_missing_of_it():
    found = propose_blend(
        [lot("A", 9000, seam=100), lot("B", 1000, north=100)], {"seam": D("0.5"), "north": D("0.5")}, D(5000)
    )
    assert found.masses_g == {"A": D(4000), "B": D(1000)}
    assert found.largest_difference == D("0.3")
    missing = {zone.zone: zone.missing_g for zone in found.zones}
    assert missing == {"seam": 0, "north": D(1500)}
    assert [zone.zone for zone in found.zones if zone.is_short] == ["north"]


def test_a_zone_the_old_lot_never_had_counts_as_a_difference():
    found = propose_blend([lot("A", 9000, seam=90, dump=10)], {"seam": D(1)}, D(900))
    assert {zone.zone: zone.difference for zone in found.zones} == {"seam": D("-0.1"), "dump": D("0.1")}


def test_with_nothing_ready_everything_is_missing():
    found = propose_blend([], {"seam": D(1)}, D(900))
    assert (found.masses_g, found.short_g) == ({}, D(900))
    assert found.zones[0].missing_g == D(900)


@pytest.mark.parametrize(
    ("lots", "target", "wanted", "said"),
    [
        ([lot("A", 10, seam=100)], {"seam": D(1)}, D(0), "more than nothing"),
        ([lot("A", 10, seam=100)], {"seam": D("0.4")}, D(5), "add up to 1"),
        ([lot("A", 10, seam=100), lot("A", 10, seam=100)], {"seam": D(1)}, D(5), "twice"),
        ([lot("A", 0, seam=100)], {"seam": D(1)}, D(5), "nothing on hand"),
    ],
)
def test_refuses_what_cannot_be(lots, target, wanted, said):
    with pytest.raises(ValueError, match=said):
        propose_blend(lots, target, wanted)


@pytest.mark.parametrize(
    ("size", "dry", "work"),
    [
        (MINUS_20, True, []),
        (MINUS_20, False, ["dry"]),
        (D(2000), True, ["crush and screen"]),
        (None, False, ["dry", "crush and screen"]),
        # What is fine already stays fine.
        (D(425), True, None),
    ],
)
def test_what_a_lot_needs_before_it_is_like_the_old_one(size, dry, work):
    assert work_needed(Candidate("A", D(1), {}, size, dry), MINUS_20, is_dry=True) == work


def test_dried_ore_is_not_wetted_and_without_a_known_size_none_is_asked_for():
    assert work_needed(Candidate("A", D(1), {}, None, True), MINUS_20, is_dry=False) is None
    assert work_needed(Candidate("A", D(1), {}, D(2000), False), None, is_dry=False) == []


def test_days_left_and_portions():
    assert days_left(10, used=0, over_days=90) is None
    assert days_left(0, used=4, over_days=90) == 0
    with pytest.raises(ValueError, match="cannot be"):
        days_left(-1, used=4, over_days=90)
    assert [portions_in(D(mass), D(500)) for mass in (0, 1, 500, 501)] == [0, 1, 1, 2]
    with pytest.raises(ValueError, match="more than nothing"):
        portions_in(D(1), D(0))


@pytest.mark.parametrize(("on_hand", "is_short"), [("990", False), ("989.99", True)])
def test_a_zone_is_short_when_over_a_hundredth_of_the_new_lot_is_missing_of_it(on_hand, is_short):
    # Our own limit; the whole lot is of one zone here, so what is missing of it is what the blend is short by.
    (zone,) = propose_blend([lot("A", on_hand, north=100)], {"north": D(1)}, D(1000)).zones
    assert zone.is_short is is_short


def test_one_day_to_look_back_on_is_enough_and_none_used_up_never_ends():
    assert days_left(0, used=1, over_days=1) == 0
    assert days_left(12, used=3, over_days=1) == 4
    assert days_left(12, used=0, over_days=1) is None
    for portions, used, over_days in ((-1, 1, 1), (1, -1, 1), (1, 1, 0)):
        with pytest.raises(ValueError, match="cannot be"):
            days_left(portions, used=used, over_days=over_days)


@pytest.mark.parametrize(
    ("total", "is_taken"),
    [("1.000001", True), ("1.0000011", False), ("0.999999", True), ("0.9999989", False)],
)
def test_shares_add_up_to_the_whole_within_a_millionth(total, is_taken):
    call = ([lot("A", 5000, north=100)], {"north": D(total)}, D(1000))
    if is_taken:
        assert propose_blend(*call).mass_g == 1000
    else:
        with pytest.raises(ValueError, match="add up to 1"):
            propose_blend(*call)


@pytest.mark.parametrize(("mass_g", "portions"), [("908", 2), ("908.01", 3), ("907.99", 2)])
def test_a_last_portion_counts_whole(mass_g, portions):
    assert portions_in(D(mass_g), D(454)) == portions
