import datetime
import html
import re
from decimal import Decimal
from uuid import uuid4

import pytest
from django.urls import reverse
from django.utils import timezone

from prospecting.actions import assays, dispatching
from prospecting.models import AssayReturn, Dispatch, Laboratory, ReferenceMaterial
from prospecting.readers.certificate_csv import read_certificate
from tests.make import (
    make_assay_split,
    make_laboratory,
    make_material,
    make_parcel,
)

SENT = datetime.date(2026, 5, 4)
pytestmark = pytest.mark.django_db


@pytest.fixture
def member(client_as):
    return client_as("member", grade_unit="g_per_t")


def make_dispatch(member, number: int = 3, **fields) -> Dispatch:
    fields = {"sent_on": SENT, "method": "fire_30", "laboratory": make_laboratory(member)} | fields
    lots = [make_assay_split(member=member) for _ in range(number)]
    return dispatching.send_dispatch(lots=lots, recorded_by=member, **fields)


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


def printed_list(response) -> str:
    """The part of a dispatch's page that is printed."""
    page = response.content.decode()
    return page[page.index('class="print-only') : page.index("</section>", page.index('class="print-only'))]


class TestLaboratories:
    def add(self, client, **fields):
        return client.post(
            reverse("laboratory-add"), {"identity": uuid4(), "name": "Invented Assay Office"} | fields
        )

    def test_is_added_once_however_often_it_is_sent(self, member):
        identity = uuid4()
        for _ in range(2):
            assert self.add(member, identity=identity).url == reverse("laboratory-list")
        assert Laboratory.objects.count() == 1
        assert "Invented Assay Office" in text_of(member.get(reverse("laboratory-list")))

    @pytest.mark.parametrize("name", ["", "x" * 101, "INVENTED assay office"])
    def test_refuses_beside_the_field(self, member, name):
        self.add(member)
        response = self.add(member, name=name)
        assert response.status_code == 200
        assert response.context["form"].errors["name"]
        assert Laboratory.objects.count() == 1

    def test_says_what_to_do_first(self, member, client_as):
        assert reverse("laboratory-add") in member.get(reverse("laboratory-list")).content.decode()
        assert (
            reverse("laboratory-add")
            not in client_as("guest").get(reverse("laboratory-list")).content.decode()
        )

    def test_are_changed_with_what_they_say_they_take(self, member):
        laboratory = make_laboratory(member.member)
        path = reverse("laboratory-edit", args=[laboratory.pk])
        body = {
            "identity": uuid4(),
            "name": laboratory.name,
            "turnaround_days": "21",
            "note": "No stones over 5 kg",
        }
        assert member.post(path, body).url == reverse("laboratory-list")
        laboratory.refresh_from_db()
        assert (laboratory.turnaround_days, laboratory.note) == (21, "No stones over 5 kg")
        words = text_of(member.get(reverse("laboratory-list")))
        assert "21" in words and "No stones over 5 kg" in words

    @pytest.mark.parametrize("days", ["0", "-3", "2.5", "soon", "9999", "\u0661\u0662\u0663\u0664"])
    def test_refuse_days_that_cannot_be(self, member, days):
        laboratory = make_laboratory(member.member)
        body = {"identity": uuid4(), "name": laboratory.name, "turnaround_days": days}
        response = member.post(reverse("laboratory-edit", args=[laboratory.pk]), body)
        assert response.context["form"].errors["turnaround_days"]
        assert days in html.unescape(response.content.decode())


class TestDispatchList:
    def test_tells_the_state_in_words_with_few_queries(self, member, django_assert_max_num_queries):
        whole, part, waiting = (make_dispatch(member.member, 2) for _ in range(3))
        make_return(whole, "Sample,Au_ppm\n" + "".join(f"{tag},4.1\n" for tag in tags_of(whole)))
        make_return(part, f"Sample,Au_ppm\n{tags_of(part)[0]},4.1\n")
        Dispatch.objects.filter(pk=waiting.pk).update(expected_on=datetime.date(2026, 5, 5))
        with django_assert_max_num_queries(8):
            response = member.get(reverse("dispatch-list"))
        words = text_of(response)
        assert "returned in part 1 of 2" in words
        late = (timezone.localdate() - datetime.date(2026, 5, 5)).days
        assert f"waiting for return, overdue by {late} days" in words
        assert "05 May 2026" in words

    def test_shows_what_is_being_packed_first_then_the_newest(self, member):
        old = make_dispatch(member.member, 1)
        new = make_dispatch(member.member, 1, sent_on=SENT + datetime.timedelta(days=3))
        packed = make_parcel(1, member=member.member)
        page = member.get(reverse("dispatch-list")).content.decode()
        paths = [each.get_absolute_url() for each in (packed, new, old)]
        assert [page.index(f'"{path}"') for path in paths] == sorted(
            page.index(f'"{path}"') for path in paths
        )

    @pytest.mark.parametrize(
        "query", ["?sort=state", "?sort=-laboratory", "?sort=nonsense", "?page=9999", "?page=x"]
    )
    def test_bears_any_order_and_page(self, member, query):
        make_dispatch(member.member, 1)
        assert member.get(reverse("dispatch-list") + query).status_code == 200

    def test_says_what_to_do_first(self, member):
        assert reverse("dispatch-add") in member.get(reverse("dispatch-list")).content.decode()


class TestDispatchPage:
    def test_sets_tag_beside_lot_mass_and_reading_in_use(self, member, django_assert_max_num_queries):
        dispatch = make_dispatch(member.member, 12)
        tags = tags_of(dispatch)
        make_return(
            dispatch, f"Sample,Au_ppm\n{tags[0]},4.1\n{tags[1]},<0.005\n{tags[2]},>10\n{tags[3]},NSS\n"
        )
        with django_assert_max_num_queries(10):
            response = member.get(dispatch.get_absolute_url())
        words = text_of(response)
        lot = dispatch.samples.get(tag=tags[0]).lot
        assert f"{tags[0]} {lot.code} {lot.title} 0.4 kg 4.1 g/t first reading of the first return" in words
        assert "below 0.005 g/t (not zero)" in words
        assert "above 10.0 g/t" in words
        assert "no figure: see the return" in words
        assert "waiting for return" in words
        assert "4 of 12" in words

    def test_shows_grades_in_the_members_own_unit(self, client_as):
        """34.2857 g/t is one troy ounce per short ton (NIST HB 44, Appendix C)."""
        client = client_as("member", grade_unit="ozt_per_short_ton")
        dispatch = make_dispatch(client.member, 1)
        make_return(dispatch, f"Sample,Au_ppm\n{tags_of(dispatch)[0]},34.2857\n")
        assert "1.0 troy oz per short ton" in text_of(client.get(dispatch.get_absolute_url()))

    def test_prints_a_list_that_tells_the_laboratory_nothing(self, member):
        dispatch = make_dispatch(member.member, 3, note="from the Upper vein, we hope for much")
        page = member.get(dispatch.get_absolute_url()).content.decode()
        printed = printed_list(member.get(dispatch.get_absolute_url()))
        for sample in dispatch.samples.select_related("lot"):
            assert sample.tag in printed
            assert sample.lot.code not in printed
            assert sample.lot.title not in printed
        assert "0.4 kg" in printed
        assert "Fire assay, 30 g charge" in printed
        assert "Upper vein" not in printed
        # All of the page that isn't the list stands in a part that is not printed.
        before = page[page.index("<main") : page.index('class="print-only')]
        unprinted = before[before.index('class="no-print"') :]
        assert all(
            sample.lot.code in unprinted and sample.lot.code not in before.replace(unprinted, "")
            for sample in dispatch.samples.select_related("lot")
        )
        assert page[page.index("</section>") :].count('class="no-print"') == 1

    def test_prints_the_note_where_it_names_the_method(self, member):
        dispatch = make_dispatch(member.member, 1, method="other", note="bottle roll, 24 h")
        page = member.get(dispatch.get_absolute_url()).content.decode()
        assert "bottle roll, 24 h" in page[page.index('class="print-only') :]


class TestDetailOfASentOne:
    def test_says_how_many_days_it_is_overdue_what_it_costs_and_until_when_rejects_are_kept(self, member):
        parcel = make_parcel(
            10,
            member=member.member,
            price_per_sample=Decimal("42.50"),
            price_besides=Decimal(35),
            rejects_until=SENT,
        )
        dispatching.say_sent(
            dispatch=parcel,
            sent_on=SENT,
            expected_on=SENT + datetime.timedelta(days=1),
            recorded_by=member.member,
        )
        words = text_of(member.get(parcel.get_absolute_url()))
        assert re.search(r"Overdue by \d+ days", words)
        # 10 x 42.50 + 35.
        assert "460.00 in the group's own currency" in words
        assert "04 May 2026, past" in words

    def test_prints_checks_like_samples_and_asks_for_second_cuts(self, member):
        parcel = make_parcel(3, member=member.member, preparation="crush all, split 1 kg")
        first = parcel.samples.first()
        packets = [
            make_material(kind, member=member.member, packet_g=Decimal(400))
            for kind in ("blank", "reference")
        ]
        dispatching.add_checks(
            dispatch=parcel,
            checks=[
                *(dispatching.PlannedCheck(kind=each.kind, material=each) for each in packets),
                dispatching.PlannedCheck(kind="duplicate", of=first, stage="pulp"),
            ],
            recorded_by=member.member,
        )
        printed = printed_list(member.get(parcel.get_absolute_url()))
        words = " ".join(html.unescape(re.sub(r"<[^>]+>", " ", printed)).split()).lower()
        for sample in parcel.samples.all():
            assert sample.tag in words
        for said in ("blank", "reference", "duplicate", *(each.name.lower() for each in packets)):
            assert said not in words
        assert f"second weighing of {first.tag} from its pulverised powder" in words
        assert "crush all, split 1 kg" in words
        # Packets as heavy as the splits: all bags have their mass.
        assert words.count("0.4 kg") == 5
        tags = re.findall(r'class="code">(\d{6})', printed)
        assert tags == list(parcel.samples.order_by("place").values_list("tag", flat=True))

    @pytest.mark.parametrize("packet_g", [None, Decimal(60)])
    def test_prints_no_mass_at_all_where_one_would_tell_a_packet(self, member, packet_g):
        parcel = make_parcel(2, member=member.member)
        packet = make_material("blank", member=member.member, packet_g=packet_g)
        check = dispatching.PlannedCheck(kind="blank", material=packet)
        dispatching.add_checks(dispatch=parcel, checks=[check], recorded_by=member.member)
        response = member.get(parcel.get_absolute_url())
        assert "Mass sent" not in printed_list(response)
        assert "No mass is printed" in text_of(response)

    def test_tells_a_guest_the_key_and_no_way_to_write(self, client_as, member):
        parcel = make_parcel(2, member=member.member)
        page = client_as("guest").get(parcel.get_absolute_url())
        assert page.status_code == 200
        for name in ("dispatch-checks", "dispatch-splits", "dispatch-take", "dispatch-edit", "dispatch-sent"):
            assert reverse(name, args=[parcel.pk]) not in page.content.decode()


class TestItHasGone:
    def post(self, client, parcel, **fields):
        body = {"identity": uuid4(), "sent_on": "2026-05-04", "expected_on": ""} | fields
        return client.post(reverse("dispatch-sent", args=[parcel.pk]), body)

    def test_is_said_once_with_the_laboratorys_days(self, member):
        laboratory = make_laboratory(member.member, turnaround_days=14)
        parcel = make_parcel(2, member=member.member, laboratory=laboratory)
        identity = uuid4()
        assert "14 days after the day sent" in text_of(member.get(reverse("dispatch-sent", args=[parcel.pk])))
        for _ in range(2):
            assert self.post(member, parcel, identity=identity).url == parcel.get_absolute_url()
        parcel.refresh_from_db()
        assert (parcel.sent_on, parcel.expected_on) == (SENT, datetime.date(2026, 5, 18))

    def test_says_what_cannot_be_known_without_checks(self, member):
        parcel = make_parcel(2, member=member.member)
        words = text_of(member.get(reverse("dispatch-sent", args=[parcel.pk])))
        assert "Without a coarse blank nobody can tell" in words
        assert "Without a duplicate nobody can tell" in words

    @pytest.mark.parametrize(
        ("fields", "field"),
        [
            ({"sent_on": ""}, "sent_on"),
            ({"sent_on": "yesterday"}, "sent_on"),
            ({"sent_on": "2999-01-01"}, "sent_on"),
            ({"sent_on": "0001-01-01"}, "sent_on"),
            ({"expected_on": "2026-05-03"}, "expected_on"),
            ({"expected_on": "soon"}, "expected_on"),
            ({"identity": "7"}, "identity"),
        ],
    )
    def test_refuses_beside_the_field(self, member, fields, field):
        parcel = make_parcel(1, member=member.member)
        response = self.post(member, parcel, **fields)
        assert response.context["form"].errors[field]
        assert Dispatch.objects.get().sent_on is None

    def test_refuses_an_empty_parcel(self, member):
        parcel = make_parcel(0, member=member.member)
        assert "No split of a lot is packed yet" in text_of(self.post(member, parcel))


class TestChangingADispatch:
    def test_changes_everything_while_it_is_packed_and_days_and_price_after(self, member):
        parcel = make_parcel(1, member=member.member)
        path = reverse("dispatch-edit", args=[parcel.pk])
        body = {
            "identity": uuid4(),
            "laboratory": parcel.laboratory_id,
            "method": "screen_fire",
            "preparation": "grind all",
            "price_per_sample": "80",
        }
        assert member.post(path, body).url == parcel.get_absolute_url()
        parcel.refresh_from_db()
        assert (parcel.method, parcel.preparation, parcel.price_per_sample) == (
            "screen_fire",
            "grind all",
            80,
        )
        dispatching.say_sent(dispatch=parcel, sent_on=SENT, recorded_by=member.member)
        assert 'name="method"' not in member.get(path).content.decode()
        member.post(path, {"identity": uuid4(), "price_per_sample": "81,50", "rejects_until": "2026-07-01"})
        parcel.refresh_from_db()
        assert (parcel.method, parcel.price_per_sample) == ("screen_fire", Decimal("81.50"))
        assert parcel.rejects_until == datetime.date(2026, 7, 1)

    @pytest.mark.parametrize(
        ("fields", "field"),
        [
            ({"price_per_sample": "-1"}, "price_per_sample"),
            ({"price_per_sample": "a lot"}, "price_per_sample"),
            ({"price_besides": "1e99"}, "price_besides"),
            ({"method": "alchemy"}, "method"),
            ({"method": "other"}, "note"),
            ({"preparation": "x" * 201}, "preparation"),
            ({"rejects_until": "2026-02-30"}, "rejects_until"),
        ],
    )
    def test_refuses_beside_the_field(self, member, fields, field):
        parcel = make_parcel(1, member=member.member)
        body = {"identity": uuid4(), "laboratory": parcel.laboratory_id, "method": "fire_50"} | fields
        response = member.post(reverse("dispatch-edit", args=[parcel.pk]), body)
        assert response.context["form"].errors[field]
        parcel.refresh_from_db()
        assert parcel.method == "fire_30"


class TestGivingUp:
    def test_leads_back_to_the_list_once(self, member):
        parcel = make_parcel(1, member=member.member)
        path = reverse("dispatch-give-up", args=[parcel.pk])
        assert path in member.get(reverse("dispatch-edit", args=[parcel.pk])).content.decode()
        assert "1 tag comes out" in text_of(member.get(path))
        assert member.post(path, {"identity": uuid4(), "reason": ""}).context["form"].errors["reason"]
        answer = member.post(path, {"identity": uuid4(), "reason": "wrong laboratory"})
        assert answer.url == reverse("dispatch-list")
        assert "is given up" in text_of(member.get(answer.url))
        assert member.get(path).status_code == 404
        # A second tap did nothing wrong.
        again = member.post(path, {"identity": uuid4(), "reason": "wrong laboratory"})
        assert again.url == reverse("dispatch-list")
        assert "is given up already" in text_of(member.get(again.url))

    def test_is_no_way_out_once_it_has_gone(self, member, client_as):
        dispatch = make_dispatch(member.member, 1)
        path = reverse("dispatch-give-up", args=[dispatch.pk])
        assert "so it stays" in text_of(member.get(path))
        member.post(path, {"identity": uuid4(), "reason": "x"})
        assert Dispatch.objects.exists()
        assert client_as("guest").get(path).status_code == 403


class TestBagLabels:
    @pytest.mark.parametrize("sheet", ["a4-3x7", "a4-5x13", "us-letter-2x3", "tape-12", "tape-24"])
    def test_shows_every_bag_of_the_parcel_and_nothing_of_the_key(self, member, sheet):
        parcel = make_parcel(3, member=member.member)
        first = parcel.samples.first()
        blank = make_material("blank", member=member.member)
        dispatching.add_checks(
            dispatch=parcel,
            checks=[
                dispatching.PlannedCheck(kind="blank", material=blank),
                dispatching.PlannedCheck(kind="duplicate", of=first, stage="pulp"),
            ],
            recorded_by=member.member,
        )
        page = member.get(reverse("dispatch-labels", args=[parcel.pk]) + f"?sheet={sheet}&first_label=1")
        page = page.content.decode()
        drawn = re.findall(r'data-label="(\d+)"', page)
        bags = parcel.samples.exclude(duplicate_stage="pulp").order_by("place")
        assert drawn == list(bags.values_list("tag", flat=True))
        sheets = page[page.index('<svg class="paper-sheet') :]
        assert blank.name not in sheets and first.lot.code not in sheets
        words = set(re.findall(r"<text[^>]*>([^<]+)</text>", sheets))
        assert words == {*drawn, f"Order {parcel.pk}"}

    @pytest.mark.parametrize(
        "query", ["?sheet=nonsense", "?sheet=a4-3x7&first_label=99", "?sheet=a4-3x7&first_label=x"]
    )
    def test_refuses_beside_the_field(self, member, query):
        parcel = make_parcel(1, member=member.member)
        response = member.get(reverse("dispatch-labels", args=[parcel.pk]) + query)
        assert response.status_code == 200
        assert response.context["form"].errors


class TestCheckMaterials:
    def post(self, client, path=None, **fields):
        body = {
            "identity": uuid4(),
            "kind": "reference",
            "name": "Invented reference 7",
            "certified": "9.31",
            "unit": "g/t",
            "plus_minus": "0.69",
            "plus_minus_kind": "two_sd",
            "packet": "60",
        }
        return client.post(path or reverse("material-add"), body | fields)

    def test_shows_what_the_plus_or_minus_means(self, member):
        """9.31 ± 0.69 g/t as two standard deviations between 15 laboratories: trade_practice.md section 4 [P78]."""
        response = self.post(member)
        material = ReferenceMaterial.objects.get()
        assert response.url == material.get_absolute_url()
        assert (material.packet_g, material.packet_typed) == (60, "60 g")
        words = text_of(member.get(response.url))
        assert "printed 9.31 ± 0.69 g/t" in words
        assert "One standard deviation between laboratories is 0.345 g/t, 3.7 % of the value" in words

    @pytest.mark.parametrize(
        ("kind", "said"),
        [
            ("one_sd", "is 0.69 g/t"),
            ("two_sd", "is 0.345 g/t"),
            ("confidence_95", "is not known"),
            ("expanded", "is not known"),
            ("unsaid", "is not known"),
        ],
    )
    def test_knows_which_plus_or_minus_gives_a_standard_deviation(self, member, kind, said):
        response = self.post(member, plus_minus_kind=kind)
        assert f"One standard deviation between laboratories {said}" in text_of(member.get(response.url))

    def test_takes_troy_ounces_per_short_ton(self, member):
        """One troy ounce per short ton is 34.2857 g/t (NIST HB 44, Appendix C)."""
        self.post(member, certified="0.25", unit="troy oz per short ton", plus_minus="", plus_minus_kind="")
        assert ReferenceMaterial.objects.get().certified_g_per_t == pytest.approx(Decimal("8.571429"))

    def test_is_barren_without_a_value(self, member):
        self.post(member, kind="blank", certified="", unit="", plus_minus="", plus_minus_kind="")
        assert ReferenceMaterial.objects.get().certified_g_per_t is None
        words = text_of(member.get(reverse("material-list")))
        assert "Blank material (barren rock)" in words

    @pytest.mark.parametrize(
        ("fields", "field"),
        [
            ({"certified": ""}, "certified"),
            ({"certified": "some"}, "certified"),
            ({"certified": "0"}, "certified"),
            ({"certified": "9" * 20, "plus_minus": "", "plus_minus_kind": ""}, "certified"),
            ({"unit": ""}, "unit"),
            ({"unit": "carats"}, "unit"),
            ({"plus_minus": "-1"}, "plus_minus"),
            ({"plus_minus_kind": ""}, "plus_minus_kind"),
            ({"plus_minus_kind": "three_sd"}, "plus_minus_kind"),
            ({"kind": "standard"}, "kind"),
            ({"kind": "blank"}, "certified"),
            ({"name": ""}, "name"),
            ({"packet": "heavy"}, "packet"),
        ],
    )
    def test_refuses_beside_the_field_and_keeps_what_was_typed(self, member, fields, field):
        response = self.post(member, **fields)
        assert response.status_code == 200
        assert response.context["form"].errors[field]
        assert not ReferenceMaterial.objects.exists()
        assert "Invented reference 7" in response.content.decode() or "name" in fields

    @pytest.mark.parametrize(
        "fields", [{"certified": "931", "plus_minus": "69"}, {"plus_minus": "6.9"}, {"sd": "8"}]
    )
    def test_asks_when_a_point_has_slipped(self, member, fields):
        response = self.post(member, **fields)
        assert "Please look again" in text_of(response)
        assert not ReferenceMaterial.objects.exists()
        self.post(member, **fields, keep_as_typed="on")
        assert ReferenceMaterial.objects.exists()

    def test_is_changed_and_retired(self, member):
        self.post(member)
        material = ReferenceMaterial.objects.get()
        path = reverse("material-edit", args=[material.pk])
        assert 'value="9.31"' in member.get(path).content.decode()
        assert self.post(member, path, is_retired="on").url == material.get_absolute_url()
        material.refresh_from_db()
        assert material.is_retired
        assert "retired" in text_of(member.get(reverse("material-list")))

    def test_guests_read(self, client_as, member):
        material = make_material(member=member.member)
        guest = client_as("guest")
        for path in (reverse("material-list"), material.get_absolute_url()):
            assert guest.get(path).status_code == 200
        for path in (reverse("material-add"), reverse("material-edit", args=[material.pk])):
            assert guest.get(path).status_code == guest.post(path).status_code == 403


@pytest.mark.parametrize(
    "name",
    [
        "laboratory-edit",
        "material-detail",
        "material-edit",
        "dispatch-edit",
        "dispatch-sent",
        "dispatch-labels",
    ],
)
def test_what_is_not_there_is_not_found(member, name):
    assert member.get(reverse(name, args=[987654])).status_code == 404
