"""The verdict's page: a sentence, its picture, its table, chance, the working, the ground; and silence while the trial runs."""

import re
import time
from html import unescape

import pytest
from django.urls import reverse

from tests.make import make_blend, make_claim, make_lot, make_member, make_zone
from tests.trials.frames.test_verdicts import (
    BELOW,
    FAILED,
    LIKE_WATER,
    NOT_DONE,
    WATER,
    _run_result,
    make_trial,
)
from tests.trials.make_judging import close, in_order, judge, make_rows
from tests.trials.make_trial import make_closed
from trials.actions import planning, running
from trials.models import Trial

STRONG = {"plain water": WATER, "rinse": [round(2.1 * mg, 1) for mg in LIKE_WATER]}


def page_of(client, trial: Trial) -> str:
    response = client.get(reverse("trial-verdict", args=[trial.pk]))
    assert response.status_code == 200
    return response.content.decode()


def words(html: str) -> str:
    main = html.partition("<main")[2].partition(">")[2].partition("<footer")[0]
    return " ".join(re.sub(r"<[^>]+>", " ", main).split())


def test_a_visitor_is_sent_to_sign_in(client, db):
    trial = make_trial({"plain water": WATER[:3], "rinse": LIKE_WATER[:3]})
    response = client.get(reverse("trial-verdict", args=[trial.pk]))
    assert response.status_code == 302
    assert "next=" in response["Location"]


@pytest.mark.parametrize("role", ["guest", "member", "keeper"])
def test_everyone_signed_in_reads_the_verdict(client_as, role: str):
    html = page_of(client_as(role), make_trial(STRONG))
    assert "rinse recovers more than plain water." in html
    assert "Shown: better" in html


def test_nobody_posts_and_no_trial_is_not_found(client_as):
    client = client_as("keeper")
    trial = make_trial({"plain water": WATER[:3], "rinse": LIKE_WATER[:3]})
    assert client.post(reverse("trial-verdict", args=[trial.pk])).status_code == 405
    assert client.get(reverse("trial-verdict", args=[trial.pk + 1])).status_code == 404


def test_the_page_keeps_its_order(client_as):
    text = words(page_of(client_as("member"), make_trial(STRONG)))
    order = [
        "Does the rinse keep more gold than plain water?",
        "rinse recovers more than plain water.",
        "times the middle of plain water",
        "Recovered grade",
        "Show the working that holds for all",
        "Read it with care",
        "What chance alone does",
        "Of the spread between equal portions, counting chance explains",
        "What this trial could have seen",
        "Where this gold came from",
        "Who did it",
        "All 12 runs",
        "More of this trial",
    ]
    places = [text.find(part) for part in order]
    assert -1 not in places
    assert places == sorted(places)


def test_the_picture_is_drawn_on_the_server_and_says_in_words_what_it_shows(client_as):
    html = page_of(client_as("member"), make_trial(STRONG))
    svg = html.partition('<figure class="figure">')[2].partition("</svg>")[0]
    assert svg.count("<circle") == 12
    assert svg.count('class="bar"') == 1
    # Six blocks of two runs.
    assert svg.count('class="of-block"') == 6
    assert "a thin line joins the runs of one block" in html
    assert "<title" in svg
    assert "rinse: 6 runs" in svg
    assert 'class="margin"' in svg
    # The site's content security policy lets no inline style or script through.
    assert "style=" not in html
    assert "<script>" not in html


def test_every_figure_leads_to_its_records(client_as):
    claim = make_claim("Kettle Rib (invented)")
    zones = [make_zone(claim, name) for name in ("Upper cut", "Gouge seam")]
    lots = [make_lot("40000", zone=zone) for zone in zones]
    trial = make_trial(STRONG, feed_lot=make_blend(*((lot, "20000") for lot in lots)))
    html = page_of(client_as("guest"), trial)
    digs = [lot.origins.get().dig for lot in lots]
    runs = [planned.run for planned in trial.planned_runs.all()]
    for record in (trial, trial.feed_lot, claim, *zones, *digs, *runs):
        assert f'href="{record.get_absolute_url()}"' in html
    assert len(re.findall(r"<b>50(?:\.0)? %</b>", html)) == 2


def test_a_guest_sees_no_position(client_as):
    lot = make_lot("40000")
    dig = lot.origins.get().dig
    type(dig).objects.filter(pk=dig.pk).update(latitude="12.345678", longitude="-98.765432")
    html = page_of(
        client_as("guest"), make_trial({"plain water": WATER[:3], "rinse": LIKE_WATER[:3]}, feed_lot=lot)
    )
    assert "12.345" not in html
    assert "98.765" not in html


@pytest.mark.parametrize("role", ["guest", "member", "keeper"])
def test_a_running_trial_tells_how_many_are_in_and_nothing_else(client_as, role: str):
    names = {"plain water": [*WATER[:2], NOT_DONE], "odd rinse": [41.3, 39.7, NOT_DONE]}
    trial = make_trial(names, close=False)
    # A closed block's key may be read elsewhere; the verdict still waits.
    running.close_block(block=trial.blocks.get(number=1), closed_by=trial.recorded_by)
    html = page_of(client_as(role), trial)
    text = words(html)
    assert "4 of 6 runs are in." in text
    assert "The verdict waits" in text
    assert "odd rinse" not in html
    assert not [planned.blind_code for planned in trial.planned_runs.all() if planned.blind_code in text]
    # Besides "4 of 6" and the number of the trial no figure stands on the page.
    assert f"Trial {trial.pk} " in text
    assert re.findall(r"\d+(?:\.\d+)?", text.replace(f"Trial {trial.pk} ", "", 1)) == ["4", "6"]
    assert '<svg viewBox="0 0 360' not in html
    assert "verdict open" not in html and 'class="verdict' not in html


def test_a_draft_leads_to_its_plan_with_a_word_of_why(client_as):
    client = client_as("guest")
    running_trial = make_trial({"plain water": WATER[:3], "rinse": LIKE_WATER[:3]}, close=False)
    draft = planning.plan_trial(
        recorded_by=running_trial.recorded_by,
        **{
            name: getattr(running_trial, name)
            for name in (
                "question",
                "feed_lot",
                "outcome",
                "blocks_planned",
                "smallest_ratio",
                "portion_mass_g",
                "portion_typed",
                "portions_from",
                "water_ml",
                "water_typed",
                "mixer",
            )
        },
    )
    response = client.get(reverse("trial-verdict", args=[draft.pk]), follow=True)
    assert response.redirect_chain == [(draft.get_absolute_url(), 302)]
    assert "still a draft" in response.content.decode()


# Trials from which little or nothing can be read, and what their page says of that.
SENSIBLE = {
    "failed treatment": (
        {"plain water": WATER[:4], "rinse": [FAILED] * 4, "drops": LIKE_WATER[:4]},
        "No run of rinse counts, so it cannot be compared.",
    ),
    "failed control": (
        {"plain water": [FAILED] * 4, "rinse": LIKE_WATER[:4]},
        "the control has no run that counts, so there is nothing to compare with",
    ),
    "all failed": (
        {"plain water": [FAILED] * 3, "rinse": [FAILED] * 3},
        "No run counts, so there is nothing to draw",
    ),
    "all below": (
        {"plain water": [BELOW] * 4, "rinse": [BELOW] * 4},
        "Nothing to draw: all 8 runs came out below the scale.",
    ),
    "some below": (
        {"plain water": [BELOW, 1.0, BELOW, 1.2], "rinse": [3.0, 2.0, 4.0, 2.5]},
        "What the scale does not show is not zero",
    ),
    "ties": ({"plain water": [5] * 4, "rinse": [5] * 4}, "The runs agree within the scale's step of 0.1 mg"),
    "two runs of each": (
        {"plain water": WATER[:2], "rinse": [30, 28]},
        "Two runs per treatment cannot tell chance from an effect",
    ),
    "nothing done": (
        {"plain water": [NOT_DONE] * 3, "rinse": [NOT_DONE] * 3},
        "6 of 6 planned runs not done",
    ),
    "a single block": (
        {"plain water": [6.0, NOT_DONE, NOT_DONE], "rinse": [7.0, FAILED, NOT_DONE]},
        "no run is left over to show the spread",
    ),
    "never together": (
        {"plain water": [6.0, FAILED, 5.0, FAILED], "rinse": [FAILED, 7.0, FAILED, 8.0]},
        "no run is left over to show the spread",
    ),
    "six treatments": (
        {f"dose {number}": [round(mg + number / 3, 1) for mg in WATER[:4]] for number in range(6)},
        "all treatments judged together",
    ),
}


@pytest.mark.parametrize(("results", "sentence"), SENSIBLE.values(), ids=SENSIBLE.keys())
def test_no_trial_however_poor_breaks_the_page(client_as, results: dict, sentence: str):
    html = page_of(client_as("member"), make_trial(results))
    assert sentence in html_words(html)
    assert_whole(html, treatments=len(results))


def html_words(html: str) -> str:
    return unescape(words(html))


def assert_whole(html: str, *, treatments: int) -> None:
    """A verdict for each treatment, no figure that is none, and a picture with dots or a sentence instead."""
    text = words(html)
    assert not re.search(r"\b(nan|inf|None|infinity)\b", text)
    assert html.count('class="verdict') >= treatments - 1
    figure = html.partition('<figure class="figure">')[2].partition("</figure>")[0]
    assert "<circle" in figure or "othing to draw" in text


def test_one_judge_of_every_row_is_a_page_that_says_what_it_cannot_know(client_as):
    trial = make_rows(names=("plain water", "rinse"), blocks=3)
    for block in trial.blocks.all():
        judge(block, in_order("rinse", "plain water"))
    html = page_of(client_as("guest"), close(trial))
    assert "how far another judge would agree is not known" in html
    assert_whole(html, treatments=2)


def test_counts_on_the_page(client_as):
    few, many = ([{"fine": 1, "flour": n} for n in counts] for counts in ([8, 6, 9, 7], [22, 0, 27, 24]))
    html = page_of(
        client_as("member"), make_trial({"plain water": few, "rinse": many}, outcome=Trial.Outcome.COLOURS)
    )
    assert "Colours a run" in html
    assert "Recovered grade" not in html


def test_a_name_from_a_form_is_text_on_the_page(client_as):
    name = "<b>rinse</b> & “drops”"
    html = page_of(client_as("member"), make_trial({"plain water": WATER[:4], name: LIKE_WATER[:4]}))
    assert "<b>rinse</b>" not in html
    assert "&lt;b&gt;rinse&lt;/b&gt;" in html


def test_each_figure_opens_its_working_with_the_runs_it_comes_from(client_as):
    trial = make_trial(STRONG)
    html = page_of(client_as("guest"), trial)
    workings = html.split('<details class="working">')[1:]
    rinse = next(working for working in workings if "rinse: runs" in working).partition("</details>")[0]
    for step in ("rinse: middle", "rinse / plain water", "interval of that gold, mg", "grade more or less"):
        assert step in rinse
    runs = [planned.run for planned in trial.planned_runs.filter(treatment__name="rinse")]
    assert all(f'href="{run.get_absolute_url()}"' in rinse for run in runs)


def links_of(html: str) -> set[str]:
    more = html.partition("More of this trial")[2].partition("</ul>")[0]
    return set(re.findall(r'href="([^"]+)"', more))


def test_further_pages_are_linked_where_they_have_something_to_say(client_as):
    by_hand = make_trial({"plain water": WATER[:3], "rinse": LIKE_WATER[:3]})
    ladder = make_closed(lambda planned: "5.0", names=("plain water", "a little", "more"))

    def url(name: str, trial: Trial) -> str:
        return reverse(name, args=[trial.pk])

    always = ("trial-outcomes", "trial-runs-csv", "trial-runs-xlsx")
    of_hand, of_ladder = (links_of(page_of(client_as("guest"), trial)) for trial in (by_hand, ladder))
    assert of_hand == {*(url(name, by_hand) for name in (*always, "trial-effects")), across(by_hand)}
    assert of_ladder == {*(url(name, ladder) for name in (*always, "trial-doses")), across(ladder)}
    conclude = f"{reverse('finding-add')}?trial={ladder.pk}"
    assert links_of(page_of(client_as("member"), ladder)) == {*of_ladder, conclude}


def across(trial: Trial) -> str:
    return f"{reverse('trial-across')}?first={trial.pk}"


def test_a_corrected_run_gives_a_new_page(client_as):
    trial = make_trial(STRONG)
    client = client_as("keeper")
    before = page_of(client, trial)
    assert words(page_of(client, trial)) == words(before)
    run = trial.planned_runs.filter(treatment__is_control=False).first().run
    keeper = make_member("keeper")
    result = _run_result(99.9, keeper, "0.1", "")
    running.correct_run(run=run, result=result, reason="a figure misread", recorded_by=keeper)
    after = page_of(client, trial)
    assert "99.9 mg" in after and "99.9 mg" not in before
    assert re.search(r"About [\d.]+ times", after)[0] != re.search(r"About [\d.]+ times", before)[0]


def test_a_member_who_takes_another_name_or_unit_reads_it_at_once(client_as, db):
    trial = make_trial(STRONG, mixer=make_member(first_name="Mick"))
    client = client_as("member")
    assert "<dd>Mick</dd>" in page_of(client, trial)
    type(trial.mixer).objects.filter(pk=trial.mixer_id).update(first_name="Michael")
    assert "<dd>Michael</dd>" in page_of(client, trial)
    grades = []
    for unit in ("g_per_t", "ozt_per_short_ton"):
        type(trial.mixer).objects.exclude(pk=trial.mixer_id).update(grade_unit=unit)
        grades.append(re.search(r'data-label="Recovered grade">([^<]+)<', page_of(client, trial))[1])
    assert grades[0].endswith("g/t") and grades[1].endswith("troy oz per short ton")


def test_the_largest_usual_trial_costs_few_queries_and_little_time(client_as, django_assert_max_num_queries):
    four = {f"dose {number}": [round(mg + number, 1) for mg in [*WATER, 6.4, 7.2]] for number in range(4)}
    trial = make_trial(four)
    client = client_as("member")
    with django_assert_max_num_queries(22):
        page_of(client, trial)
    # Read back, it only asks whether the records are still the same.
    with django_assert_max_num_queries(16):
        page_of(client, trial)
    started = time.perf_counter()
    page_of(client, trial)
    # A tenth of this here; the bound is what a small computer may take at worst.
    assert time.perf_counter() - started < 0.8
