"""Books with a little of everything, written to a file and gone again, so that the same database can take them in."""

import datetime
import io
import uuid
from collections.abc import Callable
from dataclasses import dataclass

from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.db import transaction
from django.utils import timezone

from prospecting.actions.journal import write_event
from prospecting.frames.books_out import write_books, write_spreadsheet
from prospecting.models import (
    AssayReturn,
    ClaimPaper,
    ColumnReading,
    Delivery,
    HeldEntry,
    Member,
    Photo,
    Reading,
)
from prospecting.models.whole_books import BookTable, book_tables
from tests import make
from tests.trials.make_old_sheet import make_old_sheet
from tests.trials.make_trial import log, make_closed, make_running
from trials.actions.clearing import TubOf, add_clearing_test
from trials.models import ClearingTest, Finding, FindingEvidence

PHOTO_NAME = "2026/05/abc.jpg"
PHOTO = b"\xff\xd8 no picture, but bytes like any other \xff\xd9" * 40
LONG_FILE = bytes(range(256)) * 200


def fill_books(text: str = "rinse\r\nlow, =1+1") -> None:
    """Rows in most tables, made by the actions where that is short; `text` stands in free texts."""
    keeper = make.make_member("keeper", email="k@example.invalid")
    trial = make_closed(lambda planned: f"{planned.run_order}.5")
    running = make_running()
    log(running.planned_runs.first(), keeper, "1.25")
    parcel = make.make_parcel(2, member=keeper)
    certificate = AssayReturn.objects.create(
        dispatch=parcel,
        certificate_number="C-1",
        reported_on=make.DAY,
        file_name="c.csv",
        file_sha256="a" * 64,
        file_bytes=b"tag,Au\r\n",
        note=text,
        recorded_by=keeper,
    )
    Reading.objects.create(
        assay_return=certificate,
        sample=parcel.samples.first(),
        order=1,
        raw_text="2.50",
        unit="g/t",
        symbol="value",
        grade_g_per_t="2.5",
    )
    make.make_material(member=keeper, note=text)
    add_clearing_test(
        question=text,
        measure=ClearingTest.Measure.TURBIDITY,
        target=100,
        tubs=[TubOf("1"), TubOf("2")],
        recorded_by=keeper,
    )
    claim = make.make_claim(note=text)
    ClaimPaper.objects.create(
        claim=claim,
        title="Permit",
        file_name="p.pdf",
        file_sha256="b" * 64,
        file_bytes=LONG_FILE,
        content_type="application/pdf",
        recorded_by=keeper,
    )
    make.make_claim_date(claim, recorded_by=keeper)
    make_old_sheet(member=keeper, note=text)
    ColumnReading.objects.create(
        laboratory=parcel.laboratory,
        titles_sha256="c" * 64,
        titles=text,
        answers={"b": [1.5, None, text], "a": 1e17, "c": -0.0},
        settled_by=keeper,
    )
    delivery = Delivery.objects.create(
        identity=uuid.uuid4(), member=keeper, body_sha256="d" * 64, clock_ahead_s=-5
    )
    HeldEntry.objects.create(
        delivery=delivery, title="Pan", form_path="/x/", body={"note": [text]}, code="late", sentence=text
    )
    default_storage.delete(PHOTO_NAME)
    name = default_storage.save(PHOTO_NAME, ContentFile(PHOTO))
    Photo.objects.create(file=name, thumb="2026/05/gone.jpg", width_px=4, height_px=3, added_by=keeper)
    finding = Finding.objects.create(
        about="other",
        stand="open",
        sentence="Not settled",
        why=text,
        concluded_by="all",
        concluded_on=make.DAY,
        recorded_by=keeper,
    )
    FindingEvidence.objects.create(
        finding=finding,
        trial=trial,
        data_hash="e" * 64,
        figures={"ratio": 1.25, "z": [0.1]},
        versions={"a": "1"},
    )
    write_event(member=keeper, kind="keeping", label="Test", what=text, why=text)
    # Moments that storing would set anew.
    past = timezone.now() - datetime.timedelta(days=30, microseconds=1)
    Photo.objects.update(added_at=past)
    ColumnReading.objects.update(settled_at=past)
    Member.objects.filter(pk=keeper.pk).update(last_login=past)


@dataclass(frozen=True)
class Written:
    zip: bytes
    xlsx: bytes
    tables: dict[str, bytes]


def lines_of(table: BookTable) -> bytes:
    return b"".join(map(table.line, table.rows()))


def all_lines() -> dict[str, bytes]:
    return {table.name: lines_of(table) for table in book_tables()}


def written_and_gone(fill: Callable[[], None] = fill_books) -> Written:
    """The files of filled books, and their tables; the database is empty again afterwards, and so is the photos' folder."""
    with transaction.atomic():
        fill()
        kept, sheets = io.BytesIO(), io.BytesIO()
        write_books(kept)
        write_spreadsheet(sheets)
        tables = all_lines()
        names = list(Photo.objects.values_list("file", flat=True))
        transaction.set_rollback(True)
    for name in names:
        default_storage.delete(name)
    return Written(kept.getvalue(), sheets.getvalue(), tables)


def is_empty() -> bool:
    return not any(table.model._base_manager.exists() for table in book_tables())
