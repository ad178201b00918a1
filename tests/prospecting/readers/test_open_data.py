"""Open data with values below several limits, printed as a certificate, read, and summed up: the published summary comes out.

The data stand in fixtures/reference/grade_sampling_assay.json with their sources: manganese in ground water, ppb, of the US
EPA's Unified Guidance (2009), example 15-1, and arsenic in a stream of Helsel, Nondetects and Data Analysis (2005), chapter 6.
They are no gold; what is checked is that no `<` turns into a figure between the paper and the statistics.
"""

import json
from pathlib import Path

import pytest

from prospecting.calc import censored
from prospecting.readers.certificate_csv import read_certificate
from tests.prospecting.readers.test_sheet_table import make_book

CASES = Path(__file__).parents[3] / "fixtures" / "reference" / "grade_sampling_assay.json"


def case(pk: str) -> dict:
    return next(each for each in json.loads(CASES.read_text()) if each["id"] == pk)


def printed(found: dict) -> list[str]:
    inputs = found["inputs"]
    pairs = zip(inputs["value_or_detection_limit"], inputs["censored"], strict=True)
    return [f"<{figure:g}" if is_below else f"{figure:g}" for figure, is_below in pairs]


def as_text(cells: list[str]) -> bytes:
    return ("Tag;Au ppb\n" + "".join(f"T{n};{cell}\n" for n, cell in enumerate(cells, start=1))).encode()


def as_spreadsheet(cells: list[str]) -> bytes:
    """Limits as many laboratories write them: a figure that only its number format marks as one."""
    formats = {f"B{n}": '"<"General' for n, cell in enumerate(cells, start=2) if cell.startswith("<")}
    rows = [[f"T{n}", float(cell.lstrip("<"))] for n, cell in enumerate(cells, start=1)]
    return make_book(["Tag", "Au ppb"], *rows, formats=formats)


@pytest.mark.parametrize("form", [as_text, as_spreadsheet])
@pytest.mark.parametrize("pk", ["h06", "h07"])
def test_published_summary_comes_out(pk, form):
    found = case(pk)
    readings = [row.readings[0] for row in read_certificate(form(printed(found))).rows]
    below = [reading.symbol == "below" for reading in readings]
    assert (len(readings), sum(below)) == (found["expected"]["n"], found["expected"]["n_censored"])
    # Back to ppb, the unit of the source.
    figures = [float((reading.grade_g_per_t or reading.limit_g_per_t) * 1000) for reading in readings]
    wanted, tolerance = found["expected"], found["rel_tol"]
    ros = censored.robust_ros(figures, below)
    assert ros.mean == pytest.approx(wanted["robust_ros_mean"], rel=tolerance)
    assert censored.half_limit_mean(figures, below) == pytest.approx(
        wanted["half_dl_substitution_mean"], rel=tolerance
    )
