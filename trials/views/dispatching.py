"""Packing a dispatch for the laboratory: where a blank stands and whether a charge is enough hangs on what the pans showed."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from prospecting.access import page
from prospecting.actions import dispatching
from prospecting.actions.dispatching import PlannedCheck
from prospecting.actions.material import DrawFrom, StepDetails
from prospecting.calc.language import phrase
from prospecting.forms.dispatching import ChecksForm, DispatchForm, SplitsForm, TakeOutForm, TakeSplitsForm
from prospecting.forms.lots import LotChoiceForm
from prospecting.frames.dispatches import parcel_of
from prospecting.models import Dispatch, Lot, Sample
from prospecting.views.entry import enter
from trials.forms.charges import ChargesForm
from trials.frames.charges import charge_sight
from trials.frames.expected_grades import expected_grades
from trials.frames.packing import WHY, check_proposal, packing_sight

# Not offered, yet taken where its code is typed.
SELDOM_SPLIT = (Lot.Kind.ASSAY_SPLIT, Lot.Kind.CONCENTRATE, Lot.Kind.PORTION)


def _crumbs(*further: tuple[str, str]) -> list[tuple[str, str]]:
    return [(phrase("Assays"), reverse("dispatch-list")), *further]


def _packed(pk: int) -> Dispatch:
    return get_object_or_404(Dispatch.objects.with_state().select_related("laboratory", "recorded_by"), pk=pk)


@page(role="member", methods=("GET", "POST"))
def dispatch_add(request: HttpRequest) -> HttpResponse:
    form = DispatchForm(request.POST or None, member=request.user)
    if response := enter(
        request,
        form,
        lambda: dispatching.pack_dispatch(**form.entry(), recorded_by=request.user, expect=expected_grades),
        said=phrase("The tags are drawn. Now the checks; then write each tag on its bag, and nothing else.")
        if request.POST.get("lots") or request.POST.get("codes")
        else phrase("The dispatch is begun. Now take splits for it."),
    ):
        return response
    return render(
        request,
        "trials/dispatch_add.html",
        {"form": form, "crumbs": _crumbs((phrase("Pack a dispatch"), ""))},
    )


@page(role="guest")
def dispatch_detail(request: HttpRequest, pk: int) -> HttpResponse:
    dispatch = _packed(pk)
    parcel = parcel_of(dispatch)
    packing = (
        packing_sight(dispatch, parcel, grade_unit=request.user.grade_unit) if not dispatch.sent_on else None
    )
    return render(
        request,
        "trials/dispatch_detail.html",
        {
            "dispatch": dispatch,
            "parcel": parcel,
            "packing": packing,
            "returns": dispatch.returns.without_file()
            .with_reading_count()
            .select_related("replaced_by")
            .defer("replaced_by__file_bytes")
            .order_by("reported_on", "pk"),
            "crumbs": _crumbs((phrase("Dispatch {number}", number=pk), "")),
        },
    )


@page(role="member", methods=("GET", "POST"))
def dispatch_splits(request: HttpRequest, pk: int) -> HttpResponse:
    """Waiting splits put into the dispatch; or, from here, a split taken from any lot on hand."""
    dispatch = _packed(pk)
    form = SplitsForm(request.POST or None, member=request.user)
    if response := enter(
        request,
        form,
        lambda: dispatching.add_splits(
            dispatch=dispatch, **form.entry(), recorded_by=request.user, expect=expected_grades
        ),
    ):
        return response
    crumbs = _crumbs(
        (phrase("Dispatch {number}", number=pk), dispatch.get_absolute_url()), (phrase("Splits"), "")
    )
    return render(
        request, "trials/dispatch_splits.html", {"dispatch": dispatch, "form": form, "crumbs": crumbs}
    )


@page(role="member", methods=("GET", "POST"))
def dispatch_take(request: HttpRequest, pk: int) -> HttpResponse:
    """First which lots (a plain GET form), then how much of each is split off for the dispatch."""
    dispatch = _packed(pk)
    pool = Lot.objects.in_stock().exclude(kind__in=SELDOM_SPLIT)
    choice = LotChoiceForm.asked_by(request, pool=pool)
    crumbs = _crumbs(
        (phrase("Dispatch {number}", number=pk), dispatch.get_absolute_url()), (phrase("Take splits"), "")
    )
    context = {"dispatch": dispatch, "choice": choice, "crumbs": crumbs}
    if not choice.is_made():
        return render(request, "trials/dispatch_take.html", context)
    form = TakeSplitsForm(request.POST or None, member=request.user, lots=choice.lots)
    if response := enter(
        request,
        form,
        lambda: dispatching.take_splits(
            dispatch=dispatch,
            draws=[DrawFrom(**draw) for draw in form.draws()],
            done_on=form.cleaned_data["done_on"],
            details=StepDetails(**form.details()),
            recorded_by=request.user,
            expect=expected_grades,
        ),
        said=phrase("Split off and packed."),
    ):
        return response
    return render(request, "trials/dispatch_take.html", context | {"form": form})


@page(role="member", methods=("GET", "POST"))
def dispatch_checks(request: HttpRequest, pk: int) -> HttpResponse:
    dispatch = _packed(pk)
    parcel = parcel_of(dispatch)
    proposal = check_proposal(parcel)
    form = ChecksForm(request.POST or None, member=request.user, dispatch=dispatch, initial=proposal.initial)

    def add() -> Dispatch:
        checks = []
        for planned in form.planned():
            if planned.get("stage") == Sample.Stage.FIELD:
                how = StepDetails(people=str(request.user), method=form.cleaned_data["field_method"])
                planned = planned | {"details": how}
            checks.append(PlannedCheck(**planned))
        return dispatching.add_checks(
            dispatch=dispatch, checks=checks, recorded_by=request.user, expect=expected_grades
        )

    if response := enter(request, form, add, said=phrase("Packed. The order of the list is drawn anew.")):
        return response
    return render(
        request,
        "trials/dispatch_checks.html",
        {
            "dispatch": dispatch,
            "parcel": parcel,
            "proposal": proposal,
            "form": form,
            "groups": [(*form.group(tick), WHY[tick]) for tick in form.under],
            "crumbs": _crumbs(
                (phrase("Dispatch {number}", number=pk), dispatch.get_absolute_url()), (phrase("Checks"), "")
            ),
        },
    )


@page(role="member", methods=("GET", "POST"))
def sample_take_out(request: HttpRequest, pk: int) -> HttpResponse:
    sample = get_object_or_404(
        Sample.objects.with_what().select_related("dispatch__laboratory", "duplicate_of__lot"), pk=pk
    )
    dispatch = sample.dispatch
    form = TakeOutForm(request.POST or None, member=request.user)
    if response := enter(
        request,
        form,
        lambda: dispatching.take_out(
            sample=sample, **form.entry(), recorded_by=request.user, expect=expected_grades
        ),
        said=phrase("{tag} is out. The order of the list is drawn anew.", tag=sample.tag),
    ):
        return response
    crumbs = _crumbs(
        (phrase("Dispatch {number}", number=dispatch.pk), dispatch.get_absolute_url()),
        (phrase("Take out {tag}", tag=sample.tag), ""),
    )
    context = {"sample": sample, "dispatch": dispatch, "form": form, "crumbs": crumbs}
    return render(request, "trials/sample_take_out.html", context)


@page(role="guest")
def assay_charges(request: HttpRequest) -> HttpResponse:
    """Whether one charge can speak for gold of this size, at this grade."""
    form = ChargesForm(request.GET, member=request.user)
    sight = None
    if form.is_valid():
        sight = charge_sight(
            grade_g_per_t=form.cleaned_data["grade"],
            gold_um=form.cleaned_data["gold"],
            grade_unit=request.user.grade_unit,
        )
    return render(
        request,
        "trials/assay_charges.html",
        {"form": form, "sight": sight, "crumbs": _crumbs((phrase("Is one charge enough?"), ""))},
    )
