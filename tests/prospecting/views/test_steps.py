import uuid

import pytest
from django.urls import reverse

from prospecting.actions import steps as acts
from prospecting.actions.material import DrawFrom
from prospecting.models import Lot, Step
from tests.make import DAY, make_blend, make_lot, make_member, make_portions, make_zone

pytestmark = pytest.mark.django_db

SIZE = {"size": "20 mesh", "mesh_series": "astm_e11"}
# Each act on a lot of 10 kg: address, what is typed, the kinds of lots it makes, the loss in grams.
ACTS = {
    "lot-dry": ({"dry_mass": "9 kg"}, ["bucket"], 1000),
    "lot-crush": ({"mass_out": "9.95", "machine": "jaw crusher", **SIZE}, ["crushed"], 50),
    "lot-screen": ({"undersize": "9", "oversize": "0.95", **SIZE}, ["undersize", "oversize"], 50),
    "lot-split": ({"piece_1": "5", "piece_2": "4.95", "method": "riffle"}, ["split", "split"], 50),
    "lot-cut": ({"number": "6", "each": "1 lb", "method": "riffle"}, ["portion"] * 6, 0),
    "lot-take-for-assay": ({"mass": "500 g", "method": "cone_quarter"}, ["assay_split"], 0),
    "lot-reweigh": ({"mass": "9.7", "reason": "dried"}, [], 300),
    "lot-discard": ({"mass": "2", "loss_reason": "spilled"}, [], 2000),
}
# A field of each act that holds a mass and must be filled, or that may be.
MASS_FIELD = {
    "lot-dry": "dry_mass",
    "lot-crush": "mass_out",
    "lot-screen": "undersize",
    "lot-split": "piece_2",
    "lot-cut": "each",
    "lot-take-for-assay": "mass",
    "lot-reweigh": "mass",
    "lot-discard": "mass",
}


def typed(act: str, **more) -> dict:
    return (
        {"identity": str(uuid.uuid4()), "done_on": "2026-05-03", "people": "A. Digger"} | ACTS[act][0] | more
    )


@pytest.fixture(params=ACTS)
def act(request) -> str:
    return request.param


class TestEveryAct:
    def test_page_shows_the_tag_and_is_for_members(
        self, act, client_as, client, django_assert_max_num_queries
    ):
        lot = make_lot()
        url = reverse(act, args=[lot.code])
        member = client_as("member", mass_unit="lb", first_name="Ada", last_name="Stone")
        with django_assert_max_num_queries(20):
            page = member.get(url)
        words = page.content.decode()
        assert page.status_code == 200
        assert "22.05 lb" in words
        assert 'value="Ada Stone"' in words
        assert client_as("guest").get(url).status_code == 403
        assert client.get(url).status_code == 302
        assert member.get(reverse(act, args=["BRK-47-T"])).status_code == 404

    def test_records_once_and_shows_the_loss(self, act, client_as):
        lot, client = make_lot(), client_as("member")
        url, data = reverse(act, args=[lot.code]), typed(act)
        answer = client.post(url, data)
        step = Step.objects.exclude(kind="dig").get()
        assert (answer.status_code, answer["Location"]) == (302, step.get_absolute_url())
        assert [made.kind for made in step.made.order_by("pk")] == ACTS[act][1]
        assert step.loss_g == ACTS[act][2]
        assert (step.people, step.recorded_by) == ("A. Digger", client.member)
        # A second tap sends the very same form again.
        assert client.post(url, data)["Location"] == step.get_absolute_url()
        assert Step.objects.exclude(kind="dig").count() == 1
        page = client.post(url, data | {"note": "changed"})
        assert page.status_code == 200
        assert "was already recorded once, with other values" in page.content.decode()
        assert Step.objects.exclude(kind="dig").count() == 1

    @pytest.mark.parametrize(
        "text",
        ["nonsense", "-5", "0", "99999999999", "5 L", "5 ton", "1,200", "9" * 41, "💥", "5\0"],
    )
    def test_bad_mass_is_refused_beside_its_field_and_kept(self, act, client_as, text):
        lot, field = make_lot(), MASS_FIELD[act]
        page = client_as("member").post(reverse(act, args=[lot.code]), typed(act, **{field: text}))
        assert page.status_code == 200
        assert page.context["form"].errors[field]
        assert page.context["form"][field].value() == text
        assert not Step.objects.exclude(kind="dig").exists()
        lot.refresh_from_db()
        assert lot.on_hand_g == 10000

    def test_more_than_there_is_is_refused_in_a_sentence(self, act, client_as):
        lot = make_lot()
        data = typed(act, **{MASS_FIELD[act]: "70 kg", "keep_as_typed": "on"})
        page = client_as("member").post(reverse(act, args=[lot.code]), data)
        assert page.status_code == 200
        assert page.context["form"].errors
        assert not page.context["form"].non_field_errors()
        assert not Step.objects.exclude(kind="dig").exists()

    def test_blank_form_is_refused_without_a_change(self, act, client_as):
        lot = make_lot()
        client = client_as("member")
        for data in ({}, {"identity": "not one"}, {"identity": str(uuid.uuid4())}):
            page = client.post(reverse(act, args=[lot.code]), data)
            assert page.status_code == 200
        assert page.context["form"].errors["people"]
        assert not Step.objects.exclude(kind="dig").exists()

    def test_used_up_lot_is_refused(self, act, client_as):
        lot, client = make_lot(), client_as("member")
        acts.discard_from_lot(
            draw=DrawFrom(lot=lot, mass_g=lot.on_hand_g),
            recorded_by=client.member,
            done_on=DAY,
            details=acts.StepDetails(loss_reason="spilled"),
        )
        page = client.post(reverse(act, args=[lot.code]), typed(act))
        assert page.status_code == 200
        assert page.context["form"].errors
        assert Step.objects.exclude(kind="dig").count() == 1

    @pytest.mark.parametrize("day", ["2999-01-01", "yesterday", "0001-01-01", ""])
    def test_day_that_cannot_be_is_refused_beside_it(self, act, client_as, day):
        page = client_as("member").post(reverse(act, args=[make_lot().code]), typed(act, done_on=day))
        assert page.context["form"].errors["done_on"]
        assert not Step.objects.exclude(kind="dig").exists()

    def test_void_lot_has_no_page(self, act, client_as):
        lot = make_lot()
        Lot.objects.filter(pk=lot.pk).update(is_void=True, on_hand_g=0)
        assert client_as("member").get(reverse(act, args=[lot.code])).status_code == 404

    def test_a_guest_records_nothing(self, act, client_as):
        assert client_as("guest").post(reverse(act, args=[make_lot().code]), typed(act)).status_code == 403
        assert not Step.objects.exclude(kind="dig").exists()


class TestAllOfIt:
    @pytest.mark.parametrize(
        "act", ["lot-dry", "lot-crush", "lot-screen", "lot-split", "lot-take-for-assay", "lot-discard"]
    )
    def test_blank_takes_all_on_hand_and_a_second_tap_changes_nothing(self, act, client_as):
        lot, client = make_lot(), client_as("member")
        data = typed(act, mass="", keep_as_typed="on")
        first = client.post(reverse(act, args=[lot.code]), data)
        second = client.post(reverse(act, args=[lot.code]), data)
        lot.refresh_from_db()
        assert (first.status_code, second["Location"]) == (302, first["Location"])
        assert lot.on_hand_g == 0

    def test_of_a_large_lot_for_the_laboratory_is_asked_about(self, client_as):
        lot = make_lot("12000")
        page = client_as("member").post(
            reverse("lot-take-for-assay", args=[lot.code]), typed("lot-take-for-assay", mass="")
        )
        assert "would leave for the laboratory" in page.content.decode()
        assert not Step.objects.exclude(kind="dig").exists()


class TestLoss:
    def test_without_a_reason_over_the_tolerance_is_refused_beside_the_reason(self, client_as):
        lot, client = make_lot(), client_as("member", mass_unit="lb")
        data = typed("lot-crush", mass_out="9 kg")
        page = client.post(reverse("lot-crush", args=[lot.code]), data)
        assert "2.2 lb is missing of 22.05 lb put in" in str(page.context["form"].errors["loss_reason"])
        answer = client.post(
            reverse("lot-crush", args=[lot.code]), data | {"loss_reason": "belt slipped, spilled"}
        )
        assert answer.status_code == 302
        assert "belt slipped, spilled" in client.get(answer["Location"]).content.decode()

    def test_of_drying_is_shown_as_moisture_of_the_wet_mass(self, client_as):
        # 100 wet, 90 dry is 10 % moisture: loss over wet mass, the definition of ISO 3087 (stated from memory).
        lot, client = make_lot("100000"), client_as("member")
        answer = client.post(reverse("lot-dry", args=[lot.code]), typed("lot-dry", dry_mass="90 kg"))
        page = client.get(answer["Location"]).content.decode()
        assert "Water driven off: 10 kg, 10 % of the wet mass (moisture)" in page

    def test_gain_is_refused_beside_what_came_out(self, client_as):
        page = client_as("member").post(
            reverse("lot-crush", args=[make_lot().code]), typed("lot-crush", mass_out="10.5")
        )
        assert "0.5 kg too much" in str(page.context["form"].errors["mass_out"])


class TestGuard:
    def test_asks_and_is_answered_by_a_tick(self, client_as):
        lot, client = make_lot(), client_as("member")
        data = typed("lot-dry", dry_mass="0.9 kg", loss_reason="rained on")
        page = client.post(reverse("lot-dry", args=[lot.code]), data)
        assert "11 times less than what was expected (10 kg)" in page.content.decode()
        assert 'value="0.9 kg"' in page.content.decode()
        assert not Step.objects.exclude(kind="dig").exists()
        assert (
            client.post(reverse("lot-dry", args=[lot.code]), data | {"keep_as_typed": "on"}).status_code
            == 302
        )


class TestSplitAndCut:
    @pytest.mark.parametrize(
        ("asked", "shown"), [("", 2), ("4", 4), ("8", 8), ("99", 8), ("0", 2), ("x", 2), ("٤", 2)]
    )
    def test_split_shows_as_many_fields_as_asked(self, client_as, asked, shown):
        page = client_as("member").get(reverse("lot-split", args=[make_lot().code]), {"pieces": asked})
        assert len(page.context["form"].pieces) == shown

    def test_split_in_four(self, client_as):
        lot = make_lot()
        data = typed("lot-split", piece_1="2.5", piece_2="2.5", piece_3="2.5", piece_4="2.5")
        client_as("member").post(reverse("lot-split", args=[lot.code]) + "?pieces=4", data)
        assert Lot.objects.of_kind(Lot.Kind.SPLIT).count() == 4

    def test_split_says_what_scooping_does(self, client_as):
        page = client_as("member").get(reverse("lot-split", args=[make_lot().code])).content.decode()
        assert "28 to 47 %" in page

    def test_cut_portions_each_weighed(self, client_as):
        lot = make_lot()
        data = typed("lot-cut", portion_1="454 g", portion_2="451 g", portion_3="460 g", nothing_left="")
        client_as("member").post(reverse("lot-cut", args=[lot.code]) + "?weighed=3", data)
        portions = Lot.objects.of_kind(Lot.Kind.PORTION).order_by("portion_number")
        assert [portion.mass_g for portion in portions] == [454, 451, 460]
        lot.refresh_from_db()
        assert lot.on_hand_g == 10000 - 1365

    def test_cut_says_how_many_portions_the_lot_holds(self, client_as):
        page = client_as("member").post(
            reverse("lot-cut", args=[make_lot().code]), typed("lot-cut", number="30", each="454 g")
        )
        assert "enough for 22 portions of 454 g, not for 30" in str(page.context["form"].errors["each"])

    def test_cut_of_sixty_portions_stays_within_twenty_odd_queries(
        self, client_as, django_assert_max_num_queries
    ):
        lot, client = make_lot("40000"), client_as("member")
        with django_assert_max_num_queries(30):
            client.post(reverse("lot-cut", args=[lot.code]), typed("lot-cut", number="60"))
        assert Lot.objects.of_kind(Lot.Kind.PORTION).count() == 60


class TestMeasuredCut:
    DATA = {
        "measure": "250 mL",
        "weighed_volume": "1250 mL",
        "weighed_mass": "2 kg",
        "number": "6",
        "method": "riffle",
    }

    def post(self, client, lot: Lot, **more):
        data = typed("lot-cut", **(self.DATA | more))
        return client.post(reverse("lot-cut", args=[lot.code]) + "?measured=1", data)

    def test_page_says_what_a_measure_is_worth(self, client_as, django_assert_max_num_queries):
        client, url = client_as("member"), reverse("lot-cut", args=[make_lot().code])
        with django_assert_max_num_queries(20):
            page = client.get(url, {"measured": "1"}).content.decode()
        assert "Less exact than weighing." in page
        assert "drawn by lot afterwards" in page

    def test_records_volume_times_bulk_density(self, client_as):
        lot, client = make_lot(), client_as("member")
        answer = self.post(client, lot)
        portions = Lot.objects.of_kind(Lot.Kind.PORTION)
        assert {(each.mass_g, each.mass_typed) for each in portions} == {(400, "250 mL at 1.60 g/mL")}
        lot.refresh_from_db()
        assert (lot.on_hand_g, portions.count()) == (7600, 6)
        step = Step.objects.get(kind="cut")
        assert (step.measure_ml, float(step.bulk_density_g_per_ml)) == (250, 1.6)
        page = client.get(answer["Location"]).content.decode()
        assert "250 mL, of which each weighs 1.6000 g" in page

    def test_odd_density_is_asked_about_and_an_impossible_one_refused(self, client_as):
        lot, client = make_lot(), client_as("member")
        assert "lighter than water" in self.post(client, lot, weighed_mass="1 kg").content.decode()
        page = self.post(client, lot, weighed_mass="1 g", keep_as_typed="on")
        assert page.context["form"].errors["weighed_mass"]
        assert not Step.objects.exclude(kind="dig").exists()

    def test_more_portions_than_there_are_is_said_beside_the_measure(self, client_as):
        page = self.post(client_as("member"), make_lot(), number="60")
        assert "enough for 25 portions of 250 mL at 1.60 g/mL, not for 60" in str(
            page.context["form"].errors["measure"]
        )
        assert not Step.objects.exclude(kind="dig").exists()


class TestReweigh:
    def post(self, client, lot: Lot, **more):
        return client.post(reverse("lot-reweigh", args=[lot.code]), typed("lot-reweigh", **more))

    def test_a_gain_leads_to_the_correction_beside_the_mass(self, client_as):
        lot, client = make_lot(), client_as("member")
        link = f'<a class="act quiet" href="{reverse("lot-correct", args=[lot.code])}">'
        assert link not in client.get(reverse("lot-reweigh", args=[lot.code])).content.decode()
        page = self.post(client, lot, mass="10.4")
        assert "The books hold 10 kg" in str(page.context["form"].errors["mass"])
        assert link in page.content.decode()

    def test_a_wrong_earlier_weight_leads_there_and_books_nothing(self, client_as):
        lot = make_lot()
        page = self.post(client_as("member"), lot, reason="wrong").content.decode()
        assert "correct the earlier weight" in page
        assert f'<a class="act quiet" href="{reverse("lot-correct", args=[lot.code])}">' in page
        assert not Step.objects.exclude(kind="dig").exists()

    def test_reason_and_words_are_kept_together(self, client_as):
        self.post(client_as("member"), make_lot(), reason="spilled", loss_reason="on the road")
        assert Step.objects.get(kind="reweigh").loss_reason == "Some was spilled or lost: on the road"


class TestSameForTheNext:
    def crush(self, client, lot: Lot, **more) -> Step:
        data = typed("lot-crush", passes="3", note="wet", loss_reason="dust", **more)
        client.post(reverse("lot-crush", args=[lot.code]), data)
        return Step.objects.filter(kind="crush").first()

    def again(self, client, step: Step, **asked):
        return client.get(reverse("step-again", args=[step.pk]), asked)

    def test_opens_the_form_of_the_same_zones_next_bucket_and_books_nothing(
        self, client_as, django_assert_max_num_queries
    ):
        north, client = make_zone(), client_as("member")
        first, elsewhere, same, held = make_lot(zone=north), make_lot(), make_lot(zone=north), make_lot()
        step = self.crush(client, first)
        steps_before = Step.objects.count()
        assert reverse("step-again", args=[step.pk]) in client.get(step.get_absolute_url()).content.decode()
        with django_assert_max_num_queries(20):
            answer = self.again(client, step)
        assert answer["Location"] == reverse("lot-crush", args=[same.code]) + f"?like={step.pk}"
        with django_assert_max_num_queries(20):
            page = client.get(answer["Location"])
        values = {field.name: field.value() for field in page.context["form"].visible_fields()}
        assert (values["machine"], values["passes"], values["size"]) == ("jaw crusher", 3, "20 mesh")
        assert (str(values["done_on"]), values["people"]) == ("2026-05-03", "A. Digger")
        assert (values["mass"], values["mass_out"], values["note"], values["loss_reason"]) == (None,) * 4
        assert "Filled in as for" in page.content.decode()
        assert Step.objects.count() == steps_before
        # The next of the zone is done, so another zone's comes; one held back is passed over.
        Lot.objects.filter(pk=elsewhere.pk).update(reserve_reason="next year")
        step = self.crush(client, same)
        assert reverse("lot-crush", args=[held.code]) in self.again(client, step)["Location"]

    def test_masses_still_have_to_be_typed(self, client_as):
        client, lots = client_as("member"), [make_lot(), make_lot()]
        step = self.crush(client, lots[0])
        url = self.again(client, step)["Location"]
        page = client.post(url, typed("lot-crush", mass_out=""))
        assert page.context["form"].errors["mass_out"]
        assert Step.objects.filter(kind="crush").count() == 1

    def test_a_typed_code_names_another(self, client_as):
        client, first, other = client_as("member"), make_lot(), make_lot()
        make_lot()
        step = self.crush(client, first)
        answer = self.again(client, step, code=other.code.lower().replace("-", " "))
        assert answer["Location"] == reverse("lot-crush", args=[other.code]) + f"?like={step.pk}"
        page = self.again(client, step, other="1")
        assert (page.status_code, "No other lot" in page.content.decode()) == (200, False)

    @pytest.mark.parametrize("code", ["", "nonsense", "BRK-47-Z", "x\0", "💥" * 100])
    def test_a_code_that_cannot_be_is_said(self, client_as, code):
        client = client_as("member")
        page = self.again(client, self.crush(client, make_lot()), code=code)
        assert page.status_code == 200
        assert page.context["find"].errors["code"]

    def test_says_when_none_is_left(self, client_as):
        client = client_as("member")
        page = self.again(client, self.crush(client, make_lot()))
        assert "No other lot of that kind" in page.content.decode()

    def test_what_went_through_the_like_already_is_not_next(self, client_as):
        client, wet = client_as("member"), make_lot()
        make_lot(is_dry=True)
        client.post(reverse("lot-dry", args=[wet.code]), typed("lot-dry"))
        step = Step.objects.get(kind="dry")
        assert step.made.get().on_hand_g > 0
        assert "No other lot of that kind" in self.again(client, step).content.decode()
        finer, coarser = make_lot(top_size_um=600), make_lot(top_size_um=2000)
        step = self.crush(client, make_lot())
        assert finer.code not in self.again(client, step)["Location"]
        Lot.objects.exclude(pk__in=[finer.pk, coarser.pk]).update(on_hand_g=0)
        assert coarser.code in self.again(client, step)["Location"]

    def test_split_comes_back_with_as_many_pieces(self, client_as):
        client, lots = client_as("member"), [make_lot(), make_lot()]
        data = typed("lot-split", piece_1="4", piece_2="3", piece_3="2.95", passes="2")
        client.post(reverse("lot-split", args=[lots[0].code]) + "?pieces=3", data)
        answer = self.again(client, Step.objects.get(kind="split"))
        page = client.get(answer["Location"])
        assert len(page.context["form"].pieces) == 3
        assert page.context["form"]["method"].value() == "riffle"

    def test_is_for_members_and_for_steps_done_to_many(self, client_as, client):
        member, lot = client_as("member"), make_lot()
        step = self.crush(member, lot)
        assert self.again(client_as("guest"), step).status_code == 403
        assert self.again(client, step).status_code == 302
        assert (
            reverse("step-again", args=[step.pk])
            not in client_as("guest").get(step.get_absolute_url()).content.decode()
        )
        assert self.again(member, lot.made_by).status_code == 404
        member.post(reverse("step-void", args=[step.pk]), {"identity": str(uuid.uuid4()), "reason": "wrong"})
        assert self.again(member, step).status_code == 404

    @pytest.mark.parametrize("like", ["", "x", "-1", "٣", "9" * 15, "9" * 40, "1\0"])
    def test_an_address_that_names_no_step_fills_in_nothing(self, client_as, like):
        page = client_as("member").get(reverse("lot-crush", args=[make_lot().code]), {"like": like})
        assert page.status_code == 200
        assert page.context["form"].like is None


class TestBlend:
    url = "/lots/blend/"

    def data(self, *lots: Lot, **more) -> dict:
        return {
            "identity": str(uuid.uuid4()),
            "masses": "1",
            "lot": [lot.code for lot in lots],
            "done_on": "2026-05-03",
            "people": "A. Digger",
            "method": "rolled",
            "passes": "40",
            "title": "test lot 3",
        } | more

    def test_lots_are_chosen_by_tick_and_search(self, client_as, client, django_assert_max_num_queries):
        first, second = make_lot(title="north"), make_lot(title="creek")
        member = client_as("member")
        with django_assert_max_num_queries(20):
            page = member.get(self.url, {"lot": first.code, "text": "creek", "search": "1"})
        assert [lot.code for lot in page.context["choice"].lots] == [first.code]
        assert [lot.code for lot in page.context["choice"].shown()] == [second.code]
        assert client_as("guest").get(self.url).status_code == 403
        assert client.get(self.url).status_code == 302

    def test_two_ticks_lead_to_the_masses(self, client_as, django_assert_max_num_queries):
        lots, client = [make_lot() for _ in range(20)], client_as("member")
        with django_assert_max_num_queries(20):
            page = client.get(self.url, {"lot": [lot.code for lot in lots], "masses": "1"})
        assert "taken as well mixed" in page.content.decode()
        assert len(page.context["form"].lots) == 20

    @pytest.mark.parametrize("codes", [[], ["BRK-47-T"], ["x\0"], [""]])
    def test_fewer_than_two_lots_are_said(self, client_as, codes):
        page = client_as("member").get(self.url, {"lot": codes, "masses": "1"})
        assert "Tick at least two lots." in page.content.decode()

    def test_more_than_twenty_are_said(self, client_as):
        codes = [make_lot().code for _ in range(21)]
        page = client_as("member").get(self.url, {"lot": codes, "masses": "1"})
        assert "at most 20 lots" in page.content.decode()

    def test_records_measured_masses_and_all_of_the_rest(self, client_as, django_assert_max_num_queries):
        first, second = make_lot("3000"), make_lot("1000")
        client = client_as("member")
        data = self.data(first, second, mass_out="3.99 kg", **{f"mass_{first.code}": "3 kg"})
        with django_assert_max_num_queries(35):
            answer = client.post(self.url, data)
        blend = Lot.objects.of_kind(Lot.Kind.BLEND).get()
        assert answer["Location"] == blend.made_by.get_absolute_url()
        assert client.post(self.url, data)["Location"] == answer["Location"]
        assert Lot.objects.of_kind(Lot.Kind.BLEND).count() == 1
        assert (blend.title, blend.mass_g, blend.made_by.loss_g, blend.made_by.passes) == (
            "test lot 3",
            3990,
            10,
            40,
        )
        shares = {origin.dig_id: origin.share for origin in blend.origins.all()}
        assert shares == {
            first.origins.get().dig_id: pytest.approx(0.75),
            second.origins.get().dig_id: pytest.approx(0.25),
        }

    def test_uniformity_portions_are_cut_in_the_same_entry(self, client_as, django_assert_max_num_queries):
        first, second, client = make_lot("3000"), make_lot("1000"), client_as("member")
        data = self.data(first, second, mass_out="3.99 kg", check_number="3", check_mass="200 g")
        with django_assert_max_num_queries(50):
            answer = client.post(self.url, data)
        assert client.post(self.url, data)["Location"] == answer["Location"]
        blend = Lot.objects.of_kind(Lot.Kind.BLEND).get()
        portions = Lot.objects.of_kind(Lot.Kind.PORTION).order_by("portion_number")
        assert (blend.on_hand_g, [each.mass_g for each in portions]) == (3390, [200] * 3)
        assert portions[0].title == f"uniformity portion 1 of {blend.code}"
        assert portions[0].made_by.method == "rolled"

    def test_too_heavy_uniformity_portions_leave_no_blend_behind(self, client_as):
        first, second = make_lot("3000"), make_lot("1000")
        data = self.data(first, second, mass_out="4 kg", check_number="5", check_mass="1 kg")
        page = client_as("member").post(self.url, data)
        assert "not for 5" in str(page.context["form"].errors["check_mass"])
        assert not Step.objects.exclude(kind="dig").exists()

    def test_codes_are_typed_as_well_as_ticked(self, client_as):
        first, second = make_lot(), make_lot()
        asked = {"codes": f"{first.code.lower()}\n{second.code}", "masses": "1"}
        page = client_as("member").get(self.url, asked)
        assert list(page.context["form"].lots.values()) == [first, second]

    def test_twenty_lots_stay_within_twenty_odd_queries(self, client_as, django_assert_max_num_queries):
        lots, client = [make_lot("1000") for _ in range(20)], client_as("member")
        with django_assert_max_num_queries(30):
            client.post(self.url, self.data(*lots, mass_out="20 kg"))
        assert Lot.objects.of_kind(Lot.Kind.BLEND).get().origins.count() == 20

    def test_too_much_is_refused_beside_the_right_lot(self, client_as):
        first, second = make_lot("3000"), make_lot("1000")
        typed = {f"mass_{first.code}": "2 kg", f"mass_{second.code}": "1.5 kg"}
        page = client_as("member").post(self.url, self.data(first, second, mass_out="3.5 kg", **typed))
        assert list(page.context["form"].errors) == [f"mass_{second.code}"]
        assert 'value="1.5 kg"' in page.content.decode()
        assert not Lot.objects.of_kind(Lot.Kind.BLEND).exists()

    def test_a_lot_voided_meanwhile_is_refused_not_left_out(self, client_as):
        first, second, third = make_lot("3000"), make_lot("1000"), make_lot("1000")
        Lot.objects.filter(pk=third.pk).update(is_void=True, on_hand_g=0)
        page = client_as("member").post(self.url, self.data(first, second, third, mass_out="4 kg"))
        assert "is void" in str(page.context["form"].errors[f"mass_{third.code}"])
        assert not Lot.objects.of_kind(Lot.Kind.BLEND).exists()


class TestStepPage:
    @pytest.mark.parametrize("role", ["guest", "member"])
    def test_shows_draws_lots_shares_and_their_working(self, client_as, django_assert_max_num_queries, role):
        first, second = make_lot("3000"), make_lot("1000")
        blend = make_blend((first, "3000"), (second, "1000"), mass_g="3980")
        client = client_as(role)
        with django_assert_max_num_queries(20):
            page = client.get(blend.made_by.get_absolute_url()).content.decode()
        for fact in (
            first.code,
            second.code,
            blend.code,
            "Loss: 20 g, 0.5 % of what went in",
            "75 %",
            "25 %",
        ):
            assert fact in page
        assert "what went in − what came out" in page
        assert "as well mixed" in page
        assert ("Void this step" in page) is False

    def test_of_sixty_portions_costs_no_more(self, client_as, django_assert_max_num_queries):
        portions = make_portions(make_lot("40000"), 60, "454")
        client = client_as("member")
        with django_assert_max_num_queries(20):
            page = client.get(portions[0].made_by.get_absolute_url())
        assert portions[-1].code in page.content.decode()

    def test_offers_to_move_and_hand_over_what_is_on_hand_of_it_together(self, client_as):
        first, second, gone = make_portions(make_lot(), 3)
        Lot.objects.filter(pk=gone.pk).update(on_hand_g=0)
        url, asked = first.made_by.get_absolute_url(), f"?lot={first.code}&amp;lot={second.code}&amp;"
        member, guest = (client_as(role).get(url).content.decode() for role in ("member", "guest"))
        for name in ("lots-move", "lots-hand-over"):
            assert f'href="{reverse(name)}{asked}"' in member
            assert reverse(name) not in guest

    def test_of_a_dig_links_the_dig(self, client_as, client):
        step = make_lot().made_by
        page = client_as("guest").get(step.get_absolute_url()).content.decode()
        assert step.dig.get_absolute_url() in page
        assert client.get(step.get_absolute_url()).status_code == 302
        assert client_as("guest").get(reverse("step-detail", args=[10**9])).status_code == 404

    def test_offers_voiding_to_who_may(self, client_as):
        member = client_as("member")
        step = make_lot(member=member.member).made_by
        url = reverse("step-void", args=[step.pk])
        assert url in member.get(step.get_absolute_url()).content.decode()
        assert url in client_as("keeper").get(step.get_absolute_url()).content.decode()
        assert url not in client_as("member").get(step.get_absolute_url()).content.decode()
        assert url not in client_as("guest").get(step.get_absolute_url()).content.decode()


class TestVoidPage:
    def void(self, client, step: Step, reason: str = "wrong lot"):
        data = {"identity": str(uuid.uuid4()), "reason": reason}
        return client.post(reverse("step-void", args=[step.pk]), data)

    def test_gives_the_mass_back(self, client_as, client, django_assert_max_num_queries):
        member = client_as("member")
        lot = make_lot()
        step = make_portions(lot, 2, "454", member=member.member)[0].made_by
        with django_assert_max_num_queries(20):
            assert lot.code in member.get(reverse("step-void", args=[step.pk])).content.decode()
        assert self.void(member, step)["Location"] == step.get_absolute_url()
        lot.refresh_from_db()
        assert lot.on_hand_g == 10000
        page = member.get(step.get_absolute_url()).content.decode()
        assert "Voided" in page
        assert "wrong lot" in page
        assert client.get(reverse("step-void", args=[step.pk])).status_code == 302

    @pytest.mark.parametrize("reason", ["", "   ", "x" * 201])
    def test_needs_a_reason_that_fits(self, client_as, reason):
        member = client_as("member")
        step = make_lot(member=member.member).made_by
        page = self.void(member, step, reason)
        assert page.context["form"].errors["reason"]
        step.refresh_from_db()
        assert not step.is_void

    def test_is_refused_while_used_and_to_others_and_to_guests(self, client_as):
        member = client_as("member")
        lot = make_lot(member=member.member)
        make_portions(lot, 2, "454", member=member.member)
        assert "has had material taken from it" in self.void(member, lot.made_by).content.decode()
        assert "Only a keeper voids" in self.void(client_as("member"), lot.made_by).content.decode()
        assert self.void(client_as("guest"), lot.made_by).status_code == 403
        lot.made_by.refresh_from_db()
        assert not lot.made_by.is_void

    def test_sends_a_run_to_its_own_page(self, client_as):
        keeper, lot = client_as("keeper"), make_lot()
        step = acts.recover_gold(
            draw=DrawFrom(lot=lot, mass_g=lot.on_hand_g, typed="all"), recorded_by=make_member(), done_on=DAY
        )
        assert "voided on its own page" in keeper.get(reverse("step-void", args=[step.pk])).content.decode()
        page = self.void(keeper, step)
        assert (page.status_code, "voided on its own page" in page.content.decode()) == (200, True)
        step.refresh_from_db()
        assert not step.is_void
