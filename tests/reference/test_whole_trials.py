"""Published trials go through the import like anybody's table, and the pages' figures equal the published ones.

Weighed gold is judged on the site by ratios of expected gold (quasi-likelihood), minutes of panning by ratios of logarithms
(least squares, Dunnett), colours by a log-linear fit of counts, places within blocks. A published analysis of plain values by
least squares is met in two ways: entered as milligrams, means and differences of a balanced trial are the same in either model;
entered as minutes whose logarithm the values are (up to a factor), standard errors, t and Dunnett's limits are too.
"""

import json
import math
from collections.abc import Mapping, Sequence
from decimal import Decimal
from pathlib import Path

import pytest

from tests import make
from trials.actions.importing import ImportedTrial, import_trial
from trials.calc.working import WorkingRow
from trials.frames.outcomes import outcomes_of
from trials.frames.verdicts import TrialVerdict, verdict_of
from trials.models import Trial
from trials.readers.run_table import read_run_table

CASES = {
    case["id"]: case
    for case in json.loads(
        (Path(__file__).parents[2] / "fixtures" / "reference" / "trial_statistics.json").read_text()
    )
}
# Logarithms of minutes span this much, so that a tenth of a minute, which the books keep, is one part in 100,000.
SPAN, MIDDLE_MIN = 2.4, 20_000
# The page writes three figures.
WRITTEN = 6e-3

Runs = Sequence[tuple[str, str, float | None]]


def by_block(case: dict) -> Runs:
    table, blocks = case["inputs"]["table"], case["inputs"]["blocks"]
    return [
        (name, block, value) for name, row in table.items() for block, value in zip(blocks, row, strict=True)
    ]


def imported(runs: Runs, columns: Mapping[str, Sequence], outcome: str, control: str) -> Trial:
    """The runs through a CSV file, the reader and the action; a value of None is a place of the plan without a run."""
    names = ["treatment", "block", "state", *columns]
    lines = [",".join(names)]
    for place, (name, block, value) in enumerate(runs):
        state = "not done" if value is None else "stands"
        cells = ["" if value is None else str(column[place]) for column in columns.values()]
        lines.append(",".join([name, block, state, *cells]))
    keeper = make.make_member("keeper")
    facts = ImportedTrial(
        question="A published trial",
        feed_lot=make.make_lot("40000"),
        outcome=outcome,
        control=control,
        smallest_ratio=Decimal("1.25"),
        portion_mass_g=Decimal(100),
        portion_typed="100 g",
        water_ml=Decimal(9000),
        water_typed="9 L",
        panned_on=make.DAY,
        done_by=keeper,
        scale_step_mg=Decimal("0.01"),
    )
    table = read_run_table("\n".join(lines).encode())
    return import_trial(facts=facts, table=table, file_name="published.csv", recorded_by=keeper)


def as_minutes(values: Sequence[float | None]) -> tuple[list[str], float]:
    """Minutes whose logarithms are the values times a factor, and the factor."""
    known = [value for value in values if value is not None]
    low, high = min(known), max(known)
    factor = SPAN / (high - low)
    return [
        "" if value is None else f"{MIDDLE_MIN * math.exp(factor * (value - (low + high) / 2)):.1f}"
        for value in values
    ], factor


def working_of_minutes(trial: Trial) -> dict[str, dict[str, str]]:
    """By label of the working of minutes: the inputs as the page writes them, and what they give."""
    found = outcomes_of(trial, trial.recorded_by)
    section = next(section for section in found.sections if section.key == "minutes")
    return {
        row.label: {name: value for name, value, *_ in row.inputs} | {"gives": row.value}
        for row in section.working.rows
    }


def working_of(found: TrialVerdict) -> list[WorkingRow]:
    """What the verdict's page shows of its working: of all treatments, and of each."""
    return [row for working in (found.working, *(line.working for line in found.table)) for row in working]


def close_to(written: str, published: float) -> bool:
    return math.isclose(float(written), published, rel_tol=WRITTEN)


def check_dunnett(trial: Trial, case: dict, factor: float) -> None:
    """Difference, t, df, critical value and limits of the minutes, beside the published ones."""
    rows, expected, control = working_of_minutes(trial), case["expected"], case["inputs"]["control"]
    reach = next(row for label, row in rows.items() if label.startswith("Standard errors each way"))
    assert int(reach["degrees of freedom"]) == expected["df"]
    assert math.isclose(float(reach["gives"]), expected["critical_t"], rel_tol=5e-4)
    for name, difference in expected["difference"].items():
        row = rows[f"{name} / {control}"]
        assert close_to(row["difference of ln means"], factor * difference)
        assert close_to(row["standard error"], factor * difference / expected["t"][name])
        ratio, limits = row["gives"].rstrip(")").split(" (")
        lower, upper = limits.split(" to ")
        for written, published in (
            (ratio, difference),
            (lower, expected["lower"][name]),
            (upper, expected["upper"][name]),
        ):
            assert close_to(written, math.exp(factor * published))


@pytest.mark.django_db
def test_blocks_of_fabric_strength():
    # ts006 and ts018: Montgomery & Runger, Example 13-5, Table 13-12.
    means, dunnett = CASES["ts006"], CASES["ts018"]
    runs = by_block(means)
    values = [value for *_, value in runs]
    minutes, factor = as_minutes(values)
    trial = imported(runs, {"gold_mg": values, "pan_min": minutes}, "gold_mass", "chemical 1")
    # Weighed gold: in a whole plan the expected gold, averaged over the blocks, is the plain mean, and the gain their difference.
    found = verdict_of(trial, trial.recorded_by)
    published = means["expected"]["means"]
    assert {line.name: float(line.middle) for line in found.table} == pytest.approx(published, rel=WRITTEN)
    gains = {line.name: line.more_gold for line in found.table if not line.is_control}
    assert {name: float(text.lstrip("+").removesuffix(" mg")) for name, text in gains.items()} == (
        pytest.approx(dunnett["expected"]["difference"], rel=WRITTEN)
    )
    check_dunnett(trial, dunnett, factor)
    # The plain interval of a difference, from the same standard error: half width t(0.975, 12) x se.
    row = working_of_minutes(trial)["chemical 2 / chemical 1"]
    assert close_to(row["standard error"], factor * means["expected"]["se_difference"])


@pytest.mark.django_db
def test_blocks_with_cells_missing():
    # ts011: logarithms of gold, two cells missing: least-squares means, not raw ones.
    case = CASES["ts011"]
    table, control, expected = case["inputs"]["table"], case["inputs"]["control"], case["expected"]
    runs = [
        (treatment, block, None if value is None else math.log(value))
        for treatment, row in table.items()
        for block, value in zip(case["inputs"]["blocks"], row, strict=True)
    ]
    minutes, factor = as_minutes([value for *_, value in runs])
    trial = imported(runs, {"gold_mg": [1] * len(runs), "pan_min": minutes}, "gold_mass", control)
    assert trial.close_reason.startswith("Typed in afterwards")
    rows = working_of_minutes(trial)
    reach = next(row for label, row in rows.items() if label.startswith("Standard errors each way"))
    assert int(reach["degrees of freedom"]) == expected["df_error"]
    for treatment, difference in expected["difference_from_control"].items():
        row = rows[f"{treatment} / {control}"]
        assert close_to(row["difference of ln means"], factor * difference)
        assert close_to(row["standard error"], factor * expected["se_difference_from_control"][treatment])


@pytest.mark.django_db
def test_one_order_with_unequal_numbers():
    # ts015: Dunnett's blood counts, as quoted from R multcomp in the tests of SciPy; 6, 4 and 5 values, no blocks.
    case = CASES["ts015"]
    runs = [(name, "", value) for name, row in case["inputs"]["groups"].items() for value in row]
    minutes, factor = as_minutes([value for *_, value in runs])
    trial = imported(runs, {"gold_mg": [1] * len(runs), "pan_min": minutes}, "gold_mass", "control")
    assert trial.design == Trial.Design.RANDOM
    check_dunnett(trial, case, factor)


@pytest.mark.django_db
def test_rows_of_four_pans():
    # ts033: six rows of four pans. Its exact level is of one pair at a time with Bonferroni's factor, ours of the largest
    # difference of all treatments: rank sums agree, levels need not.
    case = CASES["ts033"]
    names, control = case["inputs"]["treatments"], case["inputs"]["control"]
    runs = [
        (name, str(number), float(place))
        for number, row in enumerate(case["inputs"]["rows_are_blocks"], start=1)
        for name, place in zip(names, row, strict=True)
    ]
    trial = imported(runs, {"place": [int(value) for *_, value in runs]}, "places", control)
    found = verdict_of(trial, trial.recorded_by)
    sums = dict(zip(names, CASES["ts027"]["expected"]["rank_sums"], strict=True))
    assert {line.name: float(line.middle) for line in found.table} == pytest.approx(
        {name: total / 6 for name, total in sums.items()}, rel=WRITTEN
    )
    shown = working_of(found)
    for name, difference in case["expected"]["rank_sum_difference"].items():
        row = next(row for row in shown if row.label.startswith(f"{name}: places"))
        # 1 is most gold on the site: a larger rank sum is less.
        assert float(dict(each[:2] for each in row.inputs)["difference of rank sums"]) == -difference


@pytest.mark.long
@pytest.mark.django_db
def test_counts_of_insects():
    # ts101: insect counts by spray (R datasets::InsectSprays): dispersion of a Poisson fit, 72 runs in one order.
    case = CASES["ts101"]
    runs = [(name, "", value) for name, row in case["inputs"]["groups"].items() for value in row]
    trial = imported(runs, {"colours_fine": [int(value) for *_, value in runs]}, "colours", "C")
    found = verdict_of(trial, trial.recorded_by)
    row = next(row for row in working_of(found) if row.label.startswith("Dispersion"))
    given = dict(each[:2] for each in row.inputs)
    assert int(given["degrees of freedom"]) == case["expected"]["df"]
    assert close_to(given["Pearson chi-squared"], case["expected"]["pearson_chi2"])
    assert close_to(row.value, case["expected"]["dispersion"])
    # Mean counts of a run, as the groups' plain means.
    published = {name: sum(row) / len(row) for name, row in case["inputs"]["groups"].items()}
    assert {line.name: float(line.middle) for line in found.table} == pytest.approx(published, rel=WRITTEN)
