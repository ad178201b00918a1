import uuid

import pytest
from django.urls import reverse

from prospecting.models import Lot
from tests import make
from tests.trials.make_trial import log, make_additive, make_bridge, make_draft, make_running
from trials.actions import planning, running
from trials.models import Dose, Treatment, Trial

pytestmark = pytest.mark.django_db


def trial_form(lot: Lot, who, /, **changes) -> dict:
    return {
        "identity": str(uuid.uuid4()),
        "question": "Does rinse help?",
        "feed_lot": lot.pk,
        "outcome": "gold_mass",
        "portion": "1 lb",
        "portions_from": "measured",
        "design": "blocks",
        "blocks": "5",
        "smallest_ratio": "1,25",
        "water": "9 L",
        "soak_min": "10",
        "scale_step": "1 mg",
        "mixer": who.pk,
        "note": "",
    } | changes


def treatment_form(**changes) -> dict:
    return {
        "identity": str(uuid.uuid4()),
        "name": "rinse, low",
        "additive": "",
        "dose": "",
        "second_additive": "",
        "second_dose": "",
        "technique": "",
    } | changes


def test_a_member_plans_a_trial(client_as):
    client = client_as("member")
    response = client.post(reverse("trial-add"), trial_form(make.make_lot("40000"), client.member))
    trial = Trial.objects.get()
    assert response.url == trial.get_absolute_url()
    assert (trial.blocks_planned, str(trial.smallest_ratio), trial.portion_typed) == (5, "1.25", "1 lb")
    assert str(trial.water_ml) == "9000.00"


@pytest.mark.parametrize(
    ("field", "text", "sentence"),
    [
        ("question", "", "This field is required."),
        ("blocks", "1", "Give a number from 2 to 60."),
        ("blocks", "2.5", "Give a whole number."),
        ("blocks", "many", "holds no number"),
        ("design", "", "This field is required."),
        ("design", "spiral", "Select a valid choice"),
        ("run_min", "0", "Give a number from 0.1"),
        ("run_min", "half an hour", "holds no number"),
        ("smallest_ratio", "1", "Give a number from 1.01 to 20."),
        ("smallest_ratio", "-3", "negative"),
        ("portion", "5 mL", ""),
        ("portion", "NaN", ""),
        ("portion", "1e400", ""),
        ("water", "12 lb", ""),
        ("mixer", "999999", "Select a valid choice"),
        ("feed_lot", "٣٤", "A lot code is three letters"),
        ("feed_lot", "", "Tick a lot, or type the code on its tag."),
    ],
)
def test_nonsense_gets_a_sentence_and_stores_nothing(client_as, field, text, sentence):
    client = client_as("member")
    response = client.post(
        reverse("trial-add"), trial_form(make.make_lot("40000"), client.member, **{field: text})
    )
    assert response.status_code == 200
    errors = response.context["form"].errors[field]
    assert errors and sentence in errors[0]
    assert str(response.context["form"][field].value()) == text
    assert not Trial.objects.exists()


def test_other_digits_are_understood(client_as):
    client = client_as("member")
    client.post(
        reverse("trial-add"), trial_form(make.make_lot("40000"), client.member, blocks="٥", portion="٥٠٠ g")
    )
    assert Trial.objects.get().blocks_planned == 5


def test_a_second_tap_makes_one_trial(client_as):
    client = client_as("member")
    form = trial_form(make.make_lot("40000"), client.member)
    first, second = client.post(reverse("trial-add"), form), client.post(reverse("trial-add"), form)
    assert first.url == second.url
    assert Trial.objects.count() == 1


def test_the_same_form_with_other_values_is_refused(client_as):
    client = client_as("member")
    form = trial_form(make.make_lot("40000"), client.member)
    client.post(reverse("trial-add"), form)
    response = client.post(reverse("trial-add"), form | {"blocks": "9"})
    assert "already recorded once" in response.content.decode()
    assert Trial.objects.get().blocks_planned == 5


def test_a_treatment_is_typed_as_people_dose(client_as):
    client = client_as("member")
    trial = make_draft(names=("plain water",))
    client.post(
        reverse("treatment-add", args=[trial.pk]),
        treatment_form(additive=make_additive().pk, dose="12 drops in 9 L"),
    )
    dose = Dose.objects.get()
    # Twelve nominal drops of 0.05 mL (common practice, no source) in 9 L: 0.6 / 9 mL/L.
    assert (str(dose.ml_per_l), dose.typed) == ("0.066667", "12 drops in 9 L")


@pytest.mark.parametrize(
    ("dose_unit", "typed", "ml_per_l"),
    [
        ("ml_per_l", "0.25 mL/L", "0.250000"),
        # One US teaspoon per US gallon is 1000/768 mL/L (NIST Handbook 44, Appendix C: 1 gallon = 768 teaspoons).
        ("tsp_per_us_gal", "0.25 tsp per gal", "0.325521"),
    ],
)
def test_a_bare_dose_is_read_in_the_members_unit(client_as, dose_unit, typed, ml_per_l):
    client = client_as("member", dose_unit=dose_unit)
    trial = make_draft(names=("plain water",))
    client.post(
        reverse("treatment-add", args=[trial.pk]), treatment_form(additive=make_additive().pk, dose="0.25")
    )
    dose = Dose.objects.get()
    assert (dose.typed, str(dose.ml_per_l)) == (typed, ml_per_l)


def test_bare_water_is_read_in_the_members_unit(client_as):
    client = client_as("member", dose_unit="tsp_per_us_gal")
    client.post(reverse("trial-add"), trial_form(make.make_lot("40000"), client.member, water="2"))
    # Two US gallons are 7570.82 mL (NIST Handbook 44, Appendix C).
    assert (str(Trial.objects.get().water_ml), Trial.objects.get().water_typed) == ("7570.82", "2 US gal")


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"dose": "a splash"}, "dose"),
        ({"dose": ""}, "dose"),
        ({"dose": "-1 mL/L"}, "dose"),
        ({"dose": "0"}, "dose"),
        ({"dose": "5 lb in 9 L"}, "dose"),
        ({"additive": "", "dose": "1 mL/L"}, "additive"),
    ],
)
def test_a_dose_nobody_can_pour_is_refused(client_as, changes, field):
    client = client_as("member")
    trial = make_draft(names=("plain water",))
    form = treatment_form(additive=make_additive().pk) | changes
    response = client.post(reverse("treatment-add", args=[trial.pk]), form)
    assert response.context["form"].errors[field]
    assert Treatment.objects.count() == 1


def test_a_very_strong_dose_is_asked_about(client_as):
    client = client_as("member")
    trial = make_draft(names=("plain water",))
    form = treatment_form(additive=make_additive().pk, dose="1 cup in 2 L")
    asked = client.post(reverse("treatment-add", args=[trial.pk]), form)
    assert "a very strong dose" in asked.content.decode()
    assert Treatment.objects.count() == 1
    client.post(reverse("treatment-add", args=[trial.pk]), form | {"keep_as_typed": "on"})
    assert Treatment.objects.count() == 2


def test_the_draft_says_what_it_could_see(client_as):
    trial = make_draft(names=("plain water", "low", "high"), blocks=5)
    response = client_as("member").get(trial.get_absolute_url())
    assert [row.spread for row in response.context["outlook"].rows] == [0.2, 0.35, 0.6, None]
    assert "What this plan could see" in response.content.decode()


def test_the_draft_uses_the_lots_own_spread_once_it_is_known(client_as):
    lot = make.make_lot("40000")
    member = make.make_member()
    for gold in ("8.0", "10.0", "12.0", "10.0"):
        running.log_test_pan(
            lot=lot,
            portion=running.Portion(mass_g=454, typed="454 g"),
            result=running.RunResult(
                panned_on=make.DAY, panner=member, gold_mg=gold, gold_typed=gold, scale_step_mg="0.1"
            ),
            recorded_by=member,
        )
    rows = client_as("member").get(make_draft(lot=lot).get_absolute_url()).context["outlook"].rows
    assert [(round(row.spread, 3), row.seen) for row in rows if row.spread] == [(0.163, 4)]


def fix(client, trial: Trial, **fields):
    return client.post(reverse("trial-plan", args=[trial.pk]), {"identity": str(uuid.uuid4())} | fields)


def test_fixing_the_plan_by_the_page(client_as):
    trial = make_draft(smallest_ratio=20, blocks=20)
    fix(client_as("member"), trial)
    trial.refresh_from_db()
    assert (trial.state, trial.wishful_reason) == (Trial.State.RUNNING, "")


@pytest.mark.parametrize(
    ("typed", "field", "sentence"),
    [
        ({}, "know", "Tick this"),
        ({"reason": "practice"}, "know", "Tick this"),
        ({"know": "on"}, "reason", "Say why"),
        ({"know": "on", "reason": "   "}, "reason", "Say why"),
        ({"know": "on", "reason": "x" * 201}, "reason", "at most 200"),
    ],
)
def test_a_wishful_plan_is_not_fixed_without_tick_and_reason(client_as, typed, field, sentence):
    trial = make_draft()
    response = fix(client_as("member"), trial, **typed)
    assert response.status_code == 200
    assert sentence in response.context["form"].errors[field][0]
    assert response.context["form"]["reason"].value() == typed.get("reason")
    assert "This plan can&#x27;t answer your question" in response.content.decode()
    trial.refresh_from_db()
    assert trial.state == Trial.State.DRAFT


def test_a_wishful_plan_is_fixed_with_a_reason_that_stands_on_the_trial(client_as):
    trial = make_draft()
    client = client_as("member")
    fix(client, trial, know="on", reason="to learn the spread")
    page = client.get(trial.get_absolute_url()).content.decode()
    assert "Planned although it can't answer its question" in page
    assert "to learn the spread" in page


def test_a_refused_plan_says_why_on_the_draft(client_as):
    trial = make_draft(lot=make.make_lot("1000"))
    response = fix(client_as("member"), trial, know="on", reason="practice")
    assert "are more than" in response.content.decode()
    assert response.context["form"]["reason"].value() == "practice"


def test_the_address_of_fixing_leads_to_the_trial(client_as):
    trial = make_draft()
    assert client_as("member").get(reverse("trial-plan", args=[trial.pk])).url == trial.get_absolute_url()


@pytest.mark.parametrize(
    ("design", "told"), [("latin", "Row, place"), ("random", "one order"), ("blocks", "Block")]
)
def test_the_run_sheet_shows_the_order_of_each_design(client_as, design, told):
    trial = make_running(names=("plain water", "wonder rinse", "other"), blocks=3, design=design)
    page = client_as("member").get(reverse("run-sheet", args=[trial.pk])).content.decode()
    assert told in page
    assert "wonder rinse" not in page


def test_the_draft_form_says_which_rows_fit(client_as):
    trial = make_draft(names=("plain water", "low", "high"))
    page = client_as("member").get(reverse("trial-edit", args=[trial.pk])).content.decode()
    assert "a Latin square 3, 6, 9 and so on; a Williams square 6, 12, 18" in page


def test_labels_carry_code_order_and_portion_and_no_treatment(client_as, django_assert_max_num_queries):
    lot = make.make_lot("40000")
    make.make_portions(lot, 8)
    trial = make_running(lot=lot, portions_from="cut", names=("plain water", "wonder rinse"))
    url = reverse("tub-labels", args=[trial.pk])
    client = client_as("member")
    assert "paper-sheet" not in client.get(url).content.decode()
    with django_assert_max_num_queries(10):
        page = client.get(url, {"sheet": "a4-3x8", "first_label": "1"}).content.decode()
    for planned in trial.planned_runs.select_related("portion"):
        assert f'data-label="{planned.blind_code}"' in page
        assert f"{planned.portion.code}, number {planned.portion.portion_number}" in page
    assert "wonder rinse" not in page and "plain water" not in page


@pytest.mark.parametrize(
    ("asked", "field"),
    [
        ({"sheet": "a4-9x9", "first_label": "1"}, "sheet"),
        ({"sheet": "own", "first_label": "1"}, "sheet"),
        ({"sheet": "a4-3x8", "first_label": "25"}, "first_label"),
        ({"sheet": "a4-3x8", "first_label": "-1"}, "first_label"),
        ({"sheet": "a4-3x8"}, "first_label"),
    ],
)
def test_labels_on_no_paper_get_a_sentence(client_as, asked, field):
    response = client_as("member").get(reverse("tub-labels", args=[make_running().pk]), asked)
    assert response.status_code == 200
    assert response.context["form"].errors[field]


def test_labels_of_a_bridge_tell_no_lot(client_as):
    old, new = make.make_lot("9000"), make.make_lot("9000")
    trial = planning.fix_plan(trial=make_bridge(old, new), planned_by=make.make_member())
    page = client_as("member").get(
        reverse("tub-labels", args=[trial.pk]), {"sheet": "a4-3x8", "first_label": "1"}
    )
    drawn = page.content.decode().split('class="paper-sheet', 1)[1]
    assert old.code not in drawn and new.code not in drawn


def test_the_mixing_sheet_reckons_for_the_tubs_at_hand(client_as):
    mixer = client_as("member")
    trial = make_running(names=("plain water", "wonder rinse"), mixer=mixer.member)
    url = reverse("mixing-sheet", args=[trial.pk])
    assert 'value="4 L"' in mixer.get(url, {"water": "4 L"}).content.decode()
    sheet = mixer.post(url, {"identity": str(uuid.uuid4()), "water": "4 L"}).content.decode()
    # 0.1 mL/L in 4 L is 0.4 mL, 8 nominal drops of 0.05 mL, 0.081 US teaspoons of 4.92892 mL (NIST Handbook 44, C).
    assert "8 drops of Rinse" in sheet
    assert "8 drops, 0.4 mL, 0.081 tsp" in sheet
    assert "The plan says 9 L" in sheet


def test_a_dose_under_a_drop_is_thinned_on_the_mixing_sheet(client_as):
    mixer = client_as("member")
    trial = make_running(mixer=mixer.member)
    url = reverse("mixing-sheet", args=[trial.pk])
    sheet = mixer.post(url, {"identity": str(uuid.uuid4()), "water": "200 mL"}).content.decode()
    # 0.1 mL/L in 200 mL is 0.02 mL; of 1 mL made up to 100 mL that is 2 mL, 40 drops.
    assert "1 mL made up with water to 100 mL; pour 40 drops of that" in sheet


@pytest.mark.parametrize("water", ["a bucket", "-2 L", "0 L", "9 lb", "1e9 L", "NaN"])
def test_water_that_is_none_shows_no_key(client_as, water):
    mixer = client_as("member")
    trial = make_running(names=("plain water", "wonder rinse"), mixer=mixer.member)
    url = reverse("mixing-sheet", args=[trial.pk])
    response = mixer.post(url, {"identity": str(uuid.uuid4()), "water": water})
    assert response.status_code == 200
    assert response.context["form"].errors["water"]
    assert "wonder rinse" not in response.content.decode()
    assert not trial.key_openings.exists()


def test_the_run_sheet_names_no_treatment(client_as):
    trial = make_running(names=("plain water", "wonder rinse"))
    page = client_as("member").get(reverse("run-sheet", args=[trial.pk])).content.decode()
    assert trial.planned_runs.first().blind_code in page
    assert "wonder rinse" not in page
    assert "plain water" not in page


def test_the_mixing_sheet_asks_before_it_shows(client_as):
    mixer = client_as("member")
    trial = make_running(names=("plain water", "wonder rinse"), mixer=mixer.member)
    url = reverse("mixing-sheet", args=[trial.pk])
    assert "wonder rinse" not in mixer.get(url).content.decode()
    assert not trial.key_openings.exists()
    sheet = mixer.post(url, {"identity": str(uuid.uuid4())})
    assert "wonder rinse" in sheet.content.decode()
    # 0.1 mL/L in 9 L is 0.9 mL, 18 nominal drops.
    assert "18 drops of Rinse" in sheet.content.decode()
    assert sheet.headers["Cache-Control"] == "no-store"
    assert trial.key_openings.count() == 1


def test_the_mixing_sheet_is_not_for_others(client_as):
    trial = make_running(names=("plain water", "wonder rinse"))
    response = client_as("member").post(
        reverse("mixing-sheet", args=[trial.pk]), {"identity": str(uuid.uuid4())}
    )
    assert "wonder rinse" not in response.content.decode()
    assert not trial.key_openings.exists()


def test_an_open_block_hides_its_key_on_the_trial_page(client_as):
    trial = make_running(names=("plain water", "wonder rinse"), blocks=2)
    client = client_as("member")
    for planned in trial.planned_runs.all():
        log(planned, client.member)
    running.close_block(block=trial.blocks.first(), closed_by=client.member)
    page = client.get(trial.get_absolute_url()).content.decode()
    # In the table of the closed block, not in the open one's.
    assert page.count("<td>wonder rinse</td>") == 1


@pytest.mark.parametrize(
    "name", ["trial-edit", "treatment-add", "factorial-add", "factorial-remove", "ladder-add"]
)
def test_a_fixed_plan_offers_no_form_to_change_it(client_as, name):
    trial = make_running()
    response = client_as("member").get(reverse(name, args=[trial.pk]), follow=True)
    assert response.redirect_chain[0][0] == trial.get_absolute_url()
    assert "it no longer changes" in response.content.decode()


def test_the_seed_is_told_only_once_the_trial_is_closed(client_as):
    """With the seed the plan can be drawn again, so on a running trial it would be the key."""
    trial = make_running(blocks=2)
    client = client_as("keeper")
    pages = [trial.get_absolute_url(), reverse("journal")]
    assert not any(str(trial.seed) in client.get(url).content.decode() for url in pages)
    for planned in trial.planned_runs.all():
        log(planned, client.member)
    for block in trial.blocks.all():
        running.close_block(block=block, closed_by=client.member)
    assert str(trial.seed) in client.get(trial.get_absolute_url()).content.decode()


@pytest.mark.parametrize("name", ["trial-list", "additive-list"])
def test_a_guest_reads_the_lists(client_as, name):
    assert client_as("guest").get(reverse(name)).status_code == 200


@pytest.mark.parametrize(
    "name",
    [
        "run-sheet",
        "tub-labels",
        "mixing-sheet",
        "trial-edit",
        "treatment-add",
        "factorial-add",
        "factorial-remove",
        "ladder-add",
        "trial-plan",
        "trial-close",
    ],
)
def test_a_guest_gets_no_working_page(client_as, name):
    assert client_as("guest").get(reverse(name, args=[make_running().pk])).status_code == 403


def test_pages_stay_under_twenty_queries(client_as, django_assert_max_num_queries):
    client = client_as("member")
    trial = make_running(names=("plain water", "a", "b", "c"), blocks=6)
    for planned in trial.planned_runs.all():
        log(planned, client.member)
    pages = [
        trial.get_absolute_url(),
        reverse("trial-list"),
        reverse("run-sheet", args=[trial.pk]),
        make_draft().get_absolute_url(),
    ]
    for url in pages:
        with django_assert_max_num_queries(19):
            assert client.get(url).status_code == 200


def test_an_additive_with_a_price_names_the_money(client_as):
    client = client_as("member")
    form = {
        "identity": str(uuid.uuid4()),
        "name": "Rinse B",
        "kind": "wetting",
        "bottle": "16 fl oz",
        "price": "6,50",
        "currency": "",
    }
    response = client.post(reverse("additive-add"), form)
    assert "Which money" in response.content.decode()
    client.post(reverse("additive-add"), form | {"currency": "USD"})
    additive = make_additive("Rinse B")
    # 16 US fluid ounces are 473.176473 mL (NIST Handbook 44, Appendix C: 29.573 53 mL each).
    assert (str(additive.bottle_ml), str(additive.price), additive.bottle_typed) == (
        "473.18",
        "6.50",
        "16 fl oz",
    )
