from decimal import Decimal

import pytest

from tests.make import make_member
from tests.trials.actions.test_clearing import make_test, read
from tests.trials.make_trial import make_additive
from trials.actions import clearing
from trials.actions.clearing import TubOf
from trials.frames.clearing import test_result as result_of
from trials.frames.clearing import tubs_now

pytestmark = pytest.mark.django_db


def dosed(label, dose="0.1", member=None):
    return TubOf(label, make_additive("Floc", "flocculant", member), Decimal(dose), f"{dose} mL/L")


def filled(test, rows: dict[str, list[tuple]]):
    """Readings of the tubs by label: (minutes, value) pairs."""
    for tub in test.tubs.all():
        for minutes, value in rows.get(tub.label, []):
            read(tub, minutes, value)
    return result_of(test)


def test_the_sentence_says_who_got_there_first_and_who_was_not_seen_to():
    test = make_test(target=Decimal(150))
    result = filled(
        test, {"1": [("10", "20"), ("40", "60")], "2": [("10", "90"), ("15", "160"), ("40", "190")]}
    )
    assert result.headline == (
        "1 of 2 tubs was seen at 150 mm of clear water, Tub 2 first (Floc, 0.1 mL/L), at the look at 15 min; "
        "not within the 40 min watched: Tub 1 (nothing added)."
    )
    control, floc = result.tubs
    assert "within the 40 min watched: it takes longer than that" in control.sentence
    assert control.curve_sentence == "Whether it ever gets there this test does not say."
    assert floc.sentence == "Seen at 150 mm of clear water by 15 min, after the look at 10 min."
    assert floc.curve is None


def test_one_tub_each_makes_no_claim():
    test = make_test(target=Decimal(150))
    result = filled(test, {"1": [("40", "60")], "2": [("15", "160")]})
    [verdict] = result.verdicts
    assert verdict.kind == "not_shown"
    assert "one tub tells nothing" in verdict.explanation
    assert "With 4 tubs of each" in verdict.explanation


def test_four_tubs_each_all_apart_are_shown_to_clear_faster():
    member = make_member()
    tubs = [TubOf(f"c{n}") for n in range(4)] + [dosed(f"f{n}", member=member) for n in range(4)]
    test = make_test(member, target=Decimal(150), tubs=tubs)
    rows = {f"c{n}": [("60", "40")] for n in range(4)} | {
        f"f{n}": [(f"{10 + n}", "160"), ("60", "190")] for n in range(4)
    }
    result = filled(test, rows)
    [verdict] = result.verdicts
    assert verdict.kind == "better"
    assert "4 tubs against 4 of the control" in verdict.explanation
    assert "2.9 of 100 deals" in verdict.explanation


def test_the_same_dose_typed_otherwise_is_the_same_set():
    member = make_member()
    additive = make_additive("Floc", "flocculant", member)
    tubs = [
        TubOf("1"),
        TubOf("2", additive, Decimal("0.1"), "0.1 mL/L"),
        TubOf("3", additive, Decimal("0.1"), "100 ppm"),
    ]
    test = make_test(member, target=Decimal(150), tubs=tubs)
    result = filled(test, {"1": [("5", "10")], "2": [("5", "160")], "3": [("5", "170")]})
    assert len(result.verdicts) == 1
    assert "2 tubs against 1" in result.verdicts[0].explanation


def test_without_a_control_nothing_is_claimed():
    member = make_member()
    test = make_test(member, target=Decimal(150), tubs=[dosed("1", member=member), dosed("2", "0.2", member)])
    result = filled(test, {"1": [("5", "10")], "2": [("5", "160")]})
    assert result.verdicts == []
    assert "No tub stands without additive" in result.cautions[0]


def test_turbidity_has_a_rate_and_a_floor_it_never_gets_below():
    """Readings of the reference case of a fall with a floor near 125 NTU: 50 NTU is never reached by its curve."""
    test = make_test(measure="turbidity", target=Decimal(50))
    fall = zip((0, 5, 10, 20, 30, 45, 60, 90), (500, 372, 290, 196, 158, 136, 131, 128), strict=True)
    steady = [(m, str(round(600 * 0.95**m, 1))) for m in (0, 10, 20, 40, 60)]
    result = filled(test, {"1": [(m, str(v)) for m, v in fall], "2": steady})
    floor, first_order = result.tubs
    assert "if it goes on so, it never comes down to 50 NTU" in floor.curve_sentence
    assert "does not say" not in floor.curve_sentence
    assert "flattens at about" in floor.curve_sentence
    assert "Half of what clears is gone every 13.5 min" in first_order.curve_sentence
    assert "flattens" not in first_order.curve_sentence
    assert "within the 90 min watched" in floor.sentence


def test_a_voided_reading_counts_nowhere_and_is_still_listed():
    test = make_test(target=Decimal(150))
    tub = test.tubs.first()
    wrong = read(tub, "5", "190")
    read(tub, "10", "20")
    clearing.void_reading(reading=wrong, reason="other tub", voided_by=test.recorded_by)
    result = result_of(test)
    assert len(result.tubs[0].looks) == 1
    assert len(result.tubs[0].readings) == 2
    assert "0 of 1 tubs" in result.headline
    assert [now.readings for now in tubs_now(test)] == [1, 0]
    assert tubs_now(test)[0].last_value == 20


def test_without_target_or_figure_it_says_so():
    assert result_of(make_test()).headline == "Nothing has been read yet."
    test = make_test()
    assert "No target was set" in filled(test, {"1": [("5", "10")]}).headline
    assert result_of(test).working is None


def test_a_tub_nobody_read_is_left_out_and_named():
    result = filled(make_test(target=Decimal(150)), {"1": [("5", "10")]})
    assert any("nobody has read it: Tub 2" in sentence for sentence in result.cautions)


def test_the_working_shows_every_reading():
    test = make_test(target=Decimal(150))
    result = filled(test, {"1": [("10", "20"), ("40", "60")], "2": [("15", "160")]})
    assert [row.value for row in result.working][:2] == ["over 40", "by 15"]
    assert [given[1] for given in result.working.rows[0].inputs] == ["20", "60"]
    assert any("No rate is given" in sentence for sentence in result.working.assumptions)
