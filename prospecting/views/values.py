from django.shortcuts import get_object_or_404, render

from prospecting.access import page
from prospecting.actions import values
from prospecting.forms.values import ChooseReadingForm
from prospecting.models import Sample
from prospecting.views.assays import dispatch_crumbs
from prospecting.views.entry import enter


@page(role="member", methods=("GET", "POST"))
def reading_choose(request, pk):
    sample = get_object_or_404(Sample.objects.select_related("lot", "dispatch__laboratory"), pk=pk)
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
        {"sample": sample, "form": form, "crumbs": dispatch_crumbs(sample.dispatch, f"Sample {sample.tag}")},
    )
