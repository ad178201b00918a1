"""The runner's pages on the phone: who opens them, what they cost, and that none pairs a code with its treatment."""

import json
import re

import pytest
from django.urls import reverse

from prospecting.calc.units import VOLUME_ML
from prospecting.models import Delivery, HeldEntry
from tests import make
from tests.trials.make_trial import log, make_bridge, make_draft, make_running
from trials.actions import planning, running
from trials.frames.pocket import MOST_LOTS
from trials.models import Trial
from trials.views.pocket import STEPS

pytestmark = pytest.mark.django_db

ODD_NAMES = ("Quillfeather nothing", "Zornwhisk brew", "Vexwater rinse")
# All that the phone may know of a planned run, and none of it follows from its treatment.
RUN_KEYS = {"code", "order", "block"}
CUT_RUN_KEYS = RUN_KEYS | {"portion", "number", "mass"}


def pages(trial: Trial) -> list[str]:
    names = ["pocket-trials", "pocket-lots", "pocket-doses", "pocket-pages"]
    steps = [f"pocket-{kind}" for kind in STEPS]
    return [reverse(name) for name in [*names, *steps]] + [reverse("pocket-trial", args=[trial.pk])]


def text_of(client, url: str) -> str:
    response = client.get(url)
    assert response.status_code == 200, url
    return response.content.decode()


def kept_in(page: str, name: str = "pocket-trial"):
    return json.loads(
        re.search(rf'<script id="{name}" type="application/json">(.*?)</script>', page, re.S)[1]
    )


def make_cut(**fields) -> Trial:
    lot = make.make_lot("200000")
    names = fields.get("names", ODD_NAMES)
    make.make_portions(lot, len(names) * fields.get("blocks", 3))
    return make_running(lot=lot, portions_from=Trial.PortionsFrom.CUT, **({"names": names} | fields))


def without_guess(page: str) -> str:
    assert '<select name="guess_treatment"' in page
    return re.sub(r'<select name="guess_treatment".*?</select>', "", page, flags=re.S)


@pytest.mark.parametrize(("role", "status"), [(None, 302), ("guest", 403), ("member", 200), ("keeper", 200)])
def test_they_are_for_those_who_write(client, client_as, role, status):
    trial = make_running()
    client = client_as(role) if role else client
    assert {client.get(url).status_code for url in pages(trial)} == {status}


def test_they_may_be_kept_on_the_phone(client_as):
    trial = make_running()
    client = client_as("member")
    kept = [url for url in pages(trial) if url != reverse("pocket-pages")]
    assert all(client.get(url).headers.get("X-Keep-On-Phone") == "1" for url in kept)


def test_they_cost_few_queries(client_as, django_assert_max_num_queries):
    trial = make_cut(blocks=4)
    make_running()
    client = client_as("member")
    for planned in list(trial.planned_runs.all())[:5]:
        log(planned, client.member)
    for url in pages(trial):
        with django_assert_max_num_queries(20):
            assert client.get(url).status_code == 200


def test_the_list_of_pages_names_what_a_runner_needs_without_a_signal(client_as):
    trial, draft = make_running(), make_draft()
    judged = make_running(outcome=Trial.Outcome.PLACES)
    listed = json.loads(text_of(client_as("member"), reverse("pocket-pages")))["pages"]
    assert reverse("pocket-trial", args=[trial.pk]) in listed
    assert reverse("pocket-trial", args=[draft.pk]) not in listed
    assert reverse("block-judge", args=[judged.pk, 1]) in listed
    assert reverse("block-judge", args=[trial.pk, 1]) not in listed
    assert {reverse("phone-home"), reverse("pocket-lots"), reverse("pocket-doses"), reverse("dig-add")} < set(
        listed
    )
    assert {reverse(f"pocket-{kind}") for kind in STEPS} < set(listed)


@pytest.mark.parametrize("make_trial", [make_cut, lambda: make_running(names=ODD_NAMES)])
def test_no_page_of_the_phone_pairs_a_code_with_its_treatment(client_as, make_trial):
    trial = make_trial()
    client = client_as("keeper")
    page = text_of(client, reverse("pocket-trial", args=[trial.pk]))
    runs = kept_in(page)["runs"]
    allowed = CUT_RUN_KEYS if trial.portions_from == Trial.PortionsFrom.CUT else RUN_KEYS
    assert all(set(run) == allowed for run in runs)
    assert [run["code"] for run in runs] == [planned.blind_code for planned in trial.planned_runs.all()]
    for name in ODD_NAMES:
        assert name in page and name not in without_guess(page)
    codes = {planned.blind_code for planned in trial.planned_runs.all()}
    portions = {planned.portion.code for planned in trial.planned_runs.all() if planned.portion}
    for url in pages(trial)[:-1]:
        body = text_of(client, url)
        if url != reverse("pocket-doses"):
            assert not any(name in body for name in ODD_NAMES), url
            continue
        # The dose table names treatments: so it names no code and no portion.
        words = set(re.findall(r"[\w-]+", re.sub(r"<[^>]+>", " ", body)))
        assert not words & (codes | portions)
        assert all(name in body for name in ODD_NAMES)


def test_the_dose_table_stays_the_same_whatever_was_drawn(client_as):
    """Nothing of the draw is in it: the treatments stand in the order they were planned, the control first."""
    trial = make_running(names=ODD_NAMES)
    page = text_of(client_as("member"), reverse("pocket-doses"))
    assert [page.index(name) for name in ODD_NAMES] == sorted(page.index(name) for name in ODD_NAMES)
    assert str(trial.seed) not in page


def test_the_order_of_the_guesses_tells_nothing_of_the_portion_in_hand(client_as):
    trial = make_running(names=ODD_NAMES)
    client = client_as("member")
    lists = set()
    for planned in trial.planned_runs.all():
        page = text_of(client, reverse("pocket-trial", args=[trial.pk]) + f"?code={planned.blind_code}")
        lists.add(re.search(r'<select name="guess_treatment".*?</select>', page, re.S)[0])
    assert len(lists) == 1


def test_a_bridging_trial_does_not_name_the_lot_or_portion_in_the_tub(client_as):
    old, new = make.make_lot("40000"), make.make_lot("40000")
    for lot in (old, new):
        make.make_portions(lot, 3)
    trial = make_bridge(old, new, portions_from=Trial.PortionsFrom.CUT)
    planning.fix_plan(trial=trial, planned_by=trial.recorded_by)
    page = text_of(client_as("member"), reverse("pocket-trial", args=[trial.pk]))
    assert all(set(run) == RUN_KEYS for run in kept_in(page)["runs"])
    assert "filled in by the mixer" in page
    assert not any(planned.portion.code in page for planned in trial.planned_runs.all())


def test_the_next_portion_is_the_first_that_is_not_in(client_as):
    trial = make_cut()
    client = client_as("member")
    first, second, *_ = trial.planned_runs.all()
    log(first, client.member)
    page = text_of(client, reverse("pocket-trial", args=[trial.pk]))
    assert f'action="{reverse("run-log", args=[trial.pk, second.blind_code])}"' in page
    assert f'data-queue="{second.blind_code}, {trial}"' in page
    assert f'data-queue-next="{reverse("pocket-trial", args=[trial.pk])}"' in page
    assert second.portion.code in page and "1 of 9 in" in page
    assert first.blind_code not in [run["code"] for run in kept_in(page)["runs"]]


@pytest.mark.parametrize("nonsense", ["block=2", "block=99", "block=x&code=%00", "code=nothing", "block=-1"])
def test_a_block_or_code_in_the_address_is_taken_where_there_is_one(client_as, nonsense):
    trial = make_running()
    url = reverse("pocket-trial", args=[trial.pk])
    page = text_of(client_as("member"), f"{url}?{nonsense}")
    number = 2 if nonsense == "block=2" else 1
    expected = trial.planned_runs.filter(block__number=number).first().blind_code
    assert f'action="{reverse("run-log", args=[trial.pk, expected])}"' in page


def test_a_held_run_is_not_panned_again(client_as):
    trial = make_running()
    client = client_as("member")
    first, second, *_ = trial.planned_runs.all()
    delivery = Delivery.objects.create(identity="7d0c3f6e-5f0a-4a38-9d5e-0a4a0f5d2f10", member=client.member)
    HeldEntry.objects.create(
        delivery=delivery,
        title="held",
        form_path=reverse("run-log", args=[trial.pk, first.blind_code]),
        body={},
        code="lot_used_up",
        sentence="Nothing left.",
    )
    runs = kept_in(text_of(client, reverse("pocket-trial", args=[trial.pk])))["runs"]
    assert [run["code"] for run in runs][0] == second.blind_code


def test_it_says_when_tubs_are_not_mixed(client_as):
    trial = make_running()
    url = reverse("pocket-trial", args=[trial.pk])
    client = client_as("member")
    assert "has not opened the mixing sheet yet" in text_of(client, url)
    planning.open_key(trial=trial, member=trial.mixer)
    assert "has not opened the mixing sheet yet" not in text_of(client, url)


def test_it_says_when_a_block_waits_to_be_closed_and_when_all_has_ended(client_as):
    trial = make_running(blocks=2)
    client = client_as("member")
    url = reverse("pocket-trial", args=[trial.pk])
    for planned in trial.planned_runs.filter(block__number=1):
        log(planned, client.member)
    page = text_of(client, url)
    assert "Block 1: every portion is in" in page and reverse("run-next", args=[trial.pk]) in page
    for planned in trial.planned_runs.filter(block__number=2):
        log(planned, client.member)
    page = text_of(client, url)
    assert "Every planned portion is in" in page and kept_in(page)["runs"] == []
    for block in trial.blocks.all():
        running.close_block(block=block, closed_by=client.member)
    assert "This trial has ended" in text_of(client, url)


def test_a_trial_not_yet_planned_leads_to_its_own_page(client_as):
    draft = make_draft()
    assert client_as("member").get(reverse("pocket-trial", args=[draft.pk])).url == draft.get_absolute_url()


def test_two_hundred_and_forty_planned_runs_fit_on_a_weak_signal(client_as):
    import gzip

    trial = make_cut(blocks=60, names=(*ODD_NAMES, "Umberlaugh dip"))
    page = text_of(client_as("member"), reverse("pocket-trial", args=[trial.pk]))
    kept = json.dumps(kept_in(page))
    assert len(kept_in(page)["runs"]) == 240
    assert len(gzip.compress(kept.encode())) < 8_000
    assert len(gzip.compress(page.encode())) < 20_000


def test_lots_in_stock_stand_in_the_members_own_unit(client_as):
    client = client_as("member", mass_unit="lb")
    lot = make.make_lot("4535.9237", title="ledge <b>fines</b>", place="shed")
    page = text_of(client, reverse("pocket-lots"))
    [kept] = kept_in(page, "pocket-lots")
    assert kept == {
        "code": lot.code,
        "kind": "Bucket",
        "title": "ledge <b>fines</b>",
        "stripe": lot.stripe,
        "place": "shed",
        "holds": "10 lb",
    }
    assert "<b>fines" not in page


def test_the_page_of_lots_keeps_its_size(client_as, monkeypatch):
    monkeypatch.setattr("trials.frames.pocket.MOST_LOTS", 2)
    monkeypatch.setattr("trials.views.pocket.MOST_LOTS", 2)
    lots = [make.make_lot() for _ in range(3)]
    page = text_of(client_as("member"), reverse("pocket-lots"))
    assert [lot["code"] for lot in kept_in(page, "pocket-lots")] == [lots[2].code, lots[1].code]
    assert "The newest 2 lots" in page
    assert MOST_LOTS == 300


def test_an_older_lot_of_a_running_trial_or_drawn_from_lately_stays_on_the_phone(client_as, monkeypatch):
    monkeypatch.setattr("trials.frames.pocket.MOST_LOTS", 2)
    monkeypatch.setattr("trials.views.pocket.MOST_LOTS", 2)
    forgotten, feed, drawn = (make.make_lot("50000") for _ in range(3))
    make_running(lot=feed)
    make.make_portions(drawn, 3)
    page = text_of(client_as("member"), reverse("pocket-lots"))
    kept = [lot["code"] for lot in kept_in(page, "pocket-lots")]
    assert len(kept) == 4
    assert kept[2:] == [drawn.code, feed.code]
    assert forgotten.code not in kept
    assert "and older ones of running trials or used lately" in page


def test_a_phone_keeps_the_newest_running_trials_and_says_so(client_as, monkeypatch):
    monkeypatch.setattr("trials.frames.pocket.MOST_TRIALS", 1)
    monkeypatch.setattr("trials.views.pocket.MOST_TRIALS", 1)
    older, newer = make_running(), make_running()
    client = client_as("member")
    page = text_of(client, reverse("pocket-trials"))
    assert reverse("pocket-trial", args=[newer.pk]) in page
    assert reverse("pocket-trial", args=[older.pk]) not in page
    assert "Only the newest 1 running trials are kept" in page
    kept = client.get(reverse("pocket-pages")).json()["pages"]
    assert reverse("pocket-trial", args=[newer.pk]) in kept
    assert reverse("pocket-trial", args=[older.pk]) not in kept
    # Not kept is not closed: with a signal its page opens all the same.
    text_of(client, reverse("pocket-trial", args=[older.pk]))


@pytest.mark.parametrize("kind", STEPS)
def test_a_step_without_a_script_leads_from_the_code_to_its_own_page(client_as, kind):
    client = client_as("member")
    lot = make.make_lot()
    typed = lot.code.replace("-", " ").lower()
    answer = client.get(reverse(f"pocket-{kind}"), {"code": typed})
    assert answer.url == reverse(STEPS[kind][1], args=[lot.code])


@pytest.mark.parametrize("typed", ["", "BRK-47-A", "0RK-47-T", "x" * 400, "\x00", "٣٣٣"])
def test_a_code_that_cannot_be_read_is_told_beside_the_field(client_as, typed):
    response = client_as("member").get(reverse("pocket-crush"), {"code": typed})
    assert response.status_code == 200
    assert response.context["find"].errors["code"]
    assert 'role="alert"' in response.content.decode()


def test_doses_are_told_as_they_are_poured(client_as):
    make_running(names=ODD_NAMES)
    page = text_of(client_as("member"), reverse("pocket-doses"))
    # 0.1 mL/L in 9 L is 0.9 mL: 18 drops of 0.05 mL.
    assert "18 drops of Rinse" in page and "0.1 mL/L" in page
    # A US teaspoon is 4.93 mL: NIST Handbook 44, appendix C, 1 teaspoon = 4.928 922 mL.
    assert VOLUME_ML["tsp"].limit_denominator(10**9) * 1000 // 1 == 4928
    assert ">4.93<" in page


def test_habits_of_the_last_run_stand_in_the_next_form(client_as):
    trial = make_running()
    client = client_as("member")
    log(trial.planned_runs.first(), client.member, pan="green pan", water="creek")
    page = text_of(client, reverse("pocket-trial", args=[trial.pk]))
    assert 'value="green pan"' in page and 'value="creek"' in page and 'value="0.1 mg"' in page
