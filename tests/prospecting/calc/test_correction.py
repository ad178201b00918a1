from decimal import Decimal
from fractions import Fraction

import pytest

from prospecting.calc.correction import (
    GAIN,
    NOTHING_LEFT,
    OVERDRAWN,
    BookedStep,
    Books,
    Taken,
    Unbalanced,
    corrected,
)

A, B, BLEND, CRUSHED = 1, 2, 3, 4
DIG_A, DIG_B = 11, 12


def books(*, on_hand_a: int = 0, follows: bool = True, one_weighing: bool = False) -> Books:
    """3 kg of A (all of it, where it follows) and 1 kg of B blended to 3.9 kg; all of that crushed to 3.8 kg."""
    grams = {A: 3000 + on_hand_a, B: 1000, BLEND: 3900, CRUSHED: 3800}
    shares = {DIG_A: Decimal("0.75"), DIG_B: Decimal("0.25")}
    return Books(
        masses_g={lot: Decimal(mass) for lot, mass in grams.items()},
        on_hand_g={A: Decimal(on_hand_a), B: Decimal(0), BLEND: Decimal(0), CRUSHED: Decimal(3800)},
        shares={A: {DIG_A: Decimal(1)}, B: {DIG_B: Decimal(1)}, BLEND: shares, CRUSHED: shares},
        steps=[
            BookedStep(4, [Taken(BLEND, Decimal(3900), follows=True)], [CRUSHED], one_weighing=one_weighing),
            BookedStep(1, [], [A]),
            BookedStep(3, [Taken(A, Decimal(3000), follows=follows), Taken(B, Decimal(1000))], [BLEND]),
            BookedStep(2, [], [B]),
        ],
    )


def correct(booked: Books, step: int, draws: dict | None = None, makes: dict | None = None):
    grams = [{lot: Decimal(g) for lot, g in (masses or {}).items()} for masses in (draws, makes)]
    return corrected(booked, step, draws=grams[0], makes=grams[1])


def test_all_of_a_lot_follows_its_mass_and_so_do_loss_and_shares():
    found = correct(books(), 1, makes={A: 4000})
    assert found.masses_g == {A: 4000}
    assert found.draws_g == {(3, A): 4000}
    # By hand: 4 + 1 kg went in, 3.9 kg came out; A is 4/5 of it, in the blend and in what was crushed of it.
    assert found.losses_g == {1: 0, 3: 1100}
    four_fifths = {DIG_A: Decimal("0.8"), DIG_B: Decimal("0.2")}
    assert found.shares == {BLEND: four_fifths, CRUSHED: four_fifths}
    assert found.on_hand_g == {}


def test_what_was_weighed_stays_and_the_lot_holds_the_rest():
    found = correct(books(follows=False, on_hand_a=500), 1, makes={A: 4000})
    assert (found.draws_g, found.shares) == ({}, {})
    assert found.on_hand_g == {A: 1000}


def test_a_draw_set_right_changes_what_is_on_hand():
    found = correct(books(follows=False, on_hand_a=500), 3, draws={A: 3500})
    assert found.on_hand_g == {A: 0}
    assert found.losses_g == {3: 600}
    assert found.shares[CRUSHED][DIG_A] == Decimal("0.777777777778")
    assert abs(Fraction(found.shares[CRUSHED][DIG_A]) - Fraction(35, 45)) < Fraction(1, 10**12)


def test_only_the_first_that_took_all_takes_up_the_difference():
    booked = Books(
        masses_g={A: Decimal(10), B: Decimal(6), CRUSHED: Decimal(3)},
        on_hand_g={A: Decimal(0), B: Decimal(6), CRUSHED: Decimal(3)},
        shares={lot: {DIG_A: Decimal(1)} for lot in (A, B, CRUSHED)},
        steps=[
            BookedStep(1, [], [A]),
            BookedStep(2, [Taken(A, Decimal(6), follows=True)], [B]),
            BookedStep(3, [Taken(A, Decimal(4), follows=True)], [CRUSHED]),
        ],
    )
    assert correct(booked, 1, makes={A: 12}).draws_g == {(2, A): 8}


def test_where_the_scale_was_read_once_both_follow():
    assert correct(books(one_weighing=True), 3, makes={BLEND: 3850}).masses_g == {BLEND: 3850, CRUSHED: 3850}
    cut = Books(
        masses_g={A: Decimal(1000), B: Decimal(400), CRUSHED: Decimal(400)},
        on_hand_g={A: Decimal(200), B: Decimal(400), CRUSHED: Decimal(400)},
        shares={lot: {DIG_A: Decimal(1)} for lot in (A, B, CRUSHED)},
        steps=[BookedStep(2, [Taken(A, Decimal(800))], [B, CRUSHED], one_weighing=True)],
    )
    found = correct(cut, 2, makes={B: 450})
    assert (found.draws_g, found.losses_g) == ({(2, A): 850}, {2: 0})
    assert found.on_hand_g == {A: 150, B: 450}


@pytest.mark.parametrize(
    ("step", "draws", "makes", "why", "place"),
    [
        (3, {}, {BLEND: 4001}, GAIN, (3, None)),
        (1, {}, {A: 2899}, GAIN, (3, None)),
        (3, {B: 1001}, {}, OVERDRAWN, (None, B)),
        (2, {}, {B: 999}, OVERDRAWN, (None, B)),
        (3, {}, {BLEND: 3799}, GAIN, (4, None)),
    ],
)
def test_refuses_what_does_not_close(step, draws, makes, why, place):
    with pytest.raises(Unbalanced) as refusal:
        correct(books(), step, draws, makes)
    assert refusal.value.why == why
    assert (refusal.value.step, refusal.value.lot) == place


def test_refuses_that_nothing_was_left_to_take():
    booked = Books(
        masses_g={A: Decimal(10), B: Decimal(6)},
        on_hand_g={A: Decimal(0), B: Decimal(6)},
        shares={A: {DIG_A: Decimal(1)}, B: {DIG_A: Decimal(1)}},
        steps=[
            BookedStep(1, [], [A]),
            BookedStep(2, [Taken(A, Decimal(7))], [B]),
            BookedStep(3, [Taken(A, Decimal(3), follows=True)], []),
        ],
    )
    with pytest.raises(Unbalanced) as refusal:
        correct(booked, 1, makes={A: 7})
    assert (refusal.value.why, refusal.value.step, refusal.value.lot) == (NOTHING_LEFT, 3, A)


def test_refuses_a_step_that_draws_from_what_a_later_one_made():
    booked = books()
    steps = [BookedStep(5, [], [A]), *(step for step in booked.steps if step.pk != 1)]
    with pytest.raises(ValueError, match="which a later step made"):
        correct(Books(booked.masses_g, booked.on_hand_g, booked.shares, steps), 5, makes={A: 4000})


def test_where_the_scale_was_read_once_the_lot_made_follows_what_was_taken():
    booked = Books(
        masses_g={A: Decimal(1000), B: Decimal(400)},
        on_hand_g={A: Decimal(600), B: Decimal(400)},
        shares={lot: {DIG_A: Decimal(1)} for lot in (A, B)},
        steps=[BookedStep(2, [Taken(A, Decimal(400))], [B], one_weighing=True)],
    )
    found = correct(booked, 2, draws={A: 450})
    assert (found.masses_g, found.losses_g) == ({B: 450}, {2: 0})
    assert found.on_hand_g == {A: 550, B: 450}


def test_shares_of_one_dig_stay_whole_however_its_lots_are_weighed():
    booked = Books(
        masses_g={A: Decimal(300), B: Decimal(100), BLEND: Decimal(400)},
        on_hand_g={A: Decimal(0), B: Decimal(0), BLEND: Decimal(400)},
        shares={lot: {DIG_A: Decimal(1)} for lot in (A, B, BLEND)},
        steps=[
            BookedStep(1, [], [A]),
            BookedStep(2, [Taken(A, Decimal(300), follows=True), Taken(B, Decimal(100))], [BLEND]),
        ],
    )
    found = correct(booked, 1, makes={A: 350})
    assert found.draws_g == {(2, A): 350}
    assert found.shares == {}
