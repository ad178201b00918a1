"""Counts as a sentence has them."""

SMALL = (
    "no",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
)


def number_word(number: int) -> str:
    """A count as a word up to twelve, in digits beyond.

    >>> number_word(3), number_word(40)
    ('three', '40')
    """
    return SMALL[number] if 0 <= number < len(SMALL) else str(number)


def counted(number: int, one: str, many: str = "") -> str:
    """A count with its noun; `many` where an s does not make the plural.

    >>> counted(1, "entry", "entries"), counted(0, "run")
    ('one entry', 'no runs')
    """
    return f"{number_word(number)} {one if number == 1 else many or one + 's'}"


def listed(parts: list[str]) -> str:
    """Parts joined as in a sentence.

    >>> listed(["two now", "one soon", "four later"])
    'two now, one soon and four later'
    """
    return " and ".join(filter(None, [", ".join(parts[:-1]), *parts[-1:]]))
