"""Findings: what the group concluded, on evidence frozen as it stood; recorded, read, taken back and replaced."""

from collections.abc import Sequence

from django.db.models import Model, Prefetch
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django_tables2 import RequestConfig

from prospecting.access import page
from prospecting.calc.language import phrase
from prospecting.kept_results import kept_result
from prospecting.models import JournalEntry, Member
from prospecting.views.entry import enter
from prospecting.views.list_file import list_file
from trials.actions import findings
from trials.actions.findings import Evidence, FrozenFigures
from trials.filters.findings import FindingFilter
from trials.forms.findings import MOST_EVIDENCE, FindingForm, TakeBackForm, is_number
from trials.frames.findings import (
    changed_of,
    doubt_about,
    doubt_of,
    evidence_now,
    figures_of,
    frozen_of,
    sign_of,
    standing_pieces,
)
from trials.models import ClearingTest, Finding, FindingEvidence, Trial
from trials.tables.findings import FindingTable

Record = Trial | ClearingTest


@page(role="guest")
def finding_list(request: HttpRequest) -> HttpResponse:
    filters = FindingFilter(request, Finding.objects.for_list())
    pieces = standing_pieces()
    moved = changed(pieces)
    table = FindingTable(
        filters.qs,
        request=request,
        changed={piece.finding_id for piece in pieces if piece.pk in moved},
    )
    RequestConfig(request).configure(table)
    return list_file(request, table, "findings") or render(
        request, "trials/finding_list.html", {"table": table, "filters": filters}
    )


@page(role="member", methods=("GET", "POST"))
def finding_add(request: HttpRequest) -> HttpResponse:
    closed = Trial.objects.filter(state=Trial.State.CLOSED).select_related("feed_lot")
    trial = _asked(request, "trial", closed.prefetch_related("treatments__doses__additive"))
    test = _asked(request, "clearing", ClearingTest.objects.filter(ended_at__isnull=False))
    form = FindingForm(
        request.POST or None,
        member=request.user,
        doubt=_doubt(request.user),
        initial={} if request.POST else FindingForm.starting_with(trial, test),
    )

    def make() -> Finding:
        return findings.keep_finding(
            **form.fields_typed(), evidence=_evidence(form, request.user), recorded_by=request.user
        )

    if response := enter(request, form, make, said=phrase("Kept, with its evidence as it stands today.")):
        return response
    chosen = _chosen(form, [record for record in (trial, test) if record])
    return _show_form(request, form, chosen, {"crumbs": _crumbs(phrase("Record a finding"))})


@page(role="guest")
def finding_detail(request: HttpRequest, pk: int) -> HttpResponse:
    finding = get_object_or_404(_whole(), pk=pk)
    evidence = finding.evidence.all()
    return render(
        request,
        "trials/finding_detail.html",
        {
            "finding": finding,
            "doubt": doubt_about(finding),
            "evidence": evidence_now(finding, changed(evidence)),
            "may_take_back": request.user.is_keeper or request.user.pk == finding.recorded_by_id,
            "crumbs": _crumbs(phrase("Finding {number}", number=finding.pk)),
        },
    )


@page(role="member", methods=("GET", "POST"))
def finding_take_back(request: HttpRequest, pk: int) -> HttpResponse:
    finding = get_object_or_404(Finding.objects.select_related("recorded_by"), pk=pk)
    form = TakeBackForm(request.POST or None, member=request.user)

    def make() -> Finding:
        return findings.take_back_finding(
            finding=finding, reason=form.cleaned_data["reason"], taken_back_by=request.user
        )

    if response := enter(request, form, make, said=phrase("Taken back. It stays readable, with its reason.")):
        return response
    return render(
        request,
        "trials/finding_take_back.html",
        {"finding": finding, "form": form, "crumbs": _crumbs_of(finding, phrase("Take back"))},
    )


@page(role="member", methods=("GET", "POST"))
def finding_replace(request: HttpRequest, pk: int) -> HttpResponse:
    old = get_object_or_404(_whole(), pk=pk)
    form = FindingForm(
        request.POST or None,
        member=request.user,
        doubt=_doubt(request.user),
        initial={} if request.POST else FindingForm.standing_as(old),
    )

    def make() -> Finding:
        return findings.replace_finding(
            old=old,
            **form.fields_typed(),
            evidence=_evidence(form, request.user),
            recorded_by=request.user,
        )

    if response := enter(request, form, make, said=phrase("Kept in the place of the old one.")):
        return response
    chosen = _chosen(form, [piece.trial or piece.clearing_test for piece in old.evidence.all()])
    return _show_form(request, form, chosen, {"old": old, "crumbs": _crumbs_of(old, phrase("Replace"))})


def changed(pieces: Sequence) -> set[int]:
    """Which pieces of evidence have records that changed since; read anew only after the journal got another line."""
    if not pieces:
        return set()
    told = [(piece.pk, piece.data_hash) for piece in pieces]
    return kept_result("changed evidence", (told, *books_state()), lambda: changed_of(pieces))


def books_state() -> tuple:
    """The journal's last line: every change of the books adds one, so what was reckoned after it still holds.

    With its moment, for books set back to an earlier state count their lines anew.
    """
    return JournalEntry.objects.about_records().values_list("pk", "at").first() or ()


def _whole():
    return Finding.objects.select_related(
        "additive", "recorded_by", "taken_back_by", "replaced_by", "replaces"
    ).prefetch_related(
        Prefetch("evidence", FindingEvidence.objects.select_related("trial__feed_lot", "clearing_test"))
    )


def _asked(request: HttpRequest, name: str, records) -> Model | None:
    """The record the address names; a number that is none chooses nothing."""
    number = request.GET.get(name, "")
    return records.filter(pk=number).first() if is_number(number) else None


def _figures(record: Record, member: Member) -> dict:
    """What the record says now; kept, for a page asks for it again at every refusal."""
    made_from = (kind_of(record), record.pk, *books_state(), member.mass_unit, member.grade_unit)
    return kept_result("evidence", made_from, lambda: figures_of(record, member))


def kind_of(record: Record) -> str:
    return "trial" if isinstance(record, Trial) else "clearing"


def _doubt(member: Member):
    def doubt(records: Sequence[Record], **said) -> str:
        return doubt_of(**said, evidence=[_figures(record, member) for record in records])

    return doubt


def _evidence(form: FindingForm, member: Member) -> Evidence:
    trials, tests = form.chosen()
    return Evidence(
        trials=trials,
        clearing_tests=tests,
        freeze=lambda record: FrozenFigures(**vars(frozen_of(record, member))),
        seen=form.signs_seen(),
    )


def _chosen(form: FindingForm, proposed: Sequence[Record]) -> Sequence[Record]:
    """What the form's evidence is, as sent or as proposed."""
    return [*form.chosen()[0], *form.chosen()[1]][:MOST_EVIDENCE] if form.is_bound else proposed


def _show_form(
    request: HttpRequest, form: FindingForm, chosen: Sequence[Record], context: dict
) -> HttpResponse:
    shown = [(record, _figures(record, request.user)) for record in chosen]
    form.show((kind_of(record), record.pk, sign_of(figures)) for record, figures in shown)
    return render(request, "trials/finding_form.html", context | {"form": form, "shown": shown})


def _crumbs(last: str) -> list[tuple[str, str]]:
    return [(phrase("Findings"), reverse("finding-list")), (last, "")]


def _crumbs_of(finding: Finding, last: str) -> list[tuple[str, str]]:
    return [
        (phrase("Findings"), reverse("finding-list")),
        (phrase("Finding {number}", number=finding.pk), finding.get_absolute_url()),
        (last, ""),
    ]
