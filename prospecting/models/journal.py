from django.conf import settings
from django.db import models


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


class Delivery(models.Model):
    """One form or phone entry, by the identity it was born with: made once however often it is sent."""

    identity = models.UUIDField(unique=True)
    member = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    body_sha256 = models.CharField(max_length=64)
    record_path = models.CharField(max_length=200, blank=True)
    delivered_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        verbose_name_plural = "deliveries"

    def __str__(self) -> str:
        return str(self.identity)
