"""Trials judged by place, from the judges' rows in the books to the words of the verdict."""

import pytest

from tests import make
from tests.trials.make_judging import all_alike, close, in_order, judge, make_rows
from trials.actions import planning, running
from trials.actions.running import RunResult
from trials.frames.verdicts import TrialVerdict, verdict_of
from trials.models import PlannedRun, Trial

pytestmark = pytest.mark.django_db

NAMES = ("plain water", "rinse", "soap")
RINSE_FIRST, WATER_FIRST = in_order("rinse", "soap", "plain water"), in_order("plain water", "soap", "rinse")
SOAP_FIRST = in_order("soap", "plain water", "rinse")


def judged(*eyes, blocks: int = 5, names=NAMES, **fields) -> Trial:
    """A closed trial; each of `eyes` is one judge's, or a function from a block's number to one."""
    trial = make_rows(names=names, blocks=blocks, **fields)
    for eye in eyes:
        member = make.make_member()
        for block in trial.blocks.all():
            judge(block, eye(block.number) if eye in BY_BLOCK else eye, member=member)
    return close(trial)


def turning(number: int):
    return (RINSE_FIRST, WATER_FIRST, SOAP_FIRST)[number % 3]


BY_BLOCK = (turning,)


def found_in(trial: Trial) -> TrialVerdict:
    return verdict_of(trial, make.make_member())


def kinds(found: TrialVerdict) -> dict[str, str]:
    return {verdict.headline.split()[0].rstrip(":"): verdict.kind for verdict in found.verdicts}


def test_two_judges_who_see_the_rinse_before_water_everywhere_show_it_better():
    found = found_in(judged(RINSE_FIRST, RINSE_FIRST))
    assert kinds(found) == {"rinse": "better", "soap": "not shown"}
    [rinse] = [verdict for verdict in found.verdicts if verdict.kind == "better"]
    assert rinse.headline == "rinse shows more gold than plain water."
    assert (rinse.ratio, rinse.within_margin) == (None, False)
    assert "agree more than chance" in found.judged.agreement
    assert found.judged.opposed == []


def test_the_control_before_the_rinse_everywhere_shows_it_worse():
    assert kinds(found_in(judged(WATER_FIRST)))["rinse"] == "worse"


def test_rows_in_no_order_show_nothing():
    found = found_in(judged(turning, blocks=6))
    assert set(kinds(found).values()) == {"not shown"}
    assert "more blocks" in found.verdicts[0].explanation
    assert found.sight[0].names == "rinse, soap"


def test_pans_all_alike_show_nothing_and_are_not_called_equal():
    found = found_in(judged(all_alike, all_alike))
    assert set(kinds(found).values()) == {"not shown"}
    assert "set its pans apart" in found.judged.agreement


def test_judges_who_see_the_opposite_cancel_and_are_named():
    found = found_in(judged(RINSE_FIRST, WATER_FIRST, blocks=6))
    assert set(kinds(found).values()) == {"not shown"}
    [sentence] = found.judged.opposed
    assert "disagree widely in blocks 1, 2, 3, 4, 5, 6" in sentence
    assert "not shown that the judges see the same order" in found.judged.agreement
    assert all(line.value == 2 for line in found.runs)


def test_one_pair_of_eyes_says_that_agreement_is_not_known():
    assert "one pair of eyes" in found_in(judged(RINSE_FIRST)).judged.agreement


def test_two_judges_are_no_more_blocks_than_one():
    two = ("plain water", "rinse")
    eye = in_order("rinse", "plain water")
    # 5 of 5 blocks: 1 in 16 by the sign test, however many look.
    assert kinds(found_in(judged(eye, eye, eye, names=two)))["rinse"] == "not shown"
    assert kinds(found_in(judged(eye, names=two, blocks=6)))["rinse"] == "better"


def test_the_table_and_the_picture_hold_mean_places():
    found = found_in(judged(RINSE_FIRST, in_order("rinse", "plain water", "soap")))
    table = {line.name: line for line in found.table}
    assert {name: float(line.middle) for name, line in table.items()} == {
        "plain water": 2.5,
        "rinse": 1,
        "soap": 2.5,
    }
    assert (table["rinse"].wins, table["rinse"].ratio, table["rinse"].grade) == ("5 of 5", "", "")
    assert found.unit == "place" and found.route == "places"
    assert [row["values"] for row in found.picture.rows] == [[2.5] * 5, [1] * 5, [2.5] * 5]
    assert found.runs[0].result.endswith("mean of 2 judges")


def test_words_of_the_scale_and_of_ratios_have_no_place_here():
    found = found_in(judged(RINSE_FIRST))
    steps = [*(found.working or ()), *(row for line in found.table for row in line.working)]
    working = " ".join(f"{row.label} {row.formula} {row.value} {row.unit}" for row in steps)
    told = [
        *found.chance,
        *found.warnings,
        *found.alarms,
        found.route_why,
        working,
        found.picture.description,
    ]
    told += [verdict.explanation for verdict in found.verdicts] + [
        f"{line.seen} {line.more}" for line in found.sight
    ]
    for words in ("below the scale", " mg", "colours", "times as much", "equivalen", "margin"):
        assert not any(words in sentence for sentence in told), words


def soap_of_block_one(planned: PlannedRun) -> bool:
    return planned.treatment.name == "soap" and planned.block.number == 1


def test_a_failed_pan_is_left_out_and_the_row_counts_for_the_others():
    found = found_in(judged(RINSE_FIRST, failed=soap_of_block_one))
    table = {line.name: line for line in found.table}
    assert (table["rinse"].wins, table["soap"].wins) == ("5 of 5", "4 of 4")
    assert [line.result for line in found.left_out] == ["failed"]
    assert any(line.result == "place 2 of 2" for line in found.runs)
    assert kinds(found)["rinse"] == "better"


def test_a_run_marked_failed_after_the_judging_leaves_the_row():
    trial = judged(RINSE_FIRST, RINSE_FIRST)
    run = trial.planned_runs.filter(treatment__name="rinse").first().run
    result = RunResult(
        panned_on=make.DAY, panner=run.panner, failed=True, fail_reason="two tubs were swapped"
    )
    running.correct_run(
        run=run, result=result, reason="found the tag", recorded_by=make.make_member("keeper")
    )
    found = found_in(trial)
    beside = [line for line in found.runs if line.block == run.planned.block.number and line.counts]
    assert sorted((line.treatment, line.value) for line in beside) == [("plain water", 2), ("soap", 1)]
    assert {line.name: line.wins for line in found.table}["rinse"] == "4 of 4"


def test_rows_never_judged_are_left_out_and_said():
    trial = make_rows(names=NAMES, blocks=4)
    for block in trial.blocks.filter(number__lt=4):
        judge(block, RINSE_FIRST)
    trial = planning.close_trial(trial=trial, closed_by=trial.recorded_by, reason="the pans were emptied")
    found = found_in(trial)
    assert [line.left_out for line in found.left_out] == ["not placed by every judge"] * 3
    assert any("before every row was judged: the pans were emptied." in sentence for sentence in found.alarms)
    assert found.table[0].counted == 3


def test_a_trial_never_judged_at_all_still_opens():
    trial = make_rows(names=NAMES, blocks=2)
    trial = planning.close_trial(trial=trial, closed_by=trial.recorded_by, reason="snow")
    found = found_in(trial)
    assert set(kinds(found).values()) == {"not shown"}
    assert found.no_picture.startswith("No pan was placed")
    assert found.judged.blindness == ""


def test_a_judge_who_knew_the_key_weakens_the_verdict():
    trial = make_rows(names=NAMES, blocks=3)
    keeper = make.make_member("keeper", first_name="Peeker")
    first, second, third = trial.blocks.all()
    judge(first, RINSE_FIRST, member=keeper)
    planning.open_key(trial=trial, member=keeper, reason="a label fell off")
    judge(second, RINSE_FIRST, member=keeper)
    judge(third, RINSE_FIRST, member=trial.mixer)
    found = found_in(close(trial))
    assert not found.judged.all_blind
    assert found.judged.blindness.startswith("2 of 3 judgings were by someone who knew")
    assert "Peeker" in found.judged.blindness and str(trial.mixer) in found.judged.blindness
    assert [look.is_blind for row in found.judged.rows for look in row.looks] == [True, False, False]


def test_blind_judges_are_said_to_be_so():
    found = found_in(judged(RINSE_FIRST, RINSE_FIRST, blocks=3))
    assert found.judged.all_blind
    assert found.judged.blindness.startswith("Judged blind: nobody who judged one of the 6 looks at a row")


def test_an_odd_judge_who_saw_another_row_keeps_the_books_open():
    # Places typed before a run was mended cannot reach a closed block, but a keeper may mend a failed run afterwards.
    trial = judged(RINSE_FIRST, RINSE_FIRST, failed=soap_of_block_one)
    run = trial.planned_runs.get(run__failed=True).run
    result = RunResult(panned_on=make.DAY, panner=run.panner)
    running.correct_run(run=run, result=result, reason="another tub", recorded_by=make.make_member("keeper"))
    [line] = found_in(trial).left_out
    assert (line.planned.pk, line.left_out) == (run.planned_id, "not placed by every judge")
