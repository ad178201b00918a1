from django.conf import settings
from django.db import models
from django.db.models import Case, F, Q, When
from django.urls import reverse
from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.models import Lot, Step
from trials.models.trials import PlannedRun, Trial


class RunQuerySet(models.QuerySet):
    def standing(self) -> "RunQuerySet":
        """Runs that are neither failed nor voided: those whose result counts."""
        return self.filter(failed=False, step__voided_at__isnull=True)

    def unblinded(self) -> "RunQuerySet":
        """Runs whose treatment may be shown: test pans, and trial runs whose block is closed."""
        return self.filter(Q(planned__isnull=True) | Q(planned__block__closed_at__isnull=False))

    def untreated(self) -> "RunQuerySet":
        """Test pans, and of closed blocks control and bridging runs: what the untreated material gave."""
        bridging = Q(planned__trial__new_lot__isnull=False)
        return self.unblinded().filter(
            Q(planned__isnull=True) | Q(planned__treatment__is_control=True) | bridging
        )

    def for_list(self) -> "RunQuerySet":
        """With all that a line of the list shows. The treatment is left where it is: a list never tells a key."""
        return self.select_related(
            "lot", "step", "panner", "planned__trial", "planned__block"
        ).prefetch_related("colours")

    def for_detail(self) -> "RunQuerySet":
        return self.select_related(
            "lot",
            "step",
            "panner",
            "photo",
            "planned__block",
            "planned__treatment",
            "planned__trial",
            "recorded_by",
            "guess_treatment",
            "tails_pan__panner",
            "tails_pan__recorded_by",
            "settled_mud__panner",
            "settled_mud__recorded_by",
        ).prefetch_related("colours", "weighings")

    def blind_bridges(self) -> "RunQuerySet":
        """Runs of a bridging trial whose block is open: the lot they drew from is their key."""
        # From the few trials onward: asked by joins, SQLite goes through all runs there are.
        bridges = Trial.objects.filter(new_lot__isnull=False).order_by().values("pk")
        planned = PlannedRun.objects.filter(trial__in=bridges, block__closed_at__isnull=True)
        return self.filter(planned__in=planned.order_by().values("pk"))

    def with_known_lot(self) -> "RunQuerySet":
        """Runs whose lot may be told: all but the blind bridges."""
        return self.exclude(pk__in=Run.objects.blind_bridges().order_by().values("pk"))

    def with_known_lot_code(self) -> "RunQuerySet":
        """Annotates `known_lot`, the code of the lot; none for a blind bridge."""
        blind = Q(planned__trial__new_lot__isnull=False, planned__block__closed_at__isnull=True)
        return self.annotate(known_lot=Case(When(blind, then=None), default=F("lot__code")))

    def of_feed(self, lot) -> "RunQuerySet":
        """Runs of this lot itself and of portions or splits taken straight from it."""
        # Not by a join: a run of a blend would come once for every lot that went into it.
        straight = Step.objects.filter(kind__in=[Step.Kind.CUT, Step.Kind.SPLIT], draws__lot=lot)
        made = Lot.objects.filter(made_by__in=straight).order_by().values("pk")
        # Nor by "or" over two tables, which no index answers.
        return self.filter(lot__in=Lot.objects.filter(pk=lot.pk).order_by().values("pk").union(made))

    def weighings(self) -> list[tuple]:
        """(gold in mg, portion in g) of the newest standing weighed runs, for the guard to compare with."""
        weighed = self.standing().filter(gold_mg__isnull=False)
        return list(weighed.values_list("gold_mg", "portion_mass_g")[:240])

    def habits_of(self, member, trial=None) -> dict:
        """What stays from this member's last run (of this trial) to the next: pan, water, light, scale step, not the counts.

        A trial gives its portion and its scale step itself.
        """
        # A list of years ago says nothing of today's pan and scale.
        runs = self.filter(recorded_by=member, step__old_sheet__isnull=True)
        planned = {}
        if trial is not None:
            runs = runs.filter(planned__trial=trial)
            planned = {"portion": trial.portion_typed, "scale_step": trial.scale_step_typed}
        last = runs.order_by("-pk").first()
        if last is None:
            return planned
        kept = ("pan", "water", "water_batch", "light")
        habits = {name: getattr(last, name) for name in kept} | {"panner": last.panner_id}
        if last.scale_step_mg:
            habits["scale_step"] = f"{numeral(last.scale_step_mg.normalize(), 'f')} mg"
        if weighing := last.weighings.first():
            habits["scale_unit"] = weighing.typed.rpartition(" ")[2]
        return habits | planned


class Run(models.Model):
    """One measured portion put through one recovery: of a trial, or alone (a test pan). A failed one stays, marked."""

    class Light(models.TextChoices):
        SUN = "sun", gettext_lazy("Sun")
        SHADE = "shade", gettext_lazy("Shade or overcast")
        LAMP = "lamp", gettext_lazy("Lamp")

    class FailKind(models.TextChoices):
        SPILLED = "spilled", gettext_lazy("Spilled")
        MIXED_UP = "mixed_up", gettext_lazy("Mixed up")
        OTHER = "other", gettext_lazy("Something else")

    planned = models.OneToOneField(
        "trials.PlannedRun", on_delete=models.PROTECT, null=True, blank=True, related_name="run"
    )
    lot = models.ForeignKey("prospecting.Lot", on_delete=models.PROTECT, related_name="runs")
    # The recover step: it drew the portion, and makes concentrate and tails when these are kept as lots.
    step = models.OneToOneField("prospecting.Step", on_delete=models.PROTECT, related_name="run")
    portion_mass_g = models.DecimalField(max_digits=15, decimal_places=5)
    portion_typed = models.CharField(max_length=40)
    panned_on = models.DateField(gettext_lazy("day"), db_index=True)
    panner = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="runs_panned")
    pan = models.CharField(gettext_lazy("pan or gear"), max_length=80, blank=True)
    water = models.CharField(gettext_lazy("water (source, re-used?)"), max_length=120, blank=True)
    water_batch = models.CharField(gettext_lazy("water lot"), max_length=40, blank=True)
    water_uses = models.PositiveSmallIntegerField(gettext_lazy("used before, times"), null=True, blank=True)
    water_temp_c = models.DecimalField(max_digits=4, decimal_places=1, null=True, blank=True)
    water_temp_typed = models.CharField(max_length=40, blank=True)
    # As calcium carbonate, read off a test strip.
    water_hardness_mg_per_l = models.DecimalField(max_digits=6, decimal_places=1, null=True, blank=True)
    water_hardness_typed = models.CharField(max_length=40, blank=True)
    light = models.CharField(max_length=5, choices=Light, blank=True)
    # By the clock of the phone that timed it.
    began_at = models.DateTimeField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    soak_min = models.DecimalField(max_digits=6, decimal_places=1, null=True, blank=True)
    pan_min = models.DecimalField(max_digits=6, decimal_places=1, null=True, blank=True)
    # Gold by weight. Nothing seen on the scale is `below_scale`, never 0 mg.
    gold_mg = models.DecimalField(max_digits=12, decimal_places=4, null=True, blank=True)
    gold_typed = models.CharField(max_length=40, blank=True)
    below_scale = models.BooleanField(default=False)
    scale_step_mg = models.DecimalField(max_digits=12, decimal_places=4, null=True, blank=True)
    # The empty dish, where the weighings are of dish and gold together; `gold_mg` is their mean less this.
    tare_mg = models.DecimalField(max_digits=12, decimal_places=4, null=True, blank=True)
    tare_typed = models.CharField(max_length=40, blank=True)
    failed = models.BooleanField(default=False)
    fail_kind = models.CharField(max_length=8, choices=FailKind, blank=True)
    fail_reason = models.CharField(max_length=200, blank=True)
    guess_treatment = models.ForeignKey(
        "trials.Treatment", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    guess = models.CharField(gettext_lazy("could you guess the treatment?"), max_length=80, blank=True)
    photo = models.ForeignKey(
        "prospecting.Photo", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    note = models.TextField(blank=True)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField(auto_now_add=True, db_index=True)

    objects = RunQuerySet.as_manager()

    class Meta:
        ordering = ["-pk"]
        constraints = [
            models.CheckConstraint(name="run_portion_positive", condition=Q(portion_mass_g__gt=0)),
            models.CheckConstraint(
                name="run_gold_weighed_or_below_scale",
                condition=Q(gold_mg__isnull=True) | Q(gold_mg__gt=0, below_scale=False),
            ),
            models.CheckConstraint(
                name="run_below_scale_names_step",
                condition=Q(below_scale=False) | Q(scale_step_mg__gt=0),
            ),
            models.CheckConstraint(
                name="run_failed_has_reason", condition=Q(failed=False) | ~Q(fail_reason="")
            ),
        ]

    def __str__(self) -> str:
        return phrase("Run {number}", number=self.pk)

    def get_absolute_url(self) -> str:
        return reverse("run-detail", args=[self.pk])

    @property
    def key_hidden(self) -> bool:
        """Whether the treatment of this run must not be shown yet."""
        return self.planned_id is not None and self.planned.block.closed_at is None

    @property
    def lot_hidden(self) -> bool:
        """Whether the lot it drew from must not be shown yet: in a bridging trial the lot is the treatment."""
        return self.key_hidden and self.planned.trial.is_bridge

    @property
    def is_void(self) -> bool:
        return self.step.voided_at is not None

    @property
    def colours_total(self) -> int | None:
        """All colours counted; None when none were looked for."""
        counts = [count.count for count in self.colours.all()]
        return sum(counts) if counts else None


class ColourCount(models.Model):
    """Colours (visible gold grains) of one size class in a run."""

    class SizeClass(models.TextChoices):
        # Size limits as miners' tables give them: 0.06, 0.03 and 0.015 inch; flour needs a hand lens.
        COARSE = "coarse", gettext_lazy("Coarse (over 1.5 mm)")
        MEDIUM = "medium", gettext_lazy("Medium (0.75 to 1.5 mm)")
        FINE = "fine", gettext_lazy("Fine (0.4 to 0.75 mm)")
        VERY_FINE = "very_fine", gettext_lazy("Very fine (under 0.4 mm)")
        FLOUR = "flour", gettext_lazy("Flour (hand lens)")

    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="colours")
    size_class = models.CharField(max_length=10, choices=SizeClass)
    count = models.PositiveIntegerField()

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["run", "size_class"], name="colour_class_once_per_run"),
        ]

    def __str__(self) -> str:
        return f"{self.count} {self.get_size_class_display()}"


class Weighing(models.Model):
    """One reading of the scale for a run: the gold, with its dish where the run has a tare."""

    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="weighings")
    position = models.PositiveSmallIntegerField()
    reading_mg = models.DecimalField(max_digits=12, decimal_places=4)
    typed = models.CharField(max_length=40)

    class Meta:
        ordering = ["position"]
        constraints = [
            models.UniqueConstraint(fields=["run", "position"], name="weighing_once_per_place"),
            models.CheckConstraint(name="weighing_not_negative", condition=Q(reading_mg__gte=0)),
        ]

    def __str__(self) -> str:
        return self.typed


class PannedAgainRecord(models.Model):
    """What was panned once more after a run or a clearing test, and what it gave."""

    panned_on = models.DateField(gettext_lazy("day"))
    panner = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    gold_mg = models.DecimalField(max_digits=12, decimal_places=4, null=True, blank=True)
    gold_typed = models.CharField(max_length=40, blank=True)
    below_scale = models.BooleanField(default=False)
    scale_step_mg = models.DecimalField(max_digits=12, decimal_places=4, null=True, blank=True)
    colours = models.PositiveIntegerField(null=True, blank=True)
    note = models.TextField(blank=True)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        abstract = True


class TailsPan(PannedAgainRecord):
    """The tails of a run, panned once more: what the run had let go. A result of its own, never added to the run's gold."""

    run = models.OneToOneField(Run, on_delete=models.PROTECT, related_name="tails_pan")

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="tails_gold_weighed_or_below_scale",
                condition=Q(gold_mg__isnull=True) | Q(gold_mg__gt=0, below_scale=False),
            ),
            models.CheckConstraint(
                name="tails_below_scale_names_step",
                condition=Q(below_scale=False) | Q(scale_step_mg__gt=0),
            ),
        ]

    def __str__(self) -> str:
        return phrase("Tails of run {run}", run=self.run_id)

    def get_absolute_url(self) -> str:
        return reverse("run-detail", args=[self.run_id])


class SettledMud(PannedAgainRecord):
    """The mud that settled in one tub, panned for the gold it took down: a run's tub, or one of a clearing test."""

    run = models.OneToOneField(
        Run, on_delete=models.PROTECT, null=True, blank=True, related_name="settled_mud"
    )
    tub = models.OneToOneField(
        "trials.Tub", on_delete=models.PROTECT, null=True, blank=True, related_name="settled_mud"
    )

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="mud_of_one_tub",
                condition=Q(run__isnull=False, tub__isnull=True) | Q(run__isnull=True, tub__isnull=False),
            ),
            models.CheckConstraint(
                name="mud_gold_weighed_or_below_scale",
                condition=Q(gold_mg__isnull=True) | Q(gold_mg__gt=0, below_scale=False),
            ),
            models.CheckConstraint(
                name="mud_below_scale_names_step",
                condition=Q(below_scale=False) | Q(scale_step_mg__gt=0),
            ),
        ]

    def __str__(self) -> str:
        return (
            phrase("Mud of run {run}", run=self.run_id)
            if self.run_id
            else phrase("Mud of tub {tub}", tub=self.tub_id)
        )

    def get_absolute_url(self) -> str:
        return reverse("run-detail", args=[self.run_id]) if self.run_id else self.tub.get_absolute_url()
