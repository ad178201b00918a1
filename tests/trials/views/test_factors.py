import uuid

import pytest
from django.urls import reverse

from tests.trials.make_trial import make_additive, make_draft
from trials.models import Dose, Factor, Treatment

pytestmark = pytest.mark.django_db


def factors_form(**changes) -> dict:
    form = {"identity": str(uuid.uuid4())}
    for number in (1, 2, 3):
        form |= {f"{name}_{number}": "" for name in ("kind", "name", "additive", "levels")}
    return form | changes


def two_factors(**changes) -> dict:
    return (
        factors_form(
            kind_1="dose",
            additive_1=make_additive().pk,
            levels_1="none, 6 drops in 9 L, 12 drops in 9 L",
            kind_2="soak",
            levels_2="0 min\n20 min",
        )
        | changes
    )


def test_all_combinations_by_the_page(client_as):
    client, trial = client_as("member"), make_draft(names=())
    url = reverse("factorial-add", args=[trial.pk])
    assert client.get(url).status_code == 200
    assert client.post(url, two_factors()).url == trial.get_absolute_url()
    assert trial.treatments.count() == 6
    assert trial.treatments.get(is_control=True).name == "Rinse none, soak 0 min"
    # 6 drops of 0.05 mL in 9 L.
    assert {str(dose.ml_per_l) for dose in Dose.objects.all()} == {"0.033333", "0.066667"}
    page = client.get(trial.get_absolute_url()).content.decode()
    assert "Every combination of" in page and "Remove all combinations" in page
    assert reverse("treatment-add", args=[trial.pk]) not in page


@pytest.mark.parametrize(
    ("typed", "levels"),
    [
        ("none, 0,4 mL/L, 0,8 mL/L", ["none", "0,4 mL/L", "0,8 mL/L"]),
        ("none;0.4 mL/L", ["none", "0.4 mL/L"]),
        ("none,6 drops in 9 L", ["none", "6 drops in 9 L"]),
        ("none\n٦ drops in 9 L\n", ["none", "٦ drops in 9 L"]),
    ],
)
def test_levels_are_read_as_people_list_them(client_as, typed, levels):
    client, trial = client_as("member"), make_draft(names=())
    client.post(reverse("factorial-add", args=[trial.pk]), two_factors(levels_1=typed))
    factor = Factor.objects.get(kind="dose")
    assert [level.name for level in factor.levels.all()] == levels


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"kind_1": ""}, "kind_1"),
        ({"levels_1": "none"}, "levels_1"),
        ({"levels_1": ""}, "levels_1"),
        ({"levels_1": "none, a, b, c, d"}, "levels_1"),
        ({"levels_1": "none, a splash"}, "levels_1"),
        ({"levels_1": "none, -3 drops in 9 L"}, "levels_1"),
        ({"levels_1": "none, 9 L in 6 drops"}, "levels_1"),
        ({"levels_1": "none, 1e400 mL/L"}, "levels_1"),
        ({"levels_1": "none, 5 lb per gal"}, "levels_1"),
        ({"additive_1": ""}, "additive_1"),
        ({"additive_1": "999999"}, "additive_1"),
        ({"additive_2": "1"}, "additive_2"),
        ({"kind_2": "magic"}, "kind_2"),
        ({"kind_2": "", "levels_2": "a, b"}, "kind_2"),
        ({"name_2": "x" * 41}, "name_2"),
        ({"levels_2": "a, " + "x" * 61}, "levels_2"),
        ({"levels_2": "0 min, 0 min"}, "__all__"),
        ({"kind_3": "gear", "name_3": "soak", "levels_3": "a, b"}, "__all__"),
    ],
)
def test_nonsense_gets_a_sentence_and_stores_nothing(client_as, changes, field):
    additive = make_additive()
    if changes.get("additive_2"):
        changes = changes | {"additive_2": additive.pk}
    client, trial = client_as("member"), make_draft(names=())
    form = two_factors(**changes)
    response = client.post(reverse("factorial-add", args=[trial.pk]), form)
    assert response.status_code == 200
    assert response.context["form"].errors[field]
    assert response.context["form"]["levels_1"].value() == form["levels_1"]
    assert not Treatment.objects.exists() and not Factor.objects.exists()


def test_a_very_strong_dose_is_asked_about(client_as):
    client, trial = client_as("member"), make_draft(names=())
    url, form = reverse("factorial-add", args=[trial.pk]), two_factors(levels_1="none, 80 mL/L")
    assert "a very strong dose" in client.post(url, form).content.decode()
    assert not Treatment.objects.exists()
    client.post(url, form | {"keep_as_typed": "on"})
    assert trial.treatments.count() == 4


def test_a_second_tap_makes_them_once(client_as):
    client, trial = client_as("member"), make_draft(names=())
    url, form = reverse("factorial-add", args=[trial.pk]), two_factors()
    assert client.post(url, form).url == client.post(url, form).url
    assert trial.treatments.count() == 6


def test_combinations_are_removed_by_the_page(client_as):
    client, trial = client_as("member"), make_draft(names=())
    client.post(reverse("factorial-add", args=[trial.pk]), two_factors())
    url = reverse("factorial-remove", args=[trial.pk])
    assert client.get(url).status_code == 200
    client.post(url, {"identity": str(uuid.uuid4())})
    assert not Treatment.objects.exists() and not Factor.objects.exists()


def ladder(**changes) -> dict:
    return {
        "additive": make_additive().pk,
        "lowest": "3 drops in 9 L",
        "highest": "24 drops in 9 L",
        "doses": "4",
    } | changes


def test_a_ladder_is_shown_before_it_is_made(client_as):
    client, trial = client_as("member"), make_draft(names=())
    url = reverse("ladder-add", args=[trial.pk])
    assert client.get(url).status_code == 200
    page = client.get(url, ladder()).content.decode()
    for poured in ("3 drops", "6 drops", "12 drops", "24 drops", "4.8 mL (0.97 tsp)"):
        # Four times 24 drops of 0.05 mL are 4.8 mL.
        assert poured in page
    assert not Treatment.objects.exists()
    client.post(url, ladder() | {"identity": str(uuid.uuid4())})
    assert [treatment.name for treatment in trial.treatments.all()] == [
        "plain water",
        "Rinse 3 drops in 9 L",
        "Rinse 6 drops in 9 L",
        "Rinse 12 drops in 9 L",
        "Rinse 24 drops in 9 L",
        "Rinse 0.533 mL/L, overdose",
    ]
    # What stands on the trial, read again, is the dose that is stored.
    assert str(Dose.objects.get(typed="6 drops in 9 L").ml_per_l) == "0.033333"


def test_a_rung_under_a_drop_says_how_to_thin_it(client_as):
    client, trial = client_as("member"), make_draft(names=())
    page = client.get(
        reverse("ladder-add", args=[trial.pk]), ladder(lowest="0.002 mL/L", highest="", doses="2")
    ).content.decode()
    assert "less than one drop" in page
    # 0.002 mL/L in 9 L is 0.018 mL: of 1 mL made up to 100 mL, 1.8 mL or 36 drops.
    assert "Thin it: 1 mL made up with water to 100 mL; pour 36 drops of that." in page


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"additive": ""}, "additive"),
        ({"lowest": ""}, "lowest"),
        ({"lowest": "a splash"}, "lowest"),
        ({"lowest": "0 mL/L"}, "lowest"),
        ({"lowest": "-1 mL/L"}, "lowest"),
        ({"highest": "1 drop in 9 L"}, "highest"),
        ({"highest": "9 lb"}, "highest"),
        ({"highest": "900 mL/L"}, "highest"),
        ({"doses": "1"}, "doses"),
        ({"doses": "13"}, "doses"),
        ({"doses": "many"}, "doses"),
        ({"lowest": "1 drop in 9 L", "highest": "2 drops in 9 L", "doses": "6"}, "highest"),
    ],
)
def test_a_ladder_that_does_not_rise_gets_a_sentence(client_as, changes, field):
    client, trial = client_as("member"), make_draft(names=())
    url = reverse("ladder-add", args=[trial.pk])
    shown = client.get(url, ladder(**changes))
    assert shown.status_code == 200
    assert shown.context["look"].errors[field]
    sent = client.post(url, ladder(**changes) | {"identity": str(uuid.uuid4())})
    assert sent.status_code == 200
    assert sent.context["form"].errors[field]
    assert not Treatment.objects.exists()


def test_pages_stay_under_twenty_queries(client_as, django_assert_max_num_queries):
    client, trial = client_as("member"), make_draft(names=())
    client.post(reverse("factorial-add", args=[trial.pk]), two_factors())
    other = make_draft(names=())
    for url in (
        trial.get_absolute_url(),
        reverse("factorial-remove", args=[trial.pk]),
        reverse("factorial-add", args=[other.pk]),
        reverse("ladder-add", args=[other.pk]),
    ):
        with django_assert_max_num_queries(19):
            assert client.get(url).status_code == 200
