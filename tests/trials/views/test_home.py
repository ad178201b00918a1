import datetime
import html
import re
import uuid
from decimal import Decimal

import pytest
from django.urls import reverse
from django.utils import timezone

from prospecting.actions import dispatching, steps
from prospecting.actions.material import DrawFrom, StepDetails
from prospecting.models import AssayReturn, Delivery, Dispatch, HeldEntry, Lot, Reading, Sample
from tests import make
from tests.trials.make_trial import log, make_closed, make_draft, make_running
from trials.models import Finding, FindingEvidence, Trial

pytestmark = pytest.mark.django_db

HOME = reverse("home")


def words(response) -> str:
    assert response.status_code == 200
    return " ".join(re.sub(r"<[^>]+>", " ", response.content.decode()).split())


def send(*, expected_on=None):
    keeper = make.make_member("keeper")
    split = steps.take_for_assay(
        draw=DrawFrom(lot=make.make_lot(), mass_g=Decimal(400), typed="400 g"),
        recorded_by=keeper,
        done_on=make.DAY,
        details=StepDetails(method="riffle"),
    ).made.get()
    return dispatching.send_dispatch(
        laboratory=dispatching.add_laboratory(name=f"Invented Assay Office {split.pk}", recorded_by=keeper),
        sent_on=make.DAY,
        method="fire_30",
        lots=[split],
        expected_on=expected_on,
        recorded_by=keeper,
    )


def hold_one() -> HeldEntry:
    delivery = Delivery.objects.create(identity=uuid.uuid4(), member=make.make_member(), body_sha256="0" * 64)
    return HeldEntry.objects.create(
        delivery=delivery, title="Discard", form_path="/", body={}, code="lot_used_up", sentence="Used up."
    )


def test_who_may_open_it(client, client_as):
    assert client.get(HOME).status_code == 302
    assert client_as("guest").get(HOME).status_code == 200
    assert client_as("member").post(HOME).status_code == 405


@pytest.mark.parametrize("role", ["guest", "member", "keeper"])
def test_an_empty_site_says_what_comes_first(client_as, role):
    response = client_as(role).get(HOME)
    said = words(response)
    assert (
        said.index("claim you may work on")
        < said.index("zones")
        < said.index("weigh each bucket")
        < said.index("Blend")
    )
    assert (reverse("claim-add") in response.content.decode()) == (role == "keeper")


def test_the_steps_move_on_with_what_is_there(client_as):
    make.make_zone()
    client = client_as("member")
    assert (
        f'href="{reverse("dig-add")}">Record a dig</a>' in client.get(HOME).content.decode().split("</ol>")[0]
    )
    make.make_lot()
    page = client.get(HOME).content.decode()
    now = page[page.index('aria-current="step"') :]
    assert now.index("crush and screen") < now.index("</li>")


def test_a_running_trial_leads_to_its_next_portion(client_as):
    trial = make_running()
    member, guest = client_as("member").get(HOME), client_as("guest").get(HOME)
    assert f'href="{trial.get_next_url()}">Next portion<' in member.content.decode()
    assert "0 of 6 runs are in" in words(guest)
    assert trial.get_next_url() not in guest.content.decode()


def test_a_complete_block_asks_to_be_closed(client_as):
    member = make.make_member()
    trial = make_running(member=member)
    for planned in trial.planned_runs.filter(block__number=1):
        log(planned, member)
    said = words(client_as("member").get(HOME))
    assert "Block 1 is complete, its key is closed" in said
    assert "Close block 1" in said


def test_a_feed_lot_that_runs_short_is_told_before_the_runs_are(client_as):
    # Six runs of 454 g need 2724 g.
    enough = make_running(lot=make.make_lot("20000"))
    tight = make_running(lot=make.make_lot("3000"))
    lot = make.make_lot("3000")
    short = make_running(lot=lot)
    steps.discard_from_lot(
        draw=DrawFrom(lot=lot, mass_g=Decimal(500)),
        recorded_by=make.make_member(),
        done_on=make.DAY,
        details=StepDetails(loss_reason="spilled"),
    )
    said = words(client_as("member", mass_unit="kg").get(HOME))
    assert f"{tight.feed_lot.code} is nearly used up" in said
    assert (
        f"{short.feed_lot.code} is short It holds 2.5 kg, and the 6 runs still open need 0.224 kg more"
        in said
    )
    assert said.count("nearly used up") == 1
    assert f"{enough.feed_lot.code} is short" not in said


def test_only_my_own_drafts_wait_for_me(client_as):
    client = client_as("member")
    mine = make_draft(member=client.member, question="Mine?")
    make_draft(question="Somebody else's?")
    said = words(client.get(HOME))
    assert mine.question in said
    assert "Somebody else" not in said.split("What changed")[0]


def test_dispatches_wait_and_overdue_ones_come_first(client_as):
    today = timezone.localdate()
    later, soon = send(expected_on=today + datetime.timedelta(days=30)), send(expected_on=today)
    late = send(expected_on=today - datetime.timedelta(days=1))
    for role in ("guest", "member"):
        said = words(client_as(role).get(HOME))
        names = [f"Dispatch {each.pk} to" for each in (late, soon, later)]
        places = [said.index(name) for name in names]
        assert places == sorted(places)
        assert said.count("overdue") == 1
        assert "waiting for return, return expected" in said


@pytest.mark.parametrize(
    ("days", "told"), [(-3, "3 days past"), (0, "today"), (1, "in 1 day"), (60, "in 60 days"), (61, "")]
)
def test_claim_dates_within_sixty_days_are_told_to_members(client_as, days, told):
    due = timezone.localdate() + datetime.timedelta(days=days)
    make.make_claim_date(make.make_claim("Kettle Rib"), due_on=due)
    member, guest = words(client_as("member").get(HOME)), words(client_as("guest").get(HOME))
    assert ("Kettle Rib: yearly fee" in member) == bool(told)
    assert told in member
    assert "Kettle Rib" not in guest
    assert ("The land agency, the county and the state decide" in member) == bool(told)


def test_material_waiting_is_counted(client_as):
    make.make_lot()
    keeper = make.make_member("keeper")
    steps.take_for_assay(
        draw=DrawFrom(lot=make.make_lot(), mass_g=Decimal(400), typed="400 g"),
        recorded_by=keeper,
        done_on=make.DAY,
        details=StepDetails(method="riffle"),
    )
    used = make.make_lot("1000")
    steps.crush_lot(
        draw=DrawFrom(lot=used, mass_g=Decimal(1000)),
        crushed=steps.NewLot(kind=Lot.Kind.CRUSHED, mass_g=Decimal(1000)),
        recorded_by=keeper,
        done_on=make.DAY,
        details=StepDetails(target_size_um=Decimal(850)),
    )
    response = client_as("member").get(HOME)
    said = " ".join(words(response).replace("&nbsp;", " ").split())
    assert "Two buckets not crushed yet" in said
    assert "One split for assay not sent yet" in said


def test_finished_trials_lead_to_what_they_showed(client_as):
    trial = make_closed(lambda planned: "5.5")
    for role in ("guest", "member"):
        response = client_as(role).get(HOME)
        assert reverse("trial-verdict", args=[trial.pk]) in response.content.decode()
        assert "The way to a first verdict" not in words(response)


def test_what_changed_is_for_members(client_as):
    make.make_lot()
    assert "What changed in the last seven days" in words(client_as("member").get(HOME))
    assert "What changed" not in words(client_as("guest").get(HOME))


def test_the_opening_counts_in_words_and_the_bands_stand_by_urgency(client_as):
    make.make_claim_date(days=-4, what="county filing")
    make.make_claim_date(days=-1, what="yearly fee")
    make.make_claim_date(days=9, what="permission ends")
    make.make_lot()
    said = words(client_as("member").get(HOME))
    assert "Two things need somebody now, one soon and one can wait." in said
    order = [
        "Now",
        "county filing",
        "4 days past",
        "yearly fee",
        "Soon",
        "permission ends",
        "When there is time",
        "One bucket",
    ]
    places = [said.index(each, said.index("can wait.")) for each in order]
    assert places == sorted(places)
    assert "can wait" not in words(client_as("guest").get(HOME))


def test_a_date_is_told_when_its_own_reminder_says_so(client_as):
    make.make_claim_date(days=200, what="early bird", remind_days=300)
    make.make_claim_date(days=20, what="last minute", remind_days=5)
    said = words(client_as("member").get(HOME))
    assert "early bird" in said
    assert "last minute" not in said


def returned(dispatch, *, member, state="none", symbol="value"):
    """A return typed in for a dispatch of `send`; its checks judged as `state`."""
    facts = {"grade_g_per_t": Decimal(2), "limit_g_per_t": None}
    if symbol == "above":
        facts = {"grade_g_per_t": None, "limit_g_per_t": Decimal(10)}
    paper = AssayReturn.objects.create(
        dispatch=dispatch,
        certificate_number="C1",
        reported_on=make.DAY,
        recorded_by=member,
        checks_state=state,
    )
    sample = dispatch.samples.get()
    reading = Reading.objects.create(
        assay_return=paper, sample=sample, order=1, unit="g/t", symbol=symbol, **facts
    )
    Sample.objects.filter(pk=sample.pk).update(
        reading_in_use=reading,
        in_use_symbol=symbol,
        in_use_g_per_t=facts["grade_g_per_t"],
        in_use_limit_g_per_t=facts["limit_g_per_t"],
    )
    return paper


def test_failed_checks_and_values_above_the_limit_wait(client_as):
    member = client_as("member")
    failed = returned(send(), member=member.member, state="failed")
    returned(send(), member=member.member, state="passed")
    above = returned(send(), member=member.member, symbol="above")
    page = member.get(HOME)
    said = words(page)
    assert said.count("a check failed") == 1
    assert failed.get_absolute_url() in page.content.decode()
    assert "the values of one sample stand in doubt" in said
    assert "One value lies above the laboratory's upper limit" in html.unescape(said)
    assert f"Dispatch {above.dispatch_id}: the run that gives the figure itself is still to come." in said
    assert "a check failed" not in words(client_as("guest").get(HOME))


def test_a_parcel_on_the_bench_for_days_and_rejects_soon_thrown_away_are_told(client_as):
    fresh, old, kept = send(), send(), send()
    Dispatch.objects.filter(pk__in=[fresh.pk, old.pk]).update(sent_on=None)
    Dispatch.objects.filter(pk=old.pk).update(recorded_at=timezone.now() - datetime.timedelta(days=5))
    Dispatch.objects.filter(pk=kept.pk).update(
        rejects_until=timezone.localdate() + datetime.timedelta(days=3)
    )
    said = words(client_as("member").get(HOME))
    assert said.count("is being packed since") == 1
    assert "5 days" in said
    assert said.count("its coarse rejects and assay pulps are kept until") == 1
    guest = words(client_as("guest").get(HOME))
    assert "packed" not in guest
    assert "rejects" not in guest


def test_a_closed_trial_waits_for_a_finding_until_one_stands_on_it(client_as):
    trial, member = make_closed(lambda planned: "5.5"), client_as("member")
    assert "no finding yet" in words(member.get(HOME))
    assert "no finding yet" not in words(client_as("guest").get(HOME))
    finding = Finding.objects.create(
        about="other",
        stand="open",
        sentence="Not settled.",
        concluded_by="the meeting",
        concluded_on=make.DAY,
        recorded_by=member.member,
    )
    FindingEvidence.objects.create(finding=finding, trial=trial, data_hash="0" * 64, figures={}, versions={})
    assert "no finding yet" not in words(member.get(HOME))
    Finding.objects.update(taken_back_at=timezone.now(), taken_back_reason="read wrong")
    assert "no finding yet" in words(member.get(HOME))


def test_a_keeper_decides_about_held_entries(client_as):
    hold_one()
    keeper = client_as("keeper").get(HOME)
    assert "One entry from a phone came too late" in words(keeper)
    assert reverse("held-list") in keeper.content.decode()
    assert "came too late" not in words(client_as("member").get(HOME))


def test_a_code_typed_here_finds_its_lot(client_as):
    lot = make.make_lot()
    client = client_as("member")
    page = client.get(HOME).content.decode()
    assert f'action="{reverse("lot-find")}"' in page
    assert client.get(reverse("lot-find"), {"code": lot.code}).url == lot.get_absolute_url()


def test_it_costs_few_queries(client_as, django_assert_max_num_queries):
    client = client_as("member")
    for number in range(3):
        make_running()
        make_draft(member=client.member, question=f"Draft {number}?")
        send()
        make.make_claim_date(days=0)
        make.make_claim_date(days=-3)
        returned(send(), member=client.member, state="failed", symbol="above")
    assert Trial.objects.count() == 6
    for each in (client, client_as("guest")):
        with django_assert_max_num_queries(19):
            assert each.get(HOME).status_code == 200
