from django.db.models import Exists, OuterRef, Q
from django.utils.translation import gettext_lazy

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
    "test": (gettext_lazy("Test pans"), Q(planned__isnull=True)),
    "trial": (gettext_lazy("Runs of a trial"), Q(planned__isnull=False)),
    "below": (gettext_lazy("Below the scale"), Q(below_scale=True)),
    "out": (gettext_lazy("Failed or voided"), Q(failed=True) | Q(step__voided_at__isnull=False)),
}


class RunFilter(ListFilter):
    """Runs of a bridge whose block is open are found by no lot and no zone: the lot they drew from is their key."""

    lot = CodeFilter(
        gettext_lazy("Lot, by the code on its tag"),
        of_lot,
        said=gettext_lazy("Lot"),
        help_text=gettext_lazy("A run whose lot is still hidden is left out."),
    )
    zone = ZoneFilter(gettext_lazy("Holds material of zone"), by=of_zone)
    # Those who panned, and nobody else: a guest is not told who the members are.
    panner = RecordFilter(
        gettext_lazy("Panner"),
        queryset=Member.objects.filter(Exists(Run.objects.filter(panner=OuterRef("pk")))),
        every=gettext_lazy("everyone"),
    )
    which = ChoiceFilter(
        gettext_lazy("Which"),
        by=lambda runs, which: runs.filter(WHICH[which][1]),
        choices=[(key, words) for key, (words, _) in WHICH.items()],
        every=gettext_lazy("all of them"),
    )
    since = since("panned_on")
    until = until("panned_on")

    noun = (gettext_lazy("pan"), gettext_lazy("pans"))
