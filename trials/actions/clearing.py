"""Clearing tests: tubs of muddy water side by side, their clocks begun, read from a phone; a reading is voided, never deleted."""

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from prospecting.actions.journal import changed_fields, changed_texts, write_journal
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.models import Photo
from trials.calc.clearing import starts
from trials.models import ClearingTest, Tub, TubReading

Measure = ClearingTest.Measure


@dataclass(frozen=True)
class TubOf:
    """A tub to be filled: without an additive it is a control."""

    label: str
    additive: object = None
    ml_per_l: Decimal | None = None
    dose_typed: str = ""


@transaction.atomic
def add_clearing_test(*, tubs: Sequence[TubOf], recorded_by, **fields) -> ClearingTest:
    """Write down a test and its tubs, in the order they stand."""
    require_writer(recorded_by)
    if len(tubs) < 2:
        raise Refused(phrase("A comparison needs two tubs or more."), code="too_few_tubs", field="label_2")
    test = ClearingTest(recorded_by=recorded_by, **fields)
    _check_labels(test, tubs)
    test.full_clean()
    test.save()
    for position, tub in enumerate(tubs, start=1):
        _fill(Tub(test=test, position=position), tub)
    write_journal(
        member=recorded_by, about=test, what=f"a clearing test of {len(tubs)} tubs was written down"
    )
    return test


@transaction.atomic
def change_clearing_test(
    *, test: ClearingTest, tubs: Mapping[int, TubOf], recorded_by, **fields
) -> ClearingTest:
    """Change what was written down; `tubs` maps the number of a tub to what it is to hold, others stay as they are.

    Once a clock has begun, what is in that tub stands, and so does what counts as clear enough: it was to be settled
    before anybody saw how the tubs clear.
    """
    require_writer(recorded_by)
    test = ClearingTest.objects.select_for_update().get(pk=test.pk)
    kept = list(test.tubs.select_for_update().order_by("position", "pk"))
    changes = changed_fields(record=test, values=fields)
    _check_change(test, kept, changes, fields)
    for name, value in fields.items():
        setattr(test, name, value)
    wanted = [tubs.get(tub.pk) or _as_it_is(tub) for tub in kept]
    _check_labels(test, wanted)
    changes |= _change_tubs(kept, wanted)
    test.full_clean()
    test.save()
    if changes:
        write_journal(member=recorded_by, about=test, what="changed what was written down", changes=changes)
    return test


@transaction.atomic
def begin_tubs(
    *, tubs: Sequence[Tub], began_at: datetime.datetime, recorded_by, apart_s: int = 0
) -> list[Tub]:
    """Begin the clocks of tubs of one test, stirred one after the other so many seconds apart, in the order given.

    A clock may be begun anew, the tub stirred again, until the tub has been read.
    """
    require_writer(recorded_by)
    test = ClearingTest.objects.select_for_update().get(pk=tubs[0].test_id)
    if test.ended_at is not None:
        raise Refused(
            phrase("This clearing test has been ended: no clock begins any more."), code="test_ended"
        )
    if TubReading.objects.standing().filter(tub__in=tubs).exists():
        raise Refused(
            phrase(
                "One of these tubs has been read already: its clock stays. Void its readings first if it was stirred again."
            ),
            code="tub_read",
        )
    kept = {tub.pk: tub for tub in test.tubs.select_for_update().filter(pk__in=[tub.pk for tub in tubs])}
    begun = [kept[tub.pk] for tub in tubs]
    for tub, moment in zip(begun, starts(began_at, apart_s, len(begun)), strict=True):
        changes = {"began_at": [str(tub.began_at or ""), str(moment)]}
        tub.began_at = moment
        tub.save(update_fields=["began_at"])
        write_journal(member=recorded_by, about=tub, what="its clock began", changes=changes)
    return begun


@transaction.atomic
def read_tub(
    *,
    tub: Tub,
    minutes: Decimal,
    recorded_by,
    value: Decimal | None = None,
    beyond: bool = False,
    photo: Photo | None = None,
    note: str = "",
) -> TubReading:
    """Keep one look at a tub, so many minutes after it was stirred.

    The minutes are the phone's: a reading may arrive before the news that the clock began, and long after the test's end.
    """
    require_writer(recorded_by)
    test = ClearingTest.objects.select_for_update().get(pk=tub.test_id)
    tub = Tub.objects.select_for_update().get(pk=tub.pk)
    _check_still_watched(test, tub, minutes)
    _check_value(test, value, photo)
    same = tub.readings.standing().filter(minutes=minutes).first()
    if same is not None:
        raise Refused(
            phrase(
                "{tub} has a reading at {minutes} min already. Give the minutes of this one, or void that one.",
                tub=tub,
                minutes=numeral(minutes.normalize(), "f"),
            ),
            code="same_minute",
            field="minutes",
        )
    reading = TubReading(
        tub=tub,
        minutes=minutes,
        value=value,
        beyond=beyond and value is not None,
        photo=photo,
        note=note,
        recorded_by=recorded_by,
    )
    reading.full_clean()
    reading.save()
    write_journal(member=recorded_by, about=reading, what="was read")
    return reading


@transaction.atomic
def void_reading(*, reading: TubReading, reason: str, voided_by) -> TubReading:
    """Void a reading that was mistaken; it stays in the books, crossed out."""
    require_writer(voided_by)
    reading = TubReading.objects.select_for_update().get(pk=reading.pk)
    if reading.voided_at is not None:
        raise Refused(phrase("This reading has been voided already."), code="voided_already")
    if not reason.strip():
        raise Refused(phrase("Say why it is voided."), code="reason_missing", field="reason")
    reading.voided_at, reading.void_reason = timezone.now(), reason
    reading.save(update_fields=["voided_at", "void_reason"])
    write_journal(member=voided_by, about=reading, what="was voided", why=reason)
    return reading


@transaction.atomic
def end_test(*, test: ClearingTest, ended_at: datetime.datetime, recorded_by) -> ClearingTest:
    """End a test: its tubs are not watched after this moment."""
    require_writer(recorded_by)
    test = ClearingTest.objects.select_for_update().get(pk=test.pk)
    if test.ended_at is not None:
        raise Refused(phrase("This clearing test has been ended already."), code="test_ended")
    test.ended_at = ended_at
    test.save(update_fields=["ended_at"])
    write_journal(member=recorded_by, about=test, what="the clearing test was ended")
    return test


def _fill(tub: Tub, holds: TubOf) -> None:
    tub.label, tub.additive, tub.is_control = holds.label, holds.additive, holds.additive is None
    tub.ml_per_l, tub.dose_typed = holds.ml_per_l, holds.dose_typed
    tub.full_clean()
    tub.save()


def _as_it_is(tub: Tub) -> TubOf:
    return TubOf(tub.label, tub.additive, tub.ml_per_l, tub.dose_typed)


def _in_words(tub: TubOf) -> str:
    return f"{tub.label}: {f'{tub.additive}, {tub.dose_typed}' if tub.additive else 'nothing added'}"


def _check_change(test: ClearingTest, tubs: Sequence[Tub], changes: Mapping, fields: Mapping) -> None:
    if "target" in changes and any(tub.began_at for tub in tubs):
        raise Refused(
            phrase("A clock has begun: what counts as clear enough was settled before, and stands."),
            code="clock_began",
            field="target",
        )
    depth = fields.get("water_depth_mm")
    if depth is None or test.measure != Measure.CLEAR_MM or "water_depth_mm" not in changes:
        return
    deeper = TubReading.objects.standing().filter(tub__test=test, value__gt=depth).order_by("-value").first()
    if deeper is not None:
        raise Refused(
            phrase(
                "{reading} reads {depth} mm of clear water: the water was deeper than that.",
                reading=deeper,
                depth=numeral(deeper.value.normalize(), "f"),
            ),
            code="too_shallow",
            field="water_depth",
        )


def _change_tubs(tubs: Sequence[Tub], wanted: Sequence[TubOf]) -> dict:
    """Fill these tubs anew, those that differ; the changes for the journal. One whose clock began is refused."""
    changed = []
    for place, (tub, holds) in enumerate(zip(tubs, wanted, strict=True), start=1):
        if _as_it_is(tub) == holds:
            continue
        if tub.began_at is not None:
            raise Refused(
                phrase(
                    "The clock of {tub} has begun: its name and what is in it stand. End this test and start another one.",
                    tub=tub,
                ),
                code="clock_began",
                field=f"label_{place}",
            )
        changed.append((place, tub, holds))
    before = {f"tub {place}": _in_words(_as_it_is(tub)) for place, tub, _ in changed}
    # Two tubs may have changed names: for a moment each is called as no form can call one.
    for _, tub, _ in changed:
        Tub.objects.filter(pk=tub.pk).update(label=f" {tub.pk}")
    for _, tub, holds in changed:
        _fill(tub, holds)
    return changed_texts(before, {f"tub {place}": _in_words(holds) for place, _, holds in changed})


def _check_labels(test: ClearingTest, tubs: Sequence[TubOf]) -> None:
    labels = [tub.label.casefold() for tub in tubs]
    for place, label in enumerate(labels, start=1):
        if label in labels[: place - 1]:
            raise Refused(
                phrase("Two tubs are called {label}. Give each its own name.", label=tubs[place - 1].label),
                code="label_twice",
                field=f"label_{place}",
            )
    if test.trial is None:
        return
    # A tub under the code of an open block, its additive beside it, would tell the panner the key.
    open_codes = test.trial.planned_runs.filter(block__closed_at__isnull=True)
    for code in open_codes.values_list("blind_code", flat=True):
        if code.casefold() in labels:
            raise Refused(
                phrase(
                    "{code} is a code of the trial, and its block is open: with its additive beside it, it would give the "
                    "key away. Call the tub otherwise.",
                    code=code,
                ),
                code="label_is_code",
                field=f"label_{labels.index(code.casefold()) + 1}",
            )


def _check_still_watched(test: ClearingTest, tub: Tub, minutes: Decimal) -> None:
    """A reading taken before the end is welcome however late it arrives."""
    if test.ended_at is None:
        return
    if tub.began_at is None:
        raise Refused(
            phrase(
                "This clearing test has been ended, and the clock of {tub} never began: nothing to count its minutes from.",
                tub=tub,
            ),
            code="test_ended",
        )
    if tub.began_at + datetime.timedelta(minutes=float(minutes)) > test.ended_at:
        raise Refused(
            phrase(
                "This clearing test was ended at {time:%H:%M}, before this reading.",
                time=timezone.localtime(test.ended_at),
            ),
            code="test_ended",
            field="minutes",
        )


def _check_value(test: ClearingTest, value: Decimal | None, photo: Photo | None) -> None:
    if value is None and photo is None:
        raise Refused(phrase("Give what you read, or a photo."), code="nothing_read", field="value")
    if value is None:
        return
    if test.measure == Measure.PHOTO:
        raise Refused(phrase("This test is read by photo only."), code="photo_only", field="value")
    if value < 0:
        raise Refused(phrase("A reading is 0 or more."), code="negative", field="value")
    if test.measure == Measure.CLEAR_MM and test.water_depth_mm is not None and value > test.water_depth_mm:
        raise Refused(
            phrase(
                "The water is only {depth} mm deep.",
                depth=numeral(test.water_depth_mm.normalize(), "f"),
            ),
            code="too_deep",
            field="value",
        )
