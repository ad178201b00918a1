import re
from decimal import Decimal
from uuid import uuid4

import pytest
from django.urls import reverse

from prospecting.models import JournalEntry
from tests.make import make_member
from tests.trials.actions.test_clearing import make_test
from tests.trials.actions.test_mud import found
from tests.trials.make_trial import log, make_running
from trials.actions import mud, running
from trials.models import SettledMud

pytestmark = pytest.mark.django_db
ALERT = 'role="alert"'


def typed(member, **fields) -> dict:
    base = {"gold": "0.4 mg", "scale_step": "0.1 mg", "scale_unit": "mg", "panner": str(member.pk)}
    base |= {"panned_on": "3 May 2026", "identity": str(uuid4()), "note": ""}
    return {name: text for name, text in (base | fields).items() if text is not None}


def test_pages_open_to_members_and_tell_no_treatment_of_an_open_block(
    client_as, client, django_assert_max_num_queries
):
    member, guest, test = client_as("member"), client_as("guest"), make_test()
    trial = make_running(names=("plain water", "the secret rinse"), blocks=2)
    planned = trial.planned_runs.filter(treatment__is_control=False).first()
    run = log(planned, member.member)
    kept = mud.log_tub_mud(tub=test.tubs.first(), mud=found(member.member), recorded_by=member.member)
    for name, pk in [("run-mud", run.pk), ("tub-mud", test.tubs.last().pk), ("mud-correct", kept.pk)]:
        url = reverse(name, args=[pk])
        with django_assert_max_num_queries(20):
            page = member.get(url)
        assert page.status_code == 200
        assert "never goes into a stream or drain" in page.content.decode()
        assert guest.get(url).status_code == 403
        assert client.get(url).status_code == 302
        assert member.get(reverse(name, args=[999_999])).status_code == 404
    page = member.get(reverse("run-mud", args=[run.pk])).content.decode()
    assert planned.blind_code in page
    assert 'data-queue="Mud of ' in page
    assert member.post(reverse("run-mud", args=[run.pk]), typed(member.member)).status_code == 302
    kept = SettledMud.objects.get(run=run)
    told = [page, member.get(run.get_absolute_url()).content.decode()]
    told.append(member.get(reverse("mud-correct", args=[kept.pk])).content.decode())
    assert "0.4 mg" in told[1]
    assert not any("secret rinse" in each for each in told[:1] + told[2:])
    # The run's own page lists the treatments for nobody either.
    assert "hidden until" in told[1]
    assert not re.search("secret rinse", told[1])


def test_mud_of_a_run_is_typed_shown_beside_its_tails_and_corrected_with_a_reason(client_as):
    member = client_as("member")
    run = log(make_running().planned_runs.first(), member.member, "3.6")
    assert member.post(reverse("run-mud", args=[run.pk]), typed(member.member)).url == run.get_absolute_url()
    page = member.get(run.get_absolute_url()).content.decode()
    assert "Of the gold found in pan and mud, the mud held 10 %" in page
    assert "panned the mud of its tub" in page
    kept = SettledMud.objects.get()
    # Opening the form again leads to its correction.
    assert member.get(reverse("run-mud", args=[run.pk])).url == reverse("mud-correct", args=[kept.pk])
    url = reverse("mud-correct", args=[kept.pk])
    assert "Why it is corrected" in member.post(url, typed(member.member, gold="0.9 mg")).content.decode()
    assert member.post(url, typed(member.member, gold="0.9 mg", reason="a second look")).status_code == 302
    assert SettledMud.objects.get().gold_mg == Decimal("0.9")
    assert JournalEntry.objects.about(run).filter(why="a second look").exists()
    running.log_tails(run=run, tails=found(member.member, "0.5"), recorded_by=member.member)
    assert (
        "Of the gold found in pan, tails and mud, the mud held 18 %"
        in member.get(run.get_absolute_url()).content.decode()
    )


def test_mud_of_a_tub_stands_on_the_tests_page_below_the_scale_as_less_than_a_step(client_as):
    member, guest, test = client_as("member"), client_as("guest"), make_test()
    first, last = test.tubs.all()
    page = guest.get(test.get_absolute_url()).content.decode()
    assert "Gold in the settled mud" not in page
    answer = member.post(reverse("tub-mud", args=[last.pk]), typed(member.member, gold="", below_scale="on"))
    assert answer.url == test.get_absolute_url()
    page = guest.get(test.get_absolute_url()).content.decode()
    assert "below one scale step (0.1 mg), not zero" in page
    assert reverse("tub-mud", args=[first.pk]) not in page
    assert reverse("additive-clearing", args=[last.additive_id]) in page
    assert reverse("tub-mud", args=[first.pk]) in member.get(test.get_absolute_url()).content.decode()


def test_mud_sent_twice_is_kept_once(client_as):
    member, test = client_as("member"), make_test()
    fields = typed(member.member)
    for _ in range(2):
        assert member.post(reverse("tub-mud", args=[test.tubs.first().pk]), fields).status_code == 302
    assert SettledMud.objects.count() == 1


NONSENSE = [
    {"gold": "", "colours": ""},
    {"gold": "much"},
    {"gold": "-1"},
    {"gold": "9" * 30},
    {"gold": "0"},
    {"gold": "3 L"},
    {"gold": "", "below_scale": "on", "scale_step": ""},
    {"below_scale": "on"},
    {"colours": "-3", "gold": ""},
    {"colours": "1e400", "gold": ""},
    {"panner": "999999"},
    {"panned_on": "someday"},
    {"panned_on": "3 May 2999"},
    {"note": "x" * 2001},
    {"gold": "\0"},
]


def test_nonsense_keeps_nothing_and_what_was_typed(client_as):
    member, test = client_as("member"), make_test()
    run = log(make_running().planned_runs.first(), member.member)
    urls = [reverse("run-mud", args=[run.pk]), reverse("tub-mud", args=[test.tubs.first().pk])]
    for url in urls:
        for fields in NONSENSE:
            answer = member.post(url, typed(member.member, **{"note": "kept as it is"} | fields))
            assert answer.status_code == 200, fields
            page = answer.content.decode()
            assert ALERT in page, fields
            assert "kept as it is" in page or "note" in fields
    assert not SettledMud.objects.exists()


def test_other_digits_a_comma_and_grams_are_read(client_as):
    member, test = client_as("member"), make_test()
    for tub, gold in zip(test.tubs.all(), ["٠,٤", "0,0004 g"], strict=True):
        assert (
            member.post(reverse("tub-mud", args=[tub.pk]), typed(member.member, gold=gold)).status_code == 302
        )
    assert {each.gold_mg for each in SettledMud.objects.all()} == {Decimal("0.4")}


def test_a_slip_of_ten_is_asked_about(client_as):
    member, test = client_as("member"), make_test()
    first, last = test.tubs.all()
    mud.log_tub_mud(tub=first, mud=found(member.member), recorded_by=member.member)
    answer = member.post(reverse("tub-mud", args=[last.pk]), typed(member.member, gold="4 g"))
    assert "times the others (0.4 mg)" in answer.content.decode()
    run = log(make_running().planned_runs.first(), make_member(), "3.6")
    answer = member.post(reverse("run-mud", args=[run.pk]), typed(member.member, gold="5 mg"))
    assert "more than the run itself gave" in answer.content.decode()
    assert SettledMud.objects.count() == 1
