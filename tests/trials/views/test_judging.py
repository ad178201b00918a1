import re
import uuid
from pathlib import Path

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from prospecting.models import Photo
from tests import make
from tests.trials.make_judging import close, in_order, judge, make_rows
from tests.trials.make_trial import log, make_running
from trials.actions import planning
from trials.calc.judging import pan_order
from trials.models import Judging, Trial

pytestmark = pytest.mark.django_db

NAMES = ("plain water", "wonder rinse", "magic soap")
PICTURE = Path(__file__).parents[3] / "prospecting/static/prospecting/icon-180.png"


@pytest.fixture
def trial() -> Trial:
    return make_rows(names=NAMES, blocks=2)


def url_of(trial: Trial, number: int = 1) -> str:
    return reverse("block-judge", args=[trial.pk, number])


def codes_of(trial: Trial, number: int = 1) -> list[str]:
    return [planned.blind_code for planned in trial.planned_runs.filter(block__number=number)]


def form_of(trial: Trial, member, **changes) -> dict:
    places = {f"place_{code}": str(number) for number, code in enumerate(codes_of(trial), 1)}
    plain = {
        "identity": str(uuid.uuid4()),
        "judge": member.pk,
        "judged_on": "2026-05-03",
        "light": "",
        "note": "",
    }
    return plain | places | changes


def text_of(client, url: str) -> str:
    return client.get(url).content.decode()


def test_the_judge_sees_codes_in_an_order_of_the_judges_own_and_no_treatment(client_as, trial):
    orders = set()
    for _ in range(8):
        client = client_as("member")
        page = text_of(client, url_of(trial))
        shown = re.findall(r'data-pan="(\w+)"', page)
        assert shown == pan_order(codes_of(trial), trial.blocks.first().pk, client.member.pk)
        assert shown == re.findall(r'data-pan="(\w+)"', text_of(client, url_of(trial)))
        orders.add(tuple(shown))
        assert not any(name in page for name in NAMES)
        assert not any(f">{code}<" in page for code in codes_of(trial, 2))
    assert len(orders) > 1


def test_the_page_may_lie_on_a_phone_and_costs_few_queries(client_as, trial, django_assert_max_num_queries):
    judge(trial.blocks.first(), in_order(*NAMES))
    client = client_as("member")
    with django_assert_max_num_queries(20):
        response = client.get(url_of(trial))
    assert response.headers["X-Keep-On-Phone"] == "1"
    assert f'data-queue="Judging of block 1, {trial}"' in response.content.decode()


def test_a_row_is_kept_and_leads_on(client_as, trial):
    client = client_as("member")
    response = client.post(url_of(trial), form_of(trial, client.member, light="shade", note="windy"))
    assert response.url == trial.get_next_url()
    kept = Judging.objects.get()
    assert [pan.planned.blind_code for pan in kept.places.all()] == codes_of(trial)
    assert (kept.judge, kept.recorded_by, kept.light, kept.note) == (
        client.member,
        client.member,
        "shade",
        "windy",
    )


def test_pans_alike_are_kept_alike(client_as, trial):
    client = client_as("member")
    first, second, third = codes_of(trial)
    places = {f"place_{first}": "1", f"place_{second}": "1", f"place_{third}": "3"}
    client.post(url_of(trial), form_of(trial, client.member, **places))
    kept = {pan.planned.blind_code: pan.place for pan in Judging.objects.get().places.all()}
    assert kept == {first: 1, second: 1, third: 2}


def test_a_judging_for_someone_beside_names_both(client_as, trial):
    client, beside = client_as("member"), make.make_member()
    client.post(url_of(trial), form_of(trial, beside))
    kept = Judging.objects.get()
    assert (kept.judge, kept.recorded_by) == (beside, client.member)


def test_a_photo_of_the_row_is_kept(client_as, trial):
    client = client_as("member")
    picture = SimpleUploadedFile("row.png", PICTURE.read_bytes(), content_type="image/png")
    client.post(url_of(trial), form_of(trial, client.member, photo=picture))
    assert Judging.objects.get().photo == Photo.objects.get()


def test_the_same_entry_sent_twice_is_one_judging(client_as, trial):
    client = client_as("member")
    body = form_of(trial, client.member)
    assert client.post(url_of(trial), body).url == client.post(url_of(trial), body).url
    phone = {"X-Phone-Entry": "later", "X-Member": str(client.member.pk)}
    again = client.post(url_of(trial), body, headers=phone)
    assert (again.status_code, again.json()["state"]) == (200, "known")
    assert Judging.objects.count() == 1


def test_a_second_judging_by_the_same_judge_is_refused(client_as, trial):
    client = client_as("member")
    client.post(url_of(trial), form_of(trial, client.member))
    response = client.post(url_of(trial), form_of(trial, client.member))
    assert "has judged block 1 already" in response.context["form"].errors["judge"][0]
    assert Judging.objects.count() == 1


def test_what_other_judges_saw_is_nowhere_until_the_key_is_open(client_as, trial):
    other = make.make_member(first_name="Otherjudge")
    first, second, third = NAMES
    kept = judge(trial.blocks.first(), in_order(third, first, second), member=other, note="clear as day")
    client = client_as("member")
    client.post(url_of(trial), form_of(trial, client.member))
    for url in (url_of(trial), trial.get_next_url()):
        page = text_of(client, url)
        assert "Otherjudge" in page
        assert "clear as day" not in page
    form = client.get(url_of(trial)).context["form"]
    assert not any(field.value() for _, field in form.place_fields())
    assert client.get(reverse("judging-correct", args=[kept.pk])).status_code == 403
    # Nor in what is told of the trial and the journal.
    for url in (trial.get_absolute_url(), reverse("run-sheet", args=[trial.pk]), reverse("journal")):
        response = client.get(url)
        assert response.status_code == 403 or "clear as day" not in response.content.decode()


def test_after_the_own_judging_the_form_is_for_someone_beside(client_as, trial):
    client = client_as("member")
    client.post(url_of(trial), form_of(trial, client.member))
    response = client.get(url_of(trial))
    page = response.content.decode()
    assert "Your judging is kept" in page and "For someone beside you" in page
    judges = response.context["form"].fields["judge"]
    assert client.member not in judges.queryset and judges.initial is None


def test_a_row_that_is_not_full_is_not_judged_and_says_what_is_missing(client_as):
    trial = make_running(names=NAMES, outcome=Trial.Outcome.PLACES)
    first, *missing = codes_of(trial)
    log(trial.planned_runs.get(blind_code=first), make.make_member(), None)
    client = client_as("member")
    page = text_of(client, url_of(trial))
    assert f'data-missing="{" ".join(missing)}"' in page
    assert re.search(r"<form[^>]*data-judge-form[^>]* hidden", page)
    response = client.post(url_of(trial), form_of(trial, client.member))
    assert "Not in yet" in response.content.decode()
    assert not Judging.objects.exists()


def test_failed_pans_are_left_out_and_said_so(client_as):
    trial = make_rows(names=NAMES, failed=lambda planned: planned.treatment.name == "magic soap")
    client = client_as("member")
    page = text_of(client, url_of(trial))
    gone = trial.blocks.first().planned_runs.get(treatment__name="magic soap").blind_code
    assert gone not in re.findall(r'data-pan="(\w+)"', page)
    assert "Not in the row" in page and gone in page


def test_who_knows_the_key_is_warned(client_as, trial):
    mixer = Client()
    mixer.force_login(trial.mixer)
    assert "does not count as blind" in text_of(mixer, url_of(trial))
    keeper = client_as("keeper")
    assert "does not count as blind" not in text_of(keeper, url_of(trial))
    planning.open_key(trial=trial, member=keeper.member, reason="a label fell off")
    assert "does not count as blind" in text_of(keeper, url_of(trial))


@pytest.mark.parametrize("text", ["", "0", "4", "-1", "first", "1.5", "٣", "9" * 40, "a\0b", "NaN"])
def test_a_place_that_is_none_gets_a_sentence_and_stores_nothing(client_as, trial, text):
    client = client_as("member")
    name = f"place_{codes_of(trial)[0]}"
    response = client.post(url_of(trial), form_of(trial, client.member, **{name: text}))
    assert response.status_code == 200
    assert response.context["form"].errors[name][0].endswith(".")
    kept = response.context["form"]
    assert kept[f"place_{codes_of(trial)[1]}"].value() == "2"
    assert not Judging.objects.exists()


@pytest.mark.parametrize(
    ("field", "text"),
    [
        ("judge", ""),
        ("judge", "0"),
        ("judge", "nobody"),
        ("judged_on", "yesterday"),
        ("judged_on", "2999-01-01"),
        ("light", "moon"),
        ("note", "a\0b"),
        ("note", "x" * 3000),
        ("photo", "not a file"),
    ],
)
def test_nonsense_elsewhere_gets_a_sentence_and_stores_nothing(client_as, trial, field, text):
    client = client_as("member")
    body = form_of(trial, client.member, **{field: text})
    if field == "photo":
        body["photo"] = SimpleUploadedFile("row.jpg", b"no picture", content_type="image/jpeg")
    response = client.post(url_of(trial), body)
    assert response.status_code == 200
    assert field in response.context["form"].errors
    assert not Judging.objects.exists()


def test_members_only(client_as, trial):
    kept = judge(trial.blocks.first(), in_order(*NAMES))
    for url in (url_of(trial), reverse("judging-correct", args=[kept.pk])):
        assert client_as("guest").get(url).status_code == 403
        assert Client().get(url).status_code == 302
    assert client_as("member").get(url_of(trial)).status_code == 200


def test_there_is_no_row_where_none_is_judged(client_as, trial):
    client = client_as("member")
    assert client.get(url_of(make_running())).status_code == 404
    assert client.get(url_of(trial, 3)).status_code == 404
    assert client.get(url_of(trial, 10**12)).status_code == 404


def test_once_the_key_is_open_it_leads_to_the_trial(client_as, trial):
    kept = judge(trial.blocks.first(), in_order(*NAMES))
    judge(trial.blocks.last(), in_order(*NAMES))
    close(trial)
    client = Client()
    client.force_login(kept.judge)
    for url in (url_of(trial), reverse("judging-correct", args=[kept.pk])):
        assert client.get(url).url == trial.get_absolute_url()
    response = client.post(url_of(trial), form_of(trial, make.make_member()))
    assert "is open" in response.content.decode()
    assert Judging.objects.count() == 2


def test_the_next_page_asks_for_a_judge_and_then_names_who_judged(client_as, trial):
    client = client_as("member")
    page = text_of(client, trial.get_next_url())
    assert "Nobody has judged it yet" in page and url_of(trial) in page
    refused = client.post(reverse("block-close", args=[trial.blocks.first().pk]), follow=True)
    assert "has not been judged" in refused.content.decode()
    judge(trial.blocks.first(), in_order(*NAMES), member=make.make_member(first_name="Sharpeye"))
    assert "Sharpeye" in text_of(client, trial.get_next_url())
    client.post(reverse("block-close", args=[trial.blocks.first().pk]))
    assert trial.blocks.first().closed_at


def test_a_draft_judged_by_place_asks_for_no_ratio(client_as):
    client, lot = client_as("member"), make.make_lot("40000")
    typed = {
        "question": "Which pan?",
        "feed_lot": lot.pk,
        "design": "blocks",
        "blocks": "6",
        "portion": "454 g",
    }
    typed |= {"portions_from": "measured", "water": "9 L", "mixer": client.member.pk, "smallest_ratio": ""}
    for outcome, is_kept in (("gold_mass", False), ("places", True)):
        body = typed | {"identity": str(uuid.uuid4()), "outcome": outcome}
        response = client.post(reverse("trial-add"), body)
        assert (response.status_code == 302) is is_kept
    assert Trial.objects.get().outcome == Trial.Outcome.PLACES
    page = text_of(client, Trial.objects.get().get_absolute_url())
    assert "1.25" not in page and "times the control" not in page


def test_a_trial_judged_otherwise_asks_for_no_judge(client_as):
    trial = make_running()
    for planned in trial.blocks.first().planned_runs.all():
        log(planned, make.make_member())
    assert "judge" not in text_of(client_as("member"), trial.get_next_url()).lower()


def test_the_own_judging_is_corrected_with_a_reason(client_as, trial):
    client = client_as("member")
    client.post(url_of(trial), form_of(trial, client.member))
    kept = Judging.objects.get()
    url = reverse("judging-correct", args=[kept.pk])
    form = client.get(url).context["form"]
    first, second, third = codes_of(trial)
    assert [form[f"place_{code}"].value() for code in (first, second, third)] == [1, 2, 3]
    swapped = {f"place_{first}": "2", f"place_{second}": "1"}
    body = form_of(trial, client.member, **swapped)
    assert "reason" in client.post(url, body | {"reason": ""}).context["form"].errors
    response = client.post(url, body | {"identity": str(uuid.uuid4()), "reason": "tapped wrong"})
    assert response.url == trial.get_next_url()
    placed = {pan.planned.blind_code: pan.place for pan in kept.places.all()}
    assert placed == {first: 2, second: 1, third: 3}


def test_the_verdict_page_shows_the_rows_as_they_were_judged(client_as, trial, django_assert_max_num_queries):
    one, other = make.make_member(first_name="Sharpeye"), make.make_member(first_name="Hawk")
    for block in trial.blocks.all():
        judge(block, in_order("wonder rinse", "magic soap", "plain water"), member=one, note="clear as day")
        judge(block, in_order("wonder rinse", "magic soap", "plain water"), member=other)
    close(trial)
    guest = client_as("guest")
    # Reckoned at the first opening, read back at the next: then it asks twenty times at most.
    text_of(guest, reverse("trial-verdict", args=[trial.pk]))
    with django_assert_max_num_queries(20):
        response = guest.get(reverse("trial-verdict", args=[trial.pk]))
    page = response.content.decode()
    for words in (
        "Mean place",
        "Sharpeye",
        "Hawk",
        "clear as day",
        "Do the judges agree?",
        "Kendall",
        "not how much more",
    ):
        assert words in page, words
    assert "below the scale" not in page and " mg" not in page and "Times control" not in page
    assert guest.get(trial.get_absolute_url()).status_code == 200
