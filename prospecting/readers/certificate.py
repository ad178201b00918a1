"""What a laboratory's certificate says: columns, lines of samples, readings, and what is unclear about them."""

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal

from prospecting.readers.header_facts import read_day
from prospecting.readers.text_table import Line


@dataclass(frozen=True)
class Choices:
    """A member's answers: which column holds the tags, which unit a gold column is in. Columns count from 0.

    A unit is a key of GRADE_UNITS or the name `calc.units` has for it.
    """

    tag_column: int | None = None
    units: Mapping[int, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Column:
    """One column. `unit` is a key of GRADE_UNITS for gold, as printed for a mass, None where unknown.

    `repeat_mark` is "repeat", "duplicate" or "check" where the title says so.
    """

    index: int
    title: str
    meaning: str  # "tag", "grade", "mass" or "other"
    method: str = ""
    unit: str | None = None
    lower_limit_g_per_t: Decimal | None = None
    repeat_mark: str = ""

    @property
    def number(self) -> int:
        """As people count, from 1."""
        return self.index + 1

    def __str__(self) -> str:
        return f"column {self.number} ({self.title})" if self.title else f"column {self.number}"


@dataclass(frozen=True)
class ParsedReading:
    """One cell of a gold column, as printed and as understood. A value has a grade, `<` and `>` a limit, the rest neither."""

    column_index: int
    method: str
    unit: str | None
    raw_text: str
    symbol: str
    grade_g_per_t: Decimal | None
    limit_g_per_t: Decimal | None


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

    @property
    def gold_columns(self) -> tuple[Column, ...]:
        return tuple(column for column in self.columns if column.meaning == "grade")

    @property
    def columns_without_unit(self) -> tuple[Column, ...]:
        """Gold columns whose unit a member has to name before their figures mean anything."""
        return tuple(column for column in self.gold_columns if column.unit is None)

    @property
    def tag_column(self) -> Column:
        return next(column for column in self.columns if column.meaning == "tag")

    @property
    def reported_on(self) -> datetime.date | None:
        """The day reported where it can be meant in one way only: 03/05/2026 cannot."""
        return read_day(self.header.get("date_reported", ""))
