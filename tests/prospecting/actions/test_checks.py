import datetime
from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied

from prospecting.actions import checks, values
from prospecting.actions.refusal import Refused
from prospecting.models import AssayReturn, JournalEntry, Reading, ReferenceMaterial, Sample
from prospecting.models.check_evidence import CheckBook
from tests.make import make_member
from tests.prospecting.actions.test_assays import REPORTED, make_dispatch, row, type_in

pytestmark = pytest.mark.django_db
CHECKS = AssayReturn.Checks


def make_material(kind: str = "reference", **fields) -> ReferenceMaterial:
    """Invented: certified at 4.76 g/t, one standard deviation between laboratories 0.2."""
    facts = {"certified_g_per_t": "4.76", "plus_minus_g_per_t": "0.2", "plus_minus_kind": "one_sd"}
    fields = (facts if kind == "reference" else {}) | fields
    name = fields.pop("name", f"Invented {kind} {ReferenceMaterial.objects.count() + 1}")
    return ReferenceMaterial.objects.create(name=name, kind=kind, recorded_by=make_member(), **fields)


def add_check(dispatch, kind: str, **fields) -> Sample:
    """A check beside the dispatch's lots, last in its list."""
    place = 1 + max(dispatch.samples.values_list("place", flat=True), default=0)
    number = Sample.objects.count()
    return Sample.objects.create(
        dispatch=dispatch, kind=kind, tag=fields.pop("tag", f"CHK{number:04}"), place=place, **fields
    )


def a_return(dispatch, *pairs, number: str = "C-1", reported_on=REPORTED, **fields) -> AssayReturn:
    """Readings as (sample, text): "4.1", "<0.005", ">10" or a word; stored through the action that types a return in."""
    return type_in(
        dispatch, *(a_row(sample, text) for sample, text in pairs), number=number, reported_on=reported_on
    )


def a_row(sample: Sample, text: str):
    if text[0] in "<>":
        return row(sample.tag, text, symbol={"<": "below", ">": "above"}[text[0]], limit=text[1:])
    if text[0].isdigit():
        return row(sample.tag, text, grade=text)
    return row(sample.tag, text, symbol="not enough sample")


def replace_return(old: AssayReturn, *pairs, number: str = "C-1 rev 2", days: int = 9) -> AssayReturn:
    """A revised certificate: what it replaces counts no longer."""
    new = a_return(
        old.dispatch, *pairs, number=number, reported_on=old.reported_on + datetime.timedelta(days=days)
    )
    new.replaces = old
    new.save(update_fields=["replaces"])
    values.apply_rules(new, recorded_by=new.recorded_by)
    return new


def state(assay_return: AssayReturn) -> str:
    return AssayReturn.objects.get(pk=assay_return.pk).checks_state


@pytest.fixture
def dispatch():
    return make_dispatch(2)


def lots_of(dispatch):
    return list(dispatch.samples.filter(kind="lot").order_by("place"))


class TestJudging:
    def test_no_check_is_none_and_never_passed(self, dispatch):
        a, b = lots_of(dispatch)
        assert state(a_return(dispatch, (a, "4.1"), (b, "<0.005"))) == CHECKS.NONE

    @pytest.mark.parametrize(
        ("read", "expected"),
        [
            # f10 of fixtures/reference/grade_sampling_assay.json: 0.005 g/t limit, five times it, common practice, no source.
            ("0.004", CHECKS.PASSED),
            ("0.031", CHECKS.FAILED),
            ("0.011", CHECKS.PASSED),
            ("0.006", CHECKS.PASSED),
            ("<0.005", CHECKS.PASSED),
            (">10", CHECKS.FAILED),
            ("NSS", CHECKS.NONE),
        ],
    )
    def test_a_blank_against_the_detection_limit_of_its_method(self, dispatch, read, expected):
        a, b = lots_of(dispatch)
        blank = add_check(dispatch, "blank", material=make_material("blank"))
        assert state(a_return(dispatch, (a, "35.2"), (b, "<0.005"), (blank, read))) == expected

    def test_a_blank_without_any_limit_known_is_not_judged(self, dispatch):
        blank = add_check(dispatch, "blank", material=make_material("blank"))
        assert state(a_return(dispatch, (blank, "0.5"))) == CHECKS.NONE

    @pytest.mark.parametrize(
        ("read", "expected"),
        [
            ("5.12", CHECKS.PASSED),  # z = 1.8: f08 of the reference cases
            ("5.26", CHECKS.PASSED),  # z = 2.5: a warning signal
            (
                "5.36",
                CHECKS.FAILED,
            ),  # z = 3.0: an action signal from 3.0 on (ISO 13528:2015, section 9, from memory)
            ("4.10", CHECKS.FAILED),
            ("<0.005", CHECKS.FAILED),
            (">10", CHECKS.FAILED),
            (">5", CHECKS.NONE),
        ],
    )
    def test_a_reference_material_by_its_z_score(self, dispatch, read, expected):
        reference = add_check(dispatch, "reference", material=make_material())
        assert state(a_return(dispatch, (reference, read))) == expected

    def test_two_of_three_beyond_two_on_one_side_fail_over_several_returns(self, dispatch):
        """Western Electric, Statistical Quality Control Handbook (1956), rule 2."""
        material = make_material()
        found = []
        for number, read in enumerate(("5.20", "4.80", "5.21")):
            sent = make_dispatch(1)
            check = add_check(sent, "reference", material=material)
            day = REPORTED + datetime.timedelta(days=number)
            found.append(state(a_return(sent, (check, read), reported_on=day)))
        assert found == [CHECKS.PASSED, CHECKS.PASSED, CHECKS.FAILED]

    @pytest.mark.parametrize(
        ("kind", "read", "expected"),
        [
            ("confidence_95", "4.80", CHECKS.PASSED),
            ("confidence_95", "5.20", CHECKS.NONE),
            ("unsaid", "5.80", CHECKS.FAILED),
        ],
    )
    def test_without_an_sd_only_what_is_far_off_fails(self, dispatch, kind, read, expected):
        material = make_material(plus_minus_g_per_t="0.1", plus_minus_kind=kind)
        reference = add_check(dispatch, "reference", material=material)
        assert state(a_return(dispatch, (reference, read))) == expected

    def test_two_sd_of_a_certificate_are_halved(self, dispatch):
        material = make_material(plus_minus_g_per_t="0.4", plus_minus_kind="two_sd")
        reference = add_check(dispatch, "reference", material=material)
        assert state(a_return(dispatch, (reference, "5.40"))) == CHECKS.FAILED

    def test_a_partial_method_is_not_held_against_a_fire_assay_certificate(self):
        dispatch = make_dispatch(1, method="aqua_regia")
        reference = add_check(dispatch, "reference", material=make_material(certified_method="fire assay"))
        assert state(a_return(dispatch, (reference, "3.1"))) == CHECKS.NONE

    @pytest.mark.parametrize("stage", ["pulp", "coarse"])
    def test_one_pair_however_wide_fails_nobody_and_passes_nobody(self, dispatch, stage):
        a, _ = lots_of(dispatch)
        twin = add_check(dispatch, "duplicate", duplicate_of=a, duplicate_stage=stage)
        assert state(a_return(dispatch, (a, "4"), (twin, "40"))) == CHECKS.NONE

    def test_three_wide_pulp_pairs_fail_and_field_pairs_never_do(self):
        dispatch = make_dispatch(3)
        lots = lots_of(dispatch)
        twins = [add_check(dispatch, "duplicate", duplicate_of=lot, duplicate_stage="pulp") for lot in lots]
        wide = [(lot, "4") for lot in lots] + [(twin, "6") for twin in twins]
        first = a_return(dispatch, *wide)
        assert state(first) == CHECKS.FAILED
        book = CheckBook([dispatch.laboratory_id])
        assert book.judged(first).duplicates[0][2].outside == 3

    def test_asks_the_same_few_questions_however_many_returns(self, dispatch, django_assert_num_queries):
        material, blank = make_material(), make_material("blank")
        for number in range(4):
            sent = make_dispatch(1)
            (lot,) = lots_of(sent)
            some = [
                (lot, "9.1"),
                (add_check(sent, "blank", material=blank), "<0.005"),
                (add_check(sent, "reference", material=material), "4.7"),
                (add_check(sent, "duplicate", duplicate_of=lot, duplicate_stage="pulp"), "9.3"),
            ]
            last = a_return(sent, *some, number=f"N-{number}")
        last = AssayReturn.objects.select_related("dispatch").get(pk=last.pk)
        with django_assert_num_queries(5):
            assert CheckBook([last.dispatch.laboratory_id]).judged(last).state == CHECKS.PASSED

    def test_is_journaled_and_keeps_an_acceptance_while_it_fails(self, dispatch):
        reference = add_check(dispatch, "reference", material=make_material())
        failed = a_return(dispatch, (reference, "9.9"))
        assert (
            "a check failed" in JournalEntry.objects.about(failed).filter(what__contains="judged").get().what
        )
        checks.accept_return(assay_return=failed, reason="packet mixed up", accepted_by=make_member("keeper"))
        checks.judge_return(assay_return=failed, recorded_by=make_member())
        assert state(failed) == CHECKS.ACCEPTED
        ReferenceMaterial.objects.update(certified_g_per_t="9.8")
        checks.judge_return(assay_return=failed, recorded_by=make_member())
        failed = AssayReturn.objects.get(pk=failed.pk)
        assert (failed.checks_state, failed.accepted_reason, failed.accepted_by) == (CHECKS.PASSED, "", None)

    def test_is_for_members(self, dispatch):
        a, _ = lots_of(dispatch)
        came = a_return(dispatch, (a, "4.1"))
        with pytest.raises(PermissionDenied):
            checks.judge_return(assay_return=came, recorded_by=make_member("guest"))


class TestAccepting:
    @pytest.fixture
    def failed(self, dispatch):
        a, _ = lots_of(dispatch)
        reference = add_check(dispatch, "reference", material=make_material())
        return a_return(dispatch, (a, "4.1"), (reference, "9.9"))

    def test_keeps_who_when_and_why(self, failed):
        keeper = make_member("keeper")
        checks.accept_return(assay_return=failed, reason="  packet   mixed up ", accepted_by=keeper)
        kept = AssayReturn.objects.get(pk=failed.pk)
        assert (kept.checks_state, kept.accepted_by, kept.accepted_reason) == (
            CHECKS.ACCEPTED,
            keeper,
            "packet mixed up",
        )
        entry = JournalEntry.objects.about(failed).get(what__contains="accepted although")
        assert (entry.member, entry.why) == (keeper, "packet mixed up")

    @pytest.mark.parametrize(("reason", "code"), [("", "reason_missing"), ("x" * 201, "reason_too_long")])
    def test_refuses_without_a_fair_reason_and_changes_nothing(self, failed, reason, code):
        before = JournalEntry.objects.count()
        with pytest.raises(Refused) as refusal:
            checks.accept_return(assay_return=failed, reason=reason, accepted_by=make_member("keeper"))
        assert (refusal.value.code, refusal.value.field) == (code, "reason")
        assert (state(failed), JournalEntry.objects.count()) == (CHECKS.FAILED, before)

    def test_refuses_a_return_that_a_later_certificate_corrects(self, failed):
        replace_return(failed, *((each.sample, "4.8") for each in failed.readings.all()))
        with pytest.raises(Refused) as refusal:
            checks.accept_return(assay_return=failed, reason="looked at", accepted_by=make_member("keeper"))
        assert (refusal.value.code, state(failed)) == ("replaced", CHECKS.FAILED)

    def test_refuses_a_return_in_which_nothing_failed(self, dispatch):
        a, _ = lots_of(dispatch)
        came = a_return(dispatch, (a, "4.1"))
        with pytest.raises(Refused, match="Only a return with a failed check"):
            checks.accept_return(assay_return=came, reason="why not", accepted_by=make_member("keeper"))

    def test_is_for_keepers(self, failed):
        with pytest.raises(PermissionDenied):
            checks.accept_return(assay_return=failed, reason="fine", accepted_by=make_member())


class TestAssayedAgain:
    def test_the_new_return_counts_and_an_acceptance_gives_the_first_its_turn_back(self, dispatch):
        a, b = lots_of(dispatch)
        reference = add_check(dispatch, "reference", material=make_material())
        failed = a_return(dispatch, (a, "4.1"), (b, "7.7"), (reference, "9.9"))
        again = a_return(
            dispatch, (a, "3.2"), number="C-2", reported_on=REPORTED + datetime.timedelta(days=20)
        )
        a.refresh_from_db()
        b.refresh_from_db()
        assert (a.in_use_g_per_t, a.reading_in_use.assay_return) == (Decimal("3.2"), again)
        assert (b.in_use_g_per_t, b.reading_in_use.assay_return) == (Decimal("7.7"), failed)
        checks.accept_return(assay_return=failed, reason="mixed up", accepted_by=make_member("keeper"))
        a.refresh_from_db()
        assert a.in_use_g_per_t == Decimal("4.1")


class TestRevised:
    def test_replaced_readings_count_no_longer(self, dispatch):
        a, b = lots_of(dispatch)
        first = a_return(dispatch, (a, "4.1"), (b, "7.7"))
        replace_return(first, (a, "41"))
        a.refresh_from_db()
        b.refresh_from_db()
        assert a.in_use_g_per_t == Decimal("41")
        assert (b.in_use, b.reading_in_use) == (None, None)
        assert Reading.objects.filter(sample=b).count() == 1

    def test_its_detection_limit_counts_no_longer(self, dispatch):
        """Read in g/t: a limit misprinted a thousand times too low must not fail a coarse blank sent at another time."""
        a, _ = lots_of(dispatch)
        wrong = a_return(dispatch, (a, "<0.000005"))
        replace_return(wrong, (a, "<0.005"))
        other = make_dispatch(1, laboratory=dispatch.laboratory)
        blank = add_check(other, "blank", material=make_material("blank"))
        came = a_return(other, (blank, "0.004"), number="D-1")
        assert state(came) == CHECKS.PASSED

    def test_takes_the_turn_of_what_it_replaces(self, dispatch):
        a, _ = lots_of(dispatch)
        first = a_return(dispatch, (a, "4.1"))
        a_return(dispatch, (a, "9.9"), number="C-2", reported_on=REPORTED + datetime.timedelta(days=3))
        replace_return(first, (a, "4.4"))
        a.refresh_from_db()
        assert a.in_use_g_per_t == Decimal("4.4")

    def test_a_choice_by_hand_falls_back_to_the_first_and_says_so(self, dispatch):
        a, _ = lots_of(dispatch)
        first = a_return(dispatch, (a, "4.1"), (a, "5.1"))
        reading = first.readings.get(raw_text="5.1")
        values.choose_reading(sample=a, reading=reading, reason="better", chosen_by=first.recorded_by)
        replace_return(first, (a, "6.1"))
        a.refresh_from_db()
        assert (a.in_use_g_per_t, a.in_use_rule) == (Decimal("6.1"), Sample.Rule.FIRST)
        assert a.in_use_reason == "the reading chosen by hand counts no longer"


class TestJudgedAgain:
    def test_by_what_is_recorded_now(self, dispatch):
        reference = add_check(dispatch, "reference", material=make_material())
        came = a_return(dispatch, (reference, "9.9"))
        assert state(came) == CHECKS.FAILED
        # The packet was another one, of 10 g/t: set right in the books, and judged anew.
        type(reference.material).objects.filter(pk=reference.material_id).update(
            certified_g_per_t=Decimal(10), certified_typed="10"
        )
        checks.judge_again(assay_return=came, recorded_by=make_member())
        assert state(came) == CHECKS.PASSED

    def test_not_once_a_later_certificate_corrects_it(self, dispatch):
        a, _ = lots_of(dispatch)
        first = a_return(dispatch, (a, "4.1"))
        replace_return(first, (a, "4.8"))
        before = JournalEntry.objects.count()
        with pytest.raises(Refused) as refusal:
            checks.judge_again(assay_return=first, recorded_by=make_member())
        assert refusal.value.code == "replaced"
        assert JournalEntry.objects.count() == before
