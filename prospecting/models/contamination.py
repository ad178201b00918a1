from django.conf import settings
from django.db import models
from django.db.models import Q


class ContaminationQuerySet(models.QuerySet):
    def standing(self) -> "ContaminationQuerySet":
        """Marks that were not lifted."""
        return self.filter(lifted_at__isnull=True)


class Contamination(models.Model):
    """Something that got into a lot, or a doubt what it is: whatever is made from it afterwards carries the mark."""

    class Kind(models.TextChoices):
        SPILL = "spill", "Spilled and swept up"
        MIXED_UP = "mixed_up", "Bucket or tag mixed up"
        UNCLEAN = "unclean", "Crusher, mortar or pan was not clean"
        OTHER = "other", "Something else"

    lot = models.ForeignKey("prospecting.Lot", on_delete=models.PROTECT, related_name="contaminations")
    kind = models.CharField("what happened", max_length=8, choices=Kind)
    # What was taken from the lot on an earlier day is clean; blank: it was never clean.
    since = models.DateField("since", null=True, blank=True)
    what = models.CharField("in words", max_length=300)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField(auto_now_add=True)
    lifted_at = models.DateTimeField(null=True, blank=True)
    lifted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    lift_reason = models.CharField("why it is lifted", max_length=200, blank=True)

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
