from django.conf import settings
from django.db import models
from django.urls import reverse


class Photo(models.Model):
    """A picture, redrawn on a fresh canvas when it came in, so that no position or other hidden data is left in it."""

    file = models.FileField(upload_to="%Y/%m")
    width_px = models.PositiveIntegerField()
    height_px = models.PositiveIntegerField()
    added_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    added_at = models.DateTimeField(auto_now_add=True)

    def __str__(self) -> str:
        return f"Photo {self.pk}"

    def get_absolute_url(self) -> str:
        return reverse("photo", args=[self.pk])
