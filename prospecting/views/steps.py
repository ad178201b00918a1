from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from prospecting.access import page
from prospecting.actions import steps
from prospecting.actions.material import DrawFrom, NewLot, StepDetails, void_step
from prospecting.forms import steps as step_forms
from prospecting.forms.lots import BlendChoiceForm
from prospecting.forms.steps import MOST_PIECES, MOST_PORTIONS
from prospecting.models import JournalEntry, Lot, Origin, Step
from prospecting.tables.steps import loss_working, share_rows, shares_working, step_balance
from prospecting.views.entry import enter

Kind = Lot.Kind


def _standing_lot(code: str) -> Lot:
    return get_object_or_404(Lot.objects.standing(), code=code)


def _recorded(form: step_forms.StepForm) -> dict:
    """What every step's action takes besides masses."""
    return {
        "done_on": form.cleaned_data["done_on"],
        "details": StepDetails(**form.details()),
        "recorded_by": form.member,
    }


def _made(form: step_forms.StepForm, field: str, kind: str) -> NewLot | None:
    typed = form.made(field)
    return NewLot(kind=kind, **typed) if typed else None


def _act(
    request: HttpRequest, name: str, word: str, form: step_forms.StepForm, make: Callable[[], Step], **context
) -> HttpResponse:
    """The page of one act on `form.lot`: recorded and on to the step, or the form (again)."""
    if response := enter(request, form, make):
        return response
    crumbs = [("Lots", reverse("lot-list")), (form.lot.code, form.lot.get_absolute_url()), (word, "")]
    context |= {"lot": form.lot, "form": form, "crumbs": crumbs}
    return render(request, f"prospecting/{name}.html", context)


def _count(text: str, *, least: int, most: int, default: int) -> int:
    """A number from the address, held within its limits."""
    return (
        min(max(int(text), least), most) if text.isascii() and text.isdigit() and len(text) < 5 else default
    )


@page(role="member", methods=("GET", "POST"))
def lot_dry(request: HttpRequest, code: str) -> HttpResponse:
    lot = _standing_lot(code)
    form = step_forms.DryForm(request.POST or None, member=request.user, lot=lot)

    def make() -> Step:
        return steps.dry_lot(
            lot=lot, draw=DrawFrom(**form.draw()), dry=_made(form, "dry_mass", lot.kind), **_recorded(form)
        )

    return _act(request, "lot_dry", "Dry", form, make)


@page(role="member", methods=("GET", "POST"))
def lot_crush(request: HttpRequest, code: str) -> HttpResponse:
    form = step_forms.CrushForm(request.POST or None, member=request.user, lot=_standing_lot(code))

    def make() -> Step:
        return steps.crush_lot(
            draw=DrawFrom(**form.draw()), crushed=_made(form, "mass_out", Kind.CRUSHED), **_recorded(form)
        )

    return _act(request, "lot_crush", "Crush", form, make)


@page(role="member", methods=("GET", "POST"))
def lot_screen(request: HttpRequest, code: str) -> HttpResponse:
    form = step_forms.ScreenForm(request.POST or None, member=request.user, lot=_standing_lot(code))

    def make() -> Step:
        return steps.screen_lot(
            draw=DrawFrom(**form.draw()),
            opening_um=form.cleaned_data["size"].opening_um,
            undersize=_made(form, "undersize", Kind.UNDERSIZE),
            oversize=_made(form, "oversize", Kind.OVERSIZE),
            **_recorded(form),
        )

    return _act(request, "lot_screen", "Screen", form, make)


@page(role="member", methods=("GET", "POST"))
def lot_split(request: HttpRequest, code: str) -> HttpResponse:
    pieces = _count(request.GET.get("pieces", ""), least=2, most=MOST_PIECES, default=2)
    form = step_forms.SplitForm(
        request.POST or None, member=request.user, lot=_standing_lot(code), pieces=pieces
    )

    def make() -> Step:
        return steps.split_lot(
            draw=DrawFrom(**form.draw()),
            pieces=[_made(form, name, Kind.SPLIT) for name in form.pieces],
            **_recorded(form),
        )

    return _act(
        request, "lot_split", "Split", form, make, pieces=pieces, piece_choices=range(2, MOST_PIECES + 1)
    )


@page(role="member", methods=("GET", "POST"))
def lot_cut(request: HttpRequest, code: str) -> HttpResponse:
    lot = _standing_lot(code)
    weighed = _count(request.GET.get("weighed", ""), least=1, most=MOST_PORTIONS, default=0)
    if weighed:
        form = step_forms.CutWeighedForm(request.POST or None, member=request.user, lot=lot, pieces=weighed)
    else:
        form = step_forms.CutEqualForm(request.POST or None, member=request.user, lot=lot)

    def make() -> Step:
        return steps.cut_portions(
            draw=DrawFrom(**form.taken()),
            portions=[NewLot(kind=Kind.PORTION, **portion) for portion in form.portions()],
            **_recorded(form),
        )

    return _act(request, "lot_cut", "Cut portions", form, make, weighed=weighed, most=MOST_PORTIONS)


@page(role="member", methods=("GET", "POST"))
def lot_blend(request: HttpRequest) -> HttpResponse:
    """First which lots (a plain GET form with ticks and a search), then how much of each."""
    choice = BlendChoiceForm(request.POST if request.method == "POST" else request.GET)
    crumbs = [("Lots", reverse("lot-list")), ("Blend", "")]
    if not choice.is_made():
        return render(request, "prospecting/lot_blend.html", {"choice": choice, "crumbs": crumbs})
    form = step_forms.BlendForm(request.POST or None, member=request.user, lots=choice.lots)

    def make() -> Step:
        return steps.blend_lots(
            draws=[DrawFrom(**draw) for draw in form.draws()],
            blend=NewLot(
                kind=Kind.BLEND,
                title=form.cleaned_data["title"],
                place=form.cleaned_data["place"],
                **form.made("mass_out"),
            ),
            **_recorded(form),
        )

    if response := enter(request, form, make):
        return response
    return render(request, "prospecting/lot_blend.html", {"choice": choice, "form": form, "crumbs": crumbs})


@page(role="member", methods=("GET", "POST"))
def lot_take_for_assay(request: HttpRequest, code: str) -> HttpResponse:
    form = step_forms.TakeForAssayForm(request.POST or None, member=request.user, lot=_standing_lot(code))

    def make() -> Step:
        return steps.take_for_assay(draw=DrawFrom(**form.draw()), **_recorded(form))

    return _act(request, "lot_take_for_assay", "Take for assay", form, make)


@page(role="member", methods=("GET", "POST"))
def lot_reweigh(request: HttpRequest, code: str) -> HttpResponse:
    form = step_forms.ReweighForm(request.POST or None, member=request.user, lot=_standing_lot(code))

    def make() -> Step:
        weighed = form.made("mass")
        return steps.reweigh_lot(
            lot=form.lot, weighed_g=weighed["mass_g"], typed=weighed["typed"], **_recorded(form)
        )

    return _act(request, "lot_reweigh", "Reweigh", form, make)


@page(role="member", methods=("GET", "POST"))
def lot_discard(request: HttpRequest, code: str) -> HttpResponse:
    form = step_forms.DiscardForm(request.POST or None, member=request.user, lot=_standing_lot(code))

    def make() -> Step:
        return steps.discard_from_lot(draw=DrawFrom(**form.draw()), **_recorded(form))

    return _act(request, "lot_discard", "Discard", form, make)


@page(role="guest")
def step_detail(request: HttpRequest, pk: int) -> HttpResponse:
    step = get_object_or_404(
        Step.objects.select_related("recorded_by", "voided_by", "dig__zone__claim"), pk=pk
    )
    unit = request.user.mass_unit
    draws = list(step.draws.select_related("lot"))
    made = list(step.made.order_by("pk"))
    drawn_origins = list(Origin.objects.filter(lot__in=[draw.lot_id for draw in draws]))
    made_origins = list(made[0].origins.select_related("dig__zone__claim")) if made else []
    return render(
        request,
        "prospecting/step_detail.html",
        {
            "step": step,
            "dig": getattr(step, "dig", None),
            "draws": draws,
            "made": made,
            "balance": step_balance(step, draws, made),
            "loss_working": loss_working(step, draws, made, unit),
            "shares": share_rows(made_origins),
            "shares_working": shares_working(draws, drawn_origins, made_origins, unit),
            "entries": JournalEntry.objects.about(step).select_related("member"),
            "may_void": _may_void(step, request.user),
            "crumbs": [("Lots", reverse("lot-list")), (str(step), "")],
        },
    )


@page(role="member", methods=("GET", "POST"))
def step_void(request: HttpRequest, pk: int) -> HttpResponse:
    step = get_object_or_404(Step.objects.select_related("recorded_by"), pk=pk)
    # A run keeps its own books beside the step's, so it is voided where both are: on the run's page.
    form = (
        None
        if step.kind == Step.Kind.RECOVER
        else step_forms.VoidForm(request.POST or None, member=request.user)
    )
    if form and (
        response := enter(
            request,
            form,
            lambda: void_step(step=step, reason=form.cleaned_data["reason"], voided_by=request.user),
            said="Voided.",
        )
    ):
        return response
    return render(
        request,
        "prospecting/step_void.html",
        {
            "step": step,
            "form": form,
            "draws": step.draws.select_related("lot"),
            "made": step.made.order_by("pk"),
            "crumbs": [("Lots", reverse("lot-list")), (str(step), step.get_absolute_url()), ("Void", "")],
        },
    )


def _may_void(step: Step, member) -> bool:
    """Whether the page offers voiding; the action decides again."""
    own = step.recorded_by_id == member.pk
    return (
        member.can_write and (own or member.is_keeper) and not step.is_void and step.kind != Step.Kind.RECOVER
    )
