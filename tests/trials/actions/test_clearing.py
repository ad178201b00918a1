import datetime
from decimal import Decimal
from io import BytesIO

import pytest
from django.core.exceptions import PermissionDenied
from django.core.files.uploadedfile import SimpleUploadedFile
from PIL import Image

from prospecting.actions.photos import keep_photo
from prospecting.actions.refusal import Refused
from prospecting.models import JournalEntry
from tests.make import make_member
from tests.trials.make_trial import make_additive, make_running
from trials.actions import clearing
from trials.actions.clearing import TubOf
from trials.models import ClearingTest, Tub, TubReading

pytestmark = pytest.mark.django_db
TEN = datetime.datetime(2026, 5, 1, 10, 0, tzinfo=datetime.UTC)


def make_test(member=None, measure="clear_mm", tubs=None, **fields) -> ClearingTest:
    member = member or make_member()
    dosed = TubOf("2", make_additive("Floc", "flocculant", member), Decimal("0.1"), "0.1 mL/L")
    return clearing.add_clearing_test(
        question="Does it clear?",
        measure=measure,
        tubs=tubs or [TubOf("1"), dosed],
        recorded_by=member,
        **fields,
    )


def read(tub, minutes, value, **fields) -> TubReading:
    fields = {"recorded_by": tub.test.recorded_by} | fields
    return clearing.read_tub(tub=tub, minutes=Decimal(minutes), value=value and Decimal(value), **fields)


def refused(act) -> Refused:
    with pytest.raises(Refused) as refusal:
        act()
    return refusal.value


def test_a_test_is_written_down_with_its_tubs_in_order():
    test = make_test(target=Decimal(150), water_depth_mm=Decimal(200))
    assert [(tub.label, tub.is_control, tub.dose_typed) for tub in test.tubs.all()] == [
        ("1", True, ""),
        ("2", False, "0.1 mL/L"),
    ]
    assert JournalEntry.objects.about(test).count() == 1


@pytest.mark.parametrize(
    ("tubs", "code"), [([TubOf("1")], "too_few_tubs"), ([TubOf("a"), TubOf("A")], "label_twice")]
)
def test_one_tub_and_two_of_one_name_are_refused(tubs, code):
    assert refused(lambda: make_test(tubs=tubs)).code == code
    assert ClearingTest.objects.count() == Tub.objects.count() == 0


def test_no_tub_is_called_by_a_code_whose_key_is_hidden():
    trial = make_running(blocks=2)
    block = trial.blocks.get(number=1)
    code = block.planned_runs.first().blind_code
    tubs = [TubOf("1"), TubOf(code.lower())]
    error = refused(lambda: make_test(trial=trial, tubs=tubs))
    assert (error.code, error.field) == ("label_is_code", "label_2")
    block.closed_at = TEN
    block.save()
    assert make_test(trial=trial, tubs=tubs).tubs.count() == 2


def test_clocks_begin_at_once_or_one_after_the_other():
    test = make_test()
    tubs = list(test.tubs.all())
    begun = clearing.begin_tubs(tubs=tubs, began_at=TEN, apart_s=30, recorded_by=test.recorded_by)
    assert [tub.began_at - TEN for tub in begun] == [datetime.timedelta(0), datetime.timedelta(seconds=30)]
    assert JournalEntry.objects.about(tubs[0]).count() == 1


def test_a_clock_begins_anew_until_the_tub_was_read():
    test = make_test()
    first, second = test.tubs.all()
    later = TEN + datetime.timedelta(minutes=5)
    for moment in (TEN, later):
        clearing.begin_tubs(tubs=[first], began_at=moment, recorded_by=test.recorded_by)
    first.refresh_from_db()
    assert first.began_at == later
    reading = read(first, "1", "5")
    again = {"tubs": [first, second], "began_at": TEN, "recorded_by": test.recorded_by}
    assert refused(lambda: clearing.begin_tubs(**again)).code == "tub_read"
    second.refresh_from_db()
    assert second.began_at is None
    clearing.void_reading(reading=reading, reason="wrong tub", voided_by=test.recorded_by)
    assert len(clearing.begin_tubs(**again)) == 2


def test_a_reading_needs_no_clock_the_site_knows_of():
    """Begun and read without a signal, the reading may be told first."""
    test = make_test()
    tub = test.tubs.first()
    assert tub.began_at is None
    assert read(tub, "12.5", "42").minutes == Decimal("12.5")


@pytest.mark.parametrize(
    ("measure", "value", "code"),
    [
        ("clear_mm", None, "nothing_read"),
        ("clear_mm", "-1", "negative"),
        ("clear_mm", "201", "too_deep"),
        ("photo", "12", "photo_only"),
    ],
)
def test_what_is_no_reading_is_refused(measure, value, code):
    test = make_test(measure=measure, water_depth_mm=Decimal(200))
    assert refused(lambda: read(test.tubs.first(), "5", value)).code == code
    assert TubReading.objects.count() == 0


def test_two_readings_of_one_minute_are_refused_until_one_is_voided():
    test = make_test()
    tub = test.tubs.first()
    first = read(tub, "5", "10")
    error = refused(lambda: read(tub, "5.00", "12"))
    assert (error.code, error.field) == ("same_minute", "minutes")
    clearing.void_reading(reading=first, reason="misread", voided_by=test.recorded_by)
    assert read(tub, "5", "12").value == 12


def test_a_voided_reading_stays_and_is_voided_once():
    test = make_test()
    reading = read(test.tubs.first(), "5", "10")
    assert refused(
        lambda: clearing.void_reading(reading=reading, reason=" ", voided_by=test.recorded_by)
    ).code == ("reason_missing")
    clearing.void_reading(reading=reading, reason="wrong tub", voided_by=test.recorded_by)
    assert TubReading.objects.get().void_reason == "wrong tub"
    assert TubReading.objects.standing().count() == 0
    again = refused(lambda: clearing.void_reading(reading=reading, reason="x", voided_by=test.recorded_by))
    assert again.code == "voided_already"


def test_after_the_end_only_what_was_read_before_it_is_taken():
    test = make_test()
    begun, still = test.tubs.all()
    clearing.begin_tubs(tubs=[begun], began_at=TEN, recorded_by=test.recorded_by)
    end = {"test": test, "ended_at": TEN + datetime.timedelta(minutes=40), "recorded_by": test.recorded_by}
    clearing.end_test(**end)
    assert read(begun, "39.5", "80").pk
    assert refused(lambda: read(begun, "41", "90")).code == "test_ended"
    assert refused(lambda: read(still, "5", "90")).code == "test_ended"
    assert refused(lambda: clearing.end_test(**end)).code == "test_ended"
    begin = {"tubs": [still], "began_at": TEN, "recorded_by": test.recorded_by}
    assert refused(lambda: clearing.begin_tubs(**begin)).code == "test_ended"


def test_a_guest_writes_nothing():
    test, guest = make_test(), make_member("guest")
    tub = test.tubs.first()
    reading = read(tub, "5", "10")
    for act in (
        lambda: make_test(guest),
        lambda: clearing.begin_tubs(tubs=[tub], began_at=TEN, recorded_by=guest),
        lambda: read(tub, "6", "10", recorded_by=guest),
        lambda: clearing.void_reading(reading=reading, reason="x", voided_by=guest),
        lambda: clearing.end_test(test=test, ended_at=TEN, recorded_by=guest),
    ):
        with pytest.raises(PermissionDenied):
            act()


def change(test: ClearingTest, tubs: dict | None = None, **fields) -> ClearingTest:
    fields = {"recorded_by": test.recorded_by} | fields
    return clearing.change_clearing_test(test=test, tubs=tubs or {}, **fields)


def begin_first(test: ClearingTest) -> Tub:
    return clearing.begin_tubs(tubs=[test.tubs.first()], began_at=TEN, recorded_by=test.recorded_by)[0]


def test_what_was_written_down_changes_with_its_tubs_and_the_journal_keeps_both():
    test = make_test(target=Decimal(150))
    first, second = test.tubs.all()
    more = TubOf("1", second.additive, Decimal("0.2"), "0.2 mL/L")
    change(test, {first.pk: TubOf("2"), second.pk: more}, question="How little?", target=Decimal(120))
    test.refresh_from_db()
    assert (test.question, test.target) == ("How little?", 120)
    # Two tubs have changed names, each for the other's.
    assert [(tub.label, tub.is_control, tub.dose_typed) for tub in test.tubs.all()] == [
        ("2", True, ""),
        ("1", False, "0.2 mL/L"),
    ]
    entry = JournalEntry.objects.about(test).first()
    assert entry.what == "changed what was written down"
    assert entry.changes == {
        "question": ["Does it clear?", "How little?"],
        "target": ["150.00", "120"],
        "tub 1": ["1: nothing added", "2: nothing added"],
        "tub 2": ["2: Floc, 0.1 mL/L", "1: Floc, 0.2 mL/L"],
    }


def test_no_change_writes_no_line():
    test = make_test()
    change(test, {tub.pk: clearing._as_it_is(tub) for tub in test.tubs.all()}, question=test.question)
    assert JournalEntry.objects.about(test).count() == 1


def test_once_a_clock_began_its_tub_and_the_target_stand_and_the_words_may_change():
    test = make_test(target=Decimal(150))
    tub = begin_first(test)
    error = refused(lambda: change(test, {tub.pk: TubOf("other")}, question="Changed?"))
    assert (error.code, error.field) == ("clock_began", "label_1")
    error = refused(lambda: change(test, target=Decimal(100), question="Changed?"))
    assert (error.code, error.field) == ("clock_began", "target")
    test.refresh_from_db()
    assert test.question == "Does it clear?"
    assert change(test, question="Clearer words?", note="creek water").question == "Clearer words?"
    # The other tub's clock still stands.
    other = test.tubs.last()
    change(test, {other.pk: TubOf("spare")})
    assert test.tubs.last().label == "spare"


def test_a_name_two_tubs_would_share_is_refused_and_nothing_changes():
    test = make_test()
    second = test.tubs.last()
    assert refused(lambda: change(test, {second.pk: TubOf("1")})).code == "label_twice"
    assert [tub.label for tub in test.tubs.all()] == ["1", "2"]


def test_water_is_not_shallower_than_what_was_read_in_it():
    test = make_test(water_depth_mm=Decimal(200))
    read(begin_first(test), "10", "150")
    error = refused(lambda: change(test, water_depth_mm=Decimal(149)))
    assert (error.code, error.field) == ("too_shallow", "water_depth")
    assert change(test, water_depth_mm=Decimal(150)).water_depth_mm == 150


def test_a_guest_changes_nothing():
    test = make_test()
    with pytest.raises(PermissionDenied):
        change(test, question="Mine?", recorded_by=make_member("guest"))


def test_a_photo_alone_is_a_reading_and_a_figure_needs_no_photo(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path
    data = BytesIO()
    Image.new("RGB", (40, 30), "grey").save(data, "PNG")
    member = make_member()
    photo = keep_photo(upload=SimpleUploadedFile("tub.png", data.getvalue()), added_by=member)
    tub = make_test(member).tubs.first()
    assert read(tub, 5, None, photo=photo).value is None
    assert read(tub, 10, 40).photo is None
