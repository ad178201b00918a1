import datetime

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils.formats import date_format
from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase


class Claim(models.Model):
    """Legal ground: what the members typed from its papers. The land agency decides, not this record."""

    class Kind(models.TextChoices):
        LODE = "lode", gettext_lazy("Lode claim")
        PLACER = "placer", gettext_lazy("Placer claim")
        PRIVATE = "private", gettext_lazy("Private ground by permission")
        LEASE = "lease", gettext_lazy("Lease or licence")
        OTHER = "other", gettext_lazy("Other")

    name = models.CharField(max_length=80, unique=True)
    kind = models.CharField(max_length=10, choices=Kind, default=Kind.LODE)
    serial_number = models.CharField(gettext_lazy("agency serial number"), max_length=60, blank=True)
    holder = models.CharField(gettext_lazy("holder or locator"), max_length=120, blank=True)
    permission = models.TextField(gettext_lazy("permission to work here, and its limits"), blank=True)
    located_on = models.DateField(gettext_lazy("day of location on the ground"), null=True, blank=True)
    acreage = models.CharField(max_length=40, blank=True)
    legal_description = models.TextField(blank=True)
    county_record = models.CharField(
        gettext_lazy("county book, page and day recorded"), max_length=120, blank=True
    )
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
        A = "a", gettext_lazy("Stripe A")
        B = "b", gettext_lazy("Stripe B")
        C = "c", gettext_lazy("Stripe C")
        D = "d", gettext_lazy("Stripe D")
        E = "e", gettext_lazy("Stripe E")
        F = "f", gettext_lazy("Stripe F")
        G = "g", gettext_lazy("Stripe G")
        H = "h", gettext_lazy("Stripe H")

    claim = models.ForeignKey(Claim, on_delete=models.PROTECT, related_name="zones")
    name = models.CharField(max_length=80)
    stripe = models.CharField(
        gettext_lazy("stripe on the tags"), max_length=1, choices=Stripe, default=Stripe.A
    )
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
        CHANNEL = "channel", gettext_lazy("Channel (even cut across the width)")
        CHIP = "chip", gettext_lazy("Chips across the width")
        GRAB = "grab", gettext_lazy("Grab (handfuls)")
        SELECT = "select", gettext_lazy("Select (picked pieces)")
        DUMP = "dump", gettext_lazy("From a dump")
        BULK = "bulk", gettext_lazy("Bulk (everything dug)")

    zone = models.ForeignKey(Zone, on_delete=models.PROTECT, related_name="digs")
    # The step that put this dig's material into buckets; it carries the day, who recorded it, and a void.
    step = models.OneToOneField("prospecting.Step", on_delete=models.PROTECT, related_name="dig")
    station = models.CharField(max_length=40)
    dug_on = models.DateField(gettext_lazy("day"))
    digger = models.CharField(max_length=120)
    sample_kind = models.CharField(gettext_lazy("kind of sample"), max_length=10, choices=SampleKind)
    width_cm = models.DecimalField(
        gettext_lazy("width across the vein"), max_digits=7, decimal_places=1, null=True, blank=True
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
    depth_m = models.DecimalField(
        gettext_lazy("depth below the surface"), max_digits=6, decimal_places=2, null=True, blank=True
    )
    depth_typed = models.CharField(max_length=40, blank=True)
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
                violation_error_message=gettext_lazy("A position needs both latitude and longitude."),
            ),
            models.CheckConstraint(
                name="dig_depth_not_negative",
                condition=Q(depth_m__isnull=True) | Q(depth_m__gte=0),
                violation_error_message=gettext_lazy("A depth counts down from the surface, 0 or more."),
            ),
        ]

    def __str__(self) -> str:
        return phrase(
            "Dig {number}, {station}, {day}",
            number=self.pk,
            station=self.station,
            day=date_format(self.dug_on, "d M Y"),
        )

    def get_absolute_url(self) -> str:
        return reverse("dig-detail", args=[self.pk])


class ClaimDateQuerySet(models.QuerySet):
    OPEN = Q(done_on__isnull=True, voided_at__isnull=True)

    def open(self) -> "ClaimDateQuerySet":
        """Dates not yet kept, the nearest first."""
        return self.filter(self.OPEN).order_by("due_on", "pk")

    def open_or_due_since(self, day: datetime.date) -> "ClaimDateQuerySet":
        """Dates not yet kept, and all that were due on this day or later."""
        return self.filter(self.OPEN | Q(due_on__gte=day)).order_by("due_on", "pk")

    def over(self) -> "ClaimDateQuerySet":
        """Dates kept or voided, the latest first."""
        return self.exclude(self.OPEN).order_by("-due_on", "-pk")


class ClaimDate(models.Model):
    """A day to keep for a claim: a reminder somebody typed in. The land agency decides what is due, and when."""

    MOST_REMIND_DAYS = 366

    claim = models.ForeignKey(Claim, on_delete=models.PROTECT, related_name="dates")
    what = models.CharField(gettext_lazy("what is due"), max_length=120)
    due_on = models.DateField(gettext_lazy("due on"))
    remind_days = models.PositiveSmallIntegerField(gettext_lazy("remind so many days before"), default=60)
    # Once kept, the next one is written down a year later.
    is_yearly = models.BooleanField(gettext_lazy("comes every year"), default=False)
    watched_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    note = models.CharField(max_length=200, blank=True)
    done_on = models.DateField(gettext_lazy("kept on"), null=True, blank=True)
    done_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    done_how = models.CharField(gettext_lazy("how it was kept"), max_length=200, blank=True)
    voided_at = models.DateTimeField(null=True, blank=True)
    void_reason = models.CharField(max_length=200, blank=True)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField(auto_now_add=True)

    objects = ClaimDateQuerySet.as_manager()

    class Meta:
        ordering = ["due_on", "pk"]
        constraints = [
            models.CheckConstraint(
                name="claim_date_kept_by_somebody",
                condition=Q(done_on__isnull=True, done_by__isnull=True)
                | Q(done_on__isnull=False, done_by__isnull=False),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.what}, {date_format(self.due_on, 'd M Y')}"

    def get_absolute_url(self) -> str:
        return reverse("claim-detail", args=[self.claim_id])

    @property
    def is_open(self) -> bool:
        """What `open()` asks of the database: neither kept nor voided."""
        return self.done_on is None and self.voided_at is None


class ClaimPaper(models.Model):
    """A paper of a claim: location notice, receipt, permission, map. A picture is redrawn unless the original was wanted."""

    claim = models.ForeignKey(Claim, on_delete=models.PROTECT, related_name="papers")
    title = models.CharField(max_length=120)
    dated_on = models.DateField(gettext_lazy("day of the paper"), null=True, blank=True)
    file_name = models.CharField(max_length=120)
    file_sha256 = models.CharField(max_length=64)
    file_bytes = models.BinaryField()
    content_type = models.CharField(max_length=40)
    note = models.TextField(blank=True)
    voided_at = models.DateTimeField(null=True, blank=True)
    void_reason = models.CharField(max_length=200, blank=True)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["claim", "-recorded_at", "-pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["claim", "file_sha256"],
                condition=Q(voided_at__isnull=True),
                name="paper_once_per_claim",
            ),
        ]

    def __str__(self) -> str:
        return self.title

    def get_absolute_url(self) -> str:
        return reverse("claim-detail", args=[self.claim_id])

    def get_kind(self) -> str:
        """What kind of file it is, in a word."""
        return self.content_type.partition("/")[2].upper()


class CalendarLink(models.Model):
    """A member's private address of the calendar of claim dates and returns due. Only a hash of its key is kept."""

    member = models.OneToOneField(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="calendar_link"
    )
    key_sha256 = models.CharField(max_length=64, unique=True)
    made_at = models.DateTimeField(auto_now=True)

    def __str__(self) -> str:
        return phrase("Calendar of {member}", member=self.member)

    def get_absolute_url(self) -> str:
        return reverse("calendar-link")
