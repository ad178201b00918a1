"""Files that would run something, put into the site by a member: none of them runs in the site's own origin."""

import io
import zipfile

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from prospecting.actions.assays import store_return
from prospecting.actions.photos import keep_photo
from prospecting.models import ClaimPaper
from prospecting.readers.certificate_csv import read_certificate
from tests.make import make_claim, make_member
from tests.make_pictures import drawn
from tests.prospecting.actions.test_assays import REPORTED, make_dispatch, tags_of

pytestmark = pytest.mark.django_db(transaction=True)

SCRIPT = b"<script>document.title = 'it ran'; alert('it ran')</script>"
# An action on opening, as ISO 32000-1, 12.6.4.16 writes it.
PDF_WITH_SCRIPT = (
    b"%PDF-1.7\n1 0 obj<</Type/Catalog/OpenAction<</S/JavaScript/JS(app.alert\\('it ran'\\))>>>>endobj\n"
    + SCRIPT
    + b"\ntrailer<</Root 1 0 R>>\nstartxref\n9\n%%EOF\n"
)
REFUSED = {
    "drawing.svg": b"<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'>" + SCRIPT + b"</svg>",
    "page.jpg": b"<!doctype html>" + SCRIPT,
    "script.gif": b"GIF89a/*" + bytes(30) + b"*/=1;alert(1)//;",
}
KEPT = {
    "notice.pdf": PDF_WITH_SCRIPT,
    # A picture in front and a page behind: kept byte for byte where the original is wanted.
    "cairn.html": drawn("JPEG", comment=SCRIPT) + b"<!doctype html>" + SCRIPT,
}


def certificate(tag: str) -> bytes:
    return f"Sample,Au_ppm,Remark\n{tag},3.25,=HYPERLINK(1)\n".encode() + b"," * 2 + SCRIPT + b"\n"


def spreadsheet_that_reaches_out() -> bytes:
    """A spreadsheet with an entity, a link elsewhere and macros (parts by ECMA-376, part 1)."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as packed:
        packed.writestr(
            "xl/workbook.xml",
            "<!DOCTYPE x [<!ENTITY e SYSTEM 'file:///etc/passwd'>]><workbook>&e;</workbook>",
        )
        packed.writestr("xl/externalLinks/externalLink1.xml", "<externalLink/>")
        packed.writestr("xl/vbaProject.bin", bytes(100))
    return out.getvalue()


def choose_paper(page, claim, name: str, data: bytes) -> None:
    page.goto(reverse("claim-paper-add", args=[claim.pk]))
    page.get_by_label("What it is").fill(f"The paper {name}")
    # Named and typed as something harmless, as whoever means harm would.
    page.locator("[name=upload]").set_input_files({"name": name, "mimeType": "image/jpeg", "buffer": data})
    page.get_by_text("Keep the picture as it came").click()
    page.get_by_role("button", name="Keep the paper").click()


def opened(page, address: str) -> str:
    """What the browser did with an address: the name under which it saved the file."""
    with page.expect_download() as download:
        # The navigation itself ends where the download begins.
        page.evaluate("(address) => { location.href = address; }", address)
    return download.value.suggested_filename


def test_nothing_runs(phone_as):
    page, claim = phone_as("member"), make_claim()
    page.on("dialog", lambda dialog: pytest.fail(f"a script ran: {dialog.message}"))
    for name, data in REFUSED.items():
        choose_paper(page, claim, name, data)
        page.locator("#id_upload_error").get_by_text("can't read this file").wait_for()
    for name, data in KEPT.items():
        choose_paper(page, claim, name, data)
        page.get_by_text("The paper is kept.").wait_for()
    assert ClaimPaper.objects.count() == len(KEPT)
    title = page.title()
    saved = [opened(page, reverse("claim-paper-file", args=[paper.pk])) for paper in ClaimPaper.objects.all()]
    assert sorted(saved) == ["cairn.jpg", "notice.pdf"]

    dispatch = make_dispatch()
    data = certificate(tags_of(dispatch)[0])
    kept = store_return(
        dispatch=dispatch,
        certificate=read_certificate(data, "c.csv"),
        certificate_number="C-1",
        reported_on=REPORTED,
        file_name="c.html",
        file_bytes=data,
        recorded_by=make_member(),
        leave_out_unknown=True,
    )
    assert opened(page, reverse("return-file", args=[kept.pk])) == "c.html"
    assert page.title() == title, "the page before is still there: nothing was opened in its place"

    page.goto(reverse("return-read", args=[make_dispatch(number=1).pk]))
    sheet = {"name": "c.xlsx", "mimeType": "application/zip", "buffer": spreadsheet_that_reaches_out()}
    page.locator("[name=upload]").set_input_files(sheet)
    page.locator("main form button[type=submit]").first.click()
    page.get_by_text("This spreadsheet can't be read").first.wait_for()


def test_a_photo_opens_as_a_picture_and_nothing_else(phone_as):
    page = phone_as("member")
    polyglot = drawn("JPEG", (60, 40), comment=SCRIPT) + b"<!doctype html>" + SCRIPT
    photo = keep_photo(upload=SimpleUploadedFile("pan.jpg", polyglot), added_by=make_member())
    page.on("dialog", lambda dialog: pytest.fail(f"a script ran: {dialog.message}"))
    answer = page.goto(photo.get_absolute_url())
    assert answer.headers["content-type"] == "image/jpeg"
    assert (answer.headers["content-security-policy"], answer.headers["x-content-type-options"]) == (
        "sandbox",
        "nosniff",
    )
    assert page.locator("img").count() == 1
    assert page.evaluate("document.images[0].naturalWidth") == 60
