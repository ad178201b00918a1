import datetime

from django.conf import settings
from django.db import connection, models
from django.db.models import Func, Max, Min, Q
from django.db.models.functions import Coalesce
from django.urls import reverse
from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase

# A line without a seal for longer than this was not just being written.
LATE = datetime.timedelta(minutes=1)
# How the device of a line begins that a program recorded, by a token.
TOKEN_DEVICE = "API token: "


class JournalEntryQuerySet(models.QuerySet):
    def about(self, record: models.Model) -> "JournalEntryQuerySet":
        return self.filter(subject_kind=record._meta.model_name, subject_id=record.pk)

    def about_records(self) -> "JournalEntryQuerySet":
        """Without the lines about no record: sign-ins, refusals, books and positions that left."""
        return self.exclude(subject_id=0)

    def of_visits(self) -> "JournalEntryQuerySet":
        """Lines of a member who was here: not what a program recorded, and not that somebody was refused."""
        return self.exclude(subject_kind="refusal").exclude(device__startswith=TOKEN_DEVICE)

    def looks_at_keys(self) -> "JournalEntryQuerySet":
        return self.filter(Q(subject_kind="trial", what="opened the mixing sheet") | Q(subject_kind="peek"))

    def between(
        self, begin: datetime.datetime | None, end: datetime.datetime | None
    ) -> "JournalEntryQuerySet":
        """Lines from `begin` on and before `end`; None is no limit."""
        limits = {"at__gte": begin, "at__lt": end}
        limits = {name: moment for name, moment in limits.items() if moment is not None}
        if not limits:
            return self
        # Lines are read in the order of their ids. The ids at both ends of the days let the database walk those alone; by their
        # times it would fetch and sort all of a year's lines for one page. Ids and times can differ in order by moments, so
        # the times are looked at too, in a way that no index answers.
        ids = JournalEntry.objects.order_by().filter(**limits).aggregate(first=Min("pk"), last=Max("pk"))
        if ids["first"] is None:
            return self.none()
        near = self.alias(time=Coalesce("at", "at")).filter(pk__gte=ids["first"], pk__lte=ids["last"])
        return near.filter(**{name.replace("at", "time", 1): moment for name, moment in limits.items()})

    def unsealed(self) -> "JournalEntryQuerySet":
        return self.filter(seal__isnull=True)

    def left_unsealed(self) -> "JournalEntryQuerySet":
        """Lines without a seal that are not just being written: on SQLite a line comes with its seal."""
        unsealed = self.unsealed()
        if connection.vendor == "sqlite":
            return unsealed
        # By when the transaction began and not by the clock: in a long one a line that was just being written then, and sealed
        # since, still looks unsealed.
        began = Func(function="transaction_timestamp", output_field=models.DateTimeField())
        return unsealed.filter(at__lt=began - LATE)

    def kinds(self) -> list[str]:
        """Every kind of record the journal speaks of, by one seek in the index for each, however long the journal is."""
        with connection.cursor() as cursor:
            cursor.execute(
                """
                WITH RECURSIVE kinds(kind) AS (
                    SELECT MIN(subject_kind) FROM prospecting_journalentry
                    UNION ALL
                    SELECT (SELECT MIN(subject_kind) FROM prospecting_journalentry WHERE subject_kind > kind)
                    FROM kinds WHERE kind IS NOT NULL
                )
                SELECT kind FROM kinds WHERE kind IS NOT NULL
                """
            )
            return [kind for (kind,) in cursor.fetchall()]


class JournalEntry(models.Model):
    """Who changed what, when, on which device, and why. Only ever added to: the database refuses anything else."""

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
        verbose_name_plural = gettext_lazy("journal entries")
        indexes = [
            models.Index(fields=["subject_kind", "subject_id", "-id"], name="journal_by_subject"),
            models.Index(fields=["subject_kind", "-id"], name="journal_by_kind"),
            models.Index(fields=["at", "id"], name="journal_by_time"),
        ]

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
        return phrase("Seal {number}", number=self.number)


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
        verbose_name_plural = gettext_lazy("deliveries")
        indexes = [models.Index(fields=["record_path"], name="delivery_by_record")]

    def __str__(self) -> str:
        return str(self.identity)


class HeldEntry(models.Model):
    """An entry from a phone that came too late: its lot no longer holds what it takes. A keeper decides what becomes of it."""

    class Outcome(models.TextChoices):
        RECORDED = "recorded", gettext_lazy("Recorded")
        SET_ASIDE = "set_aside", gettext_lazy("Set aside, with the reason")

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
        verbose_name_plural = gettext_lazy("held entries")
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
