"""The invented certificates and other layouts through the pages: previewed, settled, corrected, stored."""

import datetime
import io
import json
from decimal import Decimal
from pathlib import Path
from uuid import uuid4

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from prospecting.actions import assays, values
from prospecting.models import AssayReturn, ColumnReading, Dispatch, JournalEntry, Reading, Sample
from prospecting.readers.certificate_csv import read_certificate
from tests.make import make_material
from tests.prospecting.views.test_assays import make_dispatch, tags_of, text_of

CERTIFICATES = Path(__file__).parents[3] / "fixtures" / "certificates"
pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def data_folder(settings, tmp_path):
    settings.DATA_DIR = tmp_path
    return tmp_path


@pytest.fixture
def member(client_as):
    return client_as("member", grade_unit="g_per_t")


def invented(name: str) -> bytes:
    return (CERTIFICATES / f"invented_certificate_{name}").read_bytes()


def dispatch_of(member, tags: list[str], **fields) -> Dispatch:
    """A dispatch whose samples bear the tags of an invented certificate."""
    dispatch = make_dispatch(member.member, len(tags), **fields)
    for sample, tag in zip(dispatch.samples.order_by("tag"), tags, strict=True):
        Sample.objects.filter(pk=sample.pk).update(tag=tag)
    return dispatch


def make_check(dispatch: Dispatch, tag: str, **fields) -> Sample:
    """Turn one sample of the dispatch into a check; its split stays behind."""
    Sample.objects.filter(dispatch=dispatch, tag=tag).update(lot=None, **fields)
    return dispatch.samples.get(tag=tag)


def path_of(dispatch: Dispatch) -> str:
    return reverse("return-read", args=[dispatch.pk])


def upload(client, dispatch, data: bytes | str, name: str = "INV.csv") -> str:
    """Give a file; returns the address of its preview."""
    data = data if isinstance(data, bytes) else data.encode()
    response = client.post(path_of(dispatch), {"identity": uuid4(), "upload": SimpleUploadedFile(name, data)})
    assert response.status_code == 302, text_of(response)
    return response.url


def paste(client, dispatch, text: str) -> str:
    response = client.post(path_of(dispatch), {"identity": uuid4(), "pasted": text})
    assert response.status_code == 302, text_of(response)
    return response.url


def store(client, path: str, **fields):
    body = {"identity": uuid4(), "certificate_number": "INV-1", "reported_on": "2026-11-02"}
    return client.post(path, body | fields)


def keep(client, path: str, **fields) -> AssayReturn:
    """Store with every question answered."""
    response = store(client, path, keep_as_typed="on", **fields)
    assert response.status_code == 302, text_of(response)
    return AssayReturn.objects.latest("pk")


def printed(assay_return: AssayReturn) -> list[tuple]:
    return [
        (each.sample.tag, each.method, each.raw_text, each.symbol, each.grade_g_per_t or each.limit_g_per_t)
        for each in assay_return.readings.select_related("sample").order_by("line_number", "order")
    ]


class TestInventedCertificates:
    def test_spreadsheet_with_merged_titles_and_two_methods(self, member, django_assert_max_num_queries):
        tags = ["276756", "343577", "776947", "843898", "865226", "743578"]
        dispatch = dispatch_of(member, tags)
        path = upload(member, dispatch, invented("two_methods.xlsx"), "INV-3.xlsx")
        with django_assert_max_num_queries(15):
            response = member.get(path)
        words = text_of(response)
        assert "AAS finish (ppm); weighed bead (g/t); AAS finish, repeat (ppm)" in words
        assert "Read from sheet Results." in words
        assert "a formula without a saved value" in words
        assert response.context["form"]["reported_on"].value() == datetime.date(2026, 6, 2)
        stored = keep(member, path, certificate_number="INV-3-0044")
        figures = [each for each in printed(stored) if each[3] != "blank cell"]
        assert figures == [
            ("276756", "AAS finish", "4.20", "value", Decimal("4.2")),
            ("276756", "AAS finish, repeat", "3.90", "value", Decimal("3.9")),
            ("343577", "AAS finish", "<0.005", "below", Decimal("0.005")),
            ("776947", "AAS finish", ">10", "above", Decimal(10)),
            ("776947", "weighed bead", "38.6", "value", Decimal("38.6")),
            ("776947", "AAS finish, repeat", ">10", "above", Decimal(10)),
            ("843898", "AAS finish", "NSS", "not enough sample", None),
            ("865226", "AAS finish", "0.380", "value", Decimal("0.38")),
            ("743578", "AAS finish", "LNR", "not received", None),
            ("743578", "weighed bead", "LNR", "not received", None),
        ]
        kept = member.get(reverse("return-file", args=[stored.pk]))
        assert kept.content == invented("two_methods.xlsx")
        assert kept["Content-Type"].endswith("spreadsheetml.sheet")
        assert kept["Content-Disposition"] == 'attachment; filename="INV-3.xlsx"'

    def test_screen_fire_assay_is_stored_by_its_parts(self, member):
        dispatch = dispatch_of(member, ["758463", "358492", "363486", "696493"], method="screen_fire")
        path = upload(member, dispatch, invented("screen.csv"))
        words = text_of(member.get(path))
        assert "Column 3 (Mass (g)) is the mass of the plus fraction in g." in words
        assert "plus fraction of 31.40 g" in words
        stored = keep(member, path, certificate_number="INV-4-SF-12")
        parts = stored.readings.filter(sample__tag="363486").order_by("order")
        assert [(each.fraction, each.fraction_mass_g, each.raw_text, each.unit) for each in parts] == [
            ("plus", Decimal("33.1"), "11.86", "mg"),
            ("minus", Decimal("976.9"), "7.75", "ppm"),
            ("minus", Decimal("976.9"), "8.02", "ppm"),
            ("", None, "19.37", "ppm"),
        ]
        # 11.86 mg in 33.10 g, by hand: 358.308 g/t.
        assert parts[0].grade_g_per_t == Decimal("358.308157")
        # And from the parts the whole: (11.86 + 7.885 x 0.9769) mg in 1.010 kg, by hand 19.369 g/t.
        sample = dispatch.samples.get(tag="363486")
        assert sample.in_use_rule == Sample.Rule.SCREEN
        assert sample.in_use_g_per_t == pytest.approx(Decimal("19.369"), abs=Decimal("0.001"))

    def test_worked_example_of_a_screen_fire_assay_comes_out(self, member):
        """fixtures/reference/grade_sampling_assay.json, case c05: mass-weighted plus and minus (as Beringer 1904)."""
        cases = json.loads((CERTIFICATES.parent / "reference" / "grade_sampling_assay.json").read_text())
        found = next(each for each in cases if each["id"] == "c05")
        given, wanted = found["inputs"], found["expected"]
        dispatch = make_dispatch(member.member, 1, method="screen_fire")
        (tag,) = tags_of(dispatch)
        first, second = given["minus_assays_g_per_t"]
        text = (
            "Sample;Plus wt g;Au plus mg;Minus wt g;Au minus g/t;Au minus repeat g/t\n"
            f"{tag};{given['plus_mass_g']};{given['plus_gold_mg']};{given['minus_mass_g']};{first};{second}\n"
        )
        stored = keep(member, upload(member, dispatch, text))
        plus = stored.readings.get(fraction="plus")
        assert float(plus.grade_g_per_t) == pytest.approx(wanted["plus_grade_g_per_t"], abs=1e-6)
        # The books keep a millionth of a g/t.
        assert float(dispatch.samples.get().in_use_g_per_t) == pytest.approx(
            wanted["total_grade_g_per_t"], abs=1e-6
        )

    def test_pasted_table_in_blanks_with_units_in_a_row(self, member, data_folder):
        dispatch = dispatch_of(member, ["259582", "842282", "327529", "533998", "992489"])
        text = invented("pasted.txt").decode()
        path = paste(member, dispatch, text)
        words = text_of(member.get(path))
        assert "5 rows, gold in 2 columns" in words
        assert "Laboratory's own checks" in words
        stored = keep(member, path, certificate_number="INV-5-310")
        figures = [(tag, raw, grade) for tag, _, raw, symbol, grade in printed(stored) if raw]
        assert figures == [
            ("259582", "3850", Decimal("3.85")),
            ("259582", "3910", Decimal("3.91")),
            ("842282", "<5", Decimal("0.005")),
            ("327529", "12400", Decimal("12.4")),
            ("327529", "11800", Decimal("11.8")),
            ("533998", "760", Decimal("0.76")),
            ("992489", "LNR", None),
        ]
        kept = member.get(reverse("return-file", args=[stored.pk]))
        assert kept["Content-Type"] == "text/plain"
        assert stored.file_name == "pasted.txt"
        assert kept.content.decode().split() == text.split()

    def test_a_failed_blank_is_read_and_marks_its_return(self, member):
        tags = ["865258", "729253", "356723", "785658", "269258", "846944", "547889"]
        dispatch = dispatch_of(member, tags)
        blank = make_material("blank", member=member.member)
        make_check(dispatch, "729253", kind="blank", material=blank)
        path = upload(member, dispatch, invented("failed_blank.csv"))
        assert "coarse blank" in text_of(member.get(path))
        stored = keep(member, path, certificate_number="INV-6-77")
        # 0.62 g/t is 124 times the limit of 0.005 g/t; over ten times it fails by any custom of the trade.
        assert stored.checks_state == AssayReturn.Checks.FAILED

    @pytest.mark.parametrize(
        ("name", "tags", "rows"),
        [
            ("plain.csv", ["234566", "234577", "345672", "456789"], 4),
            ("header_block.csv", ["234566", "234577", "345672", "456789", "567893", "678924"], 8),
            ("semicolon.csv", ["234566", "234577", "345672", "456789"], 4),
        ],
    )
    def test_text_certificates(self, member, name, tags, rows):
        dispatch = dispatch_of(member, tags)
        path = upload(member, dispatch, invented(name))
        if name == "semicolon.csv":
            path += "&unit_2=troy+oz+per+short+ton"
        assert f"{rows} rows" in text_of(member.get(path))
        stored = keep(member, path)
        assert stored.readings.values("line_number").distinct().count() == rows


class TestColumnsSaidByHand:
    TEXT = "What,Weighed,Result\n{0},1.2,4.1\n{1},1.3,<0.005\n"

    def test_asks_by_the_titles_where_none_names_gold_and_remembers(self, member):
        dispatch = make_dispatch(member.member, 2)
        path = upload(member, dispatch, self.TEXT.format(*tags_of(dispatch)))
        response = member.get(path)
        assert "If one of the columns below is gold, say which." in text_of(response)
        assert "Store this return" not in text_of(response)
        fields = response.context["columns"].fields
        assert list(fields) == ["title_line", "tag_column", "as_0", "as_1", "as_2"]
        said = f"{path}&title_line=1&tag_column=1&as_2=gold"
        assert "no unit is printed; say which it is" in text_of(member.get(said))
        said += "&unit_2=ppm&method_2=fire+assay+30+g"
        stored = keep(member, said)
        assert [each[1:3] for each in printed(stored)] == [
            ("fire assay 30 g", "4.1"),
            ("fire assay 30 g", "<0.005"),
        ]
        settled = ColumnReading.objects.get()
        assert settled.settled_by == member.member
        assert "title_line" not in settled.answers
        assert JournalEntry.objects.about(dispatch.laboratory).filter(what__contains="settled").exists()

        # The next file of this laboratory, with a line above its titles, needs no answer.
        second = make_dispatch(member.member, 2)
        path = upload(member, second, "Job,INV-9\n\n" + self.TEXT.format(*tags_of(second)))
        words = text_of(member.get(path))
        assert f"as settled by {member.member}" in words
        assert "fire assay 30 g (ppm)" in words
        assert keep(member, path).readings.count() == 2
        assert ColumnReading.objects.count() == 1
        assert "If one of the columns below is gold" in text_of(
            member.get(
                upload(member, make_dispatch(member.member, 1), self.TEXT.format("234566", "234577"))
                + "&plain=1"
            )
        )

    def test_another_laboratory_is_asked_anew(self, member):
        dispatch = make_dispatch(member.member, 2)
        path = upload(member, dispatch, self.TEXT.format(*tags_of(dispatch)))
        keep(member, f"{path}&title_line=1&tag_column=1&as_2=gold&unit_2=ppm")
        other = assays.Laboratory.objects.create(name="Another Invented Laboratory")
        second = make_dispatch(member.member, 2)
        Dispatch.objects.filter(pk=second.pk).update(laboratory=other)
        words = text_of(member.get(upload(member, second, self.TEXT.format(*tags_of(second)))))
        assert "as settled by" not in words

    def test_what_was_settled_may_be_changed(self, member):
        first, second = make_dispatch(member.member, 1), make_dispatch(member.member, 1)
        text = "Sample,Au ppm,Au check ppm\n{},4.1,3.9\n"
        keep(
            member, upload(member, first, text.format(*tags_of(first))) + "&tag_column=1&as_1=gold&as_2=other"
        )
        assert Reading.objects.count() == 1
        path = upload(member, second, text.format(*tags_of(second)))
        assert "gold in 1 column" in text_of(member.get(path))
        keep(member, path + "&tag_column=1&as_1=gold&as_2=repeat")
        assert ColumnReading.objects.get().answers["as_2"] == "repeat"
        assert Reading.objects.filter(sample__dispatch=second).count() == 2

    def test_a_column_may_be_taken_for_a_part_of_a_screen_assay(self, member):
        dispatch = make_dispatch(member.member, 1)
        (tag,) = tags_of(dispatch)
        path = upload(member, dispatch, f"Sample,A,B,C,Au ppm\n{tag},30,1.2,970,4\n")
        said = (
            "&tag_column=1&as_1=plus_mass&unit_1=g&as_2=plus_gold&unit_2=mg"
            "&as_3=minus_mass&unit_3=g&as_4=minus_grade&unit_4=ppm"
        )
        stored = keep(member, path + said)
        assert [
            (each.fraction, each.fraction_mass_g, each.grade_g_per_t)
            for each in stored.readings.order_by("order")
        ] == [("plus", 30, 40), ("minus", 970, 4)]

    @pytest.mark.parametrize(
        "said",
        [
            "as_1=nonsense",
            "as_1=gold&unit_1=mg",
            "as_99=gold",
            "as_0=gold&tag_column=1",
            "as_1=other",
            "as_1=plus_gold",
            "title_line=999&as_1=gold",
            "title_line=2&as_1=gold",
            "sheet=None",
            "method_1=" + "x" * 500,
            "tag_column=%F0%9F%98%80",
        ],
    )
    def test_bears_any_answer(self, member, said):
        dispatch = make_dispatch(member.member, 1)
        path = upload(member, dispatch, f"Sample,Au_ppm\n{tags_of(dispatch)[0]},4.1\n")
        assert member.get(f"{path}&{said}").status_code == 200
        assert store(member, f"{path}&{said}", keep_as_typed="on").status_code in (200, 302)


class TestPasting:
    def test_takes_tabs_as_a_spreadsheet_copies_them(self, member):
        dispatch = make_dispatch(member.member, 2)
        a, b = tags_of(dispatch)
        stored = keep(member, paste(member, dispatch, f"Sample\tAu ppm\r\n{a}\t4.1\r\n{b}\t<0.005\r\n"))
        assert [each[2] for each in printed(stored)] == ["4.1", "<0.005"]

    def test_refuses_both_and_neither(self, member):
        dispatch = make_dispatch(member.member, 1)
        body = {"identity": uuid4(), "pasted": "  \n "}
        assert member.post(path_of(dispatch), body).context["form"].errors["upload"]
        body = {"identity": uuid4(), "pasted": "x", "upload": SimpleUploadedFile("a.csv", b"y")}
        response = member.post(path_of(dispatch), body)
        assert response.context["form"].errors["pasted"] == ["Give the file or the pasted table, not both."]
        assert response.context["form"]["pasted"].value() == "x"


class TestRevisedCertificate:
    TAGS = ["234566", "234577", "345672", "456789", "567893", "678924"]

    @pytest.fixture
    def first(self, member) -> AssayReturn:
        dispatch = dispatch_of(member, self.TAGS)
        Dispatch.objects.filter(pk=dispatch.pk).update(sent_on=datetime.date(2026, 9, 10))
        path = upload(member, dispatch, invented("header_block.csv"))
        return keep(member, path, certificate_number="INV-2026-014", reported_on="2026-10-06")

    def preview(self, member, first: AssayReturn) -> str:
        return upload(member, first.dispatch, invented("header_block_revised.csv"), "rev.csv")

    def test_shows_what_changes_figure_by_figure(self, member, first, django_assert_max_num_queries):
        path = self.preview(member, first)
        with django_assert_max_num_queries(20):
            response = member.get(path)
        revision = response.context["beside"].revision
        assert revision.replaced == first
        assert [(each.sample.tag, each.method, each.before, each.after) for each in revision.changes] == [
            ("234577", "FA30-AAS", "<0.005 ppm", "0.034 ppm"),
            ("345672", "FA30-GRAV", "38.6 g/t", "36.8 g/t"),
        ]
        assert "234577 FA30-AAS <0.005 ppm 0.034 ppm" in text_of(response)
        assert response.context["form"]["replaces"].value() == str(first.pk)
        assert response.context["form"]["certificate_number"].value() == "INV-2026-014 Rev 1"

    def test_asks_and_then_lets_the_earlier_readings_count_no_longer(self, member, first):
        path = self.preview(member, first)
        response = store(member, path, certificate_number="INV-2026-014 Rev 1", replaces=first.pk)
        assert "It takes the place of certificate INV-2026-014: 2 readings changed" in text_of(response)
        assert AssayReturn.objects.count() == 1
        revised = keep(member, path, certificate_number="INV-2026-014 Rev 1", replaces=first.pk)
        assert revised.replaces == first
        assert first.readings.count() == 16
        sample = Sample.objects.get(tag="234577")
        assert sample.in_use_g_per_t == Decimal("0.034")
        words = text_of(member.get(first.get_absolute_url()))
        assert "corrects this one: these readings are kept and count no longer" in words
        assert "Corrects certificate INV-2026-014" in text_of(member.get(revised.get_absolute_url()))

    def test_names_what_was_chosen_by_hand_from_it(self, member, first):
        sample = Sample.objects.get(tag="234566")
        chosen = sample.readings.get(raw_text="3.75")
        values.choose_reading(sample=sample, reading=chosen, reason="fresh charge", chosen_by=member.member)
        path = self.preview(member, first)
        assert "Chosen by hand from the earlier certificate, so to be looked at again: 234566" in text_of(
            member.get(path)
        )
        response = store(member, path, certificate_number="R", replaces=first.pk)
        assert "By hand a reading of certificate INV-2026-014 was put in use for 234566" in text_of(response)
        keep(member, path, certificate_number="R", replaces=first.pk)
        sample.refresh_from_db()
        assert sample.in_use_rule == Sample.Rule.FIRST
        assert sample.reading_in_use.assay_return.replaces == first

    def test_a_corrected_paper_may_be_typed_in(self, member, first):
        path = reverse("return-type", args=[first.dispatch_id])
        assert "Does it correct an earlier certificate?" in text_of(member.get(path))
        sample = Sample.objects.get(tag="234577")
        body = {
            "identity": uuid4(),
            "certificate_number": "INV-2026-014 corrected",
            "reported_on": "2026-10-20",
            "replaces": first.pk,
            "keep_as_typed": "on",
            "unit": "ppm",
            f"printed_{sample.pk}": "0.034",
        }
        assert member.post(path, body).status_code == 302
        sample.refresh_from_db()
        assert sample.in_use_g_per_t == Decimal("0.034")
        assert Sample.objects.get(tag="234566").in_use_symbol == ""

    def test_may_stand_beside_the_earlier_one(self, member, first):
        path = self.preview(member, first)
        beside = keep(member, path, certificate_number="INV-2026-015", replaces="")
        assert beside.replaces is None
        assert Sample.objects.get(tag="234577").in_use_symbol == "below"

    def test_the_same_number_gets_a_word_that_tells_it_apart(self, member, first):
        text = invented("header_block.csv").replace(b"38.6", b"36.8")
        response = member.get(upload(member, first.dispatch, text, "again.csv"))
        form = response.context["form"]
        assert form["certificate_number"].value() == "INV-2026-014, revised"
        assert form["replaces"].value() == str(first.pk)

    def test_refuses_one_that_is_corrected_already_or_of_another_dispatch(self, member, first):
        revised = keep(member, self.preview(member, first), certificate_number="R1", replaces=first.pk)
        with pytest.raises(assays.Refused, match="corrected already"):
            assays.store_typed_return(
                dispatch=first.dispatch,
                rows=read_certificate(invented("plain.csv")).rows,
                certificate_number="R2",
                reported_on=datetime.date(2026, 11, 1),
                replaces=first,
                recorded_by=member.member,
            )
        other = make_dispatch(member.member, 1)
        path = upload(member, other, f"Sample,Au_ppm\n{tags_of(other)[0]},4.1\n")
        assert store(member, path, replaces=revised.pk).status_code == 302
        assert AssayReturn.objects.latest("pk").replaces is None


class TestSameFiguresAgain:
    def test_are_named_under_whatever_file_they_come(self, member):
        dispatch = make_dispatch(member.member, 2)
        a, b = tags_of(dispatch)
        keep(member, upload(member, dispatch, f"Sample,Au_ppm\n{a},4.1\n{b},<0.005\n"))
        path = upload(member, dispatch, f"Tag;Gold ppb\n{b};<5\n{a};4100\n", "other.csv")
        asked = "Every figure of this file is stored already, as certificate INV-1. Is it a second copy?"
        assert asked in text_of(member.get(path))
        assert asked in text_of(store(member, path, certificate_number="INV-2"))
        assert AssayReturn.objects.count() == 1

    def test_a_new_figure_is_no_copy(self, member):
        dispatch = make_dispatch(member.member, 2)
        a, b = tags_of(dispatch)
        keep(member, upload(member, dispatch, f"Sample,Au_ppm\n{a},4.1\n"))
        path = upload(member, dispatch, f"Sample,Au_ppm\n{a},4.1\n{b},3.0\n")
        assert "second copy" not in text_of(member.get(path))


class TestUnitJumps:
    def questions(self, member, dispatch, text: str) -> list[str]:
        return member.get(upload(member, dispatch, text)).context["beside"].questions

    def test_shows_against_the_certified_grade(self, member):
        dispatch = make_dispatch(member.member, 2)
        a, b = tags_of(dispatch)
        material = make_material(member=member.member)
        make_check(dispatch, b, kind="reference", material=material)
        high = material.certified_g_per_t * 1000
        (question,) = self.questions(member, dispatch, f"Sample,Au_ppm\n{a},4100\n{b},{high}\n")
        assert question.startswith(
            "Column 2 (Au_ppm) is about a thousand times more than the certified grade"
        )
        low = material.certified_g_per_t * 7 / 240
        (question,) = self.questions(member, dispatch, f"Sample,Au_ppm\n{a},4.1\n{b},{low:.5f}\n")
        assert "about 34 times less than the certified grade" in question
        assert self.questions(member, dispatch, f"Sample,Au_ppm\n{a},4.1\n{b},{high / 1000}\n") == []

    def test_shows_against_the_column_before(self, member):
        dispatch = make_dispatch(member.member, 2)
        a, b = tags_of(dispatch)
        (question,) = self.questions(
            member, dispatch, f"Sample,Au FA ppm,Au grav ppm\n{a},4.1,3900\n{b},1.2,1300\n"
        )
        assert question.startswith(
            "Column 3 (Au grav ppm) is about a thousand times more than the column before"
        )

    def test_shows_against_what_counts_of_the_same_zones(self, member):
        first, second = make_dispatch(member.member, 1), make_dispatch(member.member, 1)
        zone = first.samples.get().lot.origins.get().dig.zone
        second.samples.get().lot.origins.get().dig.__class__.objects.filter(
            origins__lot__sample__dispatch=second
        ).update(zone=zone)
        keep(member, upload(member, first, f"Sample,Au_ppm\n{tags_of(first)[0]},4.1\n"))
        (question,) = self.questions(member, second, f"Sample,Au_ppm\n{tags_of(second)[0]},3800\n")
        assert "what counts of other samples from the same zones" in question
        assert self.questions(member, second, f"Sample,Au_ppm\n{tags_of(second)[0]},38\n") == []


class TestSpreadsheets:
    def book(self, *rows, formats=(), sheets=()) -> bytes:
        from openpyxl import Workbook

        book = Workbook()
        for row in rows:
            book.active.append(row)
        for cell, number_format in formats:
            book.active[cell].number_format = number_format
        for name, more in sheets:
            sheet = book.create_sheet(name)
            for row in more:
                sheet.append(row)
        held = io.BytesIO()
        book.save(held)
        return held.getvalue()

    def test_asks_which_of_two_sheets(self, member):
        dispatch = make_dispatch(member.member, 1)
        tag = int(tags_of(dispatch)[0])
        data = self.book(
            ["Sample", "Au ppm"], [tag, 4.1], sheets=[("Again", [["Sample", "Au ppb"], [tag, 3900]])]
        )
        path = upload(member, dispatch, data, "x.xlsx")
        assert "Only sheet Sheet is read; a table of gold stands also on Again." in text_of(member.get(path))
        assert "3900 ppb" in text_of(member.get(f"{path}&sheet=Again"))
        keep(member, f"{path}&sheet=Again")
        assert Reading.objects.get().grade_g_per_t == Decimal("3.9")

    def test_what_was_settled_holds_on_another_sheet_too(self, member):
        first, second = make_dispatch(member.member, 1), make_dispatch(member.member, 1)
        other = ("Notes", [["Sample", "Cu ppm"], [1, 2]])
        previews = []
        for dispatch in (first, second):
            (tag,) = tags_of(dispatch)
            data = self.book(["What", "Result"], [int(tag), 4.1], sheets=[other])
            previews.append(upload(member, dispatch, data, "x.xlsx"))
        keep(member, previews[0] + "&title_line=1&sheet=Sheet&tag_column=1&as_1=gold&unit_1=ppm")
        words = text_of(member.get(previews[1] + "&sheet=Sheet"))
        assert "as settled by" in words
        assert "4.1 ppm" in words

    def test_a_formula_of_gold_without_a_value_is_refused(self, member):
        dispatch = make_dispatch(member.member, 1)
        tag = int(tags_of(dispatch)[0])
        path = upload(member, dispatch, self.book(["Sample", "Au ppm"], [tag, "=2*2"]), "x.xlsx")
        words = text_of(store(member, path, keep_as_typed="on"))
        assert "is not understood" in words
        assert not AssayReturn.objects.exists()

    def test_says_what_an_open_document_or_a_packed_file_is(self, member):
        import zipfile

        held = io.BytesIO()
        with zipfile.ZipFile(held, "w") as packed:
            packed.writestr("content.xml", "<x/>")
        path = upload(member, make_dispatch(member.member, 1), held.getvalue(), "x.ods")
        assert "no spreadsheet of the .xlsx kind" in text_of(member.get(path))


def test_the_guest_reads_no_file(client_as):
    member = client_as("member")
    dispatch = make_dispatch(member.member, 1)
    path = upload(member, dispatch, f"Sample,Au_ppm\n{tags_of(dispatch)[0]},4.1\n")
    assert client_as("guest").get(path).status_code == 403
