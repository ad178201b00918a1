import re
import uuid
from decimal import Decimal

import pytest
from django.urls import reverse

from prospecting.models import JournalEntry, Lot
from tests import make
from tests.trials.make_trial import log, make_running
from trials.actions import planning
from trials.models import Run, TailsPan, Trial

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


def guess_list(page: str) -> str:
    return re.search(r'<select name="guess_treatment".*?</select>', page, re.S)[0]


def test_the_panners_page_names_treatments_only_to_guess_among_and_alike_for_every_code(client_as):
    client = client_as("member")
    trial = make_running(names=("plain water", "wonder rinse"))
    codes = [planned.blind_code for planned in trial.planned_runs.all()]
    pages = [client.get(reverse("run-log", args=[trial.pk, code])).content.decode() for code in codes]
    assert all(code in page for code, page in zip(codes, pages, strict=True))
    lists = {guess_list(page) for page in pages}
    assert len(lists) == 1 and "selected" not in lists.pop().partition("No</option>")[2]
    for page in pages:
        rest = page.replace(guess_list(page), "")
        assert "wonder rinse" not in rest
        assert "plain water" not in rest


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
        ("gold_2", "lots"),
        ("gold_3", "-3"),
        ("tare", "a dish"),
        ("scale_step", "0"),
        ("scale_unit", "stone"),
        ("water_temp", "15 K"),
        ("water_temp", "900 °C"),
        ("water_hardness", "very"),
        ("water_uses", "2.5"),
        ("light", "moon"),
        ("guess_treatment", "0"),
        ("fail_kind", "eaten"),
        ("began_at", "this morning"),
        ("began_at", "2026-05-03T10:00:00"),
        ("ended_at", "9999-12-31T23:59:59-12:00"),
        ("ended_at", "2026-13-45T99:00:00+00:00"),
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
    pages = ("run-detail", "run-correct", "run-tails")
    for url in (reverse("run-list"), *(reverse(name, args=[runs[0].pk]) for name in pages)):
        with django_assert_max_num_queries(19):
            assert client.get(url).status_code == 200
    with django_assert_max_num_queries(19):
        client.get(trial.get_next_url(), follow=True)


def test_three_weighings_in_a_dish_make_one_mass(client_as):
    client = client_as("member")
    trial = make_running()
    weighed = {"gold": "15.4", "gold_2": "15.6", "gold_3": "15.5", "tare": "3.1"}
    client.post(log_url(trial), run_form(client, **weighed))
    run = Run.objects.get()
    assert (run.gold_mg, run.gold_typed) == (Decimal("12.4"), "12.4 mg (mean of 3, less dish)")
    page = client.get(run.get_absolute_url()).content.decode()
    assert "15.4 mg; 15.6 mg; 15.5 mg; empty dish 3.1 mg" in page
    # 12.4 mg from 454 g: 27.3 g/t.
    assert "27.3 g/t" in page
    form = client.get(reverse("run-correct", args=[run.pk])).context["form"]
    assert [form[name].value() for name in weighed] == ["15.4 mg", "15.6 mg", "15.5 mg", "3.1 mg"]


def test_the_scales_unit_is_chosen_once_and_stays_for_the_next_run(client_as):
    client = client_as("member")
    trial = make_running()
    client.post(
        log_url(trial), run_form(client, gold="0.012", gold_2="0.013", scale_step="0.001", scale_unit="g")
    )
    run = Run.objects.get()
    assert (run.gold_mg, run.scale_step_mg) == (Decimal("12.5"), Decimal("1"))
    assert [weighing.typed for weighing in run.weighings.all()] == ["0.012 g", "0.013 g"]
    form = client.get(trial.get_next_url(), follow=True).context["form"]
    assert form["scale_unit"].value() == "g"


def test_readings_far_apart_are_asked_about_by_their_names(client_as):
    client = client_as("member")
    trial = make_running()
    form = run_form(client, gold="8.0", gold_2="8.1", gold_3="8.6")
    asked = client.post(log_url(trial), form).context["form"].guard_asks
    assert "8, 8.1 and 8.6 mg lie 0.6 mg apart" in asked[0]
    assert not Run.objects.exists()
    client.post(log_url(trial), form | {"keep_as_typed": "on"})
    assert Run.objects.get().weighings.count() == 3


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"gold": "3.1", "tare": "3.1"}, "leaves no gold"),
        ({"gold": "", "gold_2": "8.0"}, "first weighing"),
        ({"gold": "3.15", "tare": "3.1", "keep_as_typed": "on"}, "less than one step"),
    ],
)
def test_a_weight_that_is_none_is_refused_beside_it(client_as, changes, says):
    client = client_as("member")
    response = client.post(log_url(make_running()), run_form(client, **changes))
    assert says in response.context["form"].errors["gold"][0]
    assert not Run.objects.exists()


WATER = {"water_batch": "barrel 2", "water_uses": "3", "water_temp": "59 F", "water_hardness": "7 gpg"}
CLOCKS = {"began_at": "2026-05-03T10:42:00.000+02:00", "ended_at": "2026-05-03T11:05:30.000+02:00"}


def test_water_light_and_clock_are_kept_and_the_habits_carried_over(client_as):
    client = client_as("member")
    trial = make_running()
    client.post(
        log_url(trial), run_form(client, **WATER, **CLOCKS, light="shade", pan="14 in, blue", water="spring")
    )
    run = Run.objects.get()
    assert (run.water_batch, run.water_uses, run.light) == ("barrel 2", 3, "shade")
    # 7 grains per US gallon, 17.118 mg/L each.
    assert (run.water_temp_c, run.water_hardness_mg_per_l) == (Decimal("15.0"), Decimal("119.8"))
    assert run.began_at.isoformat() == "2026-05-03T08:42:00+00:00"
    assert (run.ended_at - run.began_at).total_seconds() == 1410
    page = client.get(run.get_absolute_url()).content.decode()
    for told in ("barrel 2, spring, used 3 times before", "59 F: 15 °C (59 °F)", "7 gpg: 120 mg/L", "Shade"):
        assert told in page
    form = client.get(trial.get_next_url(), follow=True).context["form"]
    kept = [form[name].value() for name in ("water_batch", "pan", "light", "water", "scale_step")]
    assert kept == ["barrel 2", "14 in, blue", "shade", "spring", "0.1 mg"]
    assert [form[name].value() for name in ("water_uses", "water_temp", "began_at", "gold")] == [None] * 4


def test_a_correction_starts_from_all_that_was_typed(client_as):
    client = client_as("member")
    trial = make_running()
    guess = trial.treatments.last().pk
    client.post(
        log_url(trial),
        run_form(client, **WATER, **CLOCKS, gold="8.0", gold_2="8.2", guess_treatment=guess, light="sun"),
    )
    run = Run.objects.get()
    url = reverse("run-correct", args=[run.pk])
    form = client.get(url).context["form"]
    assert (form["water_temp"].value(), form["water_hardness"].value()) == ("59 F", "7 gpg")
    again = {field.name: field.value() for field in form if field.value() not in (None, False)}
    client.post(url, again | {"identity": str(uuid.uuid4()), "reason": "the note", "note": "windy"})
    entry = JournalEntry.objects.about(run).first()
    assert (entry.what, list(entry.changes)) == ("corrected", ["note"])


def test_water_of_a_run_logged_before_it_was_kept_as_typed_is_shown_in_the_units_of_the_books(client_as):
    client = client_as("member", mass_unit="lb")
    client.post(log_url(make_running()), run_form(client, water_temp="59", water_hardness="120"))
    run = Run.objects.get()
    assert (run.water_temp_typed, run.water_hardness_typed) == ("59 °F", "120 mg/L")
    Run.objects.update(water_temp_typed="", water_hardness_typed="")
    form = client.get(reverse("run-correct", args=[run.pk])).context["form"]
    assert (form["water_temp"].value(), form["water_hardness"].value()) == ("15.0 °C", "120.0 mg/L")
    assert '<dd class="num">15 °C (59 °F)</dd>' in client.get(run.get_absolute_url()).content.decode()


def test_a_hot_tub_is_asked_about(client_as):
    client = client_as("member", mass_unit="kg")
    asked = client.post(log_url(make_running()), run_form(client, water_temp="59"))
    assert "59 °C (138.2 °F) is hotter" in asked.context["form"].guard_asks[0]


def test_a_mixed_up_pan_is_kept_as_failed_and_says_what_to_do(client_as):
    client = client_as("member")
    trial = make_running()
    missing = client.post(log_url(trial), run_form(client, gold="", fail_kind="mixed_up"))
    assert missing.context["form"].errors["fail_reason"]
    client.post(log_url(trial), run_form(client, gold="", fail_kind="mixed_up", fail_reason="two tubs alike"))
    run = Run.objects.get()
    assert (run.failed, run.fail_kind) == (True, Run.FailKind.MIXED_UP)
    assert "marked as failed too" in client.get(run.get_absolute_url()).content.decode()
    assert (
        client.get(reverse("run-correct", args=[run.pk])).context["form"]["fail_kind"].value() == "mixed_up"
    )


def test_a_guess_is_told_only_when_the_block_is_closed(client_as):
    client = client_as("member")
    trial = make_running(names=("plain water", "wonder rinse"))
    first, second = trial.blocks.first().planned_runs.all()
    url = reverse("run-log", args=[trial.pk, first.blind_code])
    client.post(url, run_form(client, guess_treatment=first.treatment_id, guess="suds"))
    log(second, client.member)
    run = Run.objects.get(planned=first)
    page = client.get(run.get_absolute_url()).content.decode()
    assert "told when Block 1 is closed" in page
    assert "suds" not in page and first.treatment.name not in page
    client.post(reverse("block-close", args=[trial.blocks.first().pk]))
    assert f"{first.treatment.name}: right, by suds" in client.get(run.get_absolute_url()).content.decode()


def test_a_trial_judged_side_by_side_asks_for_neither_weight_nor_colours(client_as):
    client = client_as("member")
    trial = make_running(outcome=Trial.Outcome.PLACES)
    assert "neither is needed" in client.get(log_url(trial)).content.decode()
    client.post(log_url(trial), run_form(client, gold="", scale_step=""))
    run = Run.objects.get()
    assert (run.gold_mg, run.below_scale, run.colours_total, run.failed) == (None, False, None, False)


def tails_form(client, **changes) -> dict:
    form = {"identity": str(uuid.uuid4()), "gold": "1.0", "scale_step": "0.1 mg", "colours": "4", "note": ""}
    return form | {"panned_on": "2026-05-03", "panner": client.member.pk} | changes


def test_tails_panned_again_are_a_result_of_their_own(client_as):
    client = client_as("member")
    run = log(make_running().planned_runs.first(), client.member, "9.0")
    url = reverse("run-tails", args=[run.pk])
    assert 'data-queue="Tails of ' in client.get(url).content.decode()
    form = tails_form(client)
    assert client.post(url, form).url == client.post(url, form).url == run.get_absolute_url()
    run.refresh_from_db()
    assert (run.gold_mg, run.tails_pan.gold_mg, run.tails_pan.colours) == (Decimal("9"), Decimal("1"), 4)
    # 1 mg of 9 + 1 mg.
    assert "the tails had kept 10 %" in client.get(run.get_absolute_url()).content.decode()
    assert "in already" in str(client.post(url, tails_form(client)).context["form"].errors)
    correct = reverse("tails-correct", args=[run.pk])
    assert client.get(url).url == correct
    assert client.get(correct).context["form"]["gold"].value() == "1.0 mg"
    assert client.post(correct, tails_form(client, gold="0.9")).context["form"].errors["reason"]
    client.post(correct, tails_form(client, gold="0.9", reason="misread"))
    run.tails_pan.refresh_from_db()
    assert run.tails_pan.gold_mg == Decimal("0.9")
    assert JournalEntry.objects.about(run).first().changes["gold_mg"] == ["1.0000", "0.9000"]


def test_tails_below_the_scale_give_a_bound(client_as):
    client = client_as("member")
    run = log(make_running().planned_runs.first(), client.member, "9.0")
    client.post(reverse("run-tails", args=[run.pk]), tails_form(client, gold="", below_scale="on"))
    # 0.1 mg of 9 + 0.1 mg.
    assert "kept less than 1.1 %" in client.get(run.get_absolute_url()).content.decode()


@pytest.mark.parametrize(
    ("field", "text"),
    [
        ("gold", "x"),
        ("gold", "-1"),
        ("colours", "1.5"),
        ("panner", "0"),
        ("panned_on", "2999-01-01"),
        ("scale_step", "mg"),
    ],
)
def test_nonsense_about_tails_is_refused_beside_its_field(client_as, field, text):
    client = client_as("member")
    run = log(make_running().planned_runs.first(), client.member, "9.0")
    response = client.post(reverse("run-tails", args=[run.pk]), tails_form(client, **{field: text}))
    assert response.context["form"].errors[field]
    assert not TailsPan.objects.exists()


def test_tails_richer_than_their_run_are_asked_about(client_as):
    client = client_as("member")
    run = log(make_running().planned_runs.first(), client.member, "9.0")
    asked = client.post(reverse("run-tails", args=[run.pk]), tails_form(client, gold="10.0"))
    assert "more than the run itself gave" in asked.context["form"].guard_asks[0]
    assert not TailsPan.objects.exists()


def test_tails_pages_are_for_members(client_as, client):
    run = log(make_running().planned_runs.first(), make.make_member())
    url, correct = (reverse(name, args=[run.pk]) for name in ("run-tails", "tails-correct"))
    assert client_as("guest").get(url).status_code == 403
    assert client.get(url).status_code == 302
    assert client_as("member").get(correct).status_code == 404
