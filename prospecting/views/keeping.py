from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from prospecting.access import KEEPER, page
from prospecting.frames.keeping import keeping
from prospecting.frames.room import room


@page(role=KEEPER)
def keeping_page(request: HttpRequest) -> HttpResponse:
    return render(request, "prospecting/keeping.html", {"keeping": keeping(), "room": room()})
