"""Renewing a test lot: what to blend from what is on hand, what is missing for it, and what a bridge will take."""

from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from decimal import Decimal
from urllib.parse import urlencode

from django.db.models import F, Q
from django.urls import reverse

from prospecting.calc.language import phrase
from prospecting.calc.mass_balance import total_mass_g
from prospecting.calc.renewal import BlendProposal, Candidate, propose_blend, work_needed
from prospecting.models import Lot, Origin, Zone
from trials.frames.outlook import spreads_of, width_blocks
from trials.frames.stock import Stock, stock_of
from trials.models import Trial

# What may go into a test lot: neither a product of a recovery nor a part set aside for something else.
BLENDABLE = (Lot.Kind.BUCKET, Lot.Kind.CRUSHED, Lot.Kind.UNDERSIZE, Lot.Kind.SPLIT, Lot.Kind.BLEND)
# So many of the largest are looked at, and so many the blend form takes at once.
MOST_CANDIDATES = 200
MOST_PARENTS = 20
# The width of the bridge's interval that is reckoned with before its smallest difference is fixed.
BRIDGE_FACTOR = 1.25


@dataclass(frozen=True)
class WithWork:
    """A lot that holds the zone but must be worked on first, and whether crushing is among it."""

    lot: Lot
    work: str
    is_crushed: bool


@dataclass(frozen=True)
class ZoneLine:
    """One zone in the old lot and in the proposed one; `sources` could give what is missing, after some work."""

    zone: Zone
    wanted: Decimal
    got: Decimal
    missing_g: Decimal
    is_short: bool
    sources: list[WithWork]


@dataclass(frozen=True)
class BridgeNeed:
    """The portions of either lot a bridge takes at this spread of untreated portions, for an interval of BRIDGE_FACTOR."""

    spread: float
    seen: int
    portions: str


@dataclass(frozen=True)
class Renewal:
    stock: Stock
    wanted_g: Decimal
    proposal: BlendProposal
    masses: list[tuple[Lot, Decimal]]
    zones: list[ZoneLine]
    with_work: list[WithWork]
    left_out: int
    blend_url: str
    bridge_needs: list[BridgeNeed]
    new_lots: list[Lot]

    @property
    def is_short(self) -> bool:
        return self.proposal.short_g > 0

    @property
    def missing(self) -> list[ZoneLine]:
        """Zones of which more than 1 % of the wanted mass is missing."""
        return [line for line in self.zones if line.is_short]


def renewal_of(lot: Lot, wanted_g: Decimal, mass_unit: str) -> Renewal:
    """The proposal for `wanted_g` of a lot like this one, from what is on hand."""
    target = _zone_shares([lot.pk])[lot.pk]
    lots = _candidates(lot, target)
    shares = _zone_shares([each.pk for each in lots])
    ready, with_work, left_out = [], [], 0
    for each in lots:
        candidate = Candidate(each.pk, each.on_hand_g, shares[each.pk], each.top_size_um, each.is_dry)
        work = work_needed(candidate, lot.top_size_um, lot.is_dry)
        if work is None:
            left_out += 1
        elif work:
            said = phrase("dry, crush and screen") if len(work) > 1 else work[0]
            with_work.append(WithWork(each, said, is_crushed=each.top_size_um != lot.top_size_um))
        else:
            ready.append(candidate)
    proposal = propose_blend(ready, target, wanted_g)
    if len(proposal.masses_g) > MOST_PARENTS:
        largest = sorted(proposal.masses_g, key=proposal.masses_g.get)[-MOST_PARENTS:]
        proposal = propose_blend([each for each in ready if each.lot in largest], target, wanted_g)
    by_pk = {each.pk: each for each in lots}
    masses = [(by_pk[pk], mass_g) for pk, mass_g in proposal.masses_g.items()]
    zones = Zone.objects.select_related("claim").in_bulk([fit.zone for fit in proposal.zones])
    return Renewal(
        stock=stock_of(lot, mass_unit),
        wanted_g=wanted_g,
        proposal=proposal,
        masses=masses,
        zones=[
            ZoneLine(
                zone=zones[fit.zone],
                wanted=fit.wanted,
                got=fit.got,
                missing_g=fit.missing_g,
                is_short=fit.is_short,
                sources=[source for source in with_work if shares[source.lot.pk].get(fit.zone)],
            )
            for fit in sorted(proposal.zones, key=lambda fit: -fit.wanted)
        ],
        with_work=with_work,
        left_out=left_out,
        blend_url=_blend_url(masses),
        bridge_needs=[
            BridgeNeed(spread, seen, width_blocks(spread, BRIDGE_FACTOR)) for spread, seen in spreads_of(lot)
        ],
        new_lots=list(
            Lot.objects.in_stock().of_kind(Lot.Kind.BLEND).filter(pk__gt=lot.pk).order_by("-pk")[:5]
        ),
    )


def _candidates(lot: Lot, target: Mapping[int, Decimal]) -> list[Lot]:
    """Lots on hand that hold a zone of the old lot, are neither held back, marked, nor in a trial; the largest first."""
    in_trials = Trial.objects.exclude(state=Trial.State.CLOSED)
    found = (
        Lot.objects.in_stock()
        .of_kind(*BLENDABLE)
        .filter(reserve_reason="", is_marked=False, origins__dig__zone__in=list(target))
        .exclude(pk=lot.pk)
        .exclude(
            Q(pk__in=in_trials.values("feed_lot"))
            | Q(pk__in=in_trials.filter(new_lot__isnull=False).values("new_lot"))
        )
    )
    return list(found.distinct().order_by("-on_hand_g", "pk")[:MOST_CANDIDATES])


def _zone_shares(lot_ids: Collection[int]) -> dict[int, dict[int, Decimal]]:
    by_lot: dict[int, dict[int, list[Decimal]]] = defaultdict(lambda: defaultdict(list))
    origins = Origin.objects.filter(lot__in=lot_ids).annotate(zone=F("dig__zone"))
    for lot_id, zone, share in origins.values_list("lot", "zone", "share"):
        by_lot[lot_id][zone].append(share)
    return {
        lot_id: {zone: total_mass_g(parts) for zone, parts in zones.items()}
        for lot_id, zones in by_lot.items()
    }


def _blend_url(masses: list[tuple[Lot, Decimal]]) -> str:
    """The blend form with these lots ticked and their masses filled in; all of a lot is left blank, as the form has it."""
    if len(masses) < 2:
        return ""
    wanted = [("lot", lot.code) for lot, _ in masses]
    wanted += [
        (f"mass_{lot.code}", f"{mass_g.normalize():f} g") for lot, mass_g in masses if mass_g < lot.on_hand_g
    ]
    return f"{reverse('lot-blend')}?{urlencode(wanted)}"
