from collections.abc import Callable, Sequence

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django_tables2 import RequestConfig

from prospecting.access import page
from prospecting.actions.lots import describe_lot, hand_over_lots, move_lots, release_lots, reserve_lots
from prospecting.calc.language import phrase, phrase_counted
from prospecting.filters.lots import LotFilter
from prospecting.forms.base import SiteForm
from prospecting.forms.lots import (
    FindForm,
    HandOverForm,
    LotChoiceForm,
    LotNoteForm,
    MoveForm,
    ReleaseForm,
    ReserveForm,
    lot_note_before,
)
from prospecting.frames.custody import held_lots
from prospecting.models import Lot
from prospecting.models.lots import LotQuerySet
from prospecting.tables.lots import LotTable
from prospecting.views.entry import Change, enter
from prospecting.views.list_file import list_file


@page(role="guest")
def lot_list(request: HttpRequest) -> HttpResponse:
    return _lot_list(request, find=FindForm())


@page(role="guest")
def lot_find(request: HttpRequest) -> HttpResponse:
    find = FindForm(request.GET)
    if found := find.lot():
        return redirect(found)
    return _lot_list(request, find=find)


def _lot_list(request: HttpRequest, *, find: FindForm) -> HttpResponse:
    filters = LotFilter(request, Lot.objects.standing(), path=reverse("lot-list"))
    table = LotTable(filters.qs, mass_unit=request.user.mass_unit)
    RequestConfig(request, paginate={"per_page": 25}).configure(table)
    return list_file(request, table, "lots") or render(
        request,
        "prospecting/lot_list.html",
        {
            "table": table,
            "find": find,
            "filters": filters,
        },
    )


@page(role="member", methods=("GET", "POST"))
def lot_note(request: HttpRequest, code: str) -> HttpResponse:
    lot = get_object_or_404(Lot.objects.standing(), code=code)
    form = LotNoteForm(request.POST or None, member=request.user, initial=lot_note_before(lot))
    if response := enter(
        request,
        form,
        lambda: describe_lot(lot=lot, **form.values(), recorded_by=request.user),
        change=Change(lot, lot_note_before),
    ):
        return response
    return render(
        request,
        "prospecting/lot_note.html",
        {
            "lot": lot,
            "form": form,
            "crumbs": [
                (phrase("Lots"), reverse("lot-list")),
                (lot.code, lot.get_absolute_url()),
                (phrase("Describe"), ""),
            ],
        },
    )


def _act(
    request: HttpRequest,
    name: str,
    word: str,
    lots: Sequence[Lot],
    form: SiteForm,
    make: Callable[[], Sequence[Lot]],
    **context,
) -> HttpResponse:
    """The page of one act on one or several lots: done and on to the (first) lot, or the form (again)."""
    said = phrase_counted("Recorded.", "Recorded for {number} lots.", len(lots))
    if response := enter(request, form, lambda: make()[0], said=said):
        return response
    crumbs = [(phrase("Lots"), reverse("lot-list"))]
    if len(lots) == 1:
        crumbs.append((lots[0].code, lots[0].get_absolute_url()))
    crumbs.append((word, ""))
    context |= {"lots": lots, "form": form, "word": word, "crumbs": crumbs, "cancel_url": crumbs[-2][1]}
    return render(request, f"prospecting/{name}.html", context)


def _choose(
    request: HttpRequest,
    word: str,
    pool: LotQuerySet,
    act: Callable[..., HttpResponse],
) -> HttpResponse:
    """First which lots (a plain GET form with ticks, typed codes and a search), then the act on all of them."""
    choice = LotChoiceForm.asked_by(request, pool=pool)
    if choice.is_made():
        return act(request, choice.lots, choice=choice)
    crumbs = [(phrase("Lots"), reverse("lot-list")), (word, "")]
    return render(request, "prospecting/lots_choose.html", {"choice": choice, "word": word, "crumbs": crumbs})


def _one(code: str) -> list[Lot]:
    return [get_object_or_404(Lot.objects.standing(), code=code)]


def _move(request: HttpRequest, lots: Sequence[Lot], **context) -> HttpResponse:
    form = MoveForm(request.POST or None, member=request.user)
    return _act(
        request,
        "lots_move",
        phrase("Move"),
        lots,
        form,
        lambda: move_lots(lots=lots, place=form.cleaned_data["place"], recorded_by=request.user),
        **context,
    )


def _hand_over(request: HttpRequest, lots: Sequence[Lot], **context) -> HttpResponse:
    form = HandOverForm(request.POST or None, member=request.user)
    return _act(
        request,
        "lots_hand_over",
        phrase("Hand over"),
        lots,
        form,
        lambda: hand_over_lots(lots=lots, holder=form.cleaned_data["holder"], recorded_by=request.user),
        **context,
        held=held_lots(lots),
    )


def _reserve(request: HttpRequest, lots: Sequence[Lot], **context) -> HttpResponse:
    form = ReserveForm(request.POST or None, member=request.user)
    return _act(
        request,
        "lots_reserve",
        phrase("Hold back"),
        lots,
        form,
        lambda: reserve_lots(lots=lots, reason=form.cleaned_data["reason"], recorded_by=request.user),
        **context,
    )


def _release(request: HttpRequest, lots: Sequence[Lot], **context) -> HttpResponse:
    form = ReleaseForm(request.POST or None, member=request.user)
    return _act(
        request,
        "lots_release",
        phrase("Release"),
        lots,
        form,
        lambda: release_lots(lots=lots, reason=form.cleaned_data["reason"], recorded_by=request.user),
        **context,
    )


@page(role="member", methods=("GET", "POST"))
def lots_move(request: HttpRequest) -> HttpResponse:
    return _choose(request, phrase("Move"), Lot.objects.in_stock(), _move)


@page(role="member", methods=("GET", "POST"))
def lots_hand_over(request: HttpRequest) -> HttpResponse:
    return _choose(request, phrase("Hand over"), Lot.objects.in_stock(), _hand_over)


@page(role="member", methods=("GET", "POST"))
def lots_reserve(request: HttpRequest) -> HttpResponse:
    return _choose(request, phrase("Hold back"), Lot.objects.in_stock().filter(reserve_reason=""), _reserve)


@page(role="member", methods=("GET", "POST"))
def lots_release(request: HttpRequest) -> HttpResponse:
    return _choose(request, phrase("Release"), Lot.objects.in_stock().exclude(reserve_reason=""), _release)


@page(role="member", methods=("GET", "POST"))
def lot_move(request: HttpRequest, code: str) -> HttpResponse:
    return _move(request, _one(code))


@page(role="member", methods=("GET", "POST"))
def lot_hand_over(request: HttpRequest, code: str) -> HttpResponse:
    return _hand_over(request, _one(code))


@page(role="member", methods=("GET", "POST"))
def lot_reserve(request: HttpRequest, code: str) -> HttpResponse:
    return _reserve(request, _one(code))


@page(role="member", methods=("GET", "POST"))
def lot_release(request: HttpRequest, code: str) -> HttpResponse:
    return _release(request, _one(code))
