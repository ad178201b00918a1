"""The page of one step: here, since the lot a bridging run drew from is not told while its key is hidden."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from prospecting.access import page
from prospecting.calc.language import phrase
from prospecting.frames.phone import phone_of
from prospecting.models import JournalEntry, Origin, Step
from prospecting.tables.steps import loss_working, share_rows, shares_working, step_balance
from prospecting.views.steps import REPEATED
from trials.frames.journal_lines import hide_open_keys
from trials.models import Run


@page(role="guest")
def step_detail(request: HttpRequest, pk: int) -> HttpResponse:
    step = get_object_or_404(
        Step.objects.select_related("recorded_by", "voided_by", "dig__zone__claim"), pk=pk
    )
    unit = request.user.mass_unit
    blind = _blind_bridge(step)
    draws = [] if blind else list(step.draws.select_related("lot"))
    made = [] if blind else list(step.made.order_by("pk"))
    entries = list(JournalEntry.objects.about(step).select_related("member"))
    hide_open_keys(entries)
    drawn_origins = list(Origin.objects.filter(lot__in=[draw.lot_id for draw in draws]))
    made_origins = list(made[0].origins.select_related("dig__zone__claim")) if made else []
    return render(
        request,
        "trials/step_detail.html",
        {
            "step": step,
            "dig": getattr(step, "dig", None),
            "draws": draws,
            "made": made,
            "on_hand": [lot for lot in made if lot.on_hand_g],
            "balance": None if blind else step_balance(step, draws, made),
            "hidden_until": blind and blind.planned.block,
            "loss_working": loss_working(step, draws, made, unit),
            "shares": share_rows(made_origins),
            "shares_working": shares_working(draws, drawn_origins, made_origins, unit),
            "phone": phone_of(step),
            "entries": entries,
            "may_void": _may_void(step, request.user),
            "may_repeat": request.user.can_write and not step.is_void and step.kind in REPEATED,
            "crumbs": [(phrase("Lots"), reverse("lot-list")), (str(step), "")],
        },
    )


def _blind_bridge(step: Step) -> Run | None:
    """The bridging run of this step while its block is open."""
    if step.kind != Step.Kind.RECOVER:
        return None
    return Run.objects.blind_bridges().filter(step=step).select_related("planned__block").first()


def _may_void(step: Step, member) -> bool:
    """Whether the page offers voiding; the action decides again."""
    own = step.recorded_by_id == member.pk
    return (
        member.can_write and (own or member.is_keeper) and not step.is_void and step.kind != Step.Kind.RECOVER
    )
