from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils.translation import gettext_lazy


class Additive(models.Model):
    """A product put into the tub water, with what its bottle costs."""

    class Kind(models.TextChoices):
        WETTING = "wetting", gettext_lazy("Wetting agent")
        FLOCCULANT = "flocculant", gettext_lazy("Flocculant")
        OTHER = "other", gettext_lazy("Other")

    name = models.CharField(max_length=80, unique=True)
    kind = models.CharField(max_length=12, choices=Kind)
    bottle_ml = models.DecimalField(
        gettext_lazy("bottle holds"), max_digits=10, decimal_places=2, null=True, blank=True
    )
    bottle_typed = models.CharField(max_length=40, blank=True)
    price = models.DecimalField(
        gettext_lazy("price of a bottle"), max_digits=10, decimal_places=2, null=True, blank=True
    )
    currency = models.CharField(max_length=12, blank=True)
    priced_on = models.DateField(gettext_lazy("price of the day"), null=True, blank=True)
    note = models.TextField(blank=True)

    class Meta:
        ordering = ["kind", "name"]
        constraints = [
            models.CheckConstraint(
                name="additive_bottle_positive", condition=Q(bottle_ml__isnull=True) | Q(bottle_ml__gt=0)
            ),
            models.CheckConstraint(
                name="additive_price_not_negative", condition=Q(price__isnull=True) | Q(price__gte=0)
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("additive-detail", args=[self.pk])
