import datetime
import html
import re
from decimal import Decimal
from uuid import uuid4

import pytest
from django.urls import reverse

from prospecting.actions import dispatching, steps
from prospecting.actions.dispatching import PlannedCheck
from prospecting.actions.material import DrawFrom, StepDetails
from prospecting.models import Dispatch, JournalEntry, Lot, Sample
from tests.make import (
    make_assay_split,
    make_laboratory,
    make_lot,
    make_material,
    make_parcel,
    make_portions,
)
from tests.trials.make_trial import PORTION, make_result
from trials.actions import running

SENT = datetime.date(2026, 5, 4)
pytestmark = pytest.mark.django_db


@pytest.fixture
def member(client_as):
    return client_as("member", grade_unit="g_per_t")


def text_of(response) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", response.content.decode())).split())


def pan(lot: Lot, gold: str, member, **fields) -> None:
    result = make_result(member, gold, **fields)
    running.log_test_pan(lot=lot, portion=PORTION, result=result, recorded_by=member)


class TestBeginningAParcel:
    def post(self, client, **fields):
        body = {
            "identity": uuid4(),
            "laboratory": make_laboratory(client.member).pk,
            "method": "fire_30",
            "note": "",
        }
        return client.post(reverse("dispatch-add"), body | fields)

    def test_packs_the_ticked_splits_once(self, member):
        lots = [make_assay_split(member=member.member) for _ in range(2)]
        left = make_assay_split(member=member.member)
        identity = uuid4()
        answers = [
            self.post(member, identity=identity, lots=[lot.pk for lot in lots], price_per_sample="42.50")
            for _ in range(2)
        ]
        dispatch = Dispatch.objects.get()
        assert [answer.url for answer in answers] == [dispatch.get_absolute_url()] * 2
        assert {sample.lot for sample in dispatch.samples.all()} == set(lots)
        assert (dispatch.sent_on, dispatch.price_per_sample) == (None, Decimal("42.50"))
        page = member.get(reverse("dispatch-add")).content.decode()
        assert left.code in page
        assert lots[0].code not in page

    def test_offers_only_free_splits_with_what_they_are_and_weigh(self, member):
        free, used = (make_assay_split(member=member.member) for _ in range(2))
        packed = make_parcel(1, member=member.member).samples.get().lot
        steps.discard_from_lot(
            draw=DrawFrom(lot=used, mass_g=used.on_hand_g),
            recorded_by=member.member,
            done_on=SENT,
            details=StepDetails(loss_reason="spilled"),
        )
        words = text_of(member.get(reverse("dispatch-add")))
        assert f"{free.code}, {free.title}, 0.4 kg" in words
        assert packed.code not in words
        assert used.code not in words
        assert "No fire assay at home" in words

    def test_begins_without_a_split_and_says_where_they_come_from(self, member):
        make_laboratory(member.member)
        assert "take a split for assay first" in text_of(member.get(reverse("dispatch-add")))
        dispatch_page = member.get(self.post(member).url)
        assert "Nothing is packed yet" in text_of(dispatch_page)

    def test_says_to_add_a_laboratory_first(self, member):
        assert "Add the one the samples go to" in text_of(member.get(reverse("dispatch-add")))

    @pytest.mark.parametrize(
        ("fields", "field"),
        [
            ({"lots": ["999999"]}, "lots"),
            ({"lots": ["x"]}, "lots"),
            ({"lots": ["-1"]}, "lots"),
            ({"lots": ["9" * 30]}, "lots"),
            ({"laboratory": ""}, "laboratory"),
            ({"laboratory": "nonsense"}, "laboratory"),
            ({"laboratory": "9" * 30}, "laboratory"),
            ({"method": "alchemy"}, "method"),
            ({"method": "other"}, "note"),
            ({"price_per_sample": "-5"}, "price_per_sample"),
            ({"price_besides": "cheap"}, "price_besides"),
            ({"rejects_until": "soon"}, "rejects_until"),
            ({"note": "x" * 2001}, "note"),
            ({"preparation": "x" * 201}, "preparation"),
            ({"identity": ""}, "identity"),
            ({"identity": "7"}, "identity"),
        ],
    )
    def test_refuses_beside_the_field_and_keeps_what_was_typed(self, member, fields, field):
        lot = make_assay_split(member=member.member)
        response = self.post(member, **({"lots": [lot.pk], "rejects_until": "2026-08-07"} | fields))
        assert response.status_code == 200
        assert response.context["form"].errors[field]
        assert not Dispatch.objects.exists()
        if "rejects_until" not in fields:
            assert "2026-08-07" in response.content.decode()

    def test_refuses_a_lot_that_went_or_is_none_for_assay(self, member):
        packed = make_parcel(1, member=member.member).samples.get().lot
        bucket = make_lot(member=member.member)
        response = self.post(member, lots=[packed.pk])
        assert packed.code in response.context["form"].errors["lots"][0]
        assert "no split for assay" in self.post(member, lots=[bucket.pk]).context["form"].errors["lots"][0]
        assert Dispatch.objects.count() == 1


class TestPackingPage:
    def test_names_the_sample_before_the_blank_and_where_that_is_known_from(self, member):
        rich, poor = (make_lot("30000", member=member.member) for _ in range(2))
        pan(rich, "20.0", member.member)
        pan(poor, "1.0", member.member)
        splits = [make_assay_split(lot, member=member.member) for lot in (poor, rich)]
        parcel = make_parcel(member=member.member, lots=splits)
        make_material("blank", member=member.member, name="Invented barren gneiss")
        body = {"identity": uuid4(), "blank": "on", "blank_number": "1"}
        body["blank_material"] = dispatching.ReferenceMaterial.objects.get().pk
        member.post(reverse("dispatch-checks", args=[parcel.pk]), body)
        order = list(parcel.samples.order_by("place"))
        blank = next(sample for sample in order if sample.kind == "blank")
        before = order[order.index(blank) - 1]
        assert before.lot == splits[1]
        words = text_of(member.get(parcel.get_absolute_url()))
        assert f"{blank.tag} right after {before.tag} ( {before.lot.code} )" in words.replace(
            "(", "( "
        ).replace(")", " )")
        # 20 mg of 454 g.
        assert "expected the richest: 44.1 g/t by the mean of 1 pan of the same material" in words
        pan(poor, "90.0", member.member)
        words = text_of(member.get(parcel.get_absolute_url()))
        assert f"{next(s.tag for s in order if s.lot == splits[0])} is expected richer by now" in words

    def test_warns_where_the_charge_is_too_small_for_the_gold(self, member):
        lot = make_lot("30000", member=member.member)
        pan(lot, "2.73", member.member, colours={"fine": 10})
        parcel = make_parcel(member=member.member, lots=[make_assay_split(lot, member=member.member)])
        words = text_of(member.get(parcel.get_absolute_url()))
        assert "Gold too coarse for this charge?" in words
        assert "such charges hold none and read about nil" in words
        assert "A screen fire assay of 1 kg holds" in words
        dispatching.change_dispatch(dispatch=parcel, method="screen_fire", recorded_by=member.member)
        assert "Gold too coarse" not in text_of(member.get(parcel.get_absolute_url()))

    def test_says_what_it_cannot_tell_and_offers_checks(self, member):
        parcel = make_parcel(10, member=member.member)
        words = text_of(member.get(parcel.get_absolute_url()))
        assert "Add checks: 3 proposed" in words
        assert "Without a reference material nobody can tell" in words

    def test_asks_few_queries_however_many_samples(self, member, django_assert_max_num_queries):
        parcel = make_parcel(12, member=member.member)
        with django_assert_max_num_queries(12):
            assert member.get(parcel.get_absolute_url()).status_code == 200

    def test_bears_an_empty_parcel(self, member, client_as):
        parcel = make_parcel(0, member=member.member)
        for client in (member, client_as("guest"), client_as("keeper")):
            assert client.get(parcel.get_absolute_url()).status_code == 200
        assert "Pack the splits first" in text_of(member.get(reverse("dispatch-checks", args=[parcel.pk])))


class TestChecksPage:
    def path(self, parcel):
        return reverse("dispatch-checks", args=[parcel.pk])

    def test_proposes_one_of_each_for_ten_and_packs_what_is_ticked(self, member):
        for kind in ("blank", "reference"):
            make_material(kind, member=member.member)
        source = make_lot("30000", member=member.member)
        splits = [make_assay_split(source, member=member.member) for _ in range(10)]
        parcel = make_parcel(member=member.member, lots=splits)
        form = member.get(self.path(parcel)).context["form"]
        ticked = {name: form[name].value() for name in form.under}
        assert ticked == {"blank": True, "reference": True, "field": True, "coarse": None, "pulp": None}
        body = {name: form[name].value() for names in form.under.values() for name in names}
        body = {name: value for name, value in body.items() if value is not None}
        body |= {"identity": uuid4(), "blank": "on", "reference": "on", "field": "on"}
        for kind in ("blank", "reference"):
            body[f"{kind}_material"] = form.fields[f"{kind}_material"].queryset.get().pk
        body["field_day"] = "2026-05-04"
        identity_answers = [member.post(self.path(parcel), body) for _ in range(2)]
        assert {answer.url for answer in identity_answers} == {parcel.get_absolute_url()}
        kinds = sorted(parcel.samples.exclude(kind="lot").values_list("kind", flat=True))
        assert kinds == ["blank", "duplicate", "reference"]
        second = parcel.samples.get(kind="duplicate").lot
        assert (second.mass_g, second.made_by.draws.get().lot) == (400, source)
        source.refresh_from_db()
        assert source.on_hand_g == 30000 - 11 * 400
        assert "As many as proposed are in" in text_of(member.get(self.path(parcel)))

    def test_proposes_a_second_weighing_where_no_second_split_is_left(self, member):
        source = make_lot("1500", member=member.member)
        splits = [make_assay_split(source, member=member.member, mass_g="150") for _ in range(10)]
        parcel = make_parcel(member=member.member, lots=splits)
        form = member.get(self.path(parcel)).context["form"]
        assert (form["field"].value(), form["pulp"].value()) == (None, True)
        assert "no barren material is known here" in text_of(member.get(self.path(parcel)))

    @pytest.mark.parametrize(
        ("fields", "field"),
        [
            ({}, None),
            ({"blank": "on", "blank_number": "1"}, "blank_material"),
            ({"blank": "on", "blank_material": "reference", "blank_number": "1"}, "blank_material"),
            ({"reference": "on", "reference_material": "reference", "reference_number": "0"}, "reference_number"),
            ({"reference": "on", "reference_material": "reference", "reference_number": "99"}, "reference_number"),
            ({"reference": "on", "reference_material": "reference", "reference_number": ""}, "reference_number"),
            ({"field": "on", "field_method": "riffle", "field_day": "2026-05-04"}, "field_of"),
            ({"field": "on", "field_of": "sample", "field_day": "2026-05-04"}, "field_method"),
            ({"field": "on", "field_of": "sample", "field_method": "riffle"}, "field_day"),
            (
                {"field": "on", "field_of": "sample", "field_method": "riffle", "field_day": "2026-05-04",
                 "field_mass": "900 kg"},
                "field_mass",
            ),
            ({"coarse": "on", "coarse_of": "stranger"}, "coarse_of"),
            ({"pulp": "on", "pulp_of": "9" * 18}, "pulp_of"),
            ({"pulp": "on", "pulp_of": "x"}, "pulp_of"),
        ],
    )  # fmt: skip
    def test_refuses_beside_the_field_and_packs_nothing(self, member, fields, field):
        parcel = make_parcel(2, member=member.member)
        keys = {
            "sample": parcel.samples.first().pk,
            "stranger": make_parcel(1, member=member.member).samples.get().pk,
            "reference": make_material(member=member.member).pk,
        }
        body = {name: keys.get(value, value) for name, value in fields.items()} | {"identity": uuid4()}
        before = Sample.objects.count(), Lot.objects.count(), JournalEntry.objects.count()
        response = member.post(self.path(parcel), body)
        assert response.status_code == 200
        assert response.context["form"].errors[field or "__all__"]
        assert (Sample.objects.count(), Lot.objects.count(), JournalEntry.objects.count()) == before


class TestManyThatWait:
    """More splits than a page shows: the oldest are ticked, the others named by their codes."""

    @pytest.fixture(autouse=True)
    def two_shown(self, monkeypatch):
        monkeypatch.setattr("prospecting.forms.dispatching.MOST_SPLITS_SHOWN", 2)

    def test_the_oldest_are_shown_and_others_go_by_their_codes(self, member):
        oldest, second, third, fourth = (make_assay_split(member=member.member) for _ in range(4))
        parcel = make_parcel(1, lots=[oldest], member=member.member)
        path = reverse("dispatch-splits", args=[parcel.pk])
        page = text_of(member.get(path))
        assert "The 2 splits that wait longest" in page and "Others that wait, by their codes" in page
        assert second.code in page and fourth.code not in page
        typed = f"{fourth.code.lower().replace('-', '')}, {second.code}"
        body = {"identity": uuid4(), "lots": [second.pk, third.pk], "codes": typed}
        assert member.post(path, body).status_code == 302
        assert parcel.samples.count() == 4
        # Nothing more waits than a page shows: no codes are asked for.
        make_assay_split(member=member.member)
        assert 'name="codes"' not in member.get(path).content.decode()

    @pytest.mark.parametrize(
        ("codes", "says"),
        [
            ("BRK-47-X", "the check letter does not fit"),
            ("BRK-47-T", "BRK-47-T is no split for assay in the books."),
            ("x" * 2001, "at most 2000"),
            ("", "Tick at least one split to send."),
        ],
    )
    def test_what_is_no_split_is_told_and_packs_nothing(self, member, codes, says):
        parcel = make_parcel(1, member=member.member)
        for _ in range(3):
            make_assay_split(member=member.member)
        path = reverse("dispatch-splits", args=[parcel.pk])
        page = member.post(path, {"identity": uuid4(), "codes": codes})
        assert page.status_code == 200
        assert says in text_of(page)
        assert parcel.samples.count() == 1

    def test_a_new_dispatch_takes_them_too(self, member):
        splits = [make_assay_split(member=member.member) for _ in range(3)]
        body = {
            "identity": uuid4(),
            "laboratory": make_laboratory(member.member).pk,
            "method": "fire_30",
            "codes": splits[2].code,
        }
        assert "Now the checks" in text_of(member.post(reverse("dispatch-add"), body, follow=True))
        assert Sample.objects.get().lot == splits[2]


class TestFurtherSplits:
    def test_go_in_from_what_waits(self, member):
        parcel = make_parcel(1, member=member.member)
        lot = make_assay_split(member=member.member)
        path = reverse("dispatch-splits", args=[parcel.pk])
        assert lot.code in member.get(path).content.decode()
        assert member.post(path, {"identity": uuid4(), "lots": [lot.pk]}).url == parcel.get_absolute_url()
        assert parcel.samples.count() == 2
        assert "No split waits" in text_of(member.get(path))

    def test_are_taken_right_there_from_several_lots(self, member):
        parcel = make_parcel(0, member=member.member)
        lots = [make_lot("9000", member=member.member) for _ in range(2)]
        path = reverse("dispatch-take", args=[parcel.pk])
        assert lots[0].code in member.get(path).content.decode()
        asked = f"{path}?lot={lots[0].code}&lot={lots[1].code}&chosen=1"
        form = member.get(asked)
        assert "It holds 9 kg" in text_of(form) or "It holds 9.00 kg" in text_of(form)
        body = {
            "identity": uuid4(),
            "lot": [lot.code for lot in lots],
            "chosen": "1",
            "method": "riffle",
            "done_on": "2026-05-04",
            "people": "A. Splitter",
            **{f"mass_{lot.code}": "400 g" for lot in lots},
        }
        assert member.post(path, body).url == parcel.get_absolute_url()
        assert parcel.samples.count() == 2
        for lot in lots:
            lot.refresh_from_db()
            assert lot.on_hand_g == 8600

    def test_refuse_more_than_there_is_beside_the_lots_field(self, member):
        parcel = make_parcel(0, member=member.member)
        lot = make_lot("300", member=member.member)
        body = {
            "identity": uuid4(),
            "lot": [lot.code],
            "chosen": "1",
            "method": "riffle",
            "done_on": "2026-05-04",
            "people": "A. Splitter",
            f"mass_{lot.code}": "400 g",
        }
        response = member.post(reverse("dispatch-take", args=[parcel.pk]), body)
        assert response.context["form"].errors[f"mass_{lot.code}"]
        assert not parcel.samples.exists()

    def test_offer_no_concentrate_or_portion_unless_its_code_is_typed(self, member):
        parcel = make_parcel(0, member=member.member)
        lot = make_lot("9000", member=member.member)
        portion = make_portions(lot, 1, member=member.member)[0]
        path = reverse("dispatch-take", args=[parcel.pk])
        assert portion.code not in member.get(path).content.decode()
        assert portion.code in text_of(member.get(f"{path}?codes={portion.code}&chosen=1"))


class TestTakingOut:
    def test_says_what_lies_under_the_tag_and_takes_it_out(self, member):
        parcel = make_parcel(2, member=member.member)
        sample = parcel.samples.first()
        path = reverse("sample-take-out", args=[sample.pk])
        assert sample.lot.code in text_of(member.get(path))
        assert member.post(path, {"identity": uuid4(), "reason": "torn"}).url == parcel.get_absolute_url()
        assert parcel.samples.count() == 1
        assert member.get(path).status_code == 404

    def test_keeps_what_has_a_duplicate_or_has_gone(self, member):
        parcel = make_parcel(2, member=member.member)
        sample = parcel.samples.first()
        twin = PlannedCheck(kind="duplicate", of=sample, stage="pulp")
        dispatching.add_checks(dispatch=parcel, checks=[twin], recorded_by=member.member)
        path = reverse("sample-take-out", args=[sample.pk])
        response = member.post(path, {"identity": uuid4(), "reason": ""})
        assert "Take that out first" in response.context["form"].errors["reason"][0]
        dispatching.say_sent(dispatch=parcel, sent_on=SENT, recorded_by=member.member)
        assert "nothing comes out any more" in text_of(member.get(path))
        assert "went on 04 May 2026" in text_of(member.post(path, {"identity": uuid4(), "reason": ""}))
        assert parcel.samples.count() == 3


class TestIsOneChargeEnough:
    def test_reckons_the_worked_example(self, client_as):
        """5 g/t in balls of 0.3 mm: 0.55 grain in 30 g, 58 % nil; 1 kg holds 18 (23 %): trade_practice.md section 4 [K]."""
        guest = client_as("guest", grade_unit="g_per_t")
        words = text_of(guest.get(reverse("assay-charges") + "?gold=0.3+mm&grade=5"))
        assert "A 30 g charge holds 0.55 grains on average: about 6 in 10 such charges hold none" in words
        assert "A screen fire assay of 1 kg holds 18" in words
        assert "none: 0.577" in words

    @pytest.mark.parametrize(
        ("query", "field"),
        [
            ("gold=0.3&grade=5", "gold"),
            ("gold=&grade=5", "gold"),
            ("gold=0.3+mm&grade=", "grade"),
            ("gold=9+m&grade=5", "gold"),
            ("gold=0.3+mm&grade=-5", "grade"),
            ("gold=0.3+mm&grade=500000+g/t", "grade"),
            ("gold=0+mm&grade=5", "gold"),
            ("gold=%00&grade=1e999", "grade"),
        ],
    )
    def test_refuses_beside_the_field(self, member, query, field):
        response = member.get(f"{reverse('assay-charges')}?{query}")
        assert response.status_code == 200
        assert response.context["form"].errors[field]

    def test_asks_first(self, member):
        assert "Give the size of the grains" in text_of(member.get(reverse("assay-charges")))


@pytest.mark.parametrize("name", ["dispatch-checks", "dispatch-splits", "dispatch-take"])
class TestWhoMayPack:
    def test_guests_do_not(self, client_as, name):
        path = reverse(name, args=[make_parcel(1).pk])
        guest = client_as("guest")
        assert guest.get(path).status_code == guest.post(path).status_code == 403

    def test_nothing_after_it_has_gone(self, member, name):
        parcel = make_parcel(1, member=member.member)
        dispatching.say_sent(dispatch=parcel, sent_on=SENT, recorded_by=member.member)
        assert "nothing goes in any more" in text_of(member.get(reverse(name, args=[parcel.pk])))
