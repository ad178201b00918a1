import re
from collections.abc import Iterable

from django.conf import settings
from django.db import models
from django.db.models import Case, Count, F, Q, Value, When
from django.urls import reverse
from django.utils import timezone

from prospecting.calc.codes import read_tag


class LaboratoryQuerySet(models.QuerySet):
    def with_dispatch_count(self) -> "LaboratoryQuerySet":
        """Annotates `dispatch_count`."""
        return self.annotate(dispatch_count=Count("dispatches"))


class Laboratory(models.Model):
    name = models.CharField(max_length=100, unique=True)
    note = models.TextField(blank=True)

    objects = LaboratoryQuerySet.as_manager()

    class Meta:
        ordering = ["name"]
        verbose_name_plural = "laboratories"

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("laboratory-list")


class DispatchQuerySet(models.QuerySet):
    def with_state(self) -> "DispatchQuerySet":
        """Annotates `sample_count`, `answered_count` (samples the laboratory said anything about), `state` in words, and
        `is_overdue` (the expected day has passed and not every sample is answered)."""
        answered = Q(samples__readings__symbol__in=Reading.ANSWERS)
        all_answered = Q(answered_count__gte=F("sample_count"))
        return self.annotate(
            sample_count=Count("samples", distinct=True),
            answered_count=Count("samples", filter=answered, distinct=True),
        ).annotate(
            state=Case(
                When(answered_count=0, then=Value("waiting for return")),
                When(all_answered, then=Value("returned")),
                default=Value("returned in part"),
            ),
            is_overdue=Case(
                When(~all_answered & Q(expected_on__lt=timezone.localdate()), then=Value(True)),
                default=Value(False),
            ),
        )


class Dispatch(models.Model):
    """What went to which laboratory on a day, each sample under a tag that tells the laboratory nothing."""

    class Method(models.TextChoices):
        FIRE_15 = "fire_15", "Fire assay, 15 g charge"
        FIRE_30 = "fire_30", "Fire assay, 30 g charge"
        FIRE_50 = "fire_50", "Fire assay, 50 g charge"
        SCREEN_FIRE = "screen_fire", "Screen fire assay"
        AQUA_REGIA = "aqua_regia", "Aqua regia (partial)"
        CYANIDE = "cyanide", "Bulk cyanide leach (leachable gold)"
        OTHER = "other", "Other (say in the note)"

    laboratory = models.ForeignKey(Laboratory, on_delete=models.PROTECT, related_name="dispatches")
    sent_on = models.DateField("day sent")
    method = models.CharField(max_length=12, choices=Method)
    expected_on = models.DateField("return expected", null=True, blank=True)
    note = models.TextField(blank=True)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField(auto_now_add=True)

    objects = DispatchQuerySet.as_manager()

    class Meta:
        ordering = ["-sent_on", "-pk"]
        verbose_name_plural = "dispatches"

    def __str__(self) -> str:
        return f"Dispatch {self.pk} to {self.laboratory}, {self.sent_on:%d %b %Y}"

    def get_absolute_url(self) -> str:
        return reverse("dispatch-detail", args=[self.pk])


class SampleQuerySet(models.QuerySet):
    def of_lots(self, lot_ids) -> "SampleQuerySet":
        """The samples of these lots, given by their ids."""
        return self.filter(lot_id__in=lot_ids)

    def with_value(self) -> "SampleQuerySet":
        """Each sample with its lot and the reading in use (`None` where the laboratory gave no figure yet), in one query."""
        return self.select_related("lot", "reading_in_use")

    def by_printed_tag(self, texts: Iterable[str]) -> "dict[str, Sample]":
        """Each printed text that is the tag of one of these samples, mapped to it; blanks and look-alike signs mended."""
        samples = {sample.tag: sample for sample in self.select_related("lot")}
        found = {}
        for text in texts:
            try:
                tag = text if text in samples else read_tag(text)
            except ValueError:
                continue
            if tag in samples:
                found[text] = samples[tag]
        return found

    def with_reading_counts(self) -> "SampleQuerySet":
        """Annotates `reading_count` without blank cells, and `figure_count` of those that say something of the grade."""
        return self.annotate(
            reading_count=Count("readings", filter=Q(readings__symbol__in=Reading.ANSWERS)),
            figure_count=Count("readings", filter=Q(readings__symbol__in=Reading.FIGURES)),
        )


class Sample(models.Model):
    """One lot of a dispatch under its tag, and which of its readings is in use."""

    class Rule(models.TextChoices):
        FIRST = "first", "first reading of the first return"
        CHOSEN = "chosen", "chosen by hand"

    dispatch = models.ForeignKey(Dispatch, on_delete=models.PROTECT, related_name="samples")
    lot = models.OneToOneField("prospecting.Lot", on_delete=models.PROTECT, related_name="sample")
    tag = models.CharField(max_length=12, unique=True)
    # The value in use is a recorded choice: the reading, the rule, and a reason where a member chose by hand.
    reading_in_use = models.ForeignKey(
        "prospecting.Reading", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    in_use_rule = models.CharField(max_length=8, choices=Rule, default=Rule.FIRST)
    in_use_reason = models.CharField(max_length=200, blank=True)

    objects = SampleQuerySet.as_manager()

    class Meta:
        ordering = ["tag"]

    def __str__(self) -> str:
        return self.tag


class AssayReturnQuerySet(models.QuerySet):
    def without_file(self) -> "AssayReturnQuerySet":
        """Leaves the file's bytes in the database; everything else is read."""
        return self.defer("file_bytes")

    def with_reading_count(self) -> "AssayReturnQuerySet":
        """Annotates `reading_count`, without blank cells."""
        return self.annotate(reading_count=Count("readings", filter=Q(readings__symbol__in=Reading.ANSWERS)))

    def of_file(self, sha256: str) -> "AssayReturnQuerySet":
        """The return that was read from the file with this hash; none for a text that is no hash."""
        return self.filter(file_sha256=sha256) if re.fullmatch(r"[0-9a-f]{64}", sha256) else self.none()


class AssayReturn(models.Model):
    """What a laboratory sent back: typed in, or read from a file that is kept as it came."""

    dispatch = models.ForeignKey(Dispatch, on_delete=models.PROTECT, related_name="returns")
    certificate_number = models.CharField(max_length=60)
    reported_on = models.DateField("day reported")
    file_name = models.CharField(max_length=120, blank=True)
    file_sha256 = models.CharField(max_length=64, null=True, blank=True, unique=True)
    # The file byte for byte, so that it can be given back and read again.
    file_bytes = models.BinaryField(null=True, blank=True)
    note = models.TextField(blank=True)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField(auto_now_add=True)

    objects = AssayReturnQuerySet.as_manager()

    class Meta:
        ordering = ["reported_on", "pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["dispatch", "certificate_number"], name="certificate_once_per_dispatch"
            ),
        ]

    def __str__(self) -> str:
        return f"Certificate {self.certificate_number}"

    def get_absolute_url(self) -> str:
        return reverse("return-detail", args=[self.pk])


class ReadingQuerySet(models.QuerySet):
    def usable(self) -> "ReadingQuerySet":
        """Readings that say something of the grade: a value, below a limit or above one."""
        return self.filter(symbol__in=Reading.FIGURES)

    def in_turn(self) -> "ReadingQuerySet":
        """From the first reading of the first return on: by day reported, then in the order they were printed."""
        return self.order_by("assay_return__reported_on", "assay_return_id", "order", "pk")


class Reading(models.Model):
    """One gold figure of a return, as printed and as understood. Every repeat is kept, in order."""

    class Symbol(models.TextChoices):
        VALUE = "value", "value"
        BELOW = "below", "below the detection limit"
        ABOVE = "above", "above the upper limit"
        NOT_ENOUGH = "not enough sample", "not enough sample"
        NOT_RECEIVED = "not received", "listed, not received"
        NOT_ANALYSED = "not analysed", "not analysed"
        BLANK_CELL = "blank cell", "blank cell"

    # What says something of the grade, and what says anything at all: a blank cell leaves the question open.
    FIGURES = (Symbol.VALUE, Symbol.BELOW, Symbol.ABOVE)
    ANSWERS = (*FIGURES, Symbol.NOT_ENOUGH, Symbol.NOT_RECEIVED, Symbol.NOT_ANALYSED)

    assay_return = models.ForeignKey(AssayReturn, on_delete=models.PROTECT, related_name="readings")
    sample = models.ForeignKey(Sample, on_delete=models.PROTECT, related_name="readings")
    order = models.PositiveSmallIntegerField()
    method = models.CharField(max_length=80, blank=True)
    raw_text = models.CharField("as printed", max_length=60, blank=True)
    unit = models.CharField("unit as printed", max_length=24)
    symbol = models.CharField(max_length=18, choices=Symbol)
    grade_g_per_t = models.DecimalField(max_digits=14, decimal_places=6, null=True, blank=True)
    limit_g_per_t = models.DecimalField(max_digits=14, decimal_places=6, null=True, blank=True)

    objects = ReadingQuerySet.as_manager()

    class Meta:
        ordering = ["assay_return_id", "order", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["assay_return", "sample", "order"], name="reading_order_once"),
            # A value has a grade, `<` and `>` have a limit, everything else has neither: never a nought or a text in its place.
            models.CheckConstraint(
                name="reading_value_or_limit",
                condition=Q(symbol="value", grade_g_per_t__gte=0, limit_g_per_t__isnull=True)
                | Q(symbol__in=["below", "above"], grade_g_per_t__isnull=True, limit_g_per_t__gt=0)
                | (
                    ~Q(symbol__in=["value", "below", "above"])
                    & Q(grade_g_per_t__isnull=True, limit_g_per_t__isnull=True)
                ),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.sample}: {self.raw_text} {self.unit}"
