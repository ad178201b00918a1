from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied
from django.db import IntegrityError, transaction

from prospecting.actions import values
from prospecting.actions.refusal import Refused
from prospecting.frames.values import sample_value
from prospecting.models import AssayReturn, JournalEntry, Reading, Sample
from tests.make import make_member
from tests.prospecting.actions.test_assays import REPORTED, make_dispatch
from tests.prospecting.actions.test_checks import a_return, lots_of, replace_return

pytestmark = pytest.mark.django_db
FIRST, MEAN, SCREEN = Sample.Rule.FIRST, Sample.Rule.MEAN, Sample.Rule.SCREEN


def fractions(dispatch, sample, *parts, number="S-1") -> AssayReturn:
    """A return with parts of a screen fire assay: (fraction, text, mass or None), fraction "" for the whole."""
    member = dispatch.recorded_by
    came = AssayReturn.objects.create(
        dispatch=dispatch, certificate_number=number, reported_on=REPORTED, recorded_by=member
    )
    for order, (fraction, text, mass) in enumerate(parts, 1):
        is_below = text.startswith("<")
        Reading.objects.create(
            assay_return=came,
            sample=sample,
            order=order,
            raw_text=text,
            unit="ppm",
            fraction=fraction,
            fraction_mass_g=mass,
            symbol="below" if is_below else "value",
            grade_g_per_t=None if is_below else text,
            limit_g_per_t=text[1:] if is_below else None,
        )
    values.apply_rules(came, recorded_by=member)
    sample.refresh_from_db()
    return came


WHOLE_ASSAY = [("plus", "73.12", "25.3"), ("minus", "3.2", "974.7"), ("minus", "3.6", "974.7")]


@pytest.fixture
def dispatch():
    return make_dispatch(2)


def set_rule(sample, rule, reason="settled beforehand", member=None) -> Sample:
    values.set_rule(sample=sample, rule=rule, reason=reason, set_by=member or make_member())
    sample.refresh_from_db()
    return sample


class TestRuleOfASample:
    def test_takes_the_mean_and_says_so_in_the_journal(self, dispatch):
        a, _ = lots_of(dispatch)
        a_return(dispatch, (a, "4"), (a, "5"))
        set_rule(a, MEAN)
        assert (a.in_use_g_per_t, a.in_use_rule, a.in_use_reason) == (
            Decimal("4.5"),
            MEAN,
            "settled beforehand",
        )
        entry = JournalEntry.objects.about(dispatch).first()
        assert entry.changes["value in use"] == [
            "4 g/t, first reading of the first return",
            "4.5 g/t, mean of all repeats",
        ]

    def test_holds_for_readings_that_come_later(self, dispatch):
        a, _ = lots_of(dispatch)
        set_rule(a, MEAN)
        assert (a.in_use, a.in_use_rule) == (None, MEAN)
        a_return(dispatch, (a, "4"), (a, "5"))
        a_return(dispatch, (a, "9"), number="C-2")
        a.refresh_from_db()
        assert a.in_use_g_per_t == 6

    def test_gives_a_bound_where_all_lie_below(self, dispatch):
        a, _ = lots_of(dispatch)
        a_return(dispatch, (a, "<0.005"), (a, "<0.01"))
        set_rule(a, MEAN)
        assert (a.in_use.symbol, a.in_use.limit_g_per_t) == ("below", Decimal("0.01"))

    def test_stays_asked_for_where_it_gives_none_yet_and_counts_by_itself_later(self, dispatch):
        a, _ = lots_of(dispatch)
        a_return(dispatch, (a, "0.04"), (a, "<0.005"))
        set_rule(a, MEAN, "repeats were asked for")
        assert (a.asked_rule, a.in_use_rule, a.in_use_g_per_t) == (MEAN, FIRST, Decimal("0.04"))
        entry = JournalEntry.objects.about(dispatch).first()
        assert "which gives none yet: Some repeats lie below the detection limit" in entry.what
        assert (entry.why, entry.changes) == (
            "repeats were asked for",
            {"rule asked for": ["", "mean of all repeats"]},
        )
        found = sample_value(a, grade_unit="g_per_t")
        assert found.asked.startswith(
            "Asked for: mean of all repeats. Reason: repeats were asked for. It counts"
        )
        # 0.04, <0.005 and 5: from 1.68 to 1.6817 g/t, the same to three figures.
        a_return(dispatch, (a, "5"), number="C-2")
        a.refresh_from_db()
        assert (a.in_use_rule, a.in_use_g_per_t, a.in_use_reason) == (
            MEAN,
            Decimal("1.68"),
            "repeats were asked for",
        )
        assert sample_value(a, grade_unit="g_per_t").asked == ""

    def test_the_first_stands_in_while_later_readings_leave_no_mean_and_it_is_said_why(self, dispatch):
        a, _ = lots_of(dispatch)
        set_rule(a, MEAN)
        a_return(dispatch, (a, "0.04"), (a, "<0.005"))
        a.refresh_from_db()
        assert (a.in_use_rule, a.in_use_g_per_t, a.awaits_rule) == (FIRST, Decimal("0.04"), True)
        assert (
            a.in_use_reason == "Some repeats lie below the detection limit, so the mean is no single figure"
        )
        found = sample_value(a, grade_unit="g_per_t")
        assert found.reason == f"{a.in_use_reason}. It lies from 0.02 g/t to 0.0225 g/t."
        assert "g/t" not in sample_value(a, grade_unit="ozt_per_short_ton").reason

    def test_comes_back_when_a_reading_chosen_by_hand_counts_no_longer(self, dispatch):
        a, _ = lots_of(dispatch)
        came = a_return(dispatch, (a, "4"), (a, "5"))
        set_rule(a, MEAN)
        values.choose_reading(
            sample=a,
            reading=came.readings.get(raw_text="5"),
            reason="the first was spilt",
            chosen_by=make_member(),
        )
        a.refresh_from_db()
        assert "counts again if the chosen reading ceases" in sample_value(a, grade_unit="g_per_t").asked
        revised = a_return(dispatch, (a, "4"), (a, "6"), number="C-1 revised")
        revised.replaces = came
        revised.save()
        values.apply_rules(revised, recorded_by=dispatch.recorded_by)
        a.refresh_from_db()
        assert (a.in_use_rule, a.in_use_g_per_t, a.in_use_reason) == (MEAN, 5, "settled beforehand")

    def test_the_first_may_be_asked_for_before_a_screen_fire_assay_comes(self):
        dispatch = make_dispatch(1, method="screen_fire")
        (a,) = lots_of(dispatch)
        set_rule(a, FIRST, "the plus fraction was spilt")
        fractions(dispatch, a, ("", "2.9", None), *WHOLE_ASSAY)
        assert (a.in_use_rule, a.in_use_g_per_t) == (FIRST, Decimal("2.9"))

    def test_the_books_refuse_a_rule_without_a_reason_and_a_choice_as_a_rule(self, dispatch):
        a, _ = lots_of(dispatch)
        for asked in ({"asked_rule": MEAN}, {"asked_rule": "chosen", "asked_reason": "by hand"}):
            with pytest.raises(IntegrityError), transaction.atomic():
                Sample.objects.filter(pk=a.pk).update(**asked)

    @pytest.mark.parametrize(
        ("rule", "reason", "code"),
        [
            (MEAN, " ", "reason_missing"),
            (MEAN, "x" * 201, "reason_too_long"),
            ("chosen", "by hand", "rule_unknown"),
            ("median", "because", "rule_unknown"),
            (FIRST, "because", "no_change"),
        ],
    )
    def test_refuses(self, dispatch, rule, reason, code):
        a, _ = lots_of(dispatch)
        a_return(dispatch, (a, "4"))
        with pytest.raises(Refused) as refusal:
            set_rule(a, rule, reason)
        assert refusal.value.code == code

    def test_is_for_members(self, dispatch):
        with pytest.raises(PermissionDenied):
            set_rule(lots_of(dispatch)[0], MEAN, member=make_member("guest"))


class TestRuleOfADispatch:
    def test_holds_for_all_and_names_those_it_gives_none_yet(self, dispatch):
        a, b = lots_of(dispatch)
        a_return(dispatch, (a, "4"), (a, "5"), (b, "0.04"), (b, "<0.005"))
        values.set_dispatch_rule(
            dispatch=dispatch, rule=MEAN, reason="repeats were asked for", set_by=make_member()
        )
        a.refresh_from_db()
        b.refresh_from_db()
        assert (a.in_use_g_per_t, b.in_use_g_per_t) == (Decimal("4.5"), Decimal("0.04"))
        assert (a.in_use_rule, b.in_use_rule, b.asked_rule) == (MEAN, FIRST, MEAN)
        entry = JournalEntry.objects.about(dispatch).first()
        assert entry.what.endswith(f"mean of all repeats; it gives no value yet for {b.tag}")
        assert set(entry.changes) == {a.tag}

    def test_leaves_what_was_chosen_by_hand(self, dispatch):
        a, _ = lots_of(dispatch)
        came = a_return(dispatch, (a, "4"), (a, "5"))
        chosen = came.readings.get(raw_text="5")
        values.choose_reading(sample=a, reading=chosen, reason="the first was spilt", chosen_by=make_member())
        values.set_dispatch_rule(dispatch=dispatch, rule=MEAN, reason="repeats", set_by=make_member())
        a.refresh_from_db()
        assert (a.in_use_rule, a.in_use_g_per_t) == (Sample.Rule.CHOSEN, 5)

    def test_refuses_when_nothing_would_change(self, dispatch):
        with pytest.raises(Refused) as refusal:
            values.set_dispatch_rule(dispatch=dispatch, rule=FIRST, reason="as it is", set_by=make_member())
        assert refusal.value.code == "no_change"

    def test_is_for_members(self, dispatch):
        with pytest.raises(PermissionDenied):
            values.set_dispatch_rule(dispatch=dispatch, rule=MEAN, reason="x", set_by=make_member("guest"))


class TestScreenFireAssay:
    """c05 of fixtures/reference/grade_sampling_assay.json: 5.16398 g/t from both fractions."""

    def test_counts_by_itself_where_nothing_else_came(self, dispatch):
        a, _ = lots_of(dispatch)
        came = fractions(dispatch, a, *WHOLE_ASSAY)
        assert float(a.in_use_g_per_t) == pytest.approx(5.16398, abs=1e-4)
        assert (a.in_use_rule, a.reading_in_use.assay_return) == (SCREEN, came)

    def test_counts_over_a_charge_where_it_was_asked_for(self):
        dispatch = make_dispatch(1, method="screen_fire")
        (a,) = lots_of(dispatch)
        fractions(dispatch, a, ("", "2.9", None), *WHOLE_ASSAY)
        assert a.in_use_rule == SCREEN
        set_rule(a, FIRST, "the plus fraction was spilt")
        assert a.in_use_g_per_t == Decimal("2.9")
        values.apply_rules(dispatch.returns.get(), recorded_by=dispatch.recorded_by)
        a.refresh_from_db()
        assert a.in_use_g_per_t == Decimal("2.9")

    def test_counts_over_a_charge_elsewhere_only_when_a_member_says_so(self, dispatch):
        a, _ = lots_of(dispatch)
        fractions(dispatch, a, ("", "2.9", None), *WHOLE_ASSAY)
        assert a.in_use_g_per_t == Decimal("2.9")
        set_rule(a, SCREEN, "coarse gold")
        assert float(a.in_use_g_per_t) == pytest.approx(5.16398, abs=1e-4)

    def test_a_part_below_that_matters_leaves_a_bound_and_its_range(self, dispatch):
        a, _ = lots_of(dispatch)
        fractions(dispatch, a, ("plus", "12", "20"), ("minus", "<0.01", "980"))
        assert (a.in_use.symbol, a.in_use.limit_g_per_t) == ("below", Decimal("0.2498"))
        assert a.in_use_reason == "a part is below its limit, so the grade is no single figure"
        assert sample_value(a, grade_unit="g_per_t").reason.endswith("It lies from 0.24 g/t to 0.25 g/t.")

    def test_one_fraction_alone_is_no_value(self, dispatch):
        a, _ = lots_of(dispatch)
        came = fractions(dispatch, a, ("plus", "73", "25"))
        assert a.in_use is None
        with pytest.raises(Refused) as refusal:
            values.choose_reading(
                sample=a, reading=came.readings.get(), reason="all there is", chosen_by=make_member()
            )
        assert refusal.value.code == "only_a_fraction"


class TestReRunOverTheLimit:
    def test_stands_where_the_first_only_says_above(self, dispatch):
        a, _ = lots_of(dispatch)
        a_return(dispatch, (a, ">10"))
        a.refresh_from_db()
        assert (a.in_use.symbol, a.in_use.limit_g_per_t) == ("above", 10)
        a_return(dispatch, (a, "12.3"), number="C-2")
        a.refresh_from_db()
        assert (a.in_use.symbol, a.in_use_g_per_t, a.in_use_rule) == ("value", Decimal("12.3"), FIRST)


def test_asks_the_same_few_questions_however_many_samples(django_assert_num_queries):
    for number in (2, 6):
        dispatch = make_dispatch(number)
        came = a_return(dispatch, *((sample, "4.1") for sample in lots_of(dispatch)))
        Sample.objects.filter(dispatch=dispatch).update(
            in_use_symbol="", in_use_g_per_t=None, reading_in_use=None
        )
        with django_assert_num_queries(5):
            values.apply_rules(came, recorded_by=dispatch.recorded_by)
        assert dispatch.samples.answered().count() == number


def test_a_choice_from_a_failed_return_outlives_the_next_return(dispatch):
    """Its mark stays beside it; a return of another sample takes nothing away from what a member settled."""
    a, b = lots_of(dispatch)
    failed = a_return(dispatch, (a, "4"))
    AssayReturn.objects.filter(pk=failed.pk).update(checks_state=AssayReturn.Checks.FAILED)
    a_return(dispatch, (a, "6"), number="C-2")
    values.choose_reading(
        sample=a, reading=failed.readings.get(), reason="the second was mixed up", chosen_by=make_member()
    )
    a_return(dispatch, (b, "1"), number="C-3")
    a.refresh_from_db()
    assert (a.in_use_rule, a.in_use_g_per_t, a.in_use_reason) == (
        Sample.Rule.CHOSEN,
        4,
        "the second was mixed up",
    )


def test_the_journal_of_a_choice_keeps_the_value_that_counted(dispatch):
    a, _ = lots_of(dispatch)
    came = a_return(dispatch, (a, "4"), (a, "6"))
    set_rule(a, MEAN)
    values.choose_reading(
        sample=a,
        reading=came.readings.get(raw_text="6"),
        reason="the first was spilt",
        chosen_by=make_member(),
    )
    before, after = JournalEntry.objects.about(dispatch).first().changes["value in use"]
    assert before.startswith("5 g/t, mean") and after.startswith("6 g/t, chosen")


def test_a_reading_that_a_later_certificate_corrects_is_not_chosen(dispatch):
    a, _ = lots_of(dispatch)
    first = a_return(dispatch, (a, "4.1"))
    replace_return(first, (a, "4.8"))
    with pytest.raises(Refused) as refusal:
        values.choose_reading(
            sample=a, reading=first.readings.get(), reason="looks better", chosen_by=make_member()
        )
    assert (refusal.value.code, refusal.value.field) == ("replaced", "reading")
    a.refresh_from_db()
    assert a.in_use_g_per_t == Decimal("4.8")
