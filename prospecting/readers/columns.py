"""What each column of a certificate holds: tags, gold by which method in which unit, masses, other things."""

from dataclasses import replace
from decimal import Decimal

from prospecting.readers import titles
from prospecting.readers.certificate import Choices, Column
from prospecting.readers.layout import Layout, prints_unit, row_label
from prospecting.readers.marks import decimal_signs, read_cell
from prospecting.readers.text_table import one_line
from prospecting.readers.titles import known_unit, read_unit

MOST_GOLD_COLUMNS = 20


def read_columns(
    layout: Layout, header: dict[str, str], choices: Choices
) -> tuple[tuple[Column, ...], list[str]]:
    """Return the columns and what is unclear about them."""
    problems: list[str] = []
    columns: list[Column] = []
    for index in range(layout.width):
        title = layout.title(index)
        meaning = "tag" if index == layout.tag_column else titles.meaning_of(title)
        column = Column(index=index, title=title, meaning=meaning)
        if meaning == "grade" and titles.is_screen_half(_method_texts(layout, index)):
            column = replace(column, meaning="screen half")
        if column.meaning == "grade":
            base = next((earlier for earlier in reversed(columns) if earlier.meaning == "grade"), None)
            column, problem = _gold_column(column, layout, header, choices, base)
            problems += [problem] if problem else []
        elif column.meaning == "mass":
            column = replace(column, unit=titles.mass_unit(" ".join([title, *_texts(layout, index, "unit")])))
        elif column.meaning == "screen half":
            column = replace(column, meaning="other")
            problems.append(
                f"Line {layout.title_line.number}, {column}: gold of one part of a screen assay is not the grade of the sample "
                "and is not read as one."
            )
        columns.append(column)
    _check_columns(layout, columns, choices)
    if layout.rival_tag_columns:
        rivals = " and ".join(str(columns[index]) for index in layout.rival_tag_columns)
        problems.append(
            f"Line {layout.title_line.number}: {columns[layout.tag_column]} is taken as the tags, but {rivals} may hold them; "
            "say which."
        )
    return tuple(columns), problems


def _check_columns(layout: Layout, columns: list[Column], choices: Choices) -> None:
    gold = [column.index for column in columns if column.meaning == "grade"]
    if not gold:
        raise ValueError(
            "No column of gold was found for the whole sample, only for parts of a screen assay."
        )
    if len(gold) > MOST_GOLD_COLUMNS:
        raise ValueError(f"The table has {len(gold)} columns of gold; at most {MOST_GOLD_COLUMNS} are read.")
    if layout.tag_column >= len(columns):
        raise ValueError(f"There is no column {layout.tag_column + 1} for the tags.")
    for index in choices.units:
        if index not in gold:
            raise ValueError(f"A unit was given for column {index + 1}, which holds no gold.")


def _gold_column(
    column: Column, layout: Layout, header: dict[str, str], choices: Choices, base: Column | None
) -> tuple[Column, str]:
    """Return the column with its unit, method and limit, and a problem or nothing."""
    repeat_mark = titles.repeat_mark(column.title)
    method = _method_texts(layout, column.index) or titles.method_in(column.title)
    unit, problem = _unit_of(column, layout, header)
    if repeat_mark and base:
        # "Au_ppm, Au_R": the repeat stands in the unit and by the method of the column it repeats.
        method = method or base.method
        if unit is None and not problem:
            unit = base.unit
    if column.index in choices.units:
        chosen = known_unit(choices.units[column.index])
        problem = f"the certificate prints {unit}, and {chosen} was chosen; check which." if unit else ""
        if unit and titles.in_g_per_t(Decimal(1), unit) == titles.in_g_per_t(Decimal(1), chosen):
            problem = ""
        unit = chosen
    elif unit is None and not problem:
        problem = "no unit is printed; say which it is."
    if problem:
        problem = f"Line {layout.title_line.number}, {column}: {problem}"
    column = replace(column, unit=unit, method=method or header.get("method", ""), repeat_mark=repeat_mark)
    return replace(column, lower_limit_g_per_t=_lower_limit(column, layout)), problem


def _unit_of(column: Column, layout: Layout, header: dict[str, str]) -> tuple[str | None, str]:
    """Return the unit printed nearest to the column, or None with what is unclear about it."""
    printed = [column.title, *_texts(layout, column.index, "unit", "", "title")]
    reads = [read for read in map(read_unit, printed) if read.unit or read.unclear]
    if not reads and "unit" in header:
        reads = [read for read in [read_unit(header["unit"])] if read.unit or read.unclear]
    unclear = next((read.unclear for read in reads if read.unclear), "")
    if unclear:
        return (
            None,
            f"“{unclear}” can be meant in more than one way (short ton, long ton or tonne?); say which unit it is.",
        )
    by_factor = {titles.in_g_per_t(Decimal(1), read.unit): read.unit for read in reversed(reads)}
    if len(by_factor) > 1:
        return None, f"{' and '.join(sorted(by_factor.values()))} are both printed; say which unit it is."
    return next(iter(by_factor.values()), None), ""


def _texts(layout: Layout, index: int, *labels: str) -> list[str]:
    """What the lines beside the titles say of a column; a line above the titles has its own label or "" ."""
    labelled = [(row_label(line.cell(0)) or "", line) for line in layout.above] + list(layout.below)
    return [
        one_line(line.cell(index)) for label, line in labelled if label in labels and line.cell(index).strip()
    ]


def _method_texts(layout: Layout, index: int) -> str:
    """The method printed in a line of its own over or under the titles."""
    unlabelled = [
        text for text in _texts(layout, index, "") if not prints_unit(text) and not titles.names_gold(text)
    ]
    return ", ".join(_texts(layout, index, "method") or unlabelled)


def _lower_limit(column: Column, layout: Layout) -> Decimal | None:
    for text in _texts(layout, column.index, "lower limit"):
        read = read_cell(
            text, column.unit, decimal_comma=layout.delimiter == ";", signs=decimal_signs([text])
        )
        if read.grade_g_per_t or read.limit_g_per_t:
            return read.grade_g_per_t or read.limit_g_per_t
    return None
