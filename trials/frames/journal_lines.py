"""A page of the journal, newest lines first, less what would tell a key that is still hidden."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice

from prospecting.calc.language import phrase
from prospecting.frames.journal_chain import FailedCheck, LastCheck, failed_check, last_check
from prospecting.models import JournalEntry
from prospecting.models.journal import JournalEntryQuerySet
from trials.models import Judging, Run

AT_ONCE = 50
READ_AT_ONCE = 500


@dataclass(frozen=True)
class JournalPage:
    """`older` and `newer` are the lines to ask on from (None where there are no more on that side)."""

    lines: Sequence[JournalEntry]
    older: int | None
    newer: int | None
    last_check: LastCheck | None
    failed_check: FailedCheck | None

    @property
    def chain_holds(self) -> bool:
        return self.failed_check is None and self.last_check is not None and self.last_check.still_stands


def journal_page(
    entries: JournalEntryQuerySet, *, before: int | None = None, after: int | None = None
) -> JournalPage:
    """The newest lines of `entries`, or those next older than line `before`, or next newer than line `after`.

    Asked for by their ids, not counted off from the newest: the millionth line is as quick as the first.
    """
    entries = entries.select_related("member", "seal")
    if after is not None:
        some = list(entries.filter(pk__gt=after).order_by("pk")[: AT_ONCE + 1])
        more_newer, more_older = len(some) > AT_ONCE, entries.filter(pk__lte=after).exists()
        lines = some[:AT_ONCE][::-1]
    else:
        asked = entries if before is None else entries.filter(pk__lt=before)
        some = list(asked.order_by("-pk")[: AT_ONCE + 1])
        more_newer, more_older = before is not None, len(some) > AT_ONCE
        lines = some[:AT_ONCE]
    hide_open_keys(lines)
    return JournalPage(
        lines=lines,
        older=lines[-1].pk if lines and more_older else None,
        newer=lines[0].pk if lines and more_newer else None,
        last_check=last_check(),
        failed_check=failed_check(),
    )


def all_lines(entries: JournalEntryQuerySet) -> Iterator[JournalEntry]:
    """All of `entries`, newest first, some read at a time, less what would tell a hidden key."""
    records = entries.select_related("member", "seal").order_by("-pk").iterator(chunk_size=READ_AT_ONCE)
    while some := list(islice(records, READ_AT_ONCE)):
        hide_open_keys(some)
        yield from some


def hide_open_keys(lines: Sequence[JournalEntry]) -> None:
    """Leave out of these lines what a judge or panner must not read yet: places of an open block, the lot of a bridging run."""
    judgings = Judging.objects.filter(pk__in=_about("judging", lines), block__closed_at__isnull=True)
    steps = Run.objects.blind_bridges().filter(step__in=_about("step", lines))
    hidden = {("judging", pk) for pk in judgings.values_list("pk", flat=True)}
    hidden |= {("step", pk) for pk in steps.values_list("step", flat=True)}
    for line in lines:
        if line.subject_kind == "step" and line.changes:
            line.changes = less_hidden_runs(line.changes)
        if (line.subject_kind, line.subject_id) not in hidden:
            continue
        if line.subject_kind == "step":
            line.what = phrase("a bridging run drew its portion: shown when the key of its block is open")
            line.why = ""
        elif line.changes or line.why:
            line.why = phrase("the reason and the places are shown when the key of its block is open")
        line.changes = {}


def less_hidden_runs(changes: Mapping[str, Sequence[str]]) -> dict[str, Sequence[str]]:
    """The changes of a correction less those of a bridging run whose key is hidden: beside its lot's they name the lot."""
    runs = Run.objects.blind_bridges().values_list("pk", "step")
    hidden = tuple(name for run, step in runs for name in (f"Run {run}:", f"Step {step} ("))
    return {what: values for what, values in changes.items() if not what.startswith(hidden)}


def _about(kind: str, lines: Sequence[JournalEntry]) -> list[int]:
    return [line.subject_id for line in lines if line.subject_kind == kind]
