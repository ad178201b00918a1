"""Ratios of several trials set together: a published example, two other programs, and what must not come out."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trials.calc.across_trials import (
    DER_SIMONIAN_LAIRD,
    DoseTried,
    dose_groups,
    least_over_trials,
    shared_level,
    summary_of_ratios,
)
from trials.calc.bridge import LogRatio

# Kacker 2004, Metrologia 41, 132-136, first example, as given in the tests of statsmodels (test_meta.py), which name the article.
KACKER = [61.00, 61.40, 62.21, 62.30, 62.34, 62.60, 62.70, 62.84, 65.90]
KACKER_VARIANCES = [0.2025, 1.2100, 0.0900, 0.2025, 0.3844, 0.5625, 0.0676, 0.0225, 1.8225]
PARTS = [LogRatio(y, math.sqrt(v), 8) for y, v in zip(KACKER, KACKER_VARIANCES, strict=True)]

SPREADS = st.lists(st.tuples(st.floats(-1.5, 1.5), st.floats(0.02, 0.8)), min_size=2, max_size=8)


def test_the_published_spread_between_laboratories():
    # Table 1 of the article, first row: square roots of tau^2 by Paule and Mandel and by DerSimonian and Laird (the latter is
    # printed as 0.5359; statsmodels and metafor both give 0.5367, within the thousandth their authors allow).
    assert summary_of_ratios(PARTS).tau == pytest.approx(0.8399, abs=6e-5)
    assert summary_of_ratios(PARTS, DER_SIMONIAN_LAIRD).tau == pytest.approx(0.5359, abs=1e-3)


def test_the_figures_of_metafor():
    # R metafor on the same data, printed in statsmodels' results_meta.py (rma with method PM; DL with test knha; FE).
    found = summary_of_ratios(PARTS)
    assert found.tau**2 == pytest.approx(0.705395309224248, abs=1e-9)
    assert found.ratio.ln == pytest.approx(62.4076199113286, abs=1e-9)
    assert found.ratio.se == pytest.approx(0.338030602684471, abs=1e-9)
    assert (found.q, found.p_q) == pytest.approx((24.801897741835, 0.00167935146372742), rel=1e-9)
    knapp = summary_of_ratios(PARTS, DER_SIMONIAN_LAIRD)
    assert knapp.tau**2 == pytest.approx(0.288049246973751, abs=1e-10)
    assert knapp.ratio.se == pytest.approx(0.29477605699879, abs=1e-9)
    assert knapp.i2 == pytest.approx(0.67744403741711, abs=1e-9)
    limits = [math.log(limit) for limit in LogRatio(0.0, knapp.ratio.se, knapp.ratio.df).interval()]
    assert [knapp.ratio.ln + limit for limit in limits] == pytest.approx(
        [61.710383798052, 63.0698934108488], abs=1e-8
    )
    # Inverse variance alone, without a spread between trials.
    assert found.average.ln == pytest.approx(62.5833970939982, abs=1e-9)
    assert found.average.se == pytest.approx(0.107845705498231, abs=1e-9)


def test_another_library_agrees_wherever_the_trials_lie():
    from statsmodels.stats.meta_analysis import combine_effects

    rng = np.random.default_rng(6)
    for trials in (2, 3, 5, 8) * 6:
        effects, errors = rng.normal(0.3, 0.4, trials), rng.uniform(0.05, 0.5, trials)
        theirs = combine_effects(effects, errors**2, method_re="dl", use_t=True)
        ours = summary_of_ratios(
            [LogRatio(*pair, 10) for pair in zip(effects, errors, strict=True)], DER_SIMONIAN_LAIRD
        )
        # Theirs may fall below 0 where trials agree; ours is then that of no spread.
        assert ours.tau**2 == pytest.approx(max(0.0, theirs.tau2), abs=1e-9)
        if theirs.tau2 > 0:
            assert ours.ratio.ln == pytest.approx(theirs.mean_effect_re, abs=1e-9)
            assert ours.factor == pytest.approx(math.sqrt(theirs.scale_hksj_re), rel=1e-6)
        else:
            assert ours.ratio.ln == pytest.approx(theirs.mean_effect_fe, abs=1e-9)


@settings(max_examples=25, deadline=None)
@given(SPREADS)
def test_pauls_and_mandels_spread_makes_the_squares_what_chance_would(pairs):
    parts = [LogRatio(*pair, 10) for pair in pairs]
    found = summary_of_ratios(parts)
    weights = [1 / (part.se**2 + found.tau**2) for part in parts]
    squares = sum(w * (part.ln - found.ratio.ln) ** 2 for w, part in zip(weights, parts, strict=True))
    if found.tau:
        assert squares == pytest.approx(len(parts) - 1, rel=1e-6)
    else:
        assert squares <= len(parts) - 1 + 1e-9
    # Never surer than if all trials had one ratio.
    assert found.ratio.se >= 1 / math.sqrt(sum(1 / part.se**2 for part in parts)) - 1e-12


def test_the_average_of_just_these_trials_is_the_fixed_effect_of_another_library():
    # statsmodels takes the standard errors as known (a normal quantile), which ours is with endless degrees of freedom.
    from statsmodels.stats.meta_analysis import combine_effects

    rng = np.random.default_rng(11)
    for trials in (2, 2, 2, 3, 5) * 4:
        effects, errors = rng.normal(0.3, 0.4, trials), rng.uniform(0.05, 0.5, trials)
        theirs = combine_effects(effects, errors**2)
        ours = summary_of_ratios(
            [LogRatio(*pair, math.inf) for pair in zip(effects, errors, strict=True)]
        ).average
        assert (ours.ln, ours.se) == pytest.approx((theirs.mean_effect_fe, theirs.sd_eff_w_fe), abs=1e-9)
        fixed = theirs.conf_int()[0]
        assert [math.log(limit) for limit in ours.interval()] == pytest.approx(list(fixed), abs=1e-6)


def test_two_trials_are_told_by_their_own_average_too_and_more_are_not():
    two = summary_of_ratios([LogRatio.of(1.5, 0.1, 12), LogRatio.of(1.3, 0.1, 12)])
    assert two.average_said.startswith(
        "The average of just these two is 1.4 times (1.21 to 1.62, 95 % interval)"
    )
    assert "says nothing of what a third would give" in two.average_said
    # By hand: equal errors, so exp(mean of ln) = root of 1.5 x 1.3, error 0.1 / root 2, t of 24 degrees of freedom 2.0639.
    half = 2.0639 * 0.1 / math.sqrt(2)
    assert two.average.interval() == pytest.approx(
        (math.sqrt(1.95) * math.exp(-half), math.sqrt(1.95) * math.exp(half)), rel=1e-4
    )
    assert summary_of_ratios([LogRatio.of(1.5, 0.1, 12)] * 3).average_said == ""


def test_two_trials_that_agree_by_luck_get_no_interval_of_no_width():
    alike = summary_of_ratios([LogRatio.of(1.5, 0.1, 8), LogRatio.of(1.5, 0.1, 8)])
    lower, upper = alike.ratio.interval()
    assert lower < 1 < upper
    assert "a third would narrow it most" in alike.agreement


def test_says_in_words_whether_trials_differ():
    def words(*ratios: float) -> str:
        return summary_of_ratios([LogRatio.of(ratio, 0.1, 10) for ratio in ratios]).agreement

    assert "no more than chance" in words(1.5, 1.52, 1.49)
    assert "With 3 trials a real difference could still hide" in words(1.5, 1.52, 1.49)
    assert "by more than chance" in words(0.9, 1.5, 2.4)
    assert "chance alone would bring that often" in words(1.3, 1.5, 1.65)


@pytest.mark.parametrize(
    ("parts", "said"),
    [
        ([LogRatio(0.1, 0.1, 5)], "nothing to set together"),
        ([LogRatio(0.1, 0.1, 5), LogRatio(0.2, 0.0, 5)], "error above 0"),
        ([LogRatio(0.1, 0.1, 5), LogRatio(math.nan, 0.1, 5)], "nan"),
    ],
)
def test_refuses_what_cannot_be_weighted(parts, said):
    with pytest.raises(ValueError, match=said):
        summary_of_ratios(parts)


def test_refuses_a_method_nobody_knows():
    with pytest.raises(ValueError, match="method"):
        summary_of_ratios(PARTS[:2], "guess")


def test_doses_a_drop_apart_are_one():
    assert dose_groups([0.4, 0.2, 0.209, 0.211]) == [(0.2, 0.209), (0.211,), (0.4,)]
    with pytest.raises(ValueError, match="above 0"):
        dose_groups([0.0, 0.1])


def test_one_trial_below_doses_that_several_do_not_show_counts_for_nothing():
    tried = [DoseTried(0.05, 1, True), DoseTried(0.1, 3, False), DoseTried(0.4, 1, True)]
    found = least_over_trials(tried)
    assert (found.repeated, found.single, found.below) == (None, 0.4, 0.1)
    assert least_over_trials([DoseTried(0.1, 3, False)]).below is None


@pytest.mark.parametrize(("comparisons", "level"), [(1, 0.95), (2, 0.975), (5, 0.99)])
def test_so_many_intervals_share_out_one_error(comparisons, level):
    # Bonferroni: 5 % over so many.
    assert shared_level(comparisons) == pytest.approx(level)


def test_an_error_shared_out_over_nothing_is_refused():
    with pytest.raises(ValueError, match="at least 1"):
        shared_level(0)
