"""What came back from a laboratory: returns as printed and as understood, whole or not at all."""

import datetime
import hashlib
import os
import re
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from pathlib import Path

from django.conf import settings
from django.db import IntegrityError, transaction
from django.utils.formats import date_format

from prospecting.actions.checks import judge_return
from prospecting.actions.journal import write_journal
from prospecting.actions.material import check_day
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.actions.uploads import check_disk, check_room, check_size
from prospecting.actions.values import apply_rules
from prospecting.calc.accepted_files import CERTIFICATE
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.models import AssayReturn, ColumnReading, Dispatch, Laboratory, Reading, Sample
from prospecting.readers.certificate import Certificate, Row, method_kept

# So many a member may hold at once; the oldest make room.
MOST_HELD_FILES = 20
# A file read but not stored by then was given up.
HELD_SECONDS = 24 * 60 * 60
MOST_READINGS_OF_A_SAMPLE = 200
GRADE_STEP = Decimal("0.000001")
LONGEST_TITLES = 4000
LONGEST_RAW = Reading._meta.get_field("raw_text").max_length
LONGEST_METHOD = Reading._meta.get_field("method").max_length


@dataclass(frozen=True)
class SettledColumns:
    """A member's answers about a table's columns, as the page keeps them, and the titles they hold for."""

    titles_sha256: str
    titles: str
    answers: Mapping[str, str]


class FileStoredAlready(Refused):
    """The very file was read before; `known` is the return it became."""

    def __init__(self, known: AssayReturn) -> None:
        super().__init__(
            phrase(
                "This very file is stored already, as certificate {certificate} of dispatch {dispatch}. Nothing was changed.",
                certificate=known.certificate_number,
                dispatch=known.dispatch_id,
            ),
            code="file_twice",
            field="upload",
        )
        self.known = known


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
    replaces: AssayReturn | None = None,
    settled: SettledColumns | None = None,
    note: str = "",
) -> AssayReturn:
    """Store what was read from a laboratory's file, and the file itself, whole or not at all.

    Rows under tags that this dispatch doesn't have are refused unless `leave_out_unknown` says that they are the
    laboratory's own checks; the file keeps them. What it `replaces` stays, and its readings count no longer. `settled` is
    remembered for the laboratory's next file with the same titles.
    """
    for column in certificate.columns_without_unit:
        raise Refused(phrase("Say first which unit {column} is in.", column=column), code="unit_unknown")
    if settled is not None:
        _settle_columns(dispatch.laboratory, settled, recorded_by)
    return _store(
        dispatch=dispatch,
        rows=certificate.rows,
        marks={column.index: column.repeat_mark for column in certificate.columns},
        certificate_number=certificate_number,
        reported_on=reported_on,
        file_name=_plain_name(file_name),
        file_bytes=file_bytes,
        leave_out_unknown=leave_out_unknown,
        replaces=replaces,
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
    replaces: AssayReturn | None = None,
    note: str = "",
) -> AssayReturn:
    """Store a return typed in from paper, each row under the tag of one of the dispatch's samples."""
    return _store(
        dispatch=dispatch,
        rows=rows,
        marks={},
        certificate_number=certificate_number,
        reported_on=reported_on,
        replaces=replaces,
        note=note,
        recorded_by=recorded_by,
    )


def _settle_columns(laboratory: Laboratory, settled: SettledColumns, settled_by) -> None:
    """Remember how a table with these titles is read."""
    require_writer(settled_by)
    answers = dict(settled.answers)
    known = ColumnReading.objects.select_for_update().filter(
        laboratory=laboratory, titles_sha256=settled.titles_sha256
    )
    before = known.first()
    if before is not None and before.answers == answers:
        return
    ColumnReading.objects.update_or_create(
        laboratory=laboratory,
        titles_sha256=settled.titles_sha256,
        defaults={"titles": settled.titles[:LONGEST_TITLES], "answers": answers, "settled_by": settled_by},
    )
    write_journal(
        member=settled_by,
        about=laboratory,
        what="how a table of this laboratory is read was settled",
        changes={"columns": [str(before.answers) if before else "", str(answers)]},
    )


def file_sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def hold_file(*, upload, held_by) -> str:
    """Keep an uploaded file aside between its preview and its storing; returns the sha256 it is found by again.

    It lies in the data folder, under its member and hash, where every web process finds it and no page serves it.
    """
    require_writer(held_by)
    check_size(upload, CERTIFICATE, field="upload", code="file_too_large")
    check_disk(adds_bytes=upload.size, field="upload")
    data = upload.read()
    if not data:
        raise Refused(phrase("The file is empty."), code="file_empty", field="upload")
    sha256 = file_sha256(data)
    check_file_is_new(sha256)
    _drop_forgotten_files(held_by)
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


def _drop_forgotten_files(member) -> None:
    oldest = time.time() - HELD_SECONDS
    held = sorted((settings.DATA_DIR / "incoming").glob("*"), key=_written_at, reverse=True)
    own = [path for path in held if path.name.startswith(f"{member.pk}-")]
    too_many = set(own[MOST_HELD_FILES - 1 :])
    for path in held:
        if _written_at(path) < oldest or path in too_many:
            path.unlink(missing_ok=True)


def _written_at(path: Path) -> float:
    try:
        return path.stat().st_mtime
    except FileNotFoundError:
        # Another process was quicker.
        return 0.0


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
    replaces: AssayReturn | None = None,
) -> AssayReturn:
    require_writer(recorded_by)
    if file_bytes is not None:
        check_room(member=recorded_by, adds_bytes=len(file_bytes), field=None)
    dispatch = Dispatch.objects.select_for_update().get(pk=dispatch.pk)
    sha256 = file_sha256(file_bytes) if file_bytes is not None else None
    certificate_number = " ".join(certificate_number.split())
    _check_new_return(dispatch, certificate_number, reported_on, sha256)
    replaces = _check_replaced(dispatch, replaces)
    samples = dispatch.samples.by_printed_tag({row.tag_text for row in rows})
    unknown = sorted({row.tag_text for row in rows} - set(samples))
    _check_tags(unknown, samples, leave_out_unknown=leave_out_unknown)
    assay_return = AssayReturn(
        dispatch=dispatch,
        replaces=replaces,
        certificate_number=certificate_number,
        reported_on=reported_on,
        file_name=file_name,
        file_sha256=sha256,
        file_bytes=file_bytes,
        note=note.strip(),
        recorded_by=recorded_by,
    )
    assay_return.full_clean(exclude=["dispatch", "replaces", "recorded_by", "file_bytes"])
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
        changes={"replaces": ["", replaces]} if replaces else None,
    )
    apply_rules(assay_return, recorded_by=recorded_by)
    if replaces is not None:
        judge_return(assay_return=replaces, recorded_by=recorded_by)
    return judge_return(assay_return=assay_return, recorded_by=recorded_by)


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
                    phrase(
                        "“{text}” of sample {tag} is not understood. Ask the laboratory what it means; nothing was stored.",
                        text=" ".join(cell.raw_text.split())[:60],
                        tag=sample.tag,
                    ),
                    code="not_understood",
                )
            turn[sample.pk] += 1
            if turn[sample.pk] > MOST_READINGS_OF_A_SAMPLE:
                raise Refused(
                    phrase(
                        "More than {most} readings stand under tag {tag}. Look at the file again.",
                        most=MOST_READINGS_OF_A_SAMPLE,
                        tag=sample.tag,
                    ),
                    code="too_many_readings",
                )
            reading = Reading(
                assay_return=assay_return,
                sample=sample,
                order=turn[sample.pk],
                line_number=row.line_number,
                method=method_kept(cell.method, row.repeat_mark or marks.get(cell.column_index, "")),
                fraction=cell.fraction,
                fraction_mass_g=cell.fraction_mass_g,
                raw_text=" ".join(cell.raw_text.split()),
                unit=cell.unit or "",
                symbol=cell.symbol,
                grade_g_per_t=_to_step(cell.grade_g_per_t),
                limit_g_per_t=_to_step(cell.limit_g_per_t),
            )
            # What full_clean() would look at one by one, at a hundred times the cost.
            if len(reading.raw_text) > LONGEST_RAW or len(reading.method) > LONGEST_METHOD:
                raise Refused(
                    phrase(
                        "“{text}” of sample {tag} is too long for a reading. Look at the file again.",
                        text=reading.raw_text[:60],
                        tag=sample.tag,
                    ),
                    code="too_long",
                )
            readings.append(reading)
    return readings


def _check_tags(unknown: Sequence[str], samples: Mapping[str, Sample], *, leave_out_unknown: bool) -> None:
    if not samples:
        raise Refused(
            phrase(
                "None of these tags belongs to this dispatch. Is it the right dispatch, and the right column of tags?"
            ),
            code="no_known_tag",
        )
    if unknown and not leave_out_unknown:
        named = ", ".join(unknown[:8])
        if len(unknown) > 8:
            named = phrase("{tags} and {number} more", tags=named, number=len(unknown) - 8)
        raise Refused(
            phrase(
                "This dispatch has no sample under {tags}. Find out what they are; if they are the laboratory's own checks, "
                "say so and they are left out.",
                tags=named,
            ),
            code="unknown_tag",
            field="leave_out_unknown",
        )


def _check_replaced(dispatch: Dispatch, replaced: AssayReturn | None) -> AssayReturn | None:
    """The return that a revised certificate corrects, of this dispatch and not corrected yet."""
    if replaced is None:
        return None
    found = dispatch.returns.without_file().filter(pk=replaced.pk).first()
    if found is None:
        raise Refused(
            phrase("That certificate is of another dispatch."), code="other_dispatch", field="replaces"
        )
    revised = AssayReturn.objects.without_file().filter(replaces=found).first()
    if revised is not None:
        raise Refused(
            phrase(
                "Certificate {certificate} is corrected already, by {other}; that one may be corrected.",
                certificate=found.certificate_number,
                other=revised.certificate_number,
            ),
            code="replaced_already",
            field="replaces",
        )
    return found


def _check_new_return(
    dispatch: Dispatch, certificate_number: str, reported_on: datetime.date, sha256: str | None
) -> None:
    if sha256 is not None:
        check_file_is_new(sha256)
    if not certificate_number:
        raise Refused(
            phrase("Give the number of the certificate."), code="number_missing", field="certificate_number"
        )
    if dispatch.returns.filter(certificate_number__iexact=certificate_number).exists():
        raise Refused(
            phrase(
                "Certificate {certificate} of this dispatch is stored already. If the laboratory sent a new version of it, "
                "add a word that tells them apart, such as revised.",
                certificate=certificate_number,
            ),
            code="certificate_twice",
            field="certificate_number",
        )
    check_day(reported_on, field_name="reported_on")
    if dispatch.sent_on is None:
        raise Refused(
            phrase("This dispatch is still being packed: say first when it was sent."), code="not_sent"
        )
    if reported_on < dispatch.sent_on:
        raise Refused(
            phrase(
                "The samples were sent on {day}: the return can't be older.",
                day=date_format(dispatch.sent_on, "d M Y"),
            ),
            code="reported_before_sent",
            field="reported_on",
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
            phrase(
                "{grade} g/t is smaller than any laboratory reports. Check the figure and its unit.",
                grade=numeral(grade_g_per_t, "f"),
            ),
            code="grade_too_small",
        )
    return kept
