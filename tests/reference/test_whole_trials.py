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
from trials.frames.books import faults_of_plans
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


def transformed(case: dict) -> Runs:
    """The values as the published analysis took them."""
    take = {"log": math.log, "sqrt(x+1)": lambda value: math.sqrt(value + 1)}.get(
        case["inputs"].get("transform"), float
    )
    return [(name, block, None if value is None else take(value)) for name, block, value in by_block(case)]


def in_one_order(groups: Mapping[str, Sequence[float]]) -> Runs:
    return [(name, "", float(value)) for name, row in groups.items() for value in row]


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
# ts010: Montgomery & Runger's fabric strength with one cell missing; ts011: logarithms of gold, two missing: least-squares means,
# not raw ones.
@pytest.mark.parametrize("name", [pytest.param("ts010", marks=pytest.mark.long), "ts011"])
def test_blocks_with_cells_missing(name):
    case = CASES[name]
    control, expected = case["inputs"]["control"], case["expected"]
    runs = transformed(case)
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
# ts015: Dunnett's blood counts, as quoted from R multcomp in the tests of SciPy; 6, 4 and 5 values, no blocks.
# ts017: plant growth (R datasets::PlantGrowth), ten values each.
@pytest.mark.parametrize("name", ["ts015", pytest.param("ts017", marks=pytest.mark.long)])
def test_one_order_against_a_control(name):
    case = CASES[name]
    runs = in_one_order(case["inputs"]["groups"])
    minutes, factor = as_minutes([value for *_, value in runs])
    control = case["inputs"]["control"]
    trial = imported(runs, {"gold_mg": [1] * len(runs), "pan_min": minutes}, "gold_mass", control)
    assert trial.design == Trial.Design.RANDOM
    check_dunnett(trial, case, factor)


def check_plain_analysis(runs: Runs, *, df: int, error_ms: float, squares: Sequence[str] = ()) -> Trial:
    """A balanced trial by its published error: means, their differences from the first treatment's, each with that error."""
    names = list(dict.fromkeys(name for name, *_ in runs))
    values = [value for *_, value in runs]
    minutes, factor = as_minutes(values)
    columns = {"gold_mg": [1] * len(runs), "pan_min": minutes}
    if squares:
        columns["order"] = squares
    trial = imported(runs, columns, "gold_mass", names[0])
    rows = working_of_minutes(trial)
    reach = next(row for label, row in rows.items() if label.startswith("Standard errors each way"))
    assert int(reach["degrees of freedom"]) == df
    of = {name: [value for each, _, value in runs if each == name] for name in names}
    mean = {name: sum(each) / len(each) for name, each in of.items()}
    error = math.sqrt(2 * error_ms / len(of[names[0]]))
    for name in names[1:]:
        row = rows[f"{name} / {names[0]}"]
        assert float(row["difference of ln means"]) == pytest.approx(
            factor * (mean[name] - mean[names[0]]), rel=WRITTEN, abs=5e-4
        )
        assert close_to(row["standard error"], factor * error)
    return trial


@pytest.mark.django_db
# ts007: Gomez & Gomez (1984) p. 26, rice; ts008: Pinheiro & Bates (2000), nine people as blocks; ts009: gold on its log scale.
@pytest.mark.parametrize(
    "name",
    ["ts008", pytest.param("ts007", marks=pytest.mark.long), pytest.param("ts009", marks=pytest.mark.long)],
)
def test_whole_blocks(name):
    case = CASES[name]
    expected = case["expected"]
    trial = check_plain_analysis(transformed(case), df=expected["df_error"], error_ms=expected["ms_error"])
    assert trial.design == Trial.Design.BLOCKS


@pytest.mark.django_db
# ts001: NIST SiRstv, certified; ts002 and ts003: NIST SmLs01 and SmLs04, the same numbers a million apart; ts004: plant growth.
@pytest.mark.parametrize(
    "name", ["ts001", *(pytest.param(name, marks=pytest.mark.long) for name in ("ts002", "ts003", "ts004"))]
)
def test_groups_in_one_order(name):
    case = CASES[name]
    expected = case["expected"]
    check_plain_analysis(
        in_one_order(case["inputs"]["groups"]), df=expected["df_within"], error_ms=expected["ms_within"]
    )


@pytest.mark.django_db
# ts054: tooth growth (R datasets::ToothGrowth), 2 x 3; ts055: Box & Cox (1964), survival times, 3 x 4. A table names treatments
# and no factors, so each combination is a treatment; the error is the same.
@pytest.mark.parametrize("name", [pytest.param(name, marks=pytest.mark.long) for name in ("ts054", "ts055")])
def test_combinations_as_treatments(name):
    case = CASES[name]
    cells = {
        f"{one} at {other}": values
        for one, row in case["inputs"]["cells"].items()
        for other, values in row.items()
    }
    expected = case["expected"]
    check_plain_analysis(
        in_one_order(cells), df=expected["df_error"], error_ms=expected["ss_error"] / expected["df_error"]
    )


@pytest.mark.django_db
# ts012: Goulden (1952) p. 216, wheat rust; ts013: Cochran (1938), counts, root of count + 1.
@pytest.mark.parametrize("name", ["ts012", pytest.param("ts013", marks=pytest.mark.long)])
def test_latin_squares(name):
    """A row is a block, a column a place in the order; each treatment stands once in both, and both are taken out."""
    case = CASES[name]
    take = math.sqrt if "transform" in case["inputs"] else float
    more = 1 if "transform" in case["inputs"] else 0
    cells = [
        (treatment, str(row), take(value + more), 5 * row + column + 1)
        for row, (treatments, values) in enumerate(
            zip(case["inputs"]["treatments_by_row"], case["inputs"]["values_by_row"], strict=True)
        )
        for column, (treatment, value) in enumerate(zip(treatments, values, strict=True))
    ]
    cells.sort(key=lambda cell: cell[0])
    expected = case["expected"]
    trial = check_plain_analysis(
        [cell[:3] for cell in cells],
        df=expected["df_error"],
        error_ms=expected["ss_error"] / expected["df_error"],
        squares=[str(cell[3]) for cell in cells],
    )
    assert (trial.design, trial.order_is_known) == (Trial.Design.LATIN, True)
    planned = trial.planned_runs.select_related("treatment", "block")
    square = {(each.block.number, each.position): each.treatment.name for each in planned}
    for row, treatments in enumerate(case["inputs"]["treatments_by_row"], start=1):
        assert [square[row, place] for place in range(1, 6)] == treatments
    assert list(faults_of_plans()) == []


@pytest.mark.django_db
def test_an_order_that_makes_no_square_is_one_of_blocks():
    # ts012 with the first two places of its first row exchanged.
    rows = [list(row) for row in CASES["ts012"]["inputs"]["treatments_by_row"]]
    rows[0][:2] = reversed(rows[0][:2])
    runs = [(name, str(number), 5.0) for number, row in enumerate(rows) for name in row]
    columns = {"gold_mg": [5] * len(runs), "order": range(1, len(runs) + 1)}
    assert imported(runs, columns, "gold_mass", "A").design == Trial.Design.BLOCKS


@pytest.mark.django_db
def test_pairs_of_one_sleeper():
    # ts066: Student (1908), hours of sleep gained with either drug by ten sleepers (R datasets::sleep): a block of two each.
    case = CASES["ts066"]
    runs = [
        (drug, str(sleeper), hours)
        for drug in ("y", "x")
        for sleeper, hours in enumerate(case["inputs"][drug], start=1)
    ]
    expected = case["expected"]
    # Twice the error over the number of sleepers is the square of the standard error of their mean difference.
    check_plain_analysis(runs, df=expected["df"], error_ms=10 * expected["se"] ** 2 / 2)


@pytest.mark.django_db
@pytest.mark.long
def test_two_yields_without_blocks():
    # ts061: crop yields of 13 and 16 plots, as quoted in the tests of TOSTER: difference, standard error, degrees of freedom.
    case = CASES["ts061"]
    runs = in_one_order({name: case["inputs"][name] for name in ("y", "x")})
    minutes, factor = as_minutes([value for *_, value in runs])
    trial = imported(runs, {"gold_mg": [1] * len(runs), "pan_min": minutes}, "gold_mass", "y")
    row, expected = working_of_minutes(trial)["x / y"], case["expected"]
    assert close_to(row["difference of ln means"], factor * expected["difference"])
    assert close_to(row["standard error"], factor * expected["se"])


@pytest.mark.django_db
@pytest.mark.long
def test_places_with_ties():
    # ts026: Hollander & Wolfe (1973) p. 140, three ways to round first base, 22 players: the quickest has place 1.
    case = CASES["ts026"]
    ways = ("round out", "narrow angle", "wide angle")
    runs, places = [], []
    for player, times in enumerate(case["inputs"]["rows_are_blocks"], start=1):
        for way, seconds in zip(ways, times, strict=True):
            runs.append((way, str(player), seconds))
            places.append(1 + sum(other < seconds for other in times))
    trial = imported(runs, {"place": places}, "places", "wide angle")
    found = verdict_of(trial, trial.recorded_by)
    published = dict(zip(ways, case["expected"]["rank_sums"], strict=True))
    assert {line.name: float(line.middle) for line in found.table} == pytest.approx(
        {way: total / 22 for way, total in published.items()}, rel=WRITTEN
    )


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
