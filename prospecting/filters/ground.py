from functools import cached_property

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

    zone = ZoneFilter("Zone")
    station = TextFilter("Station")
    kind = ChoiceFilter(
        "Kind of sample",
        by=lambda digs, kind: digs.filter(sample_kind=kind),
        choices=Dig.SampleKind.choices,
        every="every kind",
    )
    since = since("dug_on")
    until = until("dug_on")
    voided = TickFilter("Also digs that were voided", by=with_voided)

    noun = ("dig", "digs")

    @property
    def qs(self) -> DigQuerySet:
        return self._standing(super().qs)

    @cached_property
    def number_in_all(self) -> int:
        return self._standing(self.queryset).count()

    def _standing(self, digs: DigQuerySet) -> DigQuerySet:
        return digs if self.asked.get("voided") else digs.standing()
