from django.conf import settings
from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils.translation import gettext_lazy


class FindingQuerySet(models.QuerySet):
    def standing(self) -> "FindingQuerySet":
        """Findings the group still holds: neither taken back nor replaced by a later one."""
        return self.filter(taken_back_at__isnull=True, replaced_by__isnull=True)

    def for_list(self) -> "FindingQuerySet":
        return self.select_related("additive", "recorded_by", "replaced_by").prefetch_related(
            "evidence__trial"
        )


class Finding(models.Model):
    """What the group concluded, by whom, on what evidence. It stays as written; a later one replaces it."""

    class About(models.TextChoices):
        ADDITIVE = "additive", gettext_lazy("What goes into the water, and how much")
        FLOCCULANT = "flocculant", gettext_lazy("How muddy water is cleared")
        TECHNIQUE = "technique", gettext_lazy("How it is panned")
        GEAR = "gear", gettext_lazy("What it is panned with")
        PREPARING = "preparing", gettext_lazy("How the material is prepared (crush, screen, soak)")
        OTHER = "other", gettext_lazy("Something else")

    class Stand(models.TextChoices):
        DO = "do", gettext_lazy("We do it so from now on")
        DO_NOT = "do_not", gettext_lazy("We don't do it")
        OPEN = "open", gettext_lazy("Not settled yet")

    about = models.CharField(max_length=10, choices=About)
    stand = models.CharField(gettext_lazy("what follows"), max_length=6, choices=Stand)
    sentence = models.CharField(gettext_lazy("what the group concludes"), max_length=240)
    why = models.TextField(gettext_lazy("why"), blank=True)
    # Who sat together; a name need not be a member of the site.
    concluded_by = models.CharField(gettext_lazy("who concluded it"), max_length=200)
    concluded_on = models.DateField(gettext_lazy("day"))
    additive = models.ForeignKey(
        "trials.Additive", on_delete=models.PROTECT, null=True, blank=True, related_name="findings"
    )
    ml_per_l = models.DecimalField(max_digits=12, decimal_places=6, null=True, blank=True)
    dose_typed = models.CharField(max_length=60, blank=True)
    replaced_by = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="replaces"
    )
    taken_back_at = models.DateTimeField(null=True, blank=True)
    taken_back_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    taken_back_reason = models.CharField(max_length=200, blank=True)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField(auto_now_add=True)

    objects = FindingQuerySet.as_manager()

    class Meta:
        ordering = ["-concluded_on", "-pk"]
        constraints = [
            models.CheckConstraint(
                name="finding_dose_positive_of_additive",
                condition=Q(ml_per_l__isnull=True) | Q(ml_per_l__gt=0, additive__isnull=False),
            ),
            models.CheckConstraint(
                name="finding_taken_back_has_reason",
                condition=Q(taken_back_at__isnull=True) | ~Q(taken_back_reason=""),
            ),
        ]

    def __str__(self) -> str:
        return self.sentence

    def get_absolute_url(self) -> str:
        return reverse("finding-detail", args=[self.pk])


class FindingEvidence(models.Model):
    """One trial or clearing test a finding rests on, with its analysis frozen as it stood that day."""

    finding = models.ForeignKey(Finding, on_delete=models.PROTECT, related_name="evidence")
    trial = models.ForeignKey(
        "trials.Trial", on_delete=models.PROTECT, null=True, blank=True, related_name="evidence_for"
    )
    clearing_test = models.ForeignKey(
        "trials.ClearingTest", on_delete=models.PROTECT, null=True, blank=True, related_name="evidence_for"
    )
    # Of every record the analysis read (trials.frames.evidence).
    data_hash = models.CharField(max_length=64)
    # Verdicts and table as they were read that day: sentences and written figures.
    figures = models.JSONField()
    # Of the site and of the libraries that reckoned.
    versions = models.JSONField()
    frozen_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(
                name="evidence_is_one_record",
                condition=Q(trial__isnull=False, clearing_test__isnull=True)
                | Q(trial__isnull=True, clearing_test__isnull=False),
            ),
            models.UniqueConstraint(fields=["finding", "trial"], name="evidence_trial_once"),
            models.UniqueConstraint(fields=["finding", "clearing_test"], name="evidence_clearing_once"),
        ]

    def __str__(self) -> str:
        return str(self.trial or self.clearing_test)
