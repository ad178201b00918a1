"""A table of runs done elsewhere: the bytes of a CSV file or a spreadsheet in; its runs and what is wrong with them out."""

import datetime
import hashlib
import io
import json
import zipfile
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from prospecting.calc.cells import as_meant
from prospecting.calc.language import phrase
from prospecting.calc.number_words import as_written
from prospecting.calc.units import parse_number
from prospecting.readers.text_table import DELIMITERS, Line, decode, one_line, split_lines
from trials.calc.run_columns import (
    BY_NAME,
    DOSE,
    FACTOR,
    FAILED,
    NOT_DONE,
    RESULTS,
    STANDS,
    VOID,
    RunColumn,
)

MOST_ROWS = 400
# Unpacked; a spreadsheet of so few runs has some hundred kB.
MOST_UNPACKED_BYTES = 40_000_000
LONGEST_TEXT = 200
YES, NO = {"yes", "y", "true", "1", "x"}, {"no", "n", "false", "0", ""}
STATES = (STANDS, FAILED, VOID, NOT_DONE)
# Digits that the books keep behind the point, and the most they hold.
PLACES = {"portion_g": 5, "soak_min": 1, "pan_min": 1}
MOST_MINUTES = Decimal(99_999)
MOST_MG = Decimal(10_000_000)
MOST_G = Decimal(1_000_000)


@dataclass(frozen=True)
class Fault:
    """What is wrong with one row of the file, in a sentence; line 0 is the file as a whole."""

    line: int
    sentence: str

    def __str__(self) -> str:
        return (
            phrase("Line {line}: {sentence}", line=self.line, sentence=self.sentence)
            if self.line
            else self.sentence
        )


@dataclass(frozen=True)
class RunRow:
    """One run as its row gives it; what the row leaves empty is None, blank or missing."""

    line: int
    treatment: str
    block: str = ""
    order: int | None = None
    doses: Mapping[str, Decimal] = field(default_factory=dict)
    numbers: Mapping[str, Decimal] = field(default_factory=dict)
    colours: Mapping[str, int] = field(default_factory=dict)
    below: frozenset[str] = frozenset()
    texts: Mapping[str, str] = field(default_factory=dict)
    day: datetime.date | None = None
    state: str = STANDS

    def number(self, name: str) -> Decimal | None:
        return self.numbers.get(name)

    def text(self, name: str) -> str:
        return self.texts.get(name, "")

    def is_below(self, where: str = "") -> bool:
        """Whether the gold of the run (or of its tails, its mud) did not show on the scale."""
        return f"{where}below_scale" in self.below

    @property
    def counts(self) -> bool:
        return self.state == STANDS

    @property
    def was_done(self) -> bool:
        return self.state != NOT_DONE


@dataclass(frozen=True)
class RunTable:
    """The runs of a file in its order, the columns nobody knows, and everything that is wrong."""

    rows: tuple[RunRow, ...]
    unknown: tuple[str, ...]
    faults: tuple[Fault, ...]

    @property
    def treatments(self) -> list[str]:
        return list(dict.fromkeys(row.treatment for row in self.rows))

    @property
    def blocks(self) -> list[str]:
        """The blocks by their names in the order of the file; none where the runs are in one order."""
        return list(dict.fromkeys(row.block for row in self.rows if row.block))

    @property
    def additives(self) -> list[str]:
        return list(dict.fromkeys(name for row in self.rows for name in row.doses))

    @property
    def has_order(self) -> bool:
        return all(row.order is not None for row in self.rows if row.was_done)

    @property
    def fingerprint(self) -> str:
        """32 signs that are alike for the same runs, whatever file they come in."""
        told = sorted(
            json.dumps([(name, _told(value)) for name, value in vars(row).items() if name != "line"])
            for row in self.rows
        )
        return hashlib.sha256("\n".join(told).encode()).hexdigest()[:32]

    def faults_for(self, outcome: str) -> list[Fault]:
        """What stands against recording these runs as a trial judged by `outcome` (gold_mass, colours or places)."""
        found = list(self.faults)
        # A row that could not be read has been told of already.
        told = {fault.line for fault in found}
        for row in self.rows:
            if row.counts and row.line not in told and (lacking := _lacks(row, outcome)):
                found.append(Fault(row.line, lacking))
        return sorted(found, key=lambda fault: fault.line)


def read_run_table(data: bytes) -> RunTable:
    """Read a table of runs; ValueError with a sentence where it can't be read as one.

    The first line names the columns (`run_columns.COLUMNS`, and `dose ml_per_l: NAME` for each additive). What is wrong with a
    row is told with its line and does not stop the reading.
    """
    lines = _lines(data)
    if not lines:
        raise ValueError(phrase("The file is empty."))
    names = [" ".join(as_meant(cell).split()) for cell in lines[0].cells]
    known = {name.lower(): name for name in BY_NAME}
    columns: dict[int, str] = {}
    unknown = []
    for place, name in enumerate(names):
        lower = name.lower()
        if lower in known:
            columns[place] = known[lower]
        elif lower.startswith(DOSE) and name[len(DOSE) :].strip():
            columns[place] = f"{DOSE}{name[len(DOSE) :].strip()}"
        elif name and not lower.startswith(FACTOR):
            unknown.append(name)
    twice = [name for name, number in Counter(columns.values()).items() if number > 1]
    if twice:
        raise ValueError(phrase("The column {column} stands there twice.", column=twice[0]))
    if "treatment" not in columns.values():
        raise ValueError(
            phrase("No column is called treatment: the first line names the columns, as listed below.")
        )
    if not set(RESULTS) & set(columns.values()):
        raise ValueError(
            phrase(
                "No column says what a run gave: it takes gold_mg, colours by size (colours_fine and so on) or place."
            )
        )
    body = [line for line in lines[1:] if not line.is_blank]
    if len(body) > MOST_ROWS:
        raise ValueError(
            phrase("{runs} runs are more than one table takes ({most}).", runs=len(body), most=MOST_ROWS)
        )
    if not body:
        raise ValueError(phrase("The table names its columns, and no run stands under them."))
    rows, faults = [], []
    for line in body:
        row, wrong = _row(line, columns)
        faults += [Fault(line.number, sentence) for sentence in wrong]
        if row is not None:
            rows.append(row)
    return RunTable(tuple(rows), tuple(unknown), (*faults, *_plan_faults(rows)))


def _row(line: Line, columns: Mapping[int, str]) -> tuple[RunRow | None, list[str]]:
    cells = {name: as_meant(line.cell(place).strip()).strip() for place, name in columns.items()}
    wrong: list[str] = []
    treatment = one_line(cells.get("treatment", ""))
    if not treatment:
        return None, [phrase("it names no treatment.")]
    if len(treatment) > 80:
        return None, [phrase("the treatment's name is longer than 80 signs.")]
    numbers: dict[str, Decimal] = {}
    colours: dict[str, int] = {}
    doses: dict[str, Decimal] = {}
    texts: dict[str, str] = {}
    below: set[str] = set()
    order = None
    day = None
    for name, text in cells.items():
        if not text:
            continue
        try:
            if name.startswith(DOSE):
                dose = _number(name, text, Decimal(1000), 6)
                doses |= {name[len(DOSE) :]: dose} if dose else {}
                continue
            column: RunColumn = BY_NAME[name]
            if not column.is_read:
                continue
            if column.kind == "number":
                numbers[name] = _measured(name, text)
            elif column.kind == "count":
                count = _count(name, text)
                if name == "order":
                    order = count
                else:
                    colours[name.removeprefix("colours_")] = count
            elif column.kind == "yes":
                if _yes(name, text):
                    below.add(name)
            elif column.kind == "day":
                day = _day(text)
            else:
                texts[name] = one_line(text)[:LONGEST_TEXT]
        except ValueError as error:
            wrong.append(str(error))
    state = texts.get("state", STANDS).lower()
    if state not in STATES:
        wrong.append(
            phrase("state is “{state}”; it is one of {states}.", state=state, states=", ".join(STATES))
        )
        state = STANDS
    if cells.get("colours_total") and not colours and state == STANDS:
        wrong.append(
            phrase(
                "colours_total without sizes: put the colours into the column of their size (very fine where nobody told them "
                "apart)."
            )
        )
    row = RunRow(
        line=line.number,
        treatment=treatment,
        block=one_line(cells.get("block", ""))[:40],
        order=order,
        doses=doses,
        numbers=numbers,
        colours=colours,
        below=frozenset(below),
        texts=texts,
        day=day,
        state=state,
    )
    return row, [*wrong, *_contradictions(row)]


def _contradictions(row: RunRow) -> list[str]:
    found = []
    for where in ("", "tails_", "mud_"):
        if not row.is_below(where):
            continue
        if row.number(f"{where}gold_mg") is not None:
            found.append(
                phrase(
                    "{gold} and {below} say two different things: give one of them.",
                    gold=where + "gold_mg",
                    below=where + "below_scale",
                )
            )
    if row.state in (FAILED, VOID) and not row.text("why"):
        found.append(phrase("it is {state}; say in the column why what went wrong.", state=row.state))
    return found


def _lacks(row: RunRow, outcome: str) -> str:
    if outcome == "gold_mass" and row.number("gold_mg") is None and not row.is_below():
        return phrase("no gold_mg, and not below_scale: this trial is judged by weight.")
    if outcome == "colours" and not row.colours:
        return phrase("no colours: this trial is judged by colours. None seen is 0.")
    if outcome == "places":
        place = row.number("place")
        if place is None:
            return phrase("no place: this trial is judged by place.")
        if place != int(place) or place < 1:
            return phrase(
                "place {place} is no whole number from 1: the place one judge gave is needed, not a mean.",
                place=place,
            )
    return ""


def _plan_faults(rows: Sequence[RunRow]) -> list[Fault]:
    """Blocks named for some runs only, a treatment twice in a block, a place of the order taken twice, doses that differ."""
    found: list[Fault] = []
    in_blocks = any(row.block for row in rows)
    seen: dict[tuple[str, str], int] = {}
    orders: dict[int, int] = {}
    doses: dict[str, tuple[int, Mapping[str, Decimal]]] = {}
    for row in rows:
        if in_blocks and not row.block:
            found.append(
                Fault(row.line, phrase("no block, and other runs have one: name all blocks or none."))
            )
        elif in_blocks:
            first = seen.setdefault((row.treatment.casefold(), row.block), row.line)
            if first != row.line:
                found.append(
                    Fault(
                        row.line,
                        phrase(
                            "{treatment} stands in block {block} already, in line {first}.",
                            treatment=row.treatment,
                            block=row.block,
                            first=first,
                        ),
                    )
                )
        if row.order is not None:
            first = orders.setdefault(row.order, row.line)
            if first != row.line:
                found.append(
                    Fault(
                        row.line,
                        phrase(
                            "place {order} of the order is taken already, by line {first}.",
                            order=row.order,
                            first=first,
                        ),
                    )
                )
        line, same = doses.setdefault(row.treatment.casefold(), (row.line, row.doses))
        if same != row.doses:
            found.append(
                Fault(
                    row.line,
                    phrase(
                        "{treatment} has another dose than in line {line}.",
                        treatment=row.treatment,
                        line=line,
                    ),
                )
            )
    names: dict[str, str] = {}
    for row in rows:
        first_spelt = names.setdefault(row.treatment.casefold(), row.treatment)
        if first_spelt != row.treatment:
            found.append(
                Fault(
                    row.line,
                    phrase(
                        "“{treatment}” and “{other}”: spell a treatment one way.",
                        treatment=row.treatment,
                        other=first_spelt,
                    ),
                )
            )
    return found


def _measured(name: str, text: str) -> Decimal:
    if name.endswith("_min"):
        return _number(name, text, MOST_MINUTES, PLACES[name], above_zero=name == "pan_min")
    if name == "place":
        return _number(name, text, Decimal(1000), 2, above_zero=True)
    most = MOST_G if name.endswith("_g") else MOST_MG
    try:
        return _number(name, text, most, PLACES.get(name, 4), above_zero=True)
    except ValueError as error:
        if name.endswith("gold_mg") and _parsed(text) == 0:
            step = name.removesuffix("gold_mg") + "below_scale"
            raise ValueError(
                phrase(
                    "{column} is 0: what the scale does not show is not nothing. Leave it empty and put yes under {below}.",
                    column=name,
                    below=step,
                )
            ) from None
        raise error from None


@as_written()
def _parsed(text: str) -> Decimal | None:
    """A figure as a table has it, whoever reads; None where it is none."""
    try:
        return parse_number(text)
    except ValueError:
        return None


def _number(name: str, text: str, most: Decimal, places: int, *, above_zero: bool = False) -> Decimal:
    number = _parsed(text)
    if number is None:
        raise ValueError(
            phrase("{column} is “{text}”: give a number without its unit.", column=name, text=text[:30])
        )
    kept = number.quantize(Decimal(1).scaleb(-places)) if number <= most else most
    if number > most or (above_zero and kept <= 0):
        raise ValueError(
            phrase(
                "{column} is {text}: give a number above 0, at most {most:f}.",
                column=name,
                text=text[:30],
                most=most,
            )
        )
    return kept


def _count(name: str, text: str) -> int:
    number = _parsed(text)
    if number is None or number != int(number) or not (1 if name == "order" else 0) <= number <= 9999:
        raise ValueError(phrase("{column} is “{text}”: give a whole number.", column=name, text=text[:30]))
    return int(number)


def _yes(name: str, text: str) -> bool:
    if text.lower() in YES:
        return True
    if text.lower() in NO:
        return False
    raise ValueError(phrase("{column} is “{text}”: give yes or no.", column=name, text=text[:30]))


def _day(text: str) -> datetime.date:
    try:
        day = datetime.date.fromisoformat(text[:10])
    except ValueError:
        raise ValueError(
            phrase("day is “{text}”: write it as year-month-day, like 2026-05-03.", text=text[:30])
        ) from None
    return day


def _lines(data: bytes) -> list[Line]:
    if data.startswith(b"PK\x03\x04"):
        return _sheet(data)
    if data.startswith(b"%PDF"):
        raise ValueError(phrase("This looks like a PDF. A CSV file or a spreadsheet (.xlsx) can be read."))
    try:
        text, _ = decode(data)
    except ValueError:
        raise ValueError(
            phrase(
                "This is neither a text table (CSV) nor a spreadsheet (.xlsx) that can be read; save it anew as one of these."
            )
        ) from None
    first = text.partition("\n")[0]
    delimiter = max(DELIMITERS, key=first.count)
    return split_lines(text, delimiter)


def _sheet(data: bytes) -> list[Line]:
    """The first sheet of a spreadsheet, every cell as text; a formula counts as what it gave when the file was saved."""
    from openpyxl import load_workbook

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            if sum(each.file_size for each in packed.infolist()) > MOST_UNPACKED_BYTES:
                raise ValueError(
                    phrase("The spreadsheet is far larger than a table of runs; save the runs alone.")
                )
        book = load_workbook(io.BytesIO(data), read_only=True, data_only=True)
        lines = []
        for number, cells in enumerate(book.worksheets[0].iter_rows(values_only=True), start=1):
            if number > MOST_ROWS + 100:
                break
            lines.append(Line(number, tuple(_as_text(cell) for cell in cells[:200])))
    except ValueError:
        raise
    except Exception:
        # openpyxl and zipfile raise many things for a broken file.
        raise ValueError(
            phrase("This spreadsheet can't be read; save it anew as .xlsx, or as CSV.")
        ) from None
    return lines


def _as_text(cell: object) -> str:
    if cell is None:
        return ""
    if isinstance(cell, datetime.datetime | datetime.date):
        return cell.isoformat()[:10]
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float):
        return f"{Decimal(repr(cell)):f}"
    return str(cell)


def _told(value: object) -> object:
    if isinstance(value, Mapping):
        return sorted((name, _told(each)) for name, each in value.items())
    if isinstance(value, frozenset):
        return sorted(value)
    if isinstance(value, Decimal):
        return f"{value.normalize():f}"
    if isinstance(value, datetime.date):
        return value.isoformat()
    return value
