import datetime
from collections.abc import Iterable

from django.conf import settings
from django.db import connection, models
from django.db.models import Q
from django.db.models.expressions import RawSQL
from django.utils.translation import gettext_lazy

# A mark on a lot reaches what was drawn from that lot on its day or later; once in, it stays in whatever the day.
# Voided steps lead nowhere. Both engines speak this SQL; days compare as dates there and as text here, to the same end.
_REACHING = """
    WITH RECURSIVE use_of(used_by, lot_id, drawn_on) AS (VALUES {uses}), line(used_by, lot_id, drawn_on) AS (
        SELECT used_by, lot_id, drawn_on FROM use_of
        UNION
        SELECT line.used_by, draw.lot_id, step.done_on
        FROM line JOIN prospecting_lot made ON made.id = line.lot_id
        JOIN prospecting_step step ON step.id = made.made_by_id AND step.voided_at IS NULL
        JOIN prospecting_draw draw ON draw.step_id = step.id
    )
    SELECT DISTINCT {told} FROM prospecting_contamination mark JOIN line ON line.lot_id = mark.lot_id
    WHERE mark.lifted_at IS NULL AND (mark.since IS NULL OR line.drawn_on >= mark.since)
"""
_CARRYING = """
    WITH RECURSIVE line(lot_id, since) AS (
        SELECT lot_id, since FROM prospecting_contamination WHERE lifted_at IS NULL
        UNION
        SELECT made.id, CAST(NULL AS date)
        FROM line JOIN prospecting_draw draw ON draw.lot_id = line.lot_id
        JOIN prospecting_step step ON step.id = draw.step_id AND step.voided_at IS NULL
            AND (line.since IS NULL OR step.done_on >= line.since)
        JOIN prospecting_lot made ON made.made_by_id = step.id
    )
    SELECT lot_id FROM line
"""


def lots_carrying_a_mark() -> RawSQL:
    """The ids of all lots that a standing mark is on or reaches, for use in a filter; `Lot.is_marked` must say the same."""
    return RawSQL(_CARRYING, [])


def _reaching(told: str, uses: Iterable[tuple[int, int, datetime.date | None]]) -> tuple[str, list] | None:
    """The query of `told` over these uses (user, lot, day) with its values; None where there are none."""
    rows = [(*use, connection.ops.adapt_datefield_value(day or datetime.date.max)) for *use, day in uses]
    if not rows:
        return None
    places = ", ".join(["(CAST(%s AS bigint), CAST(%s AS bigint), %s)"] * len(rows))
    return _REACHING.format(uses=places, told=told), [value for row in rows for value in row]


class ContaminationQuerySet(models.QuerySet):
    def reaching(self, uses: Iterable[tuple[int, datetime.date | None]]) -> "ContaminationQuerySet":
        """Standing marks on these lots or on their line that reach what was drawn on the day given with each lot.

        A lot without a day is meant as it stands now. Each mark comes with the lot it stands on, in one query.
        """
        query = _reaching("mark.id", [(0, lot, day) for lot, day in uses])
        if query is None:
            return self.none()
        return self.filter(pk__in=RawSQL(*query)).select_related("lot", "recorded_by").order_by("pk")

    def reaching_each(
        self, uses: Iterable[tuple[int, int, datetime.date | None]]
    ) -> dict[int, list["Contamination"]]:
        """The same for many users of lots at once, each use with the number of its user first; two queries at most."""
        query = _reaching("line.used_by, mark.id", uses)
        if query is None:
            return {}
        with connection.cursor() as cursor:
            cursor.execute(*query)
            reached = sorted(cursor.fetchall())
        marks = self.select_related("lot").in_bulk({mark for _, mark in reached})
        found: dict[int, list[Contamination]] = {}
        for used_by, mark in reached:
            found.setdefault(used_by, []).append(marks[mark])
        return found

    def standing(self) -> "ContaminationQuerySet":
        """Marks that were not lifted."""
        return self.filter(lifted_at__isnull=True)


class Contamination(models.Model):
    """Something that got into a lot, or a doubt what it is: whatever is made from it afterwards carries the mark."""

    class Kind(models.TextChoices):
        SPILL = "spill", gettext_lazy("Spilled and swept up")
        MIXED_UP = "mixed_up", gettext_lazy("Bucket or tag mixed up")
        UNCLEAN = "unclean", gettext_lazy("Crusher, mortar or pan was not clean")
        OTHER = "other", gettext_lazy("Something else")

    lot = models.ForeignKey("prospecting.Lot", on_delete=models.PROTECT, related_name="contaminations")
    kind = models.CharField(gettext_lazy("what happened"), max_length=8, choices=Kind)
    # What was taken from the lot on an earlier day is clean; blank: it was never clean.
    since = models.DateField(gettext_lazy("since"), null=True, blank=True)
    what = models.CharField(gettext_lazy("in words"), max_length=300)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField(auto_now_add=True)
    lifted_at = models.DateTimeField(null=True, blank=True)
    lifted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    lift_reason = models.CharField(gettext_lazy("why it is lifted"), max_length=200, blank=True)

    objects = ContaminationQuerySet.as_manager()

    class Meta:
        ordering = ["-pk"]
        constraints = [
            models.CheckConstraint(
                name="contamination_lifted_with_reason",
                condition=Q(lifted_at__isnull=True) | (Q(lifted_by__isnull=False) & ~Q(lift_reason="")),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}: {self.what}"
