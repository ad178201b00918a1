"""What a trial shows, once it is closed; before that, only how many runs are in."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render

from prospecting.access import page
from trials.charts.places import place_chart
from trials.charts.verdict import Row, VerdictChart, verdict_chart
from trials.frames.verdicts import Picture, verdict_of
from trials.models import Trial


@page(role="guest")
def trial_verdict(request: HttpRequest, pk: int) -> HttpResponse:
    trial = get_object_or_404(Trial.objects.for_detail(), pk=pk)
    if trial.state == Trial.State.DRAFT:
        messages.info(
            request,
            "This trial is still a draft: it shows nothing before its plan is fixed and its runs are in.",
        )
        return redirect(trial)
    if trial.state == Trial.State.RUNNING:
        return render(request, "trials/trial_verdict.html", {"trial": trial, "progress": trial.progress()})
    found = verdict_of(trial, request.user)
    return render(
        request,
        "trials/trial_verdict.html",
        {"trial": trial, "found": found, "chart": drawn(found.picture, by_places=found.judged is not None)},
    )


def drawn(picture: Picture, *, by_places: bool) -> VerdictChart | None:
    if by_places:
        return place_chart(
            {row["label"]: row["values"] for row in picture.rows},
            caption=picture.caption,
            title=picture.title,
            description=picture.description,
        )
    return verdict_chart(
        [Row(**row) for row in picture.rows],
        caption=picture.caption,
        title=picture.title,
        description=picture.description,
        margin_ratio=picture.margin_ratio,
        below_text=picture.below_text,
    )
