"""Runs: the next one of a trial, logged blind; a test pan; one run's page, its correction and its products."""

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django_tables2 import RequestConfig

from prospecting.access import page
from prospecting.actions.held import photo_of_held
from prospecting.actions.photos import keep_photo
from prospecting.actions.products import keep_products
from prospecting.calc.language import phrase
from prospecting.frames.phone import phone_of
from prospecting.models import JournalEntry, Lot, Photo
from prospecting.views.entry import Change, enter
from prospecting.views.list_file import list_file
from trials.actions import running
from trials.actions.running import Portion
from trials.filters.runs import RunFilter
from trials.forms.runs import (
    CloseBlockForm,
    CorrectRunForm,
    CorrectTailsForm,
    KeepProductsForm,
    RunForm,
    TailsForm,
    VoidRunForm,
    grade_says,
    panned_again_before,
    panned_again_start,
    typed_before,
)
from trials.frames.judging import judged_so_far
from trials.frames.runs import found_in_mud_of, left_in_tails_of, working_of
from trials.models import Block, Run, TailsPan, Trial
from trials.tables.runs import RunTable


@page(role="guest")
def run_list(request: HttpRequest) -> HttpResponse:
    filters = RunFilter(request, Run.objects.for_list())
    table = RequestConfig(request, paginate={"per_page": 50}).configure(RunTable(filters.qs, request=request))
    running_trials = Trial.objects.filter(state=Trial.State.RUNNING).select_related("feed_lot")
    return list_file(request, table, "pans") or render(
        request,
        "trials/run_list.html",
        {"table": table, "filters": filters, "running_trials": running_trials},
    )


@page(role="member", methods=("GET", "POST"))
def run_add(request: HttpRequest, code: str) -> HttpResponse:
    """A test pan of a lot."""
    lot = get_object_or_404(Lot.objects.standing(), code=code)
    form = RunForm(
        request.POST or None,
        request.FILES or None,
        member=request.user,
        weighings=Run.objects.filter(lot=lot).weighings(),
        initial={} if request.POST else Run.objects.habits_of(request.user),
    )

    def make() -> Run:
        return running.log_test_pan(
            lot=lot,
            portion=form.portion_taken(),
            result=form.result(kept_photo(request, form)),
            recorded_by=request.user,
        )

    if response := enter(request, form, make, said=phrase("Test pan kept.")):
        return response
    return render(request, "trials/run_add.html", {"lot": lot, "form": form})


@page(role="member")
def run_next(request: HttpRequest, pk: int) -> HttpResponse:
    """Where the trial stands: the next portion, or a block waiting to be closed."""
    trial = get_object_or_404(Trial.objects.select_related("feed_lot"), pk=pk)
    if trial.state != Trial.State.RUNNING:
        return redirect(trial)
    next_run = trial.planned_runs.open().blind().first()
    full_block = trial.blocks.waiting_to_close().first()
    if next_run is not None and full_block is None:
        return redirect("run-log", pk=trial.pk, blind_code=next_run.blind_code)
    return render(
        request,
        "trials/run_next.html",
        {
            "trial": trial,
            "next_run": next_run,
            "full_block": full_block,
            "judged": judged_so_far(full_block) if full_block else [],
            "form": CloseBlockForm(member=request.user),
        },
    )


@page(role="member", methods=("GET", "POST"))
def run_log(request: HttpRequest, pk: int, blind_code: str) -> HttpResponse:
    """Log one planned run by its blind code. Nothing on this page or behind it names the treatment."""
    trial = get_object_or_404(Trial.objects.select_related("feed_lot", "mixer"), pk=pk)
    planned = get_object_or_404(trial.planned_runs.blind(), blind_code=blind_code.upper())
    if request.method == "GET":
        if planned.is_logged:
            return redirect("run-next", pk=trial.pk)
        if trial.state != Trial.State.RUNNING:
            return redirect(trial)
    form = RunForm(
        request.POST or None,
        request.FILES or None,
        member=request.user,
        trial=trial,
        weighings=Run.objects.filter(planned__trial=trial).weighings(),
        portion=Portion(mass_g=planned.portion.mass_g, typed=planned.portion.mass_typed)
        if planned.portion
        else None,
        initial={} if request.POST else Run.objects.habits_of(request.user, trial=trial),
    )

    def make() -> Run:
        return running.log_run(
            planned=planned,
            result=form.result(kept_photo(request, form)),
            portion=None if planned.portion else form.portion_taken(),
            recorded_by=request.user,
        )

    said = phrase("{code} is kept.", code=planned.blind_code)
    if response := enter(request, form, make, said=said, then=trial.get_next_url()):
        return response
    return render(
        request,
        "trials/run_log.html",
        {
            "trial": trial,
            "planned": planned,
            "form": form,
            "progress": trial.progress(),
            "tubs_mixed": trial.key_openings.exists(),
        },
    )


def kept_photo(request: HttpRequest, form: RunForm) -> Photo | None:
    """Keep the form's picture, or take on that of the held entry it settles; inside the transaction that records the run."""
    upload = form.cleaned_data["photo"]
    if not upload:
        return photo_of_held(form.cleaned_data["held"])
    return keep_photo(upload=upload, added_by=request.user)


@page(role="member", methods=("POST",))
def block_close(request: HttpRequest, pk: int) -> HttpResponse:
    block = get_object_or_404(Block.objects.select_related("trial"), pk=pk)
    try:
        block = running.close_block(block=block, closed_by=request.user)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
        return redirect("run-next", pk=block.trial_id)
    messages.success(request, phrase("{block} is closed; its key can be read now.", block=block))
    return redirect("run-next", pk=block.trial_id)


@page(role="guest")
def run_detail(request: HttpRequest, pk: int) -> HttpResponse:
    run = get_object_or_404(Run.objects.for_detail(), pk=pk)
    return render(
        request,
        "trials/run_detail.html",
        {
            "run": run,
            "key_hidden": run.key_hidden,
            "grade_says": grade_says(run, request.user),
            "phone": phone_of(run),
            "working": working_of(run, request.user),
            "weighings": run.weighings.all(),
            "tails": getattr(run, "tails_pan", None),
            "left_in_tails": left_in_tails_of(run),
            "mud": getattr(run, "settled_mud", None),
            "in_mud": found_in_mud_of(run),
            "products": run.step.made.all(),
            "origins": run.lot.origins.select_related("dig__zone__claim", "dig__step"),
            "journal": JournalEntry.objects.about(run).select_related("member")
            if request.user.can_write
            else [],
        },
    )


@page(role="member", methods=("GET", "POST"))
def run_keep(request: HttpRequest, pk: int) -> HttpResponse:
    # Where the kept lots come from would tell the lot a bridging run drew from.
    runs = Run.objects.exclude(pk__in=Run.objects.blind_bridges().values("pk"))
    run = get_object_or_404(runs.select_related("step", "lot"), pk=pk)
    form = KeepProductsForm(request.POST or None, member=request.user)

    def make() -> Run:
        keep_products(step=run.step, products=form.products(), recorded_by=request.user)
        return run

    if response := enter(request, form, make, said=phrase("Kept as lots. Write the codes on the tags.")):
        return response
    return render(request, "trials/run_keep.html", {"run": run, "form": form})


@page(role="member", methods=("GET", "POST"))
def run_correct(request: HttpRequest, pk: int) -> HttpResponse:
    run = get_object_or_404(Run.objects.for_detail(), pk=pk)
    form = CorrectRunForm(
        request.POST or None,
        request.FILES or None,
        member=request.user,
        trial=run.planned.trial if run.planned else None,
        portion=Portion(mass_g=run.portion_mass_g, typed=run.portion_typed),
        initial=typed_before(run),
    )

    def make() -> Run:
        return running.correct_run(
            run=run,
            result=form.result(kept_photo(request, form)),
            reason=form.cleaned_data["reason"],
            recorded_by=request.user,
        )

    said = phrase("Corrected. What stood there before is in the journal.")
    if response := enter(request, form, make, said=said, change=Change(run, typed_before)):
        return response
    return render(request, "trials/run_correct.html", {"run": run, "form": form})


@page(role="member", methods=("GET", "POST"))
def run_tails(request: HttpRequest, pk: int) -> HttpResponse:
    """The tails of a run panned once more, as a result of their own."""
    run = get_object_or_404(Run.objects.for_detail(), pk=pk)
    if request.method == "GET" and hasattr(run, "tails_pan"):
        return redirect("tails-correct", pk=pk)
    form = TailsForm(
        request.POST or None,
        member=request.user,
        run=run,
        initial=panned_again_start(run),
    )

    def make() -> TailsPan:
        return running.log_tails(run=run, tails=form.found(), recorded_by=request.user)

    if response := enter(request, form, make, said=phrase("The tails are kept.")):
        return response
    return render(request, "trials/run_tails.html", {"run": run, "form": form})


@page(role="member", methods=("GET", "POST"))
def tails_correct(request: HttpRequest, pk: int) -> HttpResponse:
    run = get_object_or_404(Run.objects.for_detail().filter(tails_pan__isnull=False), pk=pk)
    form = CorrectTailsForm(
        request.POST or None, member=request.user, run=run, initial=panned_again_before(run.tails_pan)
    )

    def make() -> TailsPan:
        return running.correct_tails(
            run=run, tails=form.found(), reason=form.cleaned_data["reason"], recorded_by=request.user
        )

    said = phrase("Corrected. What stood there before is in the journal.")
    if response := enter(
        request, form, make, said=said, change=Change(run.tails_pan, panned_again_before, run)
    ):
        return response
    return render(request, "trials/run_tails.html", {"run": run, "form": form})


@page(role="member", methods=("GET", "POST"))
def run_void(request: HttpRequest, pk: int) -> HttpResponse:
    run = get_object_or_404(Run.objects.for_detail(), pk=pk)
    form = VoidRunForm(request.POST or None, member=request.user)

    def make() -> Run:
        return running.void_run(run=run, reason=form.cleaned_data["reason"], voided_by=request.user)

    if response := enter(request, form, make, said=phrase("Voided. The portion is back in its lot.")):
        return response
    return render(request, "trials/run_void.html", {"run": run, "form": form})
