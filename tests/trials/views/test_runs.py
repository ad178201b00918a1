import uuid
from decimal import Decimal

import pytest
from django.urls import reverse

from prospecting.models import Lot
from tests import make
from tests.trials.make_trial import log, make_running
from trials.actions import planning
from trials.models import Run, Trial

pytestmark = pytest.mark.django_db


def run_form(client, **changes) -> dict:
    return {
        "identity": str(uuid.uuid4()),
        "portion": "454 g",
        "gold": "8.0",
        "scale_step": "0.1 mg",
        "coarse": "",
        "medium": "",
        "fine": "",
        "very_fine": "",
        "flour": "",
        "soak_min": "10",
        "pan_min": "12,5",
        "panned_on": "2026-05-03",
        "panner": client.member.pk,
        "pan": "",
        "water": "",
        "note": "",
        "fail_reason": "",
    } | changes


def log_url(trial: Trial) -> str:
    return reverse("run-log", args=[trial.pk, trial.planned_runs.first().blind_code])


def test_next_leads_to_the_first_open_run(client_as):
    trial = make_running()
    assert client_as("member").get(trial.get_next_url()).url == log_url(trial)


def test_a_run_is_logged_and_leads_on(client_as):
    client = client_as("member")
    trial = make_running()
    response = client.post(log_url(trial), run_form(client, flour="12", very_fine="3"))
    assert response.url == trial.get_next_url()
    run = Run.objects.get()
    assert (run.gold_mg, run.pan_min, run.colours_total) == (Decimal("8"), Decimal("12.5"), 15)


def test_the_panners_page_names_no_treatment(client_as):
    trial = make_running(names=("plain water", "wonder rinse"))
    page = client_as("member").get(log_url(trial)).content.decode()
    assert trial.planned_runs.first().blind_code in page
    assert "wonder rinse" not in page
    assert "plain water" not in page


def test_the_page_warns_until_the_mixer_could_have_mixed(client_as):
    trial = make_running()
    client = client_as("member")
    assert "has not opened the mixing sheet yet" in client.get(log_url(trial)).content.decode()
    planning.open_key(trial=trial, member=trial.mixer)
    assert "has not opened the mixing sheet yet" not in client.get(log_url(trial)).content.decode()


def test_a_logged_run_keeps_its_treatment_hidden_until_the_block_is_closed(client_as):
    client = client_as("member")
    trial = make_running(names=("plain water", "wonder rinse"))
    for planned in trial.blocks.first().planned_runs.all():
        run = log(planned, client.member)
    page = client.get(run.get_absolute_url()).content.decode()
    assert "hidden until" in page
    assert "wonder rinse" not in page
    client.post(reverse("block-close", args=[trial.blocks.first().pk]))
    assert "hidden until" not in client.get(run.get_absolute_url()).content.decode()


@pytest.mark.parametrize(
    ("field", "text"),
    [
        ("gold", "lots"),
        ("gold", "-3"),
        ("gold", "0"),
        ("gold", "NaN"),
        ("gold", "1e400"),
        ("gold", "8 lb 4"),
        ("gold", "5 mL"),
        ("gold", "1,200"),
        ("gold", "x" * 500),
        ("portion", ""),
        ("portion", "50 kg"),
        ("flour", "3.5"),
        ("flour", "-2"),
        ("flour", "99999999999999999999"),
        ("soak_min", "ten"),
        ("panned_on", "yesterday"),
        ("panned_on", "2999-01-01"),
        ("panner", "0"),
    ],
)
def test_nonsense_gets_a_sentence_beside_its_field_and_stores_nothing(client_as, field, text):
    client = client_as("member")
    trial = make_running()
    response = client.post(log_url(trial), run_form(client, **{field: text}))
    assert response.status_code == 200
    assert response.context["form"].errors[field][0].endswith((".", "?"))
    assert response.context["form"][field].value() == text
    trial.feed_lot.refresh_from_db()
    assert (Run.objects.count(), trial.feed_lot.on_hand_g) == (0, Decimal("40000"))


def test_nothing_at_all_is_asked_for(client_as):
    client = client_as("member")
    trial = make_running()
    response = client.post(log_url(trial), run_form(client, gold=""))
    assert "Weigh the gold" in response.context["form"].errors["gold"][0]


def test_a_tenfold_slip_is_asked_about_and_may_be_kept(client_as):
    client = client_as("member")
    trial = make_running()
    for planned in trial.planned_runs.all()[:3]:
        log(planned, client.member)
    url = reverse("run-log", args=[trial.pk, trial.planned_runs.all()[3].blind_code])
    form = run_form(client, gold="80")
    asked = client.post(url, form)
    assert asked.context["form"].guard_asks
    assert "0.08 g from" in asked.content.decode()
    assert Run.objects.count() == 3
    client.post(url, form | {"keep_as_typed": "on"})
    assert Run.objects.count() == 4


def test_a_second_tap_logs_one_run(client_as):
    client = client_as("member")
    trial = make_running()
    url, form = log_url(trial), run_form(client)
    assert client.post(url, form).url == client.post(url, form).url
    assert Run.objects.count() == 1
    trial.feed_lot.refresh_from_db()
    assert trial.feed_lot.on_hand_g == Decimal("39546")


def test_a_used_up_lot_is_refused_beside_the_portion(client_as):
    client = client_as("member")
    trial = make_running()
    Lot.objects.filter(pk=trial.feed_lot_id).update(on_hand_g=0)
    response = client.post(log_url(trial), run_form(client))
    assert "used up" in response.context["form"].errors["portion"][0]
    assert not Run.objects.exists()


def test_a_full_block_waits_to_be_closed(client_as):
    client = client_as("member")
    trial = make_running()
    for planned in trial.blocks.first().planned_runs.all():
        log(planned, client.member)
    page = client.get(trial.get_next_url())
    assert page.context["full_block"] == trial.blocks.first()
    client.post(reverse("block-close", args=[trial.blocks.first().pk]))
    assert trial.blocks.first().closed_at is not None


def test_a_test_pan_of_a_bucket(client_as):
    client = client_as("member")
    lot = make.make_lot()
    response = client.post(
        reverse("run-add", args=[lot.code]), run_form(client, portion="2 lb", gold="0,04 g")
    )
    run = Run.objects.get()
    assert response.url == run.get_absolute_url()
    assert (run.gold_mg, run.portion_mass_g, run.planned) == (Decimal("40"), Decimal("907.18474"), None)
    # 40 mg from 907.18474 g: 44.1 g/t, 1.29 troy oz per short ton (240/7 g/t each, NIST Handbook 44, Appendix C).
    assert "44.1 g/t" in client.get(run.get_absolute_url()).content.decode()


def test_concentrate_and_tails_become_lots_and_never_weigh_more_than_the_portion(client_as):
    client = client_as("member")
    run = log(make_running().planned_runs.first(), client.member)
    url = reverse("run-keep", args=[run.pk])
    form = {"identity": str(uuid.uuid4()), "concentrate": "6 g", "tails": "500 g", "place": ""}
    response = client.post(url, form)
    assert response.context["form"].errors["tails"]
    client.post(url, form | {"tails": "440 g"})
    assert sorted(run.step.made.values_list("kind", "mass_g")) == [("concentrate", 6), ("tails", 440)]
    run.step.refresh_from_db()
    assert run.step.loss_g == Decimal("8")
    assert [origin.share for lot in run.step.made.all() for origin in lot.origins.all()] == [1, 1]


def test_a_correction_by_the_page(client_as):
    client = client_as("member")
    run = log(make_running().planned_runs.first(), client.member, "80")
    url = reverse("run-correct", args=[run.pk])
    assert client.get(url).context["form"]["gold"].value() == "80 mg"
    client.post(url, run_form(client, gold="8.0", reason="slipped a digit"))
    run.refresh_from_db()
    assert run.gold_mg == Decimal("8")


def test_voiding_a_test_pan_by_the_page(client_as):
    client = client_as("member")
    lot = make.make_lot()
    client.post(reverse("run-add", args=[lot.code]), run_form(client))
    url = reverse("run-void", args=[Run.objects.get().pk])
    assert client.post(url, {"identity": str(uuid.uuid4()), "reason": ""}).context["form"].errors["reason"]
    client.post(url, {"identity": str(uuid.uuid4()), "reason": "never happened"})
    lot.refresh_from_db()
    assert (Run.objects.get().is_void, lot.on_hand_g) == (True, Decimal("10000"))


def test_a_guest_reads_runs_and_logs_none(client_as):
    guest = client_as("guest")
    trial = make_running()
    run = log(trial.planned_runs.first(), make.make_member())
    assert guest.get(reverse("run-list")).status_code == 200
    assert guest.get(run.get_absolute_url()).status_code == 200
    assert guest.get(trial.get_next_url()).status_code == 403
    assert guest.post(log_url(trial), run_form(guest)).status_code == 403
    assert guest.post(reverse("block-close", args=[trial.blocks.first().pk])).status_code == 403


def test_pages_stay_under_twenty_queries(client_as, django_assert_max_num_queries):
    client = client_as("member")
    trial = make_running(blocks=6)
    runs = [log(planned, client.member) for planned in trial.planned_runs.all()[:11]]
    for url in (reverse("run-list"), runs[0].get_absolute_url(), reverse("run-correct", args=[runs[0].pk])):
        with django_assert_max_num_queries(19):
            assert client.get(url).status_code == 200
    with django_assert_max_num_queries(19):
        client.get(trial.get_next_url(), follow=True)
