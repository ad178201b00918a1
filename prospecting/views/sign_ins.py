"""Devices signed in: a member's own, which the member ends, and all of a member's, which a keeper ends."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse

from prospecting.access import GUEST, KEEPER, page
from prospecting.actions.sign_ins import LONGEST, end_all_of_member, end_other_sign_ins, end_sign_in
from prospecting.calc.language import phrase
from prospecting.frames.sign_ins import devices_of
from prospecting.models import Member, SignIn


@page(role=GUEST)
def own_devices(request: HttpRequest) -> HttpResponse:
    return render(
        request,
        "prospecting/own_devices.html",
        {
            "devices": devices_of(request.user, here=request.session.session_key),
            "days": LONGEST.days,
            "crumbs": [(phrase("My settings"), reverse("own-settings")), (phrase("Devices"), "")],
        },
    )


@page(role=GUEST, methods=("POST",), own=True)
def own_device_end(request: HttpRequest, pk: int) -> HttpResponse:
    """Another member's device is not there at all. Ending this very one is signing out."""
    sign_in = get_object_or_404(SignIn, pk=pk, member=request.user)
    end_sign_in(sign_in=sign_in, ended_by=request.user)
    messages.success(request, phrase("That device is signed out."))
    return redirect("own-devices")


@page(role=GUEST, methods=("POST",), own=True)
def own_devices_end(request: HttpRequest) -> HttpResponse:
    end_other_sign_ins(member=request.user, session_key=request.session.session_key)
    messages.success(request, phrase("All other devices are signed out."))
    return redirect("own-devices")


@page(role=KEEPER, methods=("POST",))
def member_sign_out(request: HttpRequest, pk: int) -> HttpResponse:
    member = get_object_or_404(Member, pk=pk)
    end_all_of_member(member=member, ended_by=request.user)
    messages.success(request, phrase("{member} is signed out on all devices.", member=member))
    return redirect("member-edit", pk=pk)
