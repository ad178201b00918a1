"""How a file leaves the site, in one of two ways and no third.

Saved: whatever somebody else wrote, or what tells where; never shown or run by the browser, kept by no cache on the way.
Shown: a picture the site drew itself, and nothing but a picture.
"""

from typing import BinaryIO

from django.db.models.fields.files import FieldFile
from django.http import FileResponse, Http404, HttpResponse
from django.utils.http import content_disposition_header

# The browser neither guesses another kind from the content, nor gives what it opens a place in our origin, should it open
# the file in spite of everything; and no other site draws it into its pages.
CONFINED = {
    "Content-Security-Policy": "sandbox",
    "X-Content-Type-Options": "nosniff",
    "Cross-Origin-Resource-Policy": "same-origin",
}


# What the site writes itself; in what a laboratory's text is written, only the laboratory knows.
CSV = "text/csv; charset=utf-8"
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def saved_file(data: bytes, kind: str, name: str) -> HttpResponse:
    return HttpResponse(
        data,
        content_type=kind,
        headers=CONFINED
        | {
            "Content-Disposition": content_disposition_header(True, name),
            "Cache-Control": "private, no-store",
        },
    )


def saved_from(file: BinaryIO, kind: str, name: str) -> FileResponse:
    """The same of an open file, however large; it is closed when it has been sent."""
    file.seek(0)
    headers = dict(saved_file(b"", kind, name).items())
    return FileResponse(file, content_type=headers.pop("Content-Type"), headers=headers)


def shown_jpeg(stored: FieldFile, name: str) -> FileResponse:
    try:
        file = stored.open("rb")
    except FileNotFoundError:
        raise Http404("The picture's file is missing.") from None
    # A picture never changes, and no cache on the way may keep it for others.
    headers = CONFINED | {"Cache-Control": "private, max-age=86400"}
    return FileResponse(file, content_type="image/jpeg", filename=name, headers=headers)
