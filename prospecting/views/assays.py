from urllib.parse import urlencode

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse

from prospecting.access import page
from prospecting.actions import assays
from prospecting.calc.language import phrase
from prospecting.forms.assays import (
    ColumnsForm,
    FileRead,
    FileReturnForm,
    TypedReturnForm,
    UploadForm,
)
from prospecting.frames import certificates
from prospecting.models import AssayReturn, Dispatch
from prospecting.views.entry import enter
from prospecting.views.saved_file import XLSX, saved_file


def return_type(request, pk, pans_of):
    """No page by itself: `pans_of` (`certificates.PansOf`) comes from the page at the address, which knows the pans."""
    dispatch = get_object_or_404(Dispatch.objects.select_related("laboratory"), pk=pk)

    def ask_beside(read):
        return certificates.pan_questions(phrase("what was typed"), read, request.user.grade_unit, pans_of)

    form = TypedReturnForm(
        request.POST or None, member=request.user, dispatch=dispatch, ask_beside=ask_beside
    )
    if response := enter(
        request,
        form,
        lambda: assays.store_typed_return(dispatch=dispatch, **form.entry(), recorded_by=request.user),
    ):
        return response
    return render(
        request,
        "prospecting/return_type.html",
        {"dispatch": dispatch, "form": form, "crumbs": dispatch_crumbs(dispatch, phrase("Type a return in"))},
    )


def return_read(request, pk, pans_of):
    """Two steps under one address: the upload, then (the address names the file's hash) its preview and storing.

    `pans_of` as for a return that is typed in.
    """
    dispatch = get_object_or_404(Dispatch.objects.select_related("laboratory"), pk=pk)
    sha256 = request.GET.get("file")
    return _preview(request, dispatch, sha256, pans_of) if sha256 else _upload(request, dispatch)


def _upload(request, dispatch):
    form = UploadForm(request.POST or None, request.FILES or None, member=request.user)
    known = None
    if request.method == "POST" and form.is_valid():
        upload = form.file()
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
        {
            "dispatch": dispatch,
            "form": form,
            "known": known,
            "crumbs": dispatch_crumbs(dispatch, phrase("Read a file")),
        },
    )


def _preview(request, dispatch, sha256, pans_of):
    """What was read from a held file. Nothing of it is stored before the member says so."""
    if known := AssayReturn.objects.of_file(sha256).without_file().first():
        messages.info(request, phrase("This file is stored: here is what was read from it."))
        return redirect(known)
    data = assays.held_file(sha256=sha256, held_by=request.user)
    if data is None:
        messages.warning(
            request, phrase("The file is no longer kept aside. Nothing was stored: choose it again.")
        )
        return redirect(request.path)
    name = request.GET.get("name", "")[:200]
    read = FileRead(data=data, name=name, answers=request.GET, dispatch=dispatch)
    beside = form = None
    if read.certificate is not None:
        returns = certificates.standing_returns(dispatch)
        likely = read.likely_corrected(returns)
        said = request.POST.get("replaces") if request.method == "POST" else None
        corrected = likely if said is None else next((each for each in returns if str(each.pk) == said), None)
        beside = certificates.beside(
            dispatch, returns, corrected, _read_cells(read), request.user.grade_unit, pans_of
        )
        form = FileReturnForm(
            request.POST or None,
            member=request.user,
            dispatch=dispatch,
            read=read,
            corrects=returns,
            likely=likely,
            questions=beside.questions,
        )
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
            "beside": beside,
            "form": form,
            "columns": ColumnsForm(read=read),
            "held": {"file": sha256, "name": name},
            "crumbs": dispatch_crumbs(dispatch, phrase("What was read")),
        },
    )


def _read_cells(read: FileRead) -> list[certificates.ReadCell]:
    columns = read.certificate.columns
    return [
        certificates.ReadCell(sample, read.method_of(row, cell), str(columns[cell.column_index]), cell)
        for sample, row, cell in read.cells()
    ]


@page(role="guest")
def return_detail(request, pk):
    assay_return = get_object_or_404(
        AssayReturn.objects.without_file()
        .select_related("dispatch__laboratory", "recorded_by", "replaces")
        .defer("replaces__file_bytes"),
        pk=pk,
    )
    return render(
        request,
        "prospecting/return_detail.html",
        {
            "assay_return": assay_return,
            "corrected_by": AssayReturn.objects.without_file().filter(replaces=assay_return).first(),
            "readings": assay_return.readings.select_related(
                "sample__lot", "sample__material", "sample__duplicate_of"
            ).order_by("sample__tag", "order"),
            "crumbs": dispatch_crumbs(
                assay_return.dispatch,
                phrase("Certificate {number}", number=assay_return.certificate_number),
            ),
        },
    )


@page(role="member")
def return_file(request, pk):
    """The laboratory's file byte for byte. It is somebody else's text: saved, never shown or run by the browser."""
    assay_return = get_object_or_404(AssayReturn, pk=pk, file_bytes__isnull=False)
    data = bytes(assay_return.file_bytes)
    return saved_file(data, _content_type(data, assay_return.file_name), assay_return.file_name)


def _content_type(data: bytes, file_name: str) -> str:
    # What every packed file begins with; a text does not.
    if data.startswith(b"PK"):
        return XLSX
    return "text/plain" if file_name.endswith(".txt") else "text/csv"


def dispatch_crumbs(dispatch: Dispatch, label: str) -> list[tuple[str, str]]:
    return [
        (phrase("Assays"), reverse("dispatch-list")),
        (phrase("Dispatch {number}", number=dispatch.pk), dispatch.get_absolute_url()),
        (label, ""),
    ]
