"""The chain over the journal: each entry hashed together with the hash of the link before it, so that no change stays unseen.

A link's hash is SHA-256 (FIPS 180-4) over the hash of the link before it in 64 small hexadecimal digits, a line feed, and the
text of its entry, all in ASCII; before the first link stand 64 zeros. The text, in form 1, is a JSON array (RFC 8259) without
blanks: 1, the entry's id, its time as whole microseconds since 1970-01-01T00:00:00Z, the member's id or null, the device, the
kind, id, label and path of the record, what was done, why, and the changes as an object whose names are sorted by code point.
Characters beyond ASCII are written as \\u escapes. Nothing in it depends on the database that holds the entry.
"""

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, fields
from datetime import UTC, datetime, timedelta
from enum import StrEnum

from prospecting.calc.language import phrase

FORM = 1
BEFORE_FIRST = "0" * 64
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Entry:
    """What of an entry is sealed; `at` knows its zone, `changes` is what JSON can hold."""

    pk: int
    at: datetime
    member_id: int | None
    device: str
    subject_kind: str
    subject_id: int
    subject_label: str
    subject_path: str
    what: str
    why: str
    changes: Mapping


SEALED_FIELDS = tuple(field.name for field in fields(Entry))


@dataclass(frozen=True)
class Link:
    """One seal: its number in the chain, the entry it names (None where that is gone) and its hash."""

    number: int
    entry_pk: int
    entry: Entry | None
    sha256: str


class Fault(StrEnum):
    CHANGED = "changed"
    MISSING = "missing"
    OUT_OF_ORDER = "out of order"
    # Found only by a head that was written down earlier: the links hold among themselves.
    CUT = "cut off"
    ANEW = "made anew"


@dataclass(frozen=True)
class Break:
    """The first link that does not hold: its number, the entry it names (if any), what is wrong, and that in a sentence."""

    number: int
    entry_pk: int | None
    fault: Fault
    sentence: str


@dataclass(frozen=True)
class Walk:
    """How far a chain holds: `count` links, the last with hash `head`; `broken` is the first that does not."""

    count: int
    head: str
    broken: Break | None = None


def text_of(entry: Entry) -> str:
    """The text of an entry in form 1.

    >>> at = datetime(2026, 5, 3, 6, 0, 0, 250, tzinfo=UTC)
    >>> text_of(Entry(7, at, None, "", "lot", 3, "K7A4", "/lots/K7A4/", "moved", "", {"place": ["", "shed µ"]}))
    '[1,7,1777788000000250,null,"","lot",3,"K7A4","/lots/K7A4/","moved","",{"place":["","shed \\\\u00b5"]}]'
    """
    parts = [
        FORM,
        entry.pk,
        (entry.at - EPOCH) // timedelta(microseconds=1),
        entry.member_id,
        entry.device,
        entry.subject_kind,
        entry.subject_id,
        entry.subject_label,
        entry.subject_path,
        entry.what,
        entry.why,
        entry.changes,
    ]
    return json.dumps(parts, ensure_ascii=True, sort_keys=True, separators=(",", ":"))


def hash_after(before: str, entry: Entry) -> str:
    """The hash of the link that seals `entry` after a link whose hash is `before`.

    >>> entry = Entry(1, EPOCH, None, "", "lot", 1, "", "", "", "", {})
    >>> hash_after(BEFORE_FIRST, entry)[:16]
    'b5231779e0d9dbaf'
    """
    return hashlib.sha256(f"{before}\n{text_of(entry)}".encode("ascii")).hexdigest()


def walk(links: Callable[[], Iterable[Link]], kept: Mapping[int, str] | None = None) -> Walk:
    """How far the chain holds. `links()` gives it in the order of its numbers, and a second time where a break has to be named.

    `kept` maps numbers to hashes that were written down earlier: a chain that no longer has them is another one, or was cut,
    however well its own links hold. They are looked at once every link held.
    """
    count, head, last_pk = 0, BEFORE_FIRST, None
    met: dict[int, str] = {}
    for link in links():
        if link.number != count + 1:
            return Walk(count, head, _gap(link, count, last_pk))
        if link.entry is None:
            sentence = phrase(
                "Entry {entry} is missing: its seal (link {link}) is there, the entry is gone.",
                entry=link.entry_pk,
                link=link.number,
            )
            return Walk(count, head, Break(link.number, link.entry_pk, Fault.MISSING, sentence))
        if hash_after(head, link.entry) != link.sha256:
            return Walk(count, head, _misfit(link, head, links))
        count, head, last_pk = link.number, link.sha256, link.entry_pk
        if kept and count in kept:
            met[count] = head
    return Walk(count, head, _unlike_kept(kept or {}, met, count))


def _gap(link: Link, count: int, last_pk: int | None) -> Break:
    missing, last = count + 1, link.number - 1
    where = phrase("after entry {entry}", entry=last_pk) if last_pk else phrase("at the beginning")
    if missing == last:
        sentence = phrase(
            "Link {link} is missing {where}, before entry {entry}: what stood there was taken out.",
            link=missing,
            where=where,
            entry=link.entry_pk,
        )
    else:
        sentence = phrase(
            "Links {first} to {last} are missing {where}, before entry {entry}: what stood there was taken out.",
            first=missing,
            last=last,
            where=where,
            entry=link.entry_pk,
        )
    return Break(missing, link.entry_pk, Fault.MISSING, sentence)


def _misfit(link: Link, head: str, links: Callable[[], Iterable[Link]]) -> Break:
    """Whether another entry, or another link, is what belongs here; else this one was changed."""
    for other in links():
        if other.number <= link.number or other.entry is None:
            continue
        fitting = hash_after(head, other.entry)
        if fitting in (link.sha256, other.sha256):
            sentence = phrase(
                "Entry {entry} is out of order: at link {link} stood entry {other}.",
                entry=link.entry_pk,
                link=link.number,
                other=other.entry_pk,
            )
            return Break(link.number, link.entry_pk, Fault.OUT_OF_ORDER, sentence)
    sentence = phrase(
        "Entry {entry} does not fit its seal (link {link}): it was changed after it was sealed, or something before it was "
        "put in or taken out.",
        entry=link.entry_pk,
        link=link.number,
    )
    return Break(link.number, link.entry_pk, Fault.CHANGED, sentence)


def _unlike_kept(kept: Mapping[int, str], met: Mapping[int, str], count: int) -> Break | None:
    for number, sha256 in sorted(kept.items()):
        if number > count:
            sentence = phrase(
                "The chain ends at link {link}, but {number} links were written down: its end was cut off.",
                link=count,
                number=number,
            )
            return Break(count + 1, None, Fault.CUT, sentence)
        if met.get(number, BEFORE_FIRST) != sha256:
            sentence = phrase(
                "Link {link} has another hash than was written down. All links hold among themselves, so the chain was made "
                "anew from some entry on.",
                link=number,
            )
            return Break(number, None, Fault.ANEW, sentence)
    return None
