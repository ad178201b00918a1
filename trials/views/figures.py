"""The picture of a verdict to be pointed at, as the figure its page draws when asked to."""

import json

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404

from prospecting.access import page
from prospecting.kept_results import kept_result
from trials.charts.interactive import PointedInterval, PointedRow, PointedRun, interactive_figure
from trials.frames.pointing import Pointing
from trials.models import Trial
from trials.views.verdicts import kept_reading


@page(role="guest")
def trial_figure(request: HttpRequest, pk: int) -> HttpResponse:
    """Of a closed trial only: before that its verdict isn't told."""
    trial = get_object_or_404(Trial.objects.filter(state=Trial.State.CLOSED), pk=pk)
    pointing = kept_reading(trial, request.user).pointing
    written = kept_result("trial-figure", (repr(pointing),), lambda: written_figure(pointing))
    return HttpResponse(
        written, content_type="application/json", headers={"Cache-Control": "private, no-cache"}
    )


def written_figure(pointing: Pointing) -> str:
    """In JSON: the figure, or the sentence that says why there is none."""
    if pointing.nothing:
        return json.dumps({"nothing": pointing.nothing})
    figure = interactive_figure(
        [_row(**row) for row in pointing.rows],
        caption=pointing.caption,
        margin_ratio=pointing.margin_ratio,
        below_text=pointing.below_text,
        by_places=pointing.by_places,
    )
    return figure.to_json()


def _row(label: str, runs: list[dict], interval: dict | None) -> PointedRow:
    return PointedRow(
        label,
        [PointedRun(**run) for run in runs],
        None if interval is None else PointedInterval(**interval),
    )
