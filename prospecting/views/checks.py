from django.shortcuts import get_object_or_404, render
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format

from prospecting.access import page
from prospecting.actions import checks
from prospecting.calc.language import phrase
from prospecting.charts.control import Line, Result, control_picture
from prospecting.charts.precision import PairDot, precision_picture
from prospecting.forms.base import SiteForm
from prospecting.forms.checks import AcceptForm
from prospecting.frames.checks import return_checks, return_rules
from prospecting.frames.duplicate_precision import StagePrecision, precision_by_grade
from prospecting.frames.laboratories import (
    BlankHistory,
    MaterialHistory,
    carry_over_words,
    laboratory_records,
    rule_set,
)
from prospecting.frames.laboratory_rows import sha256_of_laboratories
from prospecting.kept_results import kept_result
from prospecting.models import AssayReturn, Laboratory
from prospecting.views.assays import dispatch_crumbs
from prospecting.views.entry import enter


@page(role="guest")
def return_checks_page(request, pk):
    assay_return = _return(pk)
    return render(
        request,
        "prospecting/return_checks.html",
        {
            "assay_return": assay_return,
            "checks": return_checks(assay_return, grade_unit=request.user.grade_unit),
            "rule_set": return_rules(),
            "crumbs": _crumbs(assay_return, phrase("Checks")),
        },
    )


@page(role="keeper", methods=("GET", "POST"))
def return_accept(request, pk):
    assay_return = _return(pk)
    form = AcceptForm(request.POST or None, member=request.user)
    if response := enter(
        request,
        form,
        lambda: checks.accept_return(assay_return=assay_return, **form.entry(), accepted_by=request.user),
        then=reverse("return-checks", args=[pk]),
    ):
        return response
    return render(
        request,
        "prospecting/return_accept.html",
        {
            "assay_return": assay_return,
            "checks": return_checks(assay_return, grade_unit=request.user.grade_unit),
            "form": form,
            "crumbs": _crumbs(assay_return, phrase("Accept")),
        },
    )


@page(role="member", methods=("GET", "POST"))
def return_judge(request, pk):
    """Judge again: after a certificate of a reference material was mended, or an earlier return came late."""
    assay_return = _return(pk)
    # Nothing is asked: the figures stand as they are.
    form = SiteForm(request.POST or None, member=request.user)
    if response := enter(
        request,
        form,
        lambda: checks.judge_again(assay_return=assay_return, recorded_by=request.user),
        said=phrase("Judged again."),
        then=reverse("return-checks", args=[pk]),
    ):
        return response
    return render(
        request,
        "prospecting/return_judge.html",
        {"assay_return": assay_return, "form": form, "crumbs": _crumbs(assay_return, phrase("Judge again"))},
    )


@page(role="guest")
def laboratory_compare(request):
    laboratories = list(Laboratory.objects.order_by("name"))
    unit = request.user.grade_unit

    def written() -> str:
        records = laboratory_records(laboratories, grade_unit=unit)
        return render_to_string("prospecting/_laboratories_beside.html", {"records": records}, request)

    # What is late hangs on the day.
    made_from = (sha256_of_laboratories(laboratories), unit, timezone.localdate())
    return render(
        request,
        "prospecting/laboratory_compare.html",
        {
            "body": kept_result("laboratories side by side", made_from, written),
            "crumbs": _laboratory_crumbs(phrase("Side by side")),
        },
    )


@page(role="guest")
def laboratory_detail(request, pk):
    laboratory = get_object_or_404(Laboratory, pk=pk)
    unit = request.user.grade_unit
    (record,) = laboratory_records([laboratory], grade_unit=unit)
    pairs = record.blanks.pairs
    return render(
        request,
        "prospecting/laboratory_detail.html",
        {
            "laboratory": laboratory,
            "record": record,
            "materials": [(each, _material_picture(each, unit)) for each in record.materials],
            "blank_picture": _blank_picture(record.blanks, unit),
            # Its interval needs scipy, which no page loads twice for the same figures.
            "carry_over": kept_result("carry over", (tuple(pairs),), lambda: carry_over_words(pairs)),
            "precision": [
                (each, _precision_picture(each, unit))
                for each in precision_by_grade(record.stages, grade_unit=unit)
            ],
            "rule_set": rule_set(),
            "crumbs": _laboratory_crumbs(str(laboratory)),
        },
    )


def _material_picture(history: MaterialHistory, grade_unit: str):
    return control_picture(
        _results(history.results),
        _lines(history.limits),
        grade_unit=grade_unit,
        name=f"material-{history.material.pk}",
        title=phrase("Does it read {material} as certified?", material=history.material),
        description=phrase(
            "{number} results in order of reporting against the certified grade. {limits} {bias}",
            number=len(history.results),
            limits=history.limits_from,
            bias=history.bias_words,
        ),
    )


def _blank_picture(blanks: BlankHistory, grade_unit: str):
    return control_picture(
        _results(blanks.results),
        _lines(blanks.limits),
        grade_unit=grade_unit,
        name="blanks",
        title=phrase("Do coarse blanks come back barren?"),
        description=phrase(
            "{number} coarse blanks in order of reporting, {failed} of them failed.",
            number=len(blanks.results),
            failed=blanks.failed,
        ),
        from_zero=True,
    )


def _precision_picture(found: StagePrecision, grade_unit: str):
    if found.line is None:
        return None
    return precision_picture(
        [
            PairDot(
                each.mean,
                each.difference,
                phrase(
                    "{first} and {second}: mean {mean}, difference {difference}",
                    first=each.first.tag,
                    second=each.second.tag,
                    mean=each.mean_words,
                    difference=each.difference_words,
                ),
            )
            for each in found.pairs
        ],
        [
            PairDot(
                each.mean,
                each.median,
                phrase(
                    "group around {mean}: {difference}", mean=each.mean_words, difference=each.median_words
                ),
            )
            for each in found.groups
        ],
        found.line.median_difference_at,
        grade_unit=grade_unit,
        name=f"precision-{found.stage}",
        title=phrase("How far do two results of one thing lie apart? {stage}", stage=found.name),
        description=phrase(
            "{number} pairs in {groups} groups by grade. {sentence}",
            number=len(found.pairs),
            groups=len(found.groups),
            sentence=found.sentence,
        ),
    )


def _results(results) -> list[Result]:
    return [
        Result(
            value=each.value,
            day=date_format(each.assay_return.reported_on, "j M Y"),
            title=f"{each.sample.tag}, {each.assay_return}: {each.read}"
            + (f"; {each.says}" if each.says else ""),
            way=each.way,
            is_signal=each.is_signal,
        )
        for each in results
    ]


def _lines(limits) -> list[Line]:
    return [Line(each.value, each.label, each.kind) for each in limits]


def _return(pk: int) -> AssayReturn:
    return get_object_or_404(
        AssayReturn.objects.without_file().select_related("dispatch__laboratory", "accepted_by"), pk=pk
    )


def _crumbs(assay_return: AssayReturn, label: str) -> list[tuple[str, str]]:
    *before, _ = dispatch_crumbs(assay_return.dispatch, "")
    return [*before, (str(assay_return), assay_return.get_absolute_url()), (label, "")]


def _laboratory_crumbs(label: str) -> list[tuple[str, str]]:
    return [
        (phrase("Assays"), reverse("dispatch-list")),
        (phrase("Laboratories"), reverse("laboratory-list")),
        (label, ""),
    ]
