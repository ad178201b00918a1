"""What a closed trial shows, from the runs in the books to the sentences of the page."""

import math
from collections.abc import Mapping, Sequence
from decimal import Decimal
from statistics import stdev

import pytest

from prospecting.models import Lot, Member
from tests.make import DAY, make_blend, make_lot, make_member
from tests.trials.make_trial import make_additive
from trials.actions import planning, running
from trials.actions.running import Portion, RunResult
from trials.frames.verdicts import verdict_of
from trials.models import Trial

# What a run of `make_trial` may come to besides a weight in mg or a mapping of colours.
FAILED, BELOW, NOT_DONE = "failed", "below", "not done"
Result = float | str | Mapping[str, int]


@pytest.mark.django_db
def test_runs_logged_before_anyone_could_mix_raise_an_alarm():
    mixer = make_member()
    mixed = make_trial({"plain water": WATER, "rinse": LIKE_WATER}, mixer=mixer, key_opened_by=[mixer])
    unmixed = make_trial({"plain water": WATER, "rinse": LIKE_WATER})
    assert not any("opened the mixing sheet" in sentence for sentence in found_in(mixed).alarms)
    assert any("opened the mixing sheet" in sentence for sentence in found_in(unmixed).alarms)


def make_trial(
    results: Mapping[str, Sequence[Result]],
    *,
    outcome: str = Trial.Outcome.GOLD_MASS,
    ratio: str = "1.25",
    mixer: Member | None = None,
    panner: Member | None = None,
    feed_lot: Lot | None = None,
    portions_g: Sequence[str] = ("454",),
    scale_step_mg: str = "0.1",
    guess: str = "",
    key_opened_by: Sequence[Member] = (),
    close: bool = True,
    dosed: bool = False,
) -> Trial:
    """A trial on measured portions, the first treatment its control; `results` has one entry for each block.

    Runs that are NOT_DONE leave the trial to be ended early; with `close=False` it is left running. The others differ by
    technique, or, `dosed`, by what is in their water.
    """
    member = make_member()
    panner = panner or make_member()
    lot = feed_lot or make_blend(
        (make_lot("40000", member=member, is_dry=True), "30000"),
        (make_lot("40000", member=member, is_dry=True), "30000"),
    )
    trial = planning.plan_trial(
        question="Does the rinse keep more gold than plain water?",
        feed_lot=lot,
        outcome=outcome,
        blocks_planned=len(next(iter(results.values()))),
        smallest_ratio=Decimal(ratio),
        portion_mass_g=Decimal(portions_g[0]),
        portion_typed=f"{portions_g[0]} g",
        portions_from=Trial.PortionsFrom.MEASURED,
        water_ml=Decimal(9000),
        water_typed="9 L",
        mixer=mixer or make_member(),
        recorded_by=member,
    )
    for number, name in enumerate(results):
        planning.add_treatment(
            trial=trial,
            name=name,
            is_control=number == 0,
            technique="" if number == 0 or dosed else f"as written on card {number}",
            doses=[planning.DoseOf(make_additive(), Decimal(number) / 10, f"0.{number} mL/L")]
            if number and dosed
            else [],
            recorded_by=member,
        )
    trial = planning.fix_plan(trial=trial, planned_by=member)
    for opener in key_opened_by:
        planning.open_key(trial=trial, member=opener, reason="to check a label")
    for number, planned in enumerate(trial.planned_runs.select_related("treatment", "block")):
        result = results[planned.treatment.name][planned.block.number - 1]
        if result == NOT_DONE:
            continue
        portion_g = portions_g[number % len(portions_g)]
        running.log_run(
            planned=planned,
            result=_run_result(result, panner, scale_step_mg, guess),
            recorded_by=panner,
            portion=Portion(mass_g=Decimal(portion_g), typed=f"{portion_g} g"),
        )
    if not close:
        return trial
    if trial.planned_runs.open().exists():
        return planning.close_trial(trial=trial, closed_by=member, reason="snow came early")
    for block in trial.blocks.all():
        running.close_block(block=block, closed_by=panner)
    trial.refresh_from_db()
    return trial


def _run_result(result: Result, panner: Member, scale_step_mg: str, guess: str) -> RunResult:
    common = {"panned_on": DAY, "panner": panner, "guess": guess}
    if result == FAILED:
        return RunResult(**common, failed=True, fail_reason="tub knocked over")
    if result == BELOW:
        return RunResult(**common, below_scale=True, scale_step_mg=Decimal(scale_step_mg))
    if isinstance(result, Mapping):
        return RunResult(**common, colours=result)
    return RunResult(
        **common,
        gold_mg=Decimal(str(result)),
        gold_typed=f"{result} mg",
        scale_step_mg=Decimal(scale_step_mg),
    )


def found_in(trial: Trial, **fields):
    return verdict_of(trial, make_member(**fields))


# Runs of equal portions that differ as small ones do; the same six numbers in another order stand for another treatment.
WATER = [6.1, 7.4, 5.2, 8.3, 6.6, 7.0]
LIKE_WATER = [6.9, 6.3, 5.9, 7.7, 7.4, 6.2]


@pytest.fixture
def strong(db) -> Trial:
    return make_trial({"plain water": WATER, "rinse": [round(2.1 * mg, 1) for mg in LIKE_WATER]})


def mean(values: Sequence[float]) -> float:
    return math.fsum(values) / len(values)


def test_a_strong_effect_is_shown_better(strong: Trial):
    [verdict] = found_in(strong).verdicts
    assert verdict.kind == "better"
    assert verdict.headline == "rinse recovers more than plain water."
    assert verdict.lower > 1.25


def test_the_table_holds_what_a_hand_reckons_from_balanced_blocks(strong: Trial):
    # With every run in, expected gold averaged over the blocks is the plain mean.
    control, rinse = (line for line in found_in(strong, grade_unit="g_per_t").table)
    treated = [round(2.1 * mg, 1) for mg in LIKE_WATER]
    assert float(control.middle) == pytest.approx(mean(WATER), rel=2e-3)
    assert float(rinse.ratio) == pytest.approx(mean(treated) / mean(WATER), rel=2e-3)
    assert rinse.more_gold.startswith("+")
    gain_mg = float(rinse.more_gold.strip("+ mg"))
    assert gain_mg == pytest.approx(mean(treated) - mean(WATER), rel=5e-3)
    # Limits of the gold: those of the ratio, each side of the two middles' geometric mean (see ControlComparison.gain_at).
    limits = [float(limit) for limit in rinse.interval.split(" to ")]
    both = math.sqrt(mean(WATER) * mean(treated))
    expected = [both * (math.sqrt(limit) - 1 / math.sqrt(limit)) for limit in limits]
    assert [float(mg) for mg in rinse.more_gold_interval.split(" to ")] == pytest.approx(expected, rel=1e-2)
    assert expected[0] < gain_mg < expected[1]
    assert float(rinse.more_grade.split()[0]) == pytest.approx(gain_mg / 0.454, rel=1e-2)
    grades = [float(limit) for limit in rinse.more_grade_interval.split(" to ")]
    assert grades == pytest.approx([mg / 0.454 for mg in expected], rel=1e-2)
    # mg per kg is g/t.
    assert control.grade.endswith("g/t")
    assert float(control.grade.split()[0]) == pytest.approx(mean(WATER) / 0.454, rel=4e-3)


def test_the_grade_is_in_the_readers_unit(strong: Trial):
    grades = [line.grade for line in found_in(strong, grade_unit="ozt_per_short_ton").table]
    # 1 troy ounce per short ton is 34.2857 g/t (31.1034768 g in 907.18474 kg, both exact by definition).
    expected = mean(WATER) / 0.454 / 34.2857
    assert float(grades[0].split()[0]) == pytest.approx(expected, rel=5e-3)


def test_no_effect_is_not_shown_and_says_what_could_have_been_seen(db):
    found = found_in(make_trial({"plain water": WATER, "rinse": LIKE_WATER}, ratio="1.1"))
    [verdict] = found.verdicts
    assert verdict.kind == "not shown"
    assert "could have seen" in verdict.explanation
    assert verdict.more_blocks > 0
    [sight] = found.sight
    assert sight.names == "rinse"
    assert f"{verdict.more_blocks} more blocks would see 1.1 times" in sight.more
    # Rounded up, never flattering the trial, and the same figure as in the verdict above.
    assert verdict.detectable_ratio <= float(sight.seen.split()[0]) < verdict.detectable_ratio * 1.1
    assert f"could have seen {sight.seen.split()[0]} times" in verdict.explanation


def test_a_margin_wide_enough_is_equivalence_and_the_table_shows_the_interval_it_rests_on(db):
    found = found_in(make_trial({"plain water": WATER, "rinse": LIKE_WATER}, ratio="2.0"))
    assert found.verdicts[0].kind == "equivalent"
    assert found.table[1].interval.endswith("(90 %)")
    row = found.picture.rows[1]
    assert row["shown"]
    assert 0.5 < row["lower"] < 1 < row["upper"] < 2


def test_a_harmful_dose_is_shown_worse(db):
    found = found_in(make_trial({"plain water": WATER, "foam": [round(mg / 3, 1) for mg in LIKE_WATER]}))
    assert found.verdicts[0].kind == "worse"
    assert found.table[1].more_gold.startswith("−")
    assert found.picture.rows[1]["worse"]


def test_few_runs_below_scale_widen_the_interval_and_say_so(db):
    water = [BELOW, 1.2, BELOW, 1.0, 1.4, 1.1, 0.9]
    rinse = [3.1, 4.0, 2.2, 5.1, 6.0, 3.3, 4.1]
    found = found_in(make_trial({"plain water": water, "rinse": rinse}))
    assert found.route == "mass"
    assert "2 of 14 runs came out below the scale (2 of plain water)" in found.route_why
    assert "anything from nothing to 0.1 mg" in found.route_why
    [verdict] = found.verdicts
    assert verdict.kind == "better"
    assert [line.below for line in found.table] == [2, 0]


def test_many_runs_below_scale_turn_to_places_and_say_so(db):
    water = [BELOW, 1.2, BELOW, BELOW, 1.4, BELOW, 0.9]
    rinse = [3.1, 4.0, 2.2, 5.1, 6.0, 3.3, 4.1]
    found = found_in(make_trial({"plain water": water, "rinse": rinse}))
    assert found.route == "ranks"
    assert "4 of 14 runs came out below the scale (4 of plain water)" in found.route_why
    [verdict] = found.verdicts
    assert verdict.kind == "better"
    assert verdict.ratio is None
    assert all("lower" not in row for row in found.picture.rows)
    assert [line.below for line in found.table] == [4, 0]
    assert found.picture.rows[0]["below"] == 4


def test_below_the_scale_is_never_dropped_from_the_middle(db):
    found = found_in(make_trial({"plain water": [BELOW, BELOW, 1.0], "rinse": [BELOW, 2.0, 3.0]}))
    assert [line.middle for line in found.table] == ["below the scale", "2"]


def test_two_blocks_cannot_tell(db):
    found = found_in(make_trial({"plain water": WATER[:2], "rinse": [30, 28]}))
    [verdict] = found.verdicts
    assert verdict.kind == "not shown"
    assert "cannot tell chance from an effect" in verdict.explanation
    assert any("degrees of freedom" in sentence for sentence in found.warnings)


def test_colours_are_compared_as_counts_with_classes_added(db):
    few = [{"fine": 1, "flour": n} for n in (8, 6, 9, 7, 8)]
    many = [{"fine": 2, "flour": n} for n in (22, 19, 27, 24, 20)]
    found = found_in(make_trial({"plain water": few, "rinse": many}, outcome=Trial.Outcome.COLOURS))
    assert (found.route, found.unit) == ("colours", "colours")
    assert found.verdicts[0].headline == "rinse shows more colours than plain water."
    # (9+7+10+8+9)/5 colours per control run.
    assert found.table[0].middle == "8.6"
    assert found.table[0].grade == ""
    assert found.chance[0].startswith("Of the spread between equal portions, counting chance explains all")
    assert "grains to a portion, chance alone gives" in found.chance[1]


def test_a_whole_treatment_failed(db):
    found = found_in(make_trial({"plain water": WATER[:4], "rinse": [FAILED] * 4, "drops": LIKE_WATER[:4]}))
    assert any(
        "4 runs of rinse failed" in sentence and "no analysis of the rest is fair" in sentence
        for sentence in found.alarms
    )
    verdicts = {verdict.headline.split(":")[0]: verdict for verdict in found.verdicts}
    assert "No run of rinse counts" in verdicts["rinse"].explanation
    line = found.table[1]
    assert (line.name, line.counted, line.planned, line.ratio, line.interval, line.grade) == (
        "rinse",
        0,
        4,
        "",
        "",
        "",
    )
    assert {line.left_out for line in found.left_out} == {"tub knocked over"}


def test_a_control_that_failed_wholly_leaves_nothing_to_compare_with(db):
    found = found_in(make_trial({"plain water": [FAILED] * 4, "rinse": WATER[:4]}))
    assert found.route == "none"
    assert "nothing to compare with" in found.verdicts[0].explanation
    assert found.chance == ["No control run can be weighed against chance: none gave a figure."]
    assert found.picture.margin_ratio is None


@pytest.mark.parametrize(
    ("failed", "alarm"),
    [((0, 2), True), ((1, 2), False), ((0, 1), False), ((1, 3), True), ((2, 4), False), ((0, 0), False)],
)
def test_failures_piling_up_in_one_treatment_are_called_out(db, failed: tuple[int, int], alarm: bool):
    water = [FAILED] * failed[0] + WATER[failed[0] :]
    rinse = LIKE_WATER[: 6 - failed[1]] + [FAILED] * failed[1]
    found = found_in(make_trial({"plain water": water, "rinse": rinse}))
    assert any("no analysis of the rest is fair" in sentence for sentence in found.alarms) is alarm
    assert len(found.left_out) == sum(failed)


def test_an_early_end_is_said_on_top(db):
    water, rinse = [*WATER[:3], NOT_DONE], [*LIKE_WATER[:3], NOT_DONE]
    found = found_in(make_trial({"plain water": water, "rinse": rinse}))
    assert "2 of 8 planned runs not done: snow came early." in found.alarms[0]
    assert [line.result for line in found.left_out] == ["not done", "not done"]
    assert not any("left out" in sentence for sentence in found.warnings)


NOTHING = {
    "all below": ({"plain water": [BELOW] * 4, "rinse": [BELOW] * 4}, Trial.Outcome.GOLD_MASS),
    "no colour": ({"plain water": [{"fine": 0}] * 4, "rinse": [{"fine": 0}] * 4}, Trial.Outcome.COLOURS),
    "all failed": ({"plain water": [FAILED] * 3, "rinse": [FAILED] * 3}, Trial.Outcome.GOLD_MASS),
    "none done": ({"plain water": [NOT_DONE] * 3, "rinse": [NOT_DONE] * 3}, Trial.Outcome.COLOURS),
}


@pytest.mark.parametrize(("results", "outcome"), NOTHING.values(), ids=NOTHING.keys())
def test_nothing_to_see_is_said_and_not_drawn(db, results, outcome: str):
    found = found_in(make_trial(results, outcome=outcome))
    assert [verdict.kind for verdict in found.verdicts] == ["not shown"]
    assert found.no_picture
    told = [row.value for line in found.table for row in line.working]
    assert "nan" not in " ".join([*found.chance, *told, *found.warnings])


def test_runs_that_all_agree_are_not_taken_for_certainty(db):
    found = found_in(make_trial({"plain water": [5] * 4, "rinse": [5] * 4}))
    assert found.verdicts[0].kind in ("not shown", "equivalent")
    assert "inf" not in found.table[1].interval


def test_a_control_without_colours_gives_a_limit_and_no_ratio(db):
    water, rinse = [{"fine": 0}] * 4, [{"fine": n} for n in (6, 5, 8, 7)]
    found = found_in(make_trial({"plain water": water, "rinse": rinse}, outcome=Trial.Outcome.COLOURS))
    assert found.table[1].ratio == ""
    assert found.table[1].interval.endswith("or more")
    assert found.picture.margin_ratio is None
    assert not found.no_picture


def test_logged_blind_when_only_the_mixer_saw_the_key(db):
    mixer = make_member()
    found = found_in(
        make_trial(
            {"plain water": WATER, "rinse": LIKE_WATER}, mixer=mixer, key_opened_by=[mixer], dosed=True
        )
    )
    assert found.logged_blind
    assert found.blindness.startswith("Logged blind")


def test_a_technique_cannot_be_hidden_from_whoever_pans(db):
    found = found_in(make_trial({"quick": WATER, "slow": LIKE_WATER}))
    assert not found.logged_blind and "can't be hidden from whoever pans" in found.blindness


def test_a_mixer_who_pans_is_not_blind(db):
    mixer = make_member()
    found = found_in(make_trial({"plain water": WATER, "rinse": LIKE_WATER}, mixer=mixer, panner=mixer))
    assert not found.logged_blind
    assert "12 of 12 runs were panned by someone who had seen the key" in found.blindness


def test_only_runs_logged_after_the_key_was_opened_count_as_seeing(db):
    keeper = make_member("keeper")
    trial = make_trial(
        {"plain water": [*WATER[:3], NOT_DONE], "rinse": [*LIKE_WATER[:3], NOT_DONE]},
        panner=keeper,
        close=False,
    )
    planning.open_key(trial=trial, member=keeper, reason="a label washed off")
    for planned in trial.planned_runs.open():
        running.log_run(
            planned=planned,
            result=_run_result(7.1, keeper, "0.1", ""),
            recorded_by=keeper,
            portion=Portion(mass_g=Decimal(454), typed="454 g"),
        )
    planning.close_trial(trial=trial, closed_by=keeper)
    trial.refresh_from_db()
    found = found_in(trial)
    assert "2 of 8 runs were panned by someone who had seen the key" in found.blindness
    assert "weaker than its figures" in found.blindness
    assert [opening.reason for opening in found.openings] == ["a label washed off"]


def guess_all(trial: Trial, right: int) -> None:
    """Every run guessed, the first so many of them rightly."""
    names = list(trial.treatments.all())
    for number, planned in enumerate(trial.planned_runs.select_related("run")):
        wrong = next(each for each in names if each.pk != planned.treatment_id)
        planned.run.guess_treatment = planned.treatment if number < right else wrong
        planned.run.save(update_fields=["guess_treatment"])


@pytest.mark.parametrize(
    ("right", "luck", "is_blind"),
    # Of 12 guesses between 2, by the binomial distribution (tables, or 299/4096 and 13/4096): 9 or more 1 time in 14,
    # 11 or more 3 in a thousand.
    [(9, "(9 or more by luck: about 1 in 14)", True), (11, "(11 or more by luck: about 1 in 320)", False)],
)
def test_guesses_are_held_against_luck(db, right: int, luck: str, is_blind: bool):
    trial = make_trial({"plain water": WATER, "rinse": LIKE_WATER}, dosed=True)
    guess_all(trial, right)
    found = found_in(trial)
    assert (
        f"was right on {right}; luck alone, among 2 treatments, brings about 6.0 {luck}." in found.blindness
    )
    assert found.logged_blind == is_blind
    assert ("could be told apart" in found.blindness) != is_blind
    assert not any("guessed" in warning for warning in found.warnings)


WARNINGS = {
    "coarse scale": ({"scale_step_mg": "3"}, "The scale's step, 3 mg, is more than a third"),
    "unequal portions": ({"portions_g": ("454", "500")}, "The portions are not equal"),
    "guesses": ({"guess": "rinse"}, "the panner guessed the treatment"),
}


@pytest.mark.parametrize(("fields", "sentence"), WARNINGS.values(), ids=WARNINGS.keys())
def test_a_warning_stands_where_it_is_due_and_only_there(strong: Trial, fields: dict, sentence: str):
    trial = make_trial({"plain water": WATER, "rinse": LIKE_WATER}, **fields)
    assert any(sentence in warning for warning in found_in(trial).warnings)
    assert not any(sentence in warning for warning in found_in(strong).warnings)


def test_portions_within_five_percent_are_equal(db):
    trial = make_trial({"plain water": WATER, "rinse": LIKE_WATER}, portions_g=("454", "476"))
    assert not any("not equal" in warning for warning in found_in(trial).warnings)


def test_undried_ore_is_said_to_be_fine_for_comparing_but_not_for_grades(strong: Trial):
    dry = make_trial(
        {"plain water": WATER[:3], "rinse": LIKE_WATER[:3]}, feed_lot=make_lot("20000", is_dry=True)
    )
    wet = make_trial({"plain water": WATER[:3], "rinse": LIKE_WATER[:3]}, feed_lot=make_lot("20000"))
    assert not any("not marked as dried" in warning for warning in found_in(dry).warnings)
    assert any("not marked as dried" in warning for warning in found_in(wet).warnings)


def test_chance_is_reckoned_from_counted_colours_where_there_are_any(db):
    trial = make_trial({"plain water": WATER, "rinse": LIKE_WATER})
    guessed = found_in(trial)
    # 0.1 mg (flour) to 2.6 mg (fine) a grain in 6.8 mg: the share is chance's variance over the variance seen.
    seen = stdev(WATER) / mean(WATER)
    shares = [grain / mean(WATER) / seen**2 for grain in (31103.4768 / 300_000, 31103.4768 / 12_000)]
    assert shares[0] == pytest.approx(0.61, abs=0.01) and shares[1] > 1
    assert (
        "counting chance explains anything from two thirds to all: no colours were counted"
        in guessed.chance[0]
    )
    assert "only be guessed" in guessed.chance[1]
    assert guessed.chance_working.rows[-1].label == "Spread of the control runs"
    for planned in trial.planned_runs.filter(treatment__is_control=True):
        planned.run.colours.create(size_class="very_fine", count=9)
    counted = found_in(trial)
    assert "With about 9 grains to a portion" in counted.chance[1]
    # One class: relative spread of a count of 9 is 1/sqrt(9) (Poisson), whatever a grain weighs.
    assert float(counted.chance_working.rows[-1].value) == pytest.approx(1 / 3, rel=2e-3)


def test_every_run_is_an_input_of_the_working_with_its_link(strong: Trial):
    found = found_in(strong)
    inputs = [given for line in found.table for given in line.working.rows[0].inputs]
    assert {link for *_, link in inputs} == {line.run.get_absolute_url() for line in found.runs}
    assert len(inputs) == 12
    labels = " ".join(row.label for row in found.table[1].working)
    for figure in (
        "gold more or less per portion",
        "recovered grade",
        "could have seen",
        "interval for equivalence",
    ):
        assert figure in labels
