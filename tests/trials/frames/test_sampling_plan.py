import math
import random
from decimal import Decimal

import pytest

from prospecting.calc import sampling
from prospecting.models import Lot
from tests import make
from tests.trials.frames.test_results import assay, pan
from tests.trials.make_trial import log, make_running
from trials.frames.sampling_plan import known_of, same_material, sampling_plan

UNITS = {"grade_unit": "g_per_t", "mass_unit": "kg"}
PLAN = {
    "top_um": 2000.0,
    "gold_um": 100.0,
    "gold_low_um": None,
    "gold_high_um": None,
    "coarse_share": 1.0,
    "grade_g_per_t": 5.0,
    "lot_g": 20000.0,
    "portion_g": 1000.0,
    "wanted_sd": 0.15,
    "method": "riffle",
    "series": "astm_e11",
    "before_um": None,
    "stages": [],
}


def plan(**changes):
    return sampling_plan(**(PLAN | changes), **UNITS)


def test_tells_the_worked_case_of_the_fundamental_error():
    # fixtures/reference/grade_sampling_assay.json, d01 and d02: 90.55 % and 13.1 kg at b = 0.5, 20.25 % and 1.75 kg at 1.5.
    found = plan()
    assert found.sentences[0].startswith("Portions of 1 kg of this lot differ by 20 to 91 % by chance alone")
    assert found.sentences[2] == "For a spread of 15 % a portion has to weigh 1.75 to 13.15 kg."
    assert found.grains[0].spreads == ("91 %", "20 %")
    assert found.sieves[0].least_g == pytest.approx((13146.0645271, 1750.18596177))


def test_finer_sieves_are_the_next_of_the_series_and_buy_a_smaller_spread():
    rows = plan().sieves
    assert [row.name for row in rows] == ["as it is", "12 mesh", "14 mesh"]
    assert rows[0].least_g > rows[1].least_g > rows[2].least_g
    assert [row.name for row in plan(series="tyler").sieves[1:]] == ["9 mesh", "10 mesh"]


def test_counts_coarse_grains_like_the_worked_case():
    # Case d07: 500 um, 2 g/t, 500 g: 0.79 grains expected, 45 % of samples without any.
    found = plan(gold_um=500.0, grade_g_per_t=2.0, portion_g=500.0)
    assert found.grains[0].grains == "0.79" and found.grains[0].counting == "112 %"
    assert found.sentences[1].startswith("About 5 in 10 hold no coarse grain at all (500 µm,")
    few = plan(gold_um=500.0, gold_high_um=500.0, grade_g_per_t=2.0, portion_g=500.0, coarse_share=0.1)
    assert few.sentences[1].startswith("About 9 in 10 hold no coarse grain")


def test_the_share_of_portions_without_coarse_gold_is_what_dealing_out_grains_gives():
    """The referee deals 40 grains out to 25 equal portions of one lot many times."""
    grain_mg = sampling.grain_mass_mg(400)
    grade = 40 * grain_mg * 1000 / 25_000
    found = plan(gold_um=400.0, grade_g_per_t=grade, portion_g=1000.0, lot_g=25_000.0)
    rng, empty = random.Random(4), 0
    for _ in range(2000):
        empty += 25 - len({rng.randrange(25) for _ in range(40)})
    assert found.sentences[1].startswith(f"About 1 in {2000 * 25 / empty:.0f} hold no coarse grain")


STAGES = [(None, 2000.0, "riffle"), (1000.0, 250.0, "riffle"), (100.0, 30.0, "riffle")]


def test_names_the_worst_stage_of_the_worked_protocol():
    # Case d06: variances 3.034, 0.422 and 0.0112 at b = 0.5; the first stage is the worst.
    found = plan(top_um=5000.0, gold_um=90.0, grade_g_per_t=6.0, stages=STAGES).protocol
    assert found.totals[0] == "186 %"
    assert [stage.shares[0] for stage in found.stages] == pytest.approx(
        [share / 3.46775205855 for share in (3.03438020957, 0.422182781576, 0.0111890674023)]
    )
    assert [bool(stage.worst) for stage in found.stages] == [True, False, False]
    assert "The worst is stage 1 (20 kg to 2 kg)" in found.sentence


def test_splitting_before_crushing_is_shown_to_be_worse():
    crushed_first = plan(stages=[(850.0, 454.0, "riffle")], before_um=6350.0).protocol
    early = sampling.fundamental_errors(
        grade_g_per_t=5.0, liberation_um=100.0, stage=sampling.Stage(6350.0, 454.0, 20000.0)
    )
    right, wrong = crushed_first.totals, [error.relative_sd for error in early]
    assert f"{100 * wrong[1]:.0f} % instead of {right[1]}" in crushed_first.mistake
    assert plan(stages=[(None, 454.0, "riffle")]).protocol.mistake == ""


def test_scooping_is_told_by_its_published_range():
    # Minnitt: up to 19.33 times the variance of chance.
    found = plan(stages=[(None, 1000.0, "scooped")], method="scooped")
    worst = 20.2479442245 * math.sqrt(19.33)
    assert f"to {worst:.0f} %" in found.protocol.scooping
    assert "Scooping is planned here" in found.splitting and "28 to 47 %" in found.splitting
    assert "lies somewhere between" in plan(method="rolled").splitting


def test_gold_does_not_crush_below_its_own_size():
    finest = plan(top_um=120.0, gold_um=110.0)
    assert [row.at_gold for row in finest.sieves] == [False, True, True]
    assert finest.sieves[1].least_g == finest.sieves[2].least_g
    assert "Screen it out" in finest.finer
    ground = plan(gold_um=150.0, stages=[(75.0, 30.0, "riffle")]).protocol
    assert ground.stages[0].size == "75 µm"
    assert (
        ground.stages[0].spreads
        == plan(gold_um=150.0, stages=[(150.0, 30.0, "riffle")]).protocol.stages[0].spreads
    )
    assert "Nothing is left behind" in plan(stages=[(None, 20000.0, "riffle")]).protocol.sentence


def test_a_portion_that_is_the_whole_lot_leaves_nothing_to_chance():
    assert "whole lot" in plan(portion_g=20000.0).sentences[0]


@pytest.mark.django_db
def test_starts_from_what_the_books_say_of_the_same_material():
    bucket = make.make_lot("20000", top_size_um=Decimal(850), is_dry=True)
    assay(bucket, ["5.0"])
    portions = make.make_portions(bucket, 4, "500")
    pan(portions[0], "2.0", colours={"fine": 8, "very_fine": 2})
    known = known_of(bucket, **UNITS)
    start = known.start
    assert (start["top"], start["grade"], start["portion"], start["method"]) == (
        "850 µm",
        "5.0",
        "0.5 kg",
        "riffle",
    )
    # 2 mg in 10 colours: a ball of 0.2 mg of fine gold.
    assert start["gold"] == f"{sampling.grain_diameter_um(0.2):.0f} µm"
    assert start["keep2"] == "30 g"
    sources = {what: where for what, where, _ in known.sources}
    assert sources["Grade"] == "5.0 g/t, mean of 1 assay in use"
    # A portion of it knows the same of its material, and splits the cut it came from.
    of_portion = known_of(Lot.objects.get(pk=portions[1].pk), **UNITS).start
    assert of_portion["grade"] == "5.0" and of_portion["gold"] == start["gold"]
    assert (of_portion["portion"], of_portion["lot_mass"]) == ("0.5 kg", "2 kg")


@pytest.mark.django_db
def test_pans_give_the_grade_where_nothing_was_assayed_and_an_open_block_gives_nothing():
    trial = make_running(lot=make.make_lot("40000"))
    member = make.make_member()
    for planned in trial.planned_runs.all()[:2]:
        log(planned, member, "9.0", colours={"fine": 4})
    assert "grade" not in known_of(trial.feed_lot, **UNITS).start
    assert "gold" not in known_of(trial.feed_lot, **UNITS).start
    pan(trial.feed_lot, "2.0")
    known = known_of(trial.feed_lot, **UNITS)
    assert known.start["grade"] == "4.0"
    assert "free gold only" in {what: where for what, where, _ in known.sources}["Grade"]


@pytest.mark.django_db
def test_the_same_material_reaches_up_to_the_blend_and_down_to_its_siblings_only():
    bucket = make.make_lot("9000")
    blend = make.make_blend((bucket, "4000"), (make.make_lot("9000"), "4000"))
    first, second = make.make_portions(blend, 2, "454")

    def same(lot: Lot) -> set[str]:
        return set(Lot.objects.filter(pk__in=same_material(lot)).values_list("code", flat=True))

    assert same(first) == {blend.code, first.code, second.code} == same(blend) == same(second)
    assert same(bucket) == {bucket.code}
