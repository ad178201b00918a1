"""A member's one-time codes: turned on, renewed and off by the member, taken off by a keeper."""

import base64

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache

from prospecting.access import GUEST, KEEPER, page
from prospecting.actions.one_time_codes import (
    begin_codes,
    codes_begun,
    codes_of,
    recovery_codes_left,
    renew_recovery_codes,
    take_codes_off,
    turn_codes_off,
    turn_codes_on,
)
from prospecting.actions.refusal import Refused
from prospecting.actions.throttle import caller_of, code_counts, count_wrong, minutes_to_wait
from prospecting.calc.language import phrase
from prospecting.charts.tags import square_path
from prospecting.forms.members import (
    FirstCodeForm,
    MemberCodesOffForm,
    PasswordAndCodeForm,
    PasswordForm,
    wait_sentence,
)
from prospecting.models import Member
from prospecting.views.entry import enter
from prospecting.views.members import OwnPage
from prospecting.views.signing_in import asked_code, asked_password

# Two forms stand on one page, and no two elements of a page share an id.
BEGIN_IDS, OFF_IDS, RENEW_IDS = "begin_%s", "off_%s", "renew_%s"


@page(role=GUEST, methods=("GET",), own=True)
@never_cache
def own_codes(request: HttpRequest) -> HttpResponse:
    return _codes_page(request)


@page(role=GUEST, methods=("POST",), own=True)
@never_cache
def own_codes_begin(request: HttpRequest) -> HttpResponse:
    if codes_of(request.user):
        return _does_not_fit(request, phrase("One-time codes are on already."))
    form = _password(request, request.POST)

    def make() -> OwnPage:
        begin_codes(member=request.user)
        return OwnPage(request.user)

    response = enter(
        request,
        form,
        make,
        said=phrase("Now give your phone the key, and type the first code it shows."),
        then=reverse("own-codes"),
    )
    return response or _codes_page(request, begin_form=form)


@page(role=GUEST, methods=("POST",), own=True)
@never_cache
def own_codes_on(request: HttpRequest) -> HttpResponse:
    """The first code turns them on. The recovery codes are shown in the answer itself, this once."""
    form = FirstCodeForm(request.POST, member=request.user)
    if not form.is_valid():
        return _codes_page(request, first_form=form)
    counts = code_counts(request.user, caller_of(request))
    if wait := minutes_to_wait(counts):
        form.add_error("code", wait_sentence(wait))
        return _codes_page(request, first_form=form)
    try:
        recovery = turn_codes_on(member=request.user, code=form.cleaned_data["code"])
    except Refused as refusal:
        return _does_not_fit(request, " ".join(refusal.messages))
    if recovery is None:
        count_wrong(counts, what="a wrong first code", label=str(request.user))
        form.add_error("code", phrase("This is not the code of now. Is the clock of your phone right?"))
        return _codes_page(request, first_form=form)
    return _codes_page(request, recovery=recovery)


@page(role=GUEST, methods=("POST",), own=True)
@never_cache
def own_codes_renew(request: HttpRequest) -> HttpResponse:
    if codes_of(request.user) is None:
        return _does_not_fit(request, phrase("One-time codes are off."))
    form = _password_and_code(request, RENEW_IDS, request.POST)
    if not form.is_valid():
        return _codes_page(request, renew_form=form)
    return _codes_page(request, recovery=renew_recovery_codes(member=request.user))


@page(role=GUEST, methods=("POST",), own=True)
@never_cache
def own_codes_off(request: HttpRequest) -> HttpResponse:
    if codes_of(request.user) is None:
        return _does_not_fit(request, phrase("One-time codes are off."))
    form = _password_and_code(request, OFF_IDS, request.POST)
    response = enter(
        request,
        form,
        lambda: OwnPage(turn_codes_off(member=request.user)),
        said=phrase("Your password alone signs you in again."),
    )
    return response or _codes_page(request, off_form=form)


@page(role=KEEPER, methods=("GET", "POST"))
def member_codes_off(request: HttpRequest, pk: int) -> HttpResponse:
    member = get_object_or_404(Member, pk=pk)
    if codes_of(member) is None and request.method == "GET":
        return redirect("member-edit", pk=pk)
    form = MemberCodesOffForm(request.POST or None, member=request.user, ask=asked_password(request))
    response = enter(
        request,
        form,
        lambda: take_codes_off(member=member, why=form.cleaned_data["why"], taken_by=request.user),
        said=phrase(
            "{member} signs in with the password alone, until they turn codes on again.", member=member
        ),
        then=reverse("member-edit", args=[pk]),
    )
    crumbs = [
        (phrase("Members"), reverse("member-list")),
        (str(member), reverse("member-edit", args=[pk])),
        (phrase("One-time codes"), ""),
    ]
    return response or render(
        request, "prospecting/member_codes_off.html", {"edited": member, "form": form, "crumbs": crumbs}
    )


def _does_not_fit(request: HttpRequest, sentence: str) -> HttpResponse:
    """Another tab was quicker; the page as it is now has no place for this form."""
    messages.error(request, sentence)
    return redirect("own-codes")


def _password(request: HttpRequest, data: QueryDict | None = None) -> PasswordForm:
    return PasswordForm(data, member=request.user, ask=asked_password(request), auto_id=BEGIN_IDS)


def _password_and_code(request: HttpRequest, ids: str, data: QueryDict | None = None) -> PasswordAndCodeForm:
    return PasswordAndCodeForm(
        data,
        member=request.user,
        ask=asked_password(request),
        ask_code=asked_code(request, request.user),
        auto_id=ids,
    )


def _codes_page(request: HttpRequest, *, recovery: list[str] | None = None, **bound) -> HttpResponse:
    member = request.user
    shown = {
        "recovery": recovery,
        "crumbs": [(phrase("My settings"), reverse("own-settings")), (phrase("One-time codes"), "")],
    }
    if device := codes_of(member):
        shown |= {
            "device": device,
            "left": recovery_codes_left(member),
            "off_form": _password_and_code(request, OFF_IDS),
            "renew_form": _password_and_code(request, RENEW_IDS),
        }
    else:
        shown["begin_form"] = _password(request)
    if begun := codes_begun(member):
        key = base64.b32encode(begun.bin_key).decode()
        square, side = square_path(begun.config_url)
        shown |= {
            "first_form": FirstCodeForm(member=member),
            "key": " ".join(key[at : at + 4] for at in range(0, len(key), 4)),
            "square": square,
            "side": side,
        }
    return render(request, "prospecting/own_codes.html", shown | bound)
