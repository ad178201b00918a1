"""Masses set right: what would change is shown first, then done as shown, then kept to be read."""

from collections.abc import Mapping, Sequence

from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from prospecting.access import page
from prospecting.actions.refusal import Refused
from prospecting.calc.language import phrase
from prospecting.models import JournalEntry, Lot, Step
from prospecting.views.entry import enter
from trials.actions.correction import correct_step, preview_correction
from trials.forms.corrections import CorrectionForm, LotCorrectionForm, StepCorrectionForm
from trials.frames.journal_lines import less_hidden_runs
from trials.models import Run
from trials.tables.corrections import change_sections


@page(role="member", methods=("GET", "POST"))
def lot_correct(request: HttpRequest, code: str) -> HttpResponse:
    lot = get_object_or_404(Lot.objects.standing().select_related("made_by"), code=code)
    start = LotCorrectionForm.starting_with(request.GET, lot, request.user.mass_unit)
    form = LotCorrectionForm(request.POST or None, member=request.user, lot=lot, initial=start)
    reweighed = Step.objects.filter(kind=Step.Kind.REWEIGH, voided_at__isnull=True, draws__lot=lot)
    return _correct(
        request,
        "trials/lot_correct.html",
        form,
        lot=lot,
        weighed=start.get("weighed"),
        reweighed=reweighed,
        crumbs=[
            (phrase("Lots"), reverse("lot-list")),
            (lot.code, lot.get_absolute_url()),
            (phrase("Correct its mass"), ""),
        ],
    )


@page(role="member", methods=("GET", "POST"))
def step_correct(request: HttpRequest, pk: int) -> HttpResponse:
    steps = Step.objects.filter(voided_at__isnull=True).exclude(
        pk__in=Run.objects.blind_bridges().values("step")
    )
    step = get_object_or_404(steps, pk=pk)
    form = StepCorrectionForm(
        request.POST or None,
        member=request.user,
        step=step,
        draws=step.draws.select_related("lot"),
        made=step.made.order_by("pk"),
    )
    return _correct(
        request,
        "trials/step_correct.html",
        form,
        step=step,
        crumbs=[
            (phrase("Lots"), reverse("lot-list")),
            (str(step), step.get_absolute_url()),
            (phrase("Correct masses"), ""),
        ],
    )


@page(role="member")
def correction_detail(request: HttpRequest, pk: int) -> HttpResponse:
    entries = JournalEntry.objects.filter(subject_kind="step", what="corrected masses").exclude(
        subject_id__in=Run.objects.blind_bridges().values("step")
    )
    entry = get_object_or_404(entries.select_related("member"), pk=pk)
    return render(
        request,
        "trials/correction_detail.html",
        {
            "entry": entry,
            **_shown(entry.changes),
            "crumbs": [
                (phrase("Lots"), reverse("lot-list")),
                (entry.subject_label, entry.subject_path),
                (phrase("Correction"), ""),
            ],
        },
    )


def _correct(request: HttpRequest, template: str, form: CorrectionForm, **context) -> HttpResponse:
    """Done as agreed and on to what changed; or what would change, to be agreed to; or the form (again)."""
    moved = False

    def make() -> _Kept:
        nonlocal moved
        agreed = form.cleaned_data["agreed"]
        try:
            return _Kept(correct_step(**form.wanted(), corrected_by=request.user, agreed=agreed).entry)
        except Refused as refusal:
            moved = refusal.code == "outcome_changed"
            raise

    if form.is_agreed:
        if response := enter(request, form, make, said=phrase("Corrected.")):
            return response
        preview = _preview(request, form) if moved else None
    else:
        to_show = form.is_bound and form.is_valid() and not form.is_changing
        preview = _preview(request, form) if to_show else None
    return render(request, template, context | {"form": form, "preview": preview})


def _preview(request: HttpRequest, form: CorrectionForm) -> dict | None:
    try:
        correction = preview_correction(**form.wanted(), corrected_by=request.user)
    except ValidationError as error:
        form.add_refusal(error)
        return None
    changes = {change.what: (change.before, change.after) for change in correction.changes}
    return {**_shown(changes), "fingerprint": correction.fingerprint}


def _shown(changes: Mapping[str, Sequence[str]]) -> dict:
    """The changes as sections, and whether some are not shown while a key is hidden."""
    shown = less_hidden_runs(changes)
    return {"sections": change_sections(shown), "some_hidden": len(shown) < len(changes)}


class _Kept:
    """Where a kept correction is read."""

    def __init__(self, entry: JournalEntry) -> None:
        self.entry = entry

    def get_absolute_url(self) -> str:
        return reverse("correction-detail", args=[self.entry.pk])
