from django.utils.translation import gettext_lazy

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
    about = ChoiceFilter(
        gettext_lazy("About"), choices=Finding.About.choices, every=gettext_lazy("everything")
    )
    stand = ChoiceFilter(
        gettext_lazy("What follows"), choices=Finding.Stand.choices, every=gettext_lazy("whatever it is")
    )
    state = ChoiceFilter(
        gettext_lazy("State"),
        by=lambda findings, state: findings.filter(**STATES[state]),
        choices=[
            ("stands", gettext_lazy("stands")),
            ("replaced", gettext_lazy("replaced")),
            ("taken_back", gettext_lazy("taken back")),
        ],
        every=gettext_lazy("every state"),
    )
    additive = RecordFilter(
        gettext_lazy("Additive"), queryset=Additive.objects.all(), every=gettext_lazy("every additive")
    )
    zone = ZoneFilter(gettext_lazy("Rests on a trial with material of zone"), by=of_zone)

    noun = (gettext_lazy("finding"), gettext_lazy("findings"))
