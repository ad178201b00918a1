"""The whole books leave as one file and come in again as the same books, or not at all."""

import hashlib
import io
import json
import random
import zipfile
from contextlib import contextmanager

import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.core.management import CommandError, call_command
from django.db import connection, transaction
from openpyxl import load_workbook

from prospecting.actions.books_in import take_in_books
from prospecting.actions.refusal import Refused
from prospecting.frames.books import faults_of_lots, faults_of_steps
from prospecting.frames.books_out import DoesNotFit, write_books, write_spreadsheet
from prospecting.models import ClaimPaper, JournalEntry, Lot, Member, Photo
from prospecting.models.whole_books import book_tables
from tests import make
from tests.make_books import (
    LONG_FILE,
    PHOTO,
    PHOTO_NAME,
    all_lines,
    fill_books,
    is_empty,
    lines_of,
    written_and_gone,
)
from tests.prospecting.calc.test_cells import PAYLOADS
from trials.models import KeyOpening, Trial
from trials.scenario import load_scenario

pytestmark = pytest.mark.django_db


def take_in(data: bytes, **options):
    return take_in_books(file=io.BytesIO(data), size=len(data), **options)


@contextmanager
def undone():
    """Whatever is taken in inside is gone again afterwards."""
    with transaction.atomic():
        yield
        names = [*Photo.objects.values_list("file", flat=True)]
        transaction.set_rollback(True)
    for name in names:
        default_storage.delete(name)


def but_for_the_last_line(tables: dict[str, bytes]) -> dict[str, bytes]:
    """The tables without the journal's line about the taking in, and its seal."""
    entry = JournalEntry.objects.latest("pk")
    seal = getattr(entry, "seal", None)
    cut = {"journalentry": 1, "journalseal": 1 if seal else 0}
    return {
        name: b"".join(lines.splitlines(keepends=True)[: -cut[name]]) if cut.get(name) else lines
        for name, lines in tables.items()
    }


@pytest.fixture(scope="module")
def written_once(django_db_setup, django_db_blocker):
    with django_db_blocker.unblock():
        return written_and_gone()


@pytest.fixture
def books(db, written_once):
    default_storage.delete(PHOTO_NAME)
    return written_once


def test_a_zip_comes_in_as_the_same_books(books):
    assert is_empty()
    taken = take_in(books.zip)
    assert but_for_the_last_line(all_lines()) == books.tables
    assert default_storage.open(PHOTO_NAME).read() == PHOTO
    assert (taken.files, taken.missing_files, taken.left_out) == (1, 1, 0)
    assert taken.rows == sum(lines.count(b"\n") for lines in books.tables.values())
    assert bytes(ClaimPaper.objects.get().file_bytes) == LONG_FILE
    assert not list(faults_of_lots()) and not list(faults_of_steps())
    default_storage.delete(PHOTO_NAME)


def test_a_photo_left_from_a_taking_in_that_was_killed_is_no_obstacle(books):
    default_storage.save(PHOTO_NAME, ContentFile(PHOTO))
    with undone():
        assert take_in(books.zip).files == 1
    default_storage.save(PHOTO_NAME, ContentFile(PHOTO + b"x"))
    with pytest.raises(Refused, match="Another photo 2026/05/abc.jpg lies in this site's folder already"):
        take_in(books.zip)
    assert is_empty() and default_storage.open(PHOTO_NAME).read() == PHOTO + b"x"
    default_storage.delete(PHOTO_NAME)


def test_nobody_who_came_in_has_a_password(books):
    assert b"password" not in books.tables["member"]
    with undone():
        take_in(books.zip)
        assert not any(member.has_usable_password() for member in Member.objects.all())


def test_what_goes_out_again_is_byte_for_byte_what_came_in(books):
    with undone():
        take_in(books.zip)
        again = io.BytesIO()
        write_books(again)
        with zipfile.ZipFile(io.BytesIO(books.zip)) as first, zipfile.ZipFile(again) as second:
            assert first.namelist() == second.namelist()
            changed = [name for name in first.namelist() if first.read(name) != second.read(name)]
    own_line = {"tables/journalentry.jsonl", "tables/journalseal.jsonl", "books.json", "README.txt"}
    assert set(changed) <= own_line


def test_new_rows_are_numbered_on_also_after_rows_that_are_gone(books):
    def fill():
        make.make_claim("A")
        make.make_claim("B").delete()

    written = written_and_gone(fill)
    with undone():
        take_in(written.zip)
        assert make.make_claim("C").pk > json.loads(written.tables["claim"].splitlines()[-1])["id"] + 1


def test_a_spreadsheet_comes_in_but_for_what_it_says_it_leaves_out(books):
    with pytest.raises(Refused, match="holds no photos \\(2 belong to these books\\) and leaves 1 long cell"):
        take_in(books.xlsx)
    assert is_empty()
    with undone():
        taken = take_in(books.xlsx, without_files=True)
        tables = but_for_the_last_line(all_lines())
        assert (taken.files, taken.missing_files, taken.left_out) == (0, 2, 1)
        assert bytes(ClaimPaper.objects.get().file_bytes) == b""
    assert tables | {"claimpaper": b""} == books.tables | {"claimpaper": b""}


def test_every_text_of_the_books_is_inert_in_the_spreadsheet_and_comes_back(db):
    """30 payloads in every free text there is: 0 formulas, numbers numbers, and the same books again."""

    def fill():
        fill_books()
        for table in book_tables():
            if not table.name.startswith("journal"):
                fill_texts(table)
        for payload in PAYLOADS:
            JournalEntry.objects.create(
                subject_kind="claim",
                subject_id=1,
                subject_label=payload,
                what=payload,
                why=payload,
                changes={payload: payload},
            )

    written = written_and_gone(fill)
    assert written.tables["journalentry"].count(b"=HYPERLINK") >= 4
    book = load_workbook(io.BytesIO(written.xlsx))
    kinds = {cell.data_type for sheet in book for row in sheet.iter_rows() for cell in row}
    assert "f" not in kinds
    with zipfile.ZipFile(io.BytesIO(written.xlsx)) as packed:
        assert not any(
            b"<f>" in packed.read(name) or b"<f " in packed.read(name) for name in packed.namelist()
        )
    with undone():
        take_in(written.xlsx, without_files=True)
        tables = but_for_the_last_line(all_lines())
    del tables["claimpaper"], written.tables["claimpaper"]
    assert tables == written.tables


def fill_texts(table) -> None:
    """A payload in each free text of each row, another one in the next."""
    for place, column in enumerate(table.columns):
        field = column.field
        free = column.kind == "text" and not (
            field.choices or field.unique or field.null or column.names_file
        )
        if not free or column.name in KEPT_TEXTS or column.name.endswith("sha256"):
            continue
        for number, record in enumerate(table.model._base_manager.order_by("pk")):
            payload = PAYLOADS[(number + place) % len(PAYLOADS)]
            longest = getattr(field, "max_length", None) or 1000
            table.model._base_manager.filter(pk=record.pk).update(**{column.name: payload[:longest]})


# Texts that a rule of the database looks into.
KEPT_TEXTS = {
    "name",
    "code",
    "blind_code",
    "label",
    "tag",
    "symbol",
    "unit",
    "outcome",
    "certificate_number",
    "in_use_symbol",
}


def test_minus_one_and_a_half_is_a_number_in_the_spreadsheet(db):
    def fill():
        zone = make.make_zone()
        lot = make.make_lot(zone=zone)
        dig = lot.made_by.dig
        dig.latitude, dig.longitude = "-1.5", "2.25"
        dig.save()

    book = load_workbook(io.BytesIO(written_and_gone(fill).xlsx))
    titles, row = book["dig"].iter_rows(values_only=True)
    assert dict(zip(titles, row, strict=True))["latitude"] == -1.5


def test_what_a_spreadsheet_can_not_hold_is_named(db, monkeypatch):
    monkeypatch.setattr("prospecting.frames.books_out.MOST_SHEET_ROWS", 3)
    for _ in range(3):
        make.make_claim()
    with pytest.raises(DoesNotFit, match="Table claim has 3 rows, and a sheet holds 2 below its titles"):
        write_spreadsheet(io.BytesIO())


def test_books_come_only_into_an_empty_site(books):
    make.make_claim()
    before = all_lines()
    with pytest.raises(Refused, match="has books already \\(table claim has rows\\)"):
        take_in(books.zip)
    assert all_lines() == before and not default_storage.exists(PHOTO_NAME)


def test_each_column_has_its_words_and_no_table_lets_anybody_in(books):
    with zipfile.ZipFile(io.BytesIO(books.zip)) as packed:
        facts, readme = json.loads(packed.read("books.json")), packed.read("README.txt").decode()
    tables = {table["name"]: table for table in facts["tables"]}
    assert not tables.keys() & {"signin", "apitoken", "calendarlink", "invitation", "session"}
    lot = {column["name"]: column for column in tables["lot"]["columns"]}
    assert lot["on_hand_g"] | {"meaning": ""} == {
        "name": "on_hand_g",
        "holds": "decimal number",
        "may_be_empty": False,
        "digits_behind_the_point": 5,
        "unit": "g",
        "meaning": "",
    }
    assert lot["made_by_id"]["meaning"] == "made by: number of a row of step"
    for table in book_tables():
        for column in table.columns:
            assert f"  {column.name}: {column.kind}" in readme


# Mangled files


def repacked(data: bytes, change) -> bytes:
    """The ZIP with its parts (name -> bytes) changed by `change`."""
    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        parts = {name: packed.read(name) for name in packed.namelist()}
    change(parts)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, part in parts.items():
            packed.writestr(name, part)
    return out.getvalue()


def facts_changed(change):
    def apply(parts):
        facts = json.loads(parts["books.json"])
        change(facts)
        parts["books.json"] = json.dumps(facts).encode()

    return apply


def table_of(facts, name="lot"):
    return next(table for table in facts["tables"] if table["name"] == name)


def rows_changed(name: str, change):
    """The rows of a table changed, and its facts made to fit, as somebody would who means it."""

    def apply(parts):
        rows = [json.loads(line) for line in parts[f"tables/{name}.jsonl"].splitlines()]
        rows = change(rows) or rows
        lines = "".join(
            f"{json.dumps(row, ensure_ascii=False, separators=(',', ':'))}\n" for row in rows
        ).encode()
        parts[f"tables/{name}.jsonl"] = lines
        facts = json.loads(parts["books.json"])
        table_of(facts, name).update(rows=len(rows), sha256=hashlib.sha256(lines).hexdigest())
        parts["books.json"] = json.dumps(facts).encode()

    return apply


def first(**values):
    return lambda rows: rows[0].update(values)


MANGLED = {
    "another format": (facts_changed(lambda facts: facts.update(format="x")), "not a file of whole books"),
    "a later version": (facts_changed(lambda facts: facts.update(version=2)), "of version 2 of its format"),
    "a version that is true": (facts_changed(lambda facts: facts.update(version=True)), "of version True"),
    "a foreign table": (
        lambda parts: (
            facts_changed(lambda facts: facts["tables"].append(table_of(facts) | {"name": "sessions"}))(
                parts
            ),
            parts.update({"tables/sessions.jsonl": parts["tables/lot.jsonl"]}),
        ),
        "no table sessions",
    ),
    "a table less": (
        lambda parts: (
            facts_changed(lambda facts: facts["tables"].remove(table_of(facts, "weighing")))(parts),
            parts.pop("tables/weighing.jsonl"),
        ),
        "table weighing is missing",
    ),
    "a table twice": (
        facts_changed(lambda facts: facts["tables"].append(table_of(facts))),
        "names a table twice",
    ),
    "a column less": (
        facts_changed(lambda facts: table_of(facts)["columns"].pop()),
        "column is_void of table lot is not as on this site",
    ),
    "a foreign column": (
        facts_changed(
            lambda facts: table_of(facts)["columns"].append(
                {"name": "x", "holds": "text", "may_be_empty": True}
            )
        ),
        "column x of table lot",
    ),
    "a part less": (lambda parts: parts.pop("tables/lot.jsonl"), "tables/lot.jsonl is missing"),
    "a part more": (lambda parts: parts.update({"tables/x.exe": b"x"}), "does not belong in it"),
    "a way out": (lambda parts: parts.update({"photos/../../x.py": b"x"}), "does not belong in it"),
    "a way out by name": (
        lambda parts: (
            parts.update({"photos.jsonl": b'{"name":"../../x.py","bytes":1,"sha256":"%s"}\n' % (b"0" * 64)}),
            facts_changed(
                lambda facts: facts.update(files_sha256=hashlib.sha256(parts["photos.jsonl"]).hexdigest())
            )(parts),
        ),
        "no name of a photo",
    ),
    "rows less": (
        lambda parts: parts.update({"tables/lot.jsonl": parts["tables/lot.jsonl"].split(b"\n", 1)[1]}),
        "table lot should have",
    ),
    "a row twice": (
        lambda parts: parts.update({"tables/lot.jsonl": parts["tables/lot.jsonl"] * 2}),
        "Nothing was taken in",
    ),
    "another photo": (
        lambda parts: parts.update({"photos/2026/05/abc.jpg": PHOTO[:-1]}),
        "photo 2026/05/abc.jpg is not as",
    ),
    "a number in a text": (
        lambda parts: parts.update(
            {"tables/claim.jsonl": parts["tables/claim.jsonl"].replace(b"rinse", b"rinsf")}
        ),
        "table claim is not as it was written",
    ),
    "a mass below nought": (
        rows_changed("lot", first(mass_g="-1.00000")),
        "do not fit together in table lot",
    ),
    "a mass of words": (rows_changed("lot", first(mass_g="much")), "Row 1 of table lot, column mass_g"),
    "too many digits": (
        rows_changed("lot", first(mass_g="1" * 30 + ".00000")),
        "Row 1 of table lot, column mass_g",
    ),
    "a text too long": (rows_changed("claim", first(name="x" * 81)), "Row 1 of table claim, column name"),
    "a blank number": (rows_changed("lot", first(id=None)), "it is empty, which it may not be"),
    "nobody's lot": (rows_changed("lot", first(made_by_id=10**9)), "do not fit together"),
    "a great number": (rows_changed("lot", first(made_by_id=2**70)), "Nothing was taken in"),
    "the same code": (
        rows_changed("lot", lambda rows: rows[1].update(code=rows[0]["code"])),
        "do not fit together in table lot",
    ),
    "rows out of order": (rows_changed("lot", lambda rows: rows[::-1]), "order of their numbers"),
    "a photo elsewhere": (
        rows_changed("photo", first(file="secret_key")),
        "photos of the file are not those",
    ),
    "no JSON": (lambda parts: parts.update({"books.json": b"{"}), "can't be read"),
    "deep JSON": (lambda parts: parts.update({"books.json": b"[" * 200_000}), "can't be read"),
}


@pytest.mark.parametrize("name", MANGLED)
def test_a_mangled_file_is_refused_in_a_sentence_and_leaves_nothing(books, name):
    change, sentence = MANGLED[name]
    with pytest.raises(Refused, match=sentence):
        take_in(repacked(books.zip, change))
    assert is_empty() and not default_storage.exists(PHOTO_NAME)


def test_a_file_made_to_burst_is_refused_before_it_is_unpacked(books):
    bomb = repacked(books.zip, lambda parts: parts.update({"tables/lot.jsonl": b" " * 20_000_000}))
    with pytest.raises(Refused, match="made to burst"):
        take_in(bomb)


@pytest.mark.parametrize("data", [b"", b"PK\x03\x04", b"lots of words", b"\0" * 1000])
def test_what_is_no_such_file_is_refused(data):
    with pytest.raises(Refused, match="neither a whole ZIP nor a whole spreadsheet"):
        take_in(data)


def test_another_spreadsheet_is_refused(books):
    from openpyxl import Workbook

    out = io.BytesIO()
    Workbook().save(out)
    with pytest.raises(Refused, match="not a file of whole books"):
        take_in(out.getvalue())


def test_a_spreadsheet_saved_anew_comes_in_and_a_cell_changed_by_hand_is_found(books):
    book = load_workbook(io.BytesIO(books.xlsx))
    saved = io.BytesIO()
    book.save(saved)
    with undone():
        assert take_in(saved.getvalue(), without_files=True).rows
    book["lot"]["F2"] = 1
    changed = io.BytesIO()
    book.save(changed)
    with pytest.raises(Refused, match="table lot is not as it was written"):
        take_in(changed.getvalue(), without_files=True)
    assert is_empty()


def mangled(data: bytes, chance: random.Random) -> bytes:
    """The file with one thing done to it that lines, disks and hands do to files."""
    spot, length = chance.randrange(len(data)), chance.randrange(1, 400)
    what = chance.randrange(5)
    if what == 0:
        return data[:spot] + bytes([data[spot] ^ (1 << chance.randrange(8))]) + data[spot + 1 :]
    if what == 1:
        return data[:spot]
    if what == 2:
        return data[:spot] + data[spot + length :]
    if what == 3:
        return data[:spot] + chance.randbytes(length) + data[spot + length :]
    return data[:spot] + data[spot : spot + length] + data[spot:]


@pytest.mark.parametrize(
    ("seed", "times"), [(1, 15), *[pytest.param(seed, 50, marks=pytest.mark.long) for seed in range(2, 10)]]
)
def test_a_damaged_file_is_refused_or_the_same_books(books, seed, times):
    chance = random.Random(seed)
    for number in range(times):
        data = mangled(books.xlsx if number % 3 == 2 else books.zip, chance)
        with undone():
            try:
                take_in(data, without_files=True)
            except Refused as refusal:
                assert len(refusal.messages) == 1 and refusal.messages[0].endswith(".")
                assert is_empty()
                assert not default_storage.exists(PHOTO_NAME)
            else:
                tables = but_for_the_last_line(all_lines())
                same = dict(books.tables)
                if Photo.objects.filter(pk__gt=0).exists() and not default_storage.exists(PHOTO_NAME):
                    del tables["claimpaper"], same["claimpaper"]
                assert tables == same


# Commands


def test_the_commands_write_and_take_in(books, tmp_path, capsys):
    target = tmp_path / "books.zip"
    with undone():
        fill_books()
        call_command("export_books", str(target))
        event = JournalEntry.objects.filter(subject_kind="export").get()
        assert (event.member, event.what) == (None, "left the site as a ZIP")
        assert JournalEntry.objects.filter(subject_kind="peek").get().subject_label == "Does it help?"
        with pytest.raises(CommandError, match="is there already"):
            call_command("export_books", str(target))
        with pytest.raises(CommandError, match="ends in .zip or .xlsx"):
            call_command("export_books", str(tmp_path / "books.csv"))
        with pytest.raises(CommandError, match="has books already"):
            call_command("import_books", str(target))
    assert target.stat().st_mode & 0o077 == 0
    assert [path.name for path in tmp_path.iterdir()] == ["books.zip"]
    with undone():
        call_command("import_books", str(target))
        assert Lot.objects.exists()
        assert JournalEntry.objects.filter(subject_kind="keeping", subject_label="Whole books").count() == 1
    with pytest.raises(CommandError, match="can't be read: No such file"):
        call_command("import_books", str(tmp_path / "none.zip"))


@pytest.mark.long
def test_the_demo_comes_in_as_the_same_books(db):
    written = written_and_gone(lambda: load_scenario(password="a long enough password"))
    for data in (written.zip, written.xlsx):
        with undone():
            take_in(data, without_files=True)
            assert but_for_the_last_line(all_lines()) == written.tables
            assert Trial.objects.count() == written.tables["trial"].count(b"\n")
            assert KeyOpening.objects.exists()


def test_writing_keeps_to_one_moment_and_to_few_rows_at_a_time(books, django_assert_max_num_queries):
    with undone():
        fill_books()
        # One question for the rows of each table, one for its last number, and those about photos.
        with django_assert_max_num_queries(2 * len(book_tables()) + 4):
            write_books(io.BytesIO())
    assert connection.vendor in ("sqlite", "postgresql") and lines_of(book_tables()[0]) == b""
