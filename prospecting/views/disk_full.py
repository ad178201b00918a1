"""What the site says while the disk has no room: pages are read as ever, and nothing is recorded by halves."""

import errno

from django.http import HttpRequest, HttpResponse
from django.template.loader import get_template

from prospecting.access import PhoneAnswer, from_phone
from prospecting.api.gate import Problem, from_program
from prospecting.calc.language import phrase

# RFC 4918, section 11.5: the server cannot store what is needed to complete the request (number and meaning from memory).
NO_ROOM = 507
POSTGRESQL_FULL = "53100"


def is_disk_full(error: BaseException | None) -> bool:
    """Whether this, or what it came from, is the database's or the system's word for a full disk."""
    while error:
        if isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT):
            return True
        if (
            getattr(error, "sqlstate", "") == POSTGRESQL_FULL
            or getattr(error, "sqlite_errorname", "") == "SQLITE_FULL"
        ):
            return True
        error = error.__cause__ or error.__context__
    return False


def disk_full(request: HttpRequest) -> HttpResponse:
    if from_phone(request):
        sentence = phrase(
            "The site's disk is full, so it can record nothing now. The entry waits on this phone. Tell a keeper."
        )
        return PhoneAnswer(NO_ROOM, "error", sentence=sentence)
    if from_program(request):
        return Problem(
            NO_ROOM, "disk_full", "The site's disk is full, so it can record nothing now."
        ).answer()
    # Without the request, as the page of every other fault: nothing more is asked of what just failed.
    return HttpResponse(get_template("507.html").render(), status=NO_ROOM)
