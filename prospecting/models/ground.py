from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q
from django.urls import reverse


class Claim(models.Model):
    """Legal ground: what the members typed from its papers. The land agency decides, not this record."""

    class Kind(models.TextChoices):
        LODE = "lode", "Lode claim"
        PLACER = "placer", "Placer claim"
        PRIVATE = "private", "Private ground by permission"
        LEASE = "lease", "Lease or licence"
        OTHER = "other", "Other"

    name = models.CharField(max_length=80, unique=True)
    kind = models.CharField(max_length=10, choices=Kind, default=Kind.LODE)
    serial_number = models.CharField("agency serial number", max_length=60, blank=True)
    holder = models.CharField("holder or locator", max_length=120, blank=True)
    permission = models.TextField("permission to work here, and its limits", blank=True)
    next_date = models.DateField("next date to keep", null=True, blank=True)
    next_date_what = models.CharField("what is due then", max_length=120, blank=True)
    note = models.TextField(blank=True)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("claim-detail", args=[self.pk])


class Zone(models.Model):
    """Part of a claim thought to be alike. Its stripe is the pattern on the tags of lots from it."""

    class Stripe(models.TextChoices):
        A = "a", "Stripe A"
        B = "b", "Stripe B"
        C = "c", "Stripe C"
        D = "d", "Stripe D"
        E = "e", "Stripe E"
        F = "f", "Stripe F"
        G = "g", "Stripe G"
        H = "h", "Stripe H"

    claim = models.ForeignKey(Claim, on_delete=models.PROTECT, related_name="zones")
    name = models.CharField(max_length=80)
    stripe = models.CharField("stripe on the tags", max_length=1, choices=Stripe, default=Stripe.A)
    note = models.TextField(blank=True)

    class Meta:
        ordering = ["claim__name", "name"]
        constraints = [models.UniqueConstraint(fields=["claim", "name"], name="zone_name_once_per_claim")]

    def __str__(self) -> str:
        return f"{self.name} ({self.claim.name})"

    def get_absolute_url(self) -> str:
        return reverse("zone-detail", args=[self.pk])


class DigQuerySet(models.QuerySet):
    def with_ground(self) -> "DigQuerySet":
        """Bring zone and claim along, so that naming a dig costs no further query."""
        return self.select_related("zone__claim")

    def standing(self) -> "DigQuerySet":
        """Digs whose step is not voided."""
        return self.filter(step__voided_at__isnull=True)


class Dig(models.Model):
    """One taking of material at a station in a zone on a day."""

    class SampleKind(models.TextChoices):
        CHANNEL = "channel", "Channel (even cut across the width)"
        CHIP = "chip", "Chips across the width"
        GRAB = "grab", "Grab (handfuls)"
        SELECT = "select", "Select (picked pieces)"
        DUMP = "dump", "From a dump"
        BULK = "bulk", "Bulk (everything dug)"

    zone = models.ForeignKey(Zone, on_delete=models.PROTECT, related_name="digs")
    # The step that put this dig's material into buckets; it carries the day, who recorded it, and a void.
    step = models.OneToOneField("prospecting.Step", on_delete=models.PROTECT, related_name="dig")
    station = models.CharField(max_length=40)
    dug_on = models.DateField("day")
    digger = models.CharField(max_length=120)
    sample_kind = models.CharField("kind of sample", max_length=10, choices=SampleKind)
    width_cm = models.DecimalField(
        "width across the vein", max_digits=7, decimal_places=1, null=True, blank=True
    )
    width_typed = models.CharField(max_length=40, blank=True)
    latitude = models.DecimalField(
        max_digits=9,
        decimal_places=6,
        null=True,
        blank=True,
        validators=[MinValueValidator(-90), MaxValueValidator(90)],
    )
    longitude = models.DecimalField(
        max_digits=9,
        decimal_places=6,
        null=True,
        blank=True,
        validators=[MinValueValidator(-180), MaxValueValidator(180)],
    )
    photo = models.ForeignKey(
        "prospecting.Photo", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    note = models.TextField(blank=True)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    objects = DigQuerySet.as_manager()

    class Meta:
        ordering = ["-dug_on", "-pk"]
        constraints = [
            models.CheckConstraint(
                name="dig_position_whole",
                condition=Q(latitude__isnull=True, longitude__isnull=True)
                | Q(latitude__isnull=False, longitude__isnull=False),
                violation_error_message="A position needs both latitude and longitude.",
            ),
        ]

    def __str__(self) -> str:
        return f"Dig {self.pk}, {self.station}, {self.dug_on:%d %b %Y}"

    def get_absolute_url(self) -> str:
        return reverse("dig-detail", args=[self.pk])
