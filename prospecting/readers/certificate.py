"""What a laboratory's certificate says: columns, lines of samples, readings, and what is unclear about them."""

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal

from prospecting.calc.language import phrase
from prospecting.readers.header_facts import read_day
from prospecting.readers.text_table import Line


@dataclass(frozen=True)
class Role:
    """What a member may take a column for: its meaning, the part of a screen fire assay, and whether it repeats."""

    meaning: str
    part: str = ""
    repeat_mark: str = ""


ROLES: dict[str, Role] = {
    "gold": Role("grade"),
    "repeat": Role("grade", repeat_mark="repeat"),
    "plus_mass": Role("mass", "plus"),
    "plus_gold": Role("gold mass", "plus"),
    "plus_grade": Role("grade", "plus"),
    "minus_mass": Role("mass", "minus"),
    "minus_grade": Role("grade", "minus"),
    "mass": Role("mass"),
    "other": Role("other"),
}
# What makes a column one of readings.
GOLD_ROLES = ("gold", "repeat", "plus_gold", "plus_grade", "minus_grade")


@dataclass(frozen=True)
class Choices:
    """A member's answers about a table. Columns count from 0.

    `units` are keys of GRADE_UNITS or names that `calc.units` has for them, for a mass g, kg or mg; `roles` are keys of ROLES;
    `title_line` is the line that holds the titles, `sheet` the name of the sheet.
    """

    tag_column: int | None = None
    units: Mapping[int, str] = field(default_factory=dict)
    roles: Mapping[int, str] = field(default_factory=dict)
    methods: Mapping[int, str] = field(default_factory=dict)
    title_line: int | None = None
    sheet: str | None = None

    @property
    def gold_columns(self) -> list[int]:
        return sorted(index for index, role in self.roles.items() if role in GOLD_ROLES)


def method_kept(method: str, repeat_mark: str) -> str:
    """How the method of a reading is kept: as printed, with the mark of a repeat behind it."""
    return ", ".join(filter(None, [method[:60], repeat_mark]))


class TableUnknown(ValueError):
    """A table was found, yet not which column holds the tags or the gold: a member can say it by the titles."""

    def __init__(self, sentence: str, *, title_line: Line, sheet: str) -> None:
        super().__init__(sentence)
        self.title_line = title_line
        self.sheet = sheet


@dataclass(frozen=True)
class Column:
    """One column. `unit` is a key of GRADE_UNITS for gold, as printed for a mass, None where unknown.

    `repeat_mark` is "repeat", "duplicate" or "check" where the title says so; `part` is "plus" or "minus" where the column
    speaks of that part of a screen fire assay.
    """

    index: int
    title: str
    meaning: str  # "tag", "grade", "gold mass", "mass" or "other"
    method: str = ""
    unit: str | None = None
    lower_limit_g_per_t: Decimal | None = None
    repeat_mark: str = ""
    part: str = ""

    @property
    def number(self) -> int:
        """As people count, from 1."""
        return self.index + 1

    @property
    def holds_readings(self) -> bool:
        return self.meaning in ("grade", "gold mass")

    @property
    def role(self) -> str:
        """The key of ROLES that says what this column was taken for; nothing for the tags."""
        repeat_mark = "repeat" if self.repeat_mark and not self.part else ""
        found = Role(self.meaning, self.part, repeat_mark)
        return next((name for name, role in ROLES.items() if role == found), "")

    def __str__(self) -> str:
        if self.title:
            return phrase("column {number} ({title})", number=self.number, title=self.title)
        return phrase("column {number}", number=self.number)


@dataclass(frozen=True)
class ParsedReading:
    """One cell of a gold column, as printed and as understood. A value has a grade, `<` and `>` a limit, the rest neither.

    `fraction` is the part of a screen fire assay it speaks of, "plus" or "minus", with that part's mass where it is printed.
    """

    column_index: int
    method: str
    unit: str | None
    raw_text: str
    symbol: str
    grade_g_per_t: Decimal | None
    limit_g_per_t: Decimal | None
    fraction: str = ""
    fraction_mass_g: Decimal | None = None


@dataclass(frozen=True)
class Row:
    """One line of a sample. `tag_text` is the tag without blanks around it and without a repeat mark behind it.

    `repeat` is 0 for the first line of a tag, 1 for the next; `cells` is the whole line as printed.
    """

    line_number: int
    tag_text: str
    readings: tuple[ParsedReading, ...]
    printed_tag: str = ""
    repeat: int = 0
    repeat_mark: str = ""
    cells: tuple[str, ...] = ()


@dataclass(frozen=True)
class Certificate:
    """What a file says. `header` may hold certificate_number, laboratory, date_reported, client_order, unit, method."""

    filename: str
    sha256: str
    encoding: str
    delimiter: str
    header: dict[str, str]
    header_lines: tuple[Line, ...]
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    problems: tuple[str, ...]
    ignored_lines: tuple[Line, ...]
    title_line: Line
    sheet: str = ""
    sheets: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def gold_columns(self) -> tuple[Column, ...]:
        """The columns of readings, of the whole sample and of the parts of a screen fire assay."""
        return tuple(column for column in self.columns if column.holds_readings)

    @property
    def columns_without_unit(self) -> tuple[Column, ...]:
        """Columns whose unit a member has to name before their figures mean anything."""
        return tuple(
            column
            for column in self.columns
            if column.unit is None and (column.holds_readings or (column.meaning == "mass" and column.part))
        )

    @property
    def tag_column(self) -> Column:
        return next(column for column in self.columns if column.meaning == "tag")

    @property
    def reported_on(self) -> datetime.date | None:
        """The day reported where it can be meant in one way only: 03/05/2026 cannot."""
        return read_day(self.header.get("date_reported", ""))
