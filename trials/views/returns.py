"""What came back from a laboratory, read or typed in: asked about beside what was panned of the same material."""

from django.http import HttpRequest, HttpResponse

from prospecting.access import page
from prospecting.views import assays
from trials.frames.expected_grades import panned_grades


@page(role="member", methods=("GET", "POST"))
def return_type(request: HttpRequest, pk: int) -> HttpResponse:
    return assays.return_type(request, pk, pans_of=panned_grades)


@page(role="member", methods=("GET", "POST"))
def return_read(request: HttpRequest, pk: int) -> HttpResponse:
    return assays.return_read(request, pk, pans_of=panned_grades)
