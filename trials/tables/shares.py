"""Where a lot's mass came from, summed by zone and by claim, as bars to be shown."""

from collections.abc import Sequence
from decimal import Decimal

from prospecting.calc.lineage import shares_by
from prospecting.models import Claim, Origin, Zone
from prospecting.tables.steps import ShareRow


def zone_rows(origins: Sequence[Origin]) -> list[ShareRow]:
    """A bar for each zone, largest first. The origins have their digs with zone and claim."""
    shares, zones = _by_dig(origins), {origin.dig.pk: origin.dig.zone for origin in origins}
    return [
        _row(zone, share, stripe=zone.stripe) for zone, share in shares_by(shares, zones.__getitem__).items()
    ]


def claim_rows(origins: Sequence[Origin]) -> list[ShareRow]:
    """A bar for each claim, largest first."""
    shares, claims = _by_dig(origins), {origin.dig.pk: origin.dig.zone.claim for origin in origins}
    return [_row(claim, share) for claim, share in shares_by(shares, claims.__getitem__).items()]


def _by_dig(origins: Sequence[Origin]) -> dict[int, Decimal]:
    return {origin.dig.pk: origin.share for origin in origins}


def _row(ground: Zone | Claim, share: Decimal, stripe: str = "") -> ShareRow:
    return ShareRow(
        label=ground.name, url=ground.get_absolute_url(), share=share, percent=share * 100, stripe=stripe
    )
