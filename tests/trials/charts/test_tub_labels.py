"""Labels of tubs: on the paper, within their edges, and silent about the key."""

import pytest

from prospecting.calc.label_sheets import TAPES, USUAL_SHEETS, tape_sheet
from tests.trials.make_trial import make_running
from trials.charts.tub_labels import draw_labels, label_lines

pytestmark = pytest.mark.django_db

SHEETS = [*USUAL_SHEETS, *map(tape_sheet, TAPES.values())]


@pytest.mark.parametrize(
    "sheet", SHEETS, ids=lambda sheet: f"{sheet.paper.name} {sheet.columns}x{sheet.rows}"
)
def test_every_line_stands_inside_its_label(sheet):
    trial = make_running(names=("plain water", "rinse"), blocks=3, design="blocks")
    pages = draw_labels(trial.planned_runs.blind(), trial, sheet)
    labels = [label for page in pages for label in page.labels]
    assert [label.code.text for label in labels] == list(
        trial.planned_runs.values_list("blind_code", flat=True)
    )
    for label in labels:
        height, width = float(label.height), float(label.width)
        bottoms = [float(line.y) for line in (label.code, *label.lines)]
        assert bottoms == sorted(bottoms)
        assert bottoms[-1] + 0.25 * float(label.lines[-1].size) <= height
        # A sign of the fixed-width font is 0.61 of its size wide.
        assert float(label.code.x) + 0.61 * len(label.code.text) * float(label.code.size) <= width
        # The code is the largest thing on it.
        assert float(label.code.size) > 2 * float(label.lines[0].size)


def test_used_labels_are_left_free():
    trial = make_running(blocks=3)
    sheet = USUAL_SHEETS[0]
    pages = draw_labels(trial.planned_runs.blind(), trial, sheet, first_label=7)
    assert [len(page.labels) for page in pages] == [2, 4]


def test_says_where_a_run_stands_in_each_design():
    names = ("plain water", "a", "b")
    first = {
        design: label_lines(trial.planned_runs.blind().first(), trial)[0].split(", ", 1)[1]
        for design in ("blocks", "latin", "random")
        for trial in [make_running(names=names, blocks=3, design=design)]
    }
    assert first == {"blocks": "run 1, block 1", "latin": "run 1, row 1, place 1", "random": "run 1"}


def test_never_reads_a_treatment(django_assert_num_queries):
    trial = make_running(names=("plain water", "wonder rinse"))
    for planned in trial.planned_runs.blind():
        with django_assert_num_queries(0):
            assert "wonder" not in " ".join(label_lines(planned, trial))
        assert "treatment_id" not in planned.__dict__
