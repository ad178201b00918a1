"""Laboratories, check materials, and what is done to a whole dispatch; packing one belongs to trials, which knows the pans."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django_tables2 import RequestConfig

from prospecting.access import page
from prospecting.actions import dispatching
from prospecting.calc.language import phrase
from prospecting.charts.code_labels import draw_code_labels
from prospecting.filters.dispatching import DispatchFilter
from prospecting.filters.readings import ReadingFilter
from prospecting.forms.dispatching import (
    DispatchForm,
    GiveUpForm,
    LaboratoryForm,
    MaterialForm,
    SentForm,
    dispatch_before,
    laboratory_before,
    material_before,
)
from prospecting.forms.labels import CodeLabelsForm
from prospecting.frames.dispatches import material_sight, parcel_of
from prospecting.frames.readings import readings_newest_first
from prospecting.models import Dispatch, Laboratory, ReferenceMaterial
from prospecting.tables.dispatching import DispatchTable, LaboratoryTable, MaterialTable
from prospecting.tables.readings import ReadingTable
from prospecting.views.entry import Change, enter
from prospecting.views.list_file import list_file


def _crumbs(*further: tuple[str, str]) -> list[tuple[str, str]]:
    return [(phrase("Assays"), reverse("dispatch-list")), *further]


@page(role="guest")
def laboratory_list(request: HttpRequest) -> HttpResponse:
    table = LaboratoryTable(Laboratory.objects.with_dispatch_count().order_by("name"), request=request)
    RequestConfig(request, paginate={"per_page": 50}).configure(table)
    context = {"table": table, "crumbs": _crumbs((phrase("Laboratories"), ""))}
    return list_file(request, table, "laboratories") or render(
        request, "prospecting/laboratory_list.html", context
    )


@page(role="member", methods=("GET", "POST"))
def laboratory_add(request: HttpRequest) -> HttpResponse:
    form = LaboratoryForm(request.POST or None, member=request.user)
    if response := enter(
        request, form, lambda: dispatching.add_laboratory(**form.entry(), recorded_by=request.user)
    ):
        return response
    crumbs = _crumbs((phrase("Laboratories"), reverse("laboratory-list")), (phrase("Add"), ""))
    return render(request, "prospecting/laboratory_add.html", {"form": form, "crumbs": crumbs})


@page(role="member", methods=("GET", "POST"))
def laboratory_edit(request: HttpRequest, pk: int) -> HttpResponse:
    laboratory = get_object_or_404(Laboratory, pk=pk)
    form = LaboratoryForm(request.POST or None, member=request.user, initial=laboratory_before(laboratory))
    if response := enter(
        request,
        form,
        lambda: dispatching.change_laboratory(
            laboratory=laboratory, **form.entry(), recorded_by=request.user
        ),
        change=Change(laboratory, laboratory_before),
    ):
        return response
    crumbs = _crumbs((phrase("Laboratories"), reverse("laboratory-list")), (laboratory.name, ""))
    context = {"form": form, "laboratory": laboratory, "crumbs": crumbs}
    return render(request, "prospecting/laboratory_edit.html", context)


@page(role="guest")
def material_list(request: HttpRequest) -> HttpResponse:
    rows = ReferenceMaterial.objects.with_sample_count().order_by("is_retired", "kind", "name")
    table = MaterialTable(rows, grade_unit=request.user.grade_unit)
    RequestConfig(request, paginate={"per_page": 50}).configure(table)
    context = {"table": table, "crumbs": _crumbs((phrase("Check materials"), ""))}
    return list_file(request, table, "check-materials") or render(
        request, "prospecting/material_list.html", context
    )


@page(role="guest")
def material_detail(request: HttpRequest, pk: int) -> HttpResponse:
    material = get_object_or_404(ReferenceMaterial.objects.select_related("recorded_by"), pk=pk)
    crumbs = _crumbs((phrase("Check materials"), reverse("material-list")), (material.name, ""))
    sight = material_sight(material, grade_unit=request.user.grade_unit)
    context = {"material": material, "sight": sight, "crumbs": crumbs}
    return render(request, "prospecting/material_detail.html", context)


@page(role="member", methods=("GET", "POST"))
def material_add(request: HttpRequest) -> HttpResponse:
    form = MaterialForm(request.POST or None, member=request.user)
    if response := enter(
        request, form, lambda: dispatching.add_material(**form.entry(), recorded_by=request.user)
    ):
        return response
    crumbs = _crumbs((phrase("Check materials"), reverse("material-list")), (phrase("Add"), ""))
    return render(request, "prospecting/material_add.html", {"form": form, "crumbs": crumbs})


@page(role="member", methods=("GET", "POST"))
def material_edit(request: HttpRequest, pk: int) -> HttpResponse:
    material = get_object_or_404(ReferenceMaterial, pk=pk)
    form = MaterialForm(
        request.POST or None, member=request.user, material=material, initial=material_before(material)
    )
    if response := enter(
        request,
        form,
        lambda: dispatching.change_material(material=material, **form.entry(), recorded_by=request.user),
        change=Change(material, material_before),
    ):
        return response
    crumbs = _crumbs(
        (phrase("Check materials"), reverse("material-list")),
        (material.name, material.get_absolute_url()),
        (phrase("Edit"), ""),
    )
    context = {"form": form, "material": material, "crumbs": crumbs}
    return render(request, "prospecting/material_edit.html", context)


@page(role="guest")
def dispatch_list(request: HttpRequest) -> HttpResponse:
    # Said again, for a count by groups leaves the model's own order aside.
    rows = Dispatch.objects.with_state().select_related("laboratory").order_by(*Dispatch._meta.ordering)
    filters = DispatchFilter(request, rows)
    table = DispatchTable(filters.qs)
    RequestConfig(request, paginate={"per_page": 50}).configure(table)
    return list_file(request, table, "dispatches") or render(
        request, "prospecting/dispatch_list.html", {"table": table, "filters": filters}
    )


@page(role="guest")
def reading_list(request: HttpRequest) -> HttpResponse:
    """Every figure that came back, as printed and as understood."""
    filters = ReadingFilter(request, readings_newest_first())
    table = ReadingTable(filters.qs, request=request)
    RequestConfig(request, paginate={"per_page": 50}).configure(table)
    context = {"table": table, "filters": filters, "crumbs": _crumbs((phrase("What came back"), ""))}
    return list_file(request, table, "readings") or render(request, "prospecting/reading_list.html", context)


@page(role="member", methods=("GET", "POST"))
def dispatch_edit(request: HttpRequest, pk: int) -> HttpResponse:
    dispatch = get_object_or_404(Dispatch.objects.select_related("laboratory"), pk=pk)
    form = DispatchForm(
        request.POST or None, member=request.user, dispatch=dispatch, initial=dispatch_before(dispatch)
    )
    if response := enter(
        request,
        form,
        lambda: dispatching.change_dispatch(dispatch=dispatch, **form.entry(), recorded_by=request.user),
        change=Change(dispatch, dispatch_before),
    ):
        return response
    crumbs = _crumbs(
        (phrase("Dispatch {number}", number=pk), dispatch.get_absolute_url()), (phrase("Change"), "")
    )
    context = {"form": form, "dispatch": dispatch, "crumbs": crumbs}
    return render(request, "prospecting/dispatch_edit.html", context)


@page(role="member", methods=("GET", "POST"))
def dispatch_sent(request: HttpRequest, pk: int) -> HttpResponse:
    dispatch = get_object_or_404(
        Dispatch.objects.with_state().select_related("laboratory", "recorded_by"), pk=pk
    )
    form = SentForm(request.POST or None, member=request.user, dispatch=dispatch)
    if response := enter(
        request,
        form,
        lambda: dispatching.say_sent(dispatch=dispatch, **form.entry(), recorded_by=request.user),
        said=phrase("Recorded. Nothing goes into this dispatch or out of it any more."),
    ):
        return response
    crumbs = _crumbs(
        (phrase("Dispatch {number}", number=pk), dispatch.get_absolute_url()), (phrase("It has gone"), "")
    )
    context = {"form": form, "dispatch": dispatch, "parcel": parcel_of(dispatch), "crumbs": crumbs}
    return render(request, "prospecting/dispatch_sent.html", context)


@page(role="member", methods=("GET", "POST"))
def dispatch_give_up(request: HttpRequest, pk: int) -> HttpResponse:
    if request.method == "POST" and not Dispatch.objects.filter(pk=pk).exists():
        messages.info(request, phrase("Dispatch {number} is given up already.", number=pk))
        return redirect("dispatch-list")
    dispatch = get_object_or_404(Dispatch.objects.with_state().select_related("laboratory"), pk=pk)
    form = GiveUpForm(request.POST or None, member=request.user)
    if response := enter(
        request,
        form,
        lambda: dispatching.give_up(dispatch=dispatch, **form.entry(), recorded_by=request.user),
        said=phrase(
            "Dispatch {number} is given up. Its splits wait to be sent again; take its labels off the bags.",
            number=pk,
        ),
        then=reverse("dispatch-list"),
    ):
        return response
    crumbs = _crumbs(
        (phrase("Dispatch {number}", number=pk), dispatch.get_absolute_url()), (phrase("Give it up"), "")
    )
    context = {"form": form, "dispatch": dispatch, "crumbs": crumbs}
    return render(request, "prospecting/dispatch_give_up.html", context)


@page(role="member")
def dispatch_labels(request: HttpRequest, pk: int) -> HttpResponse:
    """Labels for the bags, in the order of the list; nothing on them tells one from another but the tag."""
    dispatch = get_object_or_404(Dispatch, pk=pk)
    form = CodeLabelsForm(request.GET if "sheet" in request.GET else None)
    crumbs = _crumbs(
        (phrase("Dispatch {number}", number=pk), dispatch.get_absolute_url()), (phrase("Bag labels"), "")
    )
    context = {"dispatch": dispatch, "form": form, "crumbs": crumbs}
    if form.is_valid():
        sheet = form.label_sheet
        # A second cut is made by the laboratory: no bag of it goes into the dispatch.
        bags = dispatch.samples.exclude(duplicate_stage__in=["coarse", "pulp"]).order_by("place", "tag")
        context |= {
            # The same words on all: whatever differed between them could tell them apart.
            "sheets": draw_code_labels(
                [
                    (tag, [phrase("Order {number}", number=dispatch.pk)])
                    for tag in bags.values_list("tag", flat=True)
                ],
                sheet,
                first_label=form.cleaned_data["first_label"],
            ),
            "paper_styles": f"prospecting/paper/{sheet.paper.name}.css",
            "paper_size": f"{sheet.paper.width_mm} × {sheet.paper.height_mm} mm",
        }
    return render(request, "prospecting/dispatch_labels.html", context)
