"""What a phone asks before it sends its entries, and the keeper's pages for entries that came too late."""

import uuid

from django.http import HttpRequest, HttpResponse
from django.middleware.csrf import get_token
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django_tables2 import RequestConfig

from prospecting.access import ANYONE, KEEPER, MEMBER, PhoneAnswer, page
from prospecting.actions.held import set_held_aside
from prospecting.calc.language import phrase
from prospecting.forms.phone_entries import SetAsideForm
from prospecting.frames.phone import held_entry
from prospecting.models import HeldEntry
from prospecting.tables.phone_entries import SettledTable
from prospecting.version import site_version
from prospecting.views.entry import enter
from prospecting.views.list_file import list_file


@page(role=ANYONE)
@never_cache
def phone_session(request: HttpRequest) -> HttpResponse:
    """Who is signed in on this phone, and a fresh mark for its forms."""
    if not request.user.is_authenticated:
        return PhoneAnswer(401, "signed_out")
    return PhoneAnswer(
        200,
        "signed_in",
        member=request.user.pk,
        name=str(request.user),
        csrf=get_token(request),
        now=timezone.now().isoformat(),
        version=site_version(),
    )


@page(role=KEEPER)
def held_list(request: HttpRequest) -> HttpResponse:
    entries = HeldEntry.objects.select_related("delivery__member", "settled_by").order_by("-pk")
    table = SettledTable(entries.exclude(outcome=""))
    RequestConfig(request, paginate={"per_page": 25}).configure(table)
    return list_file(request, table, "settled-entries") or render(
        request, "prospecting/held_list.html", {"waiting": entries.filter(outcome=""), "table": table}
    )


@page(role=MEMBER)
def held_detail(request: HttpRequest, pk: int) -> HttpResponse:
    """Any member reads what became of an entry; a keeper decides."""
    entries = HeldEntry.objects.select_related("delivery__member", "settled_by", "photo")
    entry = get_object_or_404(entries, pk=pk)
    return render(
        request,
        "prospecting/held_detail.html",
        {"entry": entry, "held": held_entry(entry), "identity": uuid.uuid4(), "crumbs": _crumbs(entry.title)},
    )


@page(role=KEEPER, methods=("GET", "POST"))
def held_set_aside(request: HttpRequest, pk: int) -> HttpResponse:
    entry = get_object_or_404(HeldEntry.objects.select_related("delivery__member"), pk=pk)
    form = SetAsideForm(request.POST or None, member=request.user)

    def make() -> HeldEntry:
        return set_held_aside(held=entry, reason=form.cleaned_data["reason"], settled_by=request.user)

    if response := enter(request, form, make, said=phrase("Set aside. Nothing was drawn.")):
        return response
    return render(
        request,
        "prospecting/held_set_aside.html",
        {"entry": entry, "form": form, "crumbs": _crumbs(entry.title)},
    )


def _crumbs(last: str) -> list[tuple[str, str]]:
    return [(phrase("Held entries"), reverse("held-list")), (last, "")]
