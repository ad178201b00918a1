"""To the laboratory and back: dispatches under blind tags, returns as printed and as understood, the reading in use."""

import datetime
import hashlib
import os
import re
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from decimal import ROUND_HALF_EVEN, Decimal
from pathlib import Path
from random import SystemRandom

from django.conf import settings
from django.db import IntegrityError, transaction

from prospecting.actions.journal import write_journal
from prospecting.actions.material import check_day, lock_lots
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.calc import codes
from prospecting.models import AssayReturn, Dispatch, Laboratory, Lot, Reading, Sample
from prospecting.readers.certificate_csv import Certificate, Row

LARGEST_FILE_BYTES = 2_000_000
# A file read but not stored by then was given up.
HELD_SECONDS = 24 * 60 * 60
MOST_READINGS_OF_A_SAMPLE = 200
GRADE_STEP = Decimal("0.000001")
# The fields of a sample that say together which value counts.
IN_USE = ("reading_in_use", "in_use_symbol", "in_use_g_per_t", "in_use_limit_g_per_t")

_rng = SystemRandom()


class FileStoredAlready(Refused):
    """The very file was read before; `known` is the return it became."""

    def __init__(self, known: AssayReturn) -> None:
        super().__init__(
            f"This very file is stored already, as certificate {known.certificate_number} of dispatch "
            f"{known.dispatch_id}. Nothing was changed.",
            code="file_twice",
            field="upload",
        )
        self.known = known


@transaction.atomic
def add_laboratory(*, name: str, recorded_by, note: str = "") -> Laboratory:
    require_writer(recorded_by)
    name = " ".join(name.split())
    if not name:
        raise Refused("Give the laboratory's name.", code="name_missing", field="name")
    twice = Refused(f"{name} is in the list already.", code="laboratory_twice", field="name")
    if Laboratory.objects.filter(name__iexact=name).exists():
        raise twice
    laboratory = Laboratory(name=name, note=note.strip())
    laboratory.clean_fields()
    try:
        with transaction.atomic():
            laboratory.save()
    except IntegrityError:
        # Someone else added it a moment ago.
        raise twice from None
    write_journal(member=recorded_by, about=laboratory, what="laboratory added")
    return laboratory


@transaction.atomic
def send_dispatch(
    *,
    laboratory: Laboratory,
    sent_on: datetime.date,
    method: str,
    lots: Sequence[Lot],
    recorded_by,
    expected_on: datetime.date | None = None,
    note: str = "",
) -> Dispatch:
    """Record what goes to the laboratory: each lot gets a tag drawn at random, which tells the laboratory nothing."""
    require_writer(recorded_by)
    check_day(sent_on, field_name="sent_on")
    if expected_on is not None and expected_on < sent_on:
        raise Refused(
            "The return can't be expected before the samples are sent.",
            code="expected_too_early",
            field="expected_on",
        )
    if method == Dispatch.Method.OTHER and not note.strip():
        raise Refused("Say in the note which method it is.", code="method_unsaid", field="note")
    if not lots:
        raise Refused("Tick at least one split to send.", code="nothing_to_send", field="lots")
    locked = list(lock_lots(lots).values())
    _check_may_go(locked)
    dispatch = Dispatch(
        laboratory=laboratory,
        sent_on=sent_on,
        method=method,
        expected_on=expected_on,
        note=note.strip(),
        recorded_by=recorded_by,
    )
    dispatch.full_clean(exclude=["recorded_by"])
    dispatch.save()
    # Shuffled as well: neither the tags nor the order in which they were given out follows the order of the lots.
    _rng.shuffle(locked)
    samples = Sample.objects.bulk_create(
        [
            Sample(dispatch=dispatch, lot=lot, tag=tag, place=place)
            for place, (lot, tag) in enumerate(zip(locked, _new_tags(len(locked)), strict=True), start=1)
        ]
    )
    sent = ", ".join(
        f"{sample.lot.code} as {sample.tag}" for sample in sorted(samples, key=lambda each: each.tag)
    )
    write_journal(member=recorded_by, about=dispatch, what=f"sent {sent}")
    return dispatch


@transaction.atomic
def store_return(
    *,
    dispatch: Dispatch,
    certificate: Certificate,
    certificate_number: str,
    reported_on: datetime.date,
    file_name: str,
    file_bytes: bytes,
    recorded_by,
    leave_out_unknown: bool = False,
    note: str = "",
) -> AssayReturn:
    """Store what was read from a laboratory's file, and the file itself, whole or not at all.

    Rows under tags that this dispatch doesn't have are refused unless `leave_out_unknown` says that they are the
    laboratory's own checks; the file keeps them.
    """
    for column in certificate.columns_without_unit:
        raise Refused(f"Say first which unit {column} is in.", code="unit_unknown")
    return _store(
        dispatch=dispatch,
        rows=certificate.rows,
        marks={column.index: column.repeat_mark for column in certificate.columns},
        certificate_number=certificate_number,
        reported_on=reported_on,
        file_name=_plain_name(file_name),
        file_bytes=file_bytes,
        leave_out_unknown=leave_out_unknown,
        note=note,
        recorded_by=recorded_by,
    )


@transaction.atomic
def store_typed_return(
    *,
    dispatch: Dispatch,
    rows: Sequence[Row],
    certificate_number: str,
    reported_on: datetime.date,
    recorded_by,
    note: str = "",
) -> AssayReturn:
    """Store a return typed in from paper, each row under the tag of one of the dispatch's samples."""
    return _store(
        dispatch=dispatch,
        rows=rows,
        marks={},
        certificate_number=certificate_number,
        reported_on=reported_on,
        note=note,
        recorded_by=recorded_by,
    )


@transaction.atomic
def choose_reading(*, sample: Sample, reading: Reading, reason: str, chosen_by) -> Sample:
    """Put another reading of the sample in use, by hand and with a reason; nothing is taken away."""
    require_writer(chosen_by)
    sample = Sample.objects.select_for_update().get(pk=sample.pk)
    reading = Reading.objects.select_related("assay_return").get(pk=reading.pk)
    reason = " ".join(reason.split())
    if reading.sample_id != sample.pk:
        raise Refused("That reading is of another sample.", code="other_sample", field="reading")
    if reading.symbol not in Reading.FIGURES:
        raise Refused(
            f"“{reading.get_symbol_display()}” says nothing of the grade: it can't be the reading in use.",
            code="no_figure",
            field="reading",
        )
    if not reason:
        raise Refused("Say why this reading is the better one.", code="reason_missing", field="reason")
    if sample.reading_in_use_id == reading.pk:
        raise Refused("This reading is in use already.", code="no_change", field="reading")
    _put_in_use(sample, reading, rule=Sample.Rule.CHOSEN, reason=reason, member=chosen_by)
    return sample


def file_sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def hold_file(*, upload, held_by) -> str:
    """Keep an uploaded file aside between its preview and its storing; returns the sha256 it is found by again.

    It lies in the data folder, under its member and hash, where every web process finds it and no page serves it.
    """
    require_writer(held_by)
    if upload.size > LARGEST_FILE_BYTES:
        raise Refused(
            f"The file has {upload.size / 1e6:.1f} MB; at most {LARGEST_FILE_BYTES // 10**6} MB are read.",
            code="file_too_large",
            field="upload",
        )
    data = upload.read()
    if not data:
        raise Refused("The file is empty.", code="file_empty", field="upload")
    sha256 = file_sha256(data)
    check_file_is_new(sha256)
    _drop_forgotten_files()
    path = _held_path(sha256, held_by)
    path.parent.mkdir(mode=0o750, exist_ok=True)
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    part.write_bytes(data)
    part.chmod(0o640)
    # Renamed when whole: a page never reads half a file.
    part.replace(path)
    return sha256


def held_file(*, sha256: str, held_by) -> bytes | None:
    """The bytes this member holds under this hash; None when nothing is held (any more)."""
    if not re.fullmatch(r"[0-9a-f]{64}", sha256):
        return None
    try:
        return _held_path(sha256, held_by).read_bytes()
    except FileNotFoundError:
        return None


def let_file_go(*, sha256: str, held_by) -> None:
    """Forget a held file, once it is stored."""
    _held_path(sha256, held_by).unlink(missing_ok=True)


def check_file_is_new(sha256: str) -> None:
    known = AssayReturn.objects.of_file(sha256).without_file().first()
    if known is not None:
        raise FileStoredAlready(known)


def _held_path(sha256: str, member) -> Path:
    return settings.DATA_DIR / "incoming" / f"{member.pk}-{sha256}"


def _drop_forgotten_files() -> None:
    oldest = time.time() - HELD_SECONDS
    for path in (settings.DATA_DIR / "incoming").glob("*"):
        try:
            if path.stat().st_mtime < oldest:
                path.unlink()
        except FileNotFoundError:
            # Another process was quicker.
            continue


def _check_may_go(lots: Sequence[Lot]) -> None:
    sent = dict(Sample.objects.filter(lot__in=lots).values_list("lot_id", "dispatch_id"))
    for lot in lots:
        if lot.pk in sent:
            why = f"went out with dispatch {sent[lot.pk]} already"
        elif lot.is_void:
            why = "is void"
        elif lot.kind != Lot.Kind.ASSAY_SPLIT:
            why = "is not a split for assay: take one from it first"
        elif lot.on_hand_g == 0:
            why = "is used up: nothing is left to send"
        else:
            continue
        raise Refused(f"{lot.code} {why}.", code="may_not_go", field="lots")


def _new_tags(number: int) -> list[str]:
    """So many tags no sample has, in random order."""
    free: list[str] = []
    for _ in range(40):
        if len(free) == number:
            return free
        drawn = dict.fromkeys(codes.draw_tag(_rng) for _ in range(number - len(free)))
        used = {*free, *Sample.objects.filter(tag__in=drawn).values_list("tag", flat=True)}
        free.extend(tag for tag in drawn if tag not in used)
    raise Refused("No free tag was found. Please try once more.", code="no_free_tag")


def _store(
    *,
    dispatch: Dispatch,
    rows: Sequence[Row],
    marks: Mapping[int, str],
    certificate_number: str,
    reported_on: datetime.date,
    note: str,
    recorded_by,
    file_name: str = "",
    file_bytes: bytes | None = None,
    leave_out_unknown: bool = False,
) -> AssayReturn:
    require_writer(recorded_by)
    dispatch = Dispatch.objects.select_for_update().get(pk=dispatch.pk)
    sha256 = file_sha256(file_bytes) if file_bytes is not None else None
    certificate_number = " ".join(certificate_number.split())
    _check_new_return(dispatch, certificate_number, reported_on, sha256)
    samples = dispatch.samples.by_printed_tag({row.tag_text for row in rows})
    unknown = sorted({row.tag_text for row in rows} - set(samples))
    _check_tags(unknown, samples, leave_out_unknown=leave_out_unknown)
    assay_return = AssayReturn(
        dispatch=dispatch,
        certificate_number=certificate_number,
        reported_on=reported_on,
        file_name=file_name,
        file_sha256=sha256,
        file_bytes=file_bytes,
        note=note.strip(),
        recorded_by=recorded_by,
    )
    assay_return.full_clean(exclude=["dispatch", "recorded_by", "file_bytes"])
    try:
        with transaction.atomic():
            assay_return.save()
    except IntegrityError:
        # The number is safe under the dispatch's lock; the same file may have come in through another dispatch just now.
        check_file_is_new(sha256)
        raise
    readings = _readings(assay_return, [row for row in rows if row.tag_text in samples], samples, marks)
    Reading.objects.bulk_create(readings)
    write_journal(
        member=recorded_by,
        about=assay_return,
        what=f"{'read from ' + file_name if file_bytes is not None else 'typed in'}: cells {len(readings)}, "
        f"samples {len({each.sample_id for each in readings})}",
        why=f"left out as not of this dispatch: {', '.join(unknown)}"[:2000] if unknown else "",
    )
    _apply_first_reading(assay_return, recorded_by=recorded_by)
    return assay_return


def _readings(
    assay_return: AssayReturn, rows: Sequence[Row], samples: Mapping[str, Sample], marks: Mapping[int, str]
) -> list[Reading]:
    """Every cell as a reading, numbered within its sample in the order printed: repeats are neither joined nor dropped."""
    turn: Counter[int] = Counter()
    readings = []
    for row in rows:
        sample = samples[row.tag_text]
        for cell in row.readings:
            if cell.symbol not in Reading.Symbol.values:
                raise Refused(
                    f"“{' '.join(cell.raw_text.split())[:60]}” of sample {sample.tag} is not understood. Ask the laboratory "
                    "what it means; nothing was stored.",
                    code="not_understood",
                )
            turn[sample.pk] += 1
            if turn[sample.pk] > MOST_READINGS_OF_A_SAMPLE:
                raise Refused(
                    f"More than {MOST_READINGS_OF_A_SAMPLE} readings stand under tag {sample.tag}. Look at the file again.",
                    code="too_many_readings",
                )
            repeat = row.repeat_mark or marks.get(cell.column_index, "")
            reading = Reading(
                assay_return=assay_return,
                sample=sample,
                order=turn[sample.pk],
                line_number=row.line_number,
                method=", ".join(filter(None, [cell.method[:60], repeat])),
                raw_text=" ".join(cell.raw_text.split()),
                unit=cell.unit or "",
                symbol=cell.symbol,
                grade_g_per_t=_to_step(cell.grade_g_per_t),
                limit_g_per_t=_to_step(cell.limit_g_per_t),
            )
            reading.clean_fields(exclude=["assay_return", "sample"])
            readings.append(reading)
    return readings


def _check_tags(unknown: Sequence[str], samples: Mapping[str, Sample], *, leave_out_unknown: bool) -> None:
    if not samples:
        raise Refused(
            "None of these tags belongs to this dispatch. Is it the right dispatch, and the right column of tags?",
            code="no_known_tag",
        )
    if unknown and not leave_out_unknown:
        named = ", ".join(unknown[:8]) + (f" and {len(unknown) - 8} more" if len(unknown) > 8 else "")
        raise Refused(
            f"This dispatch has no sample under {named}. Find out what they are; if they are the laboratory's own checks, "
            "say so and they are left out.",
            code="unknown_tag",
            field="leave_out_unknown",
        )


def _check_new_return(
    dispatch: Dispatch, certificate_number: str, reported_on: datetime.date, sha256: str | None
) -> None:
    if sha256 is not None:
        check_file_is_new(sha256)
    if not certificate_number:
        raise Refused(
            "Give the number of the certificate.", code="number_missing", field="certificate_number"
        )
    if dispatch.returns.filter(certificate_number__iexact=certificate_number).exists():
        raise Refused(
            f"Certificate {certificate_number} of this dispatch is stored already. "
            "If the laboratory sent a new version, its number tells them apart.",
            code="certificate_twice",
            field="certificate_number",
        )
    check_day(reported_on, field_name="reported_on")
    if dispatch.sent_on is None:
        raise Refused("This dispatch is still being packed: say first when it was sent.", code="not_sent")
    if reported_on < dispatch.sent_on:
        raise Refused(
            f"The samples were sent on {dispatch.sent_on:%d %b %Y}: the return can't be older.",
            code="reported_before_sent",
            field="reported_on",
        )


def _apply_first_reading(assay_return: AssayReturn, *, recorded_by) -> None:
    """Put the first reading of the first return in use wherever no one has chosen by hand.

    First by the day it was reported: which return was typed first must not decide which figure counts.
    """
    ruled = list(
        Sample.objects.select_for_update(of=("self",))
        .filter(dispatch=assay_return.dispatch_id, in_use_rule=Sample.Rule.FIRST)
        .select_related("reading_in_use")
        .order_by("pk")
    )
    first: dict[int, Reading] = {}
    readings = Reading.objects.filter(sample__in=ruled).standing().of_whole().usable().in_turn()
    for reading in readings.select_related("assay_return"):
        first.setdefault(reading.sample_id, reading)
    changes = {}
    for sample in ruled:
        reading = first.get(sample.pk)
        if reading is None or reading.pk == sample.reading_in_use_id:
            continue
        if sample.reading_in_use_id is not None:
            changes[sample.tag] = [str(sample.reading_in_use), str(reading)]
        _use(sample, reading)
    Sample.objects.bulk_update(ruled, IN_USE)
    if changes:
        write_journal(
            member=recorded_by,
            about=assay_return,
            what="an earlier return came in: its first readings are now in use",
            why=Sample.Rule.FIRST.label,
            changes=changes,
        )


def _use(sample: Sample, reading: Reading) -> None:
    """Let the sample count with what this reading says; saved by the caller."""
    sample.reading_in_use = reading
    sample.in_use_symbol = reading.symbol
    sample.in_use_g_per_t = reading.grade_g_per_t
    sample.in_use_limit_g_per_t = reading.limit_g_per_t


def _put_in_use(sample: Sample, reading: Reading, *, rule: str, reason: str, member) -> None:
    before = sample.reading_in_use
    _use(sample, reading)
    sample.in_use_rule = rule
    sample.in_use_reason = reason
    sample.full_clean(exclude=["dispatch", "lot"], validate_unique=False)
    sample.save(update_fields=[*IN_USE, "in_use_rule", "in_use_reason"])
    write_journal(
        member=member,
        about=sample.dispatch,
        what=f"sample {sample.tag}: another reading in use",
        why=reason,
        changes={"reading in use": [str(before) if before else "", str(reading)]},
    )


def _plain_name(file_name: str) -> str:
    """The name alone, without the folders of the sender's machine and signs that no name has."""
    name = Path(file_name.replace("\\", "/")).name
    return "".join(sign for sign in name if sign.isprintable())[-120:] or "certificate.csv"


def _to_step(grade_g_per_t: Decimal | None) -> Decimal | None:
    """To what the database keeps, a thousandth of a ppb. A figure so small that nothing is left of it is refused."""
    if grade_g_per_t is None:
        return None
    kept = grade_g_per_t.quantize(GRADE_STEP, rounding=ROUND_HALF_EVEN)
    if kept == 0 and grade_g_per_t != 0:
        raise Refused(
            f"{grade_g_per_t:f} g/t is smaller than any laboratory reports. Check the figure and its unit.",
            code="grade_too_small",
        )
    return kept
