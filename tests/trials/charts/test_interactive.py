"""The figure that is pointed at: the same numbers on the same axis as the server's own picture, and nothing that is none."""

import json
import math
import re
from pathlib import Path

import pytest

from trials.charts.interactive import (
    BLOCK_LINES,
    INTERVALS,
    PICKED_BLOCK,
    RUNS,
    STEP,
    PointedInterval,
    PointedRow,
    PointedRun,
    interactive_figure,
)
from trials.charts.verdict import Row, verdict_chart

STYLES = Path(__file__).parents[3] / "prospecting" / "static" / "prospecting" / "site.css"


def run(
    value: float | None, block: int | None = None, kind: str = "", label=("K7", "8.2 mg", "Ada")
) -> PointedRun:
    kind = kind or ("counts" if value is not None else "below")
    return PointedRun(value, kind, block, label, f"told of {value}", "/pans/1/")


def row(label: str, *values: float | None, interval: PointedInterval | None = None) -> PointedRow:
    return PointedRow(label, [run(value, block) for block, value in enumerate(values, start=1)], interval)


def interval(lower: float | None, upper: float | None, **fields) -> PointedInterval:
    fields = {"centre": 1.5, "shown": True, "worse": False, "sentence": "rinse: 1.5 times"} | fields
    return PointedInterval(lower=lower, upper=upper, **fields)


def draw(*rows: PointedRow, caption: str = "times the middle of plain water", **more) -> dict:
    """The figure as a page gets it."""
    return json.loads(interactive_figure(rows, caption=caption, **more).to_json())


def trace(figure: dict, name: str) -> dict:
    return next(trace for trace in figure["data"] if trace["name"] == name)


def test_every_run_stands_at_its_own_value_with_its_words_and_its_page():
    figure = draw(row("plain water", 1.0, 0.8, 1.3), row("rinse", 1.4, 2.0, 1.7), margin_ratio=1.25)
    runs = trace(figure, RUNS)
    assert runs["x"] == [0.8, 1.0, 1.3, 1.4, 1.7, 2.0]
    assert [told["sentence"] for told in runs["customdata"]] == [f"told of {x}" for x in runs["x"]]
    assert [told["block"] for told in runs["customdata"]] == [2, 1, 3, 1, 3, 2]
    assert {told["page"] for told in runs["customdata"]} == {"/pans/1/"}
    assert set(runs["marker"]["symbol"]) == {"circle"}


def test_the_axis_names_its_unit_and_is_that_of_the_servers_own_picture():
    values, limits = [0.7, 1.0, 1.9], {"centre": 1.5, "lower": 1.1, "upper": 2.2}
    figure = draw(
        row("plain water", 1.0, 0.9), row("rinse", *values, interval=interval(1.1, 2.2)), margin_ratio=1.25
    )
    still = verdict_chart(
        [Row("plain water", [1.0, 0.9]), Row("rinse", values, **limits, shown=True)],
        caption="",
        title="",
        description="",
        margin_ratio=1.25,
    )
    axis = figure["layout"]["xaxis"]
    assert axis["title"]["text"] == "times the middle of plain water"
    assert axis["type"] == "log"
    low, high = (10**end for end in axis["range"])
    assert low < 0.7 and high > 2.2
    assert set(axis["ticktext"]) <= {tick.text for tick in still.ticks} | {
        f"{tick:g}" for tick in axis["tickvals"]
    }
    # The same figure on both: where a dot of the one stands between two marks, so does that of the other.
    places = {tick.text: tick.x for tick in still.ticks}
    spans = [
        (value, text)
        for value, text in zip(axis["tickvals"], axis["ticktext"], strict=True)
        if text in places
    ]
    (first, one), (last, other) = spans[0], spans[-1]
    per_decade = (places[other] - places[one]) / math.log10(last / first)
    still_dot = still.rows[1].dots[0].x
    assert places[one] + math.log10(0.7 / first) * per_decade == pytest.approx(still_dot, abs=0.2)


def test_interval_margin_and_the_line_at_one_have_the_figures_of_the_verdict():
    figure = draw(
        row("plain water", 1.0, 0.9), row("rinse", 1.4, 1.6, interval=interval(1.2, 1.9)), margin_ratio=1.25
    )
    bar = trace(figure, INTERVALS)
    assert bar["x"] == [1.2, 1.5, 1.9]
    assert bar["line"]["dash"] == "solid"
    assert bar["customdata"][0]["sentence"] == "rinse: 1.5 times"
    band, *ones = figure["layout"]["shapes"]
    assert (band["x0"], band["x1"]) == (0.8, 1.25)
    assert {(line["x0"], line["x1"]) for line in ones} == {(1, 1)}
    assert len(ones) == 2


def test_without_a_margin_there_is_no_line_at_one():
    figure = draw(row("plain water", 6.0), row("rinse", 7.0), caption="mg per portion")
    assert figure["layout"].get("shapes", []) == []
    assert figure["layout"]["xaxis"]["title"]["text"] == "mg per portion"


@pytest.mark.parametrize(
    ("shown", "worse", "colour", "dash"),
    [(True, False, "leaf", "solid"), (True, True, "rust", "solid"), (False, False, "ochre", "7px,4px")],
)
def test_only_what_is_shown_is_a_solid_bar(shown: bool, worse: bool, colour: str, dash: str):
    bar = trace(
        draw(row("rinse", 1.0, 1.6, interval=interval(0.9, 1.9, shown=shown, worse=worse))), INTERVALS
    )
    assert bar["meta"]["paint"]["line.color"] == colour
    assert bar["line"]["dash"] == dash


@pytest.mark.parametrize("lower", [0.0, None, 1e-9])
@pytest.mark.parametrize("upper", [math.inf, None, 1e9])
def test_a_limit_far_away_ends_in_an_arrow_at_the_edge_of_the_axis(lower, upper):
    figure = draw(row("rinse", 1.0, 1.6, interval=interval(lower, upper)), margin_ratio=1.25)
    bar, axis = trace(figure, INTERVALS), figure["layout"]["xaxis"]
    assert [bar["marker"]["symbol"][at] for at in (0, -1)] == ["triangle-left", "triangle-right"]
    assert 10 ** axis["range"][0] < bar["x"][0] < bar["x"][1] < bar["x"][-1] < 10 ** axis["range"][1]
    assert_whole(figure)


def test_an_interval_without_an_estimate_has_no_mark_between_its_ends():
    bar = trace(draw(row("rinse", 1.0, 1.6, interval=interval(0.0, 0.8, centre=None))), INTERVALS)
    assert len(bar["x"]) == 2


def test_runs_without_a_place_stand_beside_the_axis_under_their_own_words():
    runs = [run(1.0, 1), run(None, 2), run(None, 3), run(None, None, kind="left out")]
    figure = draw(PointedRow("rinse", runs), row("plain water", 2.0), below_text="below")
    axis, dots = figure["layout"]["xaxis"], trace(figure, RUNS)
    kinds = dict(zip(dots["marker"]["symbol"], dots["x"], strict=True))
    assert kinds["x"] < kinds["circle-open"] < 1.0
    assert axis["ticktext"][:2] == ["left out", "below"]
    assert axis["tickvals"][0] < axis["tickvals"][1] < 1.0
    assert 10 ** axis["range"][0] < min(dots["x"])


@pytest.mark.parametrize(
    "values",
    [[1.0] * 12, [1.0, 1.001, 1.002, 1.5, 1.501], [None] * 9 + [1.0]],
    ids=["ties", "close", "below"],
)
def test_no_two_dots_of_a_row_hide_each_other(values):
    figure = draw(row("plain water", 0.5, 5.0), row("rinse", *values), below_text="below")
    low, high = figure["layout"]["xaxis"]["range"]
    runs = trace(figure, RUNS)
    # On a phone: some 300 px across, and a pixel down the page for each step of y.
    dots = [
        ((math.log10(x) - low) / (high - low) * 300, y) for x, y in zip(runs["x"], runs["y"], strict=True)
    ]
    nearest = min(math.dist(a, b) for number, a in enumerate(dots) for b in dots[:number])
    assert nearest >= STEP - 0.1
    assert max(y for _, y in dots) < figure["layout"]["yaxis"]["range"][0]


def test_a_blocks_runs_are_joined_and_a_gap_parts_the_blocks():
    figure = draw(row("plain water", 1.0, 0.9), row("rinse", 1.4, 1.2))
    assert trace(figure, BLOCK_LINES)["x"] == [1.0, 1.4, None, 0.9, 1.2]
    # Filled when a run is pointed at.
    assert trace(figure, PICKED_BLOCK)["x"] == []


def test_a_single_block_and_runs_in_one_order_are_drawn_too():
    single = draw(row("plain water", 1.0), row("rinse", 1.4))
    assert trace(single, BLOCK_LINES)["x"] == [1.0, 1.4]
    alone = draw(PointedRow("plain water", [run(1.0)]), PointedRow("rinse", [run(1.4)]))
    assert trace(alone, BLOCK_LINES)["x"] == []
    for figure in (single, alone):
        assert len(trace(figure, RUNS)["x"]) == 2
        assert_whole(figure)


def test_places_stand_on_an_even_axis_from_one():
    figure = draw(row("plain water", 3.0, 2.5), row("rinse", 1.0, 1.5), caption="place", by_places=True)
    axis = figure["layout"]["xaxis"]
    assert axis["type"] == "linear"
    assert axis["ticktext"] == ["1", "2", "3"]
    assert axis["tickvals"] == [1, 2, 3]
    assert axis["range"][0] < 1 and axis["range"][1] > 3
    assert sorted(trace(figure, RUNS)["x"]) == [1.0, 1.5, 2.5, 3.0]


def test_a_treatment_without_a_run_keeps_its_name():
    figure = draw(row("plain water", 1.0), PointedRow("rinse", []))
    assert [note["text"] for note in figure["layout"]["annotations"]] == ["plain water", "rinse"]
    assert_whole(figure)


def test_nothing_on_the_axis_is_refused():
    for rows in ([], [row("rinse", None, None)]):
        for by_places in (False, True):
            with pytest.raises(ValueError, match="nothing to draw"):
                interactive_figure(rows, caption="mg", by_places=by_places)


def test_what_somebody_typed_is_text_and_long_names_are_broken_not_cut():
    nasty = '<a href="javascript:alert(1)">rinse</a> & <b>co</b> ' + "with a long name " * 5
    figure = draw(PointedRow(nasty, [run(1.0, label=(nasty, "x"))]), caption=f"times the middle of {nasty}")
    texts = [
        figure["layout"]["annotations"][0]["text"],
        figure["layout"]["xaxis"]["title"]["text"],
        trace(figure, RUNS)["text"][0],
    ]
    for text in texts:
        assert set(re.findall(r"<[^>]*>", text)) == {"<br>"}
        assert "&lt;a" in text
        assert max(len(line) for line in text.replace("&lt;", "<").replace("&gt;", ">").split("<br>")) <= 40
    assert texts[0].count("with") == 5


def test_every_colour_is_one_of_the_style_sheet_by_name_only():
    figure = draw(
        row("plain water", 1.0, None),
        row("rinse", 1.4, 1.2, interval=interval(1.2, 1.9)),
        margin_ratio=1.25,
        below_text="below",
    )
    names = set(re.findall(r"--([\w-]+):", STYLES.read_text()))
    painted = [figure["layout"], *figure["data"]]
    used = {colour for part in painted for colour in part["meta"]["paint"].values()}
    assert used >= {"ink", "edge", "shade", "leaf", "ring", "sheet"}
    assert used <= names
    assert "#" not in json.dumps(figure)


def test_neither_a_drag_nor_a_wheel_moves_the_picture():
    layout = draw(row("rinse", 1.0))["layout"]
    assert layout["dragmode"] is False
    assert layout["xaxis"]["fixedrange"] and layout["yaxis"]["fixedrange"]


def assert_whole(figure: dict) -> None:
    """Every number is one, and every dot stands inside the picture."""
    assert not re.search(r"NaN|Infinity", json.dumps(figure))
    axis, dots = figure["layout"]["xaxis"], trace(figure, RUNS)
    low, high = axis["range"] if axis["type"] == "linear" else [10**end for end in axis["range"]]
    assert dots["x"] and all(low <= x <= high for x in dots["x"])
    assert figure["layout"]["height"] > 80


def test_the_script_that_draws_is_of_the_version_the_figure_is_made_for():
    from plotly.offline import get_plotlyjs_version

    vendored = [path.name for path in (STYLES.parents[3] / "trials/static/trials/vendor").glob("*.js")]
    assert vendored == [f"plotly-basic-{get_plotlyjs_version()}.min.js"]
