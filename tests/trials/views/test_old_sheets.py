"""An old list from its upload to its taking back: pages for keepers alone, nothing recorded before the last word."""

import re
from pathlib import Path
from urllib.parse import parse_qs, urlencode, urlsplit

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from prospecting.models import Claim, Dig, Lot, OldSheet, Step
from tests import make
from trials.forms.old_sheets import OFFERED
from trials.models import Run
from trials.readers.old_sheets import ROLES

pytestmark = pytest.mark.django_db
LISTS = Path(__file__).parents[3] / "fixtures" / "old_lists"
PLAIN = (LISTS / "invented_list_plain.csv").read_bytes()
MESSY = (LISTS / "invented_list_messy.xlsx").read_bytes()
PAGES = ("old-sheet-list", "old-sheet-add", "old-sheet-read", "old-sheet-try")
# Seen by any keeper of any site, however long the list.
MOST_QUERIES = 25


def words(response) -> str:
    return " ".join(response.content.decode().split())


def form_in(response) -> dict[str, str]:
    """What the main form of the page would send, as a browser fills it in."""
    forms = [text.partition("</form>")[0] for text in response.content.decode().split("<form")]
    text = next(text for text in forms if re.search(r'name="(settled|note|reason)"', text))
    sent: dict[str, str] = {}
    for tag in re.findall(r"<input[^>]*>", text):
        name, value = re.search(r'name="([^"]*)"', tag), re.search(r'value="([^"]*)"', tag)
        kind = re.search(r'type="([^"]*)"', tag)
        if name and ((kind and kind[1] not in ("radio", "checkbox")) or " checked" in tag):
            sent[name[1]] = value[1] if value else ("on" if kind and kind[1] == "checkbox" else "")
    for name, options in re.findall(r'<select name="([^"]*)".*?>(.*?)</select>', text, re.S):
        chosen = re.search(r'<option value="([^"]*)"[^>]* selected', options) or re.search(
            r'value="([^"]*)"', options
        )
        sent[name] = chosen[1]
    return sent


def upload(client, data: bytes = PLAIN, name: str = "list.csv"):
    sent = {"upload": SimpleUploadedFile(name, data), "identity": "11111111-1111-4111-8111-111111111111"}
    return client.post(reverse("old-sheet-add"), sent)


def settle(client, data: bytes = PLAIN, name: str = "list.csv", **answers):
    """Upload and settle the columns as proposed, but for `answers`; every place becomes a zone. Returns the last answer."""
    address = upload(client, data, name).url
    page = client.get(address)
    sent = form_in(page) | {"sample_kind": "bulk"}
    sent |= {name: f"n{Claim.objects.get().pk}" for name in sent if name.startswith("z_")}
    return client.get(f"{reverse('old-sheet-read')}?{urlencode(sent | answers)}")


@pytest.fixture(autouse=True)
def data_folder(settings, tmp_path):
    """Held files go to a folder of the test's own."""
    settings.DATA_DIR = tmp_path


@pytest.fixture
def keeper(client_as):
    make.make_claim(name="Invented ground")
    return client_as("keeper", mass_unit="kg")


class TestWhoSees:
    @pytest.mark.parametrize("role", ["member", "guest"])
    def test_is_for_keepers(self, client_as, role):
        sheet = OldSheet.objects.create(
            file_name="x", sha256="0" * 64, line_count=1, recorded_by=make.make_member(role="keeper")
        )
        client = client_as(role)
        for name in PAGES:
            assert client.get(reverse(name)).status_code == 403
        for name in ("old-sheet-detail", "old-sheet-take-back"):
            assert client.get(reverse(name, args=[sheet.pk])).status_code == 403
        assert upload(client).status_code == 403

    def test_leads_there_from_where_it_is_looked_for(self, client_as):
        client = client_as("keeper")
        for name in ("home", "lot-list", "keeping", "whole-books"):
            assert f'href="{reverse("old-sheet-list")}"' in client.get(reverse(name)).content.decode(), name
        assert reverse("old-sheet-list") not in client_as("member").get(reverse("home")).content.decode()

    def test_an_empty_site_says_what_comes_first(self, client_as):
        client = client_as("keeper")
        assert "No old list yet" in words(client.get(reverse("old-sheet-list")))
        page = client.get(upload(client).url)
        assert "Add a claim" in words(page) and page.status_code == 200


class TestReading:
    def test_proposes_columns_units_and_order_of_days(self, keeper):
        page = keeper.get(upload(keeper).url)
        sent = form_in(page)
        assert [sent[f"c{at}"] for at in range(9)] == [
            "dug_on", "place", "bucket", "mass", "portion", "gold", "colours", "digger", "panner",
        ]  # fmt: skip
        assert (sent["u3"], sent["u4"], sent["u5"], sent["comma"]) == ("kg", "kg", "mg", "decimal")
        assert "Nothing is recorded yet" in words(page)

    @pytest.mark.parametrize(
        ("answers", "sentence"),
        [
            ({"c4": "mass"}, "Another column is read as “Weight of the bucket” already."),
            ({"u3": "none"}, "Not every cell says its unit"),
            ({"sample_kind": ""}, "This field is required"),
            ({"c1": "none"}, "choose the zone all of it came from"),
            ({"mass_else": "heavy"}, "holds no number"),
            ({"c3": "none", "c4": "none", "c5": "none", "c6": "none"}, "No column is read as a weight"),
            ({"c2": "no such thing"}, "Select a valid choice"),
        ],
    )
    def test_says_beside_the_field_what_is_not_settled(self, keeper, answers, sentence):
        page = settle(keeper, **answers)
        assert page.status_code == 200 and sentence in words(page)
        assert Step.objects.count() == 0

    def test_asks_for_the_order_of_days_that_can_be_read_in_two(self, keeper):
        data = b"date,zone,bucket,weight lb\n3/4/2019,North,1,40\n5/6/2019,North,2,38\n"
        assert "This field is required" in words(settle(keeper, data))
        assert settle(keeper, data, day_order="dmy").status_code == 302

    def test_takes_pasted_text(self, keeper):
        sent = {
            "pasted": "zone\tbucket\tkg\nNorth\t1\t18\n",
            "identity": "11111111-1111-4111-8111-111111111112",
        }
        assert "north" in words(keeper.get(keeper.post(reverse("old-sheet-add"), sent).url)).casefold()

    @pytest.mark.parametrize(
        "data",
        [
            b"",
            b"\x00\x01\x02\x03 no text",
            b"PK\x03\x04 not a spreadsheet",
            b"%PDF-1.7 a paper",
            b"one column\nand nothing else\n",
            b'a,b\n"never closed,1\n',
            b"=cmd|' /C calc'!A0,b\n=1+1,2\n",
            ("zone,bucket,kg\n" + "x,1,1\n" * 5001).encode(),
            (",".join(map(str, range(41))) + "\n").encode() * 3,
            "zone,bucket,kg\n\ud7ff\u202e,<script>alert(1)</script>,1e99\n".encode(),
        ],
    )
    def test_bears_hostile_files(self, keeper, data):
        answer = upload(keeper, data)
        assert answer.status_code in (200, 302)
        page = keeper.get(answer.url) if answer.status_code == 302 else answer
        assert page.status_code == 200
        assert "<script>alert" not in page.content.decode()
        assert OldSheet.objects.count() == 0

    @pytest.mark.parametrize(
        "extra", ["title_line=99999", "title_line=x", "sheet=none", "settled=1", "settled=1&c0=mass"]
    )
    def test_bears_any_address(self, keeper, extra):
        address = upload(keeper).url
        for name in ("old-sheet-read", "old-sheet-try"):
            page = keeper.get(f"{reverse(name)}?{urlsplit(address).query}&{extra}", follow=True)
            assert page.status_code == 200

    def test_goes_back_to_the_upload_where_no_file_is_held(self, keeper):
        for name in ("old-sheet-read", "old-sheet-try"):
            assert keeper.get(reverse(name) + "?file=" + "a" * 64).url == reverse("old-sheet-add")


class TestTakingIn:
    def test_a_plain_list_goes_in_line_by_line(self, keeper):
        tried = settle(keeper).url
        page = keeper.get(tried)
        # 18.2 + 17.6 + 19.0 + 16.4 + 18.8 + 17.1 kg in the file, added by hand.
        assert "6, together 107.1 kg, of 4 digs" in words(page)
        assert Step.objects.count() == 0
        done = keeper.post(tried, form_in(page), follow=True)
        sheet = OldSheet.objects.get()
        assert done.redirect_chain[0][0] == sheet.get_absolute_url()
        assert (Lot.objects.count(), Run.objects.count(), Dig.objects.count()) == (6, 7, 4)
        run = Run.objects.get(gold_mg="2.4")
        assert (run.gold_typed, run.portion_typed, run.planned_id) == ("2,4 mg", "2,5 kg", None)
        assert "Panned, as the list says, by Dov." in run.note
        assert (run.step.old_sheet, run.step.old_sheet_line) == (sheet, 3)
        assert "G1" in words(done) and "Line 9" in words(done)

    def test_pans_nobody_knows_the_water_of_do_not_count(self, keeper):
        tried = settle(keeper, water="unknown").url
        keeper.post(tried, form_in(keeper.get(tried)))
        assert Run.objects.count() == 7 and not Run.objects.standing().exists()

    def test_the_same_file_is_refused_with_a_link_to_the_first(self, keeper):
        tried = settle(keeper).url
        keeper.post(tried, form_in(keeper.get(tried)))
        answer = upload(keeper)
        assert "was taken in already" in words(answer)
        assert OldSheet.objects.get().get_absolute_url() in words(answer)

    def test_a_list_with_the_same_titles_is_read_as_the_last_one(self, keeper):
        tried = settle(keeper, c9="none", u5="g").url
        page = keeper.get(tried)
        sent = form_in(page)
        sent |= dict.fromkeys(re.findall(r'name="(line_\d+)"', page.content.decode()), "take")
        keeper.post(tried, sent)
        assert OldSheet.objects.count() == 1
        page = keeper.get(upload(keeper, PLAIN + b"2018-06-01;Quartz rib;Q9;16;2;1;2;Dov;Dov;\n").url)
        assert (form_in(page)["c9"], form_in(page)["u5"]) == ("none", "g")
        assert "was taken in before" in words(page)

    def test_a_messy_list_waits_for_its_choices(self, keeper):
        tried = settle(keeper, MESSY, "season.xlsx").url
        page = keeper.get(tried)
        text = words(page)
        for sentence in (
            "is 10 times less than the middle bucket of the list",
            "Word for word line 12",
            "has not come yet",
            "no line before it gives that bucket&#x27;s weight",
            "The pan&#x27;s own weight is missing",
            "Bucket 5 stands in line 10 already",
            "the bucket still holds",
            "1 pan, not known to be in plain water: on record, marked",
            "the list says",
        ):
            assert sentence in text
        sent = form_in(page)
        refused = keeper.post(tried, sent)
        assert "Choose what is done with this line." in words(refused)
        assert "Say that these lines may stay out" in words(refused)
        assert Step.objects.count() == 0
        sent |= {
            "line_6": "leave",
            "line_12": "bucket",
            "line_13": "leave",
            "line_18": "another",
            "line_19": "leave",
            "leave": "on",
        }
        # Without bucket 12 its second pan is a pan of no bucket: the page says so instead of dropping it.
        again = keeper.post(tried, sent)
        assert Step.objects.count() == 0 or again.status_code == 302
        if again.status_code == 200:
            again = keeper.post(tried, sent | form_in(again) | {"leave": "on"})
        assert again.status_code == 302
        assert Run.objects.filter(failed=True, fail_reason__contains="dish soap").count() == 1
        left = OldSheet.objects.get().columns["left_out"]
        assert set(left) == {"6", "11", "12", "13", "16", "17", "19", "20"}
        assert left["12"].startswith("Its pan: 0.048 g is")

    def test_a_choice_that_does_not_fit_comes_back_beside_its_line(self, keeper):
        data = b"zone,bucket,kg,pan kg,gold mg\nNorth,a,20,19,1.1\nNorth,a,15,2,1.2\n"
        tried = settle(keeper, data, day_else="2019-07-01").url
        sent = form_in(keeper.get(tried))
        refused = keeper.post(tried, sent | {"line_3": "pan"})
        assert refused.status_code == 200 and "choose otherwise" in words(refused)
        assert Step.objects.count() == 0
        assert keeper.post(tried, sent | {"line_3": "another"}).status_code == 302

    def test_what_came_of_it_leads_back_to_the_list(self, keeper, client_as):
        tried = settle(keeper).url
        keeper.post(tried, form_in(keeper.get(tried)))
        sheet, run = OldSheet.objects.get(), Run.objects.get(gold_mg="2.4")
        guest = client_as("guest")
        for record in (run, run.step, run.lot, run.lot.made_by):
            link = f'href="{sheet.get_absolute_url()}"'
            assert link in words(keeper.get(record.get_absolute_url()))
            page = words(guest.get(record.get_absolute_url()))
            assert "Out of the old list" in page and link not in page

    def test_an_unnamed_list_mended_and_sent_again_is_noticed(self, keeper):
        data = b"zone,kg,day\nNorth,20,2019-07-01\nNorth,18,2019-07-01\n"
        tried = settle(keeper, data).url
        keeper.post(tried, form_in(keeper.get(tried)))
        zone = f"z{Dig.objects.first().zone_id}"
        place = next(
            name for name in form_in(keeper.get(upload(keeper, data + b"\n").url)) if name.startswith("z_")
        )
        page = words(keeper.get(settle(keeper, data + b"\n", **{place: zone}).url))
        assert page.count("is on the books already with this zone, day and weight") == 2

    def test_pans_that_are_dropped_are_said_however_many(self, keeper):
        lines = "".join(f"2019-05-{1 + at % 28:02},North,{at},40,2,lots\n" for at in range(210))
        tried = settle(keeper, f"date,zone,bucket,kg,pan kg,gold mg\n{lines}".encode()).url
        page = words(keeper.get(tried))
        assert "Yes, leave out what can&#x27;t be taken in of ten lines" in page

    def test_costs_the_same_however_long_the_list(self, keeper, django_assert_max_num_queries):
        lines = "".join(f"2019-05-{1 + at % 28:02},North,{at},40,2,1.{at % 10}\n" for at in range(300))
        tried = settle(keeper, f"date,zone,bucket,kg,pan kg,gold mg\n{lines}".encode()).url
        with django_assert_max_num_queries(MOST_QUERIES):
            keeper.get(tried)


class TestTakingBack:
    def test_voids_all_and_lets_the_file_in_again(self, keeper):
        tried = settle(keeper).url
        keeper.post(tried, form_in(keeper.get(tried)))
        sheet = OldSheet.objects.get()
        address = reverse("old-sheet-take-back", args=[sheet.pk])
        page = keeper.get(address)
        refused = keeper.post(address, form_in(page))
        assert "This field is required" in words(refused)
        done = keeper.post(address, form_in(page) | {"reason": "the wrong file"}, follow=True)
        assert "Taken back on" in words(done)
        assert not Lot.objects.filter(is_void=False).exists()
        assert parse_qs(urlsplit(upload(keeper).url).query)["name"] == ["list.csv"]

    def test_says_what_stands_in_the_way(self, keeper):
        tried = settle(keeper).url
        keeper.post(tried, form_in(keeper.get(tried)))
        lot = Lot.objects.first()
        make.make_blend((lot, "100"), (Lot.objects.last(), "100"), member=keeper.member)
        address = reverse("old-sheet-take-back", args=[OldSheet.objects.get().pk])
        assert f"{lot.code}: Blend" in words(keeper.get(address))
        sent = {"reason": "the wrong file", "identity": "11111111-1111-4111-8111-111111111113"}
        assert "Void that first" in words(keeper.post(address, sent))
        assert not OldSheet.objects.get().is_void and Run.objects.filter(step__voided_at=None).count() == 7


def test_every_kind_of_column_that_is_read_can_be_chosen():
    assert sorted(OFFERED) == sorted(role.name for role in ROLES)
