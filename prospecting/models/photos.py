from django.conf import settings
from django.db import models
from django.urls import reverse

from prospecting.calc.language import phrase


class Photo(models.Model):
    """A picture, redrawn on a fresh canvas when it came in, so that no position or other hidden data is left in it."""

    file = models.FileField(upload_to="%Y/%m")
    # Of the file and the small one together; blank where a file was missing when this was first measured.
    size_bytes = models.BigIntegerField(null=True, blank=True)
    width_px = models.PositiveIntegerField()
    height_px = models.PositiveIntegerField()
    # A small one for lists; blank for pictures kept before there were small ones.
    thumb = models.FileField(upload_to="%Y/%m", blank=True)
    # From the scale bar in the picture: how many of its pixels are a millimetre.
    px_per_mm = models.DecimalField(max_digits=10, decimal_places=4, null=True, blank=True)
    added_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    added_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="photo_scale_positive",
                condition=models.Q(px_per_mm__isnull=True) | models.Q(px_per_mm__gt=0),
            ),
        ]

    def __str__(self) -> str:
        return phrase("Photo {number}", number=self.pk)

    def get_absolute_url(self) -> str:
        return reverse("photo", args=[self.pk])

    def get_thumb_url(self) -> str:
        return reverse("photo-thumb", args=[self.pk])

    def get_scale_url(self) -> str:
        return reverse("photo-scale", args=[self.pk])
