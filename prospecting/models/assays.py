import re
from collections.abc import Iterable
from decimal import Decimal
from typing import NamedTuple

from django.conf import settings
from django.db import models
from django.db.models import Case, Count, F, Q, Value, When
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext_lazy

from prospecting.calc.codes import read_tag
from prospecting.calc.language import phrase, to_phrase


class LaboratoryQuerySet(models.QuerySet):
    def with_dispatch_count(self) -> "LaboratoryQuerySet":
        """Annotates `dispatch_count`."""
        return self.annotate(dispatch_count=Count("dispatches"))


class Laboratory(models.Model):
    name = models.CharField(max_length=100, unique=True)
    # What it says it takes from receipt to return; the page of laboratories sets it beside what it took.
    turnaround_days = models.PositiveSmallIntegerField(
        gettext_lazy("days it says it takes"), null=True, blank=True
    )
    note = models.TextField(blank=True)

    objects = LaboratoryQuerySet.as_manager()

    class Meta:
        ordering = ["name"]
        verbose_name_plural = gettext_lazy("laboratories")

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("laboratory-list")


class ReferenceMaterialQuerySet(models.QuerySet):
    def in_use(self) -> "ReferenceMaterialQuerySet":
        """Materials of which packets may still be sent."""
        return self.filter(is_retired=False)

    def of_kind(self, kind: str) -> "ReferenceMaterialQuerySet":
        return self.filter(kind=kind)

    def with_sample_count(self) -> "ReferenceMaterialQuerySet":
        """Annotates `sample_count`, the packets of it under a tag."""
        return self.annotate(sample_count=Count("samples"))


class ReferenceMaterial(models.Model):
    """Material sent along to check a laboratory: of a certified grade, or known to hold no gold worth naming."""

    class Kind(models.TextChoices):
        REFERENCE = "reference", gettext_lazy("Reference material (certified grade)")
        BLANK = "blank", gettext_lazy("Blank material (barren rock)")

    class PlusMinus(models.TextChoices):
        ONE_SD = "one_sd", gettext_lazy("one standard deviation between laboratories")
        TWO_SD = "two_sd", gettext_lazy("two standard deviations between laboratories")
        CONFIDENCE_95 = "confidence_95", gettext_lazy("95 % confidence limit of the mean")
        EXPANDED = "expanded", gettext_lazy("expanded uncertainty (k = 2) of the mean")
        UNSAID = "unsaid", gettext_lazy("the certificate does not say")

    name = models.CharField(max_length=80, unique=True)
    kind = models.CharField(max_length=10, choices=Kind)
    # As the certificate prints them, in `unit` (a key of readers.titles.GRADE_UNITS), beside what they mean.
    certified_typed = models.CharField(max_length=24, blank=True)
    plus_minus_typed = models.CharField(max_length=24, blank=True)
    unit = models.CharField(max_length=24, blank=True)
    certified_g_per_t = models.DecimalField(max_digits=14, decimal_places=6, null=True, blank=True)
    plus_minus_g_per_t = models.DecimalField(max_digits=14, decimal_places=6, null=True, blank=True)
    plus_minus_kind = models.CharField(max_length=16, choices=PlusMinus, blank=True)
    # The standard deviation between laboratories where the certificate gives it beside another kind of plus or minus.
    sd_typed = models.CharField(max_length=24, blank=True)
    sd_g_per_t = models.DecimalField(max_digits=14, decimal_places=6, null=True, blank=True)
    certified_method = models.CharField(gettext_lazy("method it is certified for"), max_length=80, blank=True)
    packet_g = models.DecimalField(
        gettext_lazy("mass of one packet"), max_digits=9, decimal_places=2, null=True, blank=True
    )
    packet_typed = models.CharField(max_length=40, blank=True)
    note = models.TextField(blank=True)
    is_retired = models.BooleanField(default=False)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField(auto_now_add=True)

    objects = ReferenceMaterialQuerySet.as_manager()

    class Meta:
        ordering = ["kind", "name"]
        constraints = [
            models.CheckConstraint(
                name="reference_has_grade_blank_has_none",
                condition=Q(kind="reference", certified_g_per_t__gt=0)
                & (Q(plus_minus_g_per_t__isnull=True) | Q(plus_minus_g_per_t__gt=0) & ~Q(plus_minus_kind=""))
                | Q(
                    kind="blank",
                    certified_g_per_t__isnull=True,
                    plus_minus_g_per_t__isnull=True,
                    sd_g_per_t__isnull=True,
                    plus_minus_kind="",
                ),
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("material-detail", args=[self.pk])

    @property
    def between_laboratories_sd_g_per_t(self) -> Decimal | None:
        """One standard deviation between laboratories, from whichever way the certificate states it; None where it doesn't."""
        if self.sd_g_per_t is not None:
            return self.sd_g_per_t
        if self.plus_minus_kind == self.PlusMinus.ONE_SD:
            return self.plus_minus_g_per_t
        if self.plus_minus_kind == self.PlusMinus.TWO_SD and self.plus_minus_g_per_t is not None:
            return self.plus_minus_g_per_t / 2
        return None


# Where a dispatch stands.
PACKING, WAITING = to_phrase("being packed"), to_phrase("waiting for return")
IN_PART, RETURNED = to_phrase("returned in part"), to_phrase("returned")


class DispatchQuerySet(models.QuerySet):
    def with_state(self) -> "DispatchQuerySet":
        """Annotates `sample_count`, `answered_count` (samples the laboratory said anything about), `return_state` (what
        `state` says), and `is_overdue` (the expected day has passed and not every sample is answered)."""
        answered = Q(samples__readings__symbol__in=Reading.ANSWERS)
        all_answered = Q(answered_count__gte=F("sample_count"))
        return self.annotate(
            sample_count=Count("samples", distinct=True),
            answered_count=Count("samples", filter=answered, distinct=True),
        ).annotate(
            return_state=Case(
                When(sent_on__isnull=True, then=Value(PACKING)),
                When(answered_count=0, then=Value(WAITING)),
                When(all_answered, then=Value(RETURNED)),
                default=Value(IN_PART),
            ),
            is_overdue=Case(
                When(
                    ~all_answered & Q(sent_on__isnull=False, expected_on__lt=timezone.localdate()),
                    then=Value(True),
                ),
                default=Value(False),
            ),
        )


class Dispatch(models.Model):
    """What went to which laboratory on a day, each sample under a tag that tells the laboratory nothing."""

    class Method(models.TextChoices):
        FIRE_15 = "fire_15", gettext_lazy("Fire assay, 15 g charge")
        FIRE_30 = "fire_30", gettext_lazy("Fire assay, 30 g charge")
        FIRE_50 = "fire_50", gettext_lazy("Fire assay, 50 g charge")
        SCREEN_FIRE = "screen_fire", gettext_lazy("Screen fire assay")
        AQUA_REGIA = "aqua_regia", gettext_lazy("Aqua regia (partial)")
        CYANIDE = "cyanide", gettext_lazy("Bulk cyanide leach (leachable gold)")
        OTHER = "other", gettext_lazy("Other (say in the note)")

    laboratory = models.ForeignKey(Laboratory, on_delete=models.PROTECT, related_name="dispatches")
    # Blank while the parcel is being packed: until then samples and checks may still be changed.
    sent_on = models.DateField(gettext_lazy("day sent"), null=True, blank=True)
    method = models.CharField(max_length=12, choices=Method)
    expected_on = models.DateField(gettext_lazy("return expected"), null=True, blank=True)
    rejects_until = models.DateField(
        gettext_lazy("coarse rejects and assay pulps kept until"), null=True, blank=True
    )
    price_per_sample = models.DecimalField(
        max_digits=10,
        decimal_places=2,
        null=True,
        blank=True,
        help_text=gettext_lazy("In the group's own currency."),
    )
    price_besides = models.DecimalField(
        gettext_lazy("order fee and post"), max_digits=10, decimal_places=2, null=True, blank=True
    )
    preparation = models.CharField(gettext_lazy("how it is to be prepared"), max_length=200, blank=True)
    note = models.TextField(blank=True)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField(auto_now_add=True)

    objects = DispatchQuerySet.as_manager()

    class Meta:
        ordering = [F("sent_on").desc(nulls_first=True), "-pk"]
        verbose_name_plural = gettext_lazy("dispatches")
        constraints = [
            models.CheckConstraint(
                name="dispatch_prices_not_negative",
                condition=(Q(price_per_sample__isnull=True) | Q(price_per_sample__gte=0))
                & (Q(price_besides__isnull=True) | Q(price_besides__gte=0)),
                violation_error_message=gettext_lazy("A price is not below nought."),
            ),
        ]

    def __str__(self) -> str:
        if self.sent_on is None:
            return phrase(
                "Dispatch {number} to {laboratory}, being packed",
                number=self.pk,
                laboratory=self.laboratory,
            )
        return phrase(
            "Dispatch {number} to {laboratory}, {day}",
            number=self.pk,
            laboratory=self.laboratory,
            day=date_format(self.sent_on, "d M Y"),
        )

    def get_absolute_url(self) -> str:
        return reverse("dispatch-detail", args=[self.pk])

    @property
    def state(self) -> str:
        """Where one read `with_state` stands, in words; `RETURNED` as it is, for pages ask for it and say it themselves."""
        return RETURNED if self.return_state == RETURNED else phrase(self.return_state)

    @property
    def days_past_expected(self) -> int:
        """Whole days since the day the return was expected on; 0 before it and where no day is given."""
        if self.expected_on is None:
            return 0
        return max(0, (timezone.localdate() - self.expected_on).days)


class SampleQuerySet(models.QuerySet):
    def of_lots(self, lot_ids) -> "SampleQuerySet":
        """The samples of these lots, given by their ids."""
        return self.filter(lot_id__in=lot_ids)

    def with_value(self) -> "SampleQuerySet":
        """Each sample with its lot and the reading its value stands in, in one query."""
        return self.select_related("lot", "reading_in_use")

    def with_what(self) -> "SampleQuerySet":
        """What lies under each tag (`Sample.what`), in the same query."""
        return self.select_related("lot", "material", "duplicate_of")

    def answered(self) -> "SampleQuerySet":
        """Samples that have a value in use."""
        return self.exclude(in_use_symbol="")

    def of_ground(self) -> "SampleQuerySet":
        """Samples that speak of a lot: neither a check material nor the laboratory's second cut of another sample."""
        return self.filter(lot__isnull=False)

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
        """Annotates `reading_count` without blank cells, and `figure_count` of those one may choose: figures of the whole
        sample in a return that stands."""
        may_count = Q(
            readings__symbol__in=Reading.FIGURES,
            readings__fraction="",
            readings__assay_return__replaced_by__isnull=True,
        )
        return self.annotate(
            reading_count=Count("readings", filter=Q(readings__symbol__in=Reading.ANSWERS)),
            figure_count=Count("readings", filter=may_count),
        )


class ValueInUse(NamedTuple):
    """What a sample counts as: a grade, or the limit it lies below or above; both in g/t."""

    symbol: str
    grade_g_per_t: Decimal | None
    limit_g_per_t: Decimal | None


class Sample(models.Model):
    """One tag of a dispatch: a split of a lot, or a check that looks like one; and which value of it is in use."""

    class Kind(models.TextChoices):
        LOT = "lot", gettext_lazy("Split of a lot")
        DUPLICATE = "duplicate", gettext_lazy("Duplicate")
        REFERENCE = "reference", gettext_lazy("Reference material")
        BLANK = "blank", gettext_lazy("Coarse blank")

    class Stage(models.TextChoices):
        FIELD = "field", gettext_lazy("Field duplicate (a second split from the same lot)")
        COARSE = "coarse", gettext_lazy("Coarse duplicate (the laboratory cuts the crushed sample twice)")
        PULP = "pulp", gettext_lazy("Pulp duplicate (the laboratory weighs the ground powder twice)")

    class Rule(models.TextChoices):
        FIRST = "first", gettext_lazy("first reading of the first return")
        MEAN = "mean", gettext_lazy("mean of all repeats")
        SCREEN = "screen", gettext_lazy("screen fire assay over a charge")
        CHOSEN = "chosen", gettext_lazy("chosen by hand")

        @property
        def meaning(self) -> str:
            """What it does besides, in a sentence."""
            return {
                "first": phrase(
                    "Where it only says “above its limit”, the re-run that found how much counts."
                ),
                "mean": phrase("Only repeats by the first reading's method go into it."),
                "screen": phrase(
                    "It is reckoned from its two fractions; a charge of the same sample stays beside it."
                ),
                "chosen": phrase("A member took this reading; the others stay beside it."),
            }[self.value]

    dispatch = models.ForeignKey(Dispatch, on_delete=models.PROTECT, related_name="samples")
    kind = models.CharField(max_length=10, choices=Kind, default=Kind.LOT)
    lot = models.OneToOneField(
        "prospecting.Lot", on_delete=models.PROTECT, null=True, blank=True, related_name="sample"
    )
    duplicate_of = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="duplicates"
    )
    duplicate_stage = models.CharField(max_length=8, choices=Stage, blank=True)
    material = models.ForeignKey(
        ReferenceMaterial, on_delete=models.PROTECT, null=True, blank=True, related_name="samples"
    )
    tag = models.CharField(max_length=12, unique=True)
    # The order of the laboratory's list, and so of its work: a blank after the richest sample shows what is carried over.
    place = models.PositiveSmallIntegerField(default=0)
    # The rule a member asked for, with the member's reason. It holds for readings to come as well, also while it gives no value
    # and the first reading stands in. Where nobody asked, a reason may say why the first counts again.
    asked_rule = models.CharField(max_length=8, choices=Rule, blank=True)
    asked_reason = models.CharField(max_length=200, blank=True)
    # The value in use is a recorded choice: the rule it stands by today and why, the value itself, and the reading it stands in
    # (or the first of those it was reckoned from).
    reading_in_use = models.ForeignKey(
        "prospecting.Reading", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    in_use_symbol = models.CharField(max_length=18, blank=True)
    in_use_g_per_t = models.DecimalField(max_digits=14, decimal_places=6, null=True, blank=True)
    in_use_limit_g_per_t = models.DecimalField(max_digits=14, decimal_places=6, null=True, blank=True)
    in_use_rule = models.CharField(max_length=8, choices=Rule, default=Rule.FIRST)
    in_use_reason = models.CharField(max_length=200, blank=True)

    objects = SampleQuerySet.as_manager()

    class Meta:
        ordering = ["tag"]
        constraints = [
            models.CheckConstraint(
                name="sample_of_its_kind",
                condition=Q(kind="lot", lot__isnull=False, material__isnull=True, duplicate_of__isnull=True)
                | Q(
                    kind="duplicate",
                    duplicate_of__isnull=False,
                    material__isnull=True,
                    duplicate_stage="field",
                )
                & Q(lot__isnull=False)
                | Q(kind="duplicate", duplicate_of__isnull=False, material__isnull=True, lot__isnull=True)
                & Q(duplicate_stage__in=["coarse", "pulp"])
                | Q(
                    kind__in=["reference", "blank"],
                    material__isnull=False,
                    lot__isnull=True,
                    duplicate_of__isnull=True,
                ),
            ),
            # The same shape as a reading's: a value has a grade, `<` and `>` a limit; nothing in use has neither.
            models.CheckConstraint(
                name="sample_value_or_limit",
                condition=Q(
                    in_use_symbol="",
                    in_use_g_per_t__isnull=True,
                    in_use_limit_g_per_t__isnull=True,
                    reading_in_use__isnull=True,
                )
                | Q(
                    in_use_symbol="value",
                    in_use_g_per_t__gte=0,
                    in_use_limit_g_per_t__isnull=True,
                    reading_in_use__isnull=False,
                )
                | Q(
                    in_use_symbol__in=["below", "above"],
                    in_use_g_per_t__isnull=True,
                    in_use_limit_g_per_t__gt=0,
                    reading_in_use__isnull=False,
                ),
            ),
            # A choice by hand is of one reading and no rule for those to come.
            models.CheckConstraint(
                name="sample_rule_asked_with_reason",
                condition=Q(asked_rule="")
                | Q(asked_rule__in=["first", "mean", "screen"]) & ~Q(asked_reason=""),
            ),
        ]

    def __str__(self) -> str:
        return self.tag

    @property
    def in_use(self) -> ValueInUse | None:
        """The value this sample counts with; None while there is no figure."""
        if not self.in_use_symbol:
            return None
        return ValueInUse(self.in_use_symbol, self.in_use_g_per_t, self.in_use_limit_g_per_t)

    @property
    def by_screen(self) -> bool:
        """Whether the laboratory was asked for a screen fire assay; reads the dispatch."""
        return self.dispatch.method == Dispatch.Method.SCREEN_FIRE

    @property
    def holding_rule(self) -> str:
        """The rule that holds for readings to come, whether it gives a value yet or not; reads the dispatch."""
        if self.in_use_rule == self.Rule.CHOSEN:
            return self.Rule.CHOSEN
        return self.asked_rule or (self.Rule.SCREEN if self.by_screen else self.Rule.FIRST)

    @property
    def awaits_rule(self) -> bool:
        """Whether another rule stands in until the one asked for gives a value."""
        return self.in_use_rule != self.Rule.CHOSEN and self.asked_rule not in ("", self.in_use_rule)

    @property
    def what(self) -> str:
        """What lies under the tag, in words; the laboratory never sees them."""
        if self.lot_id:
            return self.lot.code
        if self.material_id:
            if self.kind == self.Kind.BLANK:
                return phrase("coarse blank {material}", material=self.material)
            return phrase("reference material {material}", material=self.material)
        if self.duplicate_stage == self.Stage.FIELD:
            return phrase("field duplicate of {sample}", sample=self.duplicate_of)
        if self.duplicate_stage == self.Stage.COARSE:
            return phrase("coarse duplicate of {sample}", sample=self.duplicate_of)
        return phrase("pulp duplicate of {sample}", sample=self.duplicate_of)


class AssayReturnQuerySet(models.QuerySet):
    def without_file(self) -> "AssayReturnQuerySet":
        """Leaves the file's bytes in the database; everything else is read."""
        return self.defer("file_bytes")

    def with_reading_count(self) -> "AssayReturnQuerySet":
        """Annotates `reading_count`, without blank cells."""
        return self.annotate(reading_count=Count("readings", filter=Q(readings__symbol__in=Reading.ANSWERS)))

    def standing(self) -> "AssayReturnQuerySet":
        """Returns that no revised certificate has replaced."""
        return self.filter(replaced_by__isnull=True)

    def of_file(self, sha256: str) -> "AssayReturnQuerySet":
        """The return that was read from the file with this hash; none for a text that is no hash."""
        return self.filter(file_sha256=sha256) if re.fullmatch(r"[0-9a-f]{64}", sha256) else self.none()


class AssayReturn(models.Model):
    """What a laboratory sent back: typed in, or read from a file that is kept as it came."""

    class Checks(models.TextChoices):
        NONE = "none", gettext_lazy("no check came back in it")
        PASSED = "passed", gettext_lazy("checks passed")
        FAILED = "failed", gettext_lazy("a check failed")
        ACCEPTED = "accepted", gettext_lazy("a check failed, accepted with a reason")

    dispatch = models.ForeignKey(Dispatch, on_delete=models.PROTECT, related_name="returns")
    # The certificate this one corrects. What it replaces is kept, and its readings count no longer.
    replaces = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="replaced_by"
    )
    # What blanks, reference materials and duplicates say of the whole return. A failed one marks every value in it.
    checks_state = models.CharField(max_length=10, choices=Checks, default=Checks.NONE)
    accepted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    accepted_at = models.DateTimeField(null=True, blank=True)
    accepted_reason = models.CharField(max_length=200, blank=True)
    certificate_number = models.CharField(max_length=60)
    reported_on = models.DateField(gettext_lazy("day reported"))
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
            models.CheckConstraint(
                name="return_accepted_with_reason",
                condition=Q(checks_state="accepted", accepted_by__isnull=False, accepted_at__isnull=False)
                & ~Q(accepted_reason="")
                | ~Q(checks_state="accepted"),
            ),
        ]

    def __str__(self) -> str:
        return phrase("Certificate {number}", number=self.certificate_number)

    def get_absolute_url(self) -> str:
        return reverse("return-detail", args=[self.pk])


class ReadingQuerySet(models.QuerySet):
    def usable(self) -> "ReadingQuerySet":
        """Readings that say something of the grade: a value, below a limit or above one."""
        return self.filter(symbol__in=Reading.FIGURES)

    def standing(self) -> "ReadingQuerySet":
        """Readings of returns that no revised certificate has replaced."""
        return self.filter(assay_return__replaced_by__isnull=True)

    def of_whole(self) -> "ReadingQuerySet":
        """Readings of the whole sample, not of one screen fraction of it."""
        return self.filter(fraction="")

    def in_turn(self) -> "ReadingQuerySet":
        """From the first reading of the first return on: by day reported, then in the order they were printed."""
        return self.order_by("assay_return__reported_on", "assay_return_id", "order", "pk")


class Reading(models.Model):
    """One gold figure of a return, as printed and as understood. Every repeat is kept, in order."""

    class Symbol(models.TextChoices):
        VALUE = "value", gettext_lazy("value")
        BELOW = "below", gettext_lazy("below the detection limit")
        ABOVE = "above", gettext_lazy("above the upper limit")
        NOT_ENOUGH = "not enough sample", gettext_lazy("not enough sample")
        NOT_RECEIVED = "not received", gettext_lazy("listed, not received")
        NOT_ANALYSED = "not analysed", gettext_lazy("not analysed")
        BLANK_CELL = "blank cell", gettext_lazy("blank cell")

    class Fraction(models.TextChoices):
        WHOLE = "", gettext_lazy("whole sample")
        PLUS = "plus", gettext_lazy("plus fraction, assayed whole")
        MINUS = "minus", gettext_lazy("minus fraction")

    # What says something of the grade, and what says anything at all: a blank cell leaves the question open.
    FIGURES = (Symbol.VALUE, Symbol.BELOW, Symbol.ABOVE)
    ANSWERS = (*FIGURES, Symbol.NOT_ENOUGH, Symbol.NOT_RECEIVED, Symbol.NOT_ANALYSED)

    assay_return = models.ForeignKey(AssayReturn, on_delete=models.PROTECT, related_name="readings")
    sample = models.ForeignKey(Sample, on_delete=models.PROTECT, related_name="readings")
    order = models.PositiveSmallIntegerField()
    # The line of the certificate it was printed in: the laboratory's order of work, as far as it is known.
    line_number = models.PositiveIntegerField(null=True, blank=True)
    method = models.CharField(max_length=80, blank=True)
    # The part of a screen fire assay it speaks of, with that part's mass.
    fraction = models.CharField(max_length=5, choices=Fraction, blank=True)
    fraction_mass_g = models.DecimalField(max_digits=10, decimal_places=3, null=True, blank=True)
    raw_text = models.CharField(gettext_lazy("as printed"), max_length=60, blank=True)
    unit = models.CharField(gettext_lazy("unit as printed"), max_length=24)
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


class ColumnReading(models.Model):
    """How a laboratory's tables are read: settled once by a member, remembered by their titles."""

    laboratory = models.ForeignKey(Laboratory, on_delete=models.PROTECT, related_name="column_readings")
    # sha256 of the titles in their order, so that the same table is known again.
    titles_sha256 = models.CharField(max_length=64)
    titles = models.TextField()
    # The member's answers as the form keeps them: which column is what, in which unit.
    answers = models.JSONField()
    settled_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    settled_at = models.DateTimeField(auto_now=True)

    class Meta:
        ordering = ["laboratory", "pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["laboratory", "titles_sha256"], name="columns_once_per_laboratory"
            ),
        ]

    def __str__(self) -> str:
        return phrase("Columns of {laboratory}", laboratory=self.laboratory)
