from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from prospecting.access import MEMBER, page
from prospecting.actions.claim_dates import (
    add_claim_date,
    change_claim_date,
    keep_claim_date,
    reopen_claim_date,
    void_claim_date,
)
from prospecting.calc.language import phrase
from prospecting.forms.claim_dates import (
    ClaimDateForm,
    ClaimDateKeepForm,
    ClaimDateReopenForm,
    ClaimDateVoidForm,
    claim_date_before,
)
from prospecting.frames.claim_dates import NEAR_DAYS, all_claim_dates
from prospecting.models import Claim, ClaimDate
from prospecting.views.entry import Change, enter


@page(role=MEMBER)
def claim_date_list(request: HttpRequest) -> HttpResponse:
    return render(
        request,
        "prospecting/claim_date_list.html",
        {
            "dates": all_claim_dates(),
            "near_days": NEAR_DAYS,
            "crumbs": [(phrase("Ground"), reverse("zone-list")), (phrase("Claim dates"), "")],
        },
    )


@page(role=MEMBER, methods=("GET", "POST"))
def claim_date_add(request: HttpRequest, pk: int) -> HttpResponse:
    claim = get_object_or_404(Claim, pk=pk)
    form = ClaimDateForm(request.POST or None, member=request.user)
    if response := enter(
        request,
        form,
        lambda: add_claim_date(claim=claim, **form.values(), recorded_by=request.user),
        said=phrase("The date is written down."),
    ):
        return response
    return render(
        request,
        "prospecting/claim_date_add.html",
        {"claim": claim, "form": form, "crumbs": claim_crumbs(claim, phrase("Add a date"))},
    )


@page(role=MEMBER, methods=("GET", "POST"))
def claim_date_edit(request: HttpRequest, pk: int) -> HttpResponse:
    date = _date(pk)
    form = ClaimDateForm(request.POST or None, member=request.user, date=date)
    return _act(
        request,
        date,
        form,
        lambda: change_claim_date(date=date, **form.values(), recorded_by=request.user),
        said=phrase("Changed."),
        change=Change(date, claim_date_before),
        template="claim_date_edit",
        label=phrase("Change a date"),
    )


@page(role=MEMBER, methods=("GET", "POST"))
def claim_date_keep(request: HttpRequest, pk: int) -> HttpResponse:
    date = _date(pk)
    form = ClaimDateKeepForm(request.POST or None, member=request.user, date=date)
    return _act(
        request,
        date,
        form,
        lambda: keep_claim_date(date=date, **form.values(), recorded_by=request.user),
        said=phrase("Marked as kept."),
        template="claim_date_keep",
        label=phrase("Mark as kept"),
    )


@page(role=MEMBER, methods=("GET", "POST"))
def claim_date_reopen(request: HttpRequest, pk: int) -> HttpResponse:
    date = _date(pk)
    form = ClaimDateReopenForm(request.POST or None, member=request.user)
    return _act(
        request,
        date,
        form,
        lambda: reopen_claim_date(date=date, reason=form.cleaned_data["reason"], reopened_by=request.user),
        said=phrase("It is open again, and its reminder with it."),
        template="claim_date_reopen",
        label=phrase("Open again"),
    )


@page(role=MEMBER, methods=("GET", "POST"))
def claim_date_void(request: HttpRequest, pk: int) -> HttpResponse:
    date = _date(pk)
    form = ClaimDateVoidForm(request.POST or None, member=request.user)
    return _act(
        request,
        date,
        form,
        lambda: void_claim_date(date=date, reason=form.cleaned_data["reason"], voided_by=request.user),
        said=phrase("Voided. The date stays to be read, with your reason."),
        template="claim_date_void",
        label=phrase("Void a date"),
    )


def _date(pk: int) -> ClaimDate:
    dates = ClaimDate.objects.select_related("claim", "watched_by", "done_by", "recorded_by")
    return get_object_or_404(dates, pk=pk)


def _act(
    request, date, form, make, *, said: str, template: str, label: str, change: Change | None = None
) -> HttpResponse:
    if response := enter(request, form, make, said=said, change=change):
        return response
    return render(
        request,
        f"prospecting/{template}.html",
        {"date": date, "form": form, "crumbs": claim_crumbs(date.claim, label)},
    )


def claim_crumbs(claim: Claim, label: str) -> list[tuple[str, str]]:
    return [(phrase("Ground"), reverse("zone-list")), (claim.name, claim.get_absolute_url()), (label, "")]
