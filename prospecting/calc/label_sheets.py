"""Where labels lie on a sheet of paper, from plain geometry. All lengths in mm."""

from dataclasses import dataclass
from decimal import Decimal

from prospecting.calc.language import phrase, to_phrase

NOUGHT = Decimal(0)
# Half the width of a fine line: what rounding a label maker's measures from inches may be off by.
SLACK_MM = Decimal("0.2")


@dataclass(frozen=True)
class Paper:
    """One sheet, or one piece of tape with `height_mm` the width of the tape. `name` is also its style sheet's."""

    name: str
    width_mm: Decimal
    height_mm: Decimal


# A4: ISO 216. US Letter, 8 1/2 by 11 inches: ASME Y14.1, size A. Both from memory.
A4 = Paper("a4", Decimal(210), Decimal(297))
US_LETTER = Paper("us-letter", Decimal("215.9"), Decimal("279.4"))
# The widths tape is sold in (common practice, no source); the lengths are ours, enough for code, day and zone.
TAPES = {
    12: Paper("tape-12", Decimal(62), Decimal(12)),
    18: Paper("tape-18", Decimal(72), Decimal(18)),
    24: Paper("tape-24", Decimal(80), Decimal(24)),
}


@dataclass(frozen=True)
class LabelSheet:
    """Labels in columns and rows. A margin that is not given leaves as much on the other side.

    Raises ValueError with a sentence when the labels do not lie on the paper.

    >>> sheet = LabelSheet(A4, columns=3, rows=8, width_mm=Decimal(70), height_mm=Decimal(37))
    >>> sheet.places()[4]
    (Decimal('70'), Decimal('37.5'))
    """

    paper: Paper
    columns: int
    rows: int
    width_mm: Decimal
    height_mm: Decimal
    gap_across_mm: Decimal = NOUGHT
    gap_down_mm: Decimal = NOUGHT
    left_mm: Decimal | None = None
    top_mm: Decimal | None = None

    def __post_init__(self) -> None:
        for way, start, used, room in (
            (to_phrase("across"), self.left_mm, self.used_across_mm, self.paper.width_mm),
            (to_phrase("down"), self.top_mm, self.used_down_mm, self.paper.height_mm),
        ):
            if used + (start or NOUGHT) <= room + SLACK_MM:
                continue
            lengths = {"used": used, "room": room}
            if start:
                raise ValueError(
                    phrase(
                        "The labels do not fit {way}: they take {used} mm and a margin of {margin} mm, the paper has "
                        "{room} mm.",
                        way=phrase(way),
                        margin=start,
                        **lengths,
                    )
                )
            raise ValueError(
                phrase(
                    "The labels do not fit {way}: they take {used} mm, the paper has {room} mm.",
                    way=phrase(way),
                    **lengths,
                )
            )

    @property
    def used_across_mm(self) -> Decimal:
        return self.columns * self.width_mm + (self.columns - 1) * self.gap_across_mm

    @property
    def used_down_mm(self) -> Decimal:
        return self.rows * self.height_mm + (self.rows - 1) * self.gap_down_mm

    def places(self) -> list[tuple[Decimal, Decimal]]:
        """The upper left corner (x, y) of each label, row by row from the left."""
        left = (self.paper.width_mm - self.used_across_mm) / 2 if self.left_mm is None else self.left_mm
        top = (self.paper.height_mm - self.used_down_mm) / 2 if self.top_mm is None else self.top_mm
        return [
            (
                left + column * (self.width_mm + self.gap_across_mm),
                top + row * (self.height_mm + self.gap_down_mm),
            )
            for row in range(self.rows)
            for column in range(self.columns)
        ]


def tape_sheet(paper: Paper) -> LabelSheet:
    """One tag that fills its piece of tape."""
    return LabelSheet(paper, columns=1, rows=1, width_mm=paper.width_mm, height_mm=paper.height_mm)


def _sheet(paper: Paper, columns: int, rows: int, width: str, height: str, across: str = "0") -> LabelSheet:
    return LabelSheet(paper, columns, rows, Decimal(width), Decimal(height), gap_across_mm=Decimal(across))


# Usual cuttings of plain label sheets; common practice, measures from memory. Each is centred on its paper.
USUAL_SHEETS = (
    _sheet(A4, 2, 4, "99.1", "67.7", "2.5"),
    _sheet(A4, 2, 7, "99.1", "38.1", "2.5"),
    _sheet(A4, 3, 7, "63.5", "38.1", "2.5"),
    _sheet(A4, 3, 8, "70", "37"),
    _sheet(A4, 5, 13, "38.1", "21.2", "2.5"),
    _sheet(US_LETTER, 2, 3, "101.6", "84.7", "4.8"),
    _sheet(US_LETTER, 2, 5, "101.6", "50.8", "4.8"),
    _sheet(US_LETTER, 3, 10, "66.7", "25.4", "3.2"),
)
