from django.contrib.auth.models import AbstractUser
from django.db import models
from django.urls import reverse


class Member(AbstractUser):
    """Someone who signs in. A guest reads, a member also writes, a keeper also manages."""

    class Role(models.TextChoices):
        GUEST = "guest", "Guest (reads, never sees positions)"
        MEMBER = "member", "Member (reads and records)"
        KEEPER = "keeper", "Keeper (also members, claims, voids)"

    class MassUnit(models.TextChoices):
        LB = "lb", "pounds"
        KG = "kg", "kilograms"

    class GradeUnit(models.TextChoices):
        OZT_PER_SHORT_TON = "ozt_per_short_ton", "troy ounces per short ton"
        G_PER_T = "g_per_t", "grams per tonne"

    class DoseUnit(models.TextChoices):
        TSP_PER_US_GAL = "tsp_per_us_gal", "teaspoons per US gallon"
        ML_PER_L = "ml_per_l", "mL per litre"

    role = models.CharField(max_length=10, choices=Role, default=Role.MEMBER)
    mass_unit = models.CharField("ore and material in", max_length=4, choices=MassUnit, default=MassUnit.LB)
    grade_unit = models.CharField(
        "grade in", max_length=20, choices=GradeUnit, default=GradeUnit.OZT_PER_SHORT_TON
    )
    dose_unit = models.CharField("dose in", max_length=16, choices=DoseUnit, default=DoseUnit.TSP_PER_US_GAL)

    class Meta:
        ordering = ["username"]
        constraints = [
            models.CheckConstraint(
                name="member_role_known", condition=models.Q(role__in=["guest", "member", "keeper"])
            ),
        ]

    def __str__(self) -> str:
        return self.get_full_name() or self.username

    def get_absolute_url(self) -> str:
        return reverse("member-list")

    @property
    def can_write(self) -> bool:
        return self.is_active and self.role in (self.Role.MEMBER, self.Role.KEEPER)

    @property
    def is_keeper(self) -> bool:
        return self.is_active and self.role == self.Role.KEEPER
