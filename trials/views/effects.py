"""What single factors and their combinations show in a closed trial, gold per hour, and what differs by panner."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.template.loader import render_to_string

from prospecting.access import page
from prospecting.calc.language import phrase
from prospecting.kept_results import kept_result
from trials.charts.effects import (
    BarRow,
    BarsChart,
    InteractionChart,
    Point,
    Series,
    bars_chart,
    interaction_chart,
)
from trials.frames.effects import effects_of
from trials.frames.effects_by_factor import Bar, Plot
from trials.frames.evidence import hash_of_trial
from trials.models import Trial


@page(role="guest")
def trial_effects(request: HttpRequest, pk: int) -> HttpResponse:
    trial = get_object_or_404(Trial.objects.for_detail(), pk=pk)
    if trial.state == Trial.State.DRAFT:
        messages.info(request, phrase("This trial is still a draft: nothing has been panned for it."))
        return redirect(trial)
    if trial.state == Trial.State.RUNNING:
        return render(request, "trials/trial_effects.html", {"trial": trial, "progress": trial.progress()})
    unit = request.user.grade_unit
    shown = kept_result("trial-effects", (hash_of_trial(trial), unit), lambda: _shown(trial, unit))
    origins = trial.feed_lot.origins.select_related("dig__zone__claim")
    return render(request, "trials/trial_effects.html", {"trial": trial, "shown": shown, "origins": origins})


def _shown(trial: Trial, grade_unit: str) -> str:
    """The analysis as it stands on the page, the same for every reader with these units."""
    found = effects_of(trial, grade_unit)
    factors, hour = found.factors, found.hour
    return render_to_string(
        "trials/_effects.html",
        {
            "trial": trial,
            "found": found,
            "plots": [(f"pair-{number}", drawn(plot)) for number, plot in enumerate(factors.plots)]
            if factors
            else [],
            "bars": drawn_bars(
                factors.bars,
                factors.margin_ratio,
                phrase("Effects of the factors, and of pairs beyond each"),
                factors.bars_in_words,
            )
            if factors
            else None,
            "hour_bars": drawn_bars(
                hour.bars,
                hour.margin_ratio,
                phrase("A portion and an hour against the control"),
                hour.bars_in_words,
            )
            if hour
            else None,
        },
    )


def drawn(plot: Plot) -> InteractionChart | None:
    return interaction_chart(
        plot.levels,
        [
            Series(
                label,
                [
                    Point(each.mean, each.lower, each.upper, each.expected, each.values, each.below)
                    for each in points
                ],
            )
            for label, points in plot.series
        ],
        caption=plot.caption,
        title=plot.title,
        description=plot.description,
    )


def drawn_bars(bars: list[Bar], margin_ratio: float, title: str, description: str) -> BarsChart | None:
    return bars_chart(
        [BarRow(bar.label, bar.ratio, bar.lower, bar.upper, bar.shown, bar.note) for bar in bars],
        margin_ratio=margin_ratio,
        caption=phrase("times as much"),
        title=title,
        description=description,
    )
