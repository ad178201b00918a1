"""What a finding rests on: its evidence made plain to be frozen, what that shows of its sentence, and whether it still stands."""

import hashlib
import json
import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import Q, QuerySet, prefetch_related_objects
from django.utils import dateformat, timezone
from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase
from prospecting.calc.number_words import as_written
from prospecting.models import JournalEntry, Member
from trials.calc.next_trials import same_dose
from trials.calc.working import figure
from trials.frames.clearing import against_control, test_result
from trials.frames.evidence import (
    hash_of_clearing,
    hash_of_trial,
    hashes_of_clearings,
    hashes_of_trials,
    versions,
)
from trials.frames.trial_lines import TrialLines, rows_of
from trials.frames.verdicts import TableLine, TrialVerdict, verdict_of
from trials.models import Additive, ClearingTest, Finding, FindingEvidence, Run, Treatment, Trial, Tub

BETTER, EQUIVALENT = "better", "equivalent"
KIND_WORDS = {
    BETTER: gettext_lazy("better"),
    "worse": gettext_lazy("worse"),
    EQUIVALENT: gettext_lazy("equivalent"),
    "not shown": gettext_lazy("not shown"),
}
# Label in a frozen table, and the field of a line it holds.
COLUMNS = {
    "Middle, {unit}": "middle",
    "Times control": "ratio",
    "Interval": "interval",
    "Blocks higher than control": "wins",
    "Gold a portion": "more_gold",
    "Gold a portion, interval": "more_gold_interval",
    "Recovered grade": "grade",
}


@dataclass(frozen=True)
class Frozen:
    """What a record says at this moment, in plain JSON; `sign` changes with what its verdicts say."""

    data_hash: str
    figures: dict
    versions: dict
    sign: str


@dataclass(frozen=True)
class Difference:
    """One treatment whose verdict reads otherwise now than when it was frozen."""

    treatment: str
    then: str
    now: str


@dataclass(frozen=True)
class EvidenceNow:
    """A piece of evidence as it stood, and, where its records have changed since, what reads otherwise now."""

    evidence: FindingEvidence
    is_changed: bool
    differences: Sequence[Difference] = ()
    entries: Sequence[JournalEntry] = ()

    @property
    def record(self) -> Trial | ClearingTest:
        return self.evidence.trial or self.evidence.clearing_test

    @property
    def rows(self) -> list[list[tuple[str, str]]]:
        """The frozen table, every text with its column's label."""
        table = self.evidence.figures["table"]
        return [list(zip(table["columns"], row, strict=True)) for row in table["rows"]]


@as_written()
def frozen_of(record: Trial | ClearingTest, member: Member) -> Frozen:
    """The record's hash, and its verdicts and table as this member reads them now."""
    figures = figures_of(record, member)
    data_hash = hash_of_trial(record) if isinstance(record, Trial) else hash_of_clearing(record)
    return Frozen(data_hash, figures, versions(), sign_of(figures))


@as_written()
def figures_of(record: Trial | ClearingTest, member: Member) -> dict:
    """Verdicts, table and cautions in plain JSON: sentences, written figures, numbers or null."""
    return _of_trial(record, member) if isinstance(record, Trial) else _of_clearing(record)


@as_written()
def sign_of(figures: dict) -> str:
    """A few signs that change with any verdict: its kind, its headline or its figures."""
    told = [
        [_text(row, "treatment"), _text(row, "kind"), _text(row, "headline"), _ratio_text(row)]
        for row in figures["verdicts"]
    ]
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()[:16]


def doubt_of(
    *, about: str, stand: str, additive: Additive | None, ml_per_l: Decimal | None, evidence: Iterable[dict]
) -> str:
    """What the evidence did not show of a finding that says "we do it", in a sentence; blank where it did, or for others.

    An additive has to be shown better: as good as without it is no reason to pour it in. Of anything else, a flocculant or
    another way to pan, as good is enough.
    """
    evidence = list(evidence)
    if stand != Finding.Stand.DO or not evidence:
        return ""
    rows = [row for figures in evidence for row in rows_meant(figures, additive, ml_per_l)]
    kinds = {row["kind"] for row in rows}
    if BETTER in kinds or (EQUIVALENT in kinds and about != Finding.About.ADDITIVE):
        return ""
    if not rows:
        if additive is None:
            return phrase("The evidence did not show it: nothing in it was compared with a control.")
        if ml_per_l is None:
            return phrase("The evidence did not show it: {additive} was not tried in it.", additive=additive)
        return phrase(
            "The evidence did not show it: {additive} at {dose} mL/L was not tried in it.",
            additive=additive,
            dose=_number(ml_per_l),
        )
    told = "; ".join(dict.fromkeys(row["headline"].rstrip(".") for row in rows))
    return phrase("The evidence did not show it: {verdicts}.", verdicts=told)


def doubt_about(finding: Finding) -> str:
    """The same of a finding that was kept, by its evidence as it stood."""
    return doubt_of(
        about=finding.about,
        stand=finding.stand,
        additive=finding.additive,
        ml_per_l=finding.ml_per_l,
        evidence=[piece.figures for piece in finding.evidence.all()],
    )


def rows_meant(figures: dict, additive: Additive | None, ml_per_l: Decimal | None) -> list[dict]:
    """The verdicts that a finding about this additive at this dose is about; all where it names none."""
    if additive is None:
        return figures["verdicts"]
    held = [row for row in figures["verdicts"] if any(pk == additive.pk for pk, _ in row["doses"])]
    if ml_per_l is not None:
        held = [
            row
            for row in held
            if any(pk == additive.pk and same_dose(float(dose), float(ml_per_l)) for pk, dose in row["doses"])
        ]
    # Of both together only what was done with nothing else tells of the one.
    return [row for row in held if len(row["doses"]) == 1 and not row["technique"]] or held


def shown_in_a_line(row: dict) -> str:
    """A frozen verdict in one line: its sentence, and the interval with its level."""
    return f"{row['headline'].rstrip('.')}. {row['explanation']}".strip()


@as_written()
def changed_of(pieces: Collection[FindingEvidence]) -> set[int]:
    """Which of these pieces have records that read otherwise than when they were frozen.

    Every change leaves its line in the journal; only pieces older than its last line (findings aside) are read anew.
    """
    last = (
        JournalEntry.objects.about_records()
        .exclude(subject_kind=Finding._meta.model_name)
        .values_list("at", flat=True)
        .first()
    )
    asked = [piece for piece in pieces if last is not None and last > piece.frozen_at]
    prefetch_related_objects(asked, "trial", "clearing_test")
    trials = hashes_of_trials(piece.trial for piece in asked if piece.trial_id)
    tests = hashes_of_clearings(piece.clearing_test for piece in asked if piece.clearing_test_id)
    return {
        piece.pk
        for piece in asked
        if piece.data_hash != (trials[piece.trial_id] if piece.trial_id else tests[piece.clearing_test_id])
    }


def evidence_now(finding: Finding, changed: Collection[int]) -> list[EvidenceNow]:
    """The finding's evidence in its order; of changed pieces what differs, and the journal's lines since."""
    pieces = finding.evidence.all()
    now = _verdicts_now([piece for piece in pieces if piece.pk in changed])
    return [
        EvidenceNow(
            piece,
            True,
            _differences(piece.figures["verdicts"], now[piece.pk]),
            list(_entries_since(piece)),
        )
        if piece.pk in now
        else EvidenceNow(piece, False)
        for piece in pieces
    ]


def pieces_of(findings: Iterable[Finding]) -> list[FindingEvidence]:
    return [piece for finding in findings for piece in finding.evidence.all()]


def standing_pieces() -> list[FindingEvidence]:
    """All that the standing findings rest on, without what it said that day: enough to see which has changed since."""
    rest_on = FindingEvidence.objects.filter(finding__in=Finding.objects.standing().order_by().values("pk"))
    return list(rest_on.defer("figures", "versions"))


@as_written()
def _verdicts_now(pieces: Sequence[FindingEvidence]) -> dict[int, list[dict]]:
    """The verdicts that each piece's record gives now, made plain; the runs of all trials among them are read together."""
    trials = [piece.trial for piece in pieces if piece.trial_id]
    prefetch_related_objects(trials, "treatments__doses")
    rows = rows_of(trials)
    return {
        piece.pk: _verdict_rows(TrialLines(piece.trial, rows=rows[piece.trial_id]))
        if piece.trial_id
        else _of_clearing(piece.clearing_test)["verdicts"]
        for piece in pieces
    }


def _entries_since(piece: FindingEvidence) -> QuerySet[JournalEntry]:
    """What the journal says since of the record itself and of its runs, or its tubs and their readings."""
    if piece.trial_id:
        runs = Run.objects.filter(planned__trial=piece.trial_id)
        judgings = piece.trial.blocks.values("judgings")
        about = (
            Q(subject_kind="trial", subject_id=piece.trial_id)
            | Q(subject_kind="run", subject_id__in=runs.values("pk"))
            | Q(subject_kind="judging", subject_id__in=judgings)
        )
    else:
        tubs = Tub.objects.filter(test=piece.clearing_test_id)
        about = (
            Q(subject_kind="clearingtest", subject_id=piece.clearing_test_id)
            | Q(subject_kind="tub", subject_id__in=tubs.values("pk"))
            | Q(subject_kind="tubreading", subject_id__in=tubs.values("readings"))
        )
    return JournalEntry.objects.filter(about, at__gt=piece.frozen_at).select_related("member").order_by("pk")


def _differences(then: list[dict], now: list[dict]) -> list[Difference]:
    """Treatment by treatment, only what differs: the verdict with its ratio, or, where these are alike, its sentence."""
    before = {row["treatment"]: row for row in then}
    after = {row["treatment"]: row for row in now}
    found = []
    for name in dict.fromkeys([*before, *after]):
        old, new = before.get(name, {}), after.get(name, {})
        for told in (_verdict_text, lambda row: _text(row, "headline")):
            if told(old) != told(new):
                found.append(
                    Difference(name, told(old) or phrase("not there"), told(new) or phrase("not there"))
                )
                break
    return found


def _verdict_text(row: dict) -> str:
    """Better: 1.4 (1.1 to 1.8)."""
    kind = _text(row, "kind")
    return ": ".join(filter(None, [str(KIND_WORDS.get(kind, kind)), _ratio_text(row)]))


def _text(row: dict, name: str) -> str:
    return row.get(name, "")


def _ratio_text(row: dict) -> str:
    """1.4 (1.1 to 1.8); a side without a limit is told so, blank where there is no ratio."""
    if row.get("ratio") is None and row.get("lower") is None and row.get("upper") is None:
        return ""
    low, high = (
        phrase("no limit") if row.get(name) is None else figure(row[name]) for name in ("lower", "upper")
    )
    return phrase(
        "{ratio} ({low} to {high})",
        ratio=phrase("not known") if row.get("ratio") is None else figure(row["ratio"]),
        low=low,
        high=high,
    )


# Made plain


def _of_trial(trial: Trial, member: Member) -> dict:
    prefetch_related_objects([trial], "treatments__doses")
    found = verdict_of(trial, member)
    compared = [treatment for treatment in trial.treatments.all() if not treatment.is_control]
    return {
        "kind": "trial",
        "question": trial.question,
        "lot": trial.feed_lot.code,
        "closed": dateformat.format(timezone.localtime(trial.closed_at), "j M Y"),
        "outcome": trial.get_outcome_display(),
        "smallest_ratio": "" if found.judged else _number(trial.smallest_ratio),
        "headline": "",
        "verdicts": [
            _row(verdict, treatment) for treatment, verdict in zip(compared, found.verdicts, strict=True)
        ],
        "table": _table(found),
        "alarms": [str(sentence) for sentence in found.alarms],
        "cautions": [*filter(None, [found.blindness]), *map(str, found.warnings)],
    }


def _verdict_rows(lines: TrialLines) -> list[dict]:
    verdicts = lines.verdicts_on(*lines.compare())
    return [
        _row(verdicts[treatment.name], treatment)
        for treatment in lines.treatments
        if not treatment.is_control
    ]


def _row(verdict, treatment: Treatment) -> dict:
    return {
        "treatment": treatment.name,
        "kind": verdict.kind,
        "headline": verdict.headline,
        "explanation": verdict.explanation,
        "ratio": _finite(verdict.ratio),
        "lower": _finite(verdict.lower),
        "upper": _finite(verdict.upper),
        "doses": [[dose.additive_id, _number(dose.ml_per_l)] for dose in treatment.doses.all()],
        "technique": treatment.technique,
    }


def _table(found: TrialVerdict) -> dict:
    """The table as it is read: labels, and a row of texts for each treatment; what no treatment has is left out."""
    kept = {
        label.format(unit=found.unit): name
        for label, name in COLUMNS.items()
        if any(getattr(line, name) for line in found.table)
    }
    return {
        "columns": ["Treatment", "Runs that count", *kept],
        "rows": [
            [
                f"{line.name} (control)" if line.is_control else line.name,
                _runs(line),
                *(_cell(line, name) for name in kept.values()),
            ]
            for line in found.table
        ],
        "unit": found.unit,
    }


def _cell(line: TableLine, name: str) -> str:
    """A figure as it is read; the control has none against itself."""
    if line.is_control and name not in ("middle", "grade"):
        return "1" if name == "ratio" else ""
    return getattr(line, name) or "not known"


def _runs(line: TableLine) -> str:
    below = f", {line.below} below the scale" if line.below else ""
    return f"{line.counted} of {line.planned}{below}"


def _of_clearing(test: ClearingTest) -> dict:
    found = test_result(test)
    compared = against_control([each for each in found.tubs if each.reached is not None])
    dosed = {each.tub.holds: each.tub for each in reversed(found.tubs)}
    return {
        "kind": "clearing",
        "question": test.question,
        "lot": "",
        "closed": ""
        if test.ended_at is None
        else dateformat.format(timezone.localtime(test.ended_at), "j M Y"),
        "outcome": test.get_measure_display(),
        "smallest_ratio": "",
        "headline": found.headline,
        "verdicts": [
            {
                "treatment": name,
                "kind": verdict.kind.replace("_", " "),
                "headline": verdict.headline,
                "explanation": verdict.explanation,
                "ratio": None,
                "lower": None,
                "upper": None,
                "doses": [[dosed[name].additive_id, _number(dosed[name].ml_per_l)]],
                "technique": "",
            }
            for name, verdict in zip(compared, found.verdicts, strict=True)
        ],
        "table": {
            "columns": ["Tub", "Holds", "What was seen"],
            "rows": [
                [
                    each.label,
                    each.tub.holds,
                    f"{each.sentence} {each.curve_sentence}".strip() or "photographed",
                ]
                for each in found.tubs
            ],
            "unit": test.unit,
        },
        "alarms": [],
        "cautions": list(found.cautions),
    }


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)


def _number(value: Decimal) -> str:
    return f"{value.normalize():f}"
