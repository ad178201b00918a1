from django.conf import settings
from django.db import models
from django.db.models import Q
from django.urls import reverse


class OldSheet(models.Model):
    """A list of buckets and pans kept before the site, taken into the books; what each column was read as stays with it."""

    file_name = models.CharField(max_length=200)
    # Of the file's bytes: the same file is taken in once, unless it was taken back.
    sha256 = models.CharField(max_length=64)
    columns = models.JSONField(default=dict)
    line_count = models.PositiveIntegerField()
    note = models.TextField(blank=True)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField(auto_now_add=True)
    voided_at = models.DateTimeField(null=True, blank=True)
    voided_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    void_reason = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["-pk"]
        constraints = [
            models.UniqueConstraint(
                name="old_sheet_taken_once", fields=["sha256"], condition=Q(voided_at__isnull=True)
            ),
            models.CheckConstraint(
                name="old_sheet_void_has_reason",
                condition=Q(voided_at__isnull=True) | (Q(voided_by__isnull=False) & ~Q(void_reason="")),
            ),
        ]

    def __str__(self) -> str:
        return self.file_name

    def get_absolute_url(self) -> str:
        return reverse("old-sheet-detail", args=[self.pk])

    @property
    def is_void(self) -> bool:
        return self.voided_at is not None
