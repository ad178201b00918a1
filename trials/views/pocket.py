"""The runner's pages that work from the phone without a signal; each may be kept there, so none holds a key."""

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext_lazy

from prospecting.access import keep_on_phone, page
from prospecting.forms import steps as step_forms
from prospecting.forms.base import SiteForm
from prospecting.forms.lots import FindForm
from prospecting.forms.steps import MOST_PIECES
from prospecting.models import Member
from trials.actions.running import Portion
from trials.forms.runs import RunForm
from trials.frames.help_tasks import TASKS
from trials.frames.pocket import (
    MOST_LOTS,
    MOST_TRIALS,
    addresses_that_come_and_go,
    dose_tables,
    lots_for_phone,
    running_trials,
    trial_for_phone,
    usual_measures,
)
from trials.models import Run, Trial

# What can be done to a lot named on the phone: its word, and the page of that step where there is a signal.
STEPS = {
    "dry": (gettext_lazy("Dry"), "lot-dry"),
    "crush": (gettext_lazy("Crush"), "lot-crush"),
    "screen": (gettext_lazy("Screen"), "lot-screen"),
    "split": (gettext_lazy("Split"), "lot-split"),
    "reweigh": (gettext_lazy("Reweigh"), "lot-reweigh"),
    "discard": (gettext_lazy("Discard"), "lot-discard"),
    "pan": (gettext_lazy("Test pan"), "run-add"),
}
STEP_FORMS = {
    "dry": step_forms.DryForm,
    "crush": step_forms.CrushForm,
    "screen": step_forms.ScreenForm,
    "reweigh": step_forms.ReweighForm,
    "discard": step_forms.DiscardForm,
}
# Without a script a phone gets a plain table, and no more of it than it can hold.
PLAIN_LOTS = 50


@page(role="member")
@keep_on_phone
def pocket_trials(request: HttpRequest) -> HttpResponse:
    return render(
        request,
        "trials/pocket_trials.html",
        {"pockets": running_trials(), "most": MOST_TRIALS, "made_at": timezone.now()},
    )


@page(role="member")
@keep_on_phone
def pocket_trial(request: HttpRequest, pk: int) -> HttpResponse:
    """The next portion, chosen on the phone; nothing on this page or behind it names the treatment of a code."""
    trial = get_object_or_404(Trial.objects.select_related("feed_lot", "mixer"), pk=pk)
    if trial.state == Trial.State.DRAFT:
        return redirect(trial)
    made_at = timezone.now()
    pocket = trial_for_phone(trial)
    chosen = pocket.chosen(code=request.GET.get("code", ""), block=request.GET.get("block", ""))
    return render(
        request,
        "trials/pocket_trial.html",
        {
            "trial": trial,
            "pocket": pocket,
            "chosen": chosen,
            "beside": pocket.beside(chosen) if chosen else [],
            "form": _run_form(trial, pocket.portions_are_cut, request.user),
            "is_running": trial.state == Trial.State.RUNNING,
            "kept": pocket.kept(made_at.isoformat(timespec="milliseconds")),
            "made_at": made_at,
            "tubs_mixed": trial.key_openings.exists(),
        },
    )


def _run_form(trial: Trial, portions_are_cut: bool, member: Member) -> RunForm:
    """The empty form of any run of this trial."""
    portion = Portion(mass_g=trial.portion_mass_g, typed=trial.portion_typed) if portions_are_cut else None
    return RunForm(
        member=member, trial=trial, portion=portion, initial=Run.objects.habits_of(member, trial=trial)
    )


@page(role="member")
@keep_on_phone
def pocket_lots(request: HttpRequest) -> HttpResponse:
    lots = lots_for_phone(request.user)
    return render(
        request,
        "trials/pocket_lots.html",
        {
            "lots": lots,
            "plain_lots": lots[:PLAIN_LOTS],
            "is_cut_short": len(lots) >= MOST_LOTS,
            "most": MOST_LOTS,
            "made_at": timezone.now(),
            "steps": [(reverse(f"pocket-{kind}"), word) for kind, (word, _) in STEPS.items()],
        },
    )


@page(role="member")
@keep_on_phone
def pocket_step(request: HttpRequest, kind: str) -> HttpResponse:
    """A step on any lot, named by its code; without a script the code leads to the lot's own page of that step."""
    word, step_page = STEPS[kind]
    find = FindForm(request.GET if "code" in request.GET else None)
    if find.is_bound and (lot := find.lot()):
        return redirect(step_page, code=lot.code)
    return render(
        request,
        "trials/pocket_step.html",
        {
            "kind": kind,
            "word": word,
            "find": find,
            "form": _step_form(kind, request.user),
            "piece_choices": range(2, MOST_PIECES + 1) if kind == "split" else (),
            "lots": lots_for_phone(request.user),
            "action": reverse(step_page, args=["CODE"]),
            "made_at": timezone.now(),
        },
    )


def _step_form(kind: str, member: Member) -> SiteForm:
    if kind == "pan":
        return RunForm(member=member, initial=Run.objects.habits_of(member))
    if kind == "split":
        # All the pieces it may have; the script shows as many as were asked for.
        return step_forms.SplitForm(member=member, pieces=MOST_PIECES)
    return STEP_FORMS[kind](member=member)


@page(role="member")
@keep_on_phone
def pocket_doses(request: HttpRequest) -> HttpResponse:
    return render(
        request,
        "trials/pocket_doses.html",
        {
            "tables": dose_tables(),
            "most": MOST_TRIALS,
            "measures": usual_measures(),
            "made_at": timezone.now(),
        },
    )


@page(role="member")
def pocket_pages(request: HttpRequest) -> JsonResponse:
    """The addresses a phone keeps for the day without a signal."""
    names = [
        "phone-home",
        "pocket-trials",
        "pocket-lots",
        *(f"pocket-{kind}" for kind in STEPS),
        "pocket-doses",
    ]
    lasting = [reverse(name) for name in [*names, "dig-add", "help-list"]]
    lasting += [reverse("help-task", args=[task.name]) for task in TASKS if task.outdoors]
    return JsonResponse({"pages": lasting + addresses_that_come_and_go()})
