"""What each column of a certificate holds: tags, gold by which method in which unit, masses, other things."""

from dataclasses import replace
from decimal import Decimal

from prospecting.calc.language import phrase
from prospecting.readers import titles
from prospecting.readers.certificate import ROLES, Choices, Column
from prospecting.readers.layout import Layout, no_such_column, prints_unit, row_label
from prospecting.readers.marks import decimal_signs, read_cell
from prospecting.readers.text_table import one_line
from prospecting.readers.titles import known_unit, read_unit

MOST_GOLD_COLUMNS = 20
MASS_UNITS = ("mg", "g", "kg")


def read_columns(
    layout: Layout, header: dict[str, str], choices: Choices
) -> tuple[tuple[Column, ...], list[str]]:
    """Return the columns and what is unclear about them."""
    problems: list[str] = []
    columns: list[Column] = []
    for index in range(layout.width):
        column, problem = _column(layout, index, choices)
        if column.meaning == "grade" and not problem:
            base = next((each for each in reversed(columns) if each.meaning == "grade"), None)
            column, problem = _gold_column(column, layout, header, choices, base)
        elif column.meaning in ("mass", "gold mass"):
            column, problem = _mass_column(column, layout, choices)
        problems += [problem] if problem else []
        columns.append(column)
    columns = _without_second_plus(columns, choices)
    _check_columns(layout, columns, choices)
    problems += _part_problems(layout, columns)
    if layout.rival_tag_columns:
        problems.append(
            phrase(
                "Line {line}: {column} is taken as the tags, but {others} may hold them; say which.",
                line=layout.title_line.number,
                column=columns[layout.tag_column],
                others=phrase(" and ").join(str(columns[index]) for index in layout.rival_tag_columns),
            )
        )
    if layout.rival_sheets:
        problems.append(
            phrase(
                "Only sheet {sheet} is read; a table of gold stands also on {others}.",
                sheet=layout.grid.sheet,
                others=", ".join(layout.rival_sheets),
            )
        )
    return tuple(columns), problems


def _column(layout: Layout, index: int, choices: Choices) -> tuple[Column, str]:
    """What a member says a column is, else what its titles say; and a problem or nothing."""
    title = layout.title(index)
    if index == layout.tag_column:
        return Column(index=index, title=title, meaning="tag"), ""
    if index in choices.roles:
        role = ROLES[choices.roles[index]]
        mark = role.repeat_mark and (titles.repeat_mark(title) or role.repeat_mark)
        return Column(index=index, title=title, meaning=role.meaning, part=role.part, repeat_mark=mark), ""
    column = Column(index=index, title=title, meaning=titles.meaning_of(title))
    beside = _method_texts(layout, index)
    words = f"{title} {beside}"
    if column.meaning == "screen half" or (column.meaning == "grade" and titles.is_screen_half(beside)):
        part = titles.screen_part(words)
        if not part:
            problem = phrase(
                "this is gold of a part of a screen assay, and not said of which. It is not read; say what the column holds."
            )
            return replace(column, meaning="other"), _placed(problem, layout, column)
        is_bead = part == "plus" and not _prints_grade(layout, index) and _mass_unit(layout, index)
        return replace(column, meaning="gold mass" if is_bead else "grade", part=part), ""
    if column.meaning == "mass":
        part = titles.screen_part(words)
        is_bead = part == "plus" and titles.names_gold(title)
        return replace(column, meaning="gold mass" if is_bead else "mass", part=part), ""
    return column, ""


def _prints_grade(layout: Layout, index: int) -> bool:
    return any(prints_unit(text) for text in [layout.title(index), *_texts(layout, index, "unit", "")])


def _mass_unit(layout: Layout, index: int) -> str | None:
    return titles.mass_unit(" ".join([layout.title(index), *_texts(layout, index, "unit", "")]))


def _mass_column(column: Column, layout: Layout, choices: Choices) -> tuple[Column, str]:
    """The column with its unit; of gold or of a part's mass the unit has to be known."""
    unit = choices.units.get(column.index) or _mass_unit(layout, column.index)
    if unit and unit not in MASS_UNITS:
        unit = None
    column = replace(column, unit=unit)
    if column.meaning == "gold mass":
        column = replace(column, method=_method_of(column, layout))
    problem = ""
    if unit is None and (column.part or column.meaning == "gold mass"):
        problem = _placed(phrase("no unit of mass is printed; say which it is."), layout, column)
    return column, problem


def _placed(problem: str, layout: Layout, column: Column) -> str:
    return phrase(
        "Line {line}, {column}: {problem}", line=layout.title_line.number, column=column, problem=problem
    )


def _without_second_plus(columns: list[Column], choices: Choices) -> list[Column]:
    """Where the plus fraction's gold is printed both as a grade and in mg, the grade is its one reading."""
    has_grade = any(column.meaning == "grade" and column.part == "plus" for column in columns)
    return [
        replace(column, meaning="other")
        if has_grade and column.meaning == "gold mass" and column.index not in choices.roles
        else column
        for column in columns
    ]


def _part_problems(layout: Layout, columns: list[Column]) -> list[str]:
    """What is missing for a screen fire assay to be reckoned from its parts."""
    found = []
    for part in ("plus", "minus"):
        holds = [column for column in columns if column.part == part]
        gold = [column for column in holds if column.holds_readings]
        masses = [column for column in holds if column.meaning == "mass"]
        said = {"line": layout.title_line.number, "part": phrase(part)}
        if gold and not masses:
            found.append(
                phrase(
                    "Line {line}: no column gives the mass of the {part} fraction, so no grade of the whole sample can be "
                    "reckoned from its parts.",
                    **said,
                )
            )
        if len(masses) > 1:
            found.append(
                phrase(
                    "Line {line}: {columns} are both taken for the mass of the {part} fraction; say which it is.",
                    columns=phrase(" and ").join(map(str, masses)),
                    **said,
                )
            )
    return found


def _check_columns(layout: Layout, columns: list[Column], choices: Choices) -> None:
    gold = [column.index for column in columns if column.holds_readings]
    if not gold:
        raise ValueError(phrase("No column of gold is left: say which one holds it."))
    if len(gold) > MOST_GOLD_COLUMNS:
        raise ValueError(
            phrase(
                "The table has {number} columns of gold; at most {most} are read.",
                number=len(gold),
                most=MOST_GOLD_COLUMNS,
            )
        )
    if layout.tag_column >= len(columns):
        raise ValueError(no_such_column(layout.tag_column))
    measured = [*gold, *(column.index for column in columns if column.meaning == "mass")]
    for index in choices.units:
        if index not in measured:
            raise ValueError(
                phrase("A unit was given for column {column}, which holds no gold.", column=index + 1)
            )


def _gold_column(
    column: Column, layout: Layout, header: dict[str, str], choices: Choices, base: Column | None
) -> tuple[Column, str]:
    """Return the column with its unit, method and limit, and a problem or nothing."""
    repeat_mark = column.repeat_mark or titles.repeat_mark(column.title)
    if column.index in choices.roles:
        # Said by a member: "gold" is no repeat, whatever the title looks like.
        repeat_mark = column.repeat_mark
    method = choices.methods.get(column.index) or _method_of(column, layout)
    unit, problem = _unit_of(column, layout, header)
    if repeat_mark and base:
        # "Au_ppm, Au_R": the repeat stands in the unit and by the method of the column it repeats.
        method = method or base.method
        if unit is None and not problem:
            unit = base.unit
    if column.index in choices.units:
        chosen = known_unit(choices.units[column.index])
        problem = ""
        if unit and titles.in_g_per_t(Decimal(1), unit) != titles.in_g_per_t(Decimal(1), chosen):
            problem = phrase(
                "the certificate prints {printed}, and {chosen} was chosen; check which.",
                printed=unit,
                chosen=chosen,
            )
        unit = chosen
    elif unit is None and not problem:
        problem = phrase("no unit is printed; say which it is.")
    if problem:
        problem = _placed(problem, layout, column)
    column = replace(column, unit=unit, method=method or header.get("method", ""), repeat_mark=repeat_mark)
    return replace(column, lower_limit_g_per_t=_lower_limit(column, layout)), problem


def _method_of(column: Column, layout: Layout) -> str:
    return _method_texts(layout, column.index) or titles.method_in(column.title)


def _unit_of(column: Column, layout: Layout, header: dict[str, str]) -> tuple[str | None, str]:
    """Return the unit printed nearest to the column, or None with what is unclear about it."""
    printed = [column.title, *_texts(layout, column.index, "unit", "", "title")]
    reads = [read for read in map(read_unit, printed) if read.unit or read.unclear]
    if not reads and "unit" in header:
        reads = [read for read in [read_unit(header["unit"])] if read.unit or read.unclear]
    unclear = next((read.unclear for read in reads if read.unclear), "")
    if unclear:
        return None, phrase(
            "“{unit}” can be meant in more than one way (short ton, long ton or tonne?); say which unit it is.",
            unit=unclear,
        )
    by_factor = {titles.in_g_per_t(Decimal(1), read.unit): read.unit for read in reversed(reads)}
    if len(by_factor) > 1:
        return None, phrase(
            "{units} are both printed; say which unit it is.",
            units=phrase(" and ").join(sorted(by_factor.values())),
        )
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
            text, column.unit, decimal_comma=layout.grid.has_decimal_comma, signs=decimal_signs([text])
        )
        if read.grade_g_per_t or read.limit_g_per_t:
            return read.grade_g_per_t or read.limit_g_per_t
    return None
