"""What a trial shows, once it is closed; before that, only how many runs are in."""

from dataclasses import dataclass

from csp.decorators import csp_update
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.template.loader import render_to_string

from prospecting.access import page
from prospecting.calc.language import phrase
from prospecting.kept_results import kept_result
from prospecting.models import Member
from trials.charts.places import place_chart
from trials.charts.verdict import Row, VerdictChart, verdict_chart
from trials.frames.pointing import Pointing, pointing_of
from trials.frames.verdicts import Picture, hangs_on, more_pages, verdict_of
from trials.models import Trial

# The hash of an empty style element: the plotting script makes one and fills it through the style sheet's object.
EMPTY_STYLE = "'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='"


@dataclass(frozen=True)
class Written:
    """A reading as it is kept: what stands above where the gold came from, what stands below, further pages, and what the
    picture tells of each run.
    """

    above: str
    below: str
    more: list[tuple[str, str]]
    pointing: Pointing


@page(role="guest")
@csp_update({"style-src": [EMPTY_STYLE]})
def trial_verdict(request: HttpRequest, pk: int) -> HttpResponse:
    trial = get_object_or_404(Trial.objects.for_detail(), pk=pk)
    if trial.state == Trial.State.DRAFT:
        messages.info(
            request,
            phrase(
                "This trial is still a draft: it shows nothing before its plan is fixed and its runs are in."
            ),
        )
        return redirect(trial)
    if trial.state == Trial.State.RUNNING:
        return render(request, "trials/trial_verdict.html", {"trial": trial, "progress": trial.progress()})
    return render(
        request,
        "trials/trial_verdict.html",
        {
            "trial": trial,
            "reading": kept_reading(trial, request.user),
            "origins": trial.feed_lot.origins.select_related("dig__zone__claim"),
        },
    )


def kept_reading(trial: Trial, member: Member) -> Written:
    """Reckoned and written out once for each state of the records; reading it back loads no statistics."""
    return kept_result("trial-verdict", hangs_on(trial, member), lambda: written_out(trial, member))


def written_out(trial: Trial, member: Member) -> Written:
    found = verdict_of(trial, member)
    context = {
        "trial": trial,
        "found": found,
        "chart": drawn(found.picture, by_places=found.judged is not None),
        "can_write": member.can_write,
    }
    return Written(
        above=render_to_string("trials/_verdict_reading.html", context),
        below=render_to_string("trials/_verdict_records.html", context),
        more=more_pages(trial),
        pointing=pointing_of(trial, found),
    )


def drawn(picture: Picture, *, by_places: bool) -> VerdictChart | None:
    if by_places:
        return place_chart(
            {row["label"]: list(zip(row["values"], row["blocks"], strict=True)) for row in picture.rows},
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
