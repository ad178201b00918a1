"""The picture of a verdict to be pointed at: the runs, intervals and margin of `verdict.py` as a plotly figure.

Colours are named, not given: `meta["paint"]` says which colour of the site's style sheet goes where, so that a page fills in
those of the reader's device, by day and by night.
"""

import math
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

from prospecting.calc.language import phrase
from prospecting.calc.number_words import in_mark, numeral
from trials.charts.places import last_place, place_ticks
from trials.charts.verdict import DOT_STEP, FEW_BLOCKS, Row, log_ticks, spread_dots, value_range

if TYPE_CHECKING:
    import plotly.graph_objects as go

# Lengths are pixels down the page, and across it as on a phone 360 px wide; a wider page only moves dots apart.
WIDTH, PAD = 300.0, 8.0
LINE, BAR_DROP, DOTS_DROP, ROW_GAP = 18.0, 12.0, 16.0, 12.0
DOT, STEP = 9.0, 11.0
FOOT, FOOT_LINE = 34.0, 17.0
# Dots without a place on the axis stand at its left, so many beside each other.
BESIDE = 4
GUTTER = (BESIDE + 1) * STEP
LABEL_SIGNS, HOVER_SIGNS = 36, 24
SYMBOLS = {"counts": "circle", "below": "circle-open", "left out": "x"}
# The traces, in drawing order; the page's script fills the picked block.
BLOCK_LINES, PICKED_BLOCK, INTERVALS, RUNS = "block lines", "picked block", "intervals", "runs"


@dataclass(frozen=True)
class PointedRun:
    """One run. `value` is its place on the axis, None for one below the scale or left out (`kind` says which).

    `label` are the short lines beside its dot, `sentence` all that is told of it, `page` its own page.
    """

    value: float | None
    kind: str
    block: int | None
    label: Sequence[str]
    sentence: str
    page: str


@dataclass(frozen=True)
class PointedInterval:
    """An interval in the unit of the axis and what it says; a limit of None, 0 or infinity runs out of the picture."""

    centre: float | None
    lower: float | None
    upper: float | None
    shown: bool
    worse: bool
    sentence: str

    @property
    def colour(self) -> str:
        return "ochre" if not self.shown else "rust" if self.worse else "leaf"


@dataclass(frozen=True)
class PointedRow:
    """One treatment, its runs in any order."""

    label: str
    runs: Sequence[PointedRun]
    interval: PointedInterval | None = None


@dataclass(frozen=True)
class _Axis:
    """The axis across, from `low` to `high`; left of it a gutter for each kind of runs that have no place on it.

    `gutters` says how far from the left edge the first dot of a kind stands.
    """

    low: float
    high: float
    is_log: bool
    gutters: Mapping[str, float]

    @property
    def left(self) -> float:
        return PAD + len(self.gutters) * GUTTER

    @property
    def length(self) -> float:
        return WIDTH - PAD - self.left

    def at(self, value: float) -> float:
        low, high, value = (self._scaled(number) for number in (self.low, self.high, value))
        return self.left + (value - low) / (high - low) * self.length

    def value_at(self, x: float) -> float:
        """What the axis would show here: the only way to put a dot beside a logarithmic axis."""
        low, high = self._scaled(self.low), self._scaled(self.high)
        scaled = low + (x - self.left) / self.length * (high - low)
        return math.exp(scaled) if self.is_log else scaled

    @property
    def range(self) -> list[float]:
        """As plotly wants it: the logarithms of a logarithmic axis."""
        return [math.log10(end) if self.is_log else end for end in (self.value_at(0.0), self.value_at(WIDTH))]

    def _scaled(self, value: float) -> float:
        return math.log(value) if self.is_log else value


@dataclass(frozen=True)
class _Placed:
    """A run and where its dot stands: in the unit of the axis, and down the page."""

    run: PointedRun
    x: float
    y: float


def interactive_figure(
    rows: Sequence[PointedRow],
    *,
    caption: str,
    margin_ratio: float | None = None,
    below_text: str = "",
    by_places: bool = False,
) -> "go.Figure":
    """Return the figure: one trace of runs, one of intervals for each treatment that has one, and the lines of blocks.

    Parameters
    ----------
    rows : sequence of PointedRow
        In drawing order, top to bottom; at least one run has a place on the axis, otherwise ValueError.
    caption : str
        The title of the axis, with its unit.
    margin_ratio : float or None
        When given, values are multiples of the control: the line at 1 and the band from 1/ratio to ratio are drawn.
    below_text : str
        The tick under the runs that have no place on the axis although they count.
    by_places : bool
        Values are places from 1 on an even axis, not masses or ratios on a logarithmic one.
    """
    import plotly.graph_objects as go

    axis = _axis(rows, margin_ratio, by_places)
    ticks = _ticks(axis, below_text)
    placed: list[_Placed] = []
    labels, intervals, ones, y = [], [], [], 2.0
    for row in rows:
        lines = textwrap.wrap(row.label, LABEL_SIGNS) or [""]
        labels.append(_label(lines, y))
        y += LINE * len(lines)
        top = y
        if row.interval is not None:
            intervals.append(_interval_trace(row.interval, axis, y + BAR_DROP))
            y += DOTS_DROP
        here = _place(row.runs, axis, y + BAR_DROP)
        placed += here
        y = max([dot.y for dot in here], default=y + BAR_DROP) + DOT / 2
        ones.append((top, y + ROW_GAP / 2))
        y += ROW_GAP
    figure = go.Figure([_block_lines(placed), _picked_block(), *intervals, _runs_trace(placed)])
    shapes = _shapes(margin_ratio, ones, y)
    foot = textwrap.wrap(caption, LABEL_SIGNS)
    foot_height = FOOT + FOOT_LINE * len(foot)
    figure.update_layout(
        separators=in_mark(".,"),
        template="none",
        height=y + foot_height,
        margin={"l": PAD, "r": PAD, "t": 0, "b": foot_height, "pad": 0},
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor="rgba(0,0,0,0)",
        showlegend=False,
        dragmode=False,
        hovermode="closest",
        hoverdistance=24,
        hoverlabel={"align": "left", "font": {"size": 14}},
        font={"family": "system-ui, sans-serif", "size": 13},
        annotations=labels,
        shapes=shapes,
        xaxis={
            "type": "log" if axis.is_log else "linear",
            "range": axis.range,
            "tickvals": [value for value, _ in ticks],
            "ticktext": [text for _, text in ticks],
            "ticks": "outside",
            "tickangle": 0,
            "showline": True,
            "showgrid": False,
            "zeroline": False,
            "fixedrange": True,
            "title": {
                "font": {"size": 13},
                "text": "<br>".join(_plain(line) for line in foot),
                "standoff": 8,
            },
        },
        yaxis={"range": [y, 0], "visible": False, "fixedrange": True},
        meta={"paint": _paint(shapes, len(labels))},
    )
    return figure


def _axis(rows: Sequence[PointedRow], margin_ratio: float | None, by_places: bool) -> _Axis:
    aside = {run.kind for row in rows for run in row.runs if run.value is None}
    kinds = [kind for kind in ("left out", "below") if kind in aside]
    if by_places:
        last = last_place(run.value for row in rows for run in row.runs if run.value is not None)
        ends = last and (1.0, float(last))
    else:
        ends = value_range([_as_row(row) for row in rows], margin_ratio)
    if not ends:
        raise ValueError("No run has a place on the axis: there is nothing to draw.")
    gutters = {kind: PAD + number * GUTTER for number, kind in enumerate(kinds)}
    return _Axis(*ends, is_log=not by_places, gutters=gutters)


def _as_row(row: PointedRow) -> Row:
    """The same treatment as the server's own picture takes it, so that both have one axis."""
    values = [run.value for run in row.runs if run.value is not None]
    if row.interval is None:
        return Row(row.label, values)
    return Row(
        row.label, values, centre=row.interval.centre, lower=row.interval.lower, upper=row.interval.upper
    )


def _ticks(axis: _Axis, below_text: str) -> list[tuple[float, str]]:
    texts = {"below": below_text, "left out": phrase("left out")}
    aside = [
        (axis.value_at(x + (BESIDE - 1) / 2 * STEP), _plain(texts[kind])) for kind, x in axis.gutters.items()
    ]
    if not axis.is_log:
        return aside + [(float(place), f"{place}") for place in place_ticks(int(axis.high))]
    return aside + [(value, numeral(value, "g")) for value in log_ticks(axis.low, axis.high, axis.length)]


def _place(runs: Sequence[PointedRun], axis: _Axis, y: float) -> list[_Placed]:
    """The dots of one row, each as far from the others as it is wide."""
    counted = sorted((run for run in runs if run.value is not None), key=lambda run: run.value)
    # `spread_dots` knows dots of its own width.
    dots = spread_dots([axis.at(run.value) * DOT_STEP / STEP for run in counted], 0.0)
    placed = [
        _Placed(run, run.value, y + dot.y * STEP / DOT_STEP) for run, dot in zip(counted, dots, strict=True)
    ]
    for kind, x in axis.gutters.items():
        aside = [run for run in runs if run.value is None and run.kind == kind]
        placed += [
            _Placed(run, axis.value_at(x + number % BESIDE * STEP), y + number // BESIDE * STEP)
            for number, run in enumerate(aside)
        ]
    return placed


def _runs_trace(placed: Sequence[_Placed]) -> "go.Scatter":
    import plotly.graph_objects as go

    return go.Scatter(
        name=RUNS,
        mode="markers",
        x=[dot.x for dot in placed],
        y=[dot.y for dot in placed],
        text=["<br>".join(_hover_lines(dot.run.label)) for dot in placed],
        hovertemplate="%{text}<extra></extra>",
        customdata=[
            {"sentence": dot.run.sentence, "page": dot.run.page, "block": dot.run.block} for dot in placed
        ],
        marker={"symbol": [SYMBOLS[dot.run.kind] for dot in placed], "size": DOT, "line": {"width": 1}},
        # The one pointed at is larger, besides its colour.
        selected={"marker": {"size": 2 * DOT}},
        unselected={"marker": {"opacity": 1}},
        cliponaxis=False,
        meta={
            "paint": {
                "marker.color": "ink",
                "marker.line.color": "sheet",
                "selected.marker.color": "ring",
                "hoverlabel.bgcolor": "sheet",
                "hoverlabel.bordercolor": "edge",
                "hoverlabel.font.color": "ink",
            }
        },
    )


def _block_lines(placed: Sequence[_Placed]) -> "go.Scatter":
    """The runs of each block that has several, joined from the top row down; a gap parts one block from the next."""
    import plotly.graph_objects as go

    blocks: dict[int, list[_Placed]] = {}
    for dot in placed:
        if dot.run.block is not None:
            blocks.setdefault(dot.run.block, []).append(dot)
    joined = [dots for _, dots in sorted(blocks.items()) if len(dots) > 1]
    return go.Scatter(
        name=BLOCK_LINES,
        mode="lines",
        x=[x for dots in joined for x in [*(dot.x for dot in dots), None]][:-1],
        y=[y for dots in joined for y in [*(dot.y for dot in dots), None]][:-1],
        connectgaps=False,
        hoverinfo="skip",
        opacity=0.35 if len(joined) > FEW_BLOCKS else 0.6,
        line={"width": 0.8},
        meta={"paint": {"line.color": "edge"}},
    )


def _picked_block() -> "go.Scatter":
    import plotly.graph_objects as go

    return go.Scatter(
        name=PICKED_BLOCK,
        mode="lines",
        x=[],
        y=[],
        hoverinfo="skip",
        line={"width": 2, "dash": "dot"},
        meta={"paint": {"line.color": "ring"}},
    )


def _interval_trace(interval: PointedInterval, axis: _Axis, y: float) -> "go.Scatter":
    """A bar with a mark at its estimate; an end that runs out of the picture gets an arrow head."""
    import plotly.graph_objects as go

    open_low = not interval.lower or interval.lower < axis.low
    open_high = interval.upper is None or interval.upper > axis.high
    points = [
        (axis.low if open_low else min(interval.lower, axis.high), "triangle-left" if open_low else "line-ns")
    ]
    if interval.centre:
        points.append((interval.centre, "line-ns"))
    points.append(
        (
            axis.high if open_high else max(interval.upper, axis.low),
            "triangle-right" if open_high else "line-ns",
        )
    )
    return go.Scatter(
        name=INTERVALS,
        mode="lines+markers",
        x=[x for x, _ in points],
        y=[y] * len(points),
        text=["<br>".join(_hover_lines([interval.sentence]))] * len(points),
        hovertemplate="%{text}<extra></extra>",
        customdata=[{"sentence": interval.sentence}] * len(points),
        line={"width": 4, "dash": "solid" if interval.shown else "7px,4px"},
        marker={"symbol": [symbol for _, symbol in points], "size": 10, "line": {"width": 2}},
        cliponaxis=False,
        meta={
            "paint": {
                "line.color": interval.colour,
                "marker.color": interval.colour,
                "marker.line.color": "ink",
                "hoverlabel.bgcolor": "sheet",
                "hoverlabel.bordercolor": "edge",
                "hoverlabel.font.color": "ink",
            }
        },
    )


def _shapes(margin_ratio: float | None, rows: Sequence[tuple[float, float]], bottom: float) -> list[dict]:
    """The band of the margin with its edges, and the line at 1, broken where it would run through a name."""
    if margin_ratio is None:
        return []
    band = {
        "type": "rect",
        "x0": 1 / margin_ratio,
        "x1": margin_ratio,
        "y0": 0,
        "y1": bottom,
        "layer": "below",
        "line": {"width": 0},
    }
    return [band] + [
        {"type": "line", "x0": 1, "x1": 1, "y0": top, "y1": end, "layer": "below", "line": {"width": 2}}
        for top, end in rows
    ]


def _paint(shapes: Sequence[dict], labels: int) -> dict[str, str]:
    """The colours of all that belongs to no trace."""
    paint = {
        "font.color": "ink",
        "xaxis.linecolor": "edge",
        "xaxis.tickcolor": "edge",
        "xaxis.tickfont.color": "soft",
    }
    paint["xaxis.title.font.color"] = "soft"
    # Behind a name, where lines would run through it.
    paint |= {f"annotations.{number}.bgcolor": "sheet" for number in range(labels)}
    for number, shape in enumerate(shapes):
        is_band = shape["type"] == "rect"
        paint[f"shapes.{number}.{'fillcolor' if is_band else 'line.color'}"] = "shade" if is_band else "ink"
    return paint


def _label(lines: Sequence[str], y: float) -> dict:
    return {
        "text": "<br>".join(_plain(line) for line in lines),
        # Not by a tag: the script would write a style attribute for it, which the content security policy refuses.
        "font": {"weight": 600},
        "xref": "paper",
        "x": 0,
        "xanchor": "left",
        "yref": "y",
        "y": y,
        "yanchor": "top",
        "align": "left",
        "showarrow": False,
        "borderpad": 1,
    }


def _hover_lines(texts: Sequence[str]) -> list[str]:
    return [
        _plain(line)
        for text in texts
        for line in textwrap.wrap(text, HOVER_SIGNS, max_lines=4, placeholder="…")
    ]


def _plain(text: str) -> str:
    """What somebody typed is text: plotly reads a few tags in it."""
    return escape(text, quote=False)
