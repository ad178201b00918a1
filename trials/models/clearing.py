from django.conf import settings
from django.db import models
from django.db.models import Count, Q
from django.urls import reverse
from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase


class ClearingTestQuerySet(models.QuerySet):
    def running(self) -> "ClearingTestQuerySet":
        """Tests still being watched, newest first: those a phone keeps the tubs of."""
        return self.filter(ended_at__isnull=True)

    def for_list(self) -> "ClearingTestQuerySet":
        return self.annotate(
            tub_count=Count("tubs", distinct=True),
            reading_count=Count("tubs__readings", filter=Q(tubs__readings__voided_at__isnull=True)),
        ).order_by("-pk")


class ClearingTest(models.Model):
    """Tubs of muddy water left to clear side by side, read as time goes on."""

    class Measure(models.TextChoices):
        CLEAR_MM = "clear_mm", gettext_lazy("Height of clear water, mm")
        SIGHT_CM = "sight_cm", gettext_lazy("How deep one sees (tube or disc), cm")
        TURBIDITY = "turbidity", gettext_lazy("Turbidity meter, NTU")
        PHOTO = "photo", gettext_lazy("Photo only")

    question = models.CharField(max_length=200)
    lot = models.ForeignKey(
        "prospecting.Lot", on_delete=models.PROTECT, null=True, blank=True, related_name="clearing_tests"
    )
    trial = models.ForeignKey(
        "trials.Trial", on_delete=models.PROTECT, null=True, blank=True, related_name="clearing_tests"
    )
    measure = models.CharField(gettext_lazy("read by"), max_length=10, choices=Measure)
    # Clear enough: read at or beyond this, in the unit of the measure.
    target = models.DecimalField(max_digits=9, decimal_places=2, null=True, blank=True)
    water_depth_mm = models.DecimalField(max_digits=7, decimal_places=1, null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    note = models.TextField(blank=True)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField(auto_now_add=True)

    objects = ClearingTestQuerySet.as_manager()

    class Meta:
        ordering = ["-pk"]

    def __str__(self) -> str:
        return self.question

    def get_absolute_url(self) -> str:
        return reverse("clearing-detail", args=[self.pk])

    def get_tubs_url(self) -> str:
        return reverse("clearing-read", args=[self.pk])

    @property
    def unit(self) -> str:
        return UNITS[self.measure]

    @property
    def rises(self) -> bool:
        """Whether the measure rises as the water clears."""
        return self.measure != self.Measure.TURBIDITY


UNITS = {
    ClearingTest.Measure.CLEAR_MM: "mm",
    ClearingTest.Measure.SIGHT_CM: "cm",
    ClearingTest.Measure.TURBIDITY: "NTU",
    ClearingTest.Measure.PHOTO: "",
}


class Tub(models.Model):
    """One tub or jar of a clearing test: what was put in, and when its clock began."""

    test = models.ForeignKey(ClearingTest, on_delete=models.PROTECT, related_name="tubs")
    label = models.CharField(max_length=40)
    is_control = models.BooleanField(gettext_lazy("nothing was added"), default=False)
    additive = models.ForeignKey(
        "trials.Additive", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    ml_per_l = models.DecimalField(max_digits=12, decimal_places=6, null=True, blank=True)
    dose_typed = models.CharField(max_length=60, blank=True)
    position = models.PositiveSmallIntegerField(default=0)
    # When it was stirred last, by the phone's clock.
    began_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["position", "pk"]
        constraints = [models.UniqueConstraint(fields=["test", "label"], name="tub_label_once_per_test")]

    def __str__(self) -> str:
        return phrase("Tub {name}", name=self.label)

    def get_absolute_url(self) -> str:
        return f"{self.test.get_tubs_url()}#tub-{self.pk}"

    @property
    def holds(self) -> str:
        """What was put in, as typed."""
        return f"{self.additive}, {self.dose_typed}" if self.additive_id else phrase("nothing added")


class TubReadingQuerySet(models.QuerySet):
    def standing(self) -> "TubReadingQuerySet":
        return self.filter(voided_at__isnull=True)


class TubReading(models.Model):
    """One look at a tub, so many minutes after its clock began; blank value where only a photo was taken."""

    tub = models.ForeignKey(Tub, on_delete=models.PROTECT, related_name="readings")
    minutes = models.DecimalField(max_digits=9, decimal_places=2)
    value = models.DecimalField(max_digits=9, decimal_places=2, null=True, blank=True)
    # What cannot be read: beyond the tube's length, or cloudier than the meter shows.
    beyond = models.BooleanField(default=False)
    photo = models.ForeignKey(
        "prospecting.Photo", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    note = models.CharField(max_length=200, blank=True)
    voided_at = models.DateTimeField(null=True, blank=True)
    void_reason = models.CharField(max_length=200, blank=True)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField(auto_now_add=True)

    objects = TubReadingQuerySet.as_manager()

    class Meta:
        ordering = ["minutes", "pk"]
        constraints = [
            models.CheckConstraint(name="tub_reading_not_before_start", condition=Q(minutes__gte=0)),
            models.CheckConstraint(
                name="tub_reading_says_something", condition=Q(value__isnull=False) | Q(photo__isnull=False)
            ),
        ]

    def __str__(self) -> str:
        return phrase("{tub} at {minutes} min", tub=self.tub, minutes=format(self.minutes.normalize(), "f"))

    def get_absolute_url(self) -> str:
        return self.tub.get_absolute_url()
