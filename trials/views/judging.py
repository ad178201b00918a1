"""A judge before a row of pans: codes alone, in an order of the judge's own."""

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render

from prospecting.access import keep_on_phone, page
from prospecting.calc.language import phrase
from prospecting.views.entry import Change, enter
from trials.actions import judging as actions
from trials.forms.judging import CorrectJudgingForm, JudgingForm, judged_before
from trials.frames.judging import row_of
from trials.models import Judging, Trial
from trials.views.runs import kept_photo


@keep_on_phone
@page(role="member", methods=("GET", "POST"))
def block_judge(request: HttpRequest, pk: int, number: int) -> HttpResponse:
    judged = Trial.objects.filter(outcome=Trial.Outcome.PLACES).select_related("mixer")
    block = get_object_or_404(get_object_or_404(judged, pk=pk).blocks, number=number)
    if request.method == "GET" and block.closed_at is not None:
        messages.info(
            request,
            phrase("The key of block {number} is open: its pans are no longer judged.", number=number),
        )
        return redirect(block.trial)
    row = row_of(block, request.user)
    form = JudgingForm(
        request.POST or None,
        request.FILES or None,
        member=request.user,
        codes=row.codes,
        judged=row.judges,
    )

    def make() -> Judging:
        return actions.keep_judging(
            block=block,
            judge=form.cleaned_data["judge"],
            look=form.look(kept_photo(request, form)),
            recorded_by=request.user,
        )

    if response := enter(
        request, form, make, said=phrase("The judging of block {number} is kept.", number=number)
    ):
        return response
    return render(
        request,
        "trials/block_judge.html",
        {"trial": block.trial, "row": row, "form": form, "own": row.judging_of(request.user)},
    )


@page(role="member", methods=("GET", "POST"))
def judging_correct(request: HttpRequest, pk: int) -> HttpResponse:
    judging = get_object_or_404(
        Judging.objects.select_related("block__trial__mixer", "judge").prefetch_related("places__planned"),
        pk=pk,
    )
    if request.method == "GET" and judging.block.closed_at is not None:
        messages.info(request, phrase("The key of this block is open: its judgings are no longer corrected."))
        return redirect(judging.block.trial)
    if request.user.pk not in (judging.judge_id, judging.recorded_by_id):
        raise PermissionDenied(
            phrase("Only the judge, or who typed it in, looks at a judging before the key is open.")
        )
    row = row_of(judging.block, judging.judge)
    form = CorrectJudgingForm(
        request.POST or None,
        request.FILES or None,
        member=request.user,
        codes=row.codes,
        initial=judged_before(judging),
    )

    def make() -> Judging:
        return actions.correct_judging(
            judging=judging,
            look=form.look(kept_photo(request, form)),
            reason=form.cleaned_data["reason"],
            recorded_by=request.user,
        )

    said = phrase("Corrected. What stood there before is in the journal.")
    if response := enter(request, form, make, said=said, change=Change(judging, judged_before)):
        return response
    return render(
        request,
        "trials/judging_correct.html",
        {"trial": judging.block.trial, "row": row, "form": form, "judging": judging},
    )
