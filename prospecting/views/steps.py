from collections.abc import Callable
from urllib.parse import urlencode

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse

from prospecting.access import page
from prospecting.actions import steps
from prospecting.actions.material import DrawFrom, NewLot, StepDetails, void_step
from prospecting.calc.language import phrase
from prospecting.forms import steps as step_forms
from prospecting.forms.lots import BlendChoiceForm, FindForm
from prospecting.forms.steps import MOST_PIECES, MOST_PORTIONS
from prospecting.frames.next_lot import next_lot
from prospecting.models import Lot, Step
from prospecting.views.entry import enter

Kind = Lot.Kind
# The steps done to one bucket after the other, and the page of each.
REPEATED = {
    Step.Kind.DRY: "lot-dry",
    Step.Kind.CRUSH: "lot-crush",
    Step.Kind.SCREEN: "lot-screen",
    Step.Kind.SPLIT: "lot-split",
}


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
    crumbs = [(phrase("Lots"), reverse("lot-list")), (form.lot.code, form.lot.get_absolute_url()), (word, "")]
    context |= {"lot": form.lot, "form": form, "crumbs": crumbs}
    return render(request, f"prospecting/{name}.html", context)


def _like(request: HttpRequest, kind: str) -> Step | None:
    """The earlier step named in the address whose way of doing it is to be repeated."""
    text = request.GET.get("like", "")
    if not (text.isascii() and text.isdigit() and len(text) < 16):
        return None
    return Step.objects.filter(pk=int(text), kind=kind, voided_at__isnull=True).first()


def _count(text: str, *, least: int, most: int, default: int) -> int:
    """A number from the address, held within its limits."""
    return (
        min(max(int(text), least), most) if text.isascii() and text.isdigit() and len(text) < 5 else default
    )


@page(role="member", methods=("GET", "POST"))
def lot_dry(request: HttpRequest, code: str) -> HttpResponse:
    lot = _standing_lot(code)
    like = _like(request, Step.Kind.DRY)
    form = step_forms.DryForm(request.POST or None, member=request.user, lot=lot, like=like)

    def make() -> Step:
        return steps.dry_lot(
            lot=lot, draw=DrawFrom(**form.draw()), dry=_made(form, "dry_mass", lot.kind), **_recorded(form)
        )

    return _act(request, "lot_dry", phrase("Dry"), form, make)


@page(role="member", methods=("GET", "POST"))
def lot_crush(request: HttpRequest, code: str) -> HttpResponse:
    like = _like(request, Step.Kind.CRUSH)
    form = step_forms.CrushForm(request.POST or None, member=request.user, lot=_standing_lot(code), like=like)

    def make() -> Step:
        return steps.crush_lot(
            draw=DrawFrom(**form.draw()), crushed=_made(form, "mass_out", Kind.CRUSHED), **_recorded(form)
        )

    return _act(request, "lot_crush", phrase("Crush"), form, make)


@page(role="member", methods=("GET", "POST"))
def lot_screen(request: HttpRequest, code: str) -> HttpResponse:
    like = _like(request, Step.Kind.SCREEN)
    form = step_forms.ScreenForm(
        request.POST or None, member=request.user, lot=_standing_lot(code), like=like
    )

    def make() -> Step:
        return steps.screen_lot(
            draw=DrawFrom(**form.draw()),
            opening_um=form.cleaned_data["size"].opening_um,
            undersize=_made(form, "undersize", Kind.UNDERSIZE),
            oversize=_made(form, "oversize", Kind.OVERSIZE),
            **_recorded(form),
        )

    return _act(request, "lot_screen", phrase("Screen"), form, make)


@page(role="member", methods=("GET", "POST"))
def lot_split(request: HttpRequest, code: str) -> HttpResponse:
    pieces = _count(request.GET.get("pieces", ""), least=2, most=MOST_PIECES, default=2)
    form = step_forms.SplitForm(
        request.POST or None,
        member=request.user,
        lot=_standing_lot(code),
        pieces=pieces,
        like=_like(request, Step.Kind.SPLIT),
    )

    def make() -> Step:
        return steps.split_lot(
            draw=DrawFrom(**form.draw()),
            pieces=[_made(form, name, Kind.SPLIT) for name in form.pieces],
            **_recorded(form),
        )

    return _act(
        request,
        "lot_split",
        phrase("Split"),
        form,
        make,
        pieces=pieces,
        piece_choices=range(2, MOST_PIECES + 1),
    )


@page(role="member", methods=("GET", "POST"))
def lot_cut(request: HttpRequest, code: str) -> HttpResponse:
    lot = _standing_lot(code)
    weighed = _count(request.GET.get("weighed", ""), least=1, most=MOST_PORTIONS, default=0)
    measured = "measured" in request.GET
    if measured:
        form = step_forms.CutMeasuredForm(request.POST or None, member=request.user, lot=lot)
    elif weighed:
        form = step_forms.CutWeighedForm(request.POST or None, member=request.user, lot=lot, pieces=weighed)
    else:
        form = step_forms.CutEqualForm(request.POST or None, member=request.user, lot=lot)

    def make() -> Step:
        return steps.cut_portions(
            draw=DrawFrom(**form.taken()),
            portions=[NewLot(kind=Kind.PORTION, **portion) for portion in form.portions()],
            **_recorded(form),
        )

    return _act(request, "lot_cut", phrase("Cut portions"), form, make, weighed=weighed, measured=measured)


@page(role="member", methods=("GET", "POST"))
def lot_blend(request: HttpRequest) -> HttpResponse:
    """First which lots (a plain GET form with ticks and a search), then how much of each."""
    choice = BlendChoiceForm.asked_by(request, pool=Lot.objects.in_stock())
    crumbs = [(phrase("Lots"), reverse("lot-list")), (phrase("Blend"), "")]
    if not choice.is_made():
        return render(request, "prospecting/lot_blend.html", {"choice": choice, "crumbs": crumbs})
    # A proposed blend comes with its masses in the address, each named as its field.
    asked = {name: request.GET[name] for name in request.GET if name.startswith("mass_")}
    form = step_forms.BlendForm(request.POST or None, member=request.user, lots=choice.lots, initial=asked)

    def make() -> Step:
        return steps.blend_lots(
            draws=[DrawFrom(**draw) for draw in form.draws()],
            blend=NewLot(
                kind=Kind.BLEND,
                title=form.cleaned_data["title"],
                place=form.cleaned_data["place"],
                **form.made("mass_out"),
            ),
            uniformity=[NewLot(kind=Kind.PORTION, **portion) for portion in form.uniformity_portions()],
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

    return _act(request, "lot_take_for_assay", phrase("Take for assay"), form, make)


@page(role="member", methods=("GET", "POST"))
def lot_reweigh(request: HttpRequest, code: str) -> HttpResponse:
    form = step_forms.ReweighForm(request.POST or None, member=request.user, lot=_standing_lot(code))

    def make() -> Step:
        weighed = form.made("mass")
        return steps.reweigh_lot(
            lot=form.lot, weighed_g=weighed["mass_g"], typed=weighed["typed"], **_recorded(form)
        )

    return _act(request, "lot_reweigh", phrase("Reweigh"), form, make)


@page(role="member", methods=("GET", "POST"))
def lot_discard(request: HttpRequest, code: str) -> HttpResponse:
    form = step_forms.DiscardForm(request.POST or None, member=request.user, lot=_standing_lot(code))

    def make() -> Step:
        return steps.discard_from_lot(draw=DrawFrom(**form.draw()), **_recorded(form))

    return _act(request, "lot_discard", phrase("Discard"), form, make)


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
            said=phrase("Voided."),
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
            "crumbs": [
                (phrase("Lots"), reverse("lot-list")),
                (str(step), step.get_absolute_url()),
                (phrase("Void"), ""),
            ],
        },
    )


@page(role="member")
def step_again(request: HttpRequest, pk: int) -> HttpResponse:
    """The same for the next bucket: on to its form, filled in but for the masses; a typed code names another one."""
    step = get_object_or_404(Step.objects.filter(kind__in=REPEATED, voided_at__isnull=True), pk=pk)
    find = FindForm(request.GET if "code" in request.GET else None)
    lot = None
    if find.is_bound:
        lot = find.lot()
    elif "other" not in request.GET:
        lot = next_lot(step)
    if lot is not None:
        asked = {"like": step.pk}
        if step.kind == Step.Kind.SPLIT:
            asked["pieces"] = step.made.count()
        return redirect(f"{reverse(REPEATED[step.kind], args=[lot.code])}?{urlencode(asked)}")
    crumbs = [
        (phrase("Lots"), reverse("lot-list")),
        (str(step), step.get_absolute_url()),
        (phrase("The same again"), ""),
    ]
    return render(
        request,
        "prospecting/step_again.html",
        {"step": step, "find": find, "other": find.is_bound or "other" in request.GET, "crumbs": crumbs},
    )
