"""Paper tags: printing them, and finding a lot by scanning one."""

from collections.abc import Sequence

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse

from prospecting.access import page
from prospecting.calc.language import phrase
from prospecting.charts.tags import LabelSheet, TagWords, draw_sheets, stripe_paths, tag_words
from prospecting.forms.tags import Collected, ScanForm, TagsForm, TapeForm
from prospecting.models import Lot, Origin

# Names a phone cannot reach this machine by: a tag with one of them opens nothing.
ONLY_HERE = ("localhost", "127.", "[::1]")


@page(role="member")
def lot_tags(request: HttpRequest) -> HttpResponse:
    """First which lots and what paper (a plain GET form), then the sheets."""
    asked = {name: request.GET[name] for name in TagsForm.base_fields if name in request.GET}
    if lots := request.GET.getlist("lot"):
        asked["codes"] = "\n".join(lots)
    form = TagsForm(request.GET if "print" in request.GET else None, initial=asked)
    crumbs = [(phrase("Lots"), reverse("lot-list")), (phrase("Print tags"), "")]
    if not form.is_valid():
        return render(request, "prospecting/lot_tags.html", {"form": form, "crumbs": crumbs})
    return render(
        request,
        "prospecting/lot_tags_sheet.html",
        {
            "form": form,
            "choice": _without_print(request),
            "crumbs": crumbs,
            **_drawn(request, form.lots, form.label_sheet, form.cleaned_data["first_label"]),
        },
    )


@page(role="member")
def lot_tag(request: HttpRequest, code: str) -> HttpResponse:
    lot = get_object_or_404(Lot.objects.standing().select_related("made_by__dig"), code=code)
    form = TapeForm(request.GET if "tape" in request.GET else None)
    return render(
        request,
        "prospecting/lot_tag.html",
        {
            "lot": lot,
            "form": form,
            "crumbs": [
                (phrase("Lots"), reverse("lot-list")),
                (lot.code, lot.get_absolute_url()),
                (phrase("Tag"), ""),
            ],
            **_drawn(request, [lot], form.label_sheet()),
        },
    )


@page(role="guest")
def lot_from_tag(request: HttpRequest, code: str) -> HttpResponse:
    """The address on a tag, in capitals, as a phone's own camera opens it."""
    return redirect("lot-detail", code=code)


@page(role="guest")
def lot_scan(request: HttpRequest) -> HttpResponse:
    """Scan or type one tag after another; scan.js asks this page too, and takes out of the answer what was read."""
    scan = ScanForm(request.GET if "code" in request.GET else None)
    collected = Collected(request.GET)
    found = scan.lot() if scan.is_bound else None
    said = collected.add(found) if found and collected.collecting else ""
    return render(
        request,
        "prospecting/lot_scan.html",
        {
            "scan": scan if scan.errors else ScanForm(),
            "found": found,
            "said": said,
            "collected": collected,
            "crumbs": [(phrase("Lots"), reverse("lot-list")), (phrase("Scan a tag"), "")],
        },
    )


def _without_print(request: HttpRequest) -> str:
    """The query of the page that chooses, filled in as it was."""
    query = request.GET.copy()
    del query["print"]
    return query.urlencode()


def _drawn(request: HttpRequest, lots: Sequence[Lot], sheet: LabelSheet, first_label: int = 1) -> dict:
    """What every page of drawn tags shows: the sheets, the style sheet of their paper, and the address they carry."""
    return {
        "sheets": draw_sheets(_words(request, lots), sheet, first_label=first_label),
        "stripes": stripe_paths({lot.stripe for lot in lots}),
        "paper_styles": f"prospecting/paper/{sheet.paper.name}.css",
        "paper_size": f"{sheet.paper.width_mm} × {sheet.paper.height_mm} mm",
        "site": f"{request.scheme}://{request.get_host()}",
        "only_here": request.get_host().startswith(ONLY_HERE),
    }


def _words(request: HttpRequest, lots: Sequence[Lot]) -> list[TagWords]:
    named = Origin.objects.filter(lot__in=lots).order_by("dig__zone__name")
    zones: dict[int, list[str]] = {}
    for lot, name in named.values_list("lot_id", "dig__zone__name").distinct():
        zones.setdefault(lot, []).append(name)
    return [
        tag_words(
            lot,
            zones=zones.get(lot.pk, []),
            address=request.build_absolute_uri(reverse("lot-from-tag", args=[lot.code])),
            mass_unit=request.user.mass_unit,
        )
        for lot in lots
    ]
