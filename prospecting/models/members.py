from django.conf import settings
from django.contrib.auth.models import AbstractUser
from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase


class Member(AbstractUser):
    """Someone who signs in. A guest reads, a member also writes, a keeper also manages."""

    class Role(models.TextChoices):
        GUEST = "guest", gettext_lazy("Guest (reads, never sees positions)")
        MEMBER = "member", gettext_lazy("Member (reads and records)")
        KEEPER = "keeper", gettext_lazy("Keeper (also members, claims, voids)")

    class MassUnit(models.TextChoices):
        LB = "lb", gettext_lazy("pounds")
        KG = "kg", gettext_lazy("kilograms")

    class GradeUnit(models.TextChoices):
        OZT_PER_SHORT_TON = "ozt_per_short_ton", gettext_lazy("troy ounces per short ton")
        G_PER_T = "g_per_t", gettext_lazy("grams per tonne")

    class DoseUnit(models.TextChoices):
        TSP_PER_US_GAL = "tsp_per_us_gal", gettext_lazy("teaspoons per US gallon")
        ML_PER_L = "ml_per_l", gettext_lazy("mL per litre")

    class DecimalMark(models.TextChoices):
        POINT = ".", gettext_lazy("a point: 1,234.5")
        COMMA = ",", gettext_lazy("a comma: 1 234,5")

    role = models.CharField(max_length=10, choices=Role, default=Role.MEMBER)
    mass_unit = models.CharField(
        gettext_lazy("ore and material in"), max_length=4, choices=MassUnit, default=MassUnit.LB
    )
    grade_unit = models.CharField(
        gettext_lazy("grade in"), max_length=20, choices=GradeUnit, default=GradeUnit.OZT_PER_SHORT_TON
    )
    dose_unit = models.CharField(
        gettext_lazy("dose in"), max_length=16, choices=DoseUnit, default=DoseUnit.TSP_PER_US_GAL
    )
    decimal_mark = models.CharField(
        gettext_lazy("decimals after"), max_length=1, choices=DecimalMark, default=DecimalMark.POINT
    )

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


class InvitationQuerySet(models.QuerySet):
    def still_open(self) -> "InvitationQuerySet":
        """Those by which somebody can join; with the keeper who invited, the invitation goes."""
        return self.filter(
            joined_as=None,
            withdrawn_at=None,
            expires_at__gt=timezone.now(),
            invited_by__role=Member.Role.KEEPER,
            invited_by__is_active=True,
        )


class Invitation(models.Model):
    """A link by which one person joins, with a password of their own. Only a hash of its key is kept."""

    key_sha256 = models.CharField(max_length=64, unique=True)
    # Whom it was meant for, in the keeper's words.
    meant_for = models.CharField(gettext_lazy("for whom"), max_length=120)
    role = models.CharField(max_length=10, choices=Member.Role, default=Member.Role.MEMBER)
    invited_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    invited_at = models.DateTimeField(auto_now_add=True)
    expires_at = models.DateTimeField()
    joined_as = models.OneToOneField(
        settings.AUTH_USER_MODEL,
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="invitation",
    )
    joined_at = models.DateTimeField(null=True, blank=True)
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    objects = InvitationQuerySet.as_manager()

    class Meta:
        ordering = ["-pk"]
        constraints = [
            models.CheckConstraint(
                name="invitation_role_known", condition=Q(role__in=["guest", "member", "keeper"])
            ),
            models.CheckConstraint(
                name="invitation_joined_whole",
                condition=Q(joined_as__isnull=True, joined_at__isnull=True)
                | Q(joined_as__isnull=False, joined_at__isnull=False, withdrawn_at__isnull=True),
            ),
        ]

    def __str__(self) -> str:
        # Not whom it is for: every member reads the journal.
        return phrase("Invitation {number}", number=self.pk)

    def get_absolute_url(self) -> str:
        return reverse("invitation-list")

    @property
    def past(self) -> str:
        """What became of one that is no longer open."""
        if self.joined_as_id:
            return phrase("used")
        if self.withdrawn_at:
            return phrase("withdrawn")
        if self.expires_at > timezone.now() and not self.invited_by.is_keeper:
            return phrase("its keeper is no keeper any more")
        return phrase("run out")


class SignIn(models.Model):
    """One device a member is signed in on: what its member sees and can end."""

    member = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="sign_ins")
    session_key = models.CharField(max_length=40, unique=True)
    device = models.CharField(max_length=200, blank=True)
    began_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["-began_at"]

    def __str__(self) -> str:
        day = f"{self.began_at:%Y-%m-%d}"
        return phrase("{member} since {day}", member=self.member, day=day)


class ApiToken(models.Model):
    """A key by which a program reads, or reads and records, as one member. Only a hash of it is kept."""

    member = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="api_tokens")
    name = models.CharField(gettext_lazy("what it is for"), max_length=80)
    key_sha256 = models.CharField(max_length=64, unique=True)
    may_record = models.BooleanField(gettext_lazy("may also record runs"), default=False)
    made_at = models.DateTimeField(auto_now_add=True)
    expires_at = models.DateTimeField()
    # The day only: a read must not write at every request.
    last_used_on = models.DateField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-pk"]

    def __str__(self) -> str:
        return self.name

    @property
    def is_over(self) -> bool:
        return self.ended_at is not None or self.expires_at <= timezone.now()
