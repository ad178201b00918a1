"""Positions of a claim's digs out as files and in from one: members only."""

from urllib.parse import urlencode

from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse

from prospecting.access import MEMBER, page
from prospecting.actions.assays import held_file, hold_file, let_file_go
from prospecting.actions.positions import note_positions_leave, place_digs
from prospecting.calc.language import phrase
from prospecting.forms.positions import PositionFileForm, PositionsForm, ReadPositions
from prospecting.frames.positions import as_geojson, as_gpx, changes_from, placed_digs
from prospecting.models import Claim
from prospecting.views.entry import enter
from prospecting.views.saved_file import saved_file


@page(role=MEMBER, methods=("POST",))
def positions_geojson(request: HttpRequest, pk: int) -> HttpResponse:
    claim = get_object_or_404(Claim, pk=pk)
    note_positions_leave(claim=claim, form="GeoJSON", member=request.user)
    return saved_file(as_geojson(placed_digs(claim)), "application/geo+json", f"claim-{pk}-digs.geojson")


@page(role=MEMBER, methods=("POST",))
def positions_gpx(request: HttpRequest, pk: int) -> HttpResponse:
    claim = get_object_or_404(Claim, pk=pk)
    note_positions_leave(claim=claim, form="GPX", member=request.user)
    return saved_file(as_gpx(placed_digs(claim)), "application/gpx+xml", f"claim-{pk}-digs.gpx")


@page(role=MEMBER, methods=("GET", "POST"))
def positions_read(request: HttpRequest, pk: int) -> HttpResponse:
    """Two steps under one address: the upload, then (the address names the file's hash) what it would change, and recording."""
    claim = get_object_or_404(Claim, pk=pk)
    sha256 = request.GET.get("file")
    return _read_in(request, claim, sha256) if sha256 else _upload(request, claim)


def _upload(request: HttpRequest, claim: Claim) -> HttpResponse:
    form = PositionFileForm(request.POST or None, request.FILES or None, member=request.user)
    if request.method == "POST" and form.is_valid():
        upload = form.cleaned_data["upload"]
        try:
            sha256 = hold_file(upload=upload, held_by=request.user)
        except ValidationError as error:
            form.add_refusal(error)
        else:
            return redirect(f"{request.path}?{urlencode({'file': sha256, 'name': upload.name[:80]})}")
    return render(
        request, "prospecting/positions_read.html", {"claim": claim, "form": form, "crumbs": _crumbs(claim)}
    )


def _read_in(request: HttpRequest, claim: Claim, sha256: str) -> HttpResponse:
    data = held_file(sha256=sha256, held_by=request.user)
    if data is None:
        # Recorded by now, or given up.
        return redirect(request.path)
    context = {"claim": claim, "name": request.GET.get("name", "")[:80], "crumbs": _crumbs(claim)}
    read = ReadPositions(data)
    if read.file is None:
        return render(request, "prospecting/positions_preview.html", context | {"refusal": read.refusal})
    changes = changes_from(read.file, claim, in_feet=request.user.mass_unit == "lb")
    form = None
    if not changes.fault and not changes.changes_nothing:
        form = PositionsForm(request.POST or None, member=request.user, moves=changes.moves)

        def make() -> Claim:
            return place_digs(
                claim=claim,
                positions=changes.wanted(),
                may_move=form.lets_move,
                recorded_by=request.user,
            )

        if response := enter(
            request,
            form,
            make,
            said=phrase("Positions recorded."),
            then=reverse("claim-map", args=[claim.pk]),
        ):
            let_file_go(sha256=sha256, held_by=request.user)
            return response
    return render(
        request,
        "prospecting/positions_preview.html",
        context | {"read": read.file, "changes": changes, "form": form},
    )


def _crumbs(claim: Claim) -> list[tuple[str, str]]:
    return [
        (phrase("Ground"), reverse("zone-list")),
        (claim.name, claim.get_absolute_url()),
        (phrase("Sketch"), reverse("claim-map", args=[claim.pk])),
        (phrase("Positions from a file"), ""),
    ]
