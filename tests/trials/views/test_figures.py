"""The figure that a verdict's page draws when it is asked to: whose it is, when there is one, and what making it costs."""

import re

import pytest
from django.urls import reverse

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
from trials.actions.running import correct_run
from trials.models import Trial

STRONG = {"plain water": WATER, "rinse": [round(2.1 * mg, 1) for mg in LIKE_WATER]}


def address(trial: Trial) -> str:
    return reverse("trial-figure", args=[trial.pk])


def figure_of(client, trial: Trial) -> dict:
    response = client.get(address(trial))
    assert response.status_code == 200
    assert response["Content-Type"] == "application/json"
    assert not re.search(rb"NaN|Infinity", response.content)
    return response.json()


def runs_in(figure: dict) -> dict:
    return next(trace for trace in figure["data"] if trace["name"] == "runs")


@pytest.mark.parametrize("role", ["guest", "member", "keeper"])
def test_everyone_signed_in_may_have_the_figure_of_a_closed_trial(client_as, role: str):
    figure = figure_of(client_as(role), make_trial(STRONG))
    assert len(runs_in(figure)["x"]) == 12
    assert figure["layout"]["xaxis"]["title"]["text"] == "times the middle of plain water"


def test_a_visitor_is_sent_to_sign_in_and_nobody_posts(client, client_as):
    trial = make_trial(STRONG)
    assert client.get(address(trial)).status_code == 302
    assert client_as("keeper").post(address(trial)).status_code == 405


def test_of_an_open_trial_there_is_none(client_as):
    client = client_as("keeper")
    trial = make_trial({"plain water": [*WATER[:2], NOT_DONE], "rinse": [*WATER[:2], NOT_DONE]}, close=False)
    assert client.get(address(trial)).status_code == 404
    assert client.get(reverse("trial-figure", args=[trial.pk + 1])).status_code == 404


POOR = {
    "failed treatment": {"plain water": WATER[:4], "rinse": [FAILED] * 4, "drops": LIKE_WATER[:4]},
    "failed control": {"plain water": [FAILED] * 4, "rinse": LIKE_WATER[:4]},
    "some below": {"plain water": [BELOW, 1.0, BELOW, 1.2], "rinse": [3.0, 2.0, 4.0, 2.5]},
    "one treatment below": {"plain water": WATER[:4], "rinse": [BELOW] * 4},
    "ties": {"plain water": [5] * 4, "rinse": [5] * 4},
    "two runs of each": {"plain water": WATER[:2], "rinse": [30, 28]},
    "a single block": {"plain water": [6.0, NOT_DONE, NOT_DONE], "rinse": [7.0, FAILED, NOT_DONE]},
    "one run": {"plain water": [6.0, NOT_DONE], "rinse": [NOT_DONE, NOT_DONE]},
    "six treatments": {
        f"dose {number}": [round(mg + number / 3, 1) for mg in WATER[:4]] for number in range(6)
    },
    "a thousandfold": {"plain water": [0.1, 0.2, 0.1], "rinse": [310, 290, 305]},
}


@pytest.mark.parametrize("results", POOR.values(), ids=POOR.keys())
def test_however_poor_the_trial_every_dot_is_in_the_picture(client_as, results: dict):
    figure = figure_of(client_as("guest"), make_trial(results))
    axis, runs = figure["layout"]["xaxis"], runs_in(figure)
    done = sum(result != NOT_DONE for row in results.values() for result in row)
    assert len(runs["x"]) == done
    low, high = (10**end for end in axis["range"])
    assert all(low < x < high for x in runs["x"])
    assert axis["ticktext"]


def test_where_nothing_can_be_drawn_a_sentence_comes_instead_and_the_page_has_no_button(client_as):
    client, trial = client_as("guest"), make_trial({"plain water": [BELOW] * 4, "rinse": [BELOW] * 4})
    assert figure_of(client, trial) == {"nothing": "Nothing to draw: all 8 runs came out below the scale."}
    assert (
        "data-draw"
        not in client.get(reverse("trial-verdict", args=[trial.pk])).content.decode().partition("<main")[2]
    )


def test_places_and_colours_have_figures_too(client_as):
    trial = make_rows(names=("plain water", "rinse"), blocks=3)
    for block in trial.blocks.all():
        judge(block, in_order("rinse", "plain water"))
    client = client_as("guest")
    assert figure_of(client, close(trial))["layout"]["xaxis"]["type"] == "linear"
    counts = {
        "plain water": [{"fine": 3}, {"fine": 5}, {"fine": 4}],
        "rinse": [{"fine": 8}, {"fine": 9}, {"fine": 7}],
    }
    colours = figure_of(client, make_trial(counts, outcome=Trial.Outcome.COLOURS))
    assert len(runs_in(colours)["x"]) == 6


def test_the_figure_follows_the_records(client_as):
    client, trial = client_as("keeper"), make_trial(STRONG)
    assert "x" not in runs_in(figure_of(client, trial))["marker"]["symbol"]
    correct_run(
        run=trial.planned_runs.last().run,
        result=_run_result(FAILED, client.member, "0.1", ""),
        reason="the dish was mixed up",
        recorded_by=client.member,
    )
    assert runs_in(figure_of(client, trial))["marker"]["symbol"].count("x") == 1


def test_it_costs_few_queries_once_it_is_made(client_as, django_assert_max_num_queries):
    client, trial = client_as("guest"), make_trial(STRONG)
    client.get(address(trial))
    with django_assert_max_num_queries(20):
        client.get(address(trial))


def test_the_page_offers_it_and_alone_allows_the_empty_style_of_the_plotting_script(client_as):
    client, trial = client_as("guest"), make_trial(STRONG)
    page = client.get(reverse("trial-verdict", args=[trial.pk]))
    html = page.content.decode()
    assert f'data-figure="{address(trial)}" hidden' in html
    assert re.search(
        r'<script src="[^"]*trials/draw\.js" data-plotting="[^"]*plotly-basic-[\d.]+\.min\.js" defer>', html
    )
    # The plotting script itself comes only on a tap.
    assert not re.search(r'(src|href)="[^"]*plotly', html)
    policy = page["Content-Security-Policy"]
    assert "style-src 'self' 'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='" in policy
    assert "unsafe" not in policy
    for other in ("home", "trial-list"):
        assert "sha256" not in client.get(reverse(other))["Content-Security-Policy"]
    assert "sha256" not in client.get(address(trial))["Content-Security-Policy"]
