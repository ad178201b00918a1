"""Counts as a sentence has them, and figures with the decimal mark of whoever reads them.

Every figure that becomes text passes through `numeral`, or through `in_mark` where it is text already. The mark is a point
unless a page is made for a reader who chose a comma: what is stored or leaves as a file is made `as_written`.
"""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

from prospecting.calc import language
from prospecting.calc.language import phrase, phrase_counted, to_phrase

POINT, COMMA = ".", ","
# Digits in threes stand apart by a narrow space that no line breaks at where the comma is taken (ISO 80000-1, 7.3.1).
APART = "\u202f"
_WITH_COMMA = {ord(POINT): COMMA, ord(COMMA): APART}
_POINT_WITHIN = re.compile(r"(?<=[0-9])\.(?=[0-9])")
_COMMA_WITHIN = re.compile(r"(?<=[0-9]),(?=[0-9])")
_mark: ContextVar[str] = ContextVar("decimal_mark", default=POINT)

SMALL = (
    to_phrase("no"),
    to_phrase("one"),
    to_phrase("two"),
    to_phrase("three"),
    to_phrase("four"),
    to_phrase("five"),
    to_phrase("six"),
    to_phrase("seven"),
    to_phrase("eight"),
    to_phrase("nine"),
    to_phrase("ten"),
    to_phrase("eleven"),
    to_phrase("twelve"),
)


@contextmanager
def marked(mark: str) -> Iterator[None]:
    """Whatever becomes text inside has this mark before its decimals; another than point and comma raises ValueError."""
    if mark not in (POINT, COMMA):
        raise ValueError(f"{mark!r} is no decimal mark here: a point or a comma.")
    token = _mark.set(mark)
    try:
        yield
    finally:
        _mark.reset(token)


@contextmanager
def as_written() -> Iterator[None]:
    """Inside, all is as the books and files have it, whoever reads: figures with a point, words in English. Also marks a
    whole function."""
    with language.in_english(), marked(POINT):
        yield


def write_with(mark: str) -> None:
    """From here on figures have this mark, until the `marked` around it ends: who reads is known only on the way."""
    _mark.set(mark)


def decimal_mark() -> str:
    """The mark of whoever reads what is being made."""
    return _mark.get()


def in_mark(text: str) -> str:
    r"""A figure written with a point, and commas between thousands, as its reader has it.

    >>> with marked(COMMA): in_mark("1,234.5")
    '1\u202f234,5'
    """
    return text.translate(_WITH_COMMA) if _mark.get() == COMMA else text


def in_sentence(text: str) -> str:
    """A sentence with figures that stand in it with a point, as its reader has them; its other points and commas stay.

    >>> with marked(COMMA): in_sentence("22 lb 4 oz, 10.2 kg. Or 0.5, 1.5 t.")
    '22 lb 4 oz, 10,2 kg. Or 0,5, 1,5 t.'
    """
    return _POINT_WITHIN.sub(COMMA, text) if _mark.get() == COMMA else text


def unmarked(sentence: str) -> str:
    """A sentence the site made for its reader, with points again: what is kept of it reads alike for everyone.

    >>> with marked(COMMA): unmarked("1\u202f234,5 times, in 2, 3 or 4 blocks")
    '1,234.5 times, in 2, 3 or 4 blocks'
    """
    if _mark.get() != COMMA:
        return sentence
    return _COMMA_WITHIN.sub(POINT, sentence).replace(APART, COMMA)


def numeral(value: object, spec: str = "") -> str:
    """A number as text by a format of Python's, with its reader's mark.

    >>> numeral(1234.5, ",.2f"), numeral(0.25)
    ('1,234.50', '0.25')
    """
    return in_mark(format(value, spec))


def number_word(number: int) -> str:
    """A count as a word up to twelve, in digits beyond.

    >>> number_word(3), number_word(40)
    ('three', '40')
    """
    return phrase(SMALL[number]) if 0 <= number < len(SMALL) else str(number)


def count_phrase(one: str, many: str, number: int) -> str:
    """A count with its noun, the count as a word up to twelve.

    >>> count_phrase("{number} entry", "{number} entries", 1), count_phrase("{number} run", "{number} runs", 0)
    ('one entry', 'no runs')
    """
    return phrase_counted(one, many, number, number=number_word(number))


def listed(parts: list[str]) -> str:
    """Parts joined as in a sentence.

    >>> listed(["two now", "one soon", "four later"])
    'two now, one soon and four later'
    """
    return phrase(" and ").join(filter(None, [", ".join(parts[:-1]), *parts[-1:]]))
