"""Dose ladders: of one closed trial, of one additive over all its trials, and all additives beside each other."""

from dataclasses import dataclass
from decimal import Decimal

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.template.loader import render_to_string

from prospecting.access import page
from prospecting.calc.language import phrase
from prospecting.kept_results import kept_result
from trials.charts.doses import BarRow, DoseColumn, LadderChart, ladder_chart, ratio_bars
from trials.forms.doses import SeasonForm
from trials.frames.additive_doses import (
    TrialRead,
    additive_readings,
    additives_beside,
    bridges_between,
    fingerprint,
    trials_read,
)
from trials.frames.dose_costs import CostReading, Season, additives_to_cost, cost_reading, last_season
from trials.frames.doses import LadderPicture, ladder_readings
from trials.frames.ladders import DoseToCost, LadderLines
from trials.models import Additive, Trial


@dataclass(frozen=True)
class Drawn:
    """A reading as it is kept: what stands above and below its costs, what they are put to, and the water of one run."""

    above: str
    below: str
    to_cost: DoseToCost
    water_ml: Decimal | None = None


@page(role="guest")
def trial_doses(request: HttpRequest, pk: int) -> HttpResponse:
    """What each dose of a closed trial gave, and how little is enough."""
    trial = get_object_or_404(Trial.objects.for_detail(), pk=pk)
    if trial.state != Trial.State.CLOSED:
        sentence = phrase(
            "The doses are judged when the trial is closed: looking earlier finds gains that are not there."
        )
        return render(request, "trials/trial_doses.html", {"trial": trial, "sentence": sentence})
    lines = LadderLines(trial)
    if not lines.ladders:
        sentence = phrase(
            "This trial has no ladder: no two of its treatments are doses of one additive and nothing else."
        )
        return render(request, "trials/trial_doses.html", {"trial": trial, "sentence": sentence})
    ladders = kept_result(
        "dose ladders", (lines.fingerprint(), *units_of(request)), lambda: drawn_ladders(request, lines)
    )
    form, season_ml, season = season_asked(request, trial.water_ml)
    costs = costs_of([ladder.to_cost for ladder in ladders], trial.water_ml, season_ml)
    return render(
        request,
        "trials/trial_doses.html",
        {
            "trial": trial,
            "ladders": list(zip(ladders, costs, strict=True)),
            "form": form,
            "season": season,
            "left_out": lines.left_out,
            "origins": lines.origins,
        },
    )


@page(role="guest")
def additive_detail(request: HttpRequest, pk: int) -> HttpResponse:
    """What all closed trials of one additive say together, and what its least dose costs."""
    additive = get_object_or_404(Additive, pk=pk)
    reads = trials_read(additive)
    kept = kept_result(
        "an additive over its trials",
        (fingerprint(reads, [additive]), *units_of(request)),
        lambda: drawn_additive(request, additive, reads),
    )
    context = {"additive": additive, "kept": kept, "reads": reads, "bridges": bridges_between(reads)}
    if kept.water_ml is not None:
        form, season_ml, season = season_asked(request, kept.water_ml)
        [cost] = costs_of([kept.to_cost], kept.water_ml, season_ml)
        context |= {"form": form, "season": season, "cost": cost}
    return render(request, "trials/additive_detail.html", context)


@page(role="guest")
def additive_compare(request: HttpRequest) -> HttpResponse:
    """Which additive has ever beaten plain water, and in how many trials."""
    additives, reads = list(Additive.objects.order_by("name")), trials_read()
    body = kept_result(
        "additives beside each other",
        (fingerprint(reads, additives), *units_of(request)),
        lambda: drawn_comparison(request, additives, reads),
    )
    return render(request, "trials/additive_compare.html", {"body": body})


def units_of(request: HttpRequest) -> tuple[str, str, str]:
    """The reader's units, which a kept page hangs on."""
    return request.user.mass_unit, request.user.grade_unit, request.user.dose_unit


def drawn_ladders(request: HttpRequest, lines: LadderLines) -> list[Drawn]:
    drawn = []
    for number, reading in enumerate(ladder_readings(lines, request.user), start=1):
        context = {
            "trial": lines.trial,
            "reading": reading,
            "number": number,
            "chart": drawn_ladder(reading.picture),
        }
        above, below = (
            render_to_string(f"trials/_doses_{part}.html", context, request) for part in ("above", "below")
        )
        drawn.append(Drawn(above, below, reading.to_cost))
    return drawn


def drawn_additive(request: HttpRequest, additive: Additive, reads: list[TrialRead]) -> Drawn:
    [reading] = additive_readings([additive], reads, request.user)
    chart = ratio_bars(
        [BarRow(**row) for row in reading.bars],
        caption=phrase("times the control of the same trial"),
        title=phrase("What {additive} gave in each trial, by dose", additive=additive),
        description=phrase("The same figures stand in the tables below."),
    )
    context = {"additive": additive, "reading": reading, "chart": chart}
    above, below = (
        render_to_string(f"trials/_additive_{part}.html", context, request) for part in ("above", "below")
    )
    return Drawn(above, below, reading.to_cost, reading.water_ml)


def drawn_comparison(request: HttpRequest, additives: list[Additive], reads: list[TrialRead]) -> str:
    comparison = additives_beside(additive_readings(additives, reads, request.user))
    chart = ratio_bars(
        [BarRow(**row) for row in comparison.bars],
        caption=phrase("times plain water"),
        title=phrase("What each additive gave over its trials"),
        description=phrase("The same figures stand in the table below."),
    )
    return render_to_string(
        "trials/_additives_beside.html", {"comparison": comparison, "chart": chart}, request
    )


def drawn_ladder(picture: LadderPicture) -> LadderChart | None:
    return ladder_chart([DoseColumn(**column) for column in picture.columns], **picture.chart)


def season_asked(request: HttpRequest, water_per_run_ml: Decimal) -> tuple[SeasonForm, Decimal, Season]:
    """The form, the season's water it asks for (or that of the last year's runs), and that last year."""
    season = last_season(water_per_run_ml)
    asked = "water" in request.GET
    form = SeasonForm(request.GET if asked else None, member=request.user, initial={"water": season.typed})
    typed = form.cleaned_data["water"] if asked and form.is_valid() else None
    return form, typed.canonical if typed else season.water_ml, season


def costs_of(doses: list[DoseToCost], water_per_run_ml: Decimal, season_ml: Decimal) -> list[CostReading]:
    additives = additives_to_cost(doses)
    return [cost_reading(dose, additives, water_per_run_ml, season_ml) for dose in doses]
