from decimal import Decimal

import pytest

from prospecting.calc.label_sheets import A4, TAPES, US_LETTER, USUAL_SHEETS, LabelSheet, tape_sheet


def test_papers_have_their_standard_sizes():
    # ISO 216 (A4); 8 1/2 by 11 inches of 25.4 mm (ASME Y14.1, size A). From memory.
    assert (A4.width_mm, A4.height_mm) == (210, 297)
    assert (US_LETTER.width_mm, US_LETTER.height_mm) == (
        Decimal("8.5") * Decimal("25.4"),
        11 * Decimal("25.4"),
    )


@pytest.mark.parametrize("sheet", [*USUAL_SHEETS, *map(tape_sheet, TAPES.values())], ids=str)
def test_labels_lie_on_the_paper_and_apart(sheet):
    places = sheet.places()
    assert len(places) == sheet.columns * sheet.rows
    for x, y in places:
        assert x >= 0
        assert y >= 0
        assert x + sheet.width_mm <= sheet.paper.width_mm
        assert y + sheet.height_mm <= sheet.paper.height_mm
    for number, (x, y) in enumerate(places):
        for other_x, other_y in places[:number]:
            assert abs(x - other_x) >= sheet.width_mm or abs(y - other_y) >= sheet.height_mm


def test_goes_row_by_row_from_the_upper_left_with_gaps_and_margins():
    sheet = LabelSheet(
        A4,
        columns=2,
        rows=2,
        width_mm=Decimal(50),
        height_mm=Decimal(30),
        gap_across_mm=Decimal(4),
        gap_down_mm=Decimal(2),
        left_mm=Decimal(7),
        top_mm=Decimal(9),
    )
    assert sheet.places() == [(7, 9), (61, 9), (7, 41), (61, 41)]


def test_without_margins_as_much_is_left_on_both_sides():
    # Worked by hand: (210 - 2 x 50) / 2 = 55, (297 - 30) / 2 = 133.5.
    sheet = LabelSheet(A4, columns=2, rows=1, width_mm=Decimal(50), height_mm=Decimal(30))
    assert sheet.places() == [(55, Decimal("133.5")), (105, Decimal("133.5"))]


@pytest.mark.parametrize(
    ("measures", "way"),
    [
        ({"columns": 4}, "across"),
        ({"rows": 9}, "down"),
        ({"gap_across_mm": Decimal(1)}, "across"),
        ({"left_mm": Decimal(1)}, "across"),
        ({"top_mm": Decimal(2)}, "down"),
    ],
)
def test_labels_off_the_paper_are_refused(measures, way):
    full = {"columns": 3, "rows": 8, "width_mm": Decimal(70), "height_mm": Decimal(37)}
    LabelSheet(A4, **full)
    with pytest.raises(ValueError, match=f"do not fit {way}: they take"):
        LabelSheet(A4, **(full | measures))
