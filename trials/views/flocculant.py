"""What an additive clears, and what that costs in gold."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.template.loader import render_to_string
from django.urls import reverse

from prospecting.access import page
from prospecting.calc.language import phrase
from prospecting.kept_results import kept_result
from trials.charts.clearing import clearing_chart
from trials.charts.flocculant import ClearingGoldChart, Point, gold_against_minutes
from trials.frames.flocculant import ClearingPage, page_of
from trials.frames.flocculant_books import Books, books_of
from trials.models import Additive


@page(role="guest")
def additive_clearing(request: HttpRequest, pk: int) -> HttpResponse:
    """The sentence, the picture, the numbers, the working; reckoned once for the same records."""
    additive = get_object_or_404(Additive, pk=pk)
    books = books_of(additive)
    shown = ""
    if books.has_something:
        shown = kept_result("additive-clearing", books.all_read(), lambda: written_out(books))
    return render(
        request,
        "trials/additive_clearing.html",
        {
            "additive": additive,
            "shown": shown,
            "open_trials": books.open_trials,
            "crumbs": [
                (phrase("Additives"), reverse("additive-list")),
                (phrase("{additive}: clearing", additive=additive), ""),
            ],
        },
    )


def written_out(books: Books) -> str:
    found = page_of(books)
    marks = {line.mark for line in found.drawn}
    return render_to_string(
        "trials/_additive_clearing.html",
        {
            "found": found,
            "picture": drawn(found),
            "has_best": "best" in marks,
            "has_costly": "costly" in marks,
            "has_beaten": "beaten" in marks,
            "curves": [
                (
                    each,
                    clearing_chart(
                        each.tubs,
                        unit=each.test.unit,
                        target=each.test.target,
                        title=each.title,
                        rises=each.test.rises,
                    ),
                )
                for each in found.curves
            ],
        },
    )


def drawn(found: ClearingPage) -> ClearingGoldChart | None:
    if not found.drawn:
        return None
    points = [Point(found.without.label, 1.0, None, None, 0.0, 0.0, 0.0, 0.0, "without")]
    points += [
        Point(
            line.label,
            line.gold.ratio,
            line.gold.lower,
            line.gold.upper,
            line.sooner.least,
            line.sooner.most,
            line.sooner.low,
            line.sooner.high,
            line.mark,
            shown=line.gold.kind != "not shown",
            worse=line.gold.kind == "worse",
        )
        for line in found.drawn
    ]
    return gold_against_minutes(
        points,
        margin_ratio=found.margin,
        title=phrase("What do clearer minutes cost in gold?"),
        description=found.description,
    )
