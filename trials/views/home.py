from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from prospecting.access import page
from trials.frames.today import today_for


@page(role="guest")
def home(request: HttpRequest) -> HttpResponse:
    return render(request, "trials/home.html", {"today": today_for(request.user)})
