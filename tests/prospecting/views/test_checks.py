"""Pages of checks and laboratories: who may open them, what they say, what they refuse."""

from uuid import uuid4

import pytest
from django.test import Client
from django.urls import reverse

from prospecting.actions import checks
from prospecting.models import AssayReturn, Laboratory, Reading, Sample
from tests.make import make_member
from tests.prospecting.actions.test_assays import make_dispatch
from tests.prospecting.actions.test_checks import (
    CHECKS,
    a_return,
    add_check,
    lots_of,
    make_material,
    replace_return,
    state,
)
from tests.prospecting.views.test_assays import text_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def failed() -> AssayReturn:
    dispatch = make_dispatch(2)
    a, b = lots_of(dispatch)
    blank = add_check(dispatch, "blank", material=make_material("blank"))
    reference = add_check(dispatch, "reference", material=make_material())
    twin = add_check(dispatch, "duplicate", duplicate_of=a, duplicate_stage="pulp")
    return a_return(
        dispatch, (a, "4.1"), (b, "<0.005"), (blank, "0.12"), (reference, "9.9"), (twin, "4.3"), (b, "NSS")
    )


def paths_of(assay_return) -> dict[str, str]:
    named = {
        "return-checks": assay_return.pk,
        "laboratory-detail": assay_return.dispatch.laboratory_id,
        "return-judge": assay_return.pk,
        "return-accept": assay_return.pk,
    }
    return {name: reverse(name, args=[pk]) for name, pk in named.items()} | {
        "laboratory-compare": reverse("laboratory-compare")
    }


@pytest.mark.parametrize(
    ("role", "opened"),
    [
        ("guest", {"return-checks", "laboratory-detail", "laboratory-compare"}),
        ("member", {"return-checks", "laboratory-detail", "laboratory-compare", "return-judge"}),
        (
            "keeper",
            {"return-checks", "laboratory-detail", "laboratory-compare", "return-judge", "return-accept"},
        ),
    ],
)
def test_each_role_opens_what_is_its_own(client_as, failed, role, opened):
    client = client_as(role)
    answers = {name: client.get(path).status_code for name, path in paths_of(failed).items()}
    assert answers == {name: 200 if name in opened else 403 for name in answers}


def test_strangers_are_sent_to_sign_in(failed):
    for path in paths_of(failed).values():
        assert Client().get(path).url.startswith(reverse("sign-in"))


def test_what_is_not_there_is_not_found(client_as):
    keeper = client_as("keeper")
    for name in (
        "return-checks",
        "return-accept",
        "return-judge",
        "laboratory-detail",
        "sample-detail",
        "sample-rule",
        "dispatch-rule",
    ):
        assert keeper.get(reverse(name, args=[999999])).status_code == 404


def test_a_failed_check_is_said_on_its_page_the_return_and_the_sample(
    client_as, failed, django_assert_max_num_queries
):
    guest = client_as("guest", grade_unit="g_per_t")
    with django_assert_max_num_queries(14):
        words = text_of(guest.get(reverse("return-checks", args=[failed.pk])))
    assert "A check of this return failed" in words
    assert "above 5 times the detection limit of 0.005 g/t" in words
    assert "common practice, no source" in words
    assert "Accept it with a reason" not in words
    assert "Every value in use from it is marked" in text_of(guest.get(failed.get_absolute_url()))
    sample = lots_of(failed.dispatch)[0]
    assert "a check of this return failed" in text_of(guest.get(reverse("sample-detail", args=[sample.pk])))
    assert "a check of this return failed" in text_of(guest.get(failed.dispatch.get_absolute_url()))


class TestAccepting:
    def post(self, client, assay_return, **fields):
        body = {"identity": uuid4(), "reason": "the packet was mixed up"}
        return client.post(reverse("return-accept", args=[assay_return.pk]), body | fields)

    def test_keeps_the_reason_beside_the_values(self, client_as, failed):
        keeper = client_as("keeper")
        response = self.post(keeper, failed)
        assert response.url == reverse("return-checks", args=[failed.pk])
        assert state(failed) == CHECKS.ACCEPTED
        assert "the packet was mixed up" in text_of(keeper.get(response.url))
        assert "the packet was mixed up" in text_of(keeper.get(failed.get_absolute_url()))
        sample = lots_of(failed.dispatch)[0]
        assert "accepted: the packet was mixed up" in text_of(
            keeper.get(reverse("sample-detail", args=[sample.pk]))
        )

    def test_the_dispatch_goes_on_marking_each_value_with_the_reason(self, client_as, failed):
        checks.accept_return(assay_return=failed, reason="packet mixed up", accepted_by=make_member("keeper"))
        words = text_of(client_as("guest").get(failed.dispatch.get_absolute_url()))
        assert "a check of this return failed; accepted: packet mixed up" in words

    def test_is_not_offered_for_a_return_that_a_later_certificate_corrects(self, client_as, failed):
        replace_return(failed, *((sample, "4.8") for sample in lots_of(failed.dispatch)))
        keeper = client_as("keeper")
        words = text_of(keeper.get(reverse("return-checks", args=[failed.pk])))
        assert "A later certificate corrects this one; none of its readings counts." in words
        assert "Accept it with a reason" not in words
        assert "until a keeper accepts it" not in words
        assert "until a keeper accepts it" not in text_of(keeper.get(failed.get_absolute_url()))
        assert "Accept its values" not in text_of(keeper.get(reverse("return-accept", args=[failed.pk])))
        self.post(keeper, failed)
        assert state(failed) == CHECKS.FAILED

    @pytest.mark.parametrize("reason", ["", "   ", "x" * 201, "\0"])
    def test_refuses_beside_the_field_and_changes_nothing(self, client_as, failed, reason):
        response = self.post(client_as("keeper"), failed, reason=reason)
        assert response.status_code == 200
        assert response.context["form"].errors["reason"]
        assert state(failed) == CHECKS.FAILED

    def test_a_second_keeper_is_told_it_was_accepted(self, client_as, failed):
        checks.accept_return(assay_return=failed, reason="mine", accepted_by=make_member("keeper"))
        response = self.post(client_as("keeper"), failed)
        assert "Only a return with a failed check is accepted" in text_of(response)

    def test_members_and_guests_do_not(self, client_as, failed):
        for role in ("member", "guest"):
            assert self.post(client_as(role), failed).status_code == 403


def test_is_judged_again_once_a_certificate_was_mended(client_as):
    dispatch, material = make_dispatch(1), make_material()
    failed = a_return(dispatch, (add_check(dispatch, "reference", material=material), "9.9"))
    material.certified_g_per_t = "9.8"
    material.save()
    member = client_as("member")
    assert "Judged today, by what is recorded now, it would be: checks passed" in text_of(
        member.get(reverse("return-checks", args=[failed.pk]))
    )
    response = member.post(reverse("return-judge", args=[failed.pk]), {"identity": uuid4()})
    assert state(failed) == CHECKS.PASSED
    assert "The checks of this return passed" in text_of(member.get(response.url))


def test_a_return_that_a_later_certificate_corrects_is_not_judged_again(client_as):
    dispatch, material = make_dispatch(1), make_material()
    failed = a_return(dispatch, (add_check(dispatch, "reference", material=material), "9.9"))
    replace_return(failed, (dispatch.samples.get(kind="reference"), "4.8"))
    material.certified_g_per_t = "9.8"
    material.save()
    member = client_as("member")
    words = text_of(member.get(reverse("return-checks", args=[failed.pk])))
    assert "Judged today" not in words and "Judge it again" not in words
    page = reverse("return-judge", args=[failed.pk])
    assert "so there is nothing to judge" in text_of(member.get(page))
    assert "so there is nothing to judge" in text_of(member.post(page, {"identity": uuid4()}))
    assert state(failed) == CHECKS.FAILED


class TestLaboratoryPage:
    def test_draws_the_precision_of_duplicates_once_there_are_enough(self, client_as, failed):
        """55 invented pairs that differ by half a g/t and a tenth of the grade, made in bulk."""
        dispatch, material = failed.dispatch, make_material(name="Invented, for pairs")
        page = reverse("laboratory-detail", args=[dispatch.laboratory_id])
        member = client_as("member", grade_unit="g_per_t")
        assert "the line is drawn from 50 on" in text_of(member.get(page))
        of = {"dispatch": dispatch, "kind": "reference", "material": material}
        firsts = Sample.objects.bulk_create(Sample(tag=f"FST{n:03}", **of) for n in range(55))
        of = {"dispatch": dispatch, "kind": "duplicate", "duplicate_stage": "pulp"}
        seconds = Sample.objects.bulk_create(
            Sample(tag=f"SCD{n:03}", duplicate_of=first, **of) for n, first in enumerate(firsts)
        )
        for at, samples in ((0, firsts), (1, seconds)):
            Reading.objects.bulk_create(
                Reading(
                    assay_return=failed,
                    sample=sample,
                    order=1,
                    symbol="value",
                    grade_g_per_t=1 + n + at * (0.5 + 0.1 * (1 + n)),
                )
                for n, sample in enumerate(samples)
            )
        response = member.get(page)
        words = text_of(response)
        assert "Estimate of the detection limit" in words
        assert "pairs as a table" in words
        assert "M. Thompson and R. J. Howarth, The Analyst 101 (1976) 690" in words
        assert response.content.decode().count('<circle class="dot"') >= 55

    def test_shows_each_material_with_its_chart_and_the_same_numbers(self, client_as, failed):
        response = client_as("member", grade_unit="g_per_t").get(
            reverse("laboratory-detail", args=[failed.dispatch.laboratory_id])
        )
        words = text_of(response)
        assert response.content.decode().count("<svg viewBox") >= 2
        assert "Certified: 4.76 g/t (± 0.2 g/t, one standard deviation between laboratories)" in words
        assert "beyond 3 standard deviations" in words
        assert "+25.7" in words
        assert "Western Electric 1956" in words
        assert "1 of 1 judged failed" in words

    def test_an_empty_one_says_what_is_not_known(self, client_as):
        laboratory = Laboratory.objects.create(name="Invented, new")
        words = text_of(client_as("guest").get(reverse("laboratory-detail", args=[laboratory.pk])))
        assert "None has come back from here yet" in words
        assert "From 50 pairs of one kind on" in words
        assert "nothing has come back yet" in words

    def test_side_by_side_without_any(self, client_as):
        assert "No laboratory yet" in text_of(client_as("guest").get(reverse("laboratory-compare")))

    def test_costs_the_same_however_many_returns(self, client_as, failed, django_assert_max_num_queries):
        path = reverse("laboratory-detail", args=[failed.dispatch.laboratory_id])
        client = client_as("guest")
        client.get(path)
        with django_assert_max_num_queries(12):
            assert client.get(path).status_code == 200


class TestSamplePage:
    def test_shows_every_reading_with_what_it_bears(self, client_as, failed):
        sample = lots_of(failed.dispatch)[1]
        words = text_of(
            client_as("member", grade_unit="g_per_t").get(reverse("sample-detail", args=[sample.pk]))
        )
        assert "below 0.005 g/t (not zero)" in words
        assert "says nothing of the grade" in words
        assert "first reading of the first return" in words

    def test_says_that_a_re_run_is_pending(self, client_as):
        dispatch = make_dispatch(1)
        (a,) = lots_of(dispatch)
        a_return(dispatch, (a, ">10"))
        words = text_of(client_as("guest").get(reverse("sample-detail", args=[a.pk])))
        assert "Above its limit, re-run pending" in words

    def test_puts_a_screen_fire_assay_together_and_warns_of_another_total(self, client_as):
        """c05 of fixtures/reference: 5.16 g/t; an invented total of 5.40 beside it."""
        from tests.prospecting.actions.test_values import WHOLE_ASSAY, fractions

        dispatch = make_dispatch(1, method="screen_fire")
        (a,) = lots_of(dispatch)
        fractions(dispatch, a, *WHOLE_ASSAY, ("", "5.40", None))
        words = text_of(client_as("guest", grade_unit="g_per_t").get(reverse("sample-detail", args=[a.pk])))
        assert "5.16 g/t By the rule: screen fire assay over a charge" in words
        assert "printed a total of 5.4 g/t, but its two fractions come to 5.16 g/t" in words
        assert "1.85 mg" in words
        assert "Beringer" in words

    def test_nothing_back_yet(self, client_as):
        (a,) = lots_of(make_dispatch(1))
        words = text_of(client_as("member").get(reverse("sample-detail", args=[a.pk])))
        assert "Nothing has come back yet" in words
        assert "Choose a reading by hand" not in words


class TestRules:
    def test_the_page_promises_no_more_than_what_holds(self, client_as):
        dispatch = make_dispatch(1)
        (a,) = lots_of(dispatch)
        member = client_as("member", grade_unit="g_per_t")
        words = text_of(member.get(reverse("sample-rule", args=[a.pk])))
        assert "counts by itself as soon as more readings give it a value" in words
        member.post(
            reverse("sample-rule", args=[a.pk]),
            {"identity": uuid4(), "rule": "mean", "reason": "repeats were asked for"},
        )
        a_return(dispatch, (a, "0.04"), (a, "<0.005"))
        a_return(dispatch, (a, "<0.006"), (a, "0.06"), number="C-2")
        a.refresh_from_db()
        assert a.in_use_rule == "first"
        words = text_of(member.get(reverse("sample-detail", args=[a.pk])))
        assert "so the mean is no single figure." in words
        assert "Asked for: mean of all repeats. Reason: repeats were asked for." in words
        assert ".." not in words
        assert "; asked for: mean of all repeats" in text_of(member.get(dispatch.get_absolute_url()))
        a_return(dispatch, (a, "9"), number="C-3")
        a.refresh_from_db()
        assert a.in_use_rule == "mean"

    def test_a_member_sets_the_rule_of_a_sample_and_of_a_dispatch(self, client_as):
        dispatch = make_dispatch(2)
        a, b = lots_of(dispatch)
        a_return(dispatch, (a, "4"), (a, "5"), (b, "2"), (b, "3"))
        member = client_as("member", grade_unit="g_per_t")
        body = {"identity": uuid4(), "rule": "mean", "reason": "repeats were asked for"}
        page = reverse("sample-detail", args=[a.pk])
        assert member.post(reverse("sample-rule", args=[a.pk]), body).url == page
        a.refresh_from_db()
        assert a.in_use_g_per_t == 4.5
        member.post(reverse("dispatch-rule", args=[dispatch.pk]), body | {"identity": uuid4()})
        b.refresh_from_db()
        assert b.in_use_g_per_t == 2.5
        assert "sum of the readings" in text_of(member.get(reverse("sample-detail", args=[b.pk])))

    @pytest.mark.parametrize(
        ("fields", "field"),
        [
            ({"reason": ""}, "reason"),
            ({"reason": "x" * 201}, "reason"),
            ({"rule": "median"}, "rule"),
            ({"rule": ""}, "rule"),
            ({"rule": "chosen"}, "rule"),
            ({"rule": "first"}, "rule"),
        ],
    )
    def test_refuses_beside_the_field_and_changes_nothing(self, client_as, fields, field):
        dispatch = make_dispatch(1)
        (a,) = lots_of(dispatch)
        a_return(dispatch, (a, "4"), (a, "5"))
        body = {"identity": uuid4(), "rule": "mean", "reason": "repeats"} | fields
        for name, pk in (("sample-rule", a.pk), ("dispatch-rule", dispatch.pk)):
            response = client_as("member").post(reverse(name, args=[pk]), body)
            assert response.status_code == 200
            assert response.context["form"].errors[field]
        a.refresh_from_db()
        assert a.in_use_g_per_t == 4
        assert Reading.objects.count() == 2

    def test_guests_do_not(self, client_as):
        dispatch = make_dispatch(1)
        (a,) = lots_of(dispatch)
        for name, pk in (("sample-rule", a.pk), ("dispatch-rule", dispatch.pk)):
            assert client_as("guest").get(reverse(name, args=[pk])).status_code == 403
