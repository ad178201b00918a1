"""Pans beside assays: what pairs, what counts, and the published comparisons through the page's own code."""

import datetime
import json
import math
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from prospecting.actions import products, steps
from prospecting.actions.material import DrawFrom, NewLot, StepDetails
from prospecting.models import AssayReturn, Draw, Lot, Member, Sample, Zone
from tests import make
from tests.trials.frames.test_results import assay, crush, pan, screen, send
from tests.trials.make_trial import log, make_closed, make_running
from trials.calc.common_material import Part
from trials.calc.field_against_laboratory import Bounds, log_sd
from trials.calc.portion_evidence import grain_of_colours
from trials.frames.field_against_laboratory import (
    Asked,
    _line,
    field_against_laboratory,
)
from trials.frames.field_pairs import (
    Assay,
    Books,
    Pair,
    Pan,
    Side,
    Sides,
    pairs_of,
    read_assays,
    read_books,
    sides_of,
)
from trials.models import ColourCount, Run

REFERENCE = Path(__file__).parents[3] / "fixtures" / "reference" / "grade_sampling_assay.json"
CASES = {case["id"]: case for case in json.loads(REFERENCE.read_text(encoding="utf-8"))}
# Milligrams panned of 500 g, and the assay in g/t: enough lots for a range.
EIGHT = (
    ("1.5", "5.0"),
    ("2.0", "6.5"),
    ("1.0", "3.0"),
    ("1.2", "4.4"),
    ("2.5", "8.2"),
    ("0.8", "3.1"),
    ("1.9", "5.6"),
    ("3.0", "11.0"),
)


def read(**asked):
    rows = read_books(of_zone="zone" in asked)
    return field_against_laboratory(rows.books(), Asked(**asked), grade_unit="g_per_t")


def pairs(least_share: float = 0.8, **filters) -> list[Pair]:
    return pairs_of(
        sides_of(read_books().books(), grain_mg=0.1, without_failed=False), least_share=least_share, **filters
    )


def lot_with(gold: str | None, grade: str | None, *, zone=None, mass: str = "20000", **pan_fields) -> Lot:
    """A bucket, panned (500 g) and assayed."""
    lot = make.make_lot(mass, zone=zone, is_dry=True)
    if gold is not None or pan_fields:
        pan(lot, gold, "500", **pan_fields)
    if grade is not None:
        assay(lot, [grade])
    return lot


def books_of(panned, assayed) -> Books:
    """Books with one lot for each pair, a pan of 1 kg and a charge of 30 g each, given in g/t."""
    day = datetime.date(2026, 5, 3)
    lots = range(1, len(panned) + 1)
    kilogram = Decimal(1000)
    return Books(
        pans=[
            Pan(lot, lot, Decimal(repr(value)), None, kilogram, day, 1, None, True, f"L{lot}")
            for lot, value in zip(lots, panned, strict=True)
        ],
        colours_only=0,
        counted=[],
        coarsest={},
        assays=[
            Assay(
                lot,
                lot,
                "value",
                Decimal(repr(value)),
                None,
                "fire_30",
                kilogram,
                day,
                1,
                "none",
                "",
                f"L{lot}",
            )
            for lot, value in zip(lots, assayed, strict=True)
        ],
        links=[],
        shares={lot: [(lot, 1, Decimal(1))] for lot in lots},
        duplicates={},
        panners={1: "A. Panner"},
        zones={1: "Zone"},
    )


@pytest.mark.django_db
class TestPublished:
    def test_bland_and_altman_come_out_of_the_pages_own_code(self, monkeypatch):
        # J. M. Bland and D. G. Altman, Lancet 1986 i 307: peak flow by two meters, limits of agreement. The page works on
        # logarithms, so the readings go in as exp(reading / 100): their logarithms differ as the readings do.
        case = CASES["g01"]
        a, b = case["inputs"]["method_a"], case["inputs"]["method_b"]
        books = books_of([math.exp(each / 100) for each in a], [math.exp(each / 100) for each in b])
        monkeypatch.setattr(
            "trials.frames.field_against_laboratory.codes_of",
            lambda lots: {lot: Lot(pk=lot, code=f"L{lot}") for lot in lots},
        )
        monkeypatch.setattr(Lot, "get_absolute_url", lambda self: "/")
        found = field_against_laboratory(books, Asked(grain_mg=0.1), grade_unit="g_per_t")
        assert found.counted == case["expected"]["n"]
        low, high = (100 * math.log(limit) for limit in found.limits)
        assert low == pytest.approx(case["expected"]["limit_low_1_96"], rel=1e-4)
        assert high == pytest.approx(case["expected"]["limit_high_1_96"], rel=1e-4)

    def test_ripley_and_thompsons_line_comes_out_of_the_pages_own_code(self):
        # B. D. Ripley and M. Thompson, The Analyst 112 (1987) 377: arsenate by two methods, errors on both sides.
        case = CASES["g05"]
        inputs, decade = case["inputs"], math.log(10)

        def side(value: float, error: float) -> Side:
            grade, cv = 10.0**value, math.sqrt(math.expm1((error * decade) ** 2))
            assert log_sd(cv) / decade == pytest.approx(error)
            return Side(Bounds(grade, grade), cv, [])

        found = [
            Pair(n, side(y, se_y), side(x, se_x), 1.0, False, None, [Part(n, 1.0)], [Part(n, 1.0)])
            for n, (x, se_x, y, se_y) in enumerate(
                zip(inputs["x"], inputs["se_x"], inputs["y"], inputs["se_y"], strict=True)
            )
        ]
        (intercept, slope, interval), why_not = _line(found)
        expected = case["expected"]
        assert why_not == ""
        names = {name: value for name, value in expected.items() if "ols" not in name and "wls" not in name}
        assert intercept == pytest.approx(next(v for n, v in names.items() if "intercept" in n), rel=1e-3)
        assert slope == pytest.approx(next(v for n, v in names.items() if "slope" in n), rel=1e-3)
        assert interval[0] < slope < interval[1]


@pytest.mark.django_db
def test_nothing_in_the_books_says_what_to_do_first():
    found = read()
    assert not found.has_pairs and found.points == []
    assert "No lot has both" in found.headline


@pytest.mark.django_db
def test_one_lot_shows_its_ratio_and_no_interval():
    lot_with("1.5", "5.0")
    found = read()
    # 1.5 mg of 500 g is 3 g/t, over 5 g/t.
    assert found.headline == "Apparent recovery 60 % over 1 lot: too few for an interval"
    assert found.lines[0].common == "100 %, the same lot"
    assert "7 more are needed" in found.why_not_foretold


@pytest.mark.django_db
def test_pans_and_assays_meet_through_drying_crushing_and_cutting():
    lot = make.make_lot("20000", is_dry=True)
    crushed = crush(lot, "10000")
    pan(lot, "2.0", "500")
    pan(make.make_portions(crushed, 2)[0], "1.0", "454")
    assay(crushed, ["6.0"])
    [pair] = pairs()
    assert (pair.lot, pair.share, pair.why_not) == (lot.pk, 1.0, "")
    # 3 mg of 954 g.
    assert pair.panned.bounds.low == pytest.approx(3 / 0.954)


@pytest.mark.django_db
def test_of_a_blend_that_was_not_panned_its_parts_pans_stand_by_their_masses():
    rich, poor, other = (make.make_lot("10000", is_dry=True) for _ in range(3))
    pan(rich, "5.0", "500")
    pan(poor, "1.0", "500")
    blend = make.make_blend((rich, "3000"), (poor, "1000"), (other, "1000"))
    assay(blend, ["9.0"])
    [pair] = pairs(least_share=0.5)
    assert pair.share == pytest.approx(0.8) and pair.why_not == ""
    # (0.6 x 10 + 0.2 x 2) / 0.8 g/t.
    assert pair.panned.bounds.low == pytest.approx(8.0)
    assert pairs(least_share=1.0)[0].why_not == "too little material in common"
    assert read(least_share=0.5).lines[0].common == "80 %, panned before it was blended"


@pytest.mark.django_db
def test_a_result_counts_in_one_pair_only():
    bucket = lot_with("2.0", "6.0")
    blend = make.make_blend((bucket, "4000"), (make.make_lot("4000"), "100"))
    assay(blend, ["5.0"])
    own, through_blend = pairs()
    assert (own.lot, own.why_not) == (bucket.pk, "")
    assert "stand in a pair with more in common" in through_blend.why_not


@pytest.mark.django_db
def test_what_was_screened_in_between_is_shown_and_not_counted():
    lot = make.make_lot("20000", is_dry=True)
    pan(lot, "2.0", "500")
    assay(screen(lot, "10000"), ["6.0"])
    [pair] = pairs()
    assert pair.is_sorted and "screen" in pair.why_not
    assert read().counted == 0


@pytest.mark.django_db
def test_only_untreated_pans_of_closed_blocks_count():
    trial = make_running(lot=(feed := make.make_lot("40000", is_dry=True)))
    assay(feed, ["8.0"])
    log(trial.planned_runs.first(), trial.recorded_by)
    assert pairs() == []
    lot = make.make_lot("40000", is_dry=True)
    closed = make_closed(lambda planned: "4.0", lot=lot)
    assay(lot, ["8.0"])
    [pair] = pairs()
    assert pair.lot == lot.pk
    controls = closed.planned_runs.filter(treatment__is_control=True)
    assert {result.pk for result in pair.panned.results} == {planned.run.pk for planned in controls}


@pytest.mark.django_db
def test_voided_and_failed_runs_do_not_count():
    lot = make.make_lot("20000", is_dry=True)
    pan(lot, None, failed=True, fail_reason="spilled")
    assay(lot, ["6.0"])
    assert pairs() == []


@pytest.mark.django_db
def test_below_scale_and_below_detection_are_bounds_and_never_zero():
    for gold, grade in (("1.5", "5.0"), ("2.0", "6.0"), ("1.0", "3.0")):
        lot_with(gold, grade)
    lot_with(None, "0.5", below_scale=True)
    lot_with("0.2", "<0.01")
    found = read()
    assert found.counted == 5 and not found.over_all.is_exact
    assert "between" in found.headline
    ways = {(point.panned_way, point.assayed_way) for point in found.points}
    assert ways == {("", ""), ("below", ""), ("", "below")}
    assert all(point.panned > 0 and point.assayed > 0 for point in found.points)
    assert any("2 of the lots lie below a limit" in sentence for sentence in found.sentences)


@pytest.mark.django_db
def test_all_below_on_both_sides_does_not_count():
    lot_with(None, "<0.01", below_scale=True)
    found = read()
    # The pan's bound is 0.2 g/t: there is something to see, and no ratio with an upper bound.
    assert found.counted == 1
    assert found.over_all.low == 0 and math.isinf(found.over_all.high)


@pytest.mark.django_db
def test_an_assay_above_its_limit_is_left_out_with_the_reason():
    lot_with("1.5", ">10")
    found = read()
    assert found.counted == 0
    assert "upper limit" in found.left_out[0][1]


@pytest.mark.django_db
def test_panned_above_assay_asks_for_the_unit_first():
    for gold, grade in (("1.5", "5.0"), ("2.0", "6.0"), ("1.0", "3.0"), ("1.2", "4.1")):
        lot_with(gold, grade)
    # The laboratory's 5.0 g/t typed as 0.146 troy oz per short ton without its unit: 34.3 times too little.
    slipped = lot_with("1.5", "0.146")
    [warned] = read(grain_mg=0.01).warned
    assert warned.line.lot == slipped and warned.is_above
    assert "more than the chance" in warned.says
    assert any("34.3 times" in slip and "short ton" in slip for slip in warned.slips)


@pytest.mark.django_db
def test_values_of_a_failed_return_are_marked_and_can_be_left_out():
    lot_with("1.5", "5.0")
    AssayReturn.objects.update(checks_state=AssayReturn.Checks.FAILED)
    assert read().lines[0].mark == "a check of this return failed"
    assert read(without_failed=True).counted == 0
    assert any("failed check" in note for note in read().notes)


@pytest.mark.django_db
def test_a_range_is_foretold_only_from_enough_lots_and_within_what_was_compared():
    for gold, grade in EIGHT:
        lot_with(gold, grade)
    waiting = lot_with("1.4", None)
    rich = lot_with("40", None)
    found = read(panned_g_per_t=3.0)
    assert found.why_not_foretold == ""
    told = {each.lot: each.range_text for each in found.foretold}
    assert set(told) == {None, waiting, rich}
    assert "g/t" in told[waiting] and " to " in told[waiting]
    assert "richer than every pan" in told[rich]


@pytest.mark.django_db
def test_of_one_zone_only_its_own_lots_wait_for_an_assay():
    north, south = make.make_zone(name="North face"), make.make_zone(name="South face")
    for gold, grade in EIGHT:
        lot_with(gold, grade, zone=north)
    assayed = lot_with("1.3", "4.0", zone=south)
    elsewhere, waiting = lot_with("1.4", None, zone=south), lot_with("1.6", None, zone=north)
    assert [each.lot for each in read(zone=north.pk).foretold] == [waiting]
    assert [each.lot for each in read().foretold] == [waiting, elsewhere]
    assay(waiting, ["5.0"])
    # The other zone's lot still waits, and its assayed one does not.
    found = read(zone=north.pk)
    assert found.foretold == [] and "Every lot that was panned in this zone" in found.why_not_foretold
    assert assayed not in [each.lot for each in read().foretold]


@pytest.mark.django_db
def test_a_lot_whose_only_assay_was_left_out_does_not_wait_for_one():
    _, part = lot_with("1.4", "4.5"), lot_with(None, "4.6")
    blend = make.make_blend((part, "4000"), (make.make_lot("4000"), "100"))
    pan(blend, "1.4", "500")
    AssayReturn.objects.update(checks_state=AssayReturn.Checks.FAILED)
    for gold, grade in EIGHT:
        lot_with(gold, grade)
    assert read().counted == 10
    found = read(without_failed=True)
    assert found.counted == 8
    assert found.foretold == [] and "Every lot that was panned has its assay" in found.why_not_foretold


@pytest.mark.django_db
def test_lots_panned_below_the_scales_step_wait_too_and_take_no_ones_place(monkeypatch):
    monkeypatch.setattr("trials.frames.field_against_laboratory.MOST_WAITING", 1)
    for gold, grade in EIGHT:
        lot_with(gold, grade)
    assert "Every lot that was panned has its assay" in read().why_not_foretold
    lot_with(None, None, below_scale=True)
    found = read()
    assert found.foretold == [] and "Every lot" not in found.why_not_foretold
    assert "1 lot was panned and not assayed" in found.why_not_foretold
    older = lot_with("1.4", None)
    lot_with(None, None, below_scale=True)
    assert [each.lot for each in read().foretold] == [older]


def test_the_chance_of_several_assays_has_no_floor_of_a_single_one():
    # Four charges alike, each by duplicates 20 % off: their mean 20 / sqrt(4) = 10 %, the standard error of a mean. With grains
    # of next to nothing the floor is all there is.
    [alike] = books_of([3.0], [5.0]).assays
    sides = Sides(books_of([], []), None, 1e-9, {"fire_30": 0.2, "fire_15": 0.3, "screen_fire": 0.05})
    sides.assays[1] = [alike]
    assert sides.assayed([Part(1, 1.0)]).cv == pytest.approx(0.2)
    sides.assays[1] = [alike] * 4
    assert sides.assayed([Part(1, 1.0)]).cv == pytest.approx(0.1)
    # 30 g and 15 g: sqrt((30 x 0.2)^2 + (15 x 0.3)^2) / 45 = 7.5 / 45.
    sides.assays[1] = [alike, replace(alike, method="fire_15")]
    assert sides.assayed([Part(1, 1.0)]).cv == pytest.approx(7.5 / 45)


def test_the_chance_of_grains_stands_where_it_is_more_than_the_floor():
    [alike] = books_of([3.0], [5.0]).assays
    sides = Sides(books_of([], []), None, 0.15, {"fire_30": 0.2})
    # 4 charges of 30 g of 5 g/t hold 0.6 mg: sqrt(0.15 / 0.6).
    sides.assays[1] = [alike] * 4
    assert sides.assayed([Part(1, 1.0)]).cv == pytest.approx(0.5)


@pytest.mark.django_db
def test_groups_name_method_panner_zone_and_size():
    zone = make.make_zone(name="North face")
    for gold, grade in (("1.5", "5.0"), ("2.0", "6.0"), ("1.1", "3.0")):
        lot_with(gold, grade, zone=zone)
    lot_with("1.0", "4.0")
    found = {grouping.title: grouping.lines for grouping in read().groupings}
    north = next(line for line in found["By zone"] if line.label == "North face")
    assert north.lots == 3 and north.interval_text
    assert all(line.note.startswith("none") for line in found["By panner"])
    assert found["By method of the assay"][0].label == "Fire assay, 30 g charge"
    assert len(read(zone=zone.pk).lines) == 3


@pytest.mark.django_db
def test_queries_do_not_grow_with_the_pairs():
    lot_with("1.5", "5.0")
    with CaptureQueriesContext(connection) as few:
        read()
    for _ in range(4):
        lot_with("1.5", "5.2")
    with CaptureQueriesContext(connection) as more:
        read()
    assert len(more) == len(few) <= 12


@pytest.mark.django_db
def test_the_fingerprint_changes_with_what_is_read():
    lot_with("1.5", "5.0")
    before = read_books().fingerprint()
    assert read_books().fingerprint() == before
    AssayReturn.objects.update(checks_state=AssayReturn.Checks.FAILED)
    assert read_books().fingerprint() != before


@pytest.mark.django_db
@pytest.mark.parametrize(
    "change",
    [
        lambda: Run.objects.update(gold_mg="1.6"),
        lambda: Run.objects.update(panned_on=datetime.date(2026, 5, 4)),
        lambda: ColourCount.objects.update(count=4),
        lambda: Sample.objects.update(in_use_g_per_t="5.1"),
        lambda: Lot.objects.update(top_size_um=850),
        lambda: Member.objects.update(first_name="Ada"),
        lambda: Draw.objects.update(mass_g="444"),
        lambda: Zone.objects.update(name="Renamed"),
    ],
)
def test_the_fingerprint_changes_with_every_figure(change):
    lot_with("1.5", "5.0", colours={"fine": 3})
    before = read_books().fingerprint()
    change()
    assert read_books().fingerprint() != before


@pytest.mark.django_db
def test_colours_are_counted_in_the_database_as_pan_by_pan():
    first = lot_with("1.5", None, colours={"fine": 3, "coarse": 1})
    second = lot_with("2.5", None, colours={"flour": 9, "medium": 2, "fine": 4})
    third = lot_with(None, None, below_scale=True, colours={"flour": 2})
    lot_with("7.0", None)
    lot_with(None, None, colours={"medium": 50})
    books = read_books().books()
    # Referee: one pan after the other. A pan without a weight gives no grade, so its colours are in no chance either.
    each = [
        ({"fine": 3, "coarse": 1}, 1.5),
        ({"flour": 9, "medium": 2, "fine": 4}, 2.5),
        ({"flour": 2}, None),
    ]
    found, told = grain_of_colours(books.counted), grain_of_colours(each)
    assert list(found.totals.items()) == list(told.totals.items())
    assert found.high_mg == pytest.approx(told.high_mg) and found.low_mg == pytest.approx(told.low_mg)
    assert books.coarsest == {first.pk: "coarse", second.pk: "medium", third.pk: "flour"}
    assert books.colours_only == 1
    assert read_assays().books().counted == books.counted


@pytest.mark.django_db
def test_a_sample_that_waits_is_no_pair():
    lot = make.make_lot("20000", is_dry=True)
    pan(lot, "2.0", "500")
    send(lot)
    assert pairs() == []


@pytest.mark.django_db
def test_what_a_recovery_left_is_nobodys_grade():
    lot = make.make_lot("20000", is_dry=True)
    run = pan(lot, "2.0", "500")
    products.keep_products(
        step=run.step,
        products=[NewLot(kind=Lot.Kind.TAILS, mass_g=Decimal(490), typed="490 g", field="tails")],
        recorded_by=run.recorded_by,
    )
    tails = Lot.objects.get(kind=Lot.Kind.TAILS)
    split = steps.take_for_assay(
        draw=DrawFrom(lot=tails, mass_g=Decimal(200)),
        recorded_by=run.recorded_by,
        done_on=make.DAY,
        details=StepDetails(method="riffle"),
    )
    assert split.made.exists()
    assay(tails, ["1.0"], "100")
    assert pairs() == []
