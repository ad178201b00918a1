from decimal import Decimal

import pytest

from prospecting.actions import products
from prospecting.actions.material import NewLot
from prospecting.models import Lot
from tests import make
from tests.trials.frames.test_results import assay, pan
from tests.trials.make_trial import log, make_running
from trials.actions import running
from trials.forms.recovery import RecoveryForm
from trials.frames.recovery import ALL, Balance, balance, books_of

UNITS = {"grade_unit": "g_per_t", "mass_unit": "kg"}


def keep(run, concentrate: str = "18", tails: str = "1982") -> tuple[Lot, Lot]:
    made = products.keep_products(
        step=run.step,
        products=[
            NewLot(kind=Lot.Kind.CONCENTRATE, mass_g=Decimal(concentrate)),
            NewLot(kind=Lot.Kind.TAILS, mass_g=Decimal(tails)),
        ],
        recorded_by=make.make_member(),
    )
    return made[0], made[1]


def balanced(lot: Lot, asked: str = "", **typed: str) -> Balance:
    """The balance as the page comes to it, from the books and what is typed over them."""
    books = books_of(lot, asked, **UNITS)
    member = make.make_member(mass_unit="kg", grade_unit="g_per_t")
    form = RecoveryForm(typed, member=member, start=books.start)
    assert form.is_valid(), form.errors
    return balance(**form.values(), books=books, **UNITS)


@pytest.fixture
def lot(db) -> Lot:
    """The worked case b07 of fixtures/reference: 2 kg of a head of 4.1 g/t, 18 g of concentrate, tails of 0.9 g/t."""
    lot = make.make_lot("20000", is_dry=True)
    assay(lot, ["4.1"])
    return lot


def test_balances_the_worked_case_from_the_books(lot):
    run = pan(lot, "5.58", "2000")
    _, tails = keep(run)
    assay(tails, ["0.9"])
    found = balanced(lot)
    over_head, products_route, grades = (line.route for line in found.routes)
    assert over_head.value == pytest.approx(5.58 / 8.2)
    # Published-form case b07: 75.776 %, calculated head 3.6819 g/t, accountability 89.80 %.
    assert products_route.value == pytest.approx(0.757760938646)
    assert found.calculated_head == pytest.approx(3.6819)
    assert found.account.route.value == pytest.approx(0.898024390244)
    # c = 310 g/t by the gold and the mass of the concentrate: c (f - t) / (f (c - t)).
    assert grades.value == pytest.approx(310 * (4.1 - 0.9) / (4.1 * (310 - 0.9)))
    assert products_route.driver.name == "the sampling of the tails"
    assert found.sentence.startswith(
        "Recovery of gold into the concentrate: 68 % of what the head's assay says went in"
    )
    assert "within the errors given" in found.reading


def test_each_route_says_why_it_is_refused(lot):
    pan(lot, None, "2000", below_scale=True)
    found = balanced(lot)
    assert found.sentence.startswith(
        "These figures give no recovery of gold into the concentrate by any route"
    )
    assert ["neither weighed" in line.route.refusal for line in found.routes] == [True, True, False]
    assert "three grades" in found.routes[2].route.refusal
    assert found.account is None and "the concentrate's gold is missing" in found.reading
    assert any("not zero, but less than 0.1 mg" in remark for remark in found.remarks)


def test_missing_and_surplus_gold_are_told_beyond_the_errors_only(lot):
    pan(lot, "5.58", "2000")
    sure = {"tails_grade": "0.9", "assay_sd": "2", "head_sd": "2", "tails_sd": "2"}
    assert "Gold is missing" in balanced(lot, **sure).reading
    assert "nothing is known to be missing" in balanced(lot, **(sure | {"head_sd": "30"})).reading
    rich = balanced(lot, **(sure | {"gold": "16 mg"}))
    assert "More gold came out" in rich.reading
    assert "no recovery" in rich.routes[0].route.refusal and rich.routes[0].value == "195 %"


def test_the_basis_is_told_and_water_is_taken_off(lot):
    pan(lot, "5.58", "2000")
    assert "Dry basis" in balanced(lot).remarks[0]
    assert balanced(lot, moisture="5").feed_dry_g == pytest.approx(1900)
    wet = make.make_lot("20000")
    pan(wet, "5.58", "2000")
    assert "Wet basis" in balanced(wet, head="4.1 g/t").remarks[0]


def test_re_panned_tails_give_a_recovery_of_free_gold(lot):
    run = pan(lot, "5.58", "2000")
    _, tails = keep(run)
    pan(tails, "0.5", "1000")
    books = books_of(lot, "", **UNITS)
    assert books.start["tails_grade"] == "0.5"
    assert any("free gold only" in remark for remark in balanced(lot).remarks)


def test_an_assayed_concentrate_is_no_apparent_recovery(lot):
    run = pan(lot, None, "2000", colours={"fine": 3})
    concentrate, _ = keep(run)
    assay(concentrate, ["310"], "17")
    found = balanced(lot)
    assert found.concentrate_gold_mg == pytest.approx(5.58)
    assert found.routes[0].name.startswith("Recovery of gold into the concentrate")
    weighed = balanced(lot, gold="5 mg")
    assert weighed.routes[0].name.startswith("Apparent recovery of gold")
    assert any("by its assay the concentrate holds 5.58 mg" in remark for remark in weighed.remarks)


def test_duplicates_and_scatter_of_the_head_set_its_error(db):
    lot = make.make_lot("20000", is_dry=True)
    assay(lot, ["4.0", "5.0"])
    # CV of the pair 4 and 5: sqrt(2) x 1/9 (Stanley and Lawie 2007).
    start = books_of(lot, "", **UNITS).start
    assert start["assay_sd"] == "15.7" and start["head_sd"] == "25"
    assay(lot, ["8.0"])
    # Assays in use 4 and 8: sd 2.83 over mean 6 is 47 %; less the assay's 15.7 %, of two.
    assert float(books_of(lot, "", **UNITS).start["head_sd"]) == pytest.approx(
        100 * ((2 / 9 + 0 - 2 / 81) / 2) ** 0.5, abs=0.1
    )


def test_limits_of_the_tails_are_neither_nought_nor_a_figure(lot):
    run = pan(lot, "5.58", "2000")
    _, tails = keep(run)
    assay(tails, ["<0.01"])
    found = balanced(lot)
    assert "neither assayed nor re-panned" in found.routes[1].route.refusal
    assert any("0.01 g/t" in remark for remark in found.remarks)


def test_all_together_sums_the_runs_and_tells_what_it_leaves_out(lot):
    first, second = pan(lot, "5.0", "1000"), pan(lot, "7.0", "1000")
    keep(second, "10", "980")
    assert books_of(lot, "", **UNITS).chosen == str(second.pk)
    together = books_of(lot, ALL, **UNITS)
    assert (together.start["feed"], together.start["gold"]) == ("2 kg", "12 mg")
    assert "concentrate" not in together.start
    assert any("1 of 2 runs" in remark for remark in together.remarks)
    assert books_of(lot, str(first.pk), **UNITS).start["gold"] == "5 mg"
    pan(lot, None, "1000", below_scale=True)
    assert balanced(lot, ALL).sentence.startswith("Recovery of gold into the concentrate: at least 98 %")


def test_an_open_block_gives_nothing_away(db):
    trial = make_running(lot=make.make_lot("40000"))
    member = make.make_member()
    block = trial.blocks.first()
    runs = [log(planned, member, "9.75") for planned in trial.planned_runs.filter(block=block)]
    keep(runs[0], "5", "440")
    for asked in ("", ALL, str(runs[0].pk)):
        books = books_of(trial.feed_lot, asked, **UNITS)
        assert (books.runs, books.hidden, books.chosen) == ([], 2, "")
        assert "9.75" not in str(books) and "feed" not in books.start
    running.close_block(block=block, closed_by=member)
    books = books_of(trial.feed_lot, "", **UNITS)
    assert (len(books.runs), books.hidden, books.start["gold"]) == (2, 0, "9.75 mg")
