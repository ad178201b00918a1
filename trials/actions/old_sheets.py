"""A list kept before the site taken into the books, whole or not at all, and taken back while nothing was built on it."""

from collections import defaultdict
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from prospecting.actions.ground import add_zone
from prospecting.actions.journal import write_journal
from prospecting.actions.material import (
    DrawFrom,
    NewDig,
    NewLot,
    StepDetails,
    record_digs,
    record_many,
    uses_beside,
    void_together,
)
from prospecting.actions.permission import require_keeper
from prospecting.actions.refusal import Refused
from prospecting.calc.language import phrase, phrase_counted
from prospecting.models import Claim, Lot, Member, OldSheet, Step, Zone
from trials.actions.running import PanOfLot, Portion, RunResult, log_test_pans
from trials.calc.old_sheets import OldBucket, OldPan, OldPlan
from trials.models import Run

MOST_SAID = 8
NOT_KEPT = "Not there any more when the old list was taken in."


class OldSheetKnown(Refused):
    """The file is on the books already, as `known`."""

    def __init__(self, known: OldSheet) -> None:
        super().__init__(
            phrase("This file was taken in already: see what came of it. Nothing was recorded."),
            code="old_sheet_known",
            field="upload",
        )
        self.known = known


@dataclass(frozen=True)
class NewZone:
    """A zone to be added to a claim under the name the list gives it."""

    claim: Claim
    name: str


@dataclass(frozen=True, kw_only=True)
class OldSheetFacts:
    """What is taken in besides its lines. `zones` names what the plan calls its zones; `columns` is how the list was read."""

    file_name: str
    sha256: str
    columns: dict
    zones: Mapping[Hashable, Zone | NewZone]
    sample_kind: str
    done_by: Member
    is_dry: bool = False
    nothing_left: bool = False
    note: str = ""
    left_out: Mapping[int, str] = field(default_factory=dict)


def check_old_sheet_is_new(sha256: str) -> None:
    known = OldSheet.objects.filter(sha256=sha256, voided_at__isnull=True).first()
    if known is not None:
        raise OldSheetKnown(known)


@transaction.atomic
def take_in_old_sheet(*, facts: OldSheetFacts, plan: OldPlan, recorded_by) -> OldSheet:
    """Record the buckets of a plan as digs and its pans as test pans; each step keeps the list and its line.

    Buckets of one place, day and digger are one dig, so that no place speaks twice. Names stay names: `done_by` answers for the
    pans. With `nothing_left` what the pans did not take is booked as discarded.
    """
    require_keeper(recorded_by)
    check_old_sheet_is_new(facts.sha256)
    if not plan.buckets:
        raise Refused(phrase("No bucket is left to be taken in."), code="no_bucket")
    sheet = OldSheet(
        file_name=facts.file_name,
        sha256=facts.sha256,
        line_count=len(plan.lines),
        note=facts.note,
        recorded_by=recorded_by,
    )
    sheet.full_clean(exclude=["recorded_by", "columns"])
    sheet.save()
    zones = _zones(facts.zones, plan, recorded_by)
    lots = _record_digs(sheet, plan, zones, facts, recorded_by)
    _log_pans(sheet, plan, lots, facts, recorded_by)
    if facts.nothing_left:
        _discard_rest(sheet, plan, lots, recorded_by)
    sheet.columns = facts.columns | {
        "buckets": {lot.code: line for line, lot in lots.items()},
        "left_out": {str(line): why for line, why in facts.left_out.items()},
    }
    sheet.save(update_fields=["columns"])
    write_journal(
        member=recorded_by,
        about=sheet,
        what=f"old list taken in: buckets {len(plan.buckets)}, digs {len(plan.digs)}, test pans {len(plan.pans)}, lines left out "
        f"{len(plan.left_out)}",
        why=f"File of SHA-256 {facts.sha256}",
    )
    return sheet


@transaction.atomic
def take_back_old_sheet(*, sheet: OldSheet, reason: str, voided_by) -> OldSheet:
    """Void all that came of an old list, the last step first, while nothing else was done with its material."""
    require_keeper(voided_by)
    sheet = OldSheet.objects.select_for_update().get(pk=sheet.pk)
    reason = reason.strip()
    if not reason:
        raise Refused(phrase("Say why it is taken back."), code="reason_missing", field="reason")
    if sheet.is_void:
        raise Refused(phrase("This list was taken back already."), code="void_already")
    if others := done_since(sheet):
        told = [
            phrase(
                "Something was done with its material since: {uses}. Void that first.",
                uses="; ".join(others[:MOST_SAID]),
            )
        ]
        if len(others) > MOST_SAID:
            told.append(phrase_counted("And {number} more.", "And {number} more.", len(others) - MOST_SAID))
        raise Refused(" ".join(told), code="used_downstream")
    why = f"Old list {sheet} taken back: {reason}"[:200]
    void_together(steps=list(sheet.steps.filter(voided_at__isnull=True)), reason=why, voided_by=voided_by)
    sheet.voided_at, sheet.voided_by, sheet.void_reason = timezone.now(), voided_by, reason[:200]
    sheet.save(update_fields=["voided_at", "voided_by", "void_reason"])
    write_journal(member=voided_by, about=sheet, what="old list taken back", why=reason)
    return sheet


def done_since(sheet: OldSheet) -> list[str]:
    """What else was done with the material of an old list, each in a few words: it stands in the way of taking it back."""
    made = Lot.objects.standing().filter(made_by__old_sheet=sheet).select_related("made_by")
    numbers = list(sheet.steps.values_list("pk", flat=True))
    kept = [
        phrase("{lot}: {kind} kept of one of its pans", lot=lot.code, kind=lot.get_kind_display().lower())
        for lot in made
        if lot.made_by.kind == Step.Kind.RECOVER
    ]
    again = Run.objects.filter(step__old_sheet=sheet, step__voided_at__isnull=True)
    again = again.filter(Q(tails_pan__isnull=False) | Q(settled_mud__isnull=False)).select_related("lot")
    return [
        *uses_beside(made, numbers),
        *kept,
        *(
            phrase("{run} of {lot}: its tails or its mud were panned again", run=run, lot=run.lot.code)
            for run in again
        ),
    ]


def _zones(named: Mapping[Hashable, Zone | NewZone], plan: OldPlan, recorded_by) -> dict[Hashable, Zone]:
    """The zones the buckets need; a new one is added, with a stripe the claim uses least."""
    zones = {}
    for key in dict.fromkeys(bucket.zone for bucket in plan.buckets):
        zone = named[key]
        if isinstance(zone, NewZone):
            zone = add_zone(
                claim=zone.claim, name=zone.name, stripe=_free_stripe(zone.claim), recorded_by=recorded_by
            )
        zones[key] = zone
    return zones


def _free_stripe(claim: Claim) -> str:
    used = list(claim.zones.values_list("stripe", flat=True))
    return min(Zone.Stripe.values, key=used.count)


def _record_digs(
    sheet: OldSheet, plan: OldPlan, zones: Mapping[Hashable, Zone], facts: OldSheetFacts, recorded_by
) -> dict[int, Lot]:
    """The digs with their buckets; returns the lot of each line."""
    made = record_digs(
        digs=[_new_dig(sheet, buckets, zones[buckets[0].zone], facts) for buckets in plan.digs],
        recorded_by=recorded_by,
    )
    return {
        bucket.line: lot
        for buckets, lots in zip(plan.digs, made, strict=True)
        for bucket, lot in zip(buckets, lots, strict=True)
    }


def _new_dig(sheet: OldSheet, buckets: list[OldBucket], zone: Zone, facts: OldSheetFacts) -> NewDig:
    first = buckets[0]
    return NewDig(
        dug_on=first.dug_on,
        fields={
            "zone": zone,
            "station": first.station,
            "digger": first.digger,
            "sample_kind": facts.sample_kind,
            "note": f"From the old list {sheet.file_name}.",
        },
        buckets=[_new_lot(bucket, sheet, facts) for bucket in buckets],
        details=StepDetails(
            people=first.digger,
            note=f"From the old list {sheet.file_name}.",
            old_sheet=sheet,
            old_sheet_line=first.line,
        ),
    )


def _new_lot(bucket: OldBucket, sheet: OldSheet, facts: OldSheetFacts) -> NewLot:
    return NewLot(
        kind=Lot.Kind.BUCKET,
        mass_g=bucket.mass_g,
        typed=bucket.mass_typed,
        title=bucket.name,
        is_dry=facts.is_dry,
        note=f"Line {bucket.line} of the old list {sheet.file_name}. {bucket.note}".strip(),
    )


def _log_pans(
    sheet: OldSheet, plan: OldPlan, lots: Mapping[int, Lot], facts: OldSheetFacts, recorded_by
) -> None:
    pans = [
        PanOfLot(
            lot=lots[pan.bucket_line],
            portion=Portion(mass_g=pan.portion_g, typed=pan.portion_typed),
            result=_result(pan, sheet, facts),
            old_sheet=sheet,
            old_sheet_line=pan.line,
        )
        for pan in plan.pans
    ]
    log_test_pans(pans=pans, recorded_by=recorded_by)


def _result(pan: OldPan, sheet: OldSheet, facts: OldSheetFacts) -> RunResult:
    return RunResult(
        panned_on=pan.panned_on,
        panner=facts.done_by,
        gold_mg=pan.gold_mg,
        gold_typed=pan.gold_typed,
        below_scale=pan.below_scale,
        scale_step_mg=pan.step_mg,
        colours=pan.colours,
        note=f"Line {pan.line} of the old list {sheet.file_name}. {pan.note}".strip(),
        failed=bool(pan.why_marked),
        fail_kind=Run.FailKind.OTHER if pan.why_marked else "",
        fail_reason=pan.why_marked[:200],
    )


def _discard_rest(sheet: OldSheet, plan: OldPlan, lots: Mapping[int, Lot], recorded_by) -> None:
    """Book what the pans left as discarded, dig by dig, on the last day the list knows of that dig."""
    last_day = {bucket.line: bucket.dug_on for bucket in plan.buckets}
    for pan in plan.pans:
        last_day[pan.bucket_line] = max(last_day[pan.bucket_line], pan.panned_on)
    on_hand = dict(Lot.objects.filter(made_by__old_sheet=sheet).values_list("pk", "on_hand_g"))
    rest: dict[int, list[int]] = defaultdict(list)
    for buckets in plan.digs:
        for bucket in buckets:
            if on_hand[lots[bucket.line].pk]:
                rest[buckets[0].line].append(bucket.line)
    record_many(
        kind=Step.Kind.DISCARD,
        steps=[
            (
                [
                    DrawFrom(
                        lot=lots[each],
                        mass_g=on_hand[lots[each].pk],
                        typed="all that was left",
                        takes_all=True,
                    )
                    for each in of
                ],
                max(last_day[each] for each in of),
                StepDetails(loss_reason=NOT_KEPT, old_sheet=sheet, old_sheet_line=line),
            )
            for line, of in rest.items()
        ],
        recorded_by=recorded_by,
    )
