from django.db.models import Count, Max, OuterRef, Q, QuerySet, Subquery, Sum
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django_tables2 import RequestConfig

from prospecting.access import GUEST, KEEPER, MEMBER, keep_on_phone, page
from prospecting.actions.ground import add_claim, add_zone, change_claim, change_zone, dig_at_station
from prospecting.actions.material import NewLot
from prospecting.calc.language import phrase
from prospecting.filters.ground import DigFilter
from prospecting.forms.ground import ClaimForm, DigForm, ZoneForm, claim_before, zone_before
from prospecting.frames.claim_dates import dates_of, nearest_by_claim
from prospecting.frames.phone import phone_of
from prospecting.models import Claim, Dig, JournalEntry, Lot, Zone
from prospecting.tables.ground import DigTable, claim_cards, depth_words, short_kind, width_words
from prospecting.views.entry import Change, enter
from prospecting.views.list_file import list_file


@page(role=GUEST)
def zone_list(request: HttpRequest) -> HttpResponse:
    next_dates = nearest_by_claim() if request.user.can_write else {}
    cards = claim_cards(list(Claim.objects.all()), list(_zones_with_digs()), next_dates)
    return render(request, "prospecting/zone_list.html", {"cards": cards})


@page(role=KEEPER, methods=("GET", "POST"))
def claim_add(request: HttpRequest) -> HttpResponse:
    form = ClaimForm(request.POST or None, member=request.user)
    if response := enter(request, form, lambda: add_claim(**form.values(), recorded_by=request.user)):
        return response
    return render(
        request, "prospecting/claim_add.html", {"form": form, "crumbs": _crumbs((phrase("Add a claim"), ""))}
    )


@page(role=KEEPER, methods=("GET", "POST"))
def claim_edit(request: HttpRequest, pk: int) -> HttpResponse:
    claim = get_object_or_404(Claim, pk=pk)
    form = ClaimForm(request.POST or None, member=request.user, initial=claim_before(claim))
    if response := enter(
        request,
        form,
        lambda: change_claim(claim=claim, **form.values(), recorded_by=request.user),
        said=phrase("Changed."),
        change=Change(claim, claim_before),
    ):
        return response
    crumbs = _crumbs((claim.name, claim.get_absolute_url()), (phrase("Change"), ""))
    return render(request, "prospecting/claim_edit.html", {"claim": claim, "form": form, "crumbs": crumbs})


@page(role=GUEST)
def claim_detail(request: HttpRequest, pk: int) -> HttpResponse:
    claim = get_object_or_404(Claim, pk=pk)
    table = DigTable(
        _digs_with_buckets().standing().filter(zone__claim=claim), mass_unit=request.user.mass_unit
    )
    RequestConfig(request, paginate={"per_page": 10}).configure(table)
    return render(
        request,
        "prospecting/claim_detail.html",
        {
            "claim": claim,
            **(_for_members(claim) if request.user.can_write else {}),
            "zones": _zones_with_digs().filter(claim=claim),
            "table": table,
            "crumbs": _crumbs((claim.name, "")),
        },
    )


@page(role=MEMBER, methods=("GET", "POST"))
def zone_add(request: HttpRequest, pk: int) -> HttpResponse:
    claim = get_object_or_404(Claim, pk=pk)
    form = ZoneForm(
        request.POST or None, member=request.user, zones=list(Zone.objects.select_related("claim"))
    )
    if response := enter(
        request, form, lambda: add_zone(claim=claim, **form.values(), recorded_by=request.user)
    ):
        return response
    crumbs = _crumbs((claim.name, claim.get_absolute_url()), (phrase("Add a zone"), ""))
    return render(
        request,
        "prospecting/zone_form.html",
        {"claim": claim, "form": form, "submit": phrase("Add the zone"), "crumbs": crumbs},
    )


@page(role=MEMBER, methods=("GET", "POST"))
def zone_edit(request: HttpRequest, pk: int) -> HttpResponse:
    zone = get_object_or_404(Zone.objects.select_related("claim"), pk=pk)
    form = ZoneForm(
        request.POST or None,
        member=request.user,
        zones=list(Zone.objects.select_related("claim").exclude(pk=pk)),
        initial=zone_before(zone),
    )
    if response := enter(
        request,
        form,
        lambda: change_zone(zone=zone, **form.values(), recorded_by=request.user),
        said=phrase("Changed."),
        change=Change(zone, zone_before),
    ):
        return response
    crumbs = _crumbs(
        (zone.claim.name, zone.claim.get_absolute_url()),
        (zone.name, zone.get_absolute_url()),
        (phrase("Change"), ""),
    )
    return render(
        request,
        "prospecting/zone_form.html",
        {
            "claim": zone.claim,
            "zone": zone,
            "form": form,
            "submit": phrase("Keep the changes"),
            "crumbs": crumbs,
        },
    )


@page(role=GUEST)
def dig_list(request: HttpRequest) -> HttpResponse:
    filters = DigFilter(request, _digs_with_buckets())
    table = DigTable(filters.qs, mass_unit=request.user.mass_unit)
    RequestConfig(request, paginate={"per_page": 25}).configure(table)
    return list_file(request, table, "digs") or render(
        request,
        "prospecting/dig_list.html",
        {"table": table, "filters": filters},
    )


@page(role=MEMBER, methods=("GET", "POST"))
@keep_on_phone
def dig_add(request: HttpRequest) -> HttpResponse:
    again = _named(Dig.objects.standing().select_related("step"), request.GET.get("again", ""))
    zone = _named(Zone.objects.all(), request.GET.get("zone", ""))
    form = DigForm(request.POST or None, request.FILES or None, member=request.user, zone=zone, again=again)

    def make() -> Dig:
        return dig_at_station(
            buckets=[NewLot(kind=Lot.Kind.BUCKET, **bucket) for bucket in form.buckets()],
            upload=form.cleaned_data["photo"],
            recorded_by=request.user,
            **form.facts(),
        )

    if response := enter(
        request, form, make, said=phrase("Recorded. Write each code on its bucket, outside and inside.")
    ):
        return response
    return render(request, "prospecting/dig_add.html", {"form": form, "again": again})


@page(role=GUEST)
def dig_detail(request: HttpRequest, pk: int) -> HttpResponse:
    dig = get_object_or_404(
        Dig.objects.with_ground().select_related("step__voided_by", "recorded_by", "photo"), pk=pk
    )
    # What shows where the hole is leaves this function only for members.
    sees_place = request.user.can_write
    return render(
        request,
        "prospecting/dig_detail.html",
        {
            "dig": dig,
            "step": dig.step,
            "buckets": list(dig.step.made.order_by("pk")),
            "kind": short_kind(dig),
            "width": width_words(dig, request.user.mass_unit),
            "depth": depth_words(dig, request.user.mass_unit),
            "position": (dig.latitude, dig.longitude) if sees_place and dig.latitude is not None else None,
            "photo": dig.photo if sees_place else None,
            "phone": phone_of(dig),
            "entries": JournalEntry.objects.about(dig.step).select_related("member"),
            "crumbs": _crumbs(
                (dig.zone.claim.name, dig.zone.claim.get_absolute_url()),
                (dig.zone.name, dig.zone.get_absolute_url()),
                (phrase("Dig {number}", number=dig.pk), ""),
            ),
        },
    )


def _for_members(claim: Claim) -> dict:
    """What of a claim's page is no guest's business: its dates, its papers, and what was done to them."""
    to_keep, done = dates_of(claim)
    papers = claim.papers.defer("file_bytes").select_related("recorded_by")
    return {
        "to_keep": to_keep,
        "done_dates": done,
        "papers": papers,
        "entries": _entries_of(claim),
    }


def _entries_of(claim: Claim) -> QuerySet[JournalEntry]:
    """The newest lines of the journal about a claim, its dates and its papers."""
    dates = JournalEntry.objects.filter(subject_kind="claimdate", subject_id__in=claim.dates.values("pk"))
    papers = JournalEntry.objects.filter(subject_kind="claimpaper", subject_id__in=claim.papers.values("pk"))
    about = JournalEntry.objects.about(claim) | dates | papers
    return about.select_related("member")[:20]


def _zones_with_digs() -> QuerySet[Zone]:
    """Zones with `dig_count` and `last_dug_on` of the digs that stand."""
    stands = Q(digs__step__voided_at__isnull=True)
    return (
        Zone.objects.select_related("claim")
        .annotate(dig_count=Count("digs", filter=stands), last_dug_on=Max("digs__dug_on", filter=stands))
        .order_by("claim__name", "name")
    )


def _digs_with_buckets() -> QuerySet[Dig]:
    """Digs with `bucket_count` and their `mass_g` as weighed that day."""
    # Not by joining the buckets: all digs would be grouped to show one page of them.
    buckets = Lot.objects.filter(made_by=OuterRef("step")).order_by().values("made_by")
    return (
        Dig.objects.with_ground()
        .select_related("step")
        .annotate(
            bucket_count=Subquery(buckets.annotate(number=Count("pk")).values("number")),
            mass_g=Subquery(buckets.annotate(total=Sum("mass_g")).values("total")),
        )
    )


def _named(records: QuerySet, text: str):
    """The record whose number stands in the address, or None."""
    return (
        records.filter(pk=int(text)).first() if text.isascii() and text.isdigit() and len(text) < 19 else None
    )


def _crumbs(*last: tuple[str, str]) -> list[tuple[str, str]]:
    return [(phrase("Ground"), reverse("zone-list")), *last]
