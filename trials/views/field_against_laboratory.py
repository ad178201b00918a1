"""Pans beside assays over all lots, and which lot to assay next."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.template.loader import render_to_string
from django.urls import reverse

from prospecting.access import page
from prospecting.calc.language import phrase
from prospecting.kept_results import kept_result
from trials.charts.field_against_laboratory import agreement_plot
from trials.forms.field_against_laboratory import FieldForm, NextAssayForm
from trials.frames.field_against_laboratory import Asked, field_against_laboratory
from trials.frames.field_pairs import BookRows, read_assays, read_books
from trials.frames.next_assays import NextAsked, Stock, next_assays, read_stock


@page(role="guest")
def field_against_lab(request: HttpRequest) -> HttpResponse:
    """What was panned of lots beside what was assayed of them."""
    form = FieldForm(request.GET, member=request.user)
    asked = Asked(**form.answers())
    rows = read_books(of_zone=asked.zone is not None)
    member = request.user
    return render(
        request,
        "trials/field_against_laboratory.html",
        {
            "form": form,
            "reading": kept_result(
                "field against laboratory",
                (rows.fingerprint(), asked, member.grade_unit, member.mass_unit, member.can_write),
                lambda: _written(request, rows, asked),
            ),
            "crumbs": [
                (phrase("Assays"), reverse("dispatch-list")),
                (phrase("Field against laboratory"), ""),
            ],
        },
    )


@page(role="guest")
def assay_next(request: HttpRequest) -> HttpResponse:
    """Which lots' assays would narrow their zone's grade most for their price."""
    form = NextAssayForm(request.GET)
    asked = NextAsked(form.method_asked(), form.price_asked(), form.grain_mg())
    rows, stock = read_assays(), read_stock()
    member = request.user
    return render(
        request,
        "trials/assay_next.html",
        {
            "form": form,
            "reading": kept_result(
                "which lot to assay next",
                (rows.fingerprint(), stock.fingerprint(), asked, member.grade_unit, member.mass_unit)
                + (member.can_write,),
                lambda: _ranked(request, rows, stock, asked),
            ),
            "crumbs": [(phrase("Assays"), reverse("dispatch-list")), (phrase("Which lot to assay next"), "")],
        },
    )


def _written(request: HttpRequest, rows: BookRows, asked: Asked) -> str:
    """Reckoned and written out once for each state of the records; reading it back loads no statistics."""
    found = field_against_laboratory(rows.books(), asked, grade_unit=request.user.grade_unit)
    plot = agreement_plot(
        found.points, unit=found.unit, ratio=found.ratio, limits=found.limits, line=found.line
    )
    return render_to_string("trials/_field_reading.html", {"found": found, "plot": plot}, request)


def _ranked(request: HttpRequest, rows: BookRows, stock: Stock, asked: NextAsked) -> str:
    member = request.user
    found = next_assays(rows.books(), stock, asked, grade_unit=member.grade_unit, mass_unit=member.mass_unit)
    return render_to_string("trials/_assay_next.html", {"found": found}, request)
