"""The runs of a closed trial as files, and a table of runs from elsewhere read in."""

from urllib.parse import urlencode

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render

from prospecting.access import page
from prospecting.actions.assays import held_file, hold_file, let_file_go
from prospecting.actions.journal import note_export
from prospecting.calc.language import phrase
from prospecting.views.entry import enter
from prospecting.views.saved_file import CSV, XLSX, saved_file
from trials.actions.importing import import_trial
from trials.forms.importing import ImportForm, RunFile, RunFileForm
from trials.frames.run_export import as_csv, as_xlsx, runs_of
from trials.models import Trial


@page(role="guest")
def trial_runs_csv(request: HttpRequest, pk: int) -> HttpResponse:
    trial = get_object_or_404(Trial.objects.for_detail(), pk=pk)
    return _key_kept(request, trial) or _noted(
        request, trial, "csv", saved_file(as_csv(runs_of(trial).lines), CSV, f"trial-{pk}-runs.csv")
    )


@page(role="guest")
def trial_columns_csv(request: HttpRequest, pk: int) -> HttpResponse:
    """What the columns of the runs' file mean."""
    trial = get_object_or_404(Trial.objects.for_detail(), pk=pk)
    return _key_kept(request, trial) or saved_file(
        as_csv(runs_of(trial).dictionary), CSV, f"trial-{pk}-columns.csv"
    )


@page(role="guest")
def trial_runs_xlsx(request: HttpRequest, pk: int) -> HttpResponse:
    trial = get_object_or_404(Trial.objects.for_detail(), pk=pk)
    return _key_kept(request, trial) or _noted(
        request, trial, "xlsx", saved_file(as_xlsx(runs_of(trial)), XLSX, f"trial-{pk}-runs.xlsx")
    )


def _noted(request: HttpRequest, trial: Trial, kind: str, file: HttpResponse) -> HttpResponse:
    note_export(
        member=request.user, label=request.path, what=f"the runs of trial {trial.pk} left the site as {kind}"
    )
    return file


@page(role="keeper", methods=("GET", "POST"))
def trial_import(request: HttpRequest) -> HttpResponse:
    """Two steps under one address: the upload, then (the address names the file's hash) what was read, and recording it."""
    sha256 = request.GET.get("file")
    return _read_in(request, sha256) if sha256 else _upload(request)


def _upload(request: HttpRequest) -> HttpResponse:
    form = RunFileForm(request.POST or None, request.FILES or None, member=request.user)
    if request.method == "POST" and form.is_valid():
        upload = form.cleaned_data["upload"]
        try:
            sha256 = hold_file(upload=upload, held_by=request.user)
        except ValidationError as error:
            form.add_refusal(error)
        else:
            return redirect(f"{request.path}?{urlencode({'file': sha256, 'name': upload.name})}")
    return render(request, "trials/trial_import.html", {"form": form})


def _read_in(request: HttpRequest, sha256: str) -> HttpResponse:
    data = held_file(sha256=sha256, held_by=request.user)
    if data is None:
        # Recorded by now, or given up.
        return redirect(request.path)
    read = RunFile(data=data, name=request.GET.get("name", "")[:200])
    form = None
    if read.table is not None:
        form = ImportForm(request.POST or None, member=request.user, table=read.table)

        def make() -> Trial:
            return import_trial(
                facts=form.facts(), table=read.table, file_name=read.name, recorded_by=request.user
            )

        if response := enter(request, form, make, said=phrase("Recorded, as a trial typed in afterwards.")):
            let_file_go(sha256=sha256, held_by=request.user)
            return response
    return render(request, "trials/trial_import_read.html", {"read": read, "table": read.table, "form": form})


def _key_kept(request: HttpRequest, trial: Trial) -> HttpResponse | None:
    """A sentence instead of the file while the trial is not closed: its rows would give the key away."""
    if trial.state == Trial.State.CLOSED:
        return None
    messages.warning(
        request, phrase("No file of these runs yet: it would tell which code got which treatment.")
    )
    return redirect("trial-outcomes", trial.pk)
