"""Mangled certificates through the real pages: each is read right or refused with a sentence, none half, none with a 500.

Every figure of the sound certificate is printed once only, so a figure that is stored under another tag than its own was
misread; only where cells were swapped on purpose it was not. PROSPECTING_LONG_TESTS=1 mangles ten times as many.
"""

import datetime
import io
import random
import zipfile
from collections.abc import Callable
from uuid import uuid4

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import transaction
from django.urls import reverse

from prospecting.models import AssayReturn, ColumnReading, Dispatch, Reading
from prospecting.readers.certificate_csv import read_certificate
from tests.prospecting.views.test_assays import make_dispatch, tags_of

pytestmark = pytest.mark.django_db
ODD = [
    "=1+1",
    "\x00",
    "1e999",
    "9" * 5000,
    "<",
    "#N/A",
    "٣",
    "\ud7ff",
    "“4.1”",
    '"',
    "NaN",
    "-0.2",
    "<b>",
    "4,1",
    "Au ppm",
]
Table = list[list[str]]


def sound(tags: list[str], rng: random.Random) -> Table:
    """A header block, titles, a line for each tag with figures of its own, a repeat, a foot."""
    figures = iter(rng.sample(range(1001, 9999), 40))
    body = [
        [tag, f"0.{next(figures)}", f"{next(figures) / 1000:.3f}", f"{next(figures) / 1000:.3f}"]
        for tag in [*tags, tags[0]]
    ]
    body[1][2], body[2][3], body[3][2] = "<0.005", ">10", "NSS"
    return [
        ["Invented Mangled Laboratory"],
        ["Certificate", f"M-{rng.randrange(10**6)}"],
        [],
        ["Sample", "Wt kg", "Au_FA30_ppm", "Au Rpt ppm"],
        *body,
        ["< below the lower limit"],
    ]


def owners(table: Table, tags: list[str]) -> dict[str, set[str]]:
    """Which tags each figure was printed for."""
    found: dict[str, set[str]] = {}
    for line in table:
        if line and line[0] in tags:
            for cell in line[2:]:
                found.setdefault(cell, set()).add(line[0])
    return found


# ---- What is done to the cells. True where figures may now stand under another tag.


def swap_cells(table: Table, rng: random.Random) -> bool:
    lines = [line for line in table if len(line) > 2]
    a, b = rng.choice(lines), rng.choice(lines)
    i, j = rng.randrange(len(a)), rng.randrange(len(b))
    a[i], b[j] = b[j], a[i]
    return True


def drop_column(table: Table, rng: random.Random) -> bool:
    at = rng.randrange(4)
    for line in table:
        if len(line) > at:
            del line[at]
    # Without the column of the tags another may be taken for it.
    return at == 0


def drop_cell(table: Table, rng: random.Random) -> bool:
    line = rng.choice([line for line in table if len(line) > 2])
    del line[rng.randrange(len(line))]
    return False


def repeat_lines(table: Table, rng: random.Random) -> bool:
    for _ in range(rng.randrange(1, 5)):
        table.insert(rng.randrange(len(table)), list(rng.choice(table)))
    return False


def odd_cell(table: Table, rng: random.Random) -> bool:
    line = rng.choice([line for line in table if line])
    line[rng.randrange(len(line))] = rng.choice(ODD)
    return False


def odd_line(table: Table, rng: random.Random) -> bool:
    table.insert(rng.randrange(len(table)), [rng.choice(ODD) for _ in range(rng.randrange(1, 30))])
    return False


def other_titles(table: Table, rng: random.Random) -> bool:
    table[3] = rng.choice(
        [
            ["Sample", "Wt kg", "Result", "Again"],
            ["Sample", "Wt kg", "Au oz/ton", "Au ppt"],
            ["Au", "Au", "Au", "Au"],
            ["Tag", "Sample", "Au ppm", "Au +106um ppm"],
            ["", "", "", ""],
            ["Sample", "Wt kg", "Au +106um mg", "Wt +106um g"],
        ]
    )
    return True


def nothing(table: Table, rng: random.Random) -> bool:
    return False


CELL_MANGLES = [swap_cells, drop_column, drop_cell, repeat_lines, odd_cell, odd_line, other_titles, nothing]


# ---- How the cells become bytes, and what is done to these.


def as_text(table: Table, rng: random.Random) -> bytes:
    delimiter = rng.choice([",", ";", "\t", "|", "  ", ":"])
    end = rng.choice(["\n", "\r\n", "\r"])
    text = end.join(delimiter.join(line) for line in table)
    return text.encode(
        rng.choice(["utf-8", "utf-8-sig", "utf-16", "latin-1", "utf-16-le", "cp037"]), "replace"
    )


def as_aligned(table: Table, rng: random.Random) -> bytes:
    lines = (
        "".join(f"{cell[:60]:<16}" if len(cell) < 15 else f"{cell[:60]}  " for cell in line) for line in table
    )
    return "\n".join(lines).encode("utf-8", "replace")


def as_spreadsheet(table: Table, rng: random.Random) -> bytes:
    from openpyxl import Workbook
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

    book = Workbook()
    for line in table:
        book.active.append([_cell(ILLEGAL_CHARACTERS_RE.sub("", cell)[:32_000], rng) for cell in line])
    if rng.random() < 0.3:
        book.active.merge_cells(start_row=4, start_column=3, end_row=4, end_column=4)
    if rng.random() < 0.2:
        book.create_sheet("Other").append(["Sample", "Au ppb"])
    held = io.BytesIO()
    book.save(held)
    return held.getvalue()


def _cell(text: str, rng: random.Random):
    """Mostly as a laboratory's program writes it: figures as numbers; now and then a day or a truth."""
    if rng.random() < 0.01:
        return rng.choice([datetime.date(2026, 5, 6), True, None])
    try:
        return float(text) if "." in text else int(text) if text.isdigit() and len(text) < 15 else text
    except ValueError:
        return text


def flip_bytes(data: bytes, rng: random.Random) -> bytes:
    changed = bytearray(data)
    for _ in range(rng.randrange(1, 8)):
        changed[rng.randrange(len(changed))] = rng.randrange(256)
    return bytes(changed)


def cut_off(data: bytes, rng: random.Random) -> bytes:
    return data[: rng.randrange(len(data))]


def cut_out(data: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(data))
    return data[:at] + data[at + rng.randrange(1, 40) :]


def put_in(data: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(data))
    return data[:at] + rng.choice([b"\x00" * 9, b'"', b"\xff\xfe", b"\n\n", b",,,,", b"\x1a"]) + data[at:]


def mangle_member(data: bytes, rng: random.Random) -> bytes:
    """Pack the spreadsheet anew with one of its parts changed or gone."""
    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        parts = {name: packed.read(name) for name in packed.namelist()}
    name = rng.choice(sorted(parts))
    how = rng.choice([flip_bytes, cut_off, cut_out, None])
    if how is None:
        del parts[name]
    else:
        parts[name] = how(parts[name], rng)
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as packed:
        for each, content in parts.items():
            packed.writestr(each, content)
    return held.getvalue()


def mangled(tags: list[str], seed: int, form: Callable) -> tuple[bytes, dict[str, set[str]] | None]:
    """The bytes, and which tags each figure belongs to; None for that where the mangling may have moved figures."""
    rng = random.Random(seed)
    table = sound(tags, rng)
    own = owners(table, tags)
    has_moved = rng.choice(CELL_MANGLES)(table, rng)
    data = form(table, rng)
    if rng.random() < 0.5:
        hows = [flip_bytes, cut_off, cut_out, put_in]
        data = rng.choice([*hows, mangle_member] if data.startswith(b"PK") else hows)(data, rng)
        # A lost line end or digit may join a tag to the figures of the next line.
        has_moved = True
    return data, None if has_moved else own


class Reader:
    """Takes a file through upload, preview and storing, and looks at what is in the books afterwards."""

    def __init__(self, client, dispatch: Dispatch) -> None:
        self.client = client
        self.dispatch = dispatch
        self.path = reverse("return-read", args=[dispatch.pk])

    def read(self, data: bytes, name: str) -> bool:
        """Whether it was stored; every answer is a page or a sentence."""
        upload = SimpleUploadedFile(name, data)
        response = self.client.post(self.path, {"identity": uuid4(), "upload": upload})
        if response.status_code == 200:
            assert response.context["form"].errors
            return False
        assert response.status_code == 302
        preview = self.client.get(response.url)
        assert preview.status_code == 200
        if preview.context["read"].certificate is None:
            assert preview.context["read"].refusal.endswith((".", "?"))
        body = {
            "identity": uuid4(),
            "certificate_number": "M-1",
            "reported_on": "2026-11-02",
            "keep_as_typed": "on",
            "leave_out_unknown": "on",
        }
        stored = self.client.post(response.url, body)
        assert stored.status_code in (200, 302)
        if stored.status_code == 200 and stored.context["form"] is not None:
            assert stored.context["form"].errors
        return stored.status_code == 302


def check_stored(data: bytes, own: dict[str, set[str]] | None) -> None:
    """All of the certificate or nothing; each figure in the unit of its title and under its own tag."""
    (stored,) = AssayReturn.objects.all()
    assert bytes(stored.file_bytes) == data
    certificate = read_certificate(data)
    known = {sample.tag for sample in stored.dispatch.samples.all()}
    cells = [cell for row in certificate.rows if row.tag_text in known for cell in row.readings]
    readings = list(stored.readings.select_related("sample"))
    assert len(readings) == len(cells) > 0
    for reading in readings:
        if own is not None and reading.raw_text in own:
            assert reading.sample.tag in own[reading.raw_text], reading
        if reading.symbol == Reading.Symbol.VALUE and reading.unit == "ppm":
            assert float(reading.grade_g_per_t) == pytest.approx(
                float(reading.raw_text.replace(",", "")), abs=1e-6
            )


FORMS = {"text": as_text, "aligned": as_aligned, "spreadsheet": as_spreadsheet}
SHARES = {"text": 100, "aligned": 30, "spreadsheet": 70}
CASES = [
    pytest.param(name, first, id=f"{name}-{first}", marks=[pytest.mark.long] if first else [])
    for name in FORMS
    for first in range(0, 10 * SHARES[name], SHARES[name])
]


@pytest.mark.parametrize(("name", "first"), CASES)
def test_is_read_right_or_refused(client_as, settings, tmp_path, name, first):
    settings.DATA_DIR = tmp_path
    client = client_as("member", grade_unit="g_per_t")
    dispatch = make_dispatch(client.member, 6)
    tags = tags_of(dispatch)
    reader = Reader(client, dispatch)
    stored = 0
    for seed in range(first, first + SHARES[name]):
        data, own = mangled(tags, seed, FORMS[name])
        with transaction.atomic():
            before = Reading.objects.count(), ColumnReading.objects.count()
            if reader.read(data, f"mangled-{seed}"):
                stored += 1
                check_stored(data, own)
            else:
                assert not AssayReturn.objects.exists()
                assert (Reading.objects.count(), ColumnReading.objects.count()) == before
            transaction.set_rollback(True)
    # Were all refused, the test would show nothing.
    assert 0.1 * SHARES[name] < stored < SHARES[name]
