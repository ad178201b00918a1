import datetime
from decimal import Decimal
from io import BytesIO
from uuid import uuid4

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils import timezone
from PIL import Image

from prospecting.models import JournalEntry, Photo
from tests.make import make_lot, make_member
from tests.trials.actions.test_clearing import TEN, make_test, read
from tests.trials.make_trial import make_additive, make_running
from trials.actions import clearing
from trials.forms.clearing import clearing_before
from trials.models import ClearingTest, Tub, TubReading

pytestmark = pytest.mark.django_db

ALERT = 'role="alert"'


def picture(name="tub.jpg") -> SimpleUploadedFile:
    out = BytesIO()
    Image.new("RGB", (80, 60), "brown").save(out, "JPEG")
    return SimpleUploadedFile(name, out.getvalue())


def post(client, name, *args, identity=None, **typed):
    return client.post(reverse(name, args=args), {"identity": str(identity or uuid4())} | typed)


def typed_test(**typed) -> dict:
    additive = make_additive("Floc", "flocculant")
    fields = {
        "question": "How little clears it?",
        "measure": "clear_mm",
        "target": "150",
        "water_depth": "20 cm",
        "label_1": "1",
        "label_2": "2",
        "additive_2": str(additive.pk),
        "dose_2": "12 drops in 9 L",
    }
    return {name: text for name, text in (fields | typed).items() if text is not None}


def test_pages_open_to_whom_they_should(client_as, client, django_assert_max_num_queries):
    test = make_test(target=Decimal(150))
    tub = test.tubs.first()
    for n in range(1, 6):
        for each in test.tubs.all():
            read(each, str(n), "10")
    reading = tub.readings.first()
    pages = {
        "clearing-list": [],
        "clearing-detail": [test.pk],
        "clearing-add": [],
        "clearing-edit": [test.pk],
        "clearing-read": [test.pk],
        "clearing-begin": [test.pk],
        "clearing-end": [test.pk],
        "tub-begin": [tub.pk],
        "tub-read": [tub.pk],
        "tub-reading-void": [reading.pk],
    }
    member, guest = client_as("member"), client_as("guest")
    for name, args in pages.items():
        url = reverse(name, args=args)
        assert client.get(url).status_code == 302, name
        with django_assert_max_num_queries(20):
            assert member.get(url).status_code == 200, name
        assert guest.get(url).status_code == (200 if name in ("clearing-list", "clearing-detail") else 403), (
            name
        )
        if args:
            assert member.get(reverse(name, args=[999_999])).status_code == 404, name


def test_the_page_of_the_tubs_may_lie_on_the_phone_and_no_other_of_these(client_as):
    test, member = make_test(), client_as("member")
    assert member.get(reverse("clearing-read", args=[test.pk])).headers["X-Keep-On-Phone"] == "1"
    assert "X-Keep-On-Phone" not in member.get(test.get_absolute_url()).headers


def test_a_test_is_typed_in_and_leads_to_its_tubs(client_as):
    member, lot = client_as("member"), make_lot("5000")
    answer = post(member, "clearing-add", **typed_test(lot=str(lot.pk), note="stirred 2 min fast"))
    test = ClearingTest.objects.get()
    assert answer.url.startswith(reverse("clearing-read", args=[test.pk]))
    assert (test.target, test.water_depth_mm, test.lot) == (150, 200, lot)
    control, dosed = test.tubs.all()
    assert control.is_control
    # 12 drops of 0.05 mL in 9 L.
    assert (dosed.dose_typed, dosed.ml_per_l) == ("12 drops in 9 L", Decimal("0.066667"))


def test_it_starts_from_a_lot_or_a_trial(client_as):
    trial, member = make_running(blocks=2), client_as("member")
    url = reverse("clearing-add")
    form = member.get(url, {"trial": trial.pk, "lot": trial.feed_lot.code}).context["form"]
    assert (form["trial"].value(), form["lot"].value()) == (trial.pk, trial.feed_lot.code)
    for odd in ("x", "٣", "-1", "9" * 30, "\0"):
        assert member.get(url, {"trial": odd, "lot": odd}).status_code == 200


@pytest.mark.parametrize(
    "typed",
    [
        {"question": None},
        {"measure": None},
        {"measure": "eye"},
        {"target": "much"},
        {"target": "0"},
        {"target": "-5"},
        {"target": "9" * 40},
        {"target": "201"},
        {"measure": "photo"},
        {"water_depth": "5 lb"},
        {"water_depth": "0.01 mm"},
        {"water_depth": "9" * 20},
        {"label_2": None},
        {"label_2": None, "additive_2": None, "dose_2": None},
        {"label_2": "1"},
        {"dose_2": None},
        {"additive_2": None},
        {"additive_2": "999999"},
        {"dose_2": "a bit"},
        {"dose_2": "-1 mL/L"},
        {"dose_2": "0.0000000001 mL/L"},
        {"dose_2": "9" * 40},
        {"lot": "x"},
        {"trial": "999999"},
        {"question": "\0"},
        {"label_1": "x" * 41},
    ],
)
def test_nonsense_writes_no_test_and_keeps_what_was_typed(client_as, typed):
    member = client_as("member")
    fields = typed_test(**typed)
    answer = post(member, "clearing-add", **fields)
    assert answer.status_code == 200
    page = answer.content.decode()
    assert ALERT in page
    assert "12 drops in 9 L" in page or "dose_2" in typed
    assert not ClearingTest.objects.exists()
    assert not Tub.objects.exists()


def test_a_test_without_control_is_asked_about_and_kept_when_meant(client_as):
    member = client_as("member")
    additive = make_additive("Floc", "flocculant")
    fields = typed_test(additive_1=str(additive.pk), dose_1="0.5 mL/L")
    answer = post(member, "clearing-add", **fields)
    assert "No tub is without an additive" in answer.content.decode()
    assert not ClearingTest.objects.exists()
    assert post(member, "clearing-add", **fields, keep_as_typed="on").status_code == 302
    assert ClearingTest.objects.get().tubs.filter(is_control=True).count() == 0


def test_a_test_sent_twice_is_written_once(client_as):
    member, identity, fields = client_as("member"), uuid4(), typed_test()
    for _ in range(2):
        assert post(member, "clearing-add", identity=identity, **fields).status_code == 302
    assert ClearingTest.objects.count() == 1


def typed_change(test, **typed) -> dict:
    """The form of a change as its page sends it untouched, but for what is `typed`."""
    values = {name: "" if value is None else str(value) for name, value in clearing_before(test).items()}
    lot = values.pop("lot")
    return values | {"lot": "", "lot_ticked": lot or "none"} | typed


def test_what_was_written_down_is_changed_on_its_page(client_as):
    test, member = make_test(target=Decimal(150), water_depth_mm=Decimal(200)), client_as("member")
    lot = make_lot("5000", title="blue vein")
    url = reverse("clearing-edit", args=[test.pk])
    page = member.get(url).content.decode()
    assert f'value="{test.question}"' in page and 'value="0.1 mL/L"' in page
    assert url in member.get(test.get_absolute_url()).content.decode()
    answer = post(
        member,
        "clearing-edit",
        test.pk,
        **typed_change(test, lot=lot.code, lot_ticked=lot.code, dose_2="0.3 mL/L"),
    )
    assert answer.url == test.get_absolute_url()
    test.refresh_from_db()
    assert (test.lot, test.target, test.water_depth_mm) == (lot, 150, 200)
    assert test.tubs.last().ml_per_l == Decimal("0.3")
    assert list(JournalEntry.objects.about(test).first().changes) == ["lot", "tub 2"]


@pytest.mark.parametrize(
    ("field", "typed"),
    [
        ("label_1", ""),
        ("label_2", "1"),
        ("dose_2", ""),
        ("dose_2", "a bit"),
        ("question", ""),
        ("target", "201"),
        ("lot", "BRK-47-X"),
        ("trial", "999999"),
        ("water_depth", "deep"),
    ],
)
def test_a_change_that_is_nonsense_keeps_what_was_typed_and_changes_nothing(client_as, field, typed):
    test, member = make_test(target=Decimal(150), water_depth_mm=Decimal(200)), client_as("member")
    sent = typed_change(test, note="from the creek") | {field: typed}
    if field == "lot":
        del sent["lot_ticked"]
    answer = post(member, "clearing-edit", test.pk, **sent)
    assert answer.status_code == 200
    assert answer.context["form"].errors[field]
    assert "from the creek" in answer.content.decode()
    test.refresh_from_db()
    assert (test.note, test.tubs.last().dose_typed) == ("", "0.1 mL/L")


def test_a_tub_whose_clock_began_while_the_page_was_open_is_refused_in_words(client_as):
    test, member = make_test(), client_as("member")
    sent = typed_change(test, dose_2="0.3 mL/L")
    clearing.begin_tubs(tubs=list(test.tubs.all()), began_at=TEN, recorded_by=member.member)
    answer = post(member, "clearing-edit", test.pk, **sent)
    assert "The clock of Tub 2 has begun" in answer.context["form"].errors["label_2"][0]
    page = member.get(reverse("clearing-edit", args=[test.pk])).content.decode()
    assert "Its clock began" in page
    assert 'name="label_1"' not in page
    sent = {
        name: text for name, text in sent.items() if name.split("_")[0] not in ("label", "additive", "dose")
    }
    assert post(member, "clearing-edit", test.pk, **sent | {"note": "late word"}).status_code == 302
    test.refresh_from_db()
    assert test.note == "late word"


def test_what_another_changed_meanwhile_is_not_overwritten(client_as):
    test, member = make_test(), client_as("member")
    form = member.get(reverse("clearing-edit", args=[test.pk])).context["form"]
    sent = typed_change(test, note="mine") | {form.SHOWN: form[form.SHOWN].value()}
    ClearingTest.objects.update(question="Theirs?")
    answer = post(member, "clearing-edit", test.pk, **sent)
    assert "Meanwhile changed to “Theirs?”" in answer.context["form"].errors["question"][0]
    test.refresh_from_db()
    assert test.note == ""


def test_looking_for_the_lot_keeps_all_that_was_typed_and_writes_nothing(client_as):
    member, lot = client_as("member"), make_lot("5000", title="blue vein")
    sent = typed_test(lot="blue", lot_cards="1", look="lot", label_6="sixth")
    answer = post(member, "clearing-add", **sent)
    page = answer.content.decode()
    assert answer.status_code == 200
    assert "1 lot fits “blue”." in page and f'value="{lot.code}" checked' in page
    assert 'value="12 drops in 9 L"' in page and 'value="sixth"' in page
    assert ALERT not in page
    assert not ClearingTest.objects.exists()


def test_an_older_trial_than_the_newest_is_offered_where_its_page_asked(client_as, monkeypatch):
    monkeypatch.setattr("trials.forms.clearing.MOST_TRIALS", 1)
    older, newer = make_running(blocks=2), make_running(blocks=2)
    member, url = client_as("member"), reverse("clearing-add")
    offered = member.get(url).context["form"].fields["trial"].widget.choices
    assert [key for key, _ in offered] == ["", newer.pk]
    form = member.get(url, {"trial": older.pk}).context["form"]
    assert [key for key, _ in form.fields["trial"].widget.choices] == ["", newer.pk, older.pk]
    assert "The newest 1." in form.fields["trial"].help_text
    assert post(member, "clearing-add", **typed_test(trial=str(older.pk))).status_code == 302
    assert ClearingTest.objects.get().trial == older


def test_all_clocks_begin_by_the_phones_time_and_one_after_the_other(client_as):
    test, member = make_test(), client_as("member")
    tubs = list(test.tubs.all())
    page = member.get(test.get_tubs_url()).content.decode()
    assert page.count('name="tubs"') == 2
    answer = post(
        member,
        "clearing-begin",
        test.pk,
        tubs=[tub.pk for tub in tubs],
        began_at="2026-05-01T12:00:00.500+02:00",
        apart_s="45",
    )
    assert answer.status_code == 302
    first, second = test.tubs.all()
    assert first.began_at == TEN + datetime.timedelta(milliseconds=500)
    assert (second.began_at - first.began_at).seconds == 45
    page = member.get(test.get_tubs_url()).content.decode()
    assert 'name="tubs"' not in page
    assert f'data-began="{timezone.localtime(first.began_at):%Y-%m-%dT%H:%M:%S}' in page


def test_without_a_script_the_servers_time_counts(client_as):
    test, member = make_test(), client_as("member")
    tub = test.tubs.first()
    before = timezone.now()
    assert post(member, "tub-begin", tub.pk, began_at="").status_code == 302
    tub.refresh_from_db()
    assert before <= tub.began_at <= timezone.now()


@pytest.mark.parametrize(
    "at", ["yesterday", "0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-12:00", "\0", "1e400"]
)
def test_a_time_of_no_calendar_begins_nothing(client_as, at):
    test, member = make_test(), client_as("member")
    tub = test.tubs.first()
    answer = post(member, "tub-begin", tub.pk, began_at=at)
    assert answer.status_code == 200
    assert ALERT in answer.content.decode()
    tub.refresh_from_db()
    assert tub.began_at is None


@pytest.mark.parametrize("tubs", [[], ["999999"], ["x"], "other"])
def test_only_tubs_of_this_test_begin(client_as, tubs):
    test, other, member = make_test(), make_test(), client_as("member")
    if tubs == "other":
        tubs = [other.tubs.first().pk]
    assert post(member, "clearing-begin", test.pk, tubs=tubs, apart_s="0").status_code == 200
    assert not Tub.objects.filter(began_at__isnull=False).exists()


def test_a_tub_is_read_with_figure_photo_and_note(client_as):
    test, member = make_test(), client_as("member")
    tub = test.tubs.first()
    answer = post(member, "tub-read", tub.pk, minutes="12,5", value="42", photo=picture(), note="first flocs")
    assert answer.url == tub.get_absolute_url()
    reading = TubReading.objects.get()
    assert (reading.minutes, reading.value, reading.note) == (Decimal("12.5"), 42, "first flocs")
    assert reading.photo.thumb
    page = member.get(test.get_absolute_url()).content.decode()
    assert reading.photo.get_thumb_url() in page
    assert "/photos/" not in client_as("guest").get(test.get_absolute_url()).content.decode()


def test_beyond_the_scale_needs_where_it_ends(client_as):
    test, member = make_test(measure="turbidity", target=Decimal(50)), client_as("member")
    tub = test.tubs.first()
    answer = post(member, "tub-read", tub.pk, minutes="1", beyond="on")
    assert "Type where the scale ends" in answer.content.decode()
    assert post(member, "tub-read", tub.pk, minutes="1", beyond="on", value="1000").status_code == 302
    assert TubReading.objects.get().beyond
    assert "more than 1000<" in member.get(test.get_absolute_url()).content.decode()


def test_read_by_photo_only_takes_no_figure(client_as):
    test, member = make_test(measure="photo"), client_as("member")
    tub = test.tubs.first()
    answer = post(member, "tub-read", tub.pk, minutes="1", value="7")
    assert "take one" in answer.content.decode()
    assert post(member, "tub-read", tub.pk, minutes="1", photo=picture()).status_code == 302
    assert TubReading.objects.get().value is None
    assert "Read by photo only" in member.get(test.get_absolute_url()).content.decode()


@pytest.mark.parametrize(
    "typed",
    [
        {"value": "42"},
        {"minutes": "5"},
        {"minutes": "-1", "value": "42"},
        {"minutes": "x", "value": "42"},
        {"minutes": "5", "value": "-1"},
        {"minutes": "5", "value": "cloudy"},
        {"minutes": "5", "value": "42 lb"},
        {"minutes": "5", "value": "201"},
        {"minutes": "9" * 40, "value": "42"},
        {"minutes": "5", "value": "9" * 40},
        {"minutes": "NaN", "value": "inf"},
        {"minutes": "5", "value": "42", "note": "x" * 201},
        {"minutes": "\0", "value": "\ud800".encode("utf-8", "surrogatepass").decode("latin-1")},
    ],
)
def test_nonsense_reads_nothing_and_keeps_what_was_typed(client_as, typed):
    test, member = make_test(water_depth_mm=Decimal(200)), client_as("member")
    answer = post(member, "tub-read", test.tubs.first().pk, **typed)
    assert answer.status_code == 200
    page = answer.content.decode()
    assert ALERT in page
    if typed.get("value") == "cloudy":
        assert 'value="cloudy"' in page
    assert not TubReading.objects.exists()


def test_a_file_that_is_no_picture_keeps_no_reading(client_as):
    test, member = make_test(), client_as("member")
    odd = SimpleUploadedFile("tub.jpg", b"<svg/>")
    answer = post(member, "tub-read", test.tubs.first().pk, minutes="5", value="42", photo=odd)
    assert "The site can&#x27;t read this file" in answer.content.decode()
    assert not TubReading.objects.exists()
    assert not Photo.objects.exists()


def test_many_times_cloudier_again_is_asked_about(client_as):
    test, member = make_test(), client_as("member")
    tub = test.tubs.first()
    read(tub, "5", "120")
    answer = post(member, "tub-read", tub.pk, minutes="10", value="12")
    assert "far cloudier again" in answer.content.decode()
    assert post(member, "tub-read", tub.pk, minutes="10", value="12", keep_as_typed="on").status_code == 302


def test_a_reading_sent_twice_is_kept_once(client_as):
    test, member, identity = make_test(), client_as("member"), uuid4()
    tub = test.tubs.first()
    for _ in range(2):
        assert post(member, "tub-read", tub.pk, identity=identity, minutes="5", value="42").status_code == 302
    assert TubReading.objects.count() == 1
    again = post(member, "tub-read", tub.pk, minutes="5", value="43")
    assert "has a reading at 5 min already" in again.content.decode()


def test_a_reading_from_the_phones_queue_is_answered_in_json(client_as):
    """The order of a phone without signal: the clock's start, then the readings, each with its own identity."""
    test, member = make_test(), client_as("member")
    tub = test.tubs.first()
    phone = {
        "HTTP_X_PHONE_ENTRY": "later",
        "HTTP_X_MEMBER": str(member.member.pk),
        "HTTP_X_BORN_AT": "2026-05-01T12:00:00+02:00",
        "HTTP_X_SENT_AT": timezone.now().isoformat(),
    }
    sent = [
        (reverse("tub-begin", args=[tub.pk]), {"began_at": "2026-05-01T12:00:00+02:00"}),
        (reverse("tub-read", args=[tub.pk]), {"minutes": "5", "value": "20"}),
        (reverse("tub-read", args=[tub.pk]), {"minutes": "15", "value": "90", "photo": picture()}),
    ]
    for url, fields in sent:
        answer = member.post(url, {"identity": str(uuid4())} | fields, **phone)
        assert answer.status_code == 201, answer.content
        assert answer.json()["state"] == "recorded"
    tub.refresh_from_db()
    assert tub.began_at == TEN
    assert tub.readings.count() == 2
    refused = member.post(
        reverse("tub-read", args=[tub.pk]), {"identity": str(uuid4()), "minutes": "5", "value": "1"}, **phone
    )
    assert refused.status_code == 422


def test_a_reading_is_voided_with_its_reason(client_as):
    test, member = make_test(), client_as("member")
    reading = read(test.tubs.first(), "5", "42")
    assert post(member, "tub-reading-void", reading.pk, reason="").status_code == 200
    assert post(member, "tub-reading-void", reading.pk, reason="other tub").status_code == 302
    page = member.get(test.get_absolute_url()).content.decode()
    assert "voided: other tub" in page
    assert "<s>" in page
    assert JournalEntry.objects.about(reading).filter(why="other tub").exists()


def test_an_ended_test_says_so_and_is_ended_once(client_as):
    test, member = make_test(), client_as("member")
    assert (
        post(member, "clearing-end", test.pk, ended_at="2026-05-01T12:40:00+02:00").url
        == test.get_absolute_url()
    )
    again = post(member, "clearing-end", test.pk)
    assert again.status_code == 200
    assert "has been ended already" in again.content.decode()
    page = member.get(test.get_tubs_url()).content.decode()
    assert "was ended" in page
    assert "End the test" not in page


def test_the_page_shows_sentence_picture_table_and_caution(client_as):
    test, member = make_test(target=Decimal(150)), client_as("member")
    control, floc = test.tubs.all()
    read(control, "40", "60")
    read(floc, "15", "200")
    page = member.get(test.get_absolute_url()).content.decode()
    order = [
        "1 of 2 tubs was seen at 150 mm of clear water",
        'class="figure"',
        "Tub by tub",
        "Against the control",
        "The readings",
        "Show the working",
        "never goes into a stream",
    ]
    places = [page.index(words) for words in order]
    assert places == sorted(places)
    # Round figures are written out, not as powers of ten.
    assert ">200<" in page
    assert "E+" not in page


def test_queries_stay_few_with_many_tubs_and_readings(client_as, django_assert_max_num_queries):
    tubs = [clearing.TubOf(str(n)) for n in range(1, 9)]
    test, member = make_test(measure="turbidity", target=Decimal(50), tubs=tubs), client_as("member")
    photo_of = make_member()
    for tub in test.tubs.all():
        clearing.begin_tubs(tubs=[tub], began_at=TEN, recorded_by=photo_of)
        for minute in range(1, 8):
            read(tub, str(minute), str(600 - 50 * minute))
    for url in (test.get_absolute_url(), test.get_tubs_url(), reverse("clearing-list")):
        with django_assert_max_num_queries(20):
            assert member.get(url).status_code == 200
