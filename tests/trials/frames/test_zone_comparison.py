import datetime

import pytest

from prospecting.models import Dig
from tests import make
from tests.trials.frames.test_results import assay, pan
from trials.frames.zone_comparison import compare, zones_to_compare
from trials.frames.zone_rows import rows_of_zone

pytestmark = pytest.mark.django_db


def compared(*zones, margin: float = 1.5):
    return compare(zones, [rows_of_zone(zone) for zone in zones], margin, "g_per_t")


def dig(zone, gold: str, day: int, kind: str = "channel", pans: int = 1):
    lot = make.make_lot("20000", zone=zone, day=datetime.date(2026, 3, 1 + day), is_dry=True)
    Dig.objects.filter(step=lot.made_by).update(sample_kind=kind)
    for _ in range(pans):
        pan(lot, gold)
    return lot


def zone_of(name: str, *golds: str, pans: int = 1):
    zone = make.make_zone(name=name)
    for day, gold in enumerate(golds):
        dig(zone, gold, day, pans=pans)
    return zone


def test_the_richer_zone_is_named_with_ratio_interval_and_digs():
    rich, poor = zone_of("Rich", "5", "6", "7", "8"), zone_of("Poor", "1", "2", "3", "4")
    [group] = compared(poor, rich)
    [verdict] = group.verdicts
    assert (verdict.kind, verdict.headline) == ("better", "Rich is richer than Poor.")
    # The lowest ratio of 4 and 4 digs is the limit: 5 / 4; the highest 8 / 1.
    assert "(1.2 to 8; 95 % interval)" in verdict.explanation
    assert (
        "Of 16 pairs of digs, one from each zone, the one from Rich is the richer in 16."
        in verdict.explanation
    )
    assert "4 independent digs of Rich and 4 independent digs of Poor" in verdict.explanation


def test_many_pans_of_few_digs_do_not_make_it_surer():
    rich, poor = zone_of("Rich", "8", pans=12), zone_of("Poor", "1", pans=12)
    [verdict] = compared(rich, poor)[0].verdicts
    assert verdict.kind == "not shown"
    assert "So few digs can't tell" in verdict.explanation
    assert "It takes 4 digs of each zone at the least" in verdict.explanation


def test_not_shown_says_what_could_have_been_seen_and_how_many_more():
    one, other = zone_of("One", "1", "4", "2", "8", "3"), zone_of("Other", "2", "3", "1.5", "6", "5")
    [verdict] = compared(one, other)[0].verdicts
    assert verdict.kind == "not shown"
    assert "could have seen" in verdict.explanation
    assert "digs of each zone would see 1.5 times, 8 times in 10" in verdict.explanation


def test_picked_pieces_and_pans_and_assays_are_never_mixed():
    one, other = zone_of("One", "1", "2"), zone_of("Other", "1", "2")
    dig(one, "40", 9, kind="select")
    dig(other, "30", 9, kind="dump")
    for zone in (one, other):
        assay(dig(zone, "3", 12), ["5.0"])
    groups = compared(one, other)
    assert [group.title for group in groups] == [
        "Pans of material as it lay",
        "Pans of picked pieces",
        "Pans of dumps",
        "Assays of material as it lay",
    ]
    assert [len(group.verdicts) for group in groups] == [1, 0, 0, 1]
    assert groups[0].lines[0].digs == 3
    assert "Other" in groups[1].left_over


def test_a_blend_of_two_zones_tells_of_neither():
    one, other = make.make_zone(name="One"), make.make_zone(name="Other")
    first, second = make.make_lot("20000", zone=one), make.make_lot("20000", zone=other)
    pan(make.make_blend((first, "3000"), (second, "3000")), "5")
    assert compared(one, other) == []


def test_three_zones_share_out_the_chance():
    zones = [zone_of(name, *golds) for name, golds in (("A", "5678"), ("B", "1234"), ("C", "1234"))]
    [group] = compared(*zones)
    assert len(group.verdicts) == 3
    # Four and four are too few once three pairs are looked at: five are needed.
    assert all(verdict.kind == "not shown" for verdict in group.verdicts)
    assert "It takes 5 digs of each zone at the least with 3 pairs" in group.verdicts[0].explanation


def test_below_the_scale_counts_as_a_bound():
    rich = zone_of("Rich", "5", "6", "7", "8")
    poor = make.make_zone(name="Poor")
    for day in range(4):
        pan(make.make_lot("20000", zone=poor, day=datetime.date(2026, 3, 1 + day)), None, below_scale=True)
    [group] = compared(rich, poor)
    [verdict] = group.verdicts
    assert verdict.kind == "better"
    assert "no upper limit" in verdict.explanation
    assert {line.zone.name: line.below for line in group.lines} == {"Rich": 0, "Poor": 4}
    assert next(line.middle for line in group.lines if line.zone == poor) == "below a limit"


def test_nothing_done_alike_is_a_caution():
    one, other = zone_of("One", "1", "2"), zone_of("Other", "1", "2")
    # Each pan of this maker is another member's.
    assert "may be the method's" in compared(one, other)[0].verdicts[0].cautions[0]


def test_zones_with_most_standing_digs_come_first():
    few, many = zone_of("Few", "1"), zone_of("Many", "1", "2")
    make.make_zone(name="None")
    assert [zone.pk for zone in zones_to_compare()] == [many.pk, few.pk]
    assert zones_to_compare()[0].dig_count == 2


def test_there_is_a_dot_for_each_dig():
    one, other = zone_of("One", "1", "2", "3"), zone_of("Other", "1")
    [group] = compared(one, other)
    assert {name: len(dots) for name, dots in group.dots.items()} == {"One": 3, "Other": 1}
