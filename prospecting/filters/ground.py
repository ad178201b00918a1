from functools import cached_property

from django.utils.translation import gettext_lazy

from prospecting.filters.base import (
    ChoiceFilter,
    ListFilter,
    TextFilter,
    TickFilter,
    ZoneFilter,
    since,
    until,
)
from prospecting.models import Dig
from prospecting.models.ground import DigQuerySet


def with_voided(digs: DigQuerySet, _: bool) -> DigQuerySet:
    return digs


class DigFilter(ListFilter):
    """Of all digs; those that were voided come along only where they are asked for."""

    zone = ZoneFilter(gettext_lazy("Zone"))
    station = TextFilter(gettext_lazy("Station"))
    kind = ChoiceFilter(
        gettext_lazy("Kind of sample"),
        by=lambda digs, kind: digs.filter(sample_kind=kind),
        choices=Dig.SampleKind.choices,
        every=gettext_lazy("every kind"),
    )
    since = since("dug_on")
    until = until("dug_on")
    voided = TickFilter(gettext_lazy("Also digs that were voided"), by=with_voided)

    noun = (gettext_lazy("dig"), gettext_lazy("digs"))

    @property
    def qs(self) -> DigQuerySet:
        return self._standing(super().qs)

    @cached_property
    def number_in_all(self) -> int:
        return self._standing(self.queryset).count()

    def _standing(self, digs: DigQuerySet) -> DigQuerySet:
        return digs if self.asked.get("voided") else digs.standing()
