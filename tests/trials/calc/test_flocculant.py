import json
import math
import statistics
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

from trials.calc import flocculant, power
from trials.calc.bridge import LogRatio
from trials.calc.clearing import Reached
from trials.calc.flocculant import Bounds, Minutes, Weighed

CASES = Path(__file__).parents[3] / "fixtures/reference/trial_statistics.json"


def clear_at(minutes: float, before: float | None = None) -> Reached:
    return Reached(minutes, before, minutes, True, 0)


def not_clear(watched: float) -> Reached:
    return Reached(None, None, watched, None, 0)


def mg(low: str, high: str | None = None) -> Bounds:
    return Bounds(Decimal(low), Decimal(high or low))


def test_the_middle_of_published_times_with_and_without_open_ends():
    """Gehan 1965, 42 times of which 12 are open (case ts124, MASS::gehan): medians 8 and, by Kaplan and Meier, 23."""
    case = next(each for each in json.loads(CASES.read_text()) if each["id"] == "ts124")
    groups, medians = case["inputs"]["groups"], case["expected"]["median_min"]
    middle = {}
    for name, group in groups.items():
        times = zip(group["time_min"], group["reached"], strict=True)
        middle[name] = flocculant.cleared_in(
            [clear_at(time) if seen else not_clear(time) for time, seen in times]
        )
    assert middle["control"].about == medians["control"] == 8
    # Twelve of the 21 are open, some of them early: only ends can be told without more assumptions, and 23 lies between them.
    least, most = middle["6-MP"].ends
    assert middle["6-MP"].about is None
    assert least <= medians["6-MP"] <= most


def test_longer_than_watched_stays_so():
    control = flocculant.cleared_in([not_clear(60), clear_at(60, 45)])
    assert (control.about, control.least, control.most) == (None, 60, None)
    gain = flocculant.sooner(control, flocculant.cleared_in([clear_at(15, 10)]))
    assert (gain.least, gain.most, gain.low) == (45, None, 37.5)
    assert flocculant.sooner_in_words(gain) == "at least 45 min sooner"


@pytest.mark.parametrize(
    ("control", "dosed", "words"),
    [
        (clear_at(60, 45), clear_at(20, 15), "about 40 min sooner"),
        (clear_at(20, 15), clear_at(20, 15), "no sooner"),
        (clear_at(20, 15), clear_at(30, 20), "about 10 min later"),
        (not_clear(60), clear_at(20, 15), "at least 40 min sooner"),
        (not_clear(60), clear_at(60, 45), "sooner, by how much nobody watched long enough to tell"),
        (clear_at(20, 15), not_clear(60), "at least 40 min later"),
        (clear_at(60, 45), not_clear(60), "later, by how much nobody watched long enough to tell"),
        (not_clear(60), not_clear(60), ""),
        # The tub without was left after 30 min, the other one was clear at 60: either may have been first.
        (not_clear(30), clear_at(60, 45), ""),
    ],
)
def test_says_sooner_or_later_only_where_the_looks_tell(control, dosed, words):
    gain = flocculant.sooner(*(flocculant.cleared_in([tub]) for tub in (control, dosed)))
    assert flocculant.sooner_in_words(gain) == words
    assert gain.is_told == bool(words)


@given(
    some.lists(some.tuples(some.floats(1, 200), some.floats(1, 200)), min_size=1, max_size=7),
    some.floats(5, 250),
    some.integers(1, 20),
)
@settings(max_examples=60, deadline=None)
def test_the_true_gain_lies_between_the_ends_whatever_went_on_between_the_looks(pairs, watched, every):
    """True moments, seen only at looks so many minutes apart until nobody watched any longer."""

    def seen(moment: float) -> Reached:
        look = every * math.ceil(moment / every)
        return clear_at(look, look - every) if look <= watched else not_clear(every * (watched // every))

    bare, dosed = ([pair[side] for pair in pairs] for side in (0, 1))
    gain = flocculant.sooner(
        *(flocculant.cleared_in([seen(moment) for moment in side]) for side in (bare, dosed))
    )
    true = statistics.median(bare) - statistics.median(dosed)
    assert gain.low is None or gain.low <= true + 1e-9
    assert gain.high is None or true - 1e-9 <= gain.high


def test_several_tests_are_set_together_by_their_middle_one_open_ends_too():
    each = [Minutes.exactly(30.0), Minutes(50.0, None, 50.0, None), Minutes.exactly(40.0)]
    assert flocculant.over_tests(each).about == 40
    assert flocculant.over_tests(each[:2]).ends == (40, math.inf)


def test_the_loss_is_the_interval_turned_over_and_rounded_outward():
    """The sentence of the task: an interval of 0.654 to 0.917 times the gold costs 8 to 35 % of it."""
    loss = flocculant.loss_of(0.78, 0.654, 0.917)
    assert flocculant.percent_range(loss.least, loss.most) == "8 to 35 %"
    assert flocculant.percent_range(0.0004, 0.2) == "0.04 to 20 %"
    assert flocculant.loss_of(1.1, None, 1.3).most is None
    with pytest.raises(ValueError, match="0 or more"):
        flocculant.loss_of(-0.1, None, None)


@pytest.mark.parametrize("share", [0.0, 0.5, 1.0])
def test_a_loss_in_sight_is_shown_eight_times_in_ten(share):
    """Forward through `power.power_against_control`, which the verdicts are planned by; the gain is its inverse."""
    design = {"blocks": 9, "treatments": 4, "chance_share": share}
    gain = power.detectable_ratio(0.25, **design)
    loss = flocculant.loss_in_sight(gain, share)
    assert power.power_against_control(0.25, 1 - loss, **design) == pytest.approx(0.8, abs=1e-4)
    assert (loss > 1 - 1 / gain + 1e-6) == (share > 0)


def test_a_loss_of_nearly_all_is_in_nobodys_sight():
    assert flocculant.loss_in_sight(8.0, 1.0) is None
    with pytest.raises(ValueError, match="nothing to turn over"):
        flocculant.loss_in_sight(1.0)


def sweep(points: dict[int, tuple[float, float]]) -> set[int]:
    """The same set another way (after Kung, Luccio and Preparata 1975): fastest first, kept where more gold than any before."""
    kept, most, at = set(), -math.inf, None
    for name, (gold, minutes) in sorted(points.items(), key=lambda item: (-item[1][1], -item[1][0])):
        if gold > most or (gold, minutes) == at:
            kept.add(name)
            most, at = gold, (gold, minutes)
    return kept


@given(some.lists(some.tuples(some.integers(1, 6), some.integers(-3, 3)), min_size=1, max_size=9))
def test_not_beaten_is_what_a_sweep_over_the_points_keeps(pairs):
    points = {name: (gold / 4, float(minutes)) for name, (gold, minutes) in enumerate(pairs)}
    doses = {name: Weighed(gold, Minutes.exactly(minutes)) for name, (gold, minutes) in points.items()}
    assert set(flocculant.not_beaten(doses)) == sweep(points)


def test_a_gain_open_upward_is_not_beaten_by_a_known_one():
    doses = {
        "at least 30": Weighed(0.8, Minutes(30.0, None, 30.0, None)),
        "50": Weighed(0.9, Minutes.exactly(50.0)),
        "20": Weighed(0.7, Minutes.exactly(20.0)),
    }
    assert flocculant.not_beaten(doses) == ["at least 30", "50"]


def test_intervals_tell_two_doses_apart_only_where_they_share_nothing():
    first, second = flocculant.loss_of(0.95, 0.9, 1.0), flocculant.loss_of(0.7, 0.6, 0.8)
    assert flocculant.told_apart(first, second)
    assert not flocculant.told_apart(first, flocculant.loss_of(0.85, 0.75, 0.95))
    assert not flocculant.told_apart(first, flocculant.loss_of(0.5, None, 0.6))


def test_several_trials_count_by_their_ratio_to_their_own_control():
    """Two alike: the ratio stays and the standard error falls by the root of two, worked by hand."""
    one = LogRatio.of(0.8, 0.1, 20)
    found = flocculant.over_trials([one, one], 1.25, doses=1)
    half = 2.0211 * 0.1 / math.sqrt(2)  # t(0.975, 40), a printed table
    assert found.ratio == pytest.approx(0.8)
    assert (found.lower, found.upper) == pytest.approx(
        (0.8 * math.exp(-half), 0.8 * math.exp(half)), rel=1e-4
    )
    assert (found.kind, found.confidence) == ("worse", 0.95)
    assert "a third would narrow it" in found.agreement
    # Judged beside three other doses it has to show more, and here it can't.
    wider = flocculant.over_trials([LogRatio.of(0.86, 0.1, 20)] * 2, 1.05, doses=4)
    assert (wider.kind, wider.confidence) == ("not shown", 0.9875)
    assert 0.15 < wider.loss_in_sight < 0.3
    alike = flocculant.over_trials([LogRatio.of(1.0, 0.05, 20)] * 2, 1.25, doses=1)
    assert (alike.kind, alike.confidence) == ("equivalent", 0.9)


@given(*[some.tuples(some.integers(0, 50), some.integers(1, 50)) for _ in range(2)], some.integers(0, 4))
def test_a_share_holds_whatever_lay_below_the_scale(part, rest, within):
    """For masses anywhere between their ends the share lies between its ends."""
    part, rest = (Bounds(Decimal(low), Decimal(low + wide)) for low, wide in (part, rest))
    found = flocculant.share_found(part, [rest])
    at = [each.low + (each.high - each.low) * within / 4 for each in (part, rest)]
    if found is None:
        assert part.low + rest.high == 0 or part.high + rest.low == 0
    elif sum(at):
        assert found.low - Decimal("1e-20") <= at[0] / sum(at) <= found.high + Decimal("1e-20")


def test_below_the_scale_is_not_nothing():
    nothing_seen = flocculant.gold_bounds(None, below_scale=True, scale_step_mg=Decimal("0.1"))
    assert nothing_seen == mg("0", "0.1")
    assert flocculant.gold_bounds(None, below_scale=False, scale_step_mg=Decimal("0.1")) is None
    assert flocculant.mean_bounds([nothing_seen, mg("0.9")]) == mg("0.45", "0.5")
    assert flocculant.share_found(nothing_seen, [mg("0.9")]).as_share == "less than 10 %"
    assert flocculant.share_found(mg("0.3"), [nothing_seen]).as_share == "at least 75 %"
    assert flocculant.share_found(nothing_seen, [nothing_seen]).as_share == ""


def test_gold_found_again_is_what_the_mud_held_beyond_the_controls():
    loss = flocculant.loss_of(0.8, 0.7, 0.9)
    lost = flocculant.lost_mg(loss, 10.0)
    assert lost == (1.0, 3.0)
    assert flocculant.found_again(lost, mg("0.8"), mg("0.2")).about_share == "20 to 60 %"
    assert flocculant.found_again(lost, mg("9"), None).about_share == "100 %"
    assert flocculant.found_again(lost, mg("0.1"), mg("0.5")).about_share == "0 %"
    # No loss shown, none found again.
    assert flocculant.lost_mg(flocculant.loss_of(0.9, 0.7, 1.1), 10.0) is None


def test_refuses_what_is_no_time_and_no_mass():
    for act in (flocculant.cleared_in, flocculant.over_tests, flocculant.mean_bounds):
        with pytest.raises(ValueError):
            act([])


def test_no_share_where_there_may_have_been_no_gold_at_all():
    below = Bounds(Decimal(0), Decimal("0.1"))
    nothing = Bounds(Decimal(0), Decimal(0))
    assert flocculant.share_found(nothing, [nothing]) is None
    assert flocculant.share_found(nothing, [below]) is None
    assert flocculant.share_found(below, [nothing]) is None
    # Something is there for certain: then the share has two ends.
    assert flocculant.share_found(below, [Bounds(Decimal("0.3"), Decimal("0.3"))]) == Bounds(
        0, Decimal("0.25")
    )


@pytest.mark.parametrize(
    ("gain", "said"),
    [
        (Minutes(10.0, 25.0, 10.0, 25.0), "between 10 and 25 min sooner"),
        (Minutes(-25.0, -10.0, -25.0, -10.0), "between 10 and 25 min later"),
        (Minutes(12.4, None, 12.4, None), "at least 12 min sooner"),
    ],
)
def test_minutes_known_only_between_ends_are_told_as_such(gain, said):
    assert flocculant.sooner_in_words(gain) == said


def test_all_the_gold_may_be_lost_and_intervals_that_touch_are_not_apart():
    assert flocculant.loss_of(0.0, 0.0, 0.5) == flocculant.Loss(1.0, 0.5, 1.0)
    kept, lost = flocculant.loss_of(0.9, 0.8, 1.0), flocculant.loss_of(0.7, 0.6, 0.8)
    assert not flocculant.told_apart(kept, lost)
    assert not flocculant.told_apart(lost, kept)
    assert flocculant.told_apart(lost, flocculant.loss_of(0.9, 0.8001, 1.0))


@pytest.mark.parametrize(
    ("upper", "control_mg", "is_told"), [(0.99, 8.0, True), (1.0, 8.0, False), (0.99, 0.0, False)]
)
def test_lost_gold_is_told_only_where_a_loss_is_shown(upper, control_mg, is_told):
    assert (flocculant.lost_mg(flocculant.loss_of(0.8, 0.7, upper), control_mg) is not None) is is_told


@pytest.mark.parametrize(
    ("first", "second", "stays"),
    [
        # As much gold as soon: neither beats the other. More gold as soon, or as much sooner: the first beats the second.
        ((0.9, 20.0), (0.9, 20.0), ["a", "b"]),
        ((0.95, 20.0), (0.9, 20.0), ["a"]),
        ((0.9, 21.0), (0.9, 20.0), ["a"]),
        ((0.95, 19.0), (0.9, 20.0), ["a", "b"]),
    ],
)
def test_a_dose_is_beaten_by_one_as_good_in_both_and_better_in_one(first, second, stays):
    doses = {
        name: Weighed(gold=gold, sooner=Minutes.exactly(minutes))
        for name, (gold, minutes) in {"a": first, "b": second}.items()
    }
    assert flocculant.not_beaten(doses) == stays
