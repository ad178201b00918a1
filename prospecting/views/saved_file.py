"""A file somebody else wrote, or one that tells where: saved, never shown or run by the browser, kept by no cache on the way."""

from django.http import HttpResponse
from django.utils.http import content_disposition_header


def saved_file(data: bytes, kind: str, name: str) -> HttpResponse:
    return HttpResponse(
        data,
        content_type=kind,
        headers={
            "Content-Disposition": content_disposition_header(True, name),
            "Content-Security-Policy": "sandbox",
            "X-Content-Type-Options": "nosniff",
            "Cache-Control": "private, no-store",
        },
    )
