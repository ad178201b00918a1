import pytest

from prospecting.calc.zone_means import means_of_digs


def test_without_limits_the_plain_and_the_skewed_means_stand():
    # fixtures/reference/grade_sampling_assay.json, case h02: H. S. Sichel (1966), mpmath.
    found = means_of_digs([1.2, 0.4, 3.1, 0.9, 7.5, 0.6, 2.2, 1.5, 0.3, 14.0], [False] * 10)
    assert found.plain_low == found.plain_high == pytest.approx(3.17)
    assert found.lognormal == pytest.approx(2.97774024947)
    assert found.bootstrap.low < 3.17 < found.bootstrap.high
    assert found.kaplan_meier is None


def test_with_limits_no_lognormal_of_made_up_values():
    found = means_of_digs([0.5, 0.5, 1.0, 2.0, 5.0], [True, True, False, False, False])
    assert found.lognormal is found.bootstrap is None
    assert found.plain_low == pytest.approx(8 / 5)
    assert found.plain_high == pytest.approx(9 / 5)
    assert found.plain_low <= found.kaplan_meier <= found.plain_high
    assert found.plain_low <= found.line_through_detects <= found.plain_high


def test_all_below_has_no_mean_but_a_limit_of_the_share_above():
    # Case h08: Helsel (2005), chapter 8; Clopper and Pearson with none of eight.
    found = means_of_digs([1.0, 1.0, 1.0, 3.0, 3.0, 3.0, 3.0, 3.0], [True] * 8)
    assert found.kaplan_meier is found.line_through_detects is found.median is None
    assert found.highest_limit == 3.0
    assert found.most_above_it == pytest.approx(0.312343978066)


@pytest.mark.parametrize("grades", [[4.0], [4.0, 5.0], [3.0, 3.0, 3.0], [0.0, 0.0, 0.0]])
def test_too_few_or_all_alike_gives_only_the_plain_mean(grades):
    found = means_of_digs(grades, [False] * len(grades))
    assert found.bootstrap is found.lognormal is None
    assert found.plain_low == pytest.approx(sum(grades) / len(grades))


def test_a_dig_of_nought_leaves_out_what_needs_logarithms():
    found = means_of_digs([0.0, 1.0, 2.0, 4.0], [False] * 4)
    assert found.lognormal is None
    assert found.bootstrap is not None


def test_the_middle_dig_is_not_told_where_a_limit_may_hide_it():
    assert means_of_digs([3.0, 1.0, 2.0], [True, False, False]).median is None
    assert means_of_digs([0.5, 1.0, 2.0], [True, False, False]).median == 1.0


@pytest.mark.parametrize("grades", [[], [-1.0]])
def test_nonsense_is_refused(grades):
    with pytest.raises(ValueError, match="one for each"):
        means_of_digs(grades, [False] * len(grades))


@pytest.mark.parametrize(
    ("grades", "below"),
    [([0.5, 2.0, 2.0], [True, False, False]), ([0.5, 0.0, 2.0], [True, False, False])],
)
def test_no_line_through_detects_that_have_no_spread_or_no_logarithm(grades, below):
    found = means_of_digs(grades, below)
    assert found.line_through_detects is None
    assert found.plain_low <= found.kaplan_meier <= found.plain_high


def test_three_digs_are_enough_for_an_interval_and_the_lognormal_mean():
    found = means_of_digs([1.0, 2.0, 4.0], [False] * 3)
    assert found.bootstrap is not None and found.lognormal is not None
    # Two do not tell how far digs lie apart.
    assert means_of_digs([1.0, 2.0], [False] * 2).bootstrap is None


def test_a_middle_dig_just_at_the_highest_limit_may_lie_below_it():
    assert means_of_digs([1.0, 1.0, 2.0], [True, False, False]).median is None
    assert means_of_digs([1.0, 1.01, 2.0], [True, False, False]).median == 1.01
