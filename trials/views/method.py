"""The group's method as its findings make it, and the trials that come next."""

from collections.abc import Sequence

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.template.loader import render_to_string
from django.utils import timezone

from prospecting.access import page
from prospecting.kept_results import kept_result, kept_results
from trials.frames.findings import pieces_of
from trials.frames.method import method_of, standing_findings
from trials.frames.next_trials import next_trials as next_trials_of
from trials.frames.next_trials import tried_in
from trials.models import Finding, Trial
from trials.views.findings import books_state, changed


@page(role="guest")
def house_method(request: HttpRequest) -> HttpResponse:
    standing = standing_findings()
    method = method_of(standing, changed(pieces_of(standing.findings)), request.user)
    return render(request, "trials/house_method.html", {"method": method, "today": timezone.localdate()})


@page(role="guest")
def next_trials(request: HttpRequest) -> HttpResponse:
    """The list, drawn anew only after the journal got another line (or on another day, for lots grow old)."""
    member = request.user

    def listed() -> str:
        standing = Finding.objects.standing().select_related("additive").prefetch_related("evidence")
        found = next_trials_of(member, standing, _tried)
        return render_to_string("trials/_next_trials.html", {"found": found, "can_write": member.can_write})

    units = (member.mass_unit, member.dose_unit, member.can_write)
    made_from = (*books_state(), timezone.localdate(), *units)
    return render(
        request, "trials/next_trials.html", {"listed": kept_result("next trials", made_from, listed)}
    )


def _tried(trials: Sequence[Trial]) -> dict:
    """A closed trial's verdicts and spread change only with its runs: with their journal, or with how many of them count."""
    of = {trial.pk: trial for trial in trials}
    made_from = {pk: (pk, trial.closed_at, trial.last_entry, trial.counted) for pk, trial in of.items()}
    return kept_results("tried", made_from, lambda missing: tried_in([of[pk] for pk in missing]))
