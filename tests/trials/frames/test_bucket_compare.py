from decimal import Decimal

import pytest

from prospecting.models import Lot
from tests import make
from tests.trials.frames.test_results import assay, crush
from tests.trials.frames.test_uniformity import pan
from trials.frames.bucket_compare import ALIKE_ENOUGH, FEW, NOTHING, POOR, RICH, compare_lots

pytestmark = pytest.mark.django_db


def buckets(*colours: int, mass: str = "1000") -> list[Lot]:
    """Lots test-panned once, each with so many very fine colours of 0.78 mg."""
    lots = [make.make_lot("20000") for _ in colours]
    for lot, number in zip(lots, colours, strict=True):
        pan(lot, f"{number * 0.78:.1f}" if number else None, {"very_fine": number}, mass=mass)
    return lots


def compare(lots, masses=None, **asked):
    masses = masses or ["10000"] * len(lots)
    return compare_lots(
        dict(zip(lots, map(Decimal, masses), strict=True)), grade_unit="g_per_t", mass_unit="kg", **asked
    )


def test_a_rich_and_a_barren_bucket_are_named():
    found = compare(buckets(60, 55, 400, 2))
    assert [each.outcome for each in found.lots] == ["alike", "alike", RICH, POOR]
    rich, poor = found.lots[2].lot.code, found.lots[3].lot.code
    assert found.headline.startswith(
        f"{rich} is at least twice as rich as the others; {poor} is at most half"
    )
    # 400 of 517 grains from a quarter of the mass.
    assert found.lots[2].gold_share == pytest.approx(400 / 517, abs=0.01)
    assert found.explanation[0].startswith(
        f"{rich} dominates the planned blend: about 77 % of the gold from 25 %"
    )


def test_like_buckets_are_not_called_different():
    found = compare(buckets(60, 65, 58))
    assert found.outcome == ALIKE_ENOUGH
    assert "No lot is seen to dominate" in found.explanation[0]


def test_too_few_grains_say_how_much_more_to_pan():
    found = compare(buckets(3, 5, mass="500"))
    assert found.outcome == FEW
    assert "for some 20 grains" in found.lots[0].says
    assert found.explanation[0].startswith("Too little was panned to rule out")


def test_the_planned_masses_decide_which_lot_dominates():
    lots = buckets(60, 60)
    assert [round(each.gold_share, 2) for each in compare(lots, ["10000", "10000"]).lots] == [0.5, 0.5]
    assert [round(each.gold_share, 2) for each in compare(lots, ["18000", "2000"]).lots] == [0.9, 0.1]


def test_a_lot_without_a_result_is_named_and_leaves_the_shares_open():
    lots = [*buckets(60, 60), make.make_lot("5000")]
    found = compare(lots)
    assert f"{lots[2].code} is without a result" in found.headline
    assert {each.gold_share for each in found.lots} == {None}
    assert compare(lots[1:]).outcome == NOTHING


def test_what_was_panned_before_crushing_still_speaks_for_the_lot():
    first, second = buckets(60, 60)
    found = compare([crush(first, "10000"), second])
    assert found.lots[0].outcome == ALIKE_ENOUGH


def test_below_the_scale_is_an_upper_limit_and_no_zero():
    found = compare(buckets(0, 60))
    assert found.lots[0].grade_text.startswith("up to") or " to " in found.lots[0].grade_text
    assert found.bars[0].below == 1


def test_weights_without_counts_need_the_typed_grain():
    lots = [make.make_lot("20000") for _ in range(2)]
    for lot, gold in zip(lots, ("40.0", "6.0"), strict=True):
        pan(lot, gold, mass="1000")
    assert compare(lots).outcome == FEW
    assert compare(lots, grain_mg=0.1).outcome == RICH


def test_assays_are_compared_where_nobody_panned():
    lots = [make.make_lot("20000") for _ in range(2)]
    for lot, cell in zip(lots, ("2.0", "40.0"), strict=True):
        assay(lot, [cell])
    found = compare(lots, grain_mg=0.001)
    assert found.basis == "assays"
    assert found.lots[1].grade_text == "40.0 g/t"
    assert found.lots[1].outcome == RICH


def test_a_run_of_an_open_block_stays_hidden():
    from tests.trials.make_trial import log, make_running

    lot, other = buckets(60, 60)
    trial = make_running(lot=lot, blocks=2)
    for planned in trial.planned_runs.all():
        log(planned, make.make_member(), "80.0")
    assert [len(each.found["weights"].results) for each in compare([lot, other]).lots] == [1, 1]
