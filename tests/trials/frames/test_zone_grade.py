import datetime
import json
from decimal import Decimal
from pathlib import Path

import pytest

from prospecting.models import AssayReturn, Dig
from tests import make
from tests.trials.frames.test_results import assay, pan
from trials.charts.grade import grade_chart
from trials.frames.zone_grade import zone_grade
from trials.frames.zone_rows import rows_of_zone

pytestmark = pytest.mark.django_db

UNITS = {"grade_unit": "g_per_t", "mass_unit": "kg"}
CASES = json.loads(
    (Path(__file__).parents[3] / "fixtures/reference/grade_sampling_assay.json").read_text(encoding="utf-8")
)
MARCH = datetime.date(2026, 3, 1)


def case(number: str) -> dict:
    return next(each for each in CASES if each["id"] == number)


def dug(zone, day: int = 0, *, station: str = "S1", depth: str | None = None, kind: str = "bulk"):
    """A bucket of a dig of its own, that many days after 1 March."""
    lot = make.make_lot(
        "20000", zone=zone, day=MARCH + datetime.timedelta(days=day), station=station, is_dry=True
    )
    Dig.objects.filter(step=lot.made_by).update(depth_m=depth and Decimal(depth), sample_kind=kind)
    return lot


def panned(zone, grades, **fields):
    """One dig a grade, a pan of 500 g each."""
    for day, grade in enumerate(grades):
        pan(dug(zone, day, **fields), f"{Decimal(str(grade)) / 2:f}")


def kind_of(zone, kind: str = "pan", **asked):
    return next(reading for reading in zone_grade(zone, **UNITS | asked).kinds if reading.kind == kind)


def line(reading, words: str) -> str:
    return next(line.value for line in reading.means if words in line.name)


def test_the_worked_example_of_a_lognormal_mean_through_the_page():
    # Case h02: Sichel's t 2.97774, arithmetic mean 3.17 of ten gold grades (H. S. Sichel 1966).
    zone = make.make_zone()
    panned(zone, case("h02")["inputs"]["values_g_per_t"])
    found = kind_of(zone)
    assert line(found, "Plain mean") == "3.17 g/t"
    assert line(found, "Sichel").startswith("2.98 g/t")


@pytest.mark.parametrize("number", ["h06", "h07"])
def test_published_sets_with_limits_through_the_page(number):
    # Cases h06 (US EPA Unified Guidance 2009, example 15-1) and h07 (Helsel 2005, chapter 6), as assays with "<".
    found_in = case(number)
    values, flags = found_in["inputs"]["value_or_detection_limit"], found_in["inputs"]["censored"]
    zone = make.make_zone()
    for day, (value, flag) in enumerate(zip(values, flags, strict=True)):
        assay(dug(zone, day), [f"{'<' if flag else ''}{value}"])
    found = kind_of(zone, "assay")
    expected = found_in["expected"]
    assert (
        line(found, "Kaplan-Meier") == f"{expected['km_mean_leftover_at_smallest_detection_limit']:.3g} g/t"
    )
    assert line(found, "line through") == f"{expected['robust_ros_mean']:.3g} g/t"


def test_the_published_set_that_lies_below_altogether_has_no_mean():
    # Case h08: Helsel (2005), chapter 8; at most 31.23 % of the material above 3.
    zone = make.make_zone()
    for day, limit in enumerate(case("h08")["inputs"]["value_or_detection_limit"]):
        assay(dug(zone, day), [f"<{limit}"])
    found = kind_of(zone, "assay")
    assert line(found, "may lie above 3.0 g/t").startswith("at most 31.2 %")
    assert line(found, "Plain mean") == "0 g/t to 2.25 g/t"
    assert found.influence == ""
    assert found.trend.kind == "too few" or found.trend.ties_below


def test_the_worked_example_of_a_trend_through_the_page():
    # Case h05: 25 of 28 pairs rise, Sen's slope 4.58333 a day, so 137.5 in 30 days.
    zone = make.make_zone()
    panned(zone, case("h05")["inputs"]["value"])
    trend = kind_of(zone).trend
    assert trend.kind == "rises"
    said = " ".join(trend.sentences)
    assert "Of 28 pairs of digs 25 rise with time; on 8 independent digs" in said
    assert "+138 g/t a month" in said


def test_many_pans_of_one_dig_make_no_trend():
    zone = make.make_zone()
    lot = dug(zone)
    for gold in ("1", "2", "3", "4", "5", "6"):
        pan(lot, gold)
    found = kind_of(zone)
    assert len(found.values) == 1
    assert found.trend.kind == "too few"
    assert "1 dig: no interval" in found.means[0].trust


def test_without_the_richest_result_the_mean_falls():
    zone = make.make_zone()
    for day, gold in enumerate(("1.5", "1.5", "10.5")):
        pan(dug(zone, day), gold)
    # (3 + 3 + 21) / 3 and (3 + 3) / 2.
    assert "the mean falls from 9.0 to 3.0 g/t. It hangs on that one result." in kind_of(zone).influence


def test_picked_pieces_stay_out_of_digs_but_in_the_list():
    zone = make.make_zone()
    panned(zone, [2, 3, 4])
    pan(dug(zone, 9, kind="select"), "50")
    grade = zone_grade(zone, **UNITS)
    [found] = grade.kinds
    assert len(grade.results) == 4
    assert grade.has_select
    assert [value.middle_g_per_t for value in found.values] == [2, 3, 4]
    assert len(found.picked) == 1


def test_along_depth_only_digs_of_a_known_depth_are_drawn_and_tell_a_trend():
    zone = make.make_zone()
    for day, (depth, gold) in enumerate(
        (("5", "1"), ("4", "2"), ("3", "3"), ("2", "4"), ("0", "5"), (None, "6"))
    ):
        pan(dug(zone, day, depth=depth), gold)
    grade = zone_grade(zone, **UNITS, along="depth")
    assert len(grade.picture.spots) == 5
    assert grade.not_drawn == 1
    assert grade.picture.foot.caption == "depth below the surface (m)"
    assert [text for _, text in grade.picture.foot.ticks] == ["0", "5"]
    assert grade.kinds[0].trend.kind == "falls"
    feet = zone_grade(zone, grade_unit="g_per_t", mass_unit="lb", along="depth")
    assert feet.picture.foot.ticks[-1][1] == "16.4"
    assert {line.where for line in grade.lines} >= {"depth not known", "5 m"}


def test_without_any_depth_there_is_no_picture():
    zone = make.make_zone()
    panned(zone, [2, 3])
    assert zone_grade(zone, **UNITS, along="depth").picture is None


def test_stations_stand_in_the_order_of_their_numbers():
    zone = make.make_zone()
    for day, station in enumerate(("S10", "S2", "S1")):
        pan(dug(zone, day, station=station), "2")
    grade = zone_grade(zone, **UNITS, along="station")
    assert [text for _, text in grade.picture.foot.ticks] == ["S1", "S2", "S10"]
    assert grade.kinds[0].trend is None


def test_of_very_many_results_each_dot_is_a_dig(monkeypatch):
    monkeypatch.setattr("trials.frames.zone_grade.MOST_DOTS", 3)
    zone = make.make_zone()
    for day in range(2):
        lot = dug(zone, day)
        pan(lot, "1")
        pan(lot, "3")
    grade = zone_grade(zone, **UNITS)
    assert grade.by_dig
    assert [(spot.result.grade_g_per_t, spot.result.label) for spot in grade.picture.spots] == [
        (4.0, "mean of 2 pans")
    ] * 2


def test_another_laboratory_method_is_a_change_and_warns_of_the_trend():
    zone = make.make_zone()
    for day in range(6):
        sample = assay(dug(zone, day), [str(day + 1)])
        if day >= 3:
            dispatch = sample.dispatch
            dispatch.method = "screen_fire"
            dispatch.save()
    found = kind_of(zone, "assay")
    assert [change.place for change in found.changes] == [3]
    assert (
        "From the dig of 04 Mar 2026 on: Screen fire assay, Invented Assay Office; before: Fire assay, 30 g"
        in found.changes[0].sentence
    )
    assert "looks just like a trend" in " ".join(found.trend.sentences)
    assert zone_grade(zone, **UNITS).picture.breaks


def test_a_failed_check_marks_its_values_and_says_the_mean_without_them():
    zone = make.make_zone()
    good, bad = assay(dug(zone), ["2"]), assay(dug(zone, 1), ["8"])
    AssayReturn.objects.filter(dispatch=bad.dispatch).update(checks_state="failed")
    found = kind_of(zone, "assay")
    assert (found.failed, found.without_failed) == (1, "2.0 g/t")
    marks = {line.result.mark for line in zone_grade(zone, **UNITS).lines}
    assert marks == {"", "a check of this return failed"}
    AssayReturn.objects.filter(dispatch=good.dispatch).update(checks_state="failed")
    assert kind_of(zone, "assay").without_failed == ""


def test_the_running_mean_is_drawn_with_its_band_from_three_digs_on():
    zone = make.make_zone()
    panned(zone, [2, 4, 6, 4])
    chart = grade_chart(zone_grade(zone, **UNITS).picture, grade_unit="g_per_t", label="Grade")
    [mean] = chart.lines
    assert mean.kind == "pan"
    assert mean.path.count("L") == 3
    assert mean.band


def test_what_may_be_said_outside_names_kind_basis_method_and_number():
    zone = make.make_zone(name="North cut")
    panned(zone, [2, 4], kind="channel")
    assay(dug(zone, 3, kind="channel"), ["<0.5"])
    said = " ".join(zone_grade(zone, **UNITS).statement)
    assert (
        "North cut: 2 pans of 0.5 kg each, from 2 digs (channel samples) dug from 1 March 2026 to 2 March 2026, dry basis"
        in said
    )
    assert "mean 3.0 g/t, single results 2.0 to 4.0 g/t" in said
    assert "1 assay (fire assay, 30 g charge), from 1 dig" in said
    assert "1 below the limit" in said
    assert "Indication only" in said
    for word in ("resource", "reserve", "proven", "ounces"):
        assert word not in said.lower()


def test_the_hash_changes_with_whatever_is_shown():
    zone = make.make_zone()
    lot = dug(zone)
    run = pan(lot, "2")
    sample = assay(lot, ["3"])
    seen = {rows_of_zone(zone).sha256}
    assert rows_of_zone(zone).sha256 in seen

    def changed(record, **fields) -> None:
        type(record).objects.filter(pk=record.pk).update(**fields)
        found = rows_of_zone(zone).sha256
        assert found not in seen, fields
        seen.add(found)

    changed(lot.made_by.dig, depth_m="2")
    changed(lot.made_by.dig, station="S9")
    changed(lot.made_by.dig, sample_kind="select")
    changed(run, gold_mg="2.5")
    changed(run, failed=True, fail_reason="spilled", fail_kind="spilled")
    changed(sample, in_use_g_per_t="3.5")
    changed(sample.dispatch, method="fire_50")
    changed(sample.dispatch.laboratory, name="Other office")
    changed(sample.reading_in_use.assay_return, checks_state="failed")
    changed(sample.lot, is_dry=False)


def test_means_agree_whatever_the_way_they_are_weighted_when_all_weigh_alike():
    zone = make.make_zone()
    panned(zone, [1, 2, 6])
    grade = zone_grade(zone, **UNITS)
    assert grade.panned.mean_text == "3.0 g/t" == line(grade.kinds[0], "Plain mean")


def test_lots_wholly_from_the_zone_are_told_apart_and_go_outside_alone():
    zone, rich = make.make_zone(name="North cut"), make.make_zone()
    lot = dug(zone)
    pan(lot, "1")
    blend = make.make_blend((lot, "3000"), (dug(rich), "3000"))
    pan(blend, "20")
    found = kind_of(zone)
    # (1 x 2 + 0.5 x 40) / 1.5 of all, 2 g/t of its own.
    assert (found.estimate.mean_text, found.own.mean_text) == ("14.7 g/t", "2.0 g/t")
    said = " ".join(zone_grade(zone, **UNITS).statement)
    assert "1 pan of 0.5 kg each" in said
    assert "mean 2.0 g/t" in said
