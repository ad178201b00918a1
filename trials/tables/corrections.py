"""What a correction changed, in sections: lots, steps, runs. Read from its list of changes, also years later."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from django.urls import reverse

# Which pages the first words of a change lead to; everything else begins with a lot's code.
_NUMBERED = {"Step": "step-detail", "Run": "run-detail"}


@dataclass(frozen=True)
class ChangeRow:
    what: str
    before: str
    after: str


@dataclass(frozen=True)
class ChangeSection:
    """All changes of one lot, step or run."""

    name: str
    url: str
    is_lot: bool
    rows: list[ChangeRow]


def change_sections(changes: Mapping[str, Sequence[str]]) -> list[ChangeSection]:
    """`changes` as the journal keeps them: {what: [before, after]}; lots first, then steps, then runs, each in order."""
    sections: dict[tuple, ChangeSection] = {}
    for what, (before, after) in changes.items():
        numbered = re.match(r"(Step|Run) (\d+)( \(.*?\))?: (.*)", what)
        if numbered:
            kind, number, told, rest = numbered.groups()
            key = (list(_NUMBERED).index(kind) + 1, int(number), "")
            name, url = f"{kind} {number}{told or ''}", reverse(_NUMBERED[kind], args=[number])
        else:
            name, rest = re.match(r"(\S+?):? (.*)", what).groups()
            key, url = (0, 0, name), reverse("lot-detail", args=[name])
        section = sections.setdefault(key, ChangeSection(name, url, numbered is None, []))
        section.rows.append(ChangeRow(rest, before, after))
    return [sections[key] for key in sorted(sections)]
