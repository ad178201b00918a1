"""Ground: claims as typed from their papers, the zones on them, and digs with their picture."""

from django.db import transaction

from prospecting.actions.journal import changed_fields, write_journal
from prospecting.actions.permission import require_keeper, require_writer
from prospecting.actions.photos import keep_photo
from prospecting.actions.refusal import Refused
from prospecting.actions.steps import record_dig
from prospecting.calc.language import phrase
from prospecting.models import Claim, Dig, Zone


@transaction.atomic
def add_claim(*, recorded_by, **values) -> Claim:
    """`values` are the fields of a Claim."""
    require_keeper(recorded_by)
    claim = Claim()
    _fill_claim(claim, values)
    write_journal(member=recorded_by, about=claim, what="claim added")
    return claim


@transaction.atomic
def change_claim(*, claim: Claim, recorded_by, **values) -> Claim:
    require_keeper(recorded_by)
    claim = Claim.objects.select_for_update().get(pk=claim.pk)
    changes = changed_fields(record=claim, values=values)
    _fill_claim(claim, values)
    if changes:
        write_journal(member=recorded_by, about=claim, what="claim changed", changes=changes)
    return claim


@transaction.atomic
def add_zone(*, claim: Claim, name: str, stripe: str, recorded_by, note: str = "") -> Zone:
    require_writer(recorded_by)
    zone = Zone(claim=claim)
    _fill_zone(zone, {"name": name, "stripe": stripe, "note": note})
    write_journal(member=recorded_by, about=zone, what="zone added")
    return zone


@transaction.atomic
def change_zone(*, zone: Zone, name: str, stripe: str, recorded_by, note: str = "") -> Zone:
    require_writer(recorded_by)
    zone = Zone.objects.select_for_update(of=("self",)).select_related("claim").get(pk=zone.pk)
    if stripe != zone.stripe and zone.digs.standing().exists():
        raise Refused(
            phrase(
                "Tags with stripe {stripe} already hang on buckets from this zone, so its stripe stays.",
                stripe=zone.stripe.upper(),
            ),
            code="stripe_in_use",
            field="stripe",
        )
    values = {"name": name, "stripe": stripe, "note": note}
    changes = changed_fields(record=zone, values=values)
    _fill_zone(zone, values)
    if changes:
        write_journal(member=recorded_by, about=zone, what="zone changed", changes=changes)
    return zone


@transaction.atomic
def dig_at_station(*, recorded_by, upload=None, **facts) -> Dig:
    """Record a dig with its picture; `facts` are what actions.steps.record_dig takes."""
    dig = record_dig(recorded_by=recorded_by, **facts).dig
    if upload is not None:
        # Last, so that a dig that is refused leaves no picture behind in the folder.
        dig.photo = keep_photo(upload=upload, added_by=recorded_by)
        dig.save(update_fields=["photo"])
    return dig


def _fill_claim(claim: Claim, values: dict) -> None:
    name = values["name"]
    if Claim.objects.filter(name__iexact=name).exclude(pk=claim.pk).exists():
        raise Refused(phrase("{name} is in the books already.", name=name), code="claim_twice", field="name")
    for field, value in values.items():
        setattr(claim, field, value)
    claim.full_clean()
    claim.save()


def _fill_zone(zone: Zone, values: dict) -> None:
    name = values["name"]
    if Zone.objects.filter(claim=zone.claim, name__iexact=name).exclude(pk=zone.pk).exists():
        raise Refused(
            phrase("{claim} has a zone called {name} already.", claim=zone.claim, name=name),
            code="zone_twice",
            field="name",
        )
    for field, value in values.items():
        setattr(zone, field, value)
    zone.full_clean()
    zone.save()
