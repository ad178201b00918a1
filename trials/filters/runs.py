from django.db.models import Exists, OuterRef, Q

from prospecting.filters.base import (
    ChoiceFilter,
    CodeFilter,
    ListFilter,
    RecordFilter,
    ZoneFilter,
    since,
    until,
)
from prospecting.models import Member, Origin, Zone
from trials.models import Run
from trials.models.runs import RunQuerySet


def of_lot(runs: RunQuerySet, code: str) -> RunQuerySet:
    return runs.with_known_lot().filter(lot__code=code)


def of_zone(runs: RunQuerySet, zone: Zone) -> RunQuerySet:
    lots = Origin.objects.filter(dig__zone=zone).order_by().values("lot")
    return runs.with_known_lot().filter(lot__in=lots)


WHICH = {
    "test": ("Test pans", Q(planned__isnull=True)),
    "trial": ("Runs of a trial", Q(planned__isnull=False)),
    "below": ("Below the scale", Q(below_scale=True)),
    "out": ("Failed or voided", Q(failed=True) | Q(step__voided_at__isnull=False)),
}


class RunFilter(ListFilter):
    """Runs of a bridge whose block is open are found by no lot and no zone: the lot they drew from is their key."""

    lot = CodeFilter(
        "Lot, by the code on its tag",
        of_lot,
        said="Lot",
        help_text="A run whose lot is still hidden is left out.",
    )
    zone = ZoneFilter("Holds material of zone", by=of_zone)
    # Those who panned, and nobody else: a guest is not told who the members are.
    panner = RecordFilter(
        "Panner",
        queryset=Member.objects.filter(Exists(Run.objects.filter(panner=OuterRef("pk")))),
        every="everyone",
    )
    which = ChoiceFilter(
        "Which",
        by=lambda runs, which: runs.filter(WHICH[which][1]),
        choices=[(key, words) for key, (words, _) in WHICH.items()],
        every="all of them",
    )
    since = since("panned_on")
    until = until("panned_on")

    noun = ("pan", "pans")
