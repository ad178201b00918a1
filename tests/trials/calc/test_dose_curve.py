"""Curves through doses: fits against a second library, both kinds of information, exact break points, refusals."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import curve_fit, minimize_scalar

from trials.calc.dose_curve import broken_stick, log_logistic

DOSES = [0, 0, 1, 1, 2, 2, 4, 4, 8, 8, 16, 16]
FALLING = [9.9, 10.1, 9.4, 9.2, 8.1, 7.9, 4.6, 5.1, 2.4, 2.0, 1.1, 1.3]
RISING = [1.0, 1.2, 2.0, 2.2, 3.1, 2.9, 3.5, 3.7, 3.6, 3.4, 3.5, 3.6]


def curve(x, b, c, d, e):
    return c + (d - c) / (1 + (np.asarray(x) / e) ** b)


def test_fit_agrees_with_a_second_library():
    found = log_logistic(DOSES, FALLING)
    theta, covariance = curve_fit(
        curve,
        DOSES,
        FALLING,
        p0=[2, 1, 10, 4],
        bounds=([0.1, -5, 0, 0.1], [20, 20, 20, 50]),
        xtol=1e-14,
        ftol=1e-14,
    )
    se = np.sqrt(np.diag(covariance))
    assert (found.slope_b, found.lower_c, found.upper_d, found.ed50.dose) == pytest.approx(
        tuple(theta), rel=1e-5
    )
    assert (found.se_b, found.se_c, found.se_d, found.ed50.se) == pytest.approx(tuple(se), rel=1e-4)
    # Nine tenths of the way from d to c.
    at_ed90 = curve(found.ed90.dose, *theta)
    assert (theta[2] - at_ed90) / (theta[2] - theta[1]) == pytest.approx(0.9, abs=1e-6)


def sum_of_squares(theta) -> float:
    b, c, d, log_e = theta
    return float(((curve(DOSES, b, c, d, math.exp(log_e)) - FALLING) ** 2).sum())


def test_observed_information_is_the_curvature_of_the_sum_of_squares():
    found = log_logistic(DOSES, FALLING, information="observed")
    top = np.array([found.slope_b, found.lower_c, found.upper_d, math.log(found.ed50.dose)])
    step = 1e-4 * np.eye(4)
    hessian = (
        np.array(
            [
                [
                    sum_of_squares(top + a + b)
                    - sum_of_squares(top + a - b)
                    - sum_of_squares(top - a + b)
                    + sum_of_squares(top - a - b)
                    for b in step
                ]
                for a in step
            ]
        )
        / 4e-8
    )
    covariance = np.linalg.inv(hessian / 2) * found.residual_sd**2
    assert (found.se_b, found.se_c, found.se_d) == pytest.approx(
        tuple(np.sqrt(np.diag(covariance))[:3]), rel=1e-4
    )
    assert found.ed50.se == pytest.approx(found.ed50.dose * math.sqrt(covariance[3, 3]), rel=1e-4)
    # Same curve, other standard errors: the convention has to be named.
    other = log_logistic(DOSES, FALLING)
    assert (found.information, other.information) == ("observed", "gauss_newton")
    assert found.ed90.dose == pytest.approx(other.ed90.dose)
    assert found.ed90.se != pytest.approx(other.ed90.se, rel=1e-3)


def reference_cases():
    content = json.loads((Path(__file__).parents[3] / "fixtures/reference/trial_statistics.json").read_text())
    cases = content["cases"] if isinstance(content, dict) else content
    return [case for case in cases if "expected_if_observed_information_is_used" in case]


@pytest.mark.parametrize("case", reference_cases(), ids=lambda case: case["id"])
def test_the_other_convention_of_the_reference_cases_comes_out_too(case):
    # R drc 3.0-1 uses the observed information (figures in the case).
    inputs, expected = case["inputs"], case["expected_if_observed_information_is_used"]
    found = log_logistic(inputs[inputs["dose_key"]], inputs[inputs["response_key"]], information="observed")
    for name in ("ed50", "ed90"):
        dose = getattr(found, name)
        got = (dose.dose, dose.se, dose.symmetric_lower, dose.symmetric_upper)
        wanted = tuple(expected[key.format(name)] for key in ("{}", "se_{}", "{}_lower_95", "{}_upper_95"))
        assert got == pytest.approx(wanted, rel=case["rel_tol"])


def test_the_interval_on_logarithms_never_reaches_nothing():
    x = [0, 0, 0.25, 0.25, 0.5, 0.5, 1, 1, 2, 2]
    y = [9.2, 10.8, 9.9, 8.8, 8.9, 7.2, 5.6, 6.9, 5.1, 4.4]
    found = log_logistic(x, y)
    assert found.ed90.symmetric_lower < 0 < found.ed90.lower < found.ed90.dose < found.ed90.upper
    assert found.ed90.beyond_the_tried
    # On the log scale the ends lie as many times below as above.
    assert found.ed90.dose / found.ed90.lower == pytest.approx(found.ed90.upper / found.ed90.dose)


@settings(max_examples=20, deadline=None)
@given(st.floats(1.2, 5), st.floats(-3, 3), st.floats(5, 20), st.floats(1.5, 9), st.sampled_from([1, -1]))
def test_a_known_curve_is_found_again(b, c, change, e, sign):
    truth = curve(DOSES, b, c, c + sign * change, e)
    noise = 1e-4 * np.array([1, -1] * 6)
    found = log_logistic(DOSES, truth + noise)
    assert found.ed50.dose == pytest.approx(e, rel=0.01)
    assert found.slope_b == pytest.approx(b, rel=0.02)
    assert found.lower_c == pytest.approx(c, abs=0.1)


def test_units_and_confidence_change_what_they_should():
    one = log_logistic(DOSES, FALLING)
    moved = log_logistic([1000 * x for x in DOSES], [2 * y + 5 for y in FALLING])
    assert moved.ed50.lower == pytest.approx(1000 * one.ed50.lower, rel=1e-6)
    assert moved.slope_b == pytest.approx(one.slope_b, rel=1e-6)
    assert log_logistic(DOSES, FALLING, 0.99).ed50.upper > one.ed50.upper
    assert one.p_lack_of_fit > 0.05


def test_a_bad_start_does_no_harm():
    found = log_logistic(DOSES, FALLING, start_bcde=[0.5, 20, 3, 15])
    assert found.ed50.dose == pytest.approx(log_logistic(DOSES, FALLING).ed50.dose)


def test_a_curve_that_turns_shows_as_lack_of_fit():
    humped = [1.0, 1.1, 3.0, 3.1, 6.0, 6.1, 8.0, 8.1, 9.0, 9.1, 5.0, 5.1]
    assert log_logistic(DOSES, humped).p_lack_of_fit < 0.001


@pytest.mark.parametrize("response", [RISING, [x * 1.03**i for i, x in enumerate(RISING)]])
def test_break_is_where_a_fine_search_finds_it(response):
    found = broken_stick(DOSES, response)

    def ss(at):
        x = np.minimum(DOSES, at)
        design = np.column_stack([np.ones(len(x)), x])
        rest = np.array(response) - design @ np.linalg.lstsq(design, np.array(response), rcond=None)[0]
        return float(rest @ rest)

    grid = np.linspace(1.0, 15.999, 6000)
    rough = grid[np.argmin([ss(at) for at in grid])]
    fine = minimize_scalar(
        ss, bounds=(rough - 0.01, rough + 0.01), method="bounded", options={"xatol": 1e-10}
    )
    assert found.breakpoint == pytest.approx(fine.x, abs=1e-4)
    assert found.residual_ss == pytest.approx(fine.fun, rel=1e-8)
    assert ss(found.breakpoint) == pytest.approx(found.residual_ss, rel=1e-9)
    # F(1, 9) 5 % is 5.117 (printed tables).
    limit = found.residual_ss * (1 + 5.117 / found.df)
    for end in (found.breakpoint_lower, found.breakpoint_upper):
        assert ss(end) == pytest.approx(limit, rel=1e-3)
    assert broken_stick(DOSES, response, 0.5).breakpoint_upper < found.breakpoint_upper


def test_a_plateau_needs_two_doses_beyond_the_break():
    one = broken_stick([0, 0, 1, 1, 2, 2, 3, 3], [1.0, 1.1, 2.0, 2.1, 3.0, 3.1, 3.3, 3.2])
    assert (one.doses_beyond, one.plateau_seen) == (1, False)
    assert broken_stick(DOSES, RISING).plateau_seen


def test_a_break_below_the_second_dose_has_no_lower_end():
    found = broken_stick([0, 0, 1, 1, 2, 2, 4, 4], [1.0, 1.1, 3.0, 3.1, 3.0, 3.1, 3.05, 3.0])
    assert found.breakpoint == 1
    assert found.breakpoint_lower is None


def test_a_break_that_may_be_none_has_no_upper_end():
    found = broken_stick([0, 0, 1, 1, 2, 2, 3, 3], [1.0, 1.4, 2.0, 2.5, 2.9, 3.4, 3.8, 4.0])
    assert found.breakpoint_upper is None


def test_exact_data_have_an_exact_break():
    found = broken_stick([0, 1, 2, 3, 4], [0, 1, 2, 2, 2])
    assert (found.breakpoint, found.plateau) == (2, 2)
    assert found.residual_ss == pytest.approx(0, abs=1e-24)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: log_logistic([0, 1, 2, 4] * 2, FALLING[:8]), "4 different doses"),
        (lambda: log_logistic(DOSES, FALLING[:-1]), "one response for each dose"),
        (lambda: log_logistic(DOSES, [*FALLING[:-1], math.nan]), "nan"),
        (lambda: log_logistic([-1, *DOSES[1:]], FALLING), "-1 as a dose"),
        (lambda: log_logistic(DOSES, [3.0] * 12), "equal"),
        (lambda: log_logistic(DOSES, FALLING, information="fisher"), "fisher"),
        (lambda: log_logistic(DOSES, FALLING, 95), "confidence 95"),
        (lambda: log_logistic(DOSES, FALLING, start_bcde=[-1, 1, 1, 1]), "above 0"),
        (
            lambda: log_logistic(DOSES, [1, 1.1, 1.2, 1.1, 2, 2.2, 3.9, 4.1, 7.8, 8, 15.9, 16.2]),
            "both shoulders",
        ),
        (
            lambda: log_logistic(DOSES, [9, 9.1, 9.2, 9.1, 9, 9.2, 1, 1.1, 1.2, 1.1, 1, 1.1]),
            "step and no curve",
        ),
        (lambda: log_logistic(DOSES, curve(DOSES, 2, 1, 10, 4).tolist()), "exactly"),
        (lambda: broken_stick([0, 0, 1, 1], [1, 2, 3, 4]), "at least 3"),
        (lambda: broken_stick([0, 1, 2], [1, 2, 2]), "at least 4"),
        (lambda: broken_stick(DOSES, [3.0] * 12), "equal"),
        (lambda: broken_stick([0, 1, 2, 3], [0, 1, 2, 3.5]), "no plateau"),
        (lambda: broken_stick(DOSES, RISING, 0), "confidence 0"),
    ],
)
def test_refuses_what_shows_no_curve(call, said):
    with pytest.raises(ValueError, match=said):
        call()


def test_one_run_of_each_dose_cannot_tell_whether_the_curve_strays():
    # No two runs are alike, so nothing shows what chance does (pure error has no degrees of freedom).
    single = log_logistic([0, 1, 2, 4, 8, 16], [9.9, 9.4, 8.1, 4.6, 2.4, 1.1])
    assert single.p_lack_of_fit is None
    assert log_logistic(DOSES, FALLING).p_lack_of_fit is not None


def test_repeats_alike_to_the_last_digit_cannot_tell_it_either():
    doses = [0, 0, 1, 1, 2, 2, 4, 4, 8, 8, 16, 16]
    twice = [9.9, 9.9, 9.4, 9.4, 8.1, 8.1, 4.6, 4.6, 2.4, 2.4, 1.1, 1.1]
    assert log_logistic(doses, twice).p_lack_of_fit is None


def test_a_level_start_bends_no_line():
    # Doses 0 and 1 do alike to the last digit: a level line never crosses the end's mean.
    doses = np.array([0, 0, 1, 1, 2, 2, 4, 4, 8, 8], dtype=float)
    seen = np.array([1.0, 2.0, 1.0, 2.0, 3.0, 3.2, 5.0, 5.1, 5.0, 5.2])
    found = broken_stick(doses, seen)

    def by_numpy(break_at: float) -> float:
        columns = np.column_stack([np.ones(len(doses)), np.minimum(doses, break_at)])
        return float(np.linalg.lstsq(columns, seen, rcond=None)[1][0])

    # Referee: numpy's least squares at every thousandth of the doses.
    assert found.breakpoint == pytest.approx(min(np.linspace(1.001, 8, 7000), key=by_numpy), abs=1e-3)


def test_where_the_lowest_dose_alone_is_unlike_all_others_no_curve_is_made_up():
    # Any slope steep enough fits as well: whichever of its reasons is given, there is no half-way dose.
    doses = [1, 1, 2, 2, 4, 4, 8, 8, 16, 16]
    with pytest.raises(ValueError, match="does not settle|show a step|pin the curve down"):
        log_logistic(doses, [5, 5.001, 1, 1.001, 1.0005, 0.9995, 1.001, 0.999, 1, 1.0005])


@pytest.mark.parametrize("confidence", [0.0, 1.0])
def test_no_interval_of_a_break_is_sure_or_without_any_confidence(confidence):
    with pytest.raises(ValueError, match="between 0 and 1"):
        broken_stick(DOSES, RISING, confidence)


@pytest.mark.parametrize("start", [(0, 1, 10, 4), (2, 1, 10, 0)])
def test_a_start_of_no_slope_or_no_dose_is_none(start):
    with pytest.raises(ValueError, match="both must be above 0"):
        log_logistic(DOSES, FALLING, start_bcde=start)


def test_one_dose_run_twice_is_enough_to_tell_whether_the_curve_strays():
    # One degree of freedom of pure error: the dose of 4 was run twice. Three runs spare leave 7 - 4 in all.
    found = log_logistic([0, 1, 2, 4, 4, 8, 16], [9.9, 9.4, 8.1, 4.6, 4.9, 2.4, 1.1])
    pure = (4.9 - 4.6) ** 2 / 2
    ss = found.residual_sd**2 * found.df
    # Referee: scipy's law of F.
    assert found.p_lack_of_fit == pytest.approx(stats.f.sf((ss - pure) / 2 / pure, 2, 1))


def test_five_runs_of_five_doses_are_the_fewest_for_a_curve_and_four_for_a_break():
    assert log_logistic([0, 1, 2, 4, 16], [9.9, 9.3, 7.9, 4.7, 1.0]).df == 1
    assert broken_stick([0, 1, 2, 4], [1.0, 2.1, 3.0, 3.1]).df == 1
