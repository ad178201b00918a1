"""Every list leaves as a file: the same rows for the same people, inert texts, bare numbers."""

import csv
import datetime
import io
import tempfile

import pytest
from django.urls import reverse
from django.utils import timezone
from openpyxl import load_workbook

from prospecting.calc.cells import as_meant
from prospecting.models import Claim, Dig, HeldEntry, Invitation, JournalEntry, Lot, Zone
from tests import make
from tests.make_books import fill_books
from tests.prospecting.calc.test_cells import PAYLOADS
from trials.models import Additive, Finding, PlannedRun

pytestmark = pytest.mark.django_db

LISTS = {
    "lot-list": "lots",
    "dig-list": "digs",
    "laboratory-list": "laboratories",
    "material-list": "check-materials",
    "dispatch-list": "dispatches",
    "reading-list": "readings",
    "additive-list": "additives",
    "clearing-list": "clearing-tests",
    "finding-list": "findings",
    "trial-list": "trials",
    "run-list": "pans",
    "zone-lots": "lots-of-ground",
    "member-list": "members",
    "invitation-list": "past-invitations",
    "held-list": "settled-entries",
    "journal": "journal",
}
KEEPERS = {"member-list", "invitation-list", "held-list", "journal"}


def fill_lists() -> None:
    """Books with a row in each list: also an invitation that is past and a held entry that is settled."""
    fill_books()
    keeper, now = make.make_member("keeper"), timezone.now()
    Invitation.objects.create(
        key_sha256="b" * 64, meant_for="A digger", invited_by=keeper, expires_at=now, withdrawn_at=now
    )
    HeldEntry.objects.update(outcome="set_aside", reason="twice", settled_at=now, settled_by=keeper)


def url_of(name: str) -> str:
    return reverse(name, args=[Zone.objects.earliest("pk").pk] if name == "zone-lots" else [])


def body(response) -> bytes:
    assert response.status_code == 200, response.status_code
    return b"".join(response.streaming_content)


def csv_rows(response) -> list[list[str]]:
    return list(csv.reader(io.StringIO(body(response).decode("utf-8-sig"), newline="")))


def sheet_rows(response) -> list[tuple]:
    return list(load_workbook(io.BytesIO(body(response))).active.iter_rows(values_only=True))


def test_each_list_offers_its_file_and_gives_it(client_as):
    fill_lists()
    client = client_as("keeper")
    for name in LISTS:
        assert_gives_its_file(client, name)


def test_it_needs_no_folder_but_that_of_the_books(client_as, monkeypatch, tmp_path):
    """As in a service that may write nowhere else."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "none"))
    assert csv_rows(client_as("keeper").get(reverse("member-list"), {"file": "csv"}))


def assert_gives_its_file(client, name: str) -> None:
    url = url_of(name)
    page = client.get(url).content.decode()
    assert "?file=csv" in page and "?file=xlsx" in page
    response = client.get(url, {"file": "csv"})
    assert response["Content-Type"] == "text/csv; charset=utf-8"
    assert response["Content-Disposition"].startswith(f'attachment; filename="{LISTS[name]}-')
    assert (response["Cache-Control"], response["Content-Security-Policy"]) == (
        "private, no-store",
        "sandbox",
    )
    rows = csv_rows(response)
    sheet = load_workbook(io.BytesIO(body(client.get(url, {"file": "xlsx"})))).active
    assert [cell.value for cell in sheet[1]] == rows[0]
    # Of the journal the first file is a line in the second.
    assert sheet.max_row == len(rows) + (name == "journal")
    assert len(rows) > 1 and all(len(row) == len(rows[0]) for row in rows)


def test_a_file_opens_to_whom_its_page_opens_and_asks_as_few_questions(
    client, client_as, django_assert_max_num_queries
):
    fill_books()
    guest, keeper = client_as("guest"), client_as("keeper")
    for name in LISTS:
        url = url_of(name)
        assert client.get(url, {"file": "csv"}).status_code == 302
        assert guest.get(url, {"file": "csv"}).status_code == (403 if name in KEEPERS else 200)
        with django_assert_max_num_queries(20):
            body(keeper.get(url, {"file": "csv"}))


def test_the_journal_as_a_file_is_for_keepers_and_the_page_for_members(client_as):
    make.make_lot()
    member = client_as("member")
    response = member.get(reverse("journal"), {"file": "csv"})
    assert not response.streaming and "?file=csv" not in response.content.decode()


def test_the_file_has_all_rows_of_the_filter_in_the_order_of_the_list(client_as):
    zone = make.make_zone()
    for number in range(30):
        make.make_lot(f"{1000 + number}", zone=zone, title=f"T{number}")
    make.make_portions(Lot.objects.first(), 2, "100")
    rows = csv_rows(
        client_as("guest").get(reverse("lot-list"), {"file": "csv", "kind": "bucket", "page": "2"})
    )
    assert len(rows) == 31 and {row[1] for row in rows[1:]} == {"Bucket"}
    digs = csv_rows(client_as("guest").get(reverse("dig-list"), {"file": "csv", "sort": "-mass_g"}))
    masses = [float(row[digs[0].index("Mass (g)")]) for row in digs[1:]]
    assert masses == sorted(masses, reverse=True)


def test_numbers_are_bare_and_in_grams_whatever_the_reader_likes(client_as):
    make.make_lot("1000.5")
    client = client_as("guest", mass_unit="lb")
    rows = csv_rows(client.get(reverse("lot-list"), {"file": "csv"}))
    assert rows[1][rows[0].index("On hand (g)")] == "1000.5"
    sheet = load_workbook(io.BytesIO(body(client.get(reverse("lot-list"), {"file": "xlsx"})))).active
    assert sheet.cell(2, rows[0].index("On hand (g)") + 1).value == 1000.5


def test_a_guests_file_holds_no_position(client_as):
    dig = make.make_lot().made_by.dig
    Dig.objects.filter(pk=dig.pk).update(latitude="12.345600", longitude="-98.764000", depth_m="3")
    guest = client_as("guest")
    for name in LISTS.keys() - KEEPERS:
        rows = csv_rows(guest.get(url_of(name), {"file": "csv"}))
        cells = sheet_rows(guest.get(url_of(name), {"file": "xlsx"}))
        for told in (str(rows), str(cells)):
            assert "98.764" not in told and "12.3456" not in told
        if name == "dig-list":
            assert len(rows) == len(cells) == 2 and dig.station in rows[1] and dig.station in cells[1]


def test_the_key_of_an_open_block_is_in_no_list(client_as):
    fill_books()
    keeper = client_as("keeper")
    codes = PlannedRun.objects.filter(block__closed_at=None).values_list("blind_code", flat=True)
    assert codes
    for name in LISTS:
        rows = csv_rows(keeper.get(url_of(name), {"file": "csv"}))
        assert not {"Treatment", "treatment"} & set(rows[0]), name
        # That a treatment was thought of is in the journal; which code got it is nowhere.
        assert name == "journal" or "plain water" not in str(rows), name
        assert not [
            row for row in rows if "plain water" in str(row) and any(code in str(row) for code in codes)
        ]


def test_a_list_too_long_for_a_sheet_says_so_and_keeps_its_filter(client_as, monkeypatch):
    for _ in range(3):
        make.make_lot(zone=None)
    guest = client_as("guest")
    monkeypatch.setattr("prospecting.frames.sheets.MOST_SHEET_ROWS", 3)
    asked = {"kind": "bucket", "sort": "code", "file": "xlsx"}
    response = guest.get(reverse("lot-list"), asked)
    assert response.status_code == 302
    assert response["Location"] == f"{reverse('lot-list')}?kind=bucket&sort=code"
    assert "Take the CSV." in guest.get(response["Location"]).content.decode()
    monkeypatch.setattr("prospecting.frames.sheets.MOST_SHEET_ROWS", 4)
    assert len(sheet_rows(guest.get(reverse("lot-list"), asked))) == 4


def test_any_other_fault_is_not_taken_for_a_long_list(client_as, monkeypatch):
    def fault(*args):
        raise ValueError("a fault of ours")

    make.make_lot()
    monkeypatch.setattr("prospecting.views.list_file.write_xlsx", fault)
    with pytest.raises(ValueError, match="a fault of ours"):
        client_as("guest").get(reverse("lot-list"), {"file": "xlsx"})


def test_an_unknown_kind_of_file_is_the_page(client_as):
    assert not client_as("guest").get(reverse("lot-list"), {"file": "exe"}).streaming


def test_thirty_payloads_start_no_formula_in_any_list(client_as):
    """Each stands as text in the spreadsheet, in marks and behind an apostrophe in CSV, and is read back as it was."""
    zone = make.make_zone()
    member = make.make_member("keeper")
    for number, text in enumerate(PAYLOADS):
        lot = make.make_lot(zone=zone, member=member)
        Lot.objects.filter(pk=lot.pk).update(title=text)
        Dig.objects.filter(step=lot.made_by).update(digger=text, station=text[:40])
        Additive.objects.create(name=f"{text}{number}", kind="other", bottle_typed=text, currency="EUR")
        Finding.objects.create(
            about="other",
            stand="open",
            sentence=text,
            why=text,
            concluded_by=text,
            concluded_on=make.DAY,
            recorded_by=member,
        )
        JournalEntry.objects.create(
            subject_kind="x", subject_id=0, subject_label=text, what=text, why=text, device=text
        )
    Claim.objects.update(name="=1+1")
    client = client_as("keeper")
    titles = {
        "lot-list": "What it is",
        "dig-list": "Digger",
        "additive-list": "Bottle as typed",
        "finding-list": "Why",
        "journal": "What",
    }
    for name, title in titles.items():
        rows = csv_rows(client.get(reverse(name), {"file": "csv"}))
        place = rows[0].index(title)
        assert {as_meant(row[place]) for row in rows[1:]} >= set(PAYLOADS)
        starts = {cell[:1] for row in rows for cell in row if cell and not is_number(cell)}
        assert not starts & set("=+-@\t\r\n＝＋－＠")
        book = load_workbook(io.BytesIO(body(client.get(reverse(name), {"file": "xlsx"}))))
        cells = [cell for row in book.active.iter_rows() for cell in row]
        assert {cell.data_type for cell in cells} <= {"s", "n"}
        # A line end comes back as XML gives it back, without the return before it.
        found = {as_meant(row[place].value or "") for row in book.active.iter_rows()}
        assert {text.replace("\r\n", "\n").replace("\r", "\n") for text in PAYLOADS} <= {
            text.replace("\r\n", "\n").replace("\r", "\n") for text in found
        }


def is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def test_that_a_list_left_stands_in_the_journal_once_an_hour(client_as, monkeypatch):
    make.make_lot()
    client = client_as("guest")
    events = JournalEntry.objects.filter(subject_kind="export", member=client.member)
    for address in ("?file=csv", "?file=csv&kind=dig", "?file=xlsx", "?file=nonsense", ""):
        assert client.get(reverse("lot-list") + address).status_code == 200
    assert sorted(event.what for event in events) == [
        "the list lots left the site as csv",
        "the list lots left the site as xlsx",
    ]
    monkeypatch.setattr("prospecting.actions.journal.AGAIN", datetime.timedelta(0))
    client.get(reverse("lot-list") + "?file=csv")
    assert events.all().count() == 3
