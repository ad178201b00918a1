"""A table that stands in blanks: columns lined up under their titles, or words with single blanks between them.

Text copied out of a mail or a PDF looks so. An empty cell leaves no sign behind, so a figure goes to the column it stands
under, and where it stands under none or under two the line gives no figure at all.
"""

import re
from collections import Counter

from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.readers.marks import is_reading
from prospecting.readers.text_table import MOST_CELLS, MOST_LINES, Line, NoTable
from prospecting.readers.titles import heads_readings, mass_unit, read_unit

_PIECE = re.compile(r"\S+(?: \S+)*")
_MOST_LINES_ABOVE = 200
_TAG_WORDS = re.compile(r"tag|id|no\.?|number|ident|name", re.IGNORECASE)

Piece = tuple[int, int, str]


def split_at_blanks(text: str) -> list[Line]:
    """Return every line cut into the columns its titles stand over; ValueError with a sentence where there are none."""
    lines = text.splitlines()
    if len(lines) > MOST_LINES:
        raise ValueError(
            phrase(
                "The text has more than {most} lines; divide it and read the parts.",
                most=numeral(MOST_LINES, ","),
            )
        )
    pieces = [_pieces(line) for line in lines]
    title_at = next((at for at, line in enumerate(pieces[:_MOST_LINES_ABOVE]) if _names_columns(line)), None)
    if title_at is None:
        return _split_at_single_blanks(lines)
    spans = _column_spans(pieces[title_at], pieces[title_at + 1 :])
    # A line or two above the titles may tell the method of each column.
    first = max(0, title_at - 2)
    return [
        Line(number, tuple(_placed(line, spans, at > title_at) if at >= first else _texts(line)))
        for number, (at, line) in enumerate(enumerate(pieces), start=1)
    ]


def _pieces(line: str) -> list[Piece]:
    return [
        (match.start(), match.end(), match[0]) for match in _PIECE.finditer(line.expandtabs().rstrip("\x1a"))
    ]


def _texts(line: list[Piece]) -> list[str]:
    return [text for _, _, text in line]


def _names_columns(line: list[Piece]) -> bool:
    return 1 < len(line) <= MOST_CELLS and any(map(heads_readings, _texts(line)))


def _column_spans(title_line: list[Piece], below: list[list[Piece]]) -> list[tuple[int, int]]:
    """From where to where each column reaches: its title, and what stands under it in lines without an empty cell."""
    spans = [(start, end) for start, end, _ in title_line]
    for line in below:
        if len(line) == len(spans) and any(is_reading(text) for text in _texts(line)):
            spans = [
                (min(start, a), max(end, b)) for (start, end), (a, b, _) in zip(spans, line, strict=True)
            ]
    return spans


def _placed(line: list[Piece], spans: list[tuple[int, int]], is_below: bool) -> list[str]:
    if len(line) == len(spans):
        return _texts(line)
    cells = [""] * len(spans)
    for start, end, text in line:
        under = [at for at, (a, b) in enumerate(spans) if start < b and a < end]
        if len(under) != 1 or cells[under[0]]:
            # Beyond the last column, where the reader of samples sees that the line doesn't fit its titles.
            texts = _texts(line)
            return [texts[0], *[""] * (len(spans) - 1), *texts[1:]] if is_below and len(texts) > 1 else texts
        cells[under[0]] = text
    return cells


def _split_at_single_blanks(lines: list[str]) -> list[Line]:
    """Words divided by single blanks: read only where every title is told apart and the samples have as many words."""
    words = [line.split() for line in lines]
    title_at = next(
        (
            at
            for at, line in enumerate(words[:_MOST_LINES_ABOVE])
            if len(line) > 1 and any(map(heads_readings, line)) and not any(map(is_reading, line))
        ),
        None,
    )
    samples = Counter(
        len(line) for line in words[(title_at or 0) + 1 :] if len(line) > 1 and is_reading(line[-1])
    )
    if title_at is None or not samples:
        raise NoTable(
            phrase("No table was found: no line has two cells divided by commas, semicolons, tabs or blanks.")
        )
    titles = _joined_titles(words[title_at])
    if len(titles) != samples.most_common(1)[0][0]:
        raise ValueError(
            phrase(
                "The columns are divided by single blanks, and it can't be told which title stands over which figure. Paste "
                "the table with tabs, or send the file."
            )
        )
    words[title_at] = titles
    return [
        Line(number, tuple(line if at <= title_at else _fitted(line, len(titles))))
        for number, (at, line) in enumerate(enumerate(words), start=1)
    ]


def _joined_titles(words: list[str]) -> list[str]:
    """Titles with their unit or the second word of a tag's title joined to them: "Au ppm", "Sample No"."""
    titles: list[str] = []
    for word in words:
        read = read_unit(word)
        is_unit = bool(read.unit or read.unclear or (mass_unit(word) and len(word) <= 4))
        is_more = titles and (is_unit and not heads_readings(word) or _TAG_WORDS.fullmatch(word))
        if is_more:
            titles[-1] += f" {word}"
        else:
            titles.append(word)
    return titles


def _fitted(line: list[str], width: int) -> list[str]:
    if len(line) == width or len(line) < 2:
        return line
    return [line[0], *[""] * (width - 1), *line[1:]]
