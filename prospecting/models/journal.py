from django.conf import settings
from django.db import models
from django.urls import reverse


class JournalEntryQuerySet(models.QuerySet):
    def about(self, record: models.Model) -> "JournalEntryQuerySet":
        return self.filter(subject_kind=record._meta.model_name, subject_id=record.pk)


class JournalEntry(models.Model):
    """Who changed what, when, on which device, and why. Only ever added to."""

    at = models.DateTimeField(auto_now_add=True)
    member = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    device = models.CharField(max_length=200, blank=True)
    subject_kind = models.CharField(max_length=40)
    subject_id = models.BigIntegerField()
    subject_label = models.CharField(max_length=120)
    subject_path = models.CharField(max_length=200, blank=True)
    what = models.TextField()
    why = models.TextField(blank=True)
    changes = models.JSONField(default=dict, blank=True)

    objects = JournalEntryQuerySet.as_manager()

    class Meta:
        ordering = ["-pk"]
        verbose_name_plural = "journal entries"
        indexes = [models.Index(fields=["subject_kind", "subject_id", "-id"], name="journal_by_subject")]

    def __str__(self) -> str:
        return f"{self.subject_label}: {self.what}"


class JournalSeal(models.Model):
    """One link of the chain over the journal: the hash of an entry together with the hash of the link before it.

    Beside the entry and not in it, so that an entry is written once and never touched again.
    """

    number = models.BigIntegerField(primary_key=True)
    entry = models.OneToOneField(JournalEntry, on_delete=models.PROTECT, related_name="seal")
    sha256 = models.CharField(max_length=64)

    class Meta:
        ordering = ["number"]

    def __str__(self) -> str:
        return f"Seal {self.number}"


class Delivery(models.Model):
    """One form or phone entry, by the identity it was born with: made once however often it is sent."""

    identity = models.UUIDField(unique=True)
    member = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    body_sha256 = models.CharField(max_length=64)
    record_path = models.CharField(max_length=200, blank=True)
    delivered_at = models.DateTimeField(auto_now_add=True)
    # Of an entry that waited on a phone: when it was made and when it was sent, both by the phone's clock, kept as evidence.
    born_at = models.DateTimeField(null=True, blank=True)
    sent_at = models.DateTimeField(null=True, blank=True)
    # The phone's clock less the site's at sending, in seconds; flagged when the phone's times can't be trusted.
    clock_ahead_s = models.BigIntegerField(null=True, blank=True)
    clock_flagged = models.BooleanField(default=False)
    # Of one sending, not kept: whether the entry had been delivered before (see actions.delivery.deliver_once).
    is_repeat = False

    class Meta:
        verbose_name_plural = "deliveries"
        indexes = [models.Index(fields=["record_path"], name="delivery_by_record")]

    def __str__(self) -> str:
        return str(self.identity)


class HeldEntry(models.Model):
    """An entry from a phone that came too late: its lot no longer holds what it takes. A keeper decides what becomes of it."""

    class Outcome(models.TextChoices):
        RECORDED = "recorded", "Recorded"
        SET_ASIDE = "set_aside", "Set aside, with the reason"

    delivery = models.OneToOneField(Delivery, on_delete=models.PROTECT, related_name="held")
    title = models.CharField(max_length=120)
    # Where its form stands, and what was typed into it: name -> list of texts.
    form_path = models.CharField(max_length=200)
    body = models.JSONField()
    photo = models.ForeignKey(
        "prospecting.Photo", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    code = models.CharField(max_length=40)
    sentence = models.TextField()
    held_at = models.DateTimeField(auto_now_add=True)
    outcome = models.CharField(max_length=9, choices=Outcome, blank=True)
    reason = models.CharField(max_length=200, blank=True)
    record_path = models.CharField(max_length=200, blank=True)
    settled_at = models.DateTimeField(null=True, blank=True)
    settled_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )

    class Meta:
        ordering = ["pk"]
        verbose_name_plural = "held entries"
        constraints = [
            models.CheckConstraint(
                name="held_entry_settled_whole",
                condition=models.Q(outcome="", settled_at__isnull=True)
                | (~models.Q(outcome="") & models.Q(settled_at__isnull=False)),
            ),
        ]

    def __str__(self) -> str:
        return self.title

    def get_absolute_url(self) -> str:
        return reverse("held-detail", args=[self.pk])
