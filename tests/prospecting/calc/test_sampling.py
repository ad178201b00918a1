import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from prospecting.calc import sampling, units

STAGE = sampling.Stage(2000, 1000, 20000)
ORE = {"grade_g_per_t": 5, "liberation_um": 100}


@pytest.mark.parametrize("count", [0, 1, 2, 5, 20, 100, 1234, 100_000])
@pytest.mark.parametrize("level", [0.8, 0.95, 0.99])
def test_count_interval_agrees_with_chi_squared_quantiles(count, level):
    # Garwood (1936): chi2(alpha/2; 2n)/2 to chi2(1 - alpha/2; 2n + 2)/2, here by scipy as referee.
    tail = (1 - level) / 2
    found = sampling.count_interval(count, level)
    assert found.low == pytest.approx(stats.chi2.ppf(tail, 2 * count) / 2 if count else 0, rel=1e-10)
    assert found.high == pytest.approx(stats.chi2.ppf(1 - tail, 2 * count + 2) / 2, rel=1e-10)


@given(st.lists(st.integers(0, 60), min_size=2, max_size=40).filter(any))
def test_dispersion_agrees_with_chi_squared(counts):
    found = sampling.dispersion_test(counts)
    assert found.p_upper == pytest.approx(stats.chi2.sf(found.chi2, found.df), rel=1e-9, abs=1e-290)


@given(st.integers(0, 300), st.integers(0, 300), st.floats(0.1, 10), st.floats(0.1, 10))
def test_comparing_two_counts_either_way_round_says_the_same(a, b, mass_a, mass_b):
    if a + b == 0:
        return
    one, other = sampling.compare_counts(a, b, mass_a, mass_b), sampling.compare_counts(b, a, mass_b, mass_a)
    assert one.p_two_sided == pytest.approx(other.p_two_sided, rel=1e-6)
    if a and b:
        assert one.rate_ratio == pytest.approx(1 / other.rate_ratio)
        assert one.interval.low == pytest.approx(1 / other.interval.high)
        assert one.interval.low <= one.rate_ratio <= one.interval.high


def test_nothing_against_something_has_no_upper_ratio():
    found = sampling.compare_counts(5, 0, 1.0, 1.0)
    assert found.rate_ratio == found.interval.high == math.inf
    assert found.interval.low > 0


def test_twenty_grains_are_as_sure_as_the_thumb_rule_says():
    # USGS Professional Paper 625-C: 20 grains for about +-50 % at 95 %.
    assert 2 * sampling.counting_spread(20) == pytest.approx(0.447, abs=0.001)
    assert sampling.counting_spread(0) == math.inf


@given(st.floats(0.0, 0.999))
def test_grains_for_a_chance_give_that_chance(probability):
    assert 1 - sampling.chance_of_none(sampling.grains_for_chance(probability)) == pytest.approx(
        probability, abs=1e-12
    )


@given(st.floats(0.1, 100), st.floats(0.001, 5), st.floats(0.1, 50))
def test_the_sample_for_so_many_grains_holds_them(grains, grain_mg, g_per_t):
    sample_g = sampling.sample_mass_g(grains, grain_mg, g_per_t)
    assert sampling.expected_grains(g_per_t, sample_g, grain_mg) == pytest.approx(grains)
    assert sampling.grade_for_grains(grains, grain_mg, sample_g) == pytest.approx(g_per_t)


def test_a_flake_weighs_less_than_a_ball_by_its_thinness():
    # Ratio of flake to sphere of one diameter is 1.5/k.
    assert sampling.flake_mass_mg(250, 10) / sampling.grain_mass_mg(250) == pytest.approx(0.15)


def test_the_two_liberation_exponents_differ_by_the_size_ratio():
    gy, for_gold = sampling.fundamental_errors(stage=STAGE, **ORE)
    assert (gy.liberation_exponent, for_gold.liberation_exponent) == (0.5, 1.5)
    assert for_gold.relative_variance / gy.relative_variance == pytest.approx(100 / 2000)


def test_ore_finer_than_its_gold_counts_as_free():
    assert sampling.liberation_factor(150, 100, 0.5) == 1.0


@given(st.floats(0.05, 3))
def test_the_minimum_sample_has_the_error_it_was_asked_for(target):
    constant = sampling.fundamental_error(stage=STAGE, liberation_exponent=0.5, **ORE).sampling_constant
    for lot_g in (20000.0, None):
        sample_g = sampling.minimum_sample_g(constant, 2000, target, lot_g)
        variance = sampling.relative_variance(constant, sampling.Stage(2000, sample_g, lot_g))
        assert variance == pytest.approx(target**2, rel=1e-6)


def test_taking_the_whole_lot_has_no_error():
    whole = sampling.Stage(2000, 20000, 20000)
    assert sampling.fundamental_error(stage=whole, liberation_exponent=0.5, **ORE).relative_sd == 0


def test_stages_add_their_variances():
    stages = [sampling.Stage(5000, 2000, 20000), sampling.Stage(1000, 250, 2000)]
    errors = sampling.protocol_errors(stages=stages, liberation_exponent=0.5, **ORE)
    total = sampling.total_error(errors)
    assert total.relative_sd == pytest.approx(math.hypot(*(error.relative_sd for error in errors)))
    assert total.worst_stage == 0


def test_the_sample_for_twenty_grains_holds_twenty():
    # 20 grains of 0.1 mg are 2 mg; at 5 g/t that is the gold of 400 g (computed).
    assert sampling.enough_grains_mass_g(0.1, 5) == pytest.approx(400)
    assert sampling.expected_grains(5, sampling.enough_grains_mass_g(0.37, 5), 0.37) == pytest.approx(20)


BUCKET_TO_PORTION = [
    sampling.Stage(5000, 2000, 20000, "bucket to 2 kg"),
    sampling.Stage(850, 500, 2000, "2 kg to a portion"),
    sampling.Stage(75, 30, 500),
]


def test_a_protocol_names_its_worst_stage():
    found = sampling.split_protocol(stages=BUCKET_TO_PORTION, liberation_exponent=0.5, **ORE)
    alone = [
        sampling.fundamental_error(stage=stage, liberation_exponent=0.5, **ORE) for stage in BUCKET_TO_PORTION
    ]
    assert found.total.relative_sd == pytest.approx(math.hypot(*(error.relative_sd for error in alone)))
    assert sum(stage.share for stage in found.stages) == pytest.approx(1)
    assert found.worst.name == "bucket to 2 kg"
    assert found.worst.share == max(stage.share for stage in found.stages)
    assert found.stages[2].name == "stage 3"
    assert "comes from bucket to 2 kg. Crush finer before it" in found.sentence
    assert "liberation exponent 0.5" in found.sentence


def test_crushing_before_the_worst_stage_lessens_its_error():
    finer = [sampling.Stage(850, 2000, 20000, "bucket to 2 kg"), *BUCKET_TO_PORTION[1:]]
    before, after = (
        sampling.split_protocol(stages=stages, liberation_exponent=0.5, **ORE)
        for stages in (BUCKET_TO_PORTION, finer)
    )
    assert after.total.relative_sd < before.total.relative_sd
    assert after.worst.name == "2 kg to a portion"


def test_a_protocol_is_shown_under_both_exponents():
    gy, for_gold = sampling.split_protocols(stages=BUCKET_TO_PORTION, **ORE)
    assert (gy.liberation_exponent, for_gold.liberation_exponent) == sampling.LIBERATION_EXPONENTS
    # Above the liberation size the larger exponent always says less error.
    assert for_gold.total.relative_sd < gy.total.relative_sd


def test_a_protocol_that_leaves_nothing_behind_has_no_error():
    found = sampling.split_protocol(stages=[sampling.Stage(850, 500, 500)], liberation_exponent=0.5, **ORE)
    assert (found.total.relative_sd, found.worst.share) == (0, 0)
    assert "adds no error" in found.sentence


def protocol_of(*stages):
    return sampling.split_protocol(stages=stages, liberation_exponent=0.5, **ORE)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: sampling.enough_grains_mass_g(0, 5), "grain_mg"),
        (lambda: protocol_of(), "at least one stage"),
        (
            lambda: protocol_of(sampling.Stage(5000, 2000, 20000), sampling.Stage(850, 500, 3000)),
            "Stage 2 splits 3000 g, but the stage before it kept 2000 g",
        ),
        (
            lambda: protocol_of(sampling.Stage(5000, 2000, 20000), sampling.Stage(850, 500, None)),
            "Stage 2 splits a lot without end, but",
        ),
        (
            lambda: protocol_of(sampling.Stage(850, 2000, 20000), sampling.Stage(5000, 500, 2000)),
            "Stage 2 has pieces of 5000 µm",
        ),
        (lambda: sampling.grain_mass_mg(0), "diameter_um"),
        (lambda: sampling.expected_grains(1, 1, 0), "grain_mg"),
        (lambda: sampling.sample_mass_g(1, 1, 0), "grade_g_per_t"),
        (lambda: sampling.grains_for_chance(1), "probability"),
        (lambda: sampling.count_interval(-1), "whole number"),
        (lambda: sampling.count_interval(1.5), "whole number"),
        (lambda: sampling.count_interval(1, 95), "confidence level"),
        (lambda: sampling.dispersion_test([0, 0]), "at least one grain"),
        (lambda: sampling.dispersion_test([3]), "two counts"),
        (lambda: sampling.compare_counts(0, 0, 1, 1), "nothing"),
        (lambda: sampling.mineralogical_factor(0, 19, 2.65), "mass fraction"),
        (lambda: sampling.relative_variance(1, sampling.Stage(1, 5, 4)), "cannot come from a lot"),
        (lambda: sampling.minimum_sample_g(1, 1, 0), "target_relative_sd"),
        (lambda: sampling.total_error([]), "at least one stage"),
        (lambda: sampling.ingamells_mass_g(250, 0), "target_relative_sd"),
    ],
)
def test_refuses_samples_that_cannot_be(make, says):
    with pytest.raises(ValueError, match=says):
        make()


@pytest.mark.parametrize("openings", [units.ASTM_E11_UM, units.TYLER_UM])
def test_finer_sieves_step_as_the_series_is_built(openings):
    # ASTM E11 and the full Tyler scale step by the fourth root of 2 (from memory), rounded to nominal openings.
    steps = sampling.finer_sieves(openings, 4000, 8)
    assert len(steps) == 8
    for (_, coarse), (_, fine) in zip(steps, steps[1:], strict=False):
        assert coarse / fine == pytest.approx(2**0.25, rel=0.03)
    assert all(opening < 4000 for _, opening in steps)
    assert sampling.finer_sieves(openings, 37, 2) == []


@given(st.floats(0.1, 10_000), st.floats(10, 20))
def test_grain_diameter_turns_grain_mass_round(diameter_um, density):
    mass_mg = sampling.grain_mass_mg(diameter_um, density)
    assert sampling.grain_diameter_um(mass_mg, density) == pytest.approx(diameter_um)


def test_the_way_of_cutting_multiplies_the_variance_of_its_own_stage_only():
    # Minnitt's worst figure for scoops, 19.33 times chance.
    plain = protocol_of(sampling.Stage(850, 2000, 20000), sampling.Stage(850, 500, 2000))
    scooped = protocol_of(
        sampling.Stage(850, 2000, 20000), sampling.Stage(850, 500, 2000, times_chance=19.33)
    )
    first, second = (stage.error.relative_variance for stage in plain.stages)
    assert scooped.stages[0].error.relative_variance == first
    assert scooped.total.relative_variance == pytest.approx(first + 19.33 * second)


def test_grains_run_from_half_to_twice_but_not_past_the_ore():
    assert sampling.grain_range_um(200) == sampling.GrainRange(100, 400)
    assert sampling.grain_range_um(200, 1000) == sampling.GrainRange(100, 400)
    assert sampling.grain_range_um(200, 250) == sampling.GrainRange(100, 250)


@given(st.floats(0.01, 1), st.floats(0.01, 100))
def test_a_share_of_the_gold_is_a_share_of_the_grade(share, grade):
    assert sampling.expected_grains(grade, 500, 0.3, share) == pytest.approx(
        sampling.expected_grains(grade * share, 500, 0.3)
    )
    enough_g = sampling.enough_grains_mass_g(0.3, grade, share)
    assert sampling.expected_grains(grade, enough_g, 0.3, share) == pytest.approx(20)


def test_sampling_is_what_assays_scatter_beyond_their_own_error():
    # By hand: grades 8, 10, 12 have sd 2, 20 % of their mean; sqrt(0.2^2 - 0.12^2) = 0.16; over sqrt(3).
    assert sampling.spread_of_sampling([8, 10, 12], 10, 0.12) == pytest.approx(0.16 / math.sqrt(3))
    assert sampling.spread_of_sampling([8, 10, 12], 10, 0.3) == 0


def test_one_assay_does_not_scatter():
    with pytest.raises(ValueError, match="at least 2"):
        sampling.spread_of_sampling([8], 8, 0.1)
