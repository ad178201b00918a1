"""What is said beside a verdict: planted faults with their numbers, and nothing where there are none."""

import re
from collections.abc import Callable
from decimal import Decimal

import pytest

from tests import make
from tests.trials.make_trial import PORTION, make_result, make_running
from trials.actions import running
from trials.frames.verdicts import TrialVerdict, verdict_of
from trials.models import PlannedRun, Trial

pytestmark = pytest.mark.django_db

# What equal portions of one lot differ by here.
SCATTER = [0.97, 1.04, 1.0, 0.94, 1.06, 1.02, 0.98, 1.01, 0.95, 1.03, 0.99]


def scatter(planned: PlannedRun) -> float:
    """By treatment and block, so that every trial scatters alike in whatever order it was drawn."""
    return SCATTER[(3 * planned.treatment.position + 4 * planned.block.number) % len(SCATTER)]


def read(
    gold_of: Callable[[PlannedRun], float],
    more_of: Callable[[PlannedRun], dict] = lambda planned: {},
    *,
    names: tuple[str, ...] = ("plain water", "rinse", "soap"),
    blocks: int = 6,
    **fields,
) -> TrialVerdict:
    """The reading of a trial whose runs hold what `gold_of` says (mg), with the further fields of `more_of`."""
    lot = make.make_lot("40000", is_dry=True)
    trial = make_running(names=names, blocks=blocks, lot=lot, **fields)
    panner = make.make_member()
    for planned in trial.planned_runs.select_related("treatment", "block"):
        more = more_of(planned)
        gold = None if more.get("colours") else f"{gold_of(planned) * scatter(planned):.2f}"
        running.log_run(
            planned=planned,
            result=make_result(more.pop("panner", panner), more.pop("gold", gold), **more),
            recorded_by=panner,
            portion=PORTION,
        )
    for block in trial.blocks.all():
        running.close_block(block=block, closed_by=panner)
    trial.refresh_from_db()
    return verdict_of(trial, make.make_member())


def said(found: TrialVerdict, words: str) -> str:
    """The one caution with these words."""
    [sentence] = [each for each in found.warnings if words in each]
    return sentence


def test_a_sound_trial_carries_no_caution():
    found = read(
        lambda planned: 7.0, lambda planned: {"soak_min": Decimal(10), "light": "sun", "water": "creek"}
    )
    # The order is drawn anew each time and bends by luck in 1 trial of 100: that is counted elsewhere, over many trials.
    assert [each for each in found.warnings if "the order bent" not in each] == []
    assert found.other_outcomes == ""


def test_drift_within_the_blocks_is_said_with_its_size_and_what_it_moves():
    found = read(lambda planned: 9.0 * 0.7**planned.position)
    sentence = said(found, "the order bent the gold")
    # Two steps of 0.7 from the first place to the last: 0.49.
    told = re.match(
        r"Within the blocks the order bent the gold: the last place gave about (0\.\d+) times", sentence
    )
    assert float(told[1]) == pytest.approx(0.49, abs=0.06)
    assert "95 % interval) what the first did, treatments taken out." in sentence
    assert "instead of" in sentence or "fell to all treatments alike" in sentence


def test_learning_is_said_of_the_gold_and_of_the_panners_minutes():
    found = read(
        lambda planned: 4.0 * 1.2**planned.block.number,
        lambda planned: {"pan_min": Decimal("15") - planned.block.number},
    )
    # Five steps of 1.2 from the first block to the last: 2.5.
    assert "Later blocks gave more gold: the last about 2.5 times" in said(found, "Later blocks")
    # 9 minutes for 14.
    assert "panned faster as the trial went on: a portion took about 0.64 times" in said(
        found, "panned faster"
    )


def test_without_blocks_drift_is_over_the_whole_trial():
    found = read(
        lambda planned: 9.0 * 0.93**planned.run_order,
        names=("plain water", "rinse"),
        blocks=7,
        design="random",
    )
    assert said(found, "order bent").startswith("Over the whole trial the order bent the gold")


def test_one_run_that_carries_the_verdict_is_named_with_what_would_be_without_it():
    def gold(planned):
        return 40.0 if (planned.treatment.name, planned.block.number) == ("rinse", 4) else 7.0

    found = read(gold)
    sentence = said(found, "One run stands far apart")
    nugget = next(line for line in found.runs if line.value > 30)
    assert f"{nugget.planned.blind_code} (block 4, rinse, {nugget.result})" in sentence
    assert "Without it: rinse would be" in sentence and "instead of" in sentence


def test_one_block_that_carries_the_verdict_is_named():
    def gold(planned):
        return 7.0 * (5.0 if planned.block.number == 2 and not planned.treatment.is_control else 1.0)

    sentence = said(read(gold, names=("plain water", "rinse"), blocks=7), "Block 2 stands apart")
    assert "rinse would be" in sentence


def test_what_went_along_with_a_treatment_is_said_each_with_its_numbers():
    ada, bo = make.make_member(first_name="Ada"), make.make_member(first_name="Bo")

    def alike(is_first: bool) -> dict:
        return {
            "soak_min": Decimal(5 if is_first else 15),
            "light": "sun" if is_first else "shade",
            "water": "creek" if is_first else "barrel",
            "panner": ada if is_first else bo,
        }

    names = ("plain water", "rinse")
    found = read(lambda planned: 7.0, lambda planned: alike(planned.treatment.is_control), names=names)
    for words in (
        "Soak went along with the treatment: on average 5 minutes with plain water, 15 with rinse.",
        "Light went along with the treatment: shade or overcast in 6 of 6 runs of rinse, in 0 of 6 runs of plain water.",
        "The water went along with the treatment: barrel in 6 of 6 runs of rinse, in 0 of 6 runs of plain water.",
        "Who panned went along with the treatment: Ada in 6 of 6 runs of plain water, in 0 of 6 runs of rinse.",
    ):
        assert "nobody can say which of the two did it" in said(found, words)
    by_block = read(lambda planned: 7.0, lambda planned: alike(planned.block.number % 2 == 0), names=names)
    assert not any("went along" in each for each in by_block.warnings)


def failed(planned: PlannedRun) -> bool:
    return planned.treatment.name == "rinse" and planned.block.number == 1


def test_failed_runs_that_were_weighed_are_counted_in_to_say_what_they_change():
    def lost(planned):
        return {"failed": True, "fail_reason": "half of it spilled", "gold": "0.8"} if failed(planned) else {}

    found = read(
        lambda planned: 11.0 if planned.treatment.name == "rinse" else 7.0,
        lost,
        names=("plain water", "rinse"),
    )
    sentence = said(found, "left out")
    assert found.verdicts[0].kind == "better"
    assert (
        "Counted in all the same, the one with a figure would change this: rinse would be not shown"
        in sentence
    )
    assert "instead of shown better (1.5 times)" in sentence
    assert "cannot be known" not in sentence


def test_what_failed_runs_without_a_figure_would_change_is_said_to_be_unknown():
    def lost(planned):
        return {"failed": True, "fail_reason": "tub knocked over", "gold": None} if failed(planned) else {}

    sentence = said(read(lambda planned: 7.0, lost), "left out")
    assert (
        "It gave no figure: it may have been the best or the worst of all, so what it would change cannot be known."
        in sentence
    )
    assert "ounted in" not in sentence


def test_a_second_outcome_on_record_is_named_and_is_not_the_verdict():
    found = read(
        lambda planned: 7.0, lambda planned: {"colours": {"fine": 9}, "gold": f"{7 * scatter(planned):.2f}"}
    )
    assert found.other_outcomes.startswith(
        "Colours were counted in 18 runs too. The verdict is by gold by weight"
    )
    assert found.route == "mass"
    by_colours = read(
        lambda planned: 7.0,
        lambda planned: {"colours": {"fine": 9}, "gold": "7.0"},
        outcome=Trial.Outcome.COLOURS,
    )
    assert by_colours.other_outcomes.startswith(
        "Gold was weighed in 18 runs too. The verdict is by colours counted"
    )
