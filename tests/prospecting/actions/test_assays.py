import datetime
import os
from concurrent.futures import ThreadPoolExecutor
from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connections

from prospecting.actions import assays, dispatching, steps, values
from prospecting.actions.material import DrawFrom, StepDetails
from prospecting.actions.refusal import Refused
from prospecting.calc.accepted_files import CERTIFICATE
from prospecting.models import (
    AssayReturn,
    ColumnReading,
    Dispatch,
    JournalEntry,
    Laboratory,
    Lot,
    Reading,
    Sample,
)
from prospecting.readers.certificate_csv import Choices, ParsedReading, Row, read_certificate
from tests.make import make_lot, make_member

SENT = datetime.date(2026, 5, 4)
REPORTED = datetime.date(2026, 5, 20)


def make_split(lot: Lot | None = None, *, member=None, mass_g: str = "400") -> Lot:
    member = member or make_member()
    step = steps.take_for_assay(
        draw=DrawFrom(lot=lot or make_lot(member=member), mass_g=Decimal(mass_g), typed=f"{mass_g} g"),
        recorded_by=member,
        done_on=SENT,
        details=StepDetails(method="riffle"),
    )
    return step.made.get()


def make_dispatch(number: int = 3, *, member=None, **fields) -> Dispatch:
    member = member or make_member()
    laboratory = Laboratory.objects.first() or dispatching.add_laboratory(
        name="Invented Assay Office", recorded_by=member
    )
    lots = fields.pop("lots", None) or [make_split(member=member) for _ in range(number)]
    fields = {"laboratory": laboratory, "sent_on": SENT, "method": "fire_30", "recorded_by": member} | fields
    return dispatching.send_dispatch(lots=lots, **fields)


def tags_of(dispatch: Dispatch) -> list[str]:
    return [sample.tag for sample in dispatch.samples.order_by("pk")]


def store(
    dispatch: Dispatch, text: str, *, number: str = "C-1", reported_on=REPORTED, choices=None, **fields
):
    data = text.encode()
    return assays.store_return(
        dispatch=dispatch,
        certificate=read_certificate(data, "c.csv", choices=choices),
        certificate_number=number,
        reported_on=reported_on,
        file_name="c.csv",
        file_bytes=data,
        recorded_by=fields.pop("recorded_by", None) or dispatch.recorded_by,
        **fields,
    )


def row(tag: str, raw_text: str, *, symbol: str = "value", grade=None, limit=None, unit: str = "ppm") -> Row:
    reading = ParsedReading(
        column_index=0,
        method="",
        unit=unit,
        raw_text=raw_text,
        symbol=symbol,
        grade_g_per_t=None if grade is None else Decimal(grade),
        limit_g_per_t=None if limit is None else Decimal(limit),
    )
    return Row(line_number=1, tag_text=tag, readings=(reading,))


def type_in(dispatch: Dispatch, *rows: Row, number: str = "C-1", reported_on=REPORTED) -> AssayReturn:
    return assays.store_typed_return(
        dispatch=dispatch,
        rows=rows,
        certificate_number=number,
        reported_on=reported_on,
        recorded_by=dispatch.recorded_by,
    )


pytestmark = pytest.mark.django_db


class TestReturnFromAFile:
    def test_keeps_every_reading_as_printed_and_as_understood(self):
        dispatch = make_dispatch(4)
        a, b, c, d = tags_of(dispatch)
        assay_return = store(dispatch, f"Sample,Au_ppm\n{a},4.10\n{b},<0.005\n{c},>10\n{d},NSS\n")
        found = {
            reading.sample.tag: (
                reading.raw_text,
                reading.unit,
                reading.symbol,
                reading.grade_g_per_t,
                reading.limit_g_per_t,
            )
            for reading in assay_return.readings.select_related("sample")
        }
        assert found == {
            a: ("4.10", "ppm", "value", Decimal("4.1"), None),
            b: ("<0.005", "ppm", "below", None, Decimal("0.005")),
            c: (">10", "ppm", "above", None, Decimal(10)),
            d: ("NSS", "ppm", "not enough sample", None, None),
        }

    def test_converts_troy_ounces_per_short_ton(self):
        """One troy ounce per short ton is 480 grains in 2000 lb of 7000 grains, 34.2857 g/t (NIST HB 44, Appendix C)."""
        dispatch = make_dispatch(1)
        (tag,) = tags_of(dispatch)
        reading = store(dispatch, f"Sample,Gold troy oz per short ton\n{tag},0.234\n").readings.get()
        assert reading.raw_text == "0.234"
        assert reading.grade_g_per_t == (Decimal("0.234") * 480 * 1_000_000 / (2000 * 7000)).quantize(
            Decimal("0.000001")
        )

    def test_keeps_the_file_byte_for_byte(self):
        dispatch = make_dispatch(1)
        (tag,) = tags_of(dispatch)
        text = f"Sample,Au_ppm\r\n{tag},4.10\r\n"
        assay_return = AssayReturn.objects.get(pk=store(dispatch, text).pk)
        assert bytes(assay_return.file_bytes) == text.encode()

    def test_keeps_repeats_in_the_order_printed_and_uses_the_first(self):
        """Report every repeat in order, do not average: a laboratory's policy, trade_practice.md section 4 [P35]."""
        dispatch = make_dispatch(2)
        a, b = tags_of(dispatch)
        store(dispatch, f"Sample,Au_FA30_ppm,Au_R\n{a},4.1,5.9\n{b},1.2,\n{a} DUP,7.7,\n")
        sample = dispatch.samples.get(tag=a)
        readings = list(sample.readings.order_by("order"))
        assert [reading.raw_text for reading in readings] == ["4.1", "5.9", "7.7", ""]
        assert [reading.method for reading in readings] == [
            "FA30",
            "FA30, repeat",
            "FA30, duplicate",
            "FA30, duplicate",
        ]
        assert sample.reading_in_use.grade_g_per_t == Decimal("4.1")
        assert sample.in_use_rule == Sample.Rule.FIRST

    def test_uses_no_mark_as_a_figure(self):
        dispatch = make_dispatch(2)
        a, b = tags_of(dispatch)
        store(dispatch, f"Sample,Au_ppm\n{a},NSS\n{b},\n{a},0.3\n")
        assert dispatch.samples.get(tag=a).reading_in_use.raw_text == "0.3"
        assert dispatch.samples.get(tag=b).reading_in_use is None

    def refused(self, dispatch: Dispatch, text: str, **fields) -> Refused:
        before = AssayReturn.objects.count(), Reading.objects.count(), JournalEntry.objects.count()
        with pytest.raises(Refused) as refusal:
            store(dispatch, text, **fields)
        assert (AssayReturn.objects.count(), Reading.objects.count(), JournalEntry.objects.count()) == before
        return refusal.value

    def test_refuses_a_tag_it_does_not_have_and_stores_nothing(self):
        dispatch = make_dispatch(2)
        a, b = tags_of(dispatch)
        text = f"Sample,Au_ppm\n{a},4.1\n{b},1.2\nSTD-7,9.3\n"
        refusal = self.refused(dispatch, text)
        assert refusal.code == "unknown_tag"
        assert "STD-7" in refusal.messages[0]
        assay_return = store(dispatch, text, leave_out_unknown=True)
        assert assay_return.readings.count() == 2
        assert "STD-7" in JournalEntry.objects.about(assay_return).get().why

    def test_refuses_a_file_without_one_of_its_tags_whatever_is_left_out(self):
        dispatch = make_dispatch(1)
        assert (
            self.refused(dispatch, "Sample,Au_ppm\nSTD-7,9.3\n", leave_out_unknown=True).code
            == "no_known_tag"
        )

    def test_takes_a_tag_whose_blanks_and_look_alikes_differ(self):
        dispatch = make_dispatch(1)
        (tag,) = tags_of(dispatch)
        printed = f"{tag[:3]} {tag[3:]}".replace("5", "S")
        assert store(dispatch, f"Sample,Au_ppm\n{printed},4.1\n").readings.get().sample.tag == tag

    def test_refuses_a_column_without_its_unit_until_it_is_said(self):
        dispatch = make_dispatch(1)
        (tag,) = tags_of(dispatch)
        text = f"Sample,Au\n{tag},412\n"
        assert self.refused(dispatch, text).code == "unit_unknown"
        assert store(
            dispatch, text, choices=Choices(units={1: "ppb"})
        ).readings.get().grade_g_per_t == Decimal("0.412")

    def test_refuses_a_figure_that_is_not_understood(self):
        dispatch = make_dispatch(2)
        a, b = tags_of(dispatch)
        refusal = self.refused(dispatch, f"Sample,Au_ppm\n{a},4.1\n{b},about 3\n")
        assert refusal.code == "not_understood"
        assert "about 3" in refusal.messages[0]

    def test_refuses_the_same_file_twice_also_for_another_dispatch(self):
        first, second = make_dispatch(1), make_dispatch(1)
        (tag,) = tags_of(first)
        text = f"Sample,Au_ppm\n{tag},4.1\n"
        stored = store(first, text)
        for dispatch in (first, second):
            with pytest.raises(assays.FileStoredAlready) as refusal:
                store(dispatch, text, number="C-2")
            assert refusal.value.known == stored

    def test_refuses_a_certificate_number_twice_in_a_dispatch_only(self):
        first, second = make_dispatch(1), make_dispatch(1)
        store(first, f"Sample,Au_ppm\n{tags_of(first)[0]},4.1\n", number="c-1")
        refusal = self.refused(first, f"Sample,Au_ppm\n{tags_of(first)[0]},4.2\n", number=" C-1 ")
        assert refusal.field == "certificate_number"
        assert store(second, f"Sample,Au_ppm\n{tags_of(second)[0]},4.1\n").certificate_number == "C-1"

    def test_refuses_a_day_before_the_samples_went_or_yet_to_come(self):
        dispatch = make_dispatch(1)
        text = f"Sample,Au_ppm\n{tags_of(dispatch)[0]},4.1\n"
        for day in (SENT - datetime.timedelta(days=1), datetime.date(2999, 1, 1)):
            assert self.refused(dispatch, text, reported_on=day).field == "reported_on"

    def test_refuses_more_readings_of_a_sample_than_there_can_be(self):
        dispatch = make_dispatch(1)
        lines = f"{tags_of(dispatch)[0]},4.1\n" * (assays.MOST_READINGS_OF_A_SAMPLE + 1)
        assert self.refused(dispatch, f"Sample,Au_ppm\n{lines}").code == "too_many_readings"

    def test_is_for_members(self):
        dispatch = make_dispatch(1)
        with pytest.raises(PermissionDenied):
            store(dispatch, f"Sample,Au_ppm\n{tags_of(dispatch)[0]},4.1\n", recorded_by=make_member("guest"))

    def test_stores_no_folder_of_the_senders_machine(self):
        dispatch = make_dispatch(1)
        data = f"Sample,Au_ppm\n{tags_of(dispatch)[0]},4.1\n".encode()
        assay_return = assays.store_return(
            dispatch=dispatch,
            certificate=read_certificate(data),
            certificate_number="C-1",
            reported_on=REPORTED,
            file_name="C:\\Users\\somebody\\return 7.csv",
            file_bytes=data,
            recorded_by=dispatch.recorded_by,
        )
        assert assay_return.file_name == "return 7.csv"


class TestTypedReturn:
    def test_says_it_was_typed_in(self):
        dispatch = make_dispatch(1)
        (tag,) = tags_of(dispatch)
        assay_return = type_in(dispatch, row(tag, "4.1", grade="4.1"))
        assert (assay_return.file_sha256, assay_return.file_bytes, assay_return.file_name) == (None, None, "")
        assert "typed in" in JournalEntry.objects.about(assay_return).get().what

    def test_refuses_a_figure_nothing_is_left_of(self):
        dispatch = make_dispatch(1)
        (tag,) = tags_of(dispatch)
        with pytest.raises(Refused) as refusal:
            type_in(dispatch, row(tag, "<0.0000001", symbol="below", limit="0.0000001"))
        assert refusal.value.code == "grade_too_small"
        assert not AssayReturn.objects.exists()


class TestReadingInUse:
    def test_is_the_first_of_the_first_return_whichever_was_entered_first(self):
        dispatch = make_dispatch(1)
        (tag,) = tags_of(dispatch)
        type_in(dispatch, row(tag, "9.9", grade="9.9"), number="C-2", reported_on=REPORTED)
        assert dispatch.samples.get().reading_in_use.raw_text == "9.9"
        earlier = type_in(
            dispatch,
            row(tag, "4.1", grade="4.1"),
            number="C-1",
            reported_on=REPORTED - datetime.timedelta(days=5),
        )
        assert dispatch.samples.get().reading_in_use.raw_text == "4.1"
        told = JournalEntry.objects.about(earlier).get(what__contains="other values in use")
        assert told.changes[tag][0].startswith("9.9 g/t")

    def test_stays_the_first_when_a_later_return_comes(self):
        dispatch = make_dispatch(1)
        (tag,) = tags_of(dispatch)
        type_in(dispatch, row(tag, "4.1", grade="4.1"))
        type_in(
            dispatch,
            row(tag, "9.9", grade="9.9"),
            number="C-2",
            reported_on=REPORTED + datetime.timedelta(days=5),
        )
        assert dispatch.samples.get().reading_in_use.raw_text == "4.1"

    def chosen(self):
        dispatch = make_dispatch(2)
        a, b = tags_of(dispatch)
        type_in(
            dispatch,
            row(a, ">10", symbol="above", limit="10"),
            row(a, "9.3", grade="9.3"),
            row(a, "NSS", symbol="not enough sample"),
            row(b, "1.1", grade="1.1"),
        )
        return dispatch, dispatch.samples.get(tag=a), dispatch.samples.get(tag=b)

    def test_is_chosen_by_hand_with_a_reason_that_is_journaled(self):
        dispatch, sample, _ = self.chosen()
        reading = sample.readings.get(raw_text="9.3")
        values.choose_reading(
            sample=sample, reading=reading, reason="over the limit first", chosen_by=dispatch.recorded_by
        )
        sample.refresh_from_db()
        assert (sample.reading_in_use, sample.in_use_rule) == (reading, Sample.Rule.CHOSEN)
        entry = JournalEntry.objects.about(dispatch).first()
        assert entry.why == "over the limit first"
        assert [text.split(": ")[1] for text in entry.changes["reading in use"]] == [">10 ppm", "9.3 ppm"]
        # A choice by hand outlasts every later return.
        type_in(
            dispatch,
            row(sample.tag, "3.3", grade="3.3"),
            number="C-0",
            reported_on=REPORTED - datetime.timedelta(days=5),
        )
        sample.refresh_from_db()
        assert sample.reading_in_use == reading

    @pytest.mark.parametrize(
        ("which", "reason", "code"),
        [
            ("9.3", "  ", "reason_missing"),
            (">10", "any", "no_change"),
            ("NSS", "any", "no_figure"),
            ("1.1", "any", "other_sample"),
        ],
    )
    def test_refuses(self, which, reason, code):
        dispatch, sample, _ = self.chosen()
        reading = Reading.objects.get(raw_text=which)
        with pytest.raises(Refused) as refusal:
            values.choose_reading(
                sample=sample, reading=reading, reason=reason, chosen_by=dispatch.recorded_by
            )
        assert refusal.value.code == code
        sample.refresh_from_db()
        assert (sample.reading_in_use.raw_text, sample.in_use_rule) == (">10", Sample.Rule.FIRST)

    def test_is_for_members(self):
        _, sample, _ = self.chosen()
        with pytest.raises(PermissionDenied):
            values.choose_reading(
                sample=sample,
                reading=sample.readings.get(raw_text="9.3"),
                reason="any",
                chosen_by=make_member("guest"),
            )


class TestState:
    def state(self, dispatch: Dispatch) -> tuple[str, int, int]:
        found = Dispatch.objects.with_state().get(pk=dispatch.pk)
        return found.state, found.answered_count, found.sample_count

    def test_is_told_in_words(self):
        dispatch = make_dispatch(2)
        a, b = tags_of(dispatch)
        assert self.state(dispatch) == ("waiting for return", 0, 2)
        type_in(dispatch, row(a, "", symbol="blank cell"))
        assert self.state(dispatch) == ("waiting for return", 0, 2)
        type_in(dispatch, row(a, "4.1", grade="4.1"), row(a, "4.2", grade="4.2"), number="C-2")
        assert self.state(dispatch) == ("returned in part", 1, 2)
        type_in(dispatch, row(b, "LNR", symbol="not received"), number="C-3")
        assert self.state(dispatch) == ("returned", 2, 2)

    def test_is_overdue_only_while_something_is_missing(self):
        dispatch = make_dispatch(1, expected_on=SENT)
        assert Dispatch.objects.with_state().get(pk=dispatch.pk).is_overdue
        type_in(dispatch, row(tags_of(dispatch)[0], "4.1", grade="4.1"))
        assert not Dispatch.objects.with_state().get(pk=dispatch.pk).is_overdue
        assert not Dispatch.objects.with_state().get(pk=make_dispatch(1).pk).is_overdue


class TestHeldFile:
    def test_is_found_again_by_its_member_alone_until_it_is_let_go(self, settings, tmp_path):
        settings.DATA_DIR = tmp_path
        member, other = make_member(), make_member()
        sha256 = assays.hold_file(upload=SimpleUploadedFile("c.csv", b"Sample,Au_ppm\n"), held_by=member)
        assert assays.held_file(sha256=sha256, held_by=member) == b"Sample,Au_ppm\n"
        assert assays.held_file(sha256=sha256, held_by=other) is None
        assays.let_file_go(sha256=sha256, held_by=member)
        assert assays.held_file(sha256=sha256, held_by=member) is None
        assert list((tmp_path / "incoming").iterdir()) == []

    @pytest.mark.parametrize("sha256", ["", "../secret_key", "a" * 63, "A" * 64, "\x00"])
    def test_is_not_found_by_anything_but_a_hash(self, sha256):
        assert assays.held_file(sha256=sha256, held_by=make_member()) is None

    def test_is_forgotten_after_a_day(self, settings, tmp_path):
        settings.DATA_DIR = tmp_path
        member = make_member()
        old = assays.hold_file(upload=SimpleUploadedFile("a.csv", b"a"), held_by=member)
        yesterday = datetime.datetime.now(tz=datetime.UTC).timestamp() - assays.HELD_SECONDS - 1
        os.utime(tmp_path / "incoming" / f"{member.pk}-{old}", (yesterday, yesterday))
        new = assays.hold_file(upload=SimpleUploadedFile("b.csv", b"b"), held_by=member)
        assert assays.held_file(sha256=old, held_by=member) is None
        assert assays.held_file(sha256=new, held_by=member) == b"b"

    @pytest.mark.parametrize("data", [b"", b"x" * (CERTIFICATE.most_bytes + 1)])
    def test_is_refused_when_empty_or_too_large(self, settings, tmp_path, data):
        settings.DATA_DIR = tmp_path
        with pytest.raises(Refused) as refusal:
            assays.hold_file(upload=SimpleUploadedFile("c.csv", data), held_by=make_member())
        assert refusal.value.field == "upload"
        assert not (tmp_path / "incoming").exists()


@pytest.mark.django_db(transaction=True)
def test_a_split_goes_out_once_however_many_send_it_at_once():
    member = make_member()
    laboratory = dispatching.add_laboratory(name="Invented Assay Office", recorded_by=member)
    lot = make_split(member=member)

    def send(_: int) -> str:
        try:
            dispatching.send_dispatch(
                laboratory=laboratory, sent_on=SENT, method="fire_30", lots=[lot], recorded_by=member
            )
        except Refused as refusal:
            return refusal.code
        finally:
            connections.close_all()
        return "sent"

    with ThreadPoolExecutor(4) as pool:
        assert sorted(pool.map(send, range(4))) == ["may_not_go"] * 3 + ["sent"]
    assert Sample.objects.filter(lot=lot).count() == 1


SETTLED = assays.SettledColumns("a" * 64, "Sample, Au", {"unit-1": "ppb"})


@pytest.mark.django_db
class TestSettledColumns:
    def test_are_kept_and_told_once_however_often_they_are_said(self):
        dispatch = make_dispatch(1)
        (tag,) = tags_of(dispatch)
        for number in (1, 2):
            store(dispatch, f"Sample,Au_ppm\n{tag},4.{number}\n", number=f"C-{number}", settled=SETTLED)
        assert ColumnReading.objects.get().answers == {"unit-1": "ppb"}
        told = JournalEntry.objects.about(dispatch.laboratory).filter(what__contains="was settled")
        assert told.get().changes["columns"][0] == ""

    def test_said_otherwise_take_the_place_of_the_first_and_both_are_told(self):
        dispatch = make_dispatch(1)
        (tag,) = tags_of(dispatch)
        store(dispatch, f"Sample,Au_ppm\n{tag},4.1\n", settled=SETTLED)
        other = assays.SettledColumns(SETTLED.titles_sha256, SETTLED.titles, {"unit-1": "ppm"})
        store(dispatch, f"Sample,Au_ppm\n{tag},4.2\n", number="C-2", settled=other)
        assert ColumnReading.objects.get().answers == {"unit-1": "ppm"}
        told = JournalEntry.objects.about(dispatch.laboratory).filter(what__contains="was settled").first()
        assert "ppb" in told.changes["columns"][0] and "ppm" in told.changes["columns"][1]


@pytest.mark.django_db
class TestRefusedReturn:
    def refused(self, dispatch: Dispatch, text: str = "4.1", **fields) -> Refused:
        before = AssayReturn.objects.count(), Reading.objects.count(), JournalEntry.objects.count()
        with pytest.raises(Refused) as refusal:
            store(dispatch, f"Sample,Au_ppm\n{tags_of(dispatch)[0]},{text}\n", **fields)
        assert (AssayReturn.objects.count(), Reading.objects.count(), JournalEntry.objects.count()) == before
        return refusal.value

    def test_corrects_no_certificate_of_another_dispatch(self):
        first, second = make_dispatch(1), make_dispatch(1)
        stored = store(first, f"Sample,Au_ppm\n{tags_of(first)[0]},4.1\n")
        refusal = self.refused(second, number="C-2", replaces=stored)
        assert (refusal.code, refusal.field) == ("other_dispatch", "replaces")

    def test_corrects_no_certificate_twice(self):
        dispatch = make_dispatch(1)
        (tag,) = tags_of(dispatch)
        stored = store(dispatch, f"Sample,Au_ppm\n{tag},4.1\n")
        revised = store(dispatch, f"Sample,Au_ppm\n{tag},4.4\n", number="C-1 revised", replaces=stored)
        refusal = self.refused(dispatch, "4.5", number="C-1 again", replaces=stored)
        assert (refusal.code, refusal.field) == ("replaced_already", "replaces")
        assert "C-1 revised" in refusal.messages[0]
        assert dispatch.samples.get().reading_in_use.assay_return == revised

    def test_needs_a_number(self):
        refusal = self.refused(make_dispatch(1), number="  ")
        assert (refusal.code, refusal.field) == ("number_missing", "certificate_number")

    def test_waits_until_it_was_said_that_the_samples_went(self):
        member = make_member()
        packed = dispatching.pack_dispatch(
            lots=[make_split(member=member)],
            laboratory=dispatching.add_laboratory(name="Invented Assay Office", recorded_by=member),
            method="fire_30",
            recorded_by=member,
        )
        assert self.refused(packed).code == "not_sent"

    @pytest.mark.parametrize(
        ("length", "is_kept"), [(assays.LONGEST_RAW, True), (assays.LONGEST_RAW + 1, False)]
    )
    def test_keeps_no_half_of_a_cell(self, length, is_kept):
        # As printed, to the last sign, or not at all: 4.1 with noughts behind it.
        dispatch = make_dispatch(1)
        (tag,) = tags_of(dispatch)
        long = row(tag, "4.1".ljust(length, "0"), grade="4.1")
        if is_kept:
            assert len(type_in(dispatch, long).readings.get().raw_text) == length
        else:
            with pytest.raises(Refused) as refusal:
                type_in(dispatch, long)
            assert refusal.value.code == "too_long"
            assert not AssayReturn.objects.exists()
