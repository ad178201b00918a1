from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from prospecting.access import page
from prospecting.actions import values
from prospecting.calc.language import phrase
from prospecting.forms.values import ChooseReadingForm, RuleForm
from prospecting.frames.values import sample_value
from prospecting.models import Dispatch, Sample
from prospecting.views.assays import dispatch_crumbs
from prospecting.views.entry import enter


@page(role="guest")
def sample_detail(request, pk):
    sample = get_object_or_404(Sample.objects.with_what().select_related("dispatch__laboratory"), pk=pk)
    return render(
        request,
        "prospecting/sample_detail.html",
        {
            "sample": sample,
            "found": sample_value(sample, grade_unit=request.user.grade_unit),
            "crumbs": dispatch_crumbs(sample.dispatch, phrase("Sample {tag}", tag=sample.tag)),
        },
    )


@page(role="member", methods=("GET", "POST"))
def reading_choose(request, pk):
    sample = get_object_or_404(Sample.objects.with_what().select_related("dispatch__laboratory"), pk=pk)
    form = ChooseReadingForm(request.POST or None, member=request.user, sample=sample)
    if response := enter(
        request,
        form,
        lambda: values.choose_reading(sample=sample, **form.entry(), chosen_by=request.user).dispatch,
    ):
        return response
    return render(
        request,
        "prospecting/reading_choose.html",
        {
            "sample": sample,
            "form": form,
            "crumbs": dispatch_crumbs(sample.dispatch, phrase("Sample {tag}", tag=sample.tag)),
        },
    )


@page(role="member", methods=("GET", "POST"))
def sample_rule(request, pk):
    sample = get_object_or_404(Sample.objects.with_what().select_related("dispatch__laboratory"), pk=pk)
    form = RuleForm(request.POST or None, member=request.user, rule=sample.holding_rule)
    if response := enter(
        request,
        form,
        lambda: values.set_rule(sample=sample, **form.entry(), set_by=request.user).dispatch,
        then=reverse("sample-detail", args=[pk]),
    ):
        return response
    return render(
        request,
        "prospecting/rule_form.html",
        {
            "form": form,
            "heading": phrase("Which value of sample {tag} counts?", tag=sample.tag),
            "of_what": sample.what,
            "crumbs": dispatch_crumbs(sample.dispatch, phrase("Sample {tag}", tag=sample.tag)),
        },
    )


@page(role="member", methods=("GET", "POST"))
def dispatch_rule(request, pk):
    dispatch = get_object_or_404(Dispatch.objects.select_related("laboratory"), pk=pk)
    form = RuleForm(request.POST or None, member=request.user)
    if response := enter(
        request,
        form,
        lambda: values.set_dispatch_rule(dispatch=dispatch, **form.entry(), set_by=request.user),
        said=phrase(
            "Recorded. The journal names each sample whose value changed, and those for which the rule gives none yet."
        ),
    ):
        return response
    return render(
        request,
        "prospecting/rule_form.html",
        {
            "form": form,
            "heading": phrase("Which values of dispatch {number} count?", number=dispatch.pk),
            "crumbs": dispatch_crumbs(dispatch, phrase("Which values count")),
        },
    )
