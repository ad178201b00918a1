"""The steps of the trade, each one function: what it draws, what it makes, what it must know."""

import datetime
from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal

from django.db import transaction

from prospecting.actions.material import DrawFrom, NewLot, StepDetails, lock_lots, record_step
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused, said_when_read
from prospecting.calc import mass_balance, units
from prospecting.calc.language import phrase, phrase_counted
from prospecting.models import Lot, Step

Kind = Lot.Kind


def record_dig(
    *,
    zone,
    station: str,
    dug_on: datetime.date,
    digger: str,
    sample_kind: str,
    buckets: Sequence[NewLot],
    recorded_by,
    width_cm: Decimal | None = None,
    width_typed: str = "",
    depth_m: Decimal | None = None,
    depth_typed: str = "",
    latitude: Decimal | None = None,
    longitude: Decimal | None = None,
    photo=None,
    note: str = "",
) -> Step:
    """Record one dig and the buckets (lots of kind bucket) it filled."""
    if not buckets:
        raise Refused(
            phrase("A dig fills at least one bucket: give its weight."), code="no_bucket", field="mass"
        )
    return record_step(
        kind=Step.Kind.DIG,
        draws=[],
        makes=buckets,
        recorded_by=recorded_by,
        done_on=dug_on,
        details=StepDetails(people=digger, note=note),
        dig={
            "zone": zone,
            "station": station,
            "digger": digger,
            "sample_kind": sample_kind,
            "width_cm": width_cm,
            "width_typed": width_typed,
            "depth_m": depth_m,
            "depth_typed": depth_typed,
            "latitude": latitude,
            "longitude": longitude,
            "photo": photo,
            "note": note,
        },
    )


def dry_lot(
    *, lot: Lot, draw: DrawFrom, dry: NewLot, recorded_by, done_on, details: StepDetails | None = None
) -> Step:
    """Dry material to constant weight; the loss is its water."""
    return record_step(
        kind=Step.Kind.DRY,
        draws=[draw],
        makes=[
            replace(
                dry,
                kind=lot.kind,
                is_dry=True,
                title=dry.title or lot.title,
                portion_number=lot.portion_number,
            )
        ],
        recorded_by=recorded_by,
        done_on=done_on,
        details=details,
    )


def crush_lot(*, draw: DrawFrom, crushed: NewLot, recorded_by, done_on, details: StepDetails) -> Step:
    """Crush to the target size of `details`, which becomes the new lot's top size."""
    if details.target_size_um is None:
        raise Refused(phrase("Give the size it was crushed to."), code="size_missing", field="target_size")
    return record_step(
        kind=Step.Kind.CRUSH,
        draws=[draw],
        makes=[
            replace(
                crushed,
                kind=Kind.CRUSHED,
                top_size_um=details.target_size_um,
                title=crushed.title or draw.lot.title,
            )
        ],
        recorded_by=recorded_by,
        done_on=done_on,
        details=details,
    )


def screen_lot(
    *,
    draw: DrawFrom,
    opening_um: Decimal,
    undersize: NewLot | None,
    oversize: NewLot | None,
    recorded_by,
    done_on,
    details,
) -> Step:
    """Screen into undersize and oversize; both become lots (one may be missing when all passed or none did)."""
    makes = []
    if undersize is not None:
        # Material that was finer than the opening already is no coarser for having passed it.
        known_um = draw.lot.top_size_um
        top_size_um = opening_um if known_um is None else min(opening_um, known_um)
        title = undersize.title or draw.lot.title
        makes.append(replace(undersize, kind=Kind.UNDERSIZE, top_size_um=top_size_um, title=title))
    if oversize is not None:
        makes.append(replace(oversize, kind=Kind.OVERSIZE, title=oversize.title or draw.lot.title))
    if not makes:
        raise Refused(
            phrase("Weigh the undersize, the oversize, or both."), code="nothing_made", field="undersize"
        )
    return record_step(
        kind=Step.Kind.SCREEN,
        draws=[draw],
        makes=makes,
        recorded_by=recorded_by,
        done_on=done_on,
        details=replace(details, target_size_um=opening_um),
    )


def split_lot(
    *, draw: DrawFrom, pieces: Sequence[NewLot], recorded_by, done_on, details: StepDetails
) -> Step:
    """Divide material into two or more splits by a named method."""
    if len(pieces) < 2:
        raise Refused(phrase("A split makes at least two pieces."), code="one_piece", field="pieces")
    _need_method(details)
    return record_step(
        kind=Step.Kind.SPLIT,
        draws=[draw],
        makes=[
            replace(
                piece, kind=Kind.SPLIT, title=piece.title or f"{number} of {len(pieces)} of {draw.lot.code}"
            )
            for number, piece in enumerate(pieces, start=1)
        ],
        recorded_by=recorded_by,
        done_on=done_on,
        details=details,
    )


@transaction.atomic
def blend_lots(
    *,
    draws: Sequence[DrawFrom],
    blend: NewLot,
    recorded_by,
    done_on,
    details: StepDetails,
    uniformity: Sequence[NewLot] = (),
) -> Step:
    """Put measured masses of several lots together and mix them to one.

    `uniformity` portions, which are to show how well it is mixed, are cut of the blend at once: a step of its own, by the
    method it was mixed by.
    """
    if len(draws) < 2:
        raise Refused(phrase("A blend needs material of at least two lots."), code="one_parent")
    _need_method(details)
    step = record_step(
        kind=Step.Kind.BLEND,
        draws=draws,
        makes=[replace(blend, kind=Kind.BLEND)],
        recorded_by=recorded_by,
        done_on=done_on,
        details=details,
    )
    if uniformity:
        made = step.made.get()
        cut_portions(
            draw=DrawFrom(
                lot=made,
                mass_g=mass_balance.total_mass_g(portion.mass_g for portion in uniformity),
                typed=f"{len(uniformity)} x {uniformity[0].typed}",
                field=uniformity[0].field,
            ),
            portions=[
                replace(portion, title=f"uniformity portion {number} of {made.code}")
                for number, portion in enumerate(uniformity, start=1)
            ],
            recorded_by=recorded_by,
            done_on=done_on,
            details=StepDetails(
                people=details.people,
                method=details.method,
                note="Uniformity portions, cut when it was blended.",
            ),
        )
    return step


@transaction.atomic
def cut_portions(
    *, draw: DrawFrom, portions: Sequence[NewLot], recorded_by, done_on, details: StepDetails
) -> Step:
    """Cut portions of a lot all at once, numbered in the order they were cut."""
    if not portions:
        raise Refused(phrase("Cut at least one portion."), code="no_portion", field="number")
    _need_method(details)
    lot = lock_lots([draw.lot])[draw.lot.pk]
    if draw.mass_g > lot.on_hand_g > 0:
        each = portions[0]
        on_hand_g = lot.on_hand_g
        raise Refused(
            said_when_read(
                lambda: phrase_counted(
                    "{lot} holds {on_hand}: enough for {number} portion of {mass}, not for {wanted}.",
                    "{lot} holds {on_hand}: enough for {number} portions of {mass}, not for {wanted}.",
                    mass_balance.equal_portions(on_hand_g, each.mass_g),
                    lot=lot.code,
                    on_hand=units.format_mass(on_hand_g, recorded_by.mass_unit),
                    mass=each.typed,
                    wanted=len(portions),
                )
            ),
            code="too_little_on_hand",
            field=draw.field,
        )
    return record_step(
        kind=Step.Kind.CUT,
        draws=[draw],
        makes=[
            replace(
                portion,
                kind=Kind.PORTION,
                portion_number=number,
                title=portion.title or f"number {number} of {draw.lot.code}",
            )
            for number, portion in enumerate(portions, start=1)
        ],
        recorded_by=recorded_by,
        done_on=done_on,
        details=details,
    )


def take_for_assay(*, draw: DrawFrom, recorded_by, done_on, details: StepDetails) -> Step:
    """Take a split of a lot for the laboratory."""
    _need_method(details)
    return record_step(
        kind=Step.Kind.ASSAY,
        draws=[draw],
        makes=[
            NewLot(kind=Kind.ASSAY_SPLIT, mass_g=draw.mass_g, typed=draw.typed, title=f"of {draw.lot.code}")
        ],
        recorded_by=recorded_by,
        done_on=done_on,
        details=details,
    )


def recover_gold(*, draw: DrawFrom, recorded_by, done_on, details: StepDetails | None = None) -> Step:
    """Put a portion through a recovery. Concentrate and tails become lots when they are weighed (see keep_products)."""
    return record_step(
        kind=Step.Kind.RECOVER,
        draws=[draw],
        makes=[],
        recorded_by=recorded_by,
        done_on=done_on,
        details=details,
    )


@transaction.atomic
def reweigh_lot(
    *, lot: Lot, weighed_g: Decimal, typed: str, recorded_by, done_on, details: StepDetails
) -> Step:
    """Book what a lot has lost since it was last weighed; it keeps its code."""
    require_writer(recorded_by)
    # Locked before the books are compared with the scale: a draw booked a moment ago must not be counted as missing.
    lot = lock_lots([lot])[lot.pk]
    if lot.is_void:
        raise Refused(
            phrase("{lot} is void: there is nothing to weigh.", lot=lot.code), code="lot_void", field="mass"
        )
    missing_g = mass_balance.mass_left_g(lot.on_hand_g, [weighed_g])
    if missing_g < 0:
        raise Refused(
            phrase(
                "The books hold {on_hand}, and material doesn't grow. If an earlier weight was wrong, correct it; if "
                "something was added, record it as a blend.",
                on_hand=units.format_mass(lot.on_hand_g, recorded_by.mass_unit),
            ),
            code="gain",
            field="mass",
        )
    if missing_g == 0:
        raise Refused(
            phrase("This is exactly what the books hold: nothing to change."), code="no_change", field="mass"
        )
    if not details.loss_reason.strip():
        raise Refused(
            phrase("Say where the missing mass went (dried out, spilled, weighed wrong before)."),
            code="loss_without_reason",
            field="loss_reason",
        )
    return record_step(
        kind=Step.Kind.REWEIGH,
        draws=[DrawFrom(lot=lot, mass_g=missing_g, typed=f"reweighed to {typed}")],
        makes=[],
        recorded_by=recorded_by,
        done_on=done_on,
        details=details,
    )


def discard_from_lot(*, draw: DrawFrom, recorded_by, done_on, details: StepDetails) -> Step:
    """Throw material away, with the reason."""
    if not details.loss_reason.strip():
        raise Refused(phrase("Say why it is discarded."), code="reason_missing", field="loss_reason")
    return record_step(
        kind=Step.Kind.DISCARD,
        draws=[draw],
        makes=[],
        recorded_by=recorded_by,
        done_on=done_on,
        details=details,
    )


def _need_method(details: StepDetails) -> None:
    if not details.method:
        raise Refused(
            phrase("Say how it was done: the method decides how far it can be trusted."),
            code="method_missing",
            field="method",
        )
