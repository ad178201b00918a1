"""Pans of a block put into places by eye: once by each judge, while the key is hidden."""

import datetime
from collections.abc import Mapping
from dataclasses import dataclass

from django.db import transaction

from prospecting.actions.journal import changed_texts, write_journal
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.calc.language import phrase
from prospecting.models import Photo
from trials.calc.judging import in_steps
from trials.models import Block, Judging, PanPlace, PlannedRun, Trial


@dataclass(frozen=True)
class Look:
    """What a judge saw: `places` maps each pan's code to its place, 1 for most gold, alike for pans alike."""

    places: Mapping[str, int]
    judged_on: datetime.date
    light: str = ""
    note: str = ""
    photo: Photo | None = None

    def fields(self) -> dict:
        """The Judging's own columns; the places are rows of their own."""
        return {name: value for name, value in vars(self).items() if name != "places"}


@transaction.atomic
def keep_judging(*, block: Block, judge, look: Look, recorded_by) -> Judging:
    """Keep where a judge put the pans of a block whose runs are all in; `recorded_by` typed it, for somebody else perhaps."""
    require_writer(recorded_by)
    block = _open_block(block)
    if not judge.can_write:
        raise Refused(
            phrase("{judge} can't record anything, so can't be a judge.", judge=judge),
            code="judge",
            field="judge",
        )
    if Judging.objects.filter(block=block, judge=judge).exists():
        raise Refused(
            phrase("{judge} has judged block {block} already.", judge=judge, block=block.number),
            code="judged_already",
            field="judge",
        )
    row = _row(block, look)
    judging = Judging(block=block, judge=judge, recorded_by=recorded_by, **look.fields())
    judging.full_clean(exclude=["block", "judge", "recorded_by", "photo"])
    judging.save()
    _put(judging, row, look)
    # No places here: the journal is open to the judges who have not looked yet.
    write_journal(member=recorded_by, about=judging, what=f"kept {judge}'s judging of {_of(block)}")
    return judging


@transaction.atomic
def correct_judging(*, judging: Judging, look: Look, reason: str, recorded_by) -> Judging:
    """Put a judge's pans into other places while the key is hidden: by the judge or who typed it, with a reason."""
    require_writer(recorded_by)
    # The trial first: whoever keeps or closes locks in that order.
    block = _open_block(judging.block)
    judging = Judging.objects.select_for_update().select_related("block").get(pk=judging.pk)
    if not judging.may_be_corrected_by(recorded_by):
        raise Refused(phrase("Only the judge, or who typed it in, corrects a judging."), code="not_yours")
    reason = reason.strip()
    if not reason:
        raise Refused(phrase("Say why it is corrected."), code="reason_missing", field="reason")
    row = _row(block, look)
    before = _as_text(judging)
    for name, value in look.fields().items():
        if name != "photo" or value is not None:
            setattr(judging, name, value)
    judging.full_clean(exclude=["block", "judge", "recorded_by", "photo"])
    judging.save()
    judging.places.all().delete()
    _put(judging, row, look)
    write_journal(
        member=recorded_by,
        about=judging,
        what=f"corrected {judging.judge}'s judging of {_of(block)}",
        why=reason,
        changes=changed_texts(before, _as_text(judging)),
    )
    return judging


def check_judged(block: Block) -> None:
    """Refuse to close a block judged by place before somebody has placed every pan that stands in its row."""
    codes = set(block.planned_runs.in_row().values_list("blind_code", flat=True))
    # One pan, or none, has no place beside others: nothing is left to judge.
    if len(codes) < 2:
        return
    judgings = list(block.judgings.select_related("judge").prefetch_related("places__planned"))
    if not judgings:
        raise Refused(
            phrase("{block} has not been judged: put its pans into places side by side first.", block=block),
            code="not_judged",
        )
    for judging in judgings:
        missing = sorted(codes - {place.planned.blind_code for place in judging.places.all()})
        if missing:
            raise Refused(
                phrase(
                    "{judge} has not placed {codes}: correct that judging first.",
                    judge=judging.judge,
                    codes=", ".join(missing),
                ),
                code="pan_not_placed",
            )


def why_unjudged(trial: Trial) -> str:
    """What its judges have left undone in the open blocks of a trial judged by place; blank where nothing is."""
    if trial.outcome != Trial.Outcome.PLACES:
        return ""
    try:
        for block in trial.blocks.filter(closed_at__isnull=True):
            check_judged(block)
    except Refused as refusal:
        return refusal.message
    return ""


def _open_block(block: Block) -> Block:
    """The block under its trial's lock; refused where it is not judged by place, not full, or its key is open."""
    trial = Trial.objects.select_for_update().get(pk=block.trial_id)
    block = Block.objects.get(pk=block.pk)
    if trial.outcome != Trial.Outcome.PLACES:
        raise Refused(phrase("This trial is not judged by place."), code="not_by_place")
    if trial.state != Trial.State.RUNNING or block.closed_at is not None:
        raise Refused(
            phrase(
                "The key of block {block} is open, so a judging could follow a wish: no more is kept or changed.",
                block=block.number,
            ),
            code="block_closed",
        )
    missing = [planned.blind_code for planned in block.planned_runs.open().blind()]
    if missing:
        raise Refused(
            phrase(
                "Not in yet: {codes}. All pans of the block stand in the row first, failed runs logged too.",
                codes=", ".join(missing),
            ),
            code="runs_missing",
        )
    return block


def _row(block: Block, look: Look) -> dict[str, PlannedRun]:
    """The pans in the row by their codes; refused unless the look places each of them and no other."""
    row = {planned.blind_code: planned for planned in block.planned_runs.in_row().blind()}
    if len(row) < 2:
        raise Refused(
            phrase("Fewer than two pans stand in this row: nothing to set side by side."), code="no_row"
        )
    missing, strange = sorted(row.keys() - look.places.keys()), sorted(look.places.keys() - row.keys())
    if missing:
        raise Refused(phrase("No place yet: {codes}.", codes=", ".join(missing)), code="pan_not_placed")
    if strange:
        raise Refused(
            phrase(
                "{codes} does not stand in this row: its run failed or belongs elsewhere.",
                codes=", ".join(strange),
            ),
            code="pan_not_in_row",
        )
    for code, place in look.places.items():
        if not 1 <= place <= len(row):
            raise Refused(
                phrase("Places go from 1 to {last}.", last=len(row)),
                code="place_out_of_range",
                field=f"place_{code}",
            )
    return row


def _put(judging: Judging, row: Mapping[str, PlannedRun], look: Look) -> None:
    places = in_steps(look.places)
    PanPlace.objects.bulk_create(
        [PanPlace(judging=judging, planned=row[code], place=place) for code, place in places.items()]
    )


def _as_text(judging: Judging) -> dict[str, str]:
    placed = judging.places.select_related("planned")
    values = {name: getattr(judging, name) for name in ("judged_on", "light", "note", "photo_id")}
    told = {name: "" if value is None else str(value) for name, value in values.items()}
    return told | {place.planned.blind_code: str(place.place) for place in placed}


def _of(block: Block) -> str:
    return f"block {block.number}"
