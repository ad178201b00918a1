import math

import numpy as np
import pytest
from scipy import stats

from trials.calc import next_assay as na
from trials.calc.next_assay import Assayed, Candidate, Zone


def one_dig_each(grades, sd=1.0, first=0) -> list[Assayed]:
    return [Assayed(grade, sd, {dig: 1.0}) for dig, grade in enumerate(grades, start=first)]


def test_equal_assays_of_a_dig_each_give_the_plain_mean_and_students_interval():
    grades = [3.0, 5.0, 9.0, 4.0, 7.0]
    now = Zone(one_dig_each(grades, sd=0.5)).now
    assert now.mean == pytest.approx(np.mean(grades))
    # With equal errors the moment estimate makes the standard error that of the plain mean; referee: scipy.
    low, high = stats.t.interval(0.95, 4, np.mean(grades), stats.sem(grades))
    assert now.half_width == pytest.approx((high - low) / 2)
    assert now.between_sd**2 == pytest.approx(np.var(grades, ddof=1) - 0.5**2)


def test_the_moment_estimate_agrees_with_statsmodels():
    from statsmodels.stats.meta_analysis import combine_effects

    grades, sds = [3.0, 5.0, 9.0, 4.0, 7.0], [0.5, 1.0, 0.7, 0.4, 2.0]
    found = na.between_digs_sd(
        [Assayed(g, s, {n: 1.0}) for n, (g, s) in enumerate(zip(grades, sds, strict=True))]
    )
    referee = combine_effects(np.array(grades), np.array(sds) ** 2, method_re="dl")
    assert found**2 == pytest.approx(referee.tau2)


@pytest.mark.parametrize("shares", [{99: 1.0}, {0: 1.0}, {0: 0.5, 1: 0.5}, {0: 0.3, 99: 0.7}])
def test_the_bordered_inverse_gives_what_reckoning_all_anew_gives(shares):
    assays = [*one_dig_each([3.0, 5.0, 9.0, 4.0]), Assayed(6.0, 0.8, {0: 0.5, 2: 0.5})]
    zone = Zone(assays)
    digs = sorted({dig for each in assays for dig in each.shares} | set(shares))
    table = np.array([[each.get(dig, 0.0) for dig in digs] for each in [*(a.shares for a in assays), shares]])
    sds = np.array([*(each.sd for each in assays), 0.6])
    whole = np.linalg.inv(zone.between_sd**2 * table @ table.T + np.diag(sds**2))
    known = len({dig for each in assays for dig in each.shares})
    t = stats.t.ppf(0.975, known - 1 + (99 in shares))
    [after] = zone.after([Candidate(0.6, shares)])
    assert after.half_width == pytest.approx(t / math.sqrt(whole.sum()))


def test_a_new_dig_narrows_more_than_the_same_dig_again():
    zone = Zone(one_dig_each([3.0, 5.0, 9.0, 4.0, 7.0]))
    new, again, surer = zone.after(
        [Candidate(1.0, {99: 1.0}), Candidate(1.0, {0: 1.0}), Candidate(0.1, {99: 1.0})]
    )
    assert new.adds_dig and not again.adds_dig
    assert new.by_share > again.by_share >= 0
    assert surer.by_share > new.by_share


def test_where_chance_explains_all_the_scatter_the_surest_assay_narrows_most():
    zone = Zone(one_dig_each([5.0, 5.1, 4.9, 5.0], sd=2.0))
    assert zone.between_sd == 0
    sure, unsure = zone.after([Candidate(0.5, {0: 1.0}), Candidate(2.0, {0: 1.0})])
    assert sure.by_share > unsure.by_share


def test_assays_taken_apart_by_their_digs_give_what_all_together_give():
    # 40 lots of one to three digs of 30: some share digs in long chains, some with nobody. Referee: numpy on the whole matrix.
    rng = np.random.default_rng(5)
    assays = []
    for _ in range(40):
        digs = rng.choice(30, size=rng.integers(1, 4), replace=False).tolist()
        assays.append(Assayed(rng.uniform(2, 9), rng.uniform(0.3, 2), {dig: 1 / len(digs) for dig in digs}))
    assays += one_dig_each([3.0, 8.0, 5.0, 9.0], first=100)
    zone, digs = Zone(assays), sorted({dig for each in assays for dig in each.shares})
    table = np.array([[each.shares.get(dig, 0.0) for dig in digs] for each in assays])
    covariance = zone.between_sd**2 * table @ table.T + np.diag([each.sd**2 for each in assays])
    inverse = np.linalg.inv(covariance)
    assert zone.now.digs == len(digs)
    assert zone.now.se == pytest.approx(1 / math.sqrt(inverse.sum()))
    assert zone.now.mean == pytest.approx(
        inverse.sum(axis=0) @ [each.grade for each in assays] / inverse.sum()
    )
    candidates = [Candidate(0.7, {101: 0.5, digs[0]: 0.5}), Candidate(0.7, {101: 0.5, 99: 0.5})]
    for after, each in zip(zone.after(candidates), candidates, strict=True):
        own = np.array([each.shares.get(dig, 0.0) for dig in [*digs, 99]])
        more = np.vstack([np.hstack([table, np.zeros((len(assays), 1))]), own])
        sds = np.array([*(assay.sd for assay in assays), each.sd])
        whole = np.linalg.inv(zone.between_sd**2 * more @ more.T + np.diag(sds**2))
        t = stats.t.ppf(0.975, len(digs) - 1 + after.adds_dig)
        assert after.half_width == pytest.approx(t / math.sqrt(whole.sum()))


def test_nothing_to_assay_asks_nothing():
    assert Zone(one_dig_each([3.0, 5.0, 9.0])).after([]) == []


@pytest.mark.parametrize("digs", [0, 1, 2])
def test_too_few_digs_are_refused(digs):
    with pytest.raises(ValueError, match="at least 3"):
        Zone([Assayed(5.0, 1.0, {dig: 1.0}) for dig in range(digs)])


def test_the_gain_for_the_money():
    assert na.for_its_price(0.2, 40.0, 10.0) == pytest.approx(0.05)
    assert na.for_its_price(0.2, 0.0, 10.0) is None
    assert na.no_less_than(0.5, 10.0, 0.2) == 2.0


def test_chance_of_a_charge_is_that_of_its_grains():
    # 30 g at 5 g/t hold 0.15 mg: 15 grains of 0.01 mg, +-26 % (G. Pitard's rule 1/sqrt(n), from memory).
    assert na.assay_sd(5.0, 0.15, 0.01) / 5.0 == pytest.approx(1 / math.sqrt(15))


@pytest.mark.parametrize("grain_mg", [0.001, 0.01, 0.05])
def test_a_mean_outside_its_grades_is_told_as_a_contradiction(grain_mg):
    # Negative weights of least squares: a dig alone at 60 g/t, in blends with a second at 6 and 5, a third at 3.
    grades = [60.0, 6.0, 5.0, 3.0]
    shares = [{1: 1.0}, {1: 0.9, 2: 0.1}, {1: 0.8, 2: 0.2}, {3: 1.0}]
    mean = np.mean(grades)
    sd = na.assay_sd(mean, mean * 30 / 1000, grain_mg)
    zone = Zone([Assayed(grade, sd, each) for grade, each in zip(grades, shares, strict=True)])
    assert zone.now.mean < 0 and zone.is_contradictory


@pytest.mark.parametrize("grades", [[3.0, 5.0, 9.0], [0.1, 0.1, 0.1], [7.3, 7.3, 7.3]])
def test_assays_of_a_dig_each_never_contradict(grades):
    assert not Zone(one_dig_each(grades)).is_contradictory


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: na.between_digs_sd(one_dig_each([4.0])), "needs at least 2"),
        (lambda: Zone(one_dig_each([4.0, 5.0, 6.0, 7.0, 8.0], sd=0.0)), "error of its own above zero"),
        (lambda: na.assay_sd(0.0, 1.0, 0.25), "lie above zero"),
        (lambda: na.assay_sd(8.0, 0.0, 0.25), "lie above zero"),
        (lambda: na.assay_sd(8.0, 1.0, 0.0), "lie above zero"),
    ],
)
def test_refuses_assays_without_an_error_to_weigh_by(call, said):
    with pytest.raises(ValueError, match=said):
        call()


def test_two_assays_are_enough_to_tell_how_far_digs_lie_apart():
    # By hand: weights 1, Q = 2 x 2^2 = 8 less 1, over 2 - 2/2 = 1: a variance of 7.
    two = [Assayed(4.0, 1.0, {1: 1.0}), Assayed(8.0, 1.0, {2: 1.0})]
    assert na.between_digs_sd(two) == pytest.approx(math.sqrt(7))
    with pytest.raises(ValueError, match="at least 2"):
        na.between_digs_sd(two[:1])
