import uuid

import pytest
from django.urls import reverse

from prospecting.actions import steps
from prospecting.actions.material import DrawFrom, StepDetails, void_step
from prospecting.models import JournalEntry, Lot
from tests.make import DAY, make_blend, make_lot, make_member, make_portions

pytestmark = pytest.mark.django_db


def typed(**more) -> dict:
    return {"identity": str(uuid.uuid4()), "mass": "11", "reason": "read the wrong line"} | more


def lot_url(lot: Lot, query: str = "") -> str:
    return reverse("lot-correct", args=[lot.code]) + query


def discard(lot: Lot, mass_g: int) -> None:
    steps.discard_from_lot(
        draw=DrawFrom(lot=lot, mass_g=mass_g),
        recorded_by=make_member(),
        done_on=DAY,
        details=StepDetails(loss_reason="spilled"),
    )


def booked(lot: Lot) -> tuple:
    lot.refresh_from_db()
    return lot.mass_g, lot.on_hand_g


class TestLotCorrect:
    def test_shows_first_then_does_what_was_shown_once(self, client_as, django_assert_max_num_queries):
        client = client_as("member")
        lot = make_lot(member=client.member)
        with django_assert_max_num_queries(20):
            assert "The books say 10 kg" in client.get(lot_url(lot)).content.decode()
        data = typed()
        page = client.post(lot_url(lot), data)
        words = page.content.decode()
        assert "This would change" in words
        assert lot.code in words
        assert booked(lot) == (10000, 10000)
        data["agreed"] = page.context["preview"]["fingerprint"]
        for _ in range(2):
            answer = client.post(lot_url(lot), data)
            entry = JournalEntry.objects.get(what="corrected masses")
            assert (answer.status_code, answer["Location"]) == (
                302,
                reverse("correction-detail", args=[entry.pk]),
            )
        assert booked(lot) == (11000, 11000)
        with django_assert_max_num_queries(20):
            words = client.get(answer["Location"]).content.decode()
        assert "11 kg" in words
        assert "read the wrong line" in words

    def test_asks_anew_when_the_books_moved_between(self, client_as):
        client = client_as("member")
        lot = make_lot(member=client.member)
        data = typed()
        data["agreed"] = client.post(lot_url(lot), data).context["preview"]["fingerprint"]
        discard(lot, 500)
        page = client.post(lot_url(lot), data)
        assert "Something else would change" in page.content.decode()
        assert booked(lot) == (10000, 9500)
        data["agreed"] = page.context["preview"]["fingerprint"]
        assert client.post(lot_url(lot), data).status_code == 302
        assert booked(lot) == (11000, 10500)

    def test_a_figure_changed_after_the_list_is_shown_again(self, client_as):
        client = client_as("member")
        lot = make_lot(member=client.member)
        agreed = client.post(lot_url(lot), typed()).context["preview"]["fingerprint"]
        page = client.post(lot_url(lot), typed(mass="12", agreed=agreed))
        assert page.context["preview"]["fingerprint"] != agreed
        assert booked(lot) == (10000, 10000)
        page = client.post(lot_url(lot), typed(agreed=agreed, change="1"))
        assert page.context["preview"] is None
        assert 'value="11"' in page.content.decode()
        assert client.post(lot_url(lot), typed(agreed="guessed")).status_code == 200
        assert booked(lot) == (10000, 10000)

    @pytest.mark.parametrize(
        "text", ["", "nonsense", "-5", "0", "99999999999", "5 L", "5 ton", "1,200", "9" * 41, "💥", "5\0"]
    )
    def test_bad_mass_is_refused_beside_its_field_and_kept(self, client_as, text):
        client = client_as("member")
        lot = make_lot(member=client.member)
        for more in ({}, {"agreed": "x"}):
            page = client.post(lot_url(lot), typed(mass=text, **more))
            assert page.status_code == 200
            assert page.context["form"].errors["mass"]
            assert page.context["form"]["mass"].value() == text
        assert booked(lot) == (10000, 10000)

    @pytest.mark.parametrize(("text", "mass_g"), [("10,5", 10500), ("١١", 11000), ("24 lb", "10886.21688")])
    def test_reads_a_mass_as_people_type_it(self, client_as, text, mass_g):
        client = client_as("member")
        lot = make_lot(member=client.member)
        page = client.post(lot_url(lot), typed(mass=text))
        shown = {row.what: row for section in page.context["preview"]["sections"] for row in section.rows}
        assert shown["when made"].before in ("10 kg", "10000 g")
        data = typed(mass=text, agreed=page.context["preview"]["fingerprint"])
        assert client.post(lot_url(lot), data).status_code == 302
        assert str(float(booked(lot)[0])) == str(float(mass_g))

    def test_refusals_stand_beside_the_mass(self, client_as):
        client = client_as("member")
        lot = make_lot(member=client.member)
        discard(lot, 5000)
        page = client.post(lot_url(lot), typed(mass="4.9"))
        assert "5 kg of it was taken" in page.context["form"].errors["mass"][0]
        page = client.post(lot_url(lot), typed(mass="10"))
        assert "nothing to correct" in page.content.decode()
        page = client.post(lot_url(lot), typed(mass="100"))
        assert page.context["form"].guard_asks
        page = client.post(lot_url(lot), typed(mass="100", keep_as_typed="on"))
        assert page.context["preview"]
        page = client_as("member").post(lot_url(lot), typed())
        assert "Only who recorded a step" in page.content.decode()
        assert booked(lot) == (10000, 5000)

    def test_starts_from_what_the_scale_shows_now(self, client_as):
        client = client_as("member")
        lot = make_lot(member=client.member)
        discard(lot, 4000)
        words = client.get(lot_url(lot, "?weighed=6.5")).content.decode()
        # 6.5 kg on the scale, 6 kg in the books: half a kilogram too little when it was made.
        assert 'value="10.5 kg"' in words
        assert "The scale shows 6.5" in words
        for nonsense in (
            "?weighed=",
            "?weighed=x",
            "?weighed=-5",
            "?weighed=99999999999999999",
            "?weighed=1",
        ):
            assert client.get(lot_url(lot, nonsense)).status_code == 200

    def test_points_to_a_reweighing_since(self, client_as):
        client = client_as("member")
        lot = make_lot(member=client.member)
        step = steps.reweigh_lot(
            lot=lot,
            weighed_g=9000,
            typed="9 kg",
            recorded_by=client.member,
            done_on=DAY,
            details=StepDetails(loss_reason="dried"),
        )
        assert reverse("step-correct", args=[step.pk]) in client.get(lot_url(lot)).content.decode()
        page = client.get(reverse("step-correct", args=[step.pk])).content.decode()
        assert f"Missing of {lot.code}" in page


class TestStepCorrect:
    def url(self, step) -> str:
        return reverse("step-correct", args=[step.pk])

    def test_corrects_draws_and_lots_together(self, client_as, django_assert_max_num_queries):
        client = client_as("member")
        a, b = make_lot(member=client.member), make_lot(member=client.member)
        blend = make_blend((a, "3000"), (b, "1000"), member=client.member)
        with django_assert_max_num_queries(20):
            assert f"Taken from {a.code}" in client.get(self.url(blend.made_by)).content.decode()
        data = typed(**{f"taken_{a.code}": "4", f"made_{blend.code}": "4.99"})
        page = client.post(self.url(blend.made_by), data)
        data["agreed"] = page.context["preview"]["fingerprint"]
        assert client.post(self.url(blend.made_by), data).status_code == 302
        assert booked(blend) == (4990, 4990)
        assert booked(a) == (10000, 6000)
        assert str(blend.origins.get(dig=a.made_by.dig).share) == "0.800000000000"

    def test_one_mass_for_every_portion(self, client_as):
        client = client_as("member")
        lot = make_lot(member=client.member)
        portions = make_portions(lot, 6, "454", member=client.member)
        step = portions[0].made_by
        data = typed(each="450 g", **{f"made_{portions[2].code}": "452 g"})
        page = client.post(self.url(step), data)
        data["agreed"] = page.context["preview"]["fingerprint"]
        assert client.post(self.url(step), data).status_code == 302
        assert [booked(portion)[0] for portion in portions] == [450, 450, 452, 450, 450, 450]
        assert booked(lot) == (10000, 10000 - 2702)

    @pytest.mark.parametrize("text", ["nonsense", "-5", "0", "5 L", "9" * 41, "5\0"])
    def test_bad_input_is_refused_and_kept(self, client_as, text):
        client = client_as("member")
        lot = make_lot(member=client.member)
        name = f"made_{lot.code}"
        page = client.post(self.url(lot.made_by), typed(**{name: text}))
        assert page.context["form"].errors[name]
        assert page.context["form"][name].value() == text
        page = client.post(self.url(lot.made_by), typed())
        assert "Type at least one mass" in page.content.decode()
        page = client.post(self.url(lot.made_by), typed(**{name: "12", "reason": ""}))
        assert page.context["form"].errors["reason"]
        assert client.post(self.url(lot.made_by), {}).status_code == 200
        assert booked(lot) == (10000, 10000)

    def test_a_gain_says_what_to_do(self, client_as):
        client = client_as("member")
        a, b = make_lot(member=client.member), make_lot(member=client.member)
        blend = make_blend((a, "3000"), (b, "1000"), member=client.member)
        page = client.post(self.url(blend.made_by), typed(**{f"made_{blend.code}": "4.5"}))
        assert "doesn&#x27;t grow" in page.content.decode() or "doesn’t grow" in page.content.decode()


def test_pages_are_for_members(client_as, client):
    member = client_as("member")
    lot = make_lot(member=member.member)
    data = typed()
    data["agreed"] = member.post(lot_url(lot), data).context["preview"]["fingerprint"]
    done = member.post(lot_url(lot), data)["Location"]
    for url in (lot_url(lot), reverse("step-correct", args=[lot.made_by_id]), done):
        assert client.get(url).status_code == 302
        assert client_as("guest").get(url).status_code == 403
        assert client_as("keeper").get(url).status_code == 200
    assert client_as("guest").post(lot_url(lot), typed()).status_code == 403
    other = JournalEntry.objects.exclude(what="corrected masses").first()
    assert member.get(reverse("correction-detail", args=[other.pk])).status_code == 404
    void_step(step=lot.made_by, reason="no such dig", voided_by=member.member)
    assert member.get(lot_url(lot)).status_code == 404
    assert member.get(reverse("step-correct", args=[lot.made_by_id])).status_code == 404
