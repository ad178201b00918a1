"""Findings: what the group concluded, kept with its evidence frozen as it stood; taken back or replaced, never changed."""

import datetime
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from prospecting.actions.journal import write_journal
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.calc.language import phrase
from prospecting.calc.number_words import as_written
from trials.models import Additive, ClearingTest, Finding, FindingEvidence, Run, Trial, Tub

Record = Trial | ClearingTest


@dataclass(frozen=True)
class FrozenFigures:
    """What a record said at this moment, in plain JSON; `sign` changes with what its verdicts say."""

    data_hash: str
    figures: dict
    versions: dict
    sign: str


# Reads a record as it stands. An action may not read an analysis itself: who calls it hands the reading over, and the action
# does it once the record is locked.
Freeze = Callable[[Record], FrozenFigures]


@dataclass(frozen=True)
class Evidence:
    """What a finding rests on. `seen` maps ("trial" or "clearing", number) to the sign of what its member had read of it."""

    trials: Sequence[Trial]
    clearing_tests: Sequence[ClearingTest]
    freeze: Freeze
    seen: Mapping[tuple[str, int], str]


@transaction.atomic
def keep_finding(
    *,
    about: str,
    stand: str,
    sentence: str,
    concluded_by: str,
    concluded_on: datetime.date,
    evidence: Evidence,
    recorded_by,
    why: str = "",
    additive: Additive | None = None,
    ml_per_l: Decimal | None = None,
    dose_typed: str = "",
) -> Finding:
    """Keep a finding with its evidence as it stands now. Only what is not settled may stand without evidence."""
    require_writer(recorded_by)
    if stand != Finding.Stand.OPEN and not evidence.trials and not evidence.clearing_tests:
        raise Refused(
            phrase(
                "Choose the trial or clearing test it rests on. Without one, record it as not settled yet."
            ),
            code="evidence_missing",
            field="trials",
        )
    finding = Finding(
        about=about,
        stand=stand,
        sentence=sentence,
        why=why,
        concluded_by=concluded_by,
        concluded_on=concluded_on,
        additive=additive,
        ml_per_l=ml_per_l,
        dose_typed=dose_typed,
        recorded_by=recorded_by,
    )
    finding.full_clean()
    finding.save()
    for trial in _locked_trials(evidence.trials):
        _keep_evidence(finding, "trial", trial, evidence)
    for test in _locked_tests(evidence.clearing_tests):
        _keep_evidence(finding, "clearing_test", test, evidence)
    with as_written():
        concluded = f"concluded: {finding.get_stand_display().lower()}"
    write_journal(member=recorded_by, about=finding, what=concluded)
    return finding


@transaction.atomic
def take_back_finding(*, finding: Finding, reason: str, taken_back_by) -> Finding:
    """Take a finding back: it stays readable, with the reason, and is out of the method."""
    require_writer(taken_back_by)
    finding = _locked_standing(finding)
    if not (taken_back_by.is_keeper or taken_back_by.pk == finding.recorded_by_id):
        raise Refused(
            phrase(
                "Only {member}, who recorded it, or a keeper takes it back.",
                member=finding.recorded_by,
            ),
            code="not_yours",
        )
    reason = reason.strip()
    if not reason:
        raise Refused(phrase("Say why it is taken back."), code="reason_missing", field="reason")
    finding.taken_back_at, finding.taken_back_by = timezone.now(), taken_back_by
    finding.taken_back_reason = reason
    finding.full_clean()
    finding.save(update_fields=["taken_back_at", "taken_back_by", "taken_back_reason"])
    write_journal(member=taken_back_by, about=finding, what="taken back", why=reason)
    return finding


@transaction.atomic
def replace_finding(*, old: Finding, recorded_by, **fields) -> Finding:
    """Keep a new finding in the place of an old one, which stays as written and leads to it."""
    require_writer(recorded_by)
    old = _locked_standing(old)
    finding = keep_finding(recorded_by=recorded_by, **fields)
    old.replaced_by = finding
    old.save(update_fields=["replaced_by"])
    write_journal(member=recorded_by, about=old, what=f"replaced by: {finding}")
    return finding


def _locked_standing(finding: Finding) -> Finding:
    finding = Finding.objects.select_for_update().get(pk=finding.pk)
    if finding.taken_back_at is not None:
        raise Refused(phrase("This finding has been taken back already."), code="taken_back_already")
    if finding.replaced_by_id is not None:
        raise Refused(
            phrase("This finding has been replaced already: go on from the one that replaced it."),
            code="replaced_already",
        )
    return finding


def _locked_trials(trials: Sequence[Trial]) -> list[Trial]:
    """The trials with their runs, locked: whoever corrects one of these waits until the evidence is kept."""
    ids = [trial.pk for trial in trials]
    locked = list(Trial.objects.select_for_update().filter(pk__in=ids).order_by("pk"))
    for trial in locked:
        if trial.state != Trial.State.CLOSED:
            raise Refused(
                phrase("“{trial}” is not closed: it shows nothing yet, so nothing rests on it.", trial=trial),
                code="not_closed",
                field="trials",
            )
    list(Run.objects.select_for_update().filter(planned__trial__in=ids).order_by("pk").values_list("pk"))
    return list(Trial.objects.for_detail().filter(pk__in=ids).order_by("pk"))


def _locked_tests(tests: Sequence[ClearingTest]) -> list[ClearingTest]:
    ids = [test.pk for test in tests]
    locked = list(ClearingTest.objects.select_for_update().filter(pk__in=ids).order_by("pk"))
    for test in locked:
        if test.ended_at is None:
            raise Refused(
                phrase("“{test}” is still being watched: end it first.", test=test),
                code="not_ended",
                field="clearing_tests",
            )
    list(Tub.objects.select_for_update().filter(test__in=ids).order_by("pk").values_list("pk"))
    return locked


def _keep_evidence(finding: Finding, field: str, record: Record, evidence: Evidence) -> None:
    frozen = evidence.freeze(record)
    kind = "trial" if field == "trial" else "clearing"
    seen = evidence.seen.get((kind, record.pk))
    if seen is not None and seen != frozen.sign:
        raise Refused(
            phrase(
                "The records of “{record}” were changed while you wrote, and it no longer says what you read. "
                "Read below what it says now, then keep the finding if it still holds.",
                record=record,
            ),
            code="moved",
        )
    kept = FindingEvidence(
        finding=finding,
        data_hash=frozen.data_hash,
        figures=frozen.figures,
        versions=frozen.versions,
        **{field: record},
    )
    kept.full_clean()
    kept.save()
