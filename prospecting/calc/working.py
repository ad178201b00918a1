"""Rows of "show the working": what was reckoned, from what, by which formula, from which source."""

from dataclasses import dataclass

from prospecting.calc.number_words import in_mark, numeral


@dataclass(frozen=True)
class WorkingRow:
    """One step: `inputs` are (name, value, unit, link) rows, every figure already written as it is to be read.

    `about` names the one thing it is reckoned of, where it is not reckoned of all.
    """

    label: str
    formula: str = ""
    inputs: tuple[tuple[str, str, str, str], ...] = ()
    value: str = ""
    unit: str = ""
    source: str = ""
    about: str = ""


@dataclass(frozen=True)
class Working:
    """The steps in order, and what was taken as given."""

    rows: tuple[WorkingRow, ...]
    assumptions: tuple[str, ...] = ()

    def __iter__(self):
        return iter(self.rows)

    def __len__(self) -> int:
        return len(self.rows)


def figure(value: float, digits: int = 3) -> str:
    """Write a number to `digits` figures, without an exponent for the sizes met here.

    >>> figure(0.123456), figure(1234.6), figure(2.0)
    ('0.123', '1235', '2')
    """
    if value == 0:
        return "0"
    if not 1e-4 <= abs(value) < 1e7:
        return numeral(value, f".{digits - 1}e")
    if abs(value) >= 10 ** (digits - 1):
        return f"{value:.0f}"
    text = f"{value:.{digits}g}"
    return in_mark(text if "e" not in text else f"{value:f}")


def given(name: str, value: object, unit: str = "", link: str = "") -> tuple[str, str, str, str]:
    """One input of a row."""
    written = (
        value if isinstance(value, str) else figure(value) if isinstance(value, float) else numeral(value)
    )
    return (name, written, unit, link)
