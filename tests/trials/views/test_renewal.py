import re
import uuid
from decimal import Decimal
from html import unescape
from urllib.parse import parse_qs, urlsplit

import pytest
from django.urls import reverse

from prospecting.actions import steps
from prospecting.actions.material import StepDetails
from prospecting.models import JournalEntry, Lot
from tests import make
from tests.trials.make_trial import (
    log,
    make_bridge,
    make_closed,
    make_closed_bridge,
    make_draft,
    make_running,
)
from trials.actions import planning
from trials.models import Run, Trial

pytestmark = pytest.mark.django_db

OLD = ["10.0", "11.0", "9.0", "10.5", "9.5", "10.2"]
HALF = ["5.2", "5.4", "4.6", "5.1", "4.9", "5.0"]


def words(response) -> str:
    """The text of a page, without its tags."""
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", response.content.decode())).split())


def at(name: str, lot: Lot, query: str = "") -> str:
    return reverse(name, args=[lot.code]) + query


def bridge_form(new: Lot, mixer, /, **changes) -> dict:
    return {
        "identity": str(uuid.uuid4()),
        "new_lot": new.pk,
        "outcome": "gold_mass",
        "portion": "454 g",
        "portions_from": "measured",
        "blocks": "8",
        "smallest_ratio": "1,25",
        "water": "9 L",
        "soak_min": "",
        "scale_step": "1 mg",
        "mixer": mixer.pk,
        "note": "",
    } | changes


def like_lots() -> tuple[Lot, Lot, Lot, Lot]:
    """An old blend of two zones, and crushed lots of either on hand; one more is still wet."""
    north, seam = make.make_zone(name="North"), make.make_zone(name="Seam")
    parts = [make.make_lot("6000", zone=north, is_dry=True), make.make_lot("4000", zone=seam, is_dry=True)]
    old = make.make_blend((parts[0], "6000"), (parts[1], "4000"))
    one, other = (make.make_lot("9000", zone=zone, is_dry=True) for zone in (north, seam))
    wet = make.make_lot("9000", zone=seam)
    return old, one, other, wet


# Enough left


def test_what_is_left_is_told_first(client_as, django_assert_max_num_queries):
    lot = make.make_lot("20000")
    make_running(lot=lot)
    client = client_as("guest", mass_unit="kg")
    with django_assert_max_num_queries(20):
        said = words(client.get(at("lot-left", lot)))
    assert (
        "44 portions of 0.454 kg can still be had; running trials and drafts need 6 of them, which leaves 38."
        in said
    )


@pytest.mark.parametrize("name", ["lot-left", "lot-renew", "lot-bridge"])
def test_who_may_see_it(name, client, client_as):
    lot = make.make_lot("20000")
    allowed = 200 if name == "lot-left" else 403
    assert client_as("guest").get(at(name, lot)).status_code == allowed
    assert client_as("member").get(at(name, lot)).status_code == 200
    assert client.get(at(name, lot)).status_code == 302
    assert client_as("member").get(f"/lots/ZZZ-99-Z/{name.removeprefix('lot-')}/").status_code == 404


def test_a_used_up_lot_warns_no_more(client_as):
    lot = make.make_lot("2724")
    trial = make_running(lot=lot)
    for planned in trial.planned_runs.all():
        log(planned, make.make_member())
    said = words(client_as("guest").get(at("lot-left", lot)))
    assert "is used up: no portion of" in said
    assert "nearly used up" not in said


def test_a_draft_s_page_and_today_warn_of_a_lot_that_nears_its_end(client_as):
    lot = make.make_lot("5000")
    member = client_as("member", mass_unit="kg")
    trial = make_draft(lot=lot)
    assert f"{lot.code} is nearly used up: 5 portions free" in words(member.get(trial.get_absolute_url()))
    make_running(lot=make.make_lot("90000"))
    assert f"{lot.code} is nearly used up 5 portions free" in words(member.get("/"))


# Renewing


def test_proposes_a_blend_and_leads_to_the_form_filled_in(client_as, django_assert_max_num_queries):
    old, one, other, wet = like_lots()
    client = client_as("member", mass_unit="kg")
    with django_assert_max_num_queries(20):
        page = client.get(at("lot-renew", old, "?mass=10+kg"))
    assert "10 kg can be blended from 2 lots; every zone's share comes within 0 %" in words(page)
    url = page.context["renewal"].blend_url
    asked = parse_qs(urlsplit(url).query)
    assert set(asked["lot"]) == {one.code, other.code}
    assert asked[f"mass_{one.code}"] == ["6000 g"]
    blend = client.get(url)
    assert f'name="mass_{other.code}" value="4000 g"' in blend.content.decode()


def test_says_what_is_missing_and_what_could_give_it(client_as):
    old, one, other, wet = like_lots()
    said = words(client_as("member", mass_unit="kg").get(at("lot-renew", old, "?mass=30+kg")))
    assert "Only 18 kg of the 30 kg wanted is on hand and ready" in said
    assert "Seam: 3 kg missing" in said
    assert f"{wet.code} , 9 kg: dry first" in said
    assert "North: 9 kg missing No lot on hand holds it: it would have to be dug." in said


def test_lots_held_back_marked_or_in_a_trial_are_not_proposed(client_as):
    old, one, other, wet = like_lots()
    Lot.objects.filter(pk=one.pk).update(reserve_reason="spare")
    Lot.objects.filter(pk=other.pk).update(is_marked=True)
    client = client_as("member", mass_unit="kg")
    assert "Nothing on hand is ready" in words(client.get(at("lot-renew", old)))
    Lot.objects.update(reserve_reason="", is_marked=False)
    make_draft(lot=one)
    page = client.get(at("lot-renew", old, "?mass=5+kg"))
    assert [lot for lot, _ in page.context["renewal"].masses] == [other]


@pytest.mark.parametrize("typed", ["much", "-3 kg", "0", "", "9999999999999 kg", "٣ kg", "2,5 kg", "3 miles"])
def test_odd_masses_of_a_new_lot_never_break_the_page(client_as, typed):
    old, *_ = like_lots()
    page = client_as("member").get(reverse("lot-renew", args=[old.code]), {"mass": typed})
    assert page.status_code == 200


# Planning a bridge


def test_plans_a_bridge_from_the_form(client_as):
    old, new = make.make_lot("9000"), make.make_lot("9000")
    client = client_as("member", mass_unit="kg")
    shown = client.get(at("lot-bridge", old, f"?new={new.code}")).content.decode()
    assert f'value="{new.code}" checked' in shown
    assert f'value="{old.code}"' not in shown
    page = client.post(at("lot-bridge", old), bridge_form(new, make.make_member()), follow=True)
    trial = Trial.objects.get()
    assert (trial.feed_lot, trial.new_lot, trial.blocks_planned) == (old, new, 8)
    said = words(page)
    assert f"3.63 kg of {old.code}, which holds 9 kg; 3.63 kg of {new.code}, which holds 9 kg" in said
    assert "blocks for an interval of 1.25 times either way" in said
    assert "Add a treatment" not in said


def test_a_second_tap_plans_one_bridge(client_as):
    old, new = make.make_lot("9000"), make.make_lot("9000")
    client = client_as("member")
    form = bridge_form(new, make.make_member())
    for _ in range(2):
        assert client.post(at("lot-bridge", old), form).status_code == 302
    assert Trial.objects.count() == 1


@pytest.mark.parametrize(
    ("field", "typed"),
    [
        ("new_lot", ""),
        ("new_lot", "999999"),
        ("new_lot", "x"),
        ("portion", "-1 lb"),
        ("portion", "9 L"),
        ("blocks", "1"),
        ("blocks", "1e9"),
        ("smallest_ratio", "1"),
        ("water", "much"),
        ("mixer", ""),
        ("portions_from", "thin air"),
    ],
)
def test_nonsense_stays_in_the_form_and_stores_nothing(client_as, field, typed):
    old, new = make.make_lot("9000"), make.make_lot("9000")
    page = client_as("member").post(
        at("lot-bridge", old), bridge_form(new, make.make_member(), **{field: typed})
    )
    assert page.status_code == 200
    assert page.context["form"].errors[field]
    assert not Trial.objects.exists()


def test_asks_before_a_dried_lot_is_bridged_to_a_wet_one(client_as):
    old, new = make.make_lot("9000", is_dry=True), make.make_lot("9000")
    client, mixer = client_as("member"), make.make_member()
    page = client.post(at("lot-bridge", old), bridge_form(new, mixer))
    assert f"{new.code} is not dried and the other lot is" in words(page)
    assert not Trial.objects.exists()
    assert client.post(at("lot-bridge", old), bridge_form(new, mixer, keep_as_typed="on")).status_code == 302


def test_the_draft_s_form_keeps_its_lots(client_as):
    old, new = make.make_lot("9000"), make.make_lot("9000")
    trial = make_bridge(old, new)
    client = client_as("member")
    url = reverse("trial-edit", args=[trial.pk])
    assert "feed_lot" not in client.get(url).content.decode()
    form = bridge_form(new, trial.mixer, blocks="9")
    assert client.post(url, form).status_code == 302
    trial.refresh_from_db()
    assert (trial.blocks_planned, trial.feed_lot, trial.new_lot) == (9, old, new)


# Running it blind


@pytest.fixture
def running_bridge():
    old, new = make.make_lot("9000"), make.make_lot("9000")
    return planning.fix_plan(trial=make_bridge(old, new), planned_by=make.make_member())


def test_no_page_of_the_panner_tells_which_lot_a_code_is(client_as, running_bridge):
    trial = running_bridge
    client = client_as("member")
    planned = trial.planned_runs.first()
    codes = {trial.feed_lot.code, trial.new_lot.code}

    def says_which(said: str) -> bool:
        """Whether a lot's code stands anywhere but where both are named: the question, and what one may guess."""
        both = [trial.question, " ".join(trial.treatments.values_list("name", flat=True))]
        for named in both:
            said = said.replace(named, "")
        return any(code in said for code in codes)

    for url in (
        reverse("run-sheet", args=[trial.pk]),
        reverse("run-log", args=[trial.pk, planned.blind_code]),
    ):
        said = words(client.get(url))
        assert planned.blind_code in said
        assert not says_which(said)
    run = log(planned, make.make_member())
    for url in (run.get_absolute_url(), reverse("run-list")):
        said = words(client.get(url))
        assert "hidden" in said
        assert not says_which(said)
    lot_page = words(client.get(run.lot.get_absolute_url()))
    assert planned.blind_code not in lot_page


def test_today_does_not_tell_what_a_hidden_run_drew_from(client_as, running_bridge):
    run = log(running_bridge.planned_runs.first(), make.make_member())
    step_line = JournalEntry.objects.get(subject_kind="step", subject_id=run.step_id).what
    assert run.lot.code in step_line
    assert step_line not in words(client_as("member").get("/"))


def test_the_mixer_s_sheet_says_which_lot_fills_which_tub(client_as, running_bridge):
    trial = running_bridge
    client = client_as("member")
    client.force_login(trial.mixer)
    said = words(
        client.post(reverse("mixing-sheet", args=[trial.pk]), {"identity": str(uuid.uuid4()), "reason": ""})
    )
    for planned in trial.planned_runs.select_related("treatment"):
        assert re.search(
            rf"{planned.blind_code}.{{0,60}}454 g of {trial.lot_of(planned.treatment).code}", said
        )


def test_the_verdict_tells_new_over_old_and_both_lots_estimates_take_their_runs(client_as):
    old, new = make.make_lot("9000"), make.make_lot("9000")
    trial = make_closed_bridge(old, new, OLD, HALF)
    client = client_as("guest", grade_unit="g_per_t")
    said = words(client.get(reverse("trial-verdict", args=[trial.pk])))
    assert f"{new.code}, new lot" in said
    assert "About 0.5 times" in said
    assert f"on lot {old.code} and new lot {new.code}" in said
    assert "trials on the two lots can be set side by side" in said
    assert Run.objects.untreated().of_feed(new).count() == 6
    assert "11.1" in words(client.get(new.get_absolute_url()))


# The lot's page and the drafts


def test_the_lot_s_page_lists_bridging_trials_on_both_lots(client_as):
    old, new = make.make_lot("9000"), make.make_lot("9000")
    trial = make_bridge(old, new)
    client = client_as("guest")
    for lot in (old, new):
        assert trial.question in words(client.get(lot.get_absolute_url()))


# Trials side by side


def test_across_shows_one_footing_over_a_bridge(client_as, django_assert_max_num_queries):
    old, new = make.make_lot("60000"), make.make_lot("60000")
    make_closed_bridge(old, new, OLD, HALF)
    first = make_closed(lambda p: OLD[p.block.number - 1], lot=old, blocks=6)
    second = make_closed(lambda p: HALF[p.block.number - 1], lot=new, blocks=6)
    client = client_as("guest", grade_unit="g_per_t")
    with django_assert_max_num_queries(20):
        page = client.get(reverse("trial-across"), {"trial": [first.pk, second.pk]})
    said = words(page)
    assert f"A portion of {new.code} gives 0.502 (" in said
    assert "These need no bridge" in said
    assert page.context["chart"] is not None


def test_across_refuses_without_a_bridge_and_leads_to_the_plan(client_as):
    first, second = (
        make_closed(lambda p: OLD[p.block.number - 1], lot=make.make_lot("60000"), blocks=3) for _ in range(2)
    )
    asked = {"first": first.pk, "second": second.pk}
    page = client_as("member").get(reverse("trial-across"), asked)
    assert "No bridge leads from" in words(page)
    assert f"/lots/{first.feed_lot.code}/bridge/?new={second.feed_lot.code}" in page.content.decode()
    assert "/bridge/" not in client_as("guest").get(reverse("trial-across"), asked).content.decode()


@pytest.mark.parametrize(
    "query", ["", "?trial=1", "?trial=x&trial=y", "?first=99999&second=", "?trial=1&trial=1", "?first=1"]
)
def test_across_asks_for_two_closed_trials(client_as, query):
    page = client_as("guest").get(reverse("trial-across") + query)
    assert page.status_code == 200
    assert "Choose two closed trials" in words(page)


def test_the_blend_of_a_proposal_can_be_recorded_as_it_stands(client_as):
    old, one, other, _ = like_lots()
    client = client_as("member", mass_unit="kg")
    asked = parse_qs(
        urlsplit(client.get(at("lot-renew", old, "?mass=10+kg")).context["renewal"].blend_url).query
    )
    step = steps.blend_lots(
        draws=[
            steps.DrawFrom(lot=lot, mass_g=Decimal(asked[f"mass_{lot.code}"][0].removesuffix(" g")))
            for lot in (one, other)
        ],
        blend=steps.NewLot(kind=Lot.Kind.BLEND, mass_g=Decimal(10000)),
        recorded_by=make.make_member(),
        done_on=make.DAY,
        details=StepDetails(method="rolled", passes=40),
    )
    shares = sorted(origin.share for origin in step.made.get().origins.all())
    assert shares == [Decimal("0.4"), Decimal("0.6")]
