"""What is told of each run that is pointed at: the picture's own rows, each run with its words and its page."""

import re

import pytest

from tests.make import make_member
from tests.trials.frames.test_verdicts import BELOW, FAILED, LIKE_WATER, NOT_DONE, WATER, make_trial
from tests.trials.make_judging import close, in_order, judge, make_rows
from trials.frames.pointing import Pointing, pointing_of
from trials.frames.verdicts import TrialVerdict, verdict_of
from trials.models import Trial

pytestmark = pytest.mark.django_db


def found_and_told(trial: Trial) -> tuple[TrialVerdict, Pointing]:
    found = verdict_of(trial, make_member())
    return found, pointing_of(trial, found)


def runs_of(told: Pointing) -> list[dict]:
    return [run for row in told.rows for run in row["runs"]]


def test_the_rows_are_those_of_the_picture():
    found, told = found_and_told(
        make_trial({"plain water": WATER, "rinse": [13.1, 14.7, 10.2, 16.8, 12.6, 14.0]})
    )
    for drawn, row in zip(found.picture.rows, told.rows, strict=True):
        assert row["label"] == drawn["label"]
        assert [run["value"] for run in row["runs"]] == drawn["values"]
        assert [run["block"] for run in row["runs"]] == drawn["blocks"]
    drawn, row = found.picture.rows[1], told.rows[1]
    assert {name: row["interval"][name] for name in ("centre", "lower", "upper", "shown", "worse")} == {
        name: drawn[name] for name in ("centre", "lower", "upper", "shown", "worse")
    }
    assert told.rows[0]["interval"] is None
    assert (told.caption, told.margin_ratio) == (found.picture.caption, found.picture.margin_ratio)


def test_a_run_tells_its_treatment_code_block_panner_and_what_it_gave():
    panner = make_member(first_name="Bram", last_name="Alder")
    trial = make_trial({"plain water": [6.0, 6.0, 6.0], "rinse": [9.0, 9.0, 9.0]}, panner=panner)
    _, told = found_and_told(trial)
    planned = trial.planned_runs.get(treatment__name="rinse", block__number=2)
    run = next(run for run in runs_of(told) if run["page"] == planned.run.get_absolute_url())
    assert run["sentence"] == (
        f"rinse, code {planned.blind_code}, block 2, panned by {panner}: 9 mg, 1.5 times the middle of plain water."
    )
    assert run["label"] == [f"{planned.blind_code}, block 2", "9 mg", str(panner)]
    assert run["kind"] == "counts"


def test_an_interval_never_comes_without_its_level():
    _, told = found_and_told(make_trial({"plain water": WATER, "rinse": LIKE_WATER}))
    assert re.fullmatch(
        r"rinse: [\d.]+ times the middle of plain water, interval [\d.]+ to [\d.]+ \(9[05] %\), (not )?shown\.",
        told.rows[1]["interval"]["sentence"],
    )


def test_who_had_seen_the_key_is_told():
    mixer = make_member()
    _, told = found_and_told(
        make_trial({"plain water": WATER[:3], "rinse": WATER[:3]}, mixer=mixer, panner=mixer)
    )
    assert all("who had seen the key" in run["sentence"] for run in runs_of(told))


def test_a_run_left_out_has_no_place_and_says_why():
    trial = make_trial({"plain water": [6.0, 6.5, 7.0, FAILED], "rinse": [9.0, 9.5, 8.0, 9.1]})
    _, told = found_and_told(trial)
    (out,) = [run for run in runs_of(told) if run["kind"] == "left out"]
    assert out["sentence"].endswith(": failed, so it is left out (tub knocked over).")
    assert (out["value"], out["block"]) == (None, None)
    assert out["label"][1] == "failed: tub knocked over"


def test_a_run_below_the_scale_counts_but_has_no_place():
    _, told = found_and_told(
        make_trial({"plain water": [BELOW, 1.0, 1.1, 1.2], "rinse": [3.0, 2.0, 4.0, 2.5]})
    )
    below = [run for run in runs_of(told) if run["kind"] == "below"]
    assert len(below) == 1
    assert below[0]["value"] is None
    assert "below the scale" in below[0]["sentence"] and "left out" not in below[0]["sentence"]
    assert told.below_text == "below"


def test_a_run_not_done_is_no_run():
    _, told = found_and_told(
        make_trial({"plain water": [*WATER[:3], NOT_DONE], "rinse": [*WATER[:3], NOT_DONE]})
    )
    assert len(runs_of(told)) == 6


@pytest.mark.parametrize(
    ("results", "sentence"),
    [
        ({"plain water": [BELOW] * 3, "rinse": [BELOW] * 3}, "all 6 runs came out below the scale"),
        ({"plain water": [FAILED] * 3, "rinse": [FAILED] * 3}, "No run counts"),
        ({"plain water": [NOT_DONE] * 3, "rinse": [NOT_DONE] * 3}, "No run counts"),
    ],
    ids=["all below", "all failed", "nothing done"],
)
def test_where_nothing_can_be_drawn_there_is_a_sentence_instead(results, sentence: str):
    _, told = found_and_told(make_trial(results))
    assert sentence in told.nothing
    assert told.rows == []


def test_places_are_told_as_places():
    trial = make_rows(names=("plain water", "rinse"), blocks=3)
    for block in trial.blocks.all():
        judge(block, in_order("rinse", "plain water"))
    _, told = found_and_told(close(trial))
    assert told.by_places
    assert [run["value"] for run in told.rows[1]["runs"]] == [1.0, 1.0, 1.0]
    assert "place 1 of 2" in told.rows[1]["runs"][0]["sentence"]
    assert "times" not in told.rows[1]["runs"][0]["sentence"]


def test_colours_are_told_as_counts_and_none_has_no_place():
    results = {
        "plain water": [{"fine": 3}, {"fine": 5}, {"fine": 0}],
        "rinse": [{"fine": 8}, {"fine": 9}, {"fine": 7}],
    }
    _, told = found_and_told(make_trial(results, outcome=Trial.Outcome.COLOURS))
    none = [run for run in runs_of(told) if run["value"] is None]
    assert [run["kind"] for run in none] == ["below"]
    assert "0 colours" in none[0]["sentence"]
    assert told.below_text == "none"
