import math
from decimal import Decimal

import numpy as np
import pytest

from prospecting.actions import material
from prospecting.models import Lot
from tests import make
from tests.trials.frames.test_results import assay
from tests.trials.make_trial import log, make_result, make_running
from trials.actions import running
from trials.calc.chance import GRAIN_MG
from trials.frames.portion_evidence import (
    FEW,
    NOT_SHOWN,
    UNEVEN,
    UNIFORM,
    WEIGHTS,
    Floors,
    Grain,
    Portion,
    floors,
    of_assays,
    of_colours,
    of_duplicates,
    of_weights,
)
from trials.frames.uniformity import grain_of, lot_uniformity

LEVEL = 0.95
MASSES = np.array(list(GRAIN_MG.values()))
# Between the mean masses of the classes.
LIMITS = np.sqrt(MASSES[1:] * MASSES[:-1])


def portions(amounts, *, step=0.1, exposure=454.0) -> list[Portion]:
    return [
        Portion(
            f"P{n}", "/", exposure, amount, f"{amount}", limit=step if amount is None else 0.0, step_mg=step
        )
        for n, amount in enumerate(amounts)
    ]


def simulated(rng, number: int, grains: float, uneven: float = 0.0, log_sd: float = 1.0):
    """Weights and counted classes of portions whose grains fall by chance; `uneven` is the relative sd between portions."""
    expected = np.full(number, float(grains))
    if uneven:
        expected *= rng.gamma(1 / uneven**2, uneven**2, number)
    weights, counted = [], []
    for mean in expected:
        grain = 0.5 * np.exp(rng.normal(0, log_sd, rng.poisson(mean)))
        weight = round(float(grain.sum()) / 0.1) * 0.1
        classes = np.bincount(np.searchsorted(LIMITS, grain), minlength=len(MASSES))
        weights.append(weight or None)
        counted.append((dict(zip(GRAIN_MG, map(int, classes), strict=True)), weight or None))
    return weights, counted


def grain_for(weights, counted, typed_mg=None) -> Grain:
    return grain_of([] if typed_mg else counted, typed_mg=typed_mg, weighed=len(weights))


def judged(rng, *, typed_mg=None, **lot) -> Floors:
    """The tests that decide, without the search for what else they could have seen."""
    weights, counted = simulated(rng, **lot)
    grain = grain_for(weights, counted, typed_mg)
    return floors(WEIGHTS, portions(weights), grain, 0.25, LEVEL, reading_sd=0.1 / math.sqrt(6))


def share(rng, runs: int, says: str, **lot) -> float:
    return sum(getattr(judged(rng, **lot), says) for _ in range(runs)) / runs


# The promise: no more than 5 % of uniform lots are called uneven, and 1 % for the simulation's own chance. Each is a quick look
# of 300 lots, so what may be seen is three standard errors more.
SEEN_AT_MOST = 0.06 + 3 * math.sqrt(0.06 * 0.94 / 300)


@pytest.mark.parametrize(
    ("number", "grains", "log_sd", "typed"),
    [(5, 30, 0.5, False), (8, 8, 1.0, False), (20, 30, 1.3, False), (8, 30, 1.0, True), (20, 30, 1.3, True)],
)
def test_uniform_lots_are_rarely_called_uneven(number, grains, log_sd, typed):
    rng = np.random.default_rng(number)
    # The mass of a grain weighted by mass, of a lognormal law with median 0.5 mg.
    typed_mg = 0.5 * math.exp(1.5 * log_sd**2) if typed else None
    called = share(rng, 300, "is_uneven", number=number, grains=grains, log_sd=log_sd, typed_mg=typed_mg)
    assert called <= SEEN_AT_MOST


@pytest.mark.parametrize(("number", "grains", "log_sd"), [(8, 30, 0.5), (12, 12, 1.0), (20, 30, 1.3)])
def test_uneven_lots_are_found_as_often_as_the_page_says(number, grains, log_sd):
    rng = np.random.default_rng(number)

    def visible() -> float:
        weights, counted = simulated(rng, number, grains, log_sd=log_sd)
        found = of_weights(portions(weights), grain_for(weights, counted), 0.01, LEVEL)
        return found.visible if found.visible is not None else math.nan

    said = float(np.nanmedian([visible() for _ in range(15)]))
    found = share(rng, 300, "is_uneven", number=number, grains=grains, log_sd=log_sd, uneven=said)
    assert found >= 0.8 - 3 * math.sqrt(0.16 / 300)


def test_lots_as_uneven_as_matters_are_rarely_called_uniform():
    rng = np.random.default_rng(2)
    assert share(rng, 300, "stays_within", number=20, grains=60, uneven=0.25) <= SEEN_AT_MOST
    assert share(rng, 100, "stays_within", number=20, grains=150, log_sd=0.5) > 0.8


def test_colours_far_apart_are_uneven_and_alike_ones_are_not():
    assert of_colours(portions([3.0, 40.0, 8.0, 25.0]), 0.25, LEVEL).outcome == UNEVEN
    assert of_colours(portions([20.0, 24.0, 17.0, 22.0]), 0.25, LEVEL).outcome == NOT_SHOWN
    assert of_colours(portions([20.0, 21.0]), 0.25, LEVEL).outcome == FEW


def test_the_published_portions_of_one_well_mixed_lot_are_not_called_uneven():
    # Wells, Placer Examination (1969): 60 lb with 320 grains halved down to sixteen portions gave 8 to 32 grains, 20 expected;
    # its quarters held 87, 66, 73 and 94. Chance alone does that.
    found = of_colours(portions([87.0, 66.0, 73.0, 94.0]), 0.25, LEVEL)
    assert found.outcome in (NOT_SHOWN, UNIFORM)


def test_what_is_below_the_scale_is_never_taken_as_nothing():
    grain = Grain(0.02, 0.02, True, "")
    # As zeros these would scatter far beyond chance; as anything up to the step they need not.
    hidden = of_weights(portions([0.12, None, 0.11, None, 0.13, 0.12], step=0.1), grain, 0.25, LEVEL)
    as_zeros = of_weights(portions([0.12, 0.0, 0.11, 0.0, 0.13, 0.12], step=0.01), grain, 0.25, LEVEL)
    assert as_zeros.outcome == UNEVEN
    assert hidden.outcome in (NOT_SHOWN, FEW)
    assert any("not zero" in sentence for sentence in hidden.sentences)
    assert [point.is_below for point in hidden.points] == [False, True, False, True, False, False]


def test_a_coarse_scale_explains_a_scatter_of_its_own():
    grain = Grain(0.001, 0.001, True, "")
    amounts = [1.0, 2.0, 1.0, 2.0, 1.0, 2.0]
    assert of_weights(portions(amounts, step=0.1), grain, 0.25, LEVEL).outcome == UNEVEN
    assert of_weights(portions(amounts, step=1.0), grain, 0.25, LEVEL).outcome != UNEVEN


def test_the_working_agrees_with_fishers_test_by_hand():
    # Counts 4, 9, 2, 7: mean 5.5, sum of squares 29, chi-squared 29 / 5.5 = 5.27.
    row = of_colours(portions([4.0, 9.0, 2.0, 7.0]), 0.25, LEVEL).row
    assert ("χ²", "5.27", "", "") in row.inputs


def pairs(true, errors, charge=30.0):
    return [
        tuple(Portion(f"P{n}", "/", charge, grade * charge / 1000, "") for grade in (t + e, t - e))
        for n, (t, e) in enumerate(zip(true, errors, strict=True))
    ]


def test_duplicates_tell_uneven_portions_from_even_ones():
    error = [0.1, -0.2, 0.15, 0.05, -0.1, 0.2, -0.15, 0.1, 0.05, -0.2]
    even = of_duplicates(pairs([5.0, 5.1, 4.9, 5.0, 5.2, 4.8, 5.0, 5.1, 4.9, 5.0], error), 0.1, 0.25, LEVEL)
    uneven = of_duplicates(pairs([1, 9, 2, 12, 3, 8, 1.5, 10, 2, 7], error), 0.1, 0.25, LEVEL)
    assert (even.outcome, uneven.outcome) == (UNIFORM, UNEVEN)
    unknown = of_duplicates(pairs([1, 9, 2, 12, 3, 8, 1.5, 10, 2, 7], error), None, 0.25, LEVEL)
    assert unknown.outcome == NOT_SHOWN
    assert any("counting chance explains is not known" in sentence for sentence in unknown.sentences)


def test_pairs_alike_to_the_last_digit_are_no_evidence():
    assert of_duplicates(pairs([5.0, 6.0, 7.0], [0, 0, 0]), 0.1, 0.25, LEVEL).outcome == FEW


def test_one_assay_each_is_judged_by_the_grains_in_its_charge():
    few_grains = of_assays(
        portions([0.05, 0.15, 0.1, 0.2], exposure=30.0), Grain(0.1, 0.1, True, ""), 0.25, LEVEL
    )
    many_grains = of_assays(
        portions([0.05, 0.15, 0.1, 0.2], exposure=30.0), Grain(0.0001, 0.0001, True, ""), 0.25, LEVEL
    )
    assert (few_grains.outcome, many_grains.outcome) == (FEW, UNEVEN)


# The books.


def pan(lot: Lot, gold: str | None, colours: dict | None = None, mass: str = "454", **fields):
    member = make.make_member()
    fields |= {} if gold else {"below_scale": True}
    return running.log_test_pan(
        lot=lot,
        portion=running.Portion(mass_g=Decimal(mass), typed=f"{mass} g"),
        result=make_result(member, gold, colours=colours or {}, **fields),
        recorded_by=member,
    )


def blend() -> Lot:
    return make.make_blend((make.make_lot("30000"), "20000"), (make.make_lot("30000"), "20000"))


def look(lot: Lot, **asked):
    return lot_uniformity(lot, grade_unit="g_per_t", **asked)


def results(found) -> list[int]:
    return [len(each.points) for each in found.evidence]


@pytest.mark.django_db
def test_a_lot_nobody_panned_says_what_to_do_first():
    found = look(blend())
    assert found.outcome == FEW
    assert "three to five" in found.explanation[0]
    assert not found.evidence


@pytest.mark.django_db
def test_every_pan_of_a_blend_counts_once():
    """A blend's maker has several draws, which once made its own runs come twice."""
    lot = blend()
    for gold in ("4.0", "5.0", "6.0"):
        pan(lot, gold, {"fine": 2, "very_fine": 3})
    assert results(look(lot)) == [3, 3]


@pytest.mark.django_db
def test_uneven_portions_are_told_in_the_order_they_were_cut():
    lot = blend()
    cut = make.make_portions(lot, 6)
    for portion, number in reversed(list(zip(cut, (2, 3, 15, 30, 50, 70), strict=True))):
        pan(portion, f"{number * 0.8:.1f}", {"very_fine": number})
    found = look(lot)
    assert found.outcome == UNEVEN
    assert [point.label for point in found.evidence[1].points] == [portion.code for portion in cut]
    assert found.trend.startswith("The gold rises along the order of cutting")


@pytest.mark.django_db
def test_a_run_of_an_open_block_is_not_even_counted():
    trial = make_running(lot=blend(), blocks=2)
    member = make.make_member()
    first, second = trial.blocks.all()
    for planned in first.planned_runs.all():
        log(planned, member, "8.0")
    for planned in second.planned_runs.all():
        log(planned, member, "3.0")
    lot = trial.feed_lot
    assert results(look(lot)) == []
    running.close_block(block=first, closed_by=member)
    # The control of the closed block, and nothing of the treated portion beside it.
    assert results(look(lot)) == [1]
    assert look(lot).differs == pytest.approx(0.25)
    assert "trial" in look(lot).differs_from


@pytest.mark.django_db
def test_failed_and_voided_runs_do_not_count():
    lot = blend()
    for _ in range(3):
        pan(lot, "5.0")
    pan(lot, "50.0", failed=True, fail_reason="Spilt.")
    material.void_step(step=pan(lot, "80.0").step, reason="Wrong lot.", voided_by=make.make_member("keeper"))
    assert results(look(lot)) == [3]


@pytest.mark.django_db
def test_weights_alone_ask_for_the_grain_and_take_the_typed_one():
    lot = blend()
    for gold in ("4.0", "5.0", "6.0", "5.5"):
        pan(lot, gold)
    assert look(lot).outcome == FEW
    assert "how heavy" in look(lot).explanation[0]
    found = look(lot, grain_mg=0.1, differs=0.5)
    assert found.evidence[0].visible is not None
    assert "as typed" in found.grain.words


@pytest.mark.django_db
def test_two_assays_of_each_portion_make_pairs():
    lot = blend()
    for portion, cells in zip(make.make_portions(lot, 4, "900"), (5.0, 5.4, 4.8, 5.1), strict=True):
        assay(portion, [f"{cells}"], "200")
        assay(portion, [f"{cells + 0.3}"], "200")
    (found,) = look(lot).evidence
    assert found.kind == "duplicates"
    assert [point.place for point in found.points] == [1, 1, 2, 2, 3, 3, 4, 4]


@pytest.mark.django_db
def test_what_was_recovered_or_blended_on_is_no_portion_of_the_lot():
    lot, other = blend(), make.make_lot("9000")
    further = make.make_blend((lot, "5000"), (other, "5000"))
    pan(further, "9.0", {"fine": 4})
    assert not look(lot).evidence
