import datetime
import re
from decimal import Decimal

import pytest
from django.urls import reverse
from django.utils import timezone

from prospecting.actions import dispatching, steps
from prospecting.actions.material import DrawFrom, StepDetails
from prospecting.models import Lot
from tests import make
from tests.trials.make_trial import log, make_closed, make_draft, make_running
from trials.models import Trial

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
    assert f'href="{trial.get_next_url()}">Next portion</a>' in member.content.decode()
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
    assert f"{tight.feed_lot.code}: think of the next test lot" in said
    assert (
        f"{short.feed_lot.code} is short: it holds 2.5 kg, and the 6 runs still open need 0.224 kg more"
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


def test_dispatches_wait_and_overdue_ones_say_so(client_as):
    send()
    send(expected_on=timezone.localdate() - datetime.timedelta(days=1))
    said = words(client_as("guest").get(HOME))
    assert said.count("waiting for return") == 2
    assert said.count("overdue") == 1


@pytest.mark.parametrize(
    ("days", "told"), [(-3, "3 days past"), (0, "today"), (1, "in 1 day"), (60, "in 60 days"), (61, "")]
)
def test_claim_dates_within_sixty_days_are_told_to_members(client_as, days, told):
    due = timezone.localdate() + datetime.timedelta(days=days)
    make.make_claim("Kettle Rib", next_date=due, next_date_what="yearly fee")
    member, guest = words(client_as("member").get(HOME)), words(client_as("guest").get(HOME))
    assert ("Kettle Rib" in member) == bool(told)
    assert told in member
    assert "Kettle Rib" not in guest
    assert ("land agency's record and rules decide" in member) == bool(told)


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
    assert "2 buckets not crushed yet" in said
    assert "1 split for assay not sent yet" in said


def test_finished_trials_lead_to_what_they_showed(client_as):
    trial = make_closed(lambda planned: "5.5")
    for role in ("guest", "member"):
        response = client_as(role).get(HOME)
        assert reverse("trial-verdict", args=[trial.pk]) in response.content.decode()
        assert "The way to a first verdict" not in words(response)


def test_what_changed_is_for_members(client_as):
    make.make_lot()
    assert "What changed" in words(client_as("member").get(HOME))
    assert "What changed" not in words(client_as("guest").get(HOME))


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
        make.make_claim(next_date=timezone.localdate())
    assert Trial.objects.count() == 6
    for each in (client, client_as("guest")):
        with django_assert_max_num_queries(19):
            assert each.get(HOME).status_code == 200
