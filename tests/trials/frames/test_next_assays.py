"""Which lots to assay next: what is ranked, by what, and where nothing can be reckoned."""

import datetime
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from prospecting.actions import lots
from prospecting.models import AssayReturn, Dispatch, Lot
from tests import make
from tests.trials.frames.test_results import assay, send
from trials.frames.field_pairs import read_assays
from trials.frames.next_assays import NextAsked, next_assays, read_stock

pytestmark = pytest.mark.django_db


def ranking(**asked):
    asked = {"grain_mg": 0.05} | asked
    return next_assays(
        read_assays().books(), read_stock(), NextAsked(**asked), grade_unit="g_per_t", mass_unit="kg"
    )


def dug(zone, grade: str | None = None, mass: str = "20000") -> Lot:
    lot = make.make_lot(mass, zone=zone, is_dry=True)
    if grade is not None:
        assay(lot, [grade])
    return lot


def family(*lots: Lot) -> list[int]:
    """The splits taken of these lots."""
    return list(Lot.objects.filter(made_by__draws__lot__in=lots).values_list("pk", flat=True))


@pytest.fixture
def zone():
    zone = make.make_zone(name="North face")
    for grade in ("4.0", "9.0", "6.0"):
        dug(zone, grade)
    return zone


def test_nothing_in_the_books_ranks_nothing():
    found = ranking()
    assert found.choices == [] and found.unknown == [] and found.refusal == ""


def test_without_a_grain_it_refuses_instead_of_guessing(zone):
    found = ranking(grain_mg=None)
    assert "colours were counted" in found.refusal and found.choices == []


def test_a_dig_not_assayed_yet_stands_before_one_that_was(zone):
    new = dug(zone)
    found = ranking(method="fire_30", price=Decimal(25))
    assert found.choices[0].code == new.code and found.choices[0].adds_dig
    assert len(found.choices) == 4
    assert not any(each.adds_dig for each in found.choices[1:])
    assert new.code in found.sentences[0]


def test_a_zone_with_too_few_digs_gets_no_figure(zone):
    poor = make.make_zone(name="South face")
    dug(poor, "2.0")
    fresh = dug(poor)
    found = ranking(method="fire_30", price=Decimal(25))
    assert {each.zone for each in found.choices} == {"North face"}
    [unknown] = found.unknown
    assert (unknown.zone, unknown.digs, unknown.more) == ("South face", 1, 2)
    assert [code for code, _ in unknown.lots] == [fresh.code]


def test_the_price_decides_between_methods(zone):
    new = dug(zone)
    Dispatch.objects.update(price_per_sample=Decimal(25))
    dear = send(new)
    Dispatch.objects.filter(pk=dear.dispatch_id).update(
        method="screen_fire", price_per_sample=Decimal(10_000)
    )
    other = dug(zone)
    first = next(each for each in ranking().choices if each.code == other.code)
    assert first.method.startswith("Fire assay, 30 g")
    Dispatch.objects.filter(pk=dear.dispatch_id).update(price_per_sample=Decimal(26))
    first = next(each for each in ranking(grain_mg=1.0).choices if each.code == other.code)
    assert first.method == "Screen fire assay"


def test_without_any_price_it_ranks_by_the_gain_and_says_so(zone):
    dug(zone)
    found = ranking()
    assert not found.with_price
    assert any("No price is in the books" in sentence for sentence in found.sentences)


def test_what_is_held_back_too_light_waiting_or_mixed_is_not_ranked(zone):
    held, light, waiting = dug(zone), dug(zone, mass="200"), dug(zone)
    lots.reserve_lot(lot=held, reason="kept", recorded_by=make.make_member())
    send(waiting)
    mixed = make.make_blend((dug(zone), "9000"), (make.make_lot("9000"), "9000"))
    found = ranking(method="fire_30")
    codes = {each.code for each in found.choices}
    assert not codes & {held.code, light.code, waiting.code, mixed.code}
    assert any(
        "1 lot has a split packed for, or at, a laboratory already" in sentence
        for sentence in found.sentences
    )
    assert any("several zones" in sentence for sentence in found.sentences)


def test_of_one_material_the_heaviest_lot_stands(zone):
    bucket = dug(zone)
    make.make_portions(bucket, 3)
    found = ranking(method="fire_30")
    assert [each.code for each in found.choices if each.adds_dig] == [bucket.code]


def test_the_working_names_every_zones_assays(zone):
    found = ranking(method="fire_30")
    first = found.working.rows[0]
    assert first.label.startswith("North face") and len(first.inputs) == 4


def test_queries_do_not_grow_with_the_lots(zone):
    with CaptureQueriesContext(connection) as few:
        ranking()
    for _ in range(4):
        dug(zone, "5.0")
    with CaptureQueriesContext(connection) as more:
        ranking()
    assert len(more) == len(few) <= 12


def test_the_fingerprint_of_the_stock_changes_with_it(zone):
    before = read_stock().fingerprint()
    assert read_stock().fingerprint() == before
    dug(zone)
    assert read_stock().fingerprint() != before


def contradict(zone) -> None:
    """A dig assayed alone and in blends, far beyond what chance allows: its mean by least squares lies below nought."""
    first, second, third = (dug(zone) for _ in range(3))
    for parts in (("900", "100"), ("800", "200")):
        blend = make.make_blend((first, parts[0]), (second, parts[1]))
        assay(blend, ["6.0" if parts[0] == "900" else "5.0"])
    assay(first, ["60.0"])
    assay(third, ["3.0"])


@pytest.mark.parametrize("grain_mg", [0.001, 0.01, 0.05])
def test_a_zone_whose_assays_contradict_each_other_gets_no_figure(zone, grain_mg):
    torn = make.make_zone(name="South face")
    contradict(torn)
    fresh = dug(torn)
    found = ranking(method="fire_30", price=Decimal(25), grain_mg=grain_mg)
    assert {each.zone for each in found.choices} == {"North face"}
    [unknown] = found.unknown
    assert (unknown.zone, unknown.digs, unknown.is_contradictory) == ("South face", 3, True)
    assert [code for code, _ in unknown.lots] == [fresh.code]
    assert not any(row.label.startswith("South face") for row in found.working.rows)


def test_a_zone_with_too_few_digs_does_not_contradict_itself():
    dug(make.make_zone(name="South face"), "2.0")
    [unknown] = ranking().unknown
    assert not unknown.is_contradictory


@pytest.mark.parametrize("printed", ["NSS", "LNR", "NA"])
def test_a_lot_whose_sample_came_back_without_a_figure_is_ranked_again(zone, printed):
    lot = dug(zone)
    sample = assay(lot, [printed])
    assert sample.in_use_symbol == ""
    assert sample.readings.get().symbol in ("not enough sample", "not received", "not analysed")
    found = ranking(method="fire_30")
    assert lot.code in {each.code for each in found.choices}
    assert not any("a laboratory already" in sentence for sentence in found.sentences)


def test_a_blank_cell_leaves_the_lot_waiting(zone):
    lot = dug(zone)
    reading = assay(lot, ["NSS"]).readings.get()
    type(reading).objects.filter(pk=reading.pk).update(symbol="blank cell")
    assert lot.code not in {each.code for each in ranking(method="fire_30").choices}


def test_of_many_assays_those_sent_last_count(zone, monkeypatch):
    old = dug(zone, "90.0")
    newest = [dug(zone, grade) for grade in ("4.0", "5.0", "6.0")]
    Dispatch.objects.update(sent_on=make.DAY - datetime.timedelta(days=30))
    # The first lot of all is assayed last of all, so that the order of material and of days differ.
    Dispatch.objects.filter(samples__lot__in=family(*newest)).update(sent_on=make.DAY)
    Dispatch.objects.filter(samples__lot__in=family(old)).update(
        sent_on=make.DAY - datetime.timedelta(days=60)
    )
    first = Lot.objects.filter(kind=Lot.Kind.BUCKET).order_by("pk").first()
    Dispatch.objects.filter(samples__lot__in=family(first)).update(
        sent_on=make.DAY + datetime.timedelta(days=1)
    )
    monkeypatch.setattr("trials.frames.next_assays.MOST_ASSAYS", 4)
    row = ranking(method="fire_30").working.rows[0]
    inputs = row.inputs
    assert [value.split()[0] for _, value, _, url in inputs if url][-4:] == ["4.0", "5.0", "6.0", "4.0"]
    assert row.value.startswith("4.75 g/t") and "4 digs" in row.value
    assert ("assays counted", "the latest 4 of 7", "", "") in inputs


def test_the_working_shows_the_latest_and_says_of_how_many(zone, monkeypatch):
    monkeypatch.setattr("trials.frames.next_assays.MOST_SHOWN", 2)
    inputs = ranking(method="fire_30").working.rows[0].inputs
    assert [value.split()[0] for _, value, _, url in inputs if url] == ["9.0", "6.0"]
    assert ("assays shown", "the latest 2 of 3", "", "") in inputs


def test_values_of_a_return_with_a_failed_check_are_marked_and_counted(zone):
    assert not any("failed check" in sentence for sentence in ranking(method="fire_30").sentences)
    failed = AssayReturn.objects.order_by("pk").first()
    AssayReturn.objects.filter(pk=failed.pk).update(checks_state="failed")
    found = ranking(method="fire_30")
    assert "1 of the values rests on a return with a failed check." in found.sentences
    marks = [mark for *_, mark, url in found.working.rows[0].inputs if url]
    assert sorted(marks) == ["", "", "(a check of this return failed)"]
    AssayReturn.objects.update(checks_state="failed")
    found = ranking(method="fire_30")
    assert "3 of the values rest on a return with a failed check." in found.sentences
