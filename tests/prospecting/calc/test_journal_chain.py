"""The chain over the journal. Referee: the sums of coreutils' sha256sum, and the examples of FIPS 180-4's publisher."""

import datetime
import hashlib
import json
import shutil
import subprocess
from dataclasses import fields, replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from prospecting.calc.journal_chain import BEFORE_FIRST, Entry, Fault, Link, hash_after, text_of, walk

AT = datetime.datetime(2026, 5, 3, 6, 0, 0, 250, tzinfo=datetime.UTC)


def entry(pk: int, **values) -> Entry:
    told = {
        "at": AT + datetime.timedelta(minutes=pk),
        "member_id": 4,
        "device": "Browser (Phone)",
        "subject_kind": "lot",
        "subject_id": pk,
        "subject_label": f"K7A{pk}",
        "subject_path": f"/lots/{pk}/",
        "what": "moved",
        "why": "rain",
        "changes": {"place": ["", "shed"], "holder": ["Ann", "Bo"]},
    }
    return Entry(pk=pk, **told | values)


def chained(*entries: Entry) -> list[Link]:
    links, sha256 = [], BEFORE_FIRST
    for number, each in enumerate(entries, start=1):
        sha256 = hash_after(sha256, each)
        links.append(Link(number, each.pk, each, sha256))
    return links


def sound(length: int = 6) -> list[Link]:
    return chained(*(entry(number * 10) for number in range(1, length + 1)))


def broken(links: list[Link], kept: dict | None = None):
    return walk(lambda: iter(links), kept).broken


def test_sha256_is_the_published_one():
    # NIST, Example Values for SHA-256: the message "abc".
    abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert hashlib.sha256(b"abc").hexdigest() == abc


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="needs sha256sum")
def test_the_chain_can_be_reckoned_without_this_site():
    """As the head of the module writes it down, by another program."""
    before = BEFORE_FIRST
    for link in sound(3):
        said = subprocess.run(
            ["sha256sum"], input=f"{before}\n{text_of(link.entry)}".encode(), capture_output=True, check=True
        )
        assert said.stdout.decode().split()[0] == link.sha256
        before = link.sha256


def test_the_text_does_not_hang_on_the_order_of_the_changes_or_on_the_zone_of_the_time():
    one = entry(1)
    denver = datetime.timezone(datetime.timedelta(hours=-6))
    other = replace(one, changes=dict(reversed(one.changes.items())), at=one.at.astimezone(denver))
    assert text_of(one) == text_of(other)


@given(st.text(), st.dictionaries(st.text(), st.lists(st.text(), min_size=2, max_size=2)))
@settings(max_examples=60)
def test_any_text_is_sealed_in_ascii_and_as_json_gives_it_back(what, changes):
    one = entry(1, what=what, changes=changes)
    assert text_of(one).isascii()
    assert text_of(replace(one, changes=json.loads(json.dumps(changes)))) == text_of(one)
    assert json.loads(text_of(one))[9] == what


def test_a_sound_chain_holds_to_its_end():
    links = sound()
    found = walk(lambda: iter(links), {3: links[2].sha256, 6: links[5].sha256})
    assert (found.count, found.head, found.broken) == (6, links[-1].sha256, None)
    assert walk(list) == walk(list, {0: BEFORE_FIRST})


OTHERS = {
    "pk": 31,
    "at": AT,
    "member_id": None,
    "subject_id": 31,
    "changes": {"place": ["", "shee"], "holder": ["Ann", "Bo"]},
}


@pytest.mark.parametrize("name", [field.name for field in fields(Entry)])
def test_any_part_of_an_entry_that_was_changed_is_found(name):
    links = sound()
    was = links[2].entry
    other = OTHERS.get(name) or getattr(was, name)[:-1] + "x" if name != "member_id" else None
    links[2] = replace(links[2], entry=replace(was, **{name: other}))
    found = walk(lambda: iter(links))
    assert (found.count, found.broken.number, found.broken.entry_pk) == (2, 3, 30)
    assert found.broken.fault == Fault.CHANGED
    assert "Entry 30 does not fit its seal (link 3)" in found.broken.sentence


def test_a_seal_that_was_changed_is_found():
    links = sound()
    links[2] = replace(links[2], sha256="f" * 64)
    assert (broken(links).number, broken(links).fault) == (3, Fault.CHANGED)


@pytest.mark.parametrize(
    ("cut", "says"),
    [
        (slice(2, 3), "Link 3 is missing after entry 20, before entry 40"),
        (slice(1, 4), "Links 2 to 4 are missing after entry 10, before entry 50"),
        (slice(0, 2), "Links 1 to 2 are missing at the beginning, before entry 30"),
    ],
)
def test_links_that_were_taken_out_are_missed(cut, says):
    links = sound()
    del links[cut]
    assert broken(links).fault == Fault.MISSING
    assert says in broken(links).sentence


def test_an_entry_that_is_gone_while_its_seal_is_there_is_missed():
    links = sound()
    links[2] = replace(links[2], entry=None)
    assert "Entry 30 is missing: its seal (link 3) is there" in broken(links).sentence


def test_links_taken_out_and_numbered_anew_do_not_fit():
    links = sound()
    del links[2]
    links = [replace(link, number=number) for number, link in enumerate(links, start=1)]
    assert (broken(links).number, broken(links).entry_pk, broken(links).fault) == (3, 40, Fault.CHANGED)


def test_a_forged_entry_put_between_does_not_fit():
    links = sound()
    forged = entry(25)
    links.insert(2, Link(3, 25, forged, hash_after(links[1].sha256, forged)))
    links = [replace(link, number=number) for number, link in enumerate(links, start=1)]
    assert (broken(links).number, broken(links).entry_pk) == (4, 30)


def test_entries_or_links_that_were_swapped_are_out_of_order():
    one, other = sound()[1], sound()[4]
    entries = sound()
    entries[1] = replace(one, entry=other.entry, entry_pk=other.entry_pk)
    entries[4] = replace(other, entry=one.entry, entry_pk=one.entry_pk)
    numbers = sound()
    numbers[1], numbers[4] = replace(other, number=2), replace(one, number=5)
    for links in (entries, numbers):
        assert broken(links).fault == Fault.OUT_OF_ORDER
        assert broken(links).sentence == "Entry 50 is out of order: at link 2 stood entry 20."


def test_a_chain_cut_at_its_end_is_found_by_a_head_written_down():
    links = sound()
    kept = {6: links[-1].sha256}
    assert broken(links[:-2]) is None
    assert broken(links[:-2], kept).fault == Fault.CUT
    assert "ends at link 4, but 6 links were written down" in broken(links[:-2], kept).sentence


def test_a_chain_made_anew_is_found_by_a_head_written_down():
    links = sound()
    forged = chained(*(replace(link.entry, why="sun") for link in links), entry(70))
    assert broken(forged) is None
    for number in (3, 6):
        found = broken(forged, {number: links[number - 1].sha256})
        assert (found.number, found.fault) == (number, Fault.ANEW)
    # One that goes on from the old links holds.
    assert broken(chained(*(link.entry for link in links), entry(70)), {6: links[-1].sha256}) is None
