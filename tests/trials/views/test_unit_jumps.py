"""What came back stands a thousand times off what was panned: asked about before anything is stored, however it comes in."""

from uuid import uuid4

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from prospecting.actions import dispatching
from prospecting.models import AssayReturn
from tests import make
from tests.trials.make_trial import PORTION, log, make_result, make_running
from trials.actions import running

pytestmark = pytest.mark.django_db

# 2 g/t, panned twice of each lot.
GOLD_MG = f"{PORTION.mass_g * 2 / 1000:f}"


@pytest.fixture
def member(client_as):
    return client_as("member", grade_unit="g_per_t")


def panned_lot(member, zone=None, gold: str = GOLD_MG):
    lot = make.make_lot("30000", member=member.member, zone=zone)
    for _ in range(2):
        running.log_test_pan(
            lot=lot, portion=PORTION, result=make_result(member.member, gold), recorded_by=member.member
        )
    return lot


def sent(member, lots) -> tuple:
    """A dispatch of a split of each lot, and its tags in the order of the lots."""
    splits = [make.make_assay_split(lot, member=member.member) for lot in lots]
    dispatch = dispatching.send_dispatch(
        laboratory=make.make_laboratory(member.member),
        sent_on=make.DAY,
        method="fire_30",
        lots=splits,
        recorded_by=member.member,
    )
    tag_of = dict(dispatch.samples.values_list("lot_id", "tag"))
    return dispatch, [tag_of[split.pk] for split in splits]


def of_file(client, dispatch, text: str) -> list[str]:
    response = client.post(
        reverse("return-read", args=[dispatch.pk]),
        {"identity": uuid4(), "upload": SimpleUploadedFile("INV.csv", text.encode())},
    )
    return client.get(response.url).context["beside"].questions


def of_pasted(client, dispatch, text: str) -> list[str]:
    response = client.post(
        reverse("return-read", args=[dispatch.pk]), {"identity": uuid4(), "pasted": text.replace(",", "\t")}
    )
    return client.get(response.url).context["beside"].questions


def of_typed(client, dispatch, text: str) -> list[str]:
    pks = dict(dispatch.samples.values_list("tag", "pk"))
    printed = [line.split(",") for line in text.splitlines()[1:]]
    response = client.post(
        reverse("return-type", args=[dispatch.pk]),
        {"identity": uuid4(), "certificate_number": "INV-1", "reported_on": "2026-11-02", "unit": "g/t"}
        | {f"printed_{pks[tag]}": grade for tag, grade in printed},
    )
    return [] if response.status_code == 302 else response.context["form"].guard_asks


WAYS = pytest.mark.parametrize("way", [of_file, of_pasted, of_typed])


def of_pans(questions: list[str]) -> list[str]:
    """The guard asks about very rich ore and the like as well."""
    return [question for question in questions if "pans of" in question]


@WAYS
def test_readings_a_thousand_times_off_the_pans_are_named_in_the_order_of_the_list(member, way):
    lots = [panned_lot(member) for _ in range(3)]
    dispatch, (a, b, c) = sent(member, lots)
    text = f"Sample,Au g/t\n{a},3100\n{b},4.0\n{c},4000\n"
    (question,) = of_pans(way(member, dispatch, text))
    order = sorted([a, c]) if way is of_typed else [a, c]
    grades = {a: "3100 g/t", c: "4000 g/t"}
    named = "; ".join(f"{tag} {grades[tag]} where pans gave 2.0 g/t" for tag in order)
    assert f"does not go with pans of the same material: {named}. As printed, a pan caught" in question
    assert "were it about a thousand times less (" in question
    assert "Does it print ppb where ppm or g/t is meant" in question
    assert AssayReturn.objects.count() == 0


@WAYS
def test_what_each_reading_would_mean_is_said(member, way):
    dispatch, (tag,) = sent(member, [panned_lot(member)])
    (question,) = of_pans(way(member, dispatch, f"Sample,Au g/t\n{tag},0.004\n"))
    assert (
        "As printed, a pan caught 500 times the gold there is; were it about a thousand times more"
        in question
    )
    assert "(4.0 g/t), 50 % of the gold." in question


@WAYS
@pytest.mark.parametrize("grade", ["2.0", "4.0", "10"])
def test_an_apparent_recovery_of_20_to_100_percent_is_not_asked_about(member, way, grade):
    dispatch, (tag,) = sent(member, [panned_lot(member)])
    assert of_pans(way(member, dispatch, f"Sample,Au g/t\n{tag},{grade}\n")) == []


@WAYS
def test_ounces_under_a_title_of_grams_are_asked_about(member, way):
    # 4 g/t is 0.1167 troy ounces per short ton.
    dispatch, (tag,) = sent(member, [panned_lot(member)])
    (question,) = of_pans(way(member, dispatch, f"Sample,Au g/t\n{tag},0.1167\n"))
    assert "were it about 34 times more (4.0 g/t), 50 % of the gold" in question
    assert "Were g/t and troy oz per short ton mixed up?" in question


@WAYS
def test_pans_of_the_same_zone_stand_in_where_the_lot_was_not_panned(member, way):
    zone = make.make_zone()
    panned_lot(member, zone)
    dispatch, (tag,) = sent(member, [make.make_lot("20000", member=member.member, zone=zone)])
    (question,) = of_pans(way(member, dispatch, f"Sample,Au g/t\n{tag},3900\n"))
    assert "does not go with pans of its zone or of what it was made from" in question
    assert of_pans(way(member, dispatch, f"Sample,Au g/t\n{tag},0.1167\n")) == []


def test_without_a_pan_nothing_is_asked(member):
    dispatch, (tag,) = sent(member, [make.make_lot("20000", member=member.member)])
    assert of_file(member, dispatch, f"Sample,Au g/t\n{tag},0.004\n") == []


def test_pans_of_an_open_block_tell_nothing(member):
    # What is asked would tell which lots were panned rich before the key is open.
    lot = make.make_lot("30000", member=member.member)
    trial = make_running(lot=lot)
    dispatch, (tag,) = sent(member, [lot])
    log(trial.planned_runs.order_by("pk").first(), make.make_member(), GOLD_MG)
    assert of_file(member, dispatch, f"Sample,Au g/t\n{tag},4000\n") == []
