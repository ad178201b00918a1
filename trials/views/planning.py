"""A trial from its draft to its end: the plan, the sheets, who may see the key."""

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django_tables2 import RequestConfig

from prospecting.access import page
from prospecting.calc.language import phrase
from prospecting.forms.labels import CodeLabelsForm
from prospecting.models import JournalEntry
from prospecting.views.entry import Change, enter
from prospecting.views.list_file import list_file
from trials.actions import planning
from trials.charts.tub_labels import draw_labels
from trials.filters.trials import TrialFilter
from trials.forms.planning import (
    FixForm,
    MixingForm,
    PlainForm,
    PlanForm,
    ReasonForm,
    TreatmentForm,
    TrialForm,
    draft_before,
    treatment_before,
)
from trials.frames.marks import marks_of
from trials.frames.outlook import objection_as_kept, plan_outlook
from trials.frames.sheets import mixing_rows
from trials.frames.stock import stocks_of
from trials.models import Finding, Treatment, Trial
from trials.tables.trials import TrialTable


@page(role="guest")
def trial_list(request: HttpRequest) -> HttpResponse:
    filters = TrialFilter(request, Trial.objects.for_list())
    table = RequestConfig(request).configure(TrialTable(filters.qs, request=request))
    return list_file(request, table, "trials") or render(
        request, "trials/trial_list.html", {"table": table, "filters": filters}
    )


@page(role="member", methods=("GET", "POST"))
def trial_add(request: HttpRequest) -> HttpResponse:
    form = TrialForm(request.POST or None, member=request.user, initial=TrialForm.starting_with(request.GET))
    if response := enter(
        request,
        form,
        lambda: planning.plan_trial(**form.fields_typed(), recorded_by=request.user),
        said=phrase("The draft is kept. Add its treatments, the control first."),
    ):
        return response
    return render(request, "trials/trial_form.html", {"form": form})


def plan_stands(request: HttpRequest, trial: Trial) -> HttpResponse | None:
    """Lead away from a form that could only be refused: a fixed plan no longer changes."""
    if request.method != "GET" or trial.state == Trial.State.DRAFT:
        return None
    messages.info(
        request, phrase("The plan of this trial stands: it no longer changes. Plan a new trial instead.")
    )
    return redirect(trial)


@page(role="member", methods=("GET", "POST"))
def trial_edit(request: HttpRequest, pk: int) -> HttpResponse:
    trial = get_object_or_404(Trial.objects.select_related("feed_lot"), pk=pk)
    if response := plan_stands(request, trial):
        return response
    # A bridge keeps its question and its two lots.
    known = {} if trial.is_bridge else {"treatments": trial.treatments.count()}
    form_class = PlanForm if trial.is_bridge else TrialForm
    form = form_class(request.POST or None, member=request.user, initial=draft_before(trial), **known)

    def make() -> Trial:
        return planning.change_trial(trial=trial, **form.fields_typed(), recorded_by=request.user)

    if response := enter(request, form, make, said=phrase("Changed."), change=Change(trial, draft_before)):
        return response
    return render(request, "trials/trial_form.html", {"form": form, "trial": trial})


@page(role="guest")
def trial_detail(request: HttpRequest, pk: int) -> HttpResponse:
    """The draft with what it could see; the running trial with its next portion; the closed one with its runs."""
    trial = get_object_or_404(Trial.objects.for_detail(), pk=pk)
    if trial.state == Trial.State.DRAFT:
        return _draft_page(request, trial)
    treatments = list(trial.treatments.prefetch_related("doses__additive"))
    context = {"trial": trial, "treatments": treatments, "marks": marks_of(trial)}
    return render(
        request,
        "trials/trial_detail.html",
        context
        | {
            "blocks": trial.blocks_with_runs(),
            "progress": trial.progress(),
            "openings": trial.key_openings.select_related("member"),
            "clearing_tests": trial.clearing_tests.all(),
            "findings": Finding.objects.standing().filter(evidence__trial=trial),
            "journal": JournalEntry.objects.about(trial).select_related("member")
            if request.user.can_write
            else [],
        },
    )


def _draft_page(request: HttpRequest, trial: Trial, form: FixForm | None = None) -> HttpResponse:
    treatments = list(trial.treatments.prefetch_related("doses__additive"))
    outlook = plan_outlook(trial, len(treatments), request.user.mass_unit)
    cannot = outlook.cannot if outlook else ""
    return render(
        request,
        "trials/trial_draft.html",
        {
            "trial": trial,
            "treatments": treatments,
            "factors": trial.factors.prefetch_related("levels").select_related("additive"),
            "marks": marks_of(trial),
            "outlook": outlook,
            "stocks": stocks_of(trial.feeds),
            "form": form or FixForm(member=request.user, cannot=cannot),
        },
    )


@page(role="member", methods=("GET", "POST"))
def treatment_add(request: HttpRequest, pk: int) -> HttpResponse:
    trial = get_object_or_404(Trial, pk=pk)
    if response := plan_stands(request, trial):
        return response
    first = {} if trial.treatments.exists() else {"name": phrase("plain water"), "is_control": True}
    form = TreatmentForm(request.POST or None, member=request.user, initial=first)

    def make() -> Trial:
        return planning.add_treatment(trial=trial, **form.fields_typed(), recorded_by=request.user).trial

    if response := enter(request, form, make, said=phrase("Treatment added.")):
        return response
    return render(request, "trials/treatment_form.html", {"trial": trial, "form": form})


@page(role="member", methods=("GET", "POST"))
def treatment_edit(request: HttpRequest, pk: int) -> HttpResponse:
    treatment = get_object_or_404(Treatment.objects.select_related("trial"), pk=pk)
    if response := plan_stands(request, treatment.trial):
        return response
    form = TreatmentForm(request.POST or None, member=request.user, initial=treatment_before(treatment))

    def make() -> Trial:
        return planning.change_treatment(
            treatment=treatment, **form.fields_typed(), recorded_by=request.user
        ).trial

    if response := enter(
        request,
        form,
        make,
        said=phrase("Changed."),
        change=Change(treatment, treatment_before, treatment.trial),
    ):
        return response
    return render(
        request,
        "trials/treatment_form.html",
        {"trial": treatment.trial, "treatment": treatment, "form": form},
    )


@page(role="member", methods=("GET", "POST"))
def treatment_remove(request: HttpRequest, pk: int) -> HttpResponse:
    treatment = get_object_or_404(Treatment.objects.select_related("trial"), pk=pk)
    if response := plan_stands(request, treatment.trial):
        return response
    form = PlainForm(request.POST or None, member=request.user)

    def make() -> Trial:
        return planning.remove_treatment(treatment=treatment, recorded_by=request.user)

    if response := enter(request, form, make, said=phrase("Removed.")):
        return response
    return render(request, "trials/treatment_remove.html", {"treatment": treatment, "form": form})


@page(role="member", methods=("GET", "POST"))
def trial_plan(request: HttpRequest, pk: int) -> HttpResponse:
    """Draw the plan and fix it; one that can't answer its question only with a reason."""
    trial = get_object_or_404(Trial.objects.for_detail(), pk=pk)
    if request.method == "GET":
        return redirect(trial)
    treatments = trial.treatments.count()
    outlook = plan_outlook(trial, treatments, request.user.mass_unit)
    form = FixForm(request.POST, member=request.user, cannot=outlook.cannot if outlook else "")

    def make() -> Trial:
        reason = form.cleaned_data.get("reason", "")
        cannot = form.cannot and objection_as_kept(trial, treatments, request.user.mass_unit)
        return planning.fix_plan(trial=trial, planned_by=request.user, cannot=cannot, reason=reason)

    said = phrase("The plan is fixed. Print the run sheet and the labels; the mixer opens the mixing sheet.")
    return enter(request, form, make, said=said) or _draft_page(request, trial, form)


@page(role="member")
def run_sheet(request: HttpRequest, pk: int) -> HttpResponse:
    """The panner's sheet: order, blind codes and portions, without a word about treatments."""
    trial = get_object_or_404(Trial.objects.select_related("feed_lot"), pk=pk)
    return render(
        request,
        "trials/run_sheet.html",
        {"trial": trial, "planned_runs": trial.planned_runs.blind(), "marks": marks_of(trial)},
    )


@page(role="member")
def tub_labels(request: HttpRequest, pk: int) -> HttpResponse:
    """Labels for tubs and portions: code, order and portion, and not a word about treatments."""
    trial = get_object_or_404(Trial.objects.select_related("feed_lot"), pk=pk)
    form = CodeLabelsForm(request.GET if "sheet" in request.GET else None)
    context = {"trial": trial, "form": form}
    if form.is_valid():
        sheet = form.label_sheet
        context |= {
            "sheets": draw_labels(
                trial.planned_runs.blind(), trial, sheet, first_label=form.cleaned_data["first_label"]
            ),
            "paper_styles": f"prospecting/paper/{sheet.paper.name}.css",
            "paper_size": f"{sheet.paper.width_mm} × {sheet.paper.height_mm} mm",
        }
    return render(request, "trials/tub_labels.html", context)


@page(role="member", methods=("GET", "POST"))
def mixing_sheet(request: HttpRequest, pk: int) -> HttpResponse:
    """Asks before it shows the key, since looking is on record; then the mixer's amounts, tub by tub."""
    trial = get_object_or_404(Trial.objects.select_related("feed_lot", "new_lot", "mixer"), pk=pk)
    asked = {"water": request.GET.get("water", trial.water_typed)}
    form = MixingForm(request.POST or None, member=request.user, initial=asked)
    if request.method == "POST" and form.is_valid():
        try:
            planning.open_key(trial=trial, member=request.user, reason=form.cleaned_data["reason"])
        except ValidationError as error:
            form.add_refusal(error)
        else:
            water = form.water_or(trial)
            response = render(
                request,
                "trials/mixing_sheet.html",
                {
                    "trial": trial,
                    "form": form,
                    "water": water,
                    "rows": mixing_rows(trial, water.canonical),
                    "opened_at": timezone.now(),
                },
            )
            # The key must not lie in a phone's cache where a panner might borrow it.
            response.headers["Cache-Control"] = "no-store"
            return response
    return render(request, "trials/mixing_ask.html", {"trial": trial, "form": form})


@page(role="member", methods=("GET", "POST"))
def trial_close(request: HttpRequest, pk: int) -> HttpResponse:
    trial = get_object_or_404(Trial, pk=pk)
    form = ReasonForm(request.POST or None, member=request.user)

    def make() -> Trial:
        return planning.close_trial(trial=trial, closed_by=request.user, reason=form.cleaned_data["reason"])

    if response := enter(request, form, make, said=phrase("The trial is closed.")):
        return response
    return render(
        request, "trials/trial_close.html", {"trial": trial, "form": form, "progress": trial.progress()}
    )
