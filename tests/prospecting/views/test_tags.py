import re
import time
from urllib.parse import urlencode

import pytest
from django.urls import reverse

from prospecting.calc.codes import CHECK_LETTERS, check_letter
from prospecting.forms.tags import MOST_TAGS, MOST_TYPED, Collected
from prospecting.models import Lot
from tests.make import make_blend, make_lot, make_portions, make_zone

pytestmark = pytest.mark.django_db
PLAIN = {"print": "1", "sheet": "a4-3x8", "first_label": "1"}


def wrong_letter(lot: Lot) -> str:
    return lot.code[:-1] + next(letter for letter in CHECK_LETTERS if letter != lot.code[-1])


def drawn(page) -> list[str]:
    """The codes of the tags on the sheets, in their order."""
    return re.findall(r'data-tag="([^"]+)"', page.content.decode())


class TestSheets:
    @pytest.fixture
    def client(self, client_as):
        return client_as("member")

    def ask(self, client, **asked):
        page = client.get(reverse("lot-tags"), PLAIN | asked)
        assert page.status_code == 200
        return page

    def test_are_for_members(self, client_as, client):
        lot = make_lot()
        for url in (reverse("lot-tags"), reverse("lot-tag", args=[lot.code])):
            assert client_as("guest").get(url).status_code == 403
            assert client.get(url).status_code == 200
            assert client.post(url).status_code == 405

    def test_typed_codes_once_each_in_their_order(self, client):
        first, second, third = make_lot(), make_lot(), make_lot()
        typed = f"{third.code.lower()}\n{first.code.replace('-', ' ')}, {third.code} ;{second.code}"
        assert drawn(self.ask(client, codes=typed)) == [third.code, first.code, second.code]
        assert drawn(self.ask(client, codes=f"{first.code} {second.code}")) == [first.code, second.code]

    def test_all_portions_of_a_cut_in_their_order(self, client, django_assert_max_num_queries):
        portions = make_portions(make_lot("10000"), 12)
        with django_assert_max_num_queries(20):
            page = self.ask(client, step=portions[0].made_by.pk)
        assert drawn(page) == [portion.code for portion in portions]
        assert "Portion 12" in page.content.decode()

    def test_lots_on_hand_of_a_kind_and_of_a_zone(self, client):
        north, creek = make_zone(), make_zone()
        first, second = make_lot("1000", zone=north), make_lot("1000", zone=creek)
        blend = make_blend((first, "1000"), (second, "400"))
        assert drawn(self.ask(client, kind="bucket")) == [second.code]
        assert drawn(self.ask(client, zone=north.pk)) == [blend.code]
        assert drawn(self.ask(client, zone=creek.pk)) == [second.code, blend.code]
        assert drawn(self.ask(client, zone=creek.pk, kind="blend", codes=first.code)) == [
            first.code,
            blend.code,
        ]

    def test_say_what_the_tag_is_for(self, client_as):
        lot = make_lot("10200", zone=make_zone(name="North face", stripe="e"))
        Lot.objects.filter(pk=lot.pk).update(is_marked=True)
        page = self.ask(client_as("member", mass_unit="lb"), codes=lot.code).content.decode()
        for word in (
            "North face",
            "22.49 lb",
            "3 May 2026",
            "MARKED",
            'href="#paper-e"',
            f"dig {lot.made_by.dig.pk}",
        ):
            assert word in page

    def test_step_link_offers_its_lots_and_the_newest_steps(self, client):
        old = make_lot()
        for _ in range(21):
            make_lot()
        plain = client.get(reverse("lot-tags")).context["form"].fields["step"].queryset
        assert old.made_by not in plain
        assert len(plain) == 20
        page = client.get(reverse("lot-tags"), {"step": old.made_by.pk})
        assert page.context["form"]["step"].value() == str(old.made_by.pk)
        assert f'value="{old.made_by.pk}" selected' in page.content.decode()

    def test_link_with_lots_fills_them_in(self, client):
        lots = [make_lot(), make_lot()]
        page = client.get(reverse("lot-tags") + "?" + urlencode([("lot", lot.code) for lot in lots]))
        assert page.context["form"]["codes"].value() == f"{lots[0].code}\n{lots[1].code}"

    def test_way_back_keeps_what_was_chosen(self, client):
        lot = make_lot()
        page = self.ask(client, codes=lot.code, sheet="tape-18", outlines="on").content.decode()
        back = re.search(r'href="(/lots/tags/[^"]*)">Other lots', page)[1].replace("&amp;", "&")
        form = client.get(back).context["form"]
        assert not form.is_bound
        assert (form["codes"].value(), form["sheet"].value(), form["outlines"].value()) == (
            lot.code,
            "tape-18",
            "on",
        )

    def test_start_at_the_first_free_label(self, client):
        lot = make_lot()
        page = self.ask(client, codes=lot.code, first_label="5").content.decode()
        # Fifth label of three columns, 70 by 37 mm, half a millimetre from the top: second row, second column.
        assert "translate(7000 3750)" in page

    @pytest.mark.parametrize(
        ("sheet", "style", "size"),
        [
            ("a4-3x8", "a4", '210mm" height="296.8mm'),
            ("us-letter-3x10", "us-letter", '215.9mm" height="279.2mm'),
            ("tape-12", "tape-12", '62mm" height="11.8mm'),
        ],
    )
    def test_paper_has_its_true_size_and_its_own_style_sheet(self, client, sheet, style, size):
        page = self.ask(client, codes=make_lot().code, sheet=sheet).content.decode()
        assert f"prospecting/paper/{style}.css" in page
        assert f'width="{size}"' in page

    def test_own_measures(self, client):
        own = {
            "paper": "a4",
            "columns": "2",
            "rows": "3",
            "width_mm": "80",
            "height_mm": "40,5",
            "left_mm": "12",
            "top_mm": "10",
        }
        page = self.ask(client, codes=make_lot().code, sheet="own", first_label="4", **own).content.decode()
        assert "translate(9200 5050)" in page

    @pytest.mark.parametrize(
        ("asked", "field"),
        [
            ({"codes": "BRK-47"}, "codes"),
            ({"codes": "💥"}, "codes"),
            ({"codes": "x" * 6000}, "codes"),
            ({"codes": "a\0b"}, "codes"),
            ({"step": "999999"}, "step"),
            ({"step": "-1"}, "step"),
            ({"step": "9" * 40}, "step"),
            ({"step": "two"}, "step"),
            ({"kind": "gold"}, "kind"),
            ({"zone": "999"}, "zone"),
            ({"sheet": "bogus"}, "sheet"),
            ({"first_label": "0"}, "first_label"),
            ({"first_label": "-3"}, "first_label"),
            ({"first_label": "25"}, "first_label"),
            ({"first_label": "1.5"}, "first_label"),
            ({"first_label": ""}, "first_label"),
            ({"sheet": "own"}, "columns"),
            ({"sheet": "own", "paper": "papyrus"}, "paper"),
            (
                {
                    "sheet": "own",
                    "paper": "a4",
                    "columns": "9",
                    "rows": "1",
                    "width_mm": "40",
                    "height_mm": "40",
                },
                "columns",
            ),
            (
                {
                    "sheet": "own",
                    "paper": "a4",
                    "columns": "1",
                    "rows": "1",
                    "width_mm": "5",
                    "height_mm": "40",
                },
                "width_mm",
            ),
            (
                {
                    "sheet": "own",
                    "paper": "a4",
                    "columns": "1e9",
                    "rows": "1",
                    "width_mm": "40",
                    "height_mm": "wide",
                },
                "height_mm",
            ),
        ],
    )
    def test_nonsense_is_answered_beside_its_field(self, client, asked, field):
        page = self.ask(client, **({"codes": make_lot().code} | asked))
        assert page.context["form"].errors[field]
        assert drawn(page) == []

    def test_refuse_unknown_void_and_wrong_codes_by_name(self, client):
        good, void, elsewhere = make_lot(), make_lot(), make_lot()
        Lot.objects.filter(pk=void.pk).update(is_void=True, on_hand_g=0)
        Lot.objects.filter(pk=elsewhere.pk).update(code="elsewhere")
        for bad, sentence in [
            (void.code, f"No standing lot in the books: {void.code}"),
            (elsewhere.code, f"No standing lot in the books: {elsewhere.code}"),
            (wrong_letter(good), "check letter does not fit"),
        ]:
            page = self.ask(client, codes=f"{good.code}, {bad}")
            assert sentence in page.context["form"].errors["codes"][0]
            assert page.context["form"]["codes"].value() == f"{good.code}, {bad}"

    def test_refuse_nothing_and_too_much(self, client):
        assert "no lot is chosen yet" in self.ask(client).content.decode()
        lot = make_lot("100000")
        make_portions(lot, 100, "1")
        step = lot.made_by
        copies = [
            Lot(code=f"X{number}", kind="bucket", made_by=step, mass_g=1, on_hand_g=1)
            for number in range(MOST_TAGS + 1)
        ]
        Lot.objects.bulk_create(copies)
        assert f"more than {MOST_TAGS} tags" in self.ask(client, kind="bucket").content.decode()
        assert f"more than {MOST_TAGS} tags" in self.ask(client, step=step.pk).content.decode()

    def test_refuse_more_typed_codes_than_an_address_holds(self, client):
        codes = [f"BRK-{a}{b}{c}" for a in "2345678" for b in "23456789" for c in "23456789"]
        typed = [f"{body}-{check_letter(body)}" for body in codes][: MOST_TYPED + 1]
        page = self.ask(client, codes=",".join(typed))
        assert f"At most {MOST_TYPED} codes" in page.context["form"].errors["codes"][0]

    def test_a_hundred_take_less_than_a_second(self, client, django_assert_max_num_queries):
        portions = make_portions(make_lot("100000"), 100, "454")
        asked = PLAIN | {"step": portions[0].made_by.pk}
        client.get(reverse("lot-tags"), asked)
        start = time.process_time()
        with django_assert_max_num_queries(20):
            page = client.get(reverse("lot-tags"), asked)
        assert time.process_time() - start < 1
        assert len(drawn(page)) == 100


class TestOneTag:
    def test_is_drawn_for_each_tape(self, client_as, django_assert_max_num_queries):
        lot, client = make_lot(), client_as("member")
        url = reverse("lot-tag", args=[lot.code])
        for tape, wide in [(None, "24"), ("12", "12"), ("18", "18"), ("24", "24"), ("13", "24"), ("x", "24")]:
            with django_assert_max_num_queries(20):
                page = client.get(url, {"tape": tape} if tape else {})
            assert drawn(page) == [lot.code]
            assert f"paper/tape-{wide}.css" in page.content.decode()

    def test_void_lots_have_none(self, client_as):
        lot = make_lot()
        Lot.objects.filter(pk=lot.pk).update(is_void=True, on_hand_g=0)
        assert client_as("member").get(reverse("lot-tag", args=[lot.code])).status_code == 404

    def test_warns_of_an_address_that_no_phone_knows(self, client_as, settings):
        settings.ALLOWED_HOSTS = ["*"]
        url, client = reverse("lot-tag", args=[make_lot().code]), client_as("member")
        for host, warned in [("localhost:8000", True), ("127.0.0.1", True), ("192.168.1.20", False)]:
            page = client.get(url, HTTP_HOST=host).content.decode()
            assert ("that only this machine knows" in page) == warned


class TestAddressOnTheTag:
    def test_in_capitals_opens_the_lot_once_signed_in(self, client_as, client):
        lot = make_lot()
        url = f"/LOTS/{lot.code}/"
        assert reverse("lot-from-tag", args=[lot.code]) == url
        answer = client_as("guest").get(url)
        assert (answer.status_code, answer["Location"]) == (302, lot.get_absolute_url())
        answer = client.get(url)
        assert (answer.status_code, answer["Location"]) == (302, f"/sign-in/?next={url}")


class TestScan:
    @pytest.fixture
    def client(self, client_as):
        return client_as("guest")

    def ask(self, client, **asked):
        page = client.get(reverse("lot-scan"), asked)
        assert page.status_code == 200
        return page

    def test_is_for_whoever_may_see_lots(self, client_as):
        from django.test import Client

        assert Client().get(reverse("lot-scan")).status_code == 302
        for role in ("guest", "member", "keeper"):
            assert client_as(role).get(reverse("lot-scan")).status_code == 200

    def test_typed_code_works_without_script(self, client):
        page = self.ask(client).content.decode()
        assert f'action="{reverse("lot-find")}"' in page
        assert 'name="code"' in page

    @pytest.mark.parametrize(
        "text", ["{}", "https://gold.example/lots/{}/", "HTTP://OTHER.EXAMPLE:99/LOTS/{}"]
    )
    def test_what_was_read_leads_to_the_lot_on_this_site(self, client, django_assert_max_num_queries, text):
        lot = make_lot()
        with django_assert_max_num_queries(20):
            page = self.ask(client, code=text.format(lot.code)).content.decode()
        assert f'href="{lot.get_absolute_url()}" data-opens' in page
        assert "gold.example" not in page.lower()

    @pytest.mark.parametrize(
        "text",
        [
            "https://elsewhere.example/",
            "javascript:alert(1)",
            "",
            "💥",
            "x" * 500,
            "a\0b",
            "<script>alert(1)</script>",
        ],
    )
    def test_anything_else_is_refused_in_a_sentence_and_is_no_link(self, client, text):
        page = self.ask(client, code=text)
        assert page.context["scan"].errors["code"]
        body = page.content.decode()
        assert "data-opens" not in body
        assert 'href="https://elsewhere' not in body
        assert 'href="javascript' not in body
        assert "<script>alert" not in body

    def test_wrong_check_letter_and_unknown_lot_are_told_apart(self, client):
        lot = make_lot()
        page = self.ask(client, code=f"https://gold.example/lots/{wrong_letter(lot)}/")
        assert "check letter does not fit" in page.context["scan"].errors["code"][0]
        Lot.objects.filter(pk=lot.pk).update(code="elsewhere")
        page = self.ask(client, code=lot.code)
        assert f"No lot {lot.code} is in the books" in page.context["scan"].errors["code"][0]


class TestCollecting:
    def ask(self, client, *lots, **asked):
        query = urlencode([("collect", "1"), *(("lot", lot.code) for lot in lots), *asked.items()])
        page = client.get(f"{reverse('lot-scan')}?{query}")
        assert page.status_code == 200
        return page

    def test_one_lot_after_another_without_script(self, client_as, django_assert_max_num_queries):
        first, second, client = make_lot(), make_lot(), client_as("member")
        page = self.ask(client, code=first.code)
        assert page.context["collected"].lots == [first]
        with django_assert_max_num_queries(20):
            page = self.ask(client, first, code=f"https://x.example/lots/{second.code}/")
        assert page.context["collected"].lots == [first, second]
        body = page.content.decode()
        both = f"lot={first.code}&amp;lot={second.code}"
        for name in ("lot-tags", "lot-blend", "lots-move", "lots-hand-over"):
            assert f'href="{reverse(name)}?{both}"' in body
        assert f'href="{reverse("lot-scan")}?collect=1&amp;lot={first.code}">Take {second.code} out' in body

    def test_a_guest_collects_but_is_offered_no_act(self, client_as):
        body = self.ask(client_as("guest"), make_lot()).content.decode()
        assert reverse("lot-blend") not in body

    def test_the_same_again_a_void_one_and_nonsense_change_nothing(self, client_as):
        lot, void, client = make_lot(), make_lot(), client_as("member")
        Lot.objects.filter(pk=void.pk).update(is_void=True, on_hand_g=0)
        for code, sentence in [
            (lot.code, "is in the list already"),
            (void.code, "is voided"),
            ("https://elsewhere.example/", "not the tag of a lot"),
        ]:
            page = self.ask(client, lot, code=code)
            assert page.context["collected"].lots == [lot]
            assert sentence in page.content.decode()

    def test_the_list_has_an_end(self, client_as):
        lot, client = make_lot(), client_as("member")
        copies = [
            Lot(code=f"X{number}", kind="bucket", made_by=lot.made_by, mass_g=1, on_hand_g=1)
            for number in range(Collected.most + 5)
        ]
        page = self.ask(client, *Lot.objects.bulk_create(copies), code=lot.code)
        assert len(page.context["collected"].lots) == Collected.most
        assert "The list is full" in page.content.decode()

    def test_odd_lots_in_the_address_are_left_out(self, client_as):
        lot = make_lot()
        query = urlencode(
            [("collect", ""), ("lot", "a\0b"), ("lot", "<b>"), ("lot", lot.code), ("lot", lot.code)]
        )
        page = client_as("member").get(f"{reverse('lot-scan')}?{query}")
        assert page.context["collected"].lots == [lot]
