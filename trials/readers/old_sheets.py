"""The bytes of a list kept before the site in; its table, what each column is likely to hold, and its lines read, out.

How groups title their columns differs; the spellings here are common practice, no source. What can be meant in two ways is
asked, never guessed.
"""

import datetime
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property

from prospecting.calc.day_words import day_words
from prospecting.calc.language import phrase, to_phrase
from prospecting.calc.units import Quantity, format_gold_mg, parse_gold_mass, parse_mass, parse_number
from prospecting.readers.sheet_table import is_spreadsheet, read_sheets
from prospecting.readers.text_table import DELIMITERS, Grid, Line, decode, one_line, split_lines, used_width
from trials.calc.old_sheets import BELOW, COLOURS, NIL, TRACE, WEIGHT, OldGold, OldLine
from trials.readers.run_table import MOST_MG

MOST_OLD_LINES = 5000
MOST_COLUMNS = 40
TITLES_WITHIN = 40
LONGEST_CELL = 200
MASS_STEP_G = Decimal("0.00001")
GOLD_STEP_MG = Decimal("0.0001")
MOST_COLOURS = 9999

MASS_UNITS = {"lb": "lb", "kg": "kg", "g": "g", "oz": to_phrase("oz (avoirdupois)")}
GOLD_UNITS = {
    "mg": "mg",
    "g": "g",
    "grain": to_phrase("grains"),
    "dwt": to_phrase("pennyweight"),
    "ozt": to_phrase("troy oz"),
}
DAY_ORDERS = {
    "ymd": to_phrase("year, month, day"),
    "dmy": to_phrase("day, month, year"),
    "mdy": to_phrase("month, day, year"),
}
COMMAS = {"decimal": to_phrase("decimals: 12,5"), "thousands": to_phrase("thousands: 1,250")}
LEAVE_ASIDE = ""
DAYS = ("dug_on", "panned_on")


@dataclass(frozen=True)
class Role:
    """What a column may hold; `units` names the units its figures may stand in."""

    name: str
    label: str
    pattern: str
    units: tuple[str, ...] = ()


# The first whose pattern a title holds is proposed, so what is told apart by one more word stands first.
ROLES = (
    Role("panned_on", to_phrase("Day it was panned"), r"pan\w*\s(?:on|date|day)|(?:date|day)\s(?:of\s)?pan\w*"),
    Role("panner", to_phrase("Who panned"), r"panner|panned\sby|who\spanned"),
    Role(
        "portion",
        to_phrase("Weight of what was panned"),
        r"portion|(?:pan\w*|panful|tested|test|feed|sample)\s?(?:wt|weight|mass|size|kg|lbs?|g)|(?:weight|wt|mass)\s(?:of\s)?(?:the\s)?(?:pan\w*|panful|portion|sample|test)",
        tuple(MASS_UNITS),
    ),
    Role("colours_coarse", to_phrase("Colours, coarse"), r"coarse|nuggets?|pickers?"),
    Role("colours_medium", to_phrase("Colours, medium"), r"medium|mids?"),
    Role("colours_very_fine", to_phrase("Colours, very fine"), r"very\sfine"),
    Role("colours_flour", to_phrase("Colours, flour"), r"flour"),
    Role("colours_fine", to_phrase("Colours, fine"), r"fines?|small"),
    Role("colours", to_phrase("Colours, size not told apart"), r"colou?rs?|specks?|flakes?|flecks?|cols?|visible|count(?:ed)?"),
    Role("gold", to_phrase("Gold"), r"gold|au|yield|recovered|weighed", tuple(GOLD_UNITS)),
    Role(
        "additive",
        to_phrase("Additive in the water"),
        r"additive|soap|detergent|surfactant|wetting|agent|treat(?:ed|ment)|rinse|product",
    ),
    Role("digger", to_phrase("Who dug"), r"digger|dug\sby|who(?:\sdug)?|by|crew|people|names?"),
    Role("dug_on", to_phrase("Day it was dug"), r"date|day|when|dug(?:\son)?"),
    Role("mass", to_phrase("Weight of the bucket"), r"weight|wt|mass|lbs?|pounds|kgs?|kilos?|heavy", tuple(MASS_UNITS)),
    Role("station", to_phrase("Station (the exact spot)"), r"station|stn|spot|face|pit|hole"),
    Role("place", to_phrase("Place or zone"), r"zone|place|location|loc|area|claim|where|site|ground|vein|bench"),
    Role("note", to_phrase("Note"), r"notes?|remarks?|comments?|memo"),
    Role("bucket", to_phrase("Name or number of the bucket"), r"buckets?|bkt|pails?|bags?|lot|sample|no|nr|num|number|id|code|#"),
)  # fmt: skip
BY_NAME = {role.name: role for role in ROLES}
ONCE = tuple(role.name for role in ROLES if role.name != "note")
SIZES = ("coarse", "medium", "fine", "very_fine", "flour")

_PATTERNS = [(role, re.compile(rf"(?<![^\W_\d])(?:{role.pattern})(?![^\W_\d])")) for role in ROLES]
_UNIT_WORDS = (
    ("mg", r"mgs?|milligrams?"),
    ("kg", r"kgs?|kilos?|kilograms?"),
    ("lb", r"lbs?|pounds?|#"),
    ("grain", r"grains?"),
    ("dwt", r"dwts?|pennyweights?"),
    ("ozt", r"ozt|troy\s?oz|oz\s?troy|troy\sounces?"),
    ("oz", r"oz\s?av\w*|av\w*\s?oz"),
    ("g", r"g|gms?|grams?|grammes?"),
)
_UNITS = [(unit, re.compile(rf"(?<![^\W_\d])(?:{pattern})(?![^\W_\d])")) for unit, pattern in _UNIT_WORDS]
_NOTHING_SAID = {
    *("", "-", "--", "—", "–", "?", "??", "n/a", "na", "n.a.", "x"),
    *("not weighed", "not panned", "not done", "no pan", "none taken"),
}
_AS_ABOVE = {'"', "''", "”", "“", "″", "〃", ",,", "do", "do.", "ditto", "same", "as above", "same as above"}
_TRACE = re.compile(r"(?:a\s)?(?:trace|traces|tr\.?|trc\.?|specks? of dust|dust|smell of gold)")
_NIL = re.compile(
    r"nil|none|nothing|no gold|nada|zero|zip|nix|barren|blank pan|0+(?:[.,]0+)?(?:\s?(?:mg|g|grains?))?|no"
)
_LESS = re.compile(r"(?:<|&lt;|less than|under|below)\s*(?P<rest>.+)")
_COLOURS = re.compile(
    r"(?P<number>\d{1,4})\s*(?:colou?rs?|cols?\.?|specks?|flakes?|flecks?|pieces|bits|flys?|nuggets?)(?:\s+seen)?"
)
_GR = re.compile(r"[\d.,\s]+grs?\.?")
_GRAINS = re.compile(r"\d{1,3}\s*grains?(?P<seen>\s+seen)?")
_BOTH = re.compile(r"(?P<weight>.+?)\s*(?:,|;|\+|&|and|\()\s*(?P<colours>\d+\s*[a-z.]+)\)?")
_ABOUT = re.compile(
    r"^(?:~|≈|c\.|ca\.?|about|approx\.?|roughly|est\.?)\s*|\s*(?:\?|approx\.?|est\.?|\(est\.?\))$"
)
_TOTAL = re.compile(r"(?:sub\s?-?|grand\s)?totals?|sums?|all together|in all")
_LIKE_TOTAL = re.compile(r"\b(?:sub-?)?totals?\b", re.IGNORECASE)
_AVERAGE = re.compile(
    r"(?:averages?|avg|mean|median|min|max|minimum|maximum)(?:\s(?:wt|weight|gold|per bucket|per pan))?|ø"
)
# What begins with a nought has no thousands.
_THOUSANDS_COMMA = re.compile(r"(?<![\d,.])[1-9]\d{0,2}(?:,\d{3})+(?![\d,])")
_THOUSANDS_POINT = re.compile(r"(?<![\d,.])[1-9]\d{0,2}(?:\.\d{3})+(?=,|(?![\d.]))")
_POINT_BEFORE_THREE = re.compile(r"(?<![\d,.])[1-9]\d{0,2}\.\d{3}(?![\d,.])")
_COMMA_FOR_DECIMALS = re.compile(r"\d,(?:\d{1,2}|\d{4,})(?!\d)|(?<![\d,.])0?,\d{3}(?!\d)|\d\.\d{3},\d")
_COMMA_FOR_THOUSANDS = re.compile(r"\d,\d{3}[.,]\d")
_COMMA_BEFORE_THREE = re.compile(r",\d{3}(?!\d)")
_SPREADSHEET_DAY = re.compile(r"(\d{4})-(\d\d)-(\d\d)(?: \d\d:\d\d)?")
_DAY_NUMBERS = re.compile(r"(\d{1,4})\s?[./\-\s]\s?(\d{1,2})\s?[./\-\s]\s?(\d{1,4})\.?")
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_WORDY_DAY = re.compile(
    r"(?:(?:mon|tue|wed|thu|fri|sat|sun)[a-z]*[.,]?\s+)?(?:(?P<before>\d{1,2})(?:st|nd|rd|th)?[\s.\-/]*(?:of\s)?)?"
    r"(?P<month>jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*[\s.\-/,]*(?:(?P<after>\d{1,2})(?:st|nd|rd|th)?[\s,.]+)?(?P<year>\d{4}|'?\d{2})"
)
_NO_YEAR = re.compile(
    r"\d{1,2}[./\-]\d{1,2}\.?|(?:\d{1,2}(?:st|nd|rd|th)?\s)?[a-z]{3,9}\s?(?:\d{1,2}(?:st|nd|rd|th)?)?"
)


@dataclass(frozen=True)
class OldReading:
    """How a list is read: which line holds the titles (0: none), what each column holds and in which unit."""

    title_line: int
    roles: tuple[str, ...]
    units: tuple[str, ...]
    day_order: str = ""
    comma: str = "thousands"
    as_above: bool = False
    # Days the spreadsheet knew as such had their day and month taken for each other when they were typed.
    changed_over: bool = False

    def column(self, role: str) -> int | None:
        return self.roles.index(role) if role in self.roles else None

    def unit(self, role: str) -> str:
        at = self.column(role)
        return self.units[at] if at is not None else ""


@dataclass(frozen=True)
class OldTable:
    """One sheet of the file, and what is proposed for it."""

    grid: Grid
    sheets: tuple[str, ...]
    title_line: int
    titles: tuple[str, ...]

    @cached_property
    def body(self) -> list[Line]:
        """The lines below the titles that hold anything."""
        return [line for line in self.grid.lines if line.number > self.title_line and not line.is_blank]

    def first_lines(self, most: int) -> list[tuple[int, list[tuple[str, str]]]]:
        """Lines by their number, each cell beside the title of its column."""
        return [
            (line.number, [(title, one_line(line.cell(at))) for at, title in enumerate(self.titles)])
            for line in self.body[:most]
        ]

    def said_in(self, column: int) -> list[str]:
        """What stands in a column, without marks for "as above" and for nothing."""
        return [text for text in self.cells(column) if text.casefold() not in _AS_ABOVE | _NOTHING_SAID]

    def cells(self, column: int) -> list[str]:
        """What stands in a column below its title, without its empty cells."""
        return [text for line in self.body if (text := one_line(line.cell(column))[:LONGEST_CELL])]


@dataclass(frozen=True)
class OldLines:
    """What was read: lines that may become something, the list's own totals, and lines passed over with the reason."""

    lines: tuple[OldLine, ...]
    totals: dict[str, tuple[int, Decimal]]
    passed_over: tuple[tuple[int, str, str], ...]


def open_old_sheet(data: bytes) -> list[Grid]:
    """Return the tables a file may hold; ValueError with a sentence where there is none."""
    try:
        if is_spreadsheet(data):
            return read_sheets(data)
        if data.startswith(b"%PDF"):
            raise ValueError(
                phrase("This looks like a PDF. A CSV file, a spreadsheet (.xlsx) or pasted text can be read.")
            )
        text, _ = decode(data)
        return _text_grids(text)
    except ValueError as refusal:
        # The readers of tables speak of what they mostly read.
        raise ValueError(str(refusal).replace("certificate", "list")) from None


def _text_grids(text: str) -> list[Grid]:
    grids, refusals = [], []
    for delimiter in DELIMITERS:
        if delimiter in text:
            try:
                grids.append(Grid(split_lines(text, delimiter), delimiter))
            except ValueError as refusal:
                refusals.append(refusal)
    if grids:
        return grids
    if refusals:
        raise refusals[0]
    raise ValueError(
        phrase("Nothing divides the cells of this text: put commas, semicolons or tabs between them.")
    )


def table_of(grids: Sequence[Grid], *, sheet: str = "", title_line: int | None = None) -> OldTable:
    """Return the sheet asked for, or the one that looks most like such a list; ValueError where it is none or too large."""
    sheets = tuple(grid.sheet for grid in grids if grid.sheet)
    asked = [grid for grid in grids if sheet and grid.sheet == sheet]
    grid = asked[0] if asked else max(grids, key=_likeness)
    filled = [line for line in grid.lines if not line.is_blank]
    width = max((used_width(line) for line in filled), default=0)
    if width < 2:
        raise ValueError(phrase("This holds one column only; a list of buckets and pans has at least two."))
    if width > MOST_COLUMNS:
        raise ValueError(
            phrase(
                "The list has {columns} columns; at most {most} are read. Leave out what no bucket or pan needs.",
                columns=width,
                most=MOST_COLUMNS,
            )
        )
    if len(filled) > MOST_OLD_LINES:
        raise ValueError(
            phrase(
                "The list has {lines:,} lines; at most {most:,} are read at once. Divide it.",
                lines=len(filled),
                most=MOST_OLD_LINES,
            )
        )
    if title_line is None:
        title_line = _likely_titles(grid.lines)
    titles = next((line for line in grid.lines if line.number == title_line), None)
    texts = [one_line(titles.cell(at))[:80] if titles else "" for at in range(width)]
    return OldTable(grid, sheets, title_line if titles else 0, tuple(texts))


def _likeness(grid: Grid) -> tuple[int, int]:
    """How many columns its best line of titles names, then how many lines have as many cells as most."""
    counts = Counter(used_width(line) for line in grid.lines if not line.is_blank and used_width(line) > 1)
    alike = max(counts.values(), default=0)
    return max((_named(line) for line in grid.lines[:TITLES_WITHIN]), default=0), alike


def _likely_titles(lines: Iterable[Line]) -> int:
    best = max(list(lines)[:TITLES_WITHIN], key=lambda line: (_named(line), -line.number), default=None)
    return best.number if best is not None and _named(best) >= 2 else 0


def _named(line: Line) -> int:
    """How many different things the cells of a line would head; a line of figures heads nothing."""
    texts = [one_line(cell) for cell in line.cells if cell.strip()]
    if sum(1 for text in texts if text[:1].isdigit()) * 2 > len(texts):
        return 0
    return len({role for text in texts if len(text) <= 40 and (role := role_of_title(text))})


def role_of_title(title: str) -> str:
    """Return what a title is likely to head, blank where it tells nothing.

    >>> [role_of_title(title) for title in ("Bkt #", "Wt (lbs)", "pan wt g", "Au mg", "Colours seen", "weather")]
    ['bucket', 'mass', 'portion', 'gold', 'colours', '']
    """
    plain = " ".join(re.sub(r"[_/().:,\-]+", " ", title.casefold()).split())
    return next((role.name for role, pattern in _PATTERNS if pattern.search(plain)), LEAVE_ASIDE)


def unit_of_title(title: str, units: Sequence[str]) -> str:
    """Return the unit a title names among `units`; blank where it names none, or one that can be read in two ways.

    >>> unit_of_title("Wt (lbs)", ("lb", "kg")), unit_of_title("gold, oz", ("mg", "ozt"))
    ('lb', '')
    """
    plain = " ".join(re.sub(r"[_/().:,\-]+", " ", title.casefold()).split())
    return next((unit for unit, pattern in _UNITS if unit in units and pattern.search(plain)), "")


def proposed(table: OldTable) -> OldReading:
    """Return what the columns are likely to hold, by their titles and by what stands below them."""
    roles: list[str] = []
    for at, title in enumerate(table.titles):
        role = role_of_title(title) if title else _role_of_cells(table.cells(at))
        # A second column of the same: the first stands.
        roles.append(role if role == "note" or role not in roles else LEAVE_ASIDE)
    units = [
        unit_of_title(title, BY_NAME[role].units) if role in BY_NAME else ""
        for title, role in zip(table.titles, roles, strict=True)
    ]
    days = [text for at, role in enumerate(roles) if role in DAYS for text in table.cells(at)]
    measures = [
        text
        for at, role in enumerate(roles)
        if role in BY_NAME and BY_NAME[role].units
        for text in table.cells(at)
    ]
    return OldReading(
        title_line=table.title_line,
        roles=tuple(roles),
        units=tuple(units),
        day_order=likely_day_order(days),
        comma=likely_comma(measures),
        as_above=_leaves_blank(table, roles),
    )


def likely_comma(texts: Sequence[str]) -> str:
    """Return what a comma within these figures divides; blank where it may be either, or where they contradict each other.

    >>> likely_comma(["12,5"]), likely_comma(["1,250.5", "20"]), likely_comma(["1,250"]), likely_comma(["0,008"])
    ('decimal', 'thousands', '', 'decimal')
    """
    found = {
        kind
        for kind, pattern in (("decimal", _COMMA_FOR_DECIMALS), ("thousands", _COMMA_FOR_THOUSANDS))
        if any(pattern.search(text) for text in texts)
    }
    return found.pop() if len(found) == 1 else ""


def _leaves_blank(table: OldTable, roles: Sequence[str]) -> bool:
    """Whether a day or a place is written once and then left empty for the lines it holds for, in a good part of them."""
    written = [len(table.cells(at)) for at, role in enumerate(roles) if role in ("place", "dug_on")]
    return any(0 < number < len(table.body) * 0.6 for number in written)


def _role_of_cells(cells: Sequence[str]) -> str:
    """By the values alone, where a column has no title."""
    some = cells[:50]
    if not some:
        return LEAVE_ASIDE
    most = len(some) * 0.6
    folded = [text.casefold() for text in some]
    if sum(1 for text in folded if _DAY_NUMBERS.fullmatch(text) or _WORDY_DAY.fullmatch(text)) > most:
        return "dug_on"
    if sum(1 for text in folded if re.search(r"\d\s?(?:lbs?|kgs?)\b", text)) > most:
        return "mass"
    if sum(1 for text in folded if re.search(r"\d\s?(?:mg|grains?)\b|^trace$|^nil$", text)) > most:
        return "gold"
    if sum(map(len, some)) > 25 * len(some):
        return "note"
    return LEAVE_ASIDE


def likely_day_order(texts: Sequence[str]) -> str:
    """Return the order of day, month and year that these days can only be in; blank where they may be in two.

    >>> likely_day_order(["3/4/2019", "17/4/2019"]), likely_day_order(["3/4/2019"]), likely_day_order(["2019-04-03"])
    ('dmy', '', 'ymd')
    """
    numbers = [match.groups() for text in texts if (match := _DAY_NUMBERS.fullmatch(text.casefold()))]
    if not numbers or all(len(first) == 4 for first, _, _ in numbers):
        # Days written in words, or year first: nothing to choose.
        return "ymd" if texts else ""
    orders = [
        order for order in ("dmy", "mdy") if all(_day_by(order, each) for each in numbers if len(each[0]) < 4)
    ]
    return orders[0] if len(orders) == 1 else ""


def may_be_changed_over(texts: Iterable[str]) -> bool:
    """Whether the days a spreadsheet knew as such look as if it had taken day and month for each other.

    It does so where it is set to the order that the list is not in: what can't be a day in its order stays text, so the text
    has only days above the twelfth and the rest only days up to it.

    >>> may_be_changed_over(["2019-03-04", "17/4/2019"]), may_be_changed_over(["2019-03-14", "17/4/2019"])
    (True, False)
    """
    texts = list(texts)
    known = [match for text in texts if (match := _SPREADSHEET_DAY.fullmatch(text))]
    typed = [
        match.groups()
        for text in texts
        if (match := _DAY_NUMBERS.fullmatch(text.casefold())) and len(match[1]) < 4
    ]
    return (
        bool(known and typed)
        and all(int(match[3]) <= 12 for match in known)
        and not any(_in_two_ways(each) for each in typed)
        and bool(likely_day_order(texts))
    )


def _in_two_ways(parts: Sequence[str]) -> bool:
    days = {_day_by(order, parts) for order in ("dmy", "mdy")}
    return len(days) == 2 and None not in days


def _day_by(order: str, parts: Sequence[str]) -> datetime.date | None:
    if len(parts[0]) > 2:
        order = "ymd"
    year, month, day = (int(parts[order.index(sign)]) for sign in "ymd")
    if year < 100 and order != "ymd":
        year = _whole_year(year)
    try:
        return datetime.date(year, month, day)
    except ValueError:
        return None


def _whole_year(year: int) -> int:
    """Two figures of a year as POSIX reads them (strptime, %y; from memory): 69 to 99 are of the last century."""
    return year + (1900 if year > 68 else 2000)


def read_day(text: str, order: str) -> datetime.date:
    """Return the day a cell names; ValueError with a sentence where it names none.

    >>> read_day("3.4.19", "dmy"), read_day("Apr 3, 2019", "mdy"), read_day("2019-04-03 00:00", "dmy")
    (datetime.date(2019, 4, 3), datetime.date(2019, 4, 3), datetime.date(2019, 4, 3))
    """
    plain = text.casefold().strip().removesuffix(".")
    if match := re.fullmatch(r"(\d{4}-\d\d-\d\d)[ t]\d\d:\d\d(?::\d\d)?", plain):
        plain = match[1]
    day = None
    if match := _DAY_NUMBERS.fullmatch(plain):
        day = _day_by(order or "dmy", match.groups())
    elif match := _WORDY_DAY.fullmatch(plain):
        year = int(match["year"].lstrip("'"))
        number = match["before"] or match["after"]
        if number:
            parts = (
                str(_whole_year(year) if year < 100 else year),
                str(_MONTHS.index(match["month"]) + 1),
                number,
            )
            day = _day_by("ymd", parts)
    if day is None and _NO_YEAR.fullmatch(plain):
        raise ValueError(phrase("“{text}” has no year.", text=text[:40]))
    if day is None:
        raise ValueError(phrase("“{text}” is no day: write it like 2019-05-03.", text=text[:40]))
    return day


def has_days_in_figures(texts: Iterable[str]) -> bool:
    """Whether any of these days hangs on the order its figures are read in."""
    found = (_DAY_NUMBERS.fullmatch(text.casefold()) for text in texts)
    return any(len(match[1]) < 4 for match in found if match)


def names_unit(text: str) -> bool:
    """Whether a cell names a unit itself, or holds no figure that would need one.

    >>> [names_unit(text) for text in ("20 lb", "~20", "trace", "-")]
    [True, False, True, True]
    """
    plain = _ABOUT.sub("", text)
    # Not isdigit(): a vulgar fraction is a figure too.
    return any(sign.isalpha() for sign in plain) or not any(sign.isnumeric() for sign in plain)


def read_old_lines(table: OldTable, reading: OldReading) -> OldLines:
    """Read every line below the titles; nothing is dropped without a word."""
    lines: list[OldLine] = []
    totals: dict[str, tuple[int, Decimal]] = {}
    passed: list[tuple[int, str, str]] = []
    titles = [title.casefold() for title in table.titles if title]
    above: dict[str, str] = {}
    looks = _Looks.of(table, reading)
    for line in table.body:
        cells = {role: _cell(line, at) for at, role in enumerate(reading.roles) if role and role != "note"}
        texts = [one_line(cell).casefold() for cell in line.cells if cell.strip()]
        if titles and texts == titles:
            passed.append((line.number, line.text, phrase("the titles once more")))
        elif _is_total(texts):
            found = _totals(cells, reading, line.number)
            if not found or found.keys() & totals.keys():
                # The last of several is the one of all lines.
                passed.append((line.number, line.text, phrase("a line of totals")))
            totals |= found
        elif any(_AVERAGE.fullmatch(text.strip(" :=.")) for text in texts):
            passed.append((line.number, line.text, phrase("an average or the like")))
        elif not any(cells.values()):
            passed.append((line.number, line.text, phrase("nothing in a column that is read")))
        else:
            _fill_from_above(cells, above, reading)
            lines.append(_line(line, cells, reading, looks))
    return OldLines(tuple(lines), totals, tuple(passed))


@dataclass(frozen=True)
class _Looks:
    """What is odd about the list as a whole."""

    days_in_both_orders: bool
    # Cells beyond the last title: where commas divide them, a comma within a figure may have made one.
    titles_end_at: int | None

    @classmethod
    def of(cls, table: OldTable, reading: OldReading) -> "_Looks":
        days = [text for at, role in enumerate(reading.roles) if role in DAYS for text in table.cells(at)]
        titles = max((at + 1 for at, title in enumerate(table.titles) if title), default=None)
        return cls(
            days_in_both_orders=has_days_in_figures(days) and not _fits_one_order(days),
            titles_end_at=titles if table.title_line and table.grid.delimiter == "," else None,
        )


def _fits_one_order(days: Sequence[str]) -> bool:
    typed = [match.groups() for text in days if (match := _DAY_NUMBERS.fullmatch(text.casefold()))]
    return any(all(_day_by(order, each) for each in typed) for order in DAY_ORDERS)


def _cell(line: Line, at: int) -> str:
    text = one_line(line.cell(at))[:LONGEST_CELL]
    return "" if text.casefold() in _NOTHING_SAID else text


def _is_total(texts: Sequence[str]) -> bool:
    return any(_TOTAL.fullmatch(text.strip(" :=.")) for text in texts)


def _totals(cells: dict[str, str], reading: OldReading, number: int) -> dict[str, tuple[int, Decimal]]:
    found = {}
    for role, read in (("mass", parse_mass), ("portion", parse_mass), ("gold", parse_gold_mass)):
        text = cells.get(role, "")
        if not text:
            continue
        try:
            found[role] = (number, _measured(text, read, reading.unit(role), reading).canonical)
        except ValueError:
            continue
    return found


def _fill_from_above(cells: dict[str, str], above: dict[str, str], reading: OldReading) -> None:
    """Put what stands above where a cell says so by a mark or, if that is the list's custom, by being empty."""
    for role in ("place", "station", "dug_on", "panned_on", "digger", "panner", "bucket"):
        if role not in cells:
            continue
        text = cells[role]
        is_empty = not text and reading.as_above and not (role == "bucket" and cells.get("mass"))
        if text.casefold() in _AS_ABOVE or is_empty:
            cells[role] = above.get(role, "")
        above[role] = cells[role]


class _Cells:
    """The cells of one line, read into values; what can't be is said of the line or of its pan."""

    def __init__(self, cells: dict[str, str], reading: OldReading, looks: _Looks) -> None:
        self.cells = cells
        self.reading = reading
        self.looks = looks
        self.of_line: list[str] = []
        self.of_pan: list[str] = []
        self.asks: list[str] = []

    def text(self, role: str, longest: int) -> str:
        return self.cells.get(role, "")[:longest]

    def mass(self, role: str, complaints: list[str]) -> tuple[Decimal | None, str]:
        text = self.cells.get(role, "")
        if not text:
            return None, ""
        try:
            read = _measured(text, parse_mass, self.reading.unit(role), self.reading)
        except ValueError as error:
            complaints.append(f"{phrase(BY_NAME[role].label)}: {error}")
            return None, ""
        self._ask_about_figure(text)
        mass_g = read.canonical.quantize(MASS_STEP_G)
        if not mass_g:
            complaints.append(
                phrase(
                    "{what}: “{text}” is too small to record.", what=phrase(BY_NAME[role].label), text=text
                )
            )
            return None, ""
        return mass_g, _typed(text, self.reading.unit(role), self.reading)

    def day(self, role: str) -> datetime.date | None:
        text = self.cells.get(role, "")
        if not text:
            return None
        try:
            day = read_day(text, self.reading.day_order)
        except ValueError as error:
            self.of_line.append(f"{phrase(BY_NAME[role].label)}: {error}")
            return None
        if self.reading.changed_over and _SPREADSHEET_DAY.fullmatch(text) and day.day <= 12:
            return day.replace(month=day.day, day=day.month)
        figures = _DAY_NUMBERS.fullmatch(text.casefold())
        if (
            self.looks.days_in_both_orders
            and figures
            and len(figures[1]) < 4
            and _in_two_ways(figures.groups())
        ):
            self.asks.append(
                phrase(
                    "“{text}” is read as {day}, but other days of the list are written in the other order.",
                    text=text,
                    day=day_words(day),
                )
            )
        return day

    def _ask_about_figure(self, text: str) -> None:
        if self.reading.comma == "decimal" and _POINT_BEFORE_THREE.search(text):
            self.asks.append(
                phrase(
                    "“{text}” has a point before three digits, and the list writes decimals with commas: it is read "
                    "as decimals.",
                    text=text,
                )
            )

    def colours(self) -> dict[str, int]:
        found = {}
        for role in self.reading.roles:
            if not role.startswith("colours"):
                continue
            text = self.cells.get(role, "")
            if not text:
                continue
            size = role.removeprefix("colours").removeprefix("_")
            number = _count(text)
            if number is None:
                self.of_pan.append(
                    phrase("{what}: “{text}” is no count.", what=phrase(BY_NAME[role].label), text=text[:40])
                )
            else:
                found[size] = number
        return found

    def gold(self) -> OldGold:
        text = self.cells.get("gold", "")
        if not text:
            return OldGold()
        try:
            gold = read_gold(text, self.reading.unit("gold"), self.reading)
        except ValueError as error:
            self.of_pan.append(f"{phrase(BY_NAME['gold'].label)}: {error}")
            return OldGold()
        if gold.kind == WEIGHT:
            self._ask_about_figure(text)
        if _GR.fullmatch(text.casefold()):
            self.asks.append(
                phrase("“{text}” is read as grains. Where grams were meant, mend the file.", text=text)
            )
        if _GRAINS.fullmatch(text.casefold()) and self.reading.unit("gold") != "grain":
            self.asks.append(
                phrase(
                    "“{text}” is read as a weight of {gold}. Where grains of gold were counted, these are colours: mend the "
                    "file, or leave the pan out.",
                    text=text,
                    gold=format_gold_mg(gold.gold_mg),
                )
            )
        return gold


def _line(line: Line, texts: dict[str, str], reading: OldReading, looks: _Looks) -> OldLine:
    cells = _Cells(texts, reading, looks)
    if looks.titles_end_at and used_width(line) > looks.titles_end_at:
        cells.asks.append(
            phrase(
                "It has more cells than there are titles: does a comma within a figure or a name divide it where it should not?"
            )
        )
    if any(
        _LIKE_TOTAL.search(text) for role, text in texts.items() if role not in ("mass", "portion", "gold")
    ):
        cells.asks.append(phrase("It speaks of a total: is it a sum of other lines?"))
    mass_g, mass_typed = cells.mass("mass", cells.of_line)
    portion_g, portion_typed = cells.mass("portion", cells.of_pan)
    notes = [one_line(line.cell(at)) for at, role in enumerate(reading.roles) if role == "note"]
    return OldLine(
        number=line.number,
        text=line.text[:400],
        place=cells.text("place", 80),
        station=cells.text("station", 40),
        bucket=cells.text("bucket", 60),
        dug_on=cells.day("dug_on"),
        digger=cells.text("digger", 120),
        mass_g=mass_g,
        mass_typed=mass_typed,
        panned_on=cells.day("panned_on"),
        panner=cells.text("panner", 120),
        portion_g=portion_g,
        portion_typed=portion_typed,
        gold=cells.gold(),
        colours=cells.colours(),
        additive=_additive(cells.text("additive", 80)),
        note=" ".join(note for note in notes if note)[:1000],
        of_line=tuple(cells.of_line),
        of_pan=tuple(cells.of_pan),
        asks=tuple(cells.asks),
    )


def _additive(text: str) -> str:
    """Nothing where the cell says that nothing was added."""
    plain = {
        "no",
        "none",
        "nothing",
        "nil",
        "0",
        "water",
        "plain",
        "plain water",
        "clear water",
        "creek water",
    }
    return "" if text.casefold() in plain else text


def read_gold(text: str, unit: str, reading: OldReading) -> OldGold:
    """Return what a cell says of the gold; ValueError with a sentence where it is not understood.

    >>> plain = OldReading(0, (), ())
    >>> [read_gold(text, "mg", plain).kind for text in ("4.2", "trace", "nil", "<1", "3 colours")]
    ['weight', 'trace', 'nil', 'below', 'colours']
    """
    plain = text.casefold().strip(" .!")
    if _TRACE.fullmatch(plain):
        return OldGold(kind=TRACE, words=text)
    if _NIL.fullmatch(plain):
        return OldGold(kind=NIL, words=text)
    if match := _LESS.fullmatch(plain):
        step = _gold(match["rest"], unit, reading)
        return OldGold(kind=BELOW, step_mg=step, words=text)
    if match := _COLOURS.fullmatch(plain):
        return OldGold(kind=COLOURS, colours=int(match["number"]), words=text)
    if _GRAINS.fullmatch(plain) and _GRAINS.fullmatch(plain)["seen"]:
        return OldGold(kind=COLOURS, colours=int(re.match(r"\d+", plain)[0]), words=text)
    both = _BOTH.fullmatch(plain)
    seen = _COLOURS.fullmatch(both["colours"]) if both else None
    if seen:
        return OldGold(
            kind=WEIGHT,
            gold_mg=_gold(both["weight"], unit, reading),
            colours=int(seen["number"]),
            typed=_typed(both["weight"], unit, reading),
            words=text,
        )
    return OldGold(
        kind=WEIGHT, gold_mg=_gold(text, unit, reading), typed=_typed(text, unit, reading), words=text
    )


def _gold(text: str, unit: str, reading: OldReading) -> Decimal:
    gold_mg = _measured(text, parse_gold_mass, unit, reading).canonical.quantize(GOLD_STEP_MG)
    if not gold_mg:
        raise ValueError(phrase("“{text}” is too small to record.", text=text))
    if gold_mg > MOST_MG:
        raise ValueError(
            phrase("“{text}” is more gold than any pan held. Check the number and its unit.", text=text)
        )
    return gold_mg


def _measured(text: str, read, unit: str, reading: OldReading) -> Quantity:
    plain = _without_commas(_ABOUT.sub("", text.strip()), reading)
    if not unit and not names_unit(text):
        raise ValueError(phrase("“{text}” names no unit, and none is said for its column.", text=text[:40]))
    return read(plain, unit or "g")


def _without_commas(text: str, reading: OldReading) -> str:
    if reading.comma == "thousands":
        return _THOUSANDS_COMMA.sub(lambda match: match[0].replace(",", ""), text)
    if "," in text:
        text = _THOUSANDS_POINT.sub(lambda match: match[0].replace(".", ""), text)
    return re.sub(r"(?<=\d),(?=\d)", ".", text)


def _typed(text: str, unit: str, reading: OldReading) -> str:
    """As it stands in the list, with the unit it was read in where it names none.

    Not with a comma before three digits: whoever corrects it later could read it otherwise.
    """
    if _COMMA_BEFORE_THREE.search(text):
        text = _without_commas(text, reading)
    return (text if names_unit(text) or not unit else f"{text} {unit}")[:40]


def _count(text: str) -> int | None:
    plain = text.casefold().strip(" .")
    if _NIL.fullmatch(plain):
        return 0
    if match := _COLOURS.fullmatch(plain):
        return int(match["number"])
    if "," in plain:
        # Whose comma it is hangs on the reader's own mark.
        return None
    try:
        number = parse_number(plain)
    except ValueError:
        return None
    return int(number) if number == int(number) and number <= MOST_COLOURS else None
