"""The lines above a certificate's table: its number, laboratory, day reported, and what holds for all columns."""

import datetime
import re

from prospecting.readers.text_table import Line, one_line

_FACT_LABELS = (
    ("certificate_number", r"(?:certificate|report|lab(?:oratory)? job|job|work order)(?: of analysis)?"),
    ("client_order", r"(?:client|customer|your|purchase)(?: order)?|order|po"),
    (
        "date_reported",
        r"(?:date )?(?:reported|issued)(?: on)?|date of (?:report|issue)|(?:report|issue) date",
    ),
    (
        "replaces",
        r"(?:this (?:certificate|report) )?(?:supersedes|replaces|corrects|amends|revises)(?: (?:certificate|report|job))?",
    ),
    ("laboratory", r"lab(?:oratory)?(?: name)?"),
    ("unit", r"units?|results? in|(?:all )?gold (?:results? )?in"),
    ("method", r"(?:analysis |assay )?method|analysis"),
)
_FACTS = tuple(
    (name, re.compile(rf"(?:{label})\s*(?:no\.?|nr\.?|number|ref\.?|#)?\s*", re.IGNORECASE))
    for name, label in _FACT_LABELS
)
_FACT_RUN_ON = re.compile(
    r"(?P<label>(?:certificate|report|job|order)(?: no\.?| number| #)|(?:all )?(?:gold |results )+in"
    r"|(?:this (?:certificate|report) )?(?:supersedes|replaces|corrects|amends|revises) (?:certificate|report|job)(?: no\.?)?)"
    r"\s+(?P<fact>\S.*)",
    re.IGNORECASE,
)
_NAMES_LABORATORY = re.compile(r"laborator|assayers?\b|assay office", re.IGNORECASE)


def header_facts(lines: list[Line]) -> dict[str, str]:
    """Return the facts printed above the table; the first of each kind counts."""
    facts: dict[str, str] = {}
    for line in lines:
        cells = [one_line(cell)[:200] for cell in line.cells if cell.strip()]
        for cell, following in zip(cells, [*cells[1:], ""], strict=False):
            label, fact = _split_fact(cell, following)
            name = next((name for name, pattern in _FACTS if pattern.fullmatch(label)), None)
            if name and fact:
                facts.setdefault(name, fact)
        if len(cells) == 1 and ":" not in cells[0] and _NAMES_LABORATORY.search(cells[0]):
            facts.setdefault("laboratory", cells[0])
    return facts


def _split_fact(cell: str, following: str) -> tuple[str, str]:
    """Return label and fact: "Job: 7", "Job no. 7", or a label in one cell and the fact in the next."""
    label, colon, fact = cell.partition(":")
    if colon:
        return label.strip(), fact.strip() or following
    run_on = _FACT_RUN_ON.fullmatch(cell)
    return (run_on["label"], run_on["fact"]) if run_on else (cell, following)


_REVISION_MARK = re.compile(
    r"[\s._/,-]*\(?(?:(?:rev(?:ision|ised)?|version|v|r)[\s.]*[0-9]*|amended|corrected|amendment[\s.]*[0-9]*)\)?$",
    re.IGNORECASE,
)
# "INV-14A" or "INV-14-1" may be a version of INV-14 or the next certificate: only taken where INV-14 is known.
_LAST_SIGN = re.compile(r"(?<=[0-9])[\s._/-]*[A-D]$|(?<=[0-9])[._/-][1-9]$", re.IGNORECASE)


def is_same_number(number: str, other: str) -> bool:
    """Whether two certificate numbers are one, however their signs are divided; two blanks are not."""
    return bool(_plain(number)) and _plain(number) == _plain(other)


def is_revision_of(number: str, known: str) -> bool:
    """Whether a number reads like a later version of a known one, or is the same.

    >>> [is_revision_of(number, "INV-14") for number in ("INV-14 Rev 1", "INV-14A", "INV-141", "INV-14")]
    [True, True, False, True]
    """
    if is_same_number(number, known):
        return True
    known_bases = {_plain(known), _plain(_REVISION_MARK.sub("", known))} - {""}
    shorter = [_REVISION_MARK.sub("", number), _LAST_SIGN.sub("", number)]
    return any(_plain(base) in known_bases for base in shorter if base != number)


def _plain(number: str) -> str:
    return re.sub(r"[\W_]+", "", number).casefold()


_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_DAYS = (
    re.compile(r"(?P<year>[0-9]{4})-(?P<month>[0-9]{2})-(?P<day>[0-9]{2})(?:[T ].*)?"),
    re.compile(r"(?P<day>[0-9]{1,2})[ -](?P<name>[a-z]{3})[a-z]*\.?[ -](?P<year>[0-9]{4})"),
    re.compile(r"(?P<name>[a-z]{3})[a-z]*\.? (?P<day>[0-9]{1,2}),? (?P<year>[0-9]{4})"),
)


def read_day(text: str) -> datetime.date | None:
    match = next((match for pattern in _DAYS if (match := pattern.fullmatch(text.strip().lower()))), None)
    if match is None:
        return None
    parts = match.groupdict()
    try:
        month = int(parts["month"]) if "month" in parts else _MONTHS.index(parts["name"]) + 1
        return datetime.date(int(parts["year"]), month, int(parts["day"]))
    except ValueError:
        return None
