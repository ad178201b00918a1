from prospecting.filters.base import ChoiceFilter, ListFilter, RecordFilter, ZoneFilter
from prospecting.models import Lot, Zone
from trials.models import Additive, Finding, FindingEvidence
from trials.models.findings import FindingQuerySet

STATES = {
    "stands": {"taken_back_at__isnull": True, "replaced_by__isnull": True},
    "replaced": {"taken_back_at__isnull": True, "replaced_by__isnull": False},
    "taken_back": {"taken_back_at__isnull": False},
}


def of_zone(findings: FindingQuerySet, zone: Zone) -> FindingQuerySet:
    """Those that rest on a trial of a lot with material of the zone."""
    lots = Lot.objects.from_zone(zone).order_by().values("pk")
    resting = FindingEvidence.objects.filter(trial__feed_lot__in=lots).order_by().values("finding")
    return findings.filter(pk__in=resting)


class FindingFilter(ListFilter):
    about = ChoiceFilter("About", choices=Finding.About.choices, every="everything")
    stand = ChoiceFilter("What follows", choices=Finding.Stand.choices, every="whatever it is")
    state = ChoiceFilter(
        "State",
        by=lambda findings, state: findings.filter(**STATES[state]),
        choices=[("stands", "stands"), ("replaced", "replaced"), ("taken_back", "taken back")],
        every="every state",
    )
    additive = RecordFilter("Additive", queryset=Additive.objects.all(), every="every additive")
    zone = ZoneFilter("Rests on a trial with material of zone", by=of_zone)

    noun = ("finding", "findings")
