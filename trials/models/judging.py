from django.conf import settings
from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase


class Judging(models.Model):
    """One judge's look at a block's pans side by side, known by their codes alone."""

    block = models.ForeignKey("trials.Block", on_delete=models.PROTECT, related_name="judgings")
    judge = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="judgings")
    judged_on = models.DateField(gettext_lazy("day"))
    light = models.CharField(max_length=5, blank=True)
    photo = models.ForeignKey(
        "prospecting.Photo", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    note = models.TextField(blank=True)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["pk"]
        constraints = [models.UniqueConstraint(fields=["block", "judge"], name="judge_once_per_block")]

    def __str__(self) -> str:
        return phrase("{judge} on block {block}", judge=self.judge, block=self.block_id)

    def get_absolute_url(self) -> str:
        return reverse("run-next", args=[self.block.trial_id])

    def may_be_corrected_by(self, member) -> bool:
        """While the block's key is hidden, by the judge or by who typed it in; after that by nobody."""
        return self.block.closed_at is None and member.pk in (self.judge_id, self.recorded_by_id)


class PanPlace(models.Model):
    """Where a judge put one pan: 1 shows most gold; pans alike share a place."""

    judging = models.ForeignKey(Judging, on_delete=models.PROTECT, related_name="places")
    planned = models.ForeignKey("trials.PlannedRun", on_delete=models.PROTECT, related_name="places")
    place = models.PositiveSmallIntegerField()

    class Meta:
        ordering = ["place", "planned"]
        constraints = [
            models.UniqueConstraint(fields=["judging", "planned"], name="pan_placed_once_per_judging"),
            models.CheckConstraint(name="place_from_one", condition=Q(place__gte=1)),
        ]

    def __str__(self) -> str:
        return phrase("place {place}", place=self.place)
