from urllib.parse import urlencode

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.http import content_disposition_header
from django_tables2 import RequestConfig

from prospecting.access import page
from prospecting.actions import assays
from prospecting.forms.assays import (
    ChooseReadingForm,
    ColumnsForm,
    DispatchForm,
    FileRead,
    FileReturnForm,
    LaboratoryForm,
    TypedReturnForm,
    UploadForm,
)
from prospecting.models import AssayReturn, Dispatch, Laboratory, Sample
from prospecting.tables.assays import DispatchTable, LaboratoryTable
from prospecting.views.entry import enter


@page(role="guest")
def laboratory_list(request):
    table = LaboratoryTable(Laboratory.objects.with_dispatch_count().order_by("name"))
    RequestConfig(request, paginate={"per_page": 50}).configure(table)
    crumbs = [("Assays", reverse("dispatch-list")), ("Laboratories", "")]
    return render(request, "prospecting/laboratory_list.html", {"table": table, "crumbs": crumbs})


@page(role="member", methods=("GET", "POST"))
def laboratory_add(request):
    form = LaboratoryForm(request.POST or None, member=request.user)
    if response := enter(
        request, form, lambda: assays.add_laboratory(**form.entry(), recorded_by=request.user)
    ):
        return response
    crumbs = [("Assays", reverse("dispatch-list")), ("Laboratories", reverse("laboratory-list")), ("Add", "")]
    return render(request, "prospecting/laboratory_add.html", {"form": form, "crumbs": crumbs})


@page(role="guest")
def dispatch_list(request):
    table = DispatchTable(
        Dispatch.objects.with_state().select_related("laboratory").order_by("-sent_on", "-pk")
    )
    RequestConfig(request, paginate={"per_page": 50}).configure(table)
    return render(request, "prospecting/dispatch_list.html", {"table": table})


@page(role="member", methods=("GET", "POST"))
def dispatch_add(request):
    form = DispatchForm(request.POST or None, member=request.user)
    if response := enter(
        request,
        form,
        lambda: assays.send_dispatch(**form.entry(), recorded_by=request.user),
        said="Recorded. Write each tag on its bag now, and nothing else.",
    ):
        return response
    crumbs = [("Assays", reverse("dispatch-list")), ("Send samples", "")]
    return render(request, "prospecting/dispatch_add.html", {"form": form, "crumbs": crumbs})


@page(role="guest")
def dispatch_detail(request, pk):
    dispatch = get_object_or_404(
        Dispatch.objects.with_state().select_related("laboratory", "recorded_by"), pk=pk
    )
    return render(
        request,
        "prospecting/dispatch_detail.html",
        {
            "dispatch": dispatch,
            "samples": dispatch.samples.with_value().with_reading_counts().order_by("tag"),
            "returns": dispatch.returns.without_file().with_reading_count().order_by("reported_on", "pk"),
            "crumbs": [("Assays", reverse("dispatch-list")), (f"Dispatch {pk}", "")],
        },
    )


@page(role="member", methods=("GET", "POST"))
def return_type(request, pk):
    dispatch = get_object_or_404(Dispatch.objects.select_related("laboratory"), pk=pk)
    form = TypedReturnForm(request.POST or None, member=request.user, dispatch=dispatch)
    if response := enter(
        request,
        form,
        lambda: assays.store_typed_return(dispatch=dispatch, **form.entry(), recorded_by=request.user),
    ):
        return response
    return render(
        request,
        "prospecting/return_type.html",
        {"dispatch": dispatch, "form": form, "crumbs": _crumbs(dispatch, "Type a return in")},
    )


@page(role="member", methods=("GET", "POST"))
def return_read(request, pk):
    """Two steps under one address: the upload, then (the address names the file's hash) its preview and storing."""
    dispatch = get_object_or_404(Dispatch.objects.select_related("laboratory"), pk=pk)
    sha256 = request.GET.get("file")
    return _preview(request, dispatch, sha256) if sha256 else _upload(request, dispatch)


def _upload(request, dispatch):
    form = UploadForm(request.POST or None, request.FILES or None, member=request.user)
    known = None
    if request.method == "POST" and form.is_valid():
        upload = form.cleaned_data["upload"]
        try:
            sha256 = assays.hold_file(upload=upload, held_by=request.user)
        except ValidationError as error:
            form.add_refusal(error)
            known = getattr(error, "known", None)
        else:
            return redirect(f"{request.path}?{urlencode({'file': sha256, 'name': upload.name})}")
    return render(
        request,
        "prospecting/return_read.html",
        {"dispatch": dispatch, "form": form, "known": known, "crumbs": _crumbs(dispatch, "Read a file")},
    )


def _preview(request, dispatch, sha256):
    """What was read from a held file. Nothing of it is stored before the member says so."""
    if known := AssayReturn.objects.of_file(sha256).without_file().first():
        messages.info(request, "This file is stored: here is what was read from it.")
        return redirect(known)
    data = assays.held_file(sha256=sha256, held_by=request.user)
    if data is None:
        messages.warning(request, "The file is no longer kept aside. Nothing was stored: choose it again.")
        return redirect(request.path)
    name = request.GET.get("name", "")[:200]
    read = FileRead(data=data, name=name, answers=request.GET, dispatch=dispatch)
    form = None
    if read.certificate is not None:
        form = FileReturnForm(request.POST or None, member=request.user, dispatch=dispatch, read=read)
        if response := enter(
            request,
            form,
            lambda: assays.store_return(dispatch=dispatch, **form.entry(), recorded_by=request.user),
        ):
            assays.let_file_go(sha256=sha256, held_by=request.user)
            return response
    return render(
        request,
        "prospecting/return_preview.html",
        {
            "dispatch": dispatch,
            "read": read,
            "form": form,
            "columns": ColumnsForm(read=read),
            "held": {"file": sha256, "name": name},
            "crumbs": _crumbs(dispatch, "What was read"),
        },
    )


@page(role="guest")
def return_detail(request, pk):
    assay_return = get_object_or_404(
        AssayReturn.objects.without_file().select_related("dispatch__laboratory", "recorded_by"), pk=pk
    )
    return render(
        request,
        "prospecting/return_detail.html",
        {
            "assay_return": assay_return,
            "readings": assay_return.readings.select_related("sample__lot").order_by("sample__tag", "order"),
            "crumbs": _crumbs(assay_return.dispatch, f"Certificate {assay_return.certificate_number}"),
        },
    )


@page(role="member")
def return_file(request, pk):
    """The laboratory's file byte for byte. It is somebody else's text: saved, never shown or run by the browser."""
    assay_return = get_object_or_404(AssayReturn, pk=pk, file_bytes__isnull=False)
    return HttpResponse(
        bytes(assay_return.file_bytes),
        content_type="text/csv",
        headers={
            "Content-Disposition": content_disposition_header(True, assay_return.file_name),
            "Content-Security-Policy": "sandbox",
            "X-Content-Type-Options": "nosniff",
        },
    )


@page(role="member", methods=("GET", "POST"))
def reading_choose(request, pk):
    sample = get_object_or_404(Sample.objects.select_related("lot", "dispatch__laboratory"), pk=pk)
    form = ChooseReadingForm(request.POST or None, member=request.user, sample=sample)
    if response := enter(
        request,
        form,
        lambda: assays.choose_reading(sample=sample, **form.entry(), chosen_by=request.user).dispatch,
    ):
        return response
    return render(
        request,
        "prospecting/reading_choose.html",
        {"sample": sample, "form": form, "crumbs": _crumbs(sample.dispatch, f"Sample {sample.tag}")},
    )


def _crumbs(dispatch: Dispatch, label: str) -> list[tuple[str, str]]:
    return [
        ("Assays", reverse("dispatch-list")),
        (f"Dispatch {dispatch.pk}", dispatch.get_absolute_url()),
        (label, ""),
    ]
