"""Plain makers with dull defaults; a test states only what matters to it."""

import datetime
from decimal import Decimal
from itertools import count

from django.utils import timezone

from prospecting.actions import dispatching, steps
from prospecting.actions.material import DrawFrom, NewLot, StepDetails
from prospecting.models import (
    Claim,
    ClaimDate,
    Dispatch,
    Laboratory,
    Lot,
    Member,
    ReferenceMaterial,
    Zone,
)

DAY = datetime.date(2026, 5, 3)
_number = count(1)


def make_member(role: str = "member", **fields) -> Member:
    number = next(_number)
    fields = {
        "username": f"{role}{number}",
        "first_name": f"{role.title()} {number}",
        "mass_unit": "kg",
    } | fields
    member = Member(role=role, **fields)
    member.set_password("a long enough password")
    member.save()
    return member


def make_claim(name: str | None = None, **fields) -> Claim:
    return Claim.objects.create(name=name or f"Claim {next(_number)}", **fields)


def make_zone(claim: Claim | None = None, name: str | None = None, **fields) -> Zone:
    return Zone.objects.create(claim=claim or make_claim(), name=name or f"Zone {next(_number)}", **fields)


def make_lot(
    mass_g: str = "10000", *, member: Member | None = None, zone: Zone | None = None, day=DAY, **fields
) -> Lot:
    """A bucket from a dig of its own."""
    step = steps.record_dig(
        zone=zone or make_zone(),
        station=fields.pop("station", "S1"),
        dug_on=day,
        digger="A. Digger",
        sample_kind="bulk",
        buckets=[NewLot(kind=Lot.Kind.BUCKET, mass_g=Decimal(mass_g), typed=f"{mass_g} g", **fields)],
        recorded_by=member or make_member(),
    )
    return step.made.get()


def make_blend(
    *parts: tuple[Lot, str], member: Member | None = None, mass_g: str | None = None, day=DAY
) -> Lot:
    """A rolled blend of (lot, mass in grams) parts, without loss unless `mass_g` says so."""
    draws = [DrawFrom(lot=lot, mass_g=Decimal(mass), typed=f"{mass} g") for lot, mass in parts]
    total_g = Decimal(mass_g) if mass_g else sum((draw.mass_g for draw in draws), Decimal(0))
    step = steps.blend_lots(
        draws=draws,
        blend=NewLot(kind=Lot.Kind.BLEND, mass_g=total_g, typed=f"{total_g} g"),
        recorded_by=member or make_member(),
        done_on=day,
        details=StepDetails(method="rolled", passes=40),
    )
    return step.made.get()


def make_portions(
    lot: Lot, number: int, mass_g: str = "454", member: Member | None = None, day=DAY
) -> list[Lot]:
    portion = NewLot(kind=Lot.Kind.PORTION, mass_g=Decimal(mass_g), typed=f"{mass_g} g")
    step = steps.cut_portions(
        draw=DrawFrom(lot=lot, mass_g=Decimal(mass_g) * number, typed=f"{number} x {mass_g} g"),
        portions=[portion] * number,
        recorded_by=member or make_member(),
        done_on=day,
        details=StepDetails(method="riffle"),
    )
    return list(step.made.order_by("portion_number"))


def make_claim_date(claim: Claim | None = None, *, days: int = 30, **fields) -> ClaimDate:
    """A date so many days from today; `watched_by` and the rest as the model has them."""
    fields = {"what": "yearly fee", "due_on": timezone.localdate() + datetime.timedelta(days=days)} | fields
    return ClaimDate.objects.create(
        claim=claim or make_claim(), recorded_by=fields.pop("recorded_by", None) or make_member(), **fields
    )


def make_laboratory(
    member: Member | None = None, name: str = "Invented Assay Office", **fields
) -> Laboratory:
    known = Laboratory.objects.filter(name=name).first()
    return known or dispatching.add_laboratory(name=name, recorded_by=member or make_member(), **fields)


def make_assay_split(
    lot: Lot | None = None, *, member: Member | None = None, mass_g: str = "400", day=DAY
) -> Lot:
    """A split for assay, riffled off a lot of its own unless one is given."""
    member = member or make_member()
    step = steps.take_for_assay(
        draw=DrawFrom(lot=lot or make_lot(member=member), mass_g=Decimal(mass_g), typed=f"{mass_g} g"),
        recorded_by=member,
        done_on=day,
        details=StepDetails(method="riffle"),
    )
    return step.made.get()


def make_parcel(number: int = 3, *, member: Member | None = None, **fields) -> Dispatch:
    """A dispatch that is still being packed."""
    member = member or make_member()
    lots = fields.pop("lots", None)
    lots = [make_assay_split(member=member) for _ in range(number)] if lots is None else lots
    fields = {"laboratory": make_laboratory(member), "method": "fire_30"} | fields
    return dispatching.pack_dispatch(lots=lots, recorded_by=member, **fields)


def make_material(kind: str = "reference", *, member: Member | None = None, **fields) -> ReferenceMaterial:
    """An invented check material: 5 g/t with one standard deviation of 0.2, or barren rock."""
    certified = {
        "certified_typed": "5.00",
        "certified_g_per_t": Decimal(5),
        "plus_minus_typed": "0.20",
        "plus_minus_g_per_t": Decimal("0.2"),
        "plus_minus_kind": "one_sd",
        "unit": "g/t",
    }
    named = {"name": f"Invented {kind} {next(_number)}", "packet_g": Decimal(60), "packet_typed": "60 g"}
    fields = named | (certified if kind == "reference" else {}) | fields
    return dispatching.add_material(kind=kind, recorded_by=member or make_member(), **fields)
