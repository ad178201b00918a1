"""Clearing tests: written down, their tubs' clocks begun and read from a phone, and what they say."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django_tables2 import RequestConfig

from prospecting.access import keep_on_phone, page
from prospecting.actions.photos import keep_photo
from prospecting.calc.language import phrase
from prospecting.models import JournalEntry
from prospecting.views.entry import Change, enter
from prospecting.views.list_file import list_file
from trials.actions import clearing
from trials.charts.clearing import clearing_chart
from trials.filters.clearing import ClearingFilter
from trials.forms.clearing import (
    BeginAllForm,
    BeginForm,
    ClearingForm,
    EndForm,
    ReadForm,
    VoidReadingForm,
    clearing_before,
)
from trials.frames.clearing import TubNow, additives_of, test_result, tubs_now
from trials.models import ClearingTest, Tub, TubReading
from trials.tables.clearing import ClearingTable


@page(role="guest")
def clearing_list(request: HttpRequest) -> HttpResponse:
    filters = ClearingFilter(request, ClearingTest.objects.for_list())
    table = RequestConfig(request).configure(ClearingTable(filters.qs, request=request))
    return list_file(request, table, "clearing-tests") or render(
        request, "trials/clearing_list.html", {"table": table, "filters": filters}
    )


@page(role="member", methods=("GET", "POST"))
def clearing_add(request: HttpRequest) -> HttpResponse:
    form = ClearingForm(
        request.POST or None, member=request.user, initial=ClearingForm.starting_with(request.GET.dict())
    )

    def make() -> Tub:
        test = clearing.add_clearing_test(**form.fields_typed(), recorded_by=request.user)
        return test.tubs.first()

    if response := enter(
        request, form, make, said=phrase("Written down. Stir the tubs and begin their clocks.")
    ):
        return response
    return render(request, "trials/clearing_form.html", {"form": form})


@page(role="member", methods=("GET", "POST"))
def clearing_edit(request: HttpRequest, pk: int) -> HttpResponse:
    test = get_object_or_404(ClearingTest.objects.select_related("lot"), pk=pk)
    form = ClearingForm(request.POST or None, member=request.user, test=test, initial=clearing_before(test))

    def make() -> ClearingTest:
        return clearing.change_clearing_test(
            test=test, tubs=form.changed_tubs, **form.words_typed(), recorded_by=request.user
        )

    if response := enter(request, form, make, said=phrase("Changed."), change=Change(test, clearing_before)):
        return response
    return render(request, "trials/clearing_form.html", {"form": form, "test": test})


@page(role="guest")
def clearing_detail(request: HttpRequest, pk: int) -> HttpResponse:
    """What the test says: the sentence, the picture, the table, the working."""
    test = get_object_or_404(ClearingTest.objects.select_related("lot", "trial", "recorded_by"), pk=pk)
    result = test_result(test)
    return render(
        request,
        "trials/clearing_detail.html",
        {
            "test": test,
            "result": result,
            "chart": clearing_chart(
                result.tubs, unit=test.unit, target=test.target, title=result.chart_title, rises=test.rises
            ),
            "muds": [each.tub.settled_mud for each in result.tubs if hasattr(each.tub, "settled_mud")],
            "additives": additives_of(test),
            "crumbs": [(phrase("Clearing tests"), reverse("clearing-list")), (test.question, "")],
            "journal": JournalEntry.objects.about(test).select_related("member")
            if request.user.can_write
            else [],
        },
    )


@page(role="member")
@keep_on_phone
def clearing_read(request: HttpRequest, pk: int) -> HttpResponse:
    """The tubs as large rows with their running clocks; works from the phone without a signal."""
    test = get_object_or_404(ClearingTest, pk=pk)
    now = tubs_now(test)
    return render(
        request,
        "trials/clearing_read.html",
        {
            "test": test,
            "tubs": [
                (
                    tub,
                    ReadForm(member=request.user, tub=tub.tub, last=tub.last_value),
                    _begin_form(request, tub),
                )
                for tub in now
            ],
            "begin_all": BeginAllForm(member=request.user, test=test)
            if len([tub for tub in now if tub.tub.began_at is None]) > 1
            else None,
            "end_form": EndForm(member=request.user, auto_id="id_end_%s"),
        },
    )


@page(role="member", methods=("GET", "POST"))
def clearing_begin(request: HttpRequest, pk: int) -> HttpResponse:
    """Begin the clocks of all tubs that stand still."""
    test = get_object_or_404(ClearingTest, pk=pk)
    form = BeginAllForm(request.POST or None, member=request.user, test=test)

    def make() -> Tub:
        return clearing.begin_tubs(
            tubs=list(form.cleaned_data["tubs"]),
            began_at=form.cleaned_data["began_at"],
            apart_s=form.cleaned_data["apart_s"] or 0,
            recorded_by=request.user,
        )[0]

    if response := enter(request, form, make, said=phrase("The clocks run.")):
        return response
    return render(
        request, "trials/clearing_act.html", {"test": test, "form": form, "act": phrase("Begin the clocks")}
    )


@page(role="member", methods=("GET", "POST"))
def tub_begin(request: HttpRequest, pk: int) -> HttpResponse:
    tub = get_object_or_404(Tub.objects.select_related("test", "additive"), pk=pk)
    form = BeginForm(request.POST or None, member=request.user)

    def make() -> Tub:
        began_at = form.cleaned_data["began_at"]
        return clearing.begin_tubs(tubs=[tub], began_at=began_at, recorded_by=request.user)[0]

    if response := enter(request, form, make, said=phrase("The clock of {tub} runs.", tub=tub)):
        return response
    context = {"test": tub.test, "tub": tub, "form": form, "act": phrase("Begin the clock of {tub}", tub=tub)}
    return render(request, "trials/clearing_act.html", context)


@page(role="member", methods=("GET", "POST"))
def tub_read(request: HttpRequest, pk: int) -> HttpResponse:
    tub = get_object_or_404(Tub.objects.select_related("test", "additive"), pk=pk)
    last = tub.readings.standing().filter(value__isnull=False).last()
    form = ReadForm(
        request.POST or None,
        request.FILES or None,
        member=request.user,
        tub=tub,
        last=last.value if last else None,
    )

    def make() -> TubReading:
        upload = form.cleaned_data["photo"]
        return clearing.read_tub(
            tub=tub,
            photo=keep_photo(upload=upload, added_by=request.user) if upload else None,
            recorded_by=request.user,
            **form.reading(),
        )

    if response := enter(request, form, make, said=phrase("{tub} is read.", tub=tub)):
        return response
    context = {
        "test": tub.test,
        "tub": tub,
        "form": form,
        "act": phrase("Keep the reading of {tub}", tub=tub),
    }
    return render(request, "trials/clearing_act.html", context)


@page(role="member", methods=("GET", "POST"))
def reading_void(request: HttpRequest, pk: int) -> HttpResponse:
    reading = get_object_or_404(TubReading.objects.select_related("tub__test", "tub__additive"), pk=pk)
    form = VoidReadingForm(request.POST or None, member=request.user)

    def make() -> ClearingTest:
        reason = form.cleaned_data["reason"]
        return clearing.void_reading(reading=reading, reason=reason, voided_by=request.user).tub.test

    if response := enter(request, form, make, said=phrase("Voided. It stays in the table, crossed out.")):
        return response
    context = {"test": reading.tub.test, "tub": reading.tub, "reading": reading, "form": form}
    return render(request, "trials/clearing_act.html", context | {"act": phrase("Void this reading")})


@page(role="member", methods=("GET", "POST"))
def clearing_end(request: HttpRequest, pk: int) -> HttpResponse:
    test = get_object_or_404(ClearingTest, pk=pk)
    form = EndForm(request.POST or None, member=request.user)

    def make() -> ClearingTest:
        return clearing.end_test(test=test, ended_at=form.cleaned_data["ended_at"], recorded_by=request.user)

    if response := enter(request, form, make, said=phrase("The test is ended.")):
        return response
    return render(
        request, "trials/clearing_act.html", {"test": test, "form": form, "act": phrase("End the test")}
    )


def _begin_form(request: HttpRequest, tub: TubNow) -> BeginForm | None:
    """Until a tub has been read its clock may be begun, or begun anew."""
    if tub.readings:
        return None
    return BeginForm(member=request.user, auto_id=f"id_begin_{tub.tub.pk}_%s")
