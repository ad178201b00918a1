"""A list kept before the site: read, settled, tried out, taken in, and taken back. For keepers."""

from urllib.parse import urlencode

from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse

from prospecting.access import page
from prospecting.actions.assays import held_file, hold_file, let_file_go
from prospecting.calc.language import phrase
from prospecting.models import OldSheet, Zone
from prospecting.views.entry import enter
from trials.actions.old_sheets import (
    check_old_sheet_is_new,
    done_since,
    take_back_old_sheet,
    take_in_old_sheet,
)
from trials.forms.old_sheets import (
    OldChoicesForm,
    OldFileForm,
    OldReadingForm,
    OldTableForm,
    TakeBackForm,
    table_read,
)
from trials.frames.old_sheets import (
    LINES_A_PAGE,
    buckets_on_books,
    came_of,
    lines_of,
    read_before,
    unnamed_on_books,
)

MOST_LINES_SHOWN = 300
LINES_AS_READ = 8
# The address holds it beside all that is settled.
MOST_NAME = 60


@page(role="keeper")
def old_sheet_list(request: HttpRequest) -> HttpResponse:
    sheets = OldSheet.objects.select_related("recorded_by").order_by("-pk")
    return render(
        request,
        "trials/old_sheet_list.html",
        {"shown": Paginator(sheets, LINES_A_PAGE).get_page(request.GET.get("page")), "crumbs": _crumbs()},
    )


@page(role="keeper", methods=("GET", "POST"))
def old_sheet_add(request: HttpRequest) -> HttpResponse:
    form = OldFileForm(request.POST or None, request.FILES or None, member=request.user)
    known = None
    if request.method == "POST" and form.is_valid():
        upload = form.file()
        try:
            sha256 = hold_file(upload=upload, held_by=request.user)
            check_old_sheet_is_new(sha256)
        except ValidationError as error:
            form.add_refusal(error)
            known = getattr(error, "known", None)
        else:
            held = urlencode({"file": sha256, "name": upload.name[:MOST_NAME]})
            return redirect(f"{reverse('old-sheet-read')}?{held}")
    return render(
        request,
        "trials/old_sheet_add.html",
        {"form": form, "known": known, "crumbs": _crumbs(phrase("Take in an old list"))},
    )


@page(role="keeper")
def old_sheet_read(request: HttpRequest) -> HttpResponse:
    """The list as read, and what its columns and places are; all of the answer stands in the address."""
    data = _held(request)
    if data is None:
        return redirect("old-sheet-add")
    context = {"held": _held_as(request), "crumbs": _crumbs(phrase("Settle the columns"))}
    try:
        table = _table(request, data)
    except ValueError as refusal:
        return render(request, "trials/old_sheet_read.html", context | {"refusal": str(refusal)})
    before = read_before(table.titles) if table.title_line else None
    form = _reading_form(request, table, before)
    # “Back to the columns” opens the form as it was sent, without going on.
    if form.is_bound and "back" not in request.GET and form.is_valid():
        return redirect(f"{reverse('old-sheet-try')}?{request.GET.urlencode()}")
    return render(
        request,
        "trials/old_sheet_read.html",
        context
        | {
            "table": table,
            "lines": table.first_lines(LINES_AS_READ),
            "not_shown": len(table.body[LINES_AS_READ:]),
            "before": before,
            "form": form,
            "table_form": OldTableForm(table=table),
        },
    )


@page(role="keeper", methods=("GET", "POST"))
def old_sheet_try(request: HttpRequest) -> HttpResponse:
    """The dry run: what would come of each line. Nothing of it is recorded before the keeper says so."""
    data = _held(request)
    if data is None:
        return redirect("old-sheet-add")
    try:
        table = _table(request, data)
    except ValueError:
        return _back_to_columns(request)
    reading = _reading_form(request, table, None)
    if not reading.is_bound or not reading.is_valid():
        return _back_to_columns(request)
    lines = reading.lines()
    zones = reading.named_zones()
    zone_ids = [zone.pk for zone in zones.values() if isinstance(zone, Zone)]
    known = buckets_on_books(zone_ids, {line.bucket for line in lines.lines if line.bucket})
    days = {line.dug_on or reading.cleaned_data["day_else"] for line in lines.lines if not line.bucket}
    alike = unnamed_on_books(zone_ids, days - {None})
    form = OldChoicesForm(
        request.POST or None,
        member=request.user,
        lines=lines,
        rules=reading.rules(known, alike),
        zone_names={key: zone.name for key, zone in zones.items()},
    )
    held = _held_as(request)

    def make() -> OldSheet:
        plan = form.plan_as_kept(reading.lines)
        facts = reading.facts(
            name=held["name"] or "list", sha256=held["file"], plan=plan, note=form.cleaned_data["note"]
        )
        return take_in_old_sheet(facts=facts, plan=plan, recorded_by=request.user)

    if response := enter(request, form, make, said=phrase("Taken in. Here is what came of each line.")):
        let_file_go(sha256=held["file"], held_by=request.user)
        return response
    return render(
        request,
        "trials/old_sheet_try.html",
        {
            "held": held,
            "form": form,
            "plan": form.plan,
            "rows": form.rows(MOST_LINES_SHOWN),
            "not_shown": len(form.plan.lines[MOST_LINES_SHOWN:]),
            "nothing_left": reading.cleaned_data["nothing_left"],
            "back": f"{reverse('old-sheet-read')}?{request.GET.urlencode()}&back=1",
            "crumbs": _crumbs(phrase("What would come of it")),
        },
    )


@page(role="keeper")
def old_sheet_detail(request: HttpRequest, pk: int) -> HttpResponse:
    sheet = get_object_or_404(OldSheet.objects.select_related("recorded_by", "voided_by"), pk=pk)
    shown = Paginator(lines_of(sheet), LINES_A_PAGE).get_page(request.GET.get("page"))
    return render(
        request,
        "trials/old_sheet_detail.html",
        {
            "sheet": sheet,
            "shown": shown,
            "lines": came_of(sheet, shown.object_list),
            "crumbs": _crumbs(str(sheet)),
        },
    )


@page(role="keeper", methods=("GET", "POST"))
def old_sheet_take_back(request: HttpRequest, pk: int) -> HttpResponse:
    sheet = get_object_or_404(OldSheet, pk=pk)
    form = TakeBackForm(request.POST or None, member=request.user)
    if response := enter(
        request,
        form,
        lambda: take_back_old_sheet(sheet=sheet, reason=form.cleaned_data["reason"], voided_by=request.user),
        said=phrase("Taken back."),
    ):
        return response
    return render(
        request,
        "trials/old_sheet_take_back.html",
        {
            "sheet": sheet,
            "form": form,
            "in_the_way": done_since(sheet),
            "crumbs": [*_crumbs(str(sheet), sheet.get_absolute_url()), (phrase("Take back"), "")],
        },
    )


def _held(request: HttpRequest) -> bytes | None:
    return held_file(sha256=request.GET.get("file", ""), held_by=request.user)


def _held_as(request: HttpRequest) -> dict[str, str]:
    name = "".join(sign for sign in request.GET.get("name", "")[:MOST_NAME] if sign.isprintable())
    return {"file": request.GET.get("file", ""), "name": name}


def _table(request: HttpRequest, data: bytes):
    return table_read(data, sheet=request.GET.get("sheet", ""), title_line=request.GET.get("title_line", ""))


def _reading_form(request: HttpRequest, table, before: OldSheet | None) -> OldReadingForm:
    settled = request.GET if "settled" in request.GET else None
    return OldReadingForm(
        settled, member=request.user, table=table, before=before.columns.get("settled") if before else None
    )


def _back_to_columns(request: HttpRequest) -> HttpResponse:
    return redirect(f"{reverse('old-sheet-read')}?{request.GET.urlencode()}")


def _crumbs(label: str = "", url: str = "") -> list[tuple[str, str]]:
    lists = [
        (phrase("Lots"), reverse("lot-list")),
        (phrase("Old lists"), reverse("old-sheet-list") if label else ""),
    ]
    return [*lists, (label, url)] if label else lists
