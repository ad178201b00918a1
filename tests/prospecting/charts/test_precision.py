import pytest

from prospecting.charts.precision import BOTTOM, LEFT, RIGHT, TOP, PairDot, precision_picture


def picture(pairs, groups, unit="g_per_t", line=lambda grade: 0.1 + 0.1 * grade):
    return precision_picture(
        [PairDot(mean, difference, "p") for mean, difference in pairs],
        [PairDot(mean, difference, "g") for mean, difference in groups],
        line,
        grade_unit=unit,
        name="x",
        title="T",
        description="D",
    )


WIDE = [(0.01, 0.0), (0.1, 0.02), (1, 0.15), (10, 1.2), (1000, 90)]
GROUPS = [(0.1, 0.11), (10, 1.1), (500, 50.1)]


@pytest.mark.parametrize("unit", ["g_per_t", "ozt_per_short_ton"])
@pytest.mark.parametrize(
    ("pairs", "groups"),
    [
        (WIDE, GROUPS),
        ([(5.0, 0.0)] * 55, [(5.0, 0.0)]),
        ([(5.0, 0.2), (5.1, 0.3)], [(5.05, 0.25), (5.06, 0.25)]),
        ([(1e-4, 1e-6), (1e6, 1e6)], [(1, 0.2), (1e5, 1e4)]),
    ],
)
def test_stays_inside_its_frame_with_ticks_apart(pairs, groups, unit):
    found = picture(pairs, groups, unit)
    for each in (*found.pairs, *found.groups):
        assert LEFT <= each.x <= RIGHT
        assert TOP <= each.y <= BOTTOM
    for ticks in (found.across, found.up):
        places = sorted(tick.at for tick in ticks)
        assert all(b - a >= 20 for a, b in zip(places, places[1:], strict=False))


def test_equal_ratios_are_equal_distances_and_groups_lie_on_their_line():
    found = picture(WIDE, GROUPS)
    x = [each.x for each in found.pairs]
    assert x[2] - x[1] == pytest.approx(x[3] - x[2], abs=0.2)
    first = found.path.removeprefix("M").split("L")[0].split()
    assert [float(each) for each in first] == [found.groups[0].x, found.groups[0].y]
    last = found.path.split("L")[-1].split()
    assert [float(each) for each in last] == pytest.approx([found.groups[-1].x, found.groups[-1].y], abs=0.2)


def test_a_pair_without_difference_stands_below_all_others_with_an_arrow():
    found = picture(WIDE, GROUPS)
    assert found.pairs[0].arrow and not found.pairs[1].arrow
    assert found.pairs[0].y > max(each.y for each in found.pairs[1:])


def test_the_same_pairs_stand_alike_in_another_unit():
    metric, ounces = picture(WIDE, GROUPS), picture(WIDE, GROUPS, "ozt_per_short_ton")
    assert [each.x for each in metric.pairs] == [each.x for each in ounces.pairs]
    assert [tick.text for tick in metric.across] != [tick.text for tick in ounces.across] or [
        tick.at for tick in metric.across
    ] != [tick.at for tick in ounces.across]
