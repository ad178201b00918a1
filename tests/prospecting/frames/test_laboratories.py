"""The worked quality control cases of fixtures/reference, through the page's own code: records in, sentences and lines out."""

import datetime
import json
from pathlib import Path

import pytest

from prospecting.actions import dispatching
from prospecting.frames.laboratories import carry_over_words, laboratory_records
from prospecting.models import Laboratory
from tests.make import make_member
from tests.prospecting.actions.test_assays import REPORTED, make_dispatch
from tests.prospecting.actions.test_checks import a_return, add_check, lots_of, make_material

pytestmark = pytest.mark.django_db
CASES = {
    case["id"]: case
    for case in json.loads(
        (Path(__file__).parents[3] / "fixtures/reference/grade_sampling_assay.json").read_text()
    )
}


def record_of(grade_unit: str = "g_per_t"):
    (record,) = laboratory_records([Laboratory.objects.get()], grade_unit=grade_unit)
    return record


def send_series(material, results) -> None:
    """One result a return, a day apart."""
    dispatch = make_dispatch(1)
    for number, result in enumerate(results):
        check = add_check(dispatch, "reference", material=material)
        day = REPORTED + datetime.timedelta(days=number)
        a_return(dispatch, (check, str(result)), number=f"S-{number}", reported_on=day)


class TestControlChart:
    def test_f04_draws_limits_from_moving_ranges_where_the_certificate_gives_no_sd(self):
        """NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.2."""
        given, expected = CASES["f04"]["inputs"], CASES["f04"]["expected"]
        material = make_material(
            certified_g_per_t=str(expected["mean"]), plus_minus_g_per_t="0.9", plus_minus_kind="confidence_95"
        )
        send_series(material, given["values"])
        (history,) = record_of().materials
        lines = {line.label: line.value for line in history.limits}
        assert lines["−2 sd"] == pytest.approx(expected["warning_low"], rel=5e-4)
        assert lines["+2 sd"] == pytest.approx(expected["warning_high"], rel=5e-4)
        assert lines["−3 sd"] == pytest.approx(expected["action_low"], rel=5e-4)
        assert lines["+3 sd"] == pytest.approx(expected["action_high"], rel=5e-4)
        assert "this laboratory's own results (1.66 g/t each" in history.limits_from
        assert "95 % confidence limit of the mean" in history.certified

    def test_f05_signals_where_western_electric_does(self):
        z, expected = CASES["f05"]["inputs"]["z"], CASES["f05"]["expected"]
        # An sd of 1 around 10 g/t turns each z into a grade.
        send_series(make_material(certified_g_per_t="10", plus_minus_g_per_t="1"), [10 + each for each in z])
        (history,) = record_of().materials
        at = [place for place, each in enumerate(history.results) if each.is_signal]
        assert at == sorted({place for places in expected.values() for place in places})
        assert history.results[7].says == "beyond 3 standard deviations"
        assert history.results[7].z == "−3.2"
        # The latest three are told, the others stand in the table.
        assert len(history.signals) == 3
        assert history.earlier_signals == len(at) - 3
        assert history.signals[-1].startswith(f"{history.results[at[-1]].assay_return}, ")

    def test_too_few_without_an_sd_have_no_limits_and_say_so(self):
        send_series(make_material(plus_minus_kind="unsaid"), ["4.7", "4.8"])
        (history,) = record_of().materials
        assert [line.label for line in history.limits] == ["certified"]
        assert "2 results are too few to draw limits from" in history.limits_from
        assert history.bias_words.startswith("Bias: too few to tell (2 results")

    def test_a_result_that_is_only_a_bound_is_drawn_and_not_reckoned_with(self):
        send_series(make_material(), ["4.7", ">10", "<0.005"])
        (history,) = record_of().materials
        assert [each.way for each in history.results] == ["", "above", "below"]
        assert [each.z for each in history.results] == ["−0.3", "", ""]


class TestBias:
    def test_f09_is_said_with_its_interval(self):
        given, expected = CASES["f09"]["inputs"], CASES["f09"]["expected"]
        material = make_material(
            certified_g_per_t=str(given["certified"]),
            plus_minus_g_per_t=str(2 * given["u_certified"]),
            plus_minus_kind="expanded",
        )
        send_series(material, given["results"])
        (history,) = record_of().materials
        assert history.bias.difference == pytest.approx(expected["difference"])
        assert history.bias.expanded_uncertainty == pytest.approx(
            expected["expanded_uncertainty_of_difference"]
        )
        # 0.1083 and 0.0932 of 2.4 g/t: 4.5 % ± 3.9 %.
        assert history.bias_words == (
            "A bias is shown: over 6 results it reads 4.5 % above the certified 2.4 g/t on average (about 95 % confidence, "
            "k = 2: 0.63 % to 8.4 %)."
        )
        assert not history.working.assumptions

    def test_says_when_the_certificate_does_not_tell_how_well_its_mean_is_known(self):
        send_series(make_material(), ["4.7", "4.8", "4.9", "4.6", "4.75", "4.8"])
        (history,) = record_of().materials
        assert history.bias_words.startswith("No bias is shown")
        assert "too narrow" in history.working.assumptions[0]


class TestBlanks:
    def test_f10_flags_and_draws_five_times_the_limit(self):
        given, expected = CASES["f10"]["inputs"], CASES["f10"]["expected"]
        dispatch = make_dispatch(1)
        (lot,) = lots_of(dispatch)
        material = make_material("blank")
        for number, read in enumerate(given["field_blanks_g_per_t"]):
            blank = add_check(dispatch, "blank", material=material)
            a_return(dispatch, (lot, "<0.005"), (blank, str(read)), number=f"B-{number}")
        blanks = record_of().blanks
        assert [each.is_signal for each in blanks.results] == expected["flags_above_5_dl"]
        assert [line.value for line in blanks.limits] == pytest.approx([0.005, 0.025])
        assert (blanks.failed, blanks.judged) == (1, 4)

    def test_carry_over_is_told_from_what_went_before(self):
        material, pairs = (
            make_material("blank"),
            [("0.1", "0.004"), ("1.0", "0.009"), ("10", "0.054"), ("0.3", "0.005")],
        )
        for rich, read in pairs:
            dispatch = make_dispatch(1)
            (lot,) = lots_of(dispatch)
            a_return(dispatch, (lot, rich), (add_check(dispatch, "blank", material=material), read))
        found = record_of().blanks.pairs
        assert found == [(float(read), float(rich)) for rich, read in pairs]
        # Built as 0.004 + 0.005 x the sample before it.
        assert carry_over_words(found).startswith("Carry-over is shown: 0.5 %, with 0.4")

    def test_carry_over_of_few_is_too_few_to_tell(self):
        assert "too few to tell" in carry_over_words([(0.1, 3.0)])
        assert "too few to tell" in carry_over_words([(0.1, 3.0), (0.2, 3.0), (0.1, 3.0)])


class TestDuplicates:
    def test_f02_gives_its_precision_over_time(self):
        given, expected = CASES["f02"]["inputs"], CASES["f02"]["expected"]
        for a, b in zip(given["first_g_per_t"], given["second_g_per_t"], strict=True):
            dispatch = make_dispatch(1)
            (lot,) = lots_of(dispatch)
            twin = add_check(dispatch, "duplicate", duplicate_of=lot, duplicate_stage="pulp")
            a_return(dispatch, (lot, str(a)), (twin, str(b)))
        pulp, coarse, field = record_of().stages
        assert 100 * pulp.precision.cv == pytest.approx(expected["cv_log_method_percent"])
        assert pulp.within == "87.5 % of pairs within 10 %"
        assert "from 8 pairs" in pulp.words
        assert (coarse.words, field.words) == ("no pair: too few to tell", "no pair: too few to tell")

    def test_counts_only_pairs_whose_difference_is_known(self):
        dispatch = make_dispatch(1)
        (lot,) = lots_of(dispatch)
        twin = add_check(dispatch, "duplicate", duplicate_of=lot, duplicate_stage="pulp")
        a_return(dispatch, (lot, ">10"), (twin, "12"))
        assert [stage.words for stage in record_of().stages][0] == "no pair: too few to tell"


class TestDays:
    def test_from_sending_to_the_first_return_and_late_against_what_was_said(self):
        for number, days in enumerate((12, 20, 31)):
            dispatch = make_dispatch(1)
            (lot,) = lots_of(dispatch)
            day = dispatch.sent_on + datetime.timedelta(days=days)
            a_return(dispatch, (lot, "1"), number=f"D-{number}", reported_on=day)
            a_return(dispatch, (lot, "1"), number=f"L-{number}", reported_on=day + datetime.timedelta(days=9))
            dispatch.expected_on = dispatch.sent_on + datetime.timedelta(days=21)
            dispatch.save()
        Laboratory.objects.update(turnaround_days=21)
        assert record_of().days_words == (
            "20 days from sending to the first return in the middle, 12 to 31, over 3 dispatches; it says 21; 1 of 3 late"
        )

    def test_a_parcel_still_out_past_its_day_is_late(self):
        make_dispatch(1, expected_on=datetime.date(2026, 5, 20))
        dispatch = make_dispatch(1, expected_on=datetime.date(2026, 5, 20))
        (lot,) = lots_of(dispatch)
        a_return(dispatch, (lot, "1"), reported_on=datetime.date(2026, 5, 20))
        assert record_of().turnaround.late == 1

    def test_no_day_is_reckoned_that_the_dispatch_does_not_name(self):
        dispatch = make_dispatch(1)
        (lot,) = lots_of(dispatch)
        a_return(dispatch, (lot, "1"), reported_on=dispatch.sent_on + datetime.timedelta(days=1))
        Laboratory.objects.update(turnaround_days=0)
        record = record_of()
        assert (record.turnaround.with_day, record.turnaround.late) == (0, 0)
        assert record.days_words.startswith("1 day from sending to the first return, once")

    def test_nothing_back_is_said(self):
        make_dispatch(1)
        assert record_of().days_words == "nothing has come back yet"


def test_a_replaced_certificate_counts_nowhere():
    dispatch = make_dispatch(1)
    reference = add_check(dispatch, "reference", material=make_material())
    first = a_return(dispatch, (reference, "9.9"))
    revised = a_return(dispatch, (reference, "4.8"), number="C-1 rev 2")
    revised.replaces = first
    revised.save()
    record = record_of()
    assert [each.read for each in record.materials[0].results] == ["4.8 g/t"]
    assert (record.returns, record.failed) == (1, 0)


def test_laboratories_side_by_side_cost_the_same_however_many(django_assert_num_queries):
    member = make_member()
    for number in range(3):
        laboratory = dispatching.add_laboratory(name=f"Invented {number}", recorded_by=member)
        dispatch = make_dispatch(1, laboratory=laboratory)
        (lot,) = lots_of(dispatch)
        blank = add_check(dispatch, "blank", material=make_material("blank"))
        a_return(dispatch, (lot, "3.3"), (blank, "<0.005"))
    with django_assert_num_queries(7):
        records = laboratory_records(list(Laboratory.objects.order_by("name")), grade_unit="g_per_t")
    assert [len(record.blanks.results) for record in records] == [1, 1, 1]
