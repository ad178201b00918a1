import datetime
import html
import re
from decimal import Decimal
from uuid import uuid4

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from prospecting.actions import assays, dispatching, steps
from prospecting.actions.material import DrawFrom, StepDetails
from prospecting.calc.accepted_files import CERTIFICATE
from prospecting.models import AssayReturn, Dispatch, Laboratory, Lot, Reading, Sample
from prospecting.readers.certificate_csv import read_certificate
from tests.make import make_lot, make_member, make_zone

SENT = datetime.date(2026, 5, 4)
pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def data_folder(settings, tmp_path):
    """Files held between preview and storing go to a folder of the test's own."""
    settings.DATA_DIR = tmp_path
    return tmp_path


@pytest.fixture
def member(client_as):
    return client_as("member", grade_unit="g_per_t")


def make_split(member, title: str = "") -> Lot:
    lot = make_lot(member=member, zone=make_zone(name=f"Upper vein {uuid4().hex[:6]}"), title=title)
    step = steps.take_for_assay(
        draw=DrawFrom(lot=lot, mass_g=Decimal(400), typed="400 g"),
        recorded_by=member,
        done_on=SENT,
        details=StepDetails(method="riffle"),
    )
    return step.made.get()


def make_dispatch(member, number: int = 3, **fields) -> Dispatch:
    laboratory = Laboratory.objects.first() or dispatching.add_laboratory(
        name="Invented Assay Office", recorded_by=member
    )
    fields = {"sent_on": SENT, "method": "fire_30"} | fields
    lots = [make_split(member) for _ in range(number)]
    return dispatching.send_dispatch(laboratory=laboratory, lots=lots, recorded_by=member, **fields)


def tags_of(dispatch: Dispatch) -> list[str]:
    return [sample.tag for sample in dispatch.samples.order_by("tag")]


def make_return(dispatch: Dispatch, text: str, number: str = "INV-1") -> AssayReturn:
    data = text.encode()
    return assays.store_return(
        dispatch=dispatch,
        certificate=read_certificate(data),
        certificate_number=number,
        reported_on=datetime.date(2026, 5, 20),
        file_name="INV-1.csv",
        file_bytes=data,
        recorded_by=dispatch.recorded_by,
    )


def text_of(response) -> str:
    """The page's words, tags taken out and blanks joined."""
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", response.content.decode())).split())


class TestWhoMayOpen:
    @pytest.fixture
    def paths(self):
        dispatch = make_dispatch(make_member())
        assay_return = make_return(dispatch, f"Sample,Au_ppm\n{tags_of(dispatch)[0]},4.1\n")
        sample = dispatch.samples.first()
        reads = {
            "laboratory-list": [],
            "dispatch-list": [],
            "dispatch-detail": [dispatch.pk],
            "return-detail": [assay_return.pk],
        }
        writes = {
            "laboratory-add": [],
            "dispatch-add": [],
            "return-type": [dispatch.pk],
            "return-read": [dispatch.pk],
            "return-file": [assay_return.pk],
            "reading-choose": [sample.pk],
        }
        return [{reverse(name, args=args) for name, args in names.items()} for names in (reads, writes)]

    def test_guests_read_dispatches_and_returns_but_record_and_download_nothing(self, client_as, paths):
        reads, writes = paths
        guest, member = client_as("guest"), client_as("member")
        assert {guest.get(path).status_code for path in reads} == {200}
        assert {guest.get(path).status_code for path in writes} == {403}
        assert {guest.post(path).status_code for path in writes} <= {403, 405}
        assert {member.get(path).status_code for path in reads | writes} == {200}

    def test_strangers_are_sent_to_sign_in(self, paths):
        for path in paths[0] | paths[1]:
            response = Client().get(path)
            assert response.status_code == 302
            assert response.url.startswith(reverse("sign-in"))

    def test_guests_are_offered_no_writing(self, client_as):
        dispatch = make_dispatch(make_member())
        assay_return = make_return(dispatch, f"Sample,Au_ppm\n{tags_of(dispatch)[0]},4.1\n")
        guest = client_as("guest")
        for path in (dispatch.get_absolute_url(), assay_return.get_absolute_url(), reverse("dispatch-list")):
            page = guest.get(path).content.decode()
            for name, args in [
                ("return-type", [dispatch.pk]),
                ("return-read", [dispatch.pk]),
                ("return-file", [assay_return.pk]),
                ("dispatch-add", []),
            ]:
                assert f'"{reverse(name, args=args)}"' not in page

    @pytest.mark.parametrize(
        "name",
        ["dispatch-detail", "return-type", "return-read", "return-detail", "return-file", "reading-choose"],
    )
    def test_what_is_not_there_is_not_found(self, member, name):
        assert member.get(reverse(name, args=[987654])).status_code == 404


class TestTypingIn:
    def path(self, dispatch):
        return reverse("return-type", args=[dispatch.pk])

    def post(self, client, dispatch, printed: dict[str, str], **fields):
        pks = dict(dispatch.samples.values_list("tag", "pk"))
        body = {
            "identity": uuid4(),
            "certificate_number": "INV-1",
            "reported_on": "2026-05-20",
            "unit": "g/t",
        }
        body |= {f"printed_{pks[tag]}": text for tag, text in printed.items()}
        return client.post(self.path(dispatch), body | fields)

    def test_stores_what_is_printed_and_leaves_blank_samples_out(self, member):
        dispatch = make_dispatch(member.member, 5)
        a, b, c, d, _ = tags_of(dispatch)
        response = self.post(member, dispatch, {a: "4.1", b: "<0.005", c: ">10", d: "NSS"})
        assay_return = AssayReturn.objects.get()
        assert response.url == assay_return.get_absolute_url()
        stored = {
            each.sample.tag: (each.raw_text, each.symbol)
            for each in assay_return.readings.select_related("sample")
        }
        assert stored == {
            a: ("4.1", "value"),
            b: ("<0.005", "below"),
            c: (">10", "above"),
            d: ("NSS", "not enough sample"),
        }

    def test_is_stored_once_however_often_it_is_sent(self, member):
        dispatch = make_dispatch(member.member, 1)
        (tag,) = tags_of(dispatch)
        identity = uuid4()
        answers = {self.post(member, dispatch, {tag: "4.1"}, identity=identity).url for _ in range(2)}
        assert answers == {AssayReturn.objects.get().get_absolute_url()}

    def test_reads_a_comma_as_the_decimal_sign_where_it_can_be_nothing_else(self, member):
        dispatch = make_dispatch(member.member, 2)
        a, b = tags_of(dispatch)
        self.post(member, dispatch, {a: "4,1", b: "<0,005"})
        readings = Reading.objects.order_by("sample__tag")
        assert (readings[0].grade_g_per_t, readings[1].limit_g_per_t) == (Decimal("4.1"), Decimal("0.005"))

    @pytest.mark.parametrize(
        "printed",
        ["trace", "-0.5", "1,234", "4..1", "4.1 g", "\u0664.\u0661", "<", "1e99", "9" * 60, "<0", "2000000"],
    )
    def test_refuses_what_it_does_not_understand_beside_the_field(self, member, printed):
        dispatch = make_dispatch(member.member, 2)
        a, b = tags_of(dispatch)
        response = self.post(member, dispatch, {a: printed, b: "4.1"})
        assert response.status_code == 200
        name = f"printed_{dispatch.samples.get(tag=a).pk}"
        assert response.context["form"].errors[name]
        assert response.context["form"][name].value() == printed
        assert not AssayReturn.objects.exists()

    @pytest.mark.parametrize(
        ("fields", "field"),
        [
            ({"unit": ""}, "unit"),
            ({"unit": "carats"}, "unit"),
            ({"certificate_number": " "}, "certificate_number"),
            ({"certificate_number": "x" * 61}, "certificate_number"),
            ({"reported_on": ""}, "reported_on"),
            ({"reported_on": "20.5.2026"}, "reported_on"),
            ({"reported_on": "2026-05-03"}, "reported_on"),
            ({"reported_on": "2999-01-01"}, "reported_on"),
        ],
    )
    def test_refuses_beside_the_field(self, member, fields, field):
        dispatch = make_dispatch(member.member, 1)
        response = self.post(member, dispatch, {tags_of(dispatch)[0]: "4.1"}, **fields)
        assert response.context["form"].errors[field]
        assert not AssayReturn.objects.exists()

    def test_needs_at_least_one_result(self, member):
        dispatch = make_dispatch(member.member, 1)
        response = self.post(member, dispatch, {})
        assert "at least one sample" in text_of(response)
        assert not AssayReturn.objects.exists()

    def test_refuses_a_certificate_number_twice(self, member):
        dispatch = make_dispatch(member.member, 1)
        (tag,) = tags_of(dispatch)
        self.post(member, dispatch, {tag: "4.1"})
        response = self.post(member, dispatch, {tag: "4.2"})
        assert "stored already" in response.context["form"].errors["certificate_number"][0]
        assert AssayReturn.objects.count() == 1

    def test_asks_about_a_figure_a_thousand_times_out_of_line(self, member):
        dispatch = make_dispatch(member.member, 3)
        a, b, c = tags_of(dispatch)
        printed = {a: "4.1", b: "3.2", c: "4100"}
        response = self.post(member, dispatch, printed)
        assert f"Sample {c}:" in text_of(response)
        assert "Was ppb taken for ppm" in text_of(response)
        assert not AssayReturn.objects.exists()
        assert self.post(member, dispatch, printed, keep_as_typed="on").status_code == 302
        assert Reading.objects.get(raw_text="4100").grade_g_per_t == 4100

    def test_asks_against_results_stored_before(self, member):
        dispatch = make_dispatch(member.member, 2)
        a, b = tags_of(dispatch)
        self.post(member, dispatch, {a: "4.1"})
        response = self.post(member, dispatch, {b: "41"}, certificate_number="INV-2")
        assert "Please look again" in text_of(response)
        assert AssayReturn.objects.count() == 1

    def test_asks_about_a_printed_nought(self, member):
        dispatch = make_dispatch(member.member, 1)
        (tag,) = tags_of(dispatch)
        assert "below its limit" in text_of(self.post(member, dispatch, {tag: "0"}))
        assert not AssayReturn.objects.exists()

    def test_asks_few_queries(self, member, django_assert_max_num_queries):
        dispatch = make_dispatch(member.member, 12)
        with django_assert_max_num_queries(8):
            response = member.get(self.path(dispatch))
        assert tags_of(dispatch)[0] in text_of(response)


class TestReadingAFile:
    def path(self, dispatch):
        return reverse("return-read", args=[dispatch.pk])

    def upload(self, client, dispatch, text: str | bytes, name: str = "INV-1.csv"):
        data = text if isinstance(text, bytes) else text.encode()
        return client.post(
            self.path(dispatch), {"identity": uuid4(), "upload": SimpleUploadedFile(name, data)}
        )

    def store(self, client, path: str, **fields):
        body = {"identity": uuid4(), "certificate_number": "INV-1", "reported_on": "2026-05-20"}
        return client.post(path, body | fields)

    def held(self, folder) -> list:
        return list((folder / "incoming").iterdir()) if (folder / "incoming").exists() else []

    def test_shows_everything_before_anything_is_stored(self, member, django_assert_max_num_queries):
        dispatch = make_dispatch(member.member, 5)
        a, b, c, d, e = tags_of(dispatch)
        text = (
            "Invented Assay Office\nCertificate,INV-0917\nDate reported,2026-05-20\nSample,Wt kg,Au_FA30_ppm\n"
            f"{a},0.41,4.10\n{b},0.40,<0.005\n{c},0.41,>10\n{d},0.41,NSS\n{a},0.41,5.9\n"
        )
        path = self.upload(member, dispatch, text).url
        with django_assert_max_num_queries(15):
            response = member.get(path)
        words = text_of(response)
        lot = dispatch.samples.get(tag=a).lot
        assert f"{a} {lot.code} 4.10 ppm 4.1 g/t" in words
        assert "below 0.005 g/t (not zero)" in words
        assert "above 10.0 g/t" in words
        assert "not enough sample" in words
        assert "FA30 (ppm)" in words
        assert f"Tag {a} stands on lines 5, 9" in words
        assert f"Not in this file: {e}" in words
        assert response.context["form"]["certificate_number"].value() == "INV-0917"
        assert response.context["form"]["reported_on"].value() == datetime.date(2026, 5, 20)
        assert not AssayReturn.objects.exists()

    def test_stores_on_the_second_word_and_lets_the_held_file_go(self, member, data_folder):
        dispatch = make_dispatch(member.member, 1)
        text = f"Sample,Au_ppm\n{tags_of(dispatch)[0]},4.10\n"
        path = self.upload(member, dispatch, text).url
        assert len(self.held(data_folder)) == 1
        identity = uuid4()
        response = self.store(member, path, identity=identity)
        assay_return = AssayReturn.objects.get()
        assert response.url == assay_return.get_absolute_url()
        assert (assay_return.file_name, bytes(assay_return.file_bytes)) == ("INV-1.csv", text.encode())
        assert self.held(data_folder) == []
        # The second tap, and the page gone back to, lead to the same record.
        assert self.store(member, path, identity=identity).url == assay_return.get_absolute_url()
        assert member.get(path).url == assay_return.get_absolute_url()
        assert AssayReturn.objects.count() == 1

    def test_refuses_the_same_file_again_with_the_way_to_the_first(self, member):
        first, second = make_dispatch(member.member, 1), make_dispatch(member.member, 1)
        text = f"Sample,Au_ppm\n{tags_of(first)[0]},4.10\n"
        stored = make_return(first, text)
        response = self.upload(member, second, text)
        assert "stored already" in response.context["form"].errors["upload"][0]
        assert f'href="{stored.get_absolute_url()}"' in response.content.decode()

    def test_says_what_a_file_that_cannot_be_read_is(self, member):
        dispatch = make_dispatch(member.member, 1)
        for data, words in [
            (b"PK\x03\x04 some spreadsheet", "spreadsheet"),
            (b"%PDF-1.7", "PDF"),
            (b"\x00\x01\x02\xff", "not a plain text file"),
            (b"Your samples are lost.", "No table"),
            (b"Sample,Cu_ppm\n234567,12\n", "No column of gold"),
            (b'Sample,Au_ppm\n"234567,4.1\n', "quotation mark"),
        ]:
            response = member.get(self.upload(member, dispatch, data).url)
            assert response.status_code == 200
            assert words in text_of(response)
            assert "Store this return" not in text_of(response)

    @pytest.mark.parametrize("data", [b"", b"x" * (CERTIFICATE.most_bytes + 1)])
    def test_refuses_an_empty_or_too_large_file(self, member, data, data_folder):
        response = self.upload(member, make_dispatch(member.member, 1), data)
        assert response.context["form"].errors["upload"]
        assert self.held(data_folder) == []

    def test_refuses_a_form_without_a_file(self, member):
        response = member.post(self.path(make_dispatch(member.member, 1)), {"identity": uuid4()})
        assert response.context["form"].errors["upload"] == ["Choose the file, or paste the table below."]

    def test_stores_nothing_before_the_unit_is_chosen(self, member):
        dispatch = make_dispatch(member.member, 1)
        (tag,) = tags_of(dispatch)
        path = self.upload(member, dispatch, f"Sample,Au\n{tag},412\n").url
        assert "no unit is printed" in text_of(member.get(path))
        assert "Choose the unit of each gold column first." in text_of(self.store(member, path))
        assert not AssayReturn.objects.exists()
        chosen = path + "&unit_1=ppb"
        assert "0.412 g/t" in text_of(member.get(chosen))
        assert self.store(member, chosen).status_code == 302
        assert Reading.objects.get().grade_g_per_t == Decimal("0.412")

    @pytest.mark.parametrize(
        "answers",
        [
            "unit_1=carats",
            "unit_0=ppm",
            "unit_77=ppm",
            "tag_column=1000",
            "tag_column=99",
            "tag_column=2",
            "tag_column=x",
        ],
    )
    def test_bears_any_answer_about_the_columns(self, member, answers):
        dispatch = make_dispatch(member.member, 1)
        path = self.upload(member, dispatch, f"Sample,Au_ppm\n{tags_of(dispatch)[0]},4.1\n").url
        assert member.get(f"{path}&{answers}").status_code == 200
        assert not AssayReturn.objects.exists()

    def test_asks_which_column_holds_the_tags(self, member):
        dispatch = make_dispatch(member.member, 1)
        (tag,) = tags_of(dispatch)
        path = self.upload(member, dispatch, f"Alpha,Beta,Au_ppm\n7,{tag},4.1\n").url
        assert "Say which one holds the tags" in text_of(member.get(path))
        assert f"{tag} {dispatch.samples.get().lot.code} 4.1 ppm" in text_of(
            member.get(f"{path}&tag_column=2")
        )
        assert self.store(member, f"{path}&tag_column=2").status_code == 302

    def test_leaves_out_other_tags_only_when_told_to(self, member):
        dispatch = make_dispatch(member.member, 1)
        text = f"Sample,Au_ppm\n{tags_of(dispatch)[0]},4.1\nSTD-7,9.31\n"
        path = self.upload(member, dispatch, text).url
        assert "Not a tag of this dispatch: STD-7" in text_of(member.get(path))
        response = self.store(member, path)
        assert "STD-7" in response.context["form"].errors["leave_out_unknown"][0]
        assert not AssayReturn.objects.exists()
        assert self.store(member, path, leave_out_unknown="on").status_code == 302
        assert Reading.objects.count() == 1

    def test_refuses_a_file_of_other_samples(self, member):
        dispatch, other = make_dispatch(member.member, 1), make_dispatch(member.member, 1)
        path = self.upload(member, dispatch, f"Sample,Au_ppm\n{tags_of(other)[0]},4.1\n").url
        assert "None of these tags" in text_of(self.store(member, path, leave_out_unknown="on"))
        assert not AssayReturn.objects.exists()

    def test_stores_nothing_of_a_file_with_a_figure_it_does_not_understand(self, member):
        dispatch = make_dispatch(member.member, 2)
        a, b = tags_of(dispatch)
        path = self.upload(member, dispatch, f"Sample,Au_ppm\n{a},4.1\n{b},a little\n").url
        assert "not understood" in text_of(member.get(path))
        response = self.store(member, path, keep_as_typed="on")
        assert "is not understood" in text_of(response)
        assert not AssayReturn.objects.exists()

    def test_asks_about_a_unit_slip_and_keeps_what_was_typed(self, member):
        dispatch = make_dispatch(member.member, 3)
        a, b, c = tags_of(dispatch)
        path = self.upload(member, dispatch, f"Sample,Au_ppm\n{a},4.1\n{b},3.0\n{c},3600\n").url
        response = self.store(member, path, certificate_number="INV-77")
        assert "Was ppb taken for ppm" in text_of(response)
        assert response.context["form"]["certificate_number"].value() == "INV-77"
        assert not AssayReturn.objects.exists()
        assert self.store(member, path, keep_as_typed="on").status_code == 302

    @pytest.mark.parametrize(
        ("fields", "field"),
        [
            ({"certificate_number": ""}, "certificate_number"),
            ({"reported_on": ""}, "reported_on"),
            ({"reported_on": "2026-05-03"}, "reported_on"),
            ({"identity": "nonsense"}, "identity"),
        ],
    )
    def test_refuses_beside_the_field(self, member, fields, field):
        dispatch = make_dispatch(member.member, 1)
        path = self.upload(member, dispatch, f"Sample,Au_ppm\n{tags_of(dispatch)[0]},4.1\n").url
        assert self.store(member, path, **fields).context["form"].errors[field]
        assert not AssayReturn.objects.exists()

    def test_shows_a_held_file_to_nobody_else(self, member, client_as):
        dispatch = make_dispatch(member.member, 1)
        path = self.upload(member, dispatch, f"Sample,Au_ppm\n{tags_of(dispatch)[0]},4.1\n").url
        other = client_as("member")
        for response in (other.get(path), self.store(other, path)):
            assert response.url == self.path(dispatch)
        assert not AssayReturn.objects.exists()

    @pytest.mark.parametrize("sha256", ["..%2Fsecret_key", "x", "0" * 64, "%00", "a" * 5000])
    def test_bears_any_name_of_a_held_file(self, member, sha256):
        dispatch = make_dispatch(member.member, 1)
        assert member.get(f"{self.path(dispatch)}?file={sha256}").url == self.path(dispatch)

    @pytest.mark.parametrize("name", ["", "%00", "..%2F..%2Fx%00%0A.csv", "x" * 500 + ".csv"])
    def test_stores_a_plain_name_whatever_the_address_says(self, member, name):
        dispatch = make_dispatch(member.member, 1)
        path = self.upload(member, dispatch, f"Sample,Au_ppm\n{tags_of(dispatch)[0]},4.1\n").url
        response = self.store(member, path.split("&name=")[0] + f"&name={name}")
        assert response.status_code == 302
        kept = AssayReturn.objects.get().file_name
        assert kept.isprintable()
        assert "/" not in kept
        assert 0 < len(kept) <= 120

    def test_bears_a_hostile_file_name_and_cell(self, member):
        dispatch = make_dispatch(member.member, 1)
        text = f"Sample,Au_ppm,<script>alert(1)</script>\n{tags_of(dispatch)[0]},4.1,=1+1\n<b>x7</b>,1.0,\n"
        path = self.upload(member, dispatch, text, name='"><script>x.csv').url
        page = member.get(path).content.decode()
        assert "<script>alert" not in page
        assert "<script>x" not in page
        assert "<b>x7" not in page


class TestReturnPage:
    def test_sets_printed_beside_understood(self, member, django_assert_max_num_queries):
        dispatch = make_dispatch(member.member, 12)
        tags = tags_of(dispatch)
        lines = "".join(f"{tag},{410 + n}\n" for n, tag in enumerate(tags[1:]))
        assay_return = make_return(dispatch, f"Sample,Au_ppb\n{tags[0]},<5\n{lines}")
        with django_assert_max_num_queries(8):
            response = member.get(assay_return.get_absolute_url())
        words = text_of(response)
        lot = dispatch.samples.get(tag=tags[0]).lot
        assert f"{tags[0]} {lot.code} {lot.title} not named <5 ppb below 0.005 g/t (not zero) in use" in words
        assert lot.get_absolute_url() in response.content.decode()

    def test_gives_the_file_back_as_it_came_and_lets_no_browser_show_it(self, member):
        dispatch = make_dispatch(member.member, 1)
        text = f"Sample,Au_ppm\r\n{tags_of(dispatch)[0]},4.10\r\n"
        response = member.get(reverse("return-file", args=[make_return(dispatch, text).pk]))
        assert response.content == text.encode()
        assert response["Content-Type"] == "text/csv"
        assert response["Content-Disposition"] == 'attachment; filename="INV-1.csv"'
        assert response["X-Content-Type-Options"] == "nosniff"
        assert response["Content-Security-Policy"] == "sandbox"

    def test_has_no_file_where_it_was_typed_in(self, member):
        dispatch = make_dispatch(member.member, 1)
        assay_return = make_return(dispatch, f"Sample,Au_ppm\n{tags_of(dispatch)[0]},4.1\n")
        AssayReturn.objects.filter(pk=assay_return.pk).update(file_name="", file_bytes=None, file_sha256=None)
        path = reverse("return-file", args=[assay_return.pk])
        assert member.get(path).status_code == 404
        assert path not in member.get(assay_return.get_absolute_url()).content.decode()


class TestChoosing:
    @pytest.fixture
    def sample(self, member) -> Sample:
        dispatch = make_dispatch(member.member, 2)
        a, b = tags_of(dispatch)
        make_return(dispatch, f"Sample,Au_ppm\n{a},>10\n{a},9.3\n{a},NSS\n{b},1.1\n")
        return dispatch.samples.get(tag=a)

    def post(self, client, sample, **fields):
        body = {"identity": uuid4(), "reason": "the first was over the limit"}
        return client.post(reverse("reading-choose", args=[sample.pk]), body | fields)

    def test_offers_the_readings_that_say_something(self, member, sample, django_assert_max_num_queries):
        with django_assert_max_num_queries(10):
            words = text_of(member.get(reverse("reading-choose", args=[sample.pk])))
        assert "above 10.0 g/t (upper limit) (in use now) printed >10 ppm" in words
        assert "9.3 g/t printed 9.3 ppm" in words
        assert "NSS" not in words

    def test_puts_the_chosen_one_in_use_once(self, member, sample):
        reading = sample.readings.get(raw_text="9.3")
        identity = uuid4()
        for _ in range(2):
            response = self.post(member, sample, reading=reading.pk, identity=identity)
            assert response.url == sample.dispatch.get_absolute_url()
        sample.refresh_from_db()
        assert sample.reading_in_use == reading
        assert "chosen by hand: the first was over the limit" in text_of(member.get(response.url))

    @pytest.mark.parametrize(
        ("which", "fields", "field"),
        [
            ("9.3", {"reason": ""}, "reason"),
            ("9.3", {"reason": "x" * 201}, "reason"),
            (">10", {}, "reading"),
            ("1.1", {}, "reading"),
            ("NSS", {}, "reading"),
            (None, {}, "reading"),
            (None, {"reading": "x"}, "reading"),
            (None, {"reading": "9" * 30}, "reading"),
        ],
    )
    def test_refuses_beside_the_field(self, member, sample, which, fields, field):
        chosen = {"reading": Reading.objects.get(raw_text=which).pk} if which else {}
        response = self.post(member, sample, **(chosen | fields))
        assert response.status_code == 200
        assert response.context["form"].errors[field]
        sample.refresh_from_db()
        assert sample.reading_in_use.raw_text == ">10"
