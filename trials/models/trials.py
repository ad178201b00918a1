from django.conf import settings
from django.db import models
from django.db.models import Count, Exists, F, OuterRef, Q
from django.urls import reverse
from django.utils.translation import gettext_lazy

from prospecting.calc import mass_balance
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.models import Lot, Step

# What is left of a recovery, or set aside for something else: no lot to try treatments on.
NO_TEST_LOTS = (Lot.Kind.PORTION, Lot.Kind.ASSAY_SPLIT, Lot.Kind.CONCENTRATE, Lot.Kind.TAILS)


class TrialQuerySet(models.QuerySet):
    def for_list(self) -> "TrialQuerySet":
        """With the feed lot, and `planned` and `logged`: how many runs are planned and in."""
        counted = self.annotate(planned=Count("planned_runs"), logged=Count("planned_runs__run"))
        # Grouping drops the model's own order.
        return counted.select_related("feed_lot").order_by("-pk")

    def for_detail(self) -> "TrialQuerySet":
        return self.select_related("feed_lot", "new_lot", "mixer", "planned_by", "closed_by", "recorded_by")


class Trial(models.Model):
    """A question put to equal portions of one lot. Its plan is drawn once, stored as a list, and fixed before the first run."""

    class Outcome(models.TextChoices):
        GOLD_MASS = "gold_mass", gettext_lazy("Gold by weight (mg)")
        COLOURS = "colours", gettext_lazy("Colours counted")
        PLACES = "places", gettext_lazy("Place in a side-by-side row of pans")

    class Design(models.TextChoices):
        BLOCKS = "blocks", gettext_lazy("Randomised blocks: each treatment once in every block")
        LATIN = "latin", gettext_lazy("Latin square: also once at every place of the order")
        WILLIAMS = "williams", gettext_lazy("Williams square: also after every other treatment equally often")
        RANDOM = "random", gettext_lazy("Completely randomised: one order over all runs, no blocks")

    class State(models.TextChoices):
        DRAFT = "draft", gettext_lazy("Being planned")
        RUNNING = "running", gettext_lazy("Running")
        CLOSED = "closed", gettext_lazy("Closed")

    class PortionsFrom(models.TextChoices):
        CUT = "cut", gettext_lazy("Portions already cut from the lot, drawn by lot")
        MEASURED = "measured", gettext_lazy("Each portion measured out of the lot at its run")

    question = models.CharField(max_length=200)
    feed_lot = models.ForeignKey("prospecting.Lot", on_delete=models.PROTECT, related_name="trials")
    # Only of a bridging trial: the lot that is to take over from the feed lot. Its two treatments are the two lots, untreated.
    new_lot = models.ForeignKey(
        "prospecting.Lot", on_delete=models.PROTECT, null=True, blank=True, related_name="bridging_trials"
    )
    outcome = models.CharField(
        gettext_lazy("judged by"), max_length=10, choices=Outcome, default=Outcome.GOLD_MASS
    )
    design = models.CharField(
        gettext_lazy("order of the runs"), max_length=8, choices=Design, default=Design.BLOCKS
    )
    # Rows of a square count as blocks. Completely randomised: runs of each treatment, all in one block.
    blocks_planned = models.PositiveSmallIntegerField(gettext_lazy("blocks (each treatment once in each)"))
    smallest_ratio = models.DecimalField(
        gettext_lazy("smallest difference that matters, as a ratio"), max_digits=5, decimal_places=2
    )
    portion_mass_g = models.DecimalField(max_digits=15, decimal_places=5)
    portion_typed = models.CharField(max_length=40)
    portions_from = models.CharField(max_length=8, choices=PortionsFrom)
    water_ml = models.DecimalField(gettext_lazy("water in the tub"), max_digits=10, decimal_places=2)
    water_typed = models.CharField(max_length=40)
    soak_min = models.DecimalField(gettext_lazy("soak, minutes"), max_digits=6, decimal_places=1, default=0)
    scale_step_mg = models.DecimalField(
        gettext_lazy("scale step, mg"), max_digits=12, decimal_places=4, null=True, blank=True
    )
    run_min = models.DecimalField(
        gettext_lazy("minutes one run takes"), max_digits=6, decimal_places=1, null=True, blank=True
    )
    mixer = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    note = models.TextField(blank=True)
    state = models.CharField(max_length=8, choices=State, default=State.DRAFT)
    seed = models.BigIntegerField(null=True, blank=True)
    planned_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    planned_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    closed_at = models.DateTimeField(null=True, blank=True)
    # Given only where the planning page said that the plan can't answer its question.
    wishful_reason = models.CharField(
        gettext_lazy("why it was planned all the same"), max_length=200, blank=True
    )
    close_reason = models.CharField(
        gettext_lazy("why it was closed before the plan was done"), max_length=200, blank=True
    )
    # Read in from a table of runs done elsewhere or before; the order drawn here is then none, unless the table had one.
    typed_in_afterwards = models.BooleanField(default=False)
    order_is_known = models.BooleanField(default=True)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField(auto_now_add=True)

    objects = TrialQuerySet.as_manager()

    class Meta:
        ordering = ["-pk"]
        constraints = [
            models.CheckConstraint(name="trial_ratio_above_one", condition=Q(smallest_ratio__gt=1)),
            models.CheckConstraint(
                name="trial_bridges_two_lots",
                condition=Q(new_lot__isnull=True) | ~Q(new_lot=F("feed_lot")),
                violation_error_message=gettext_lazy("A bridge has a lot at either end: choose another one."),
            ),
            models.CheckConstraint(
                name="trial_planned_once",
                condition=Q(state="draft", seed__isnull=True, planned_at__isnull=True)
                | (~Q(state="draft") & Q(seed__isnull=False, planned_at__isnull=False)),
            ),
        ]

    def __str__(self) -> str:
        return self.question

    def get_absolute_url(self) -> str:
        return reverse("trial-detail", args=[self.pk])

    def get_next_url(self) -> str:
        return reverse("run-next", args=[self.pk])

    @property
    def scale_step_typed(self) -> str:
        return "" if self.scale_step_mg is None else f"{numeral(self.scale_step_mg.normalize(), 'f')} mg"

    @property
    def soak_planned(self) -> str:
        return f"{numeral(self.soak_min.normalize(), 'f')} min" if self.soak_min else ""

    def progress(self) -> dict:
        """How many planned runs there are and how many are in (failed ones too)."""
        return self.planned_runs.aggregate(planned=Count("pk"), logged=Count("run"))

    @property
    def is_bridge(self) -> bool:
        return self.new_lot_id is not None

    @property
    def feeds(self) -> list[Lot]:
        """The lots its portions come from: one, or a bridge's old and new one."""
        return [self.feed_lot, self.new_lot] if self.is_bridge else [self.feed_lot]

    def lot_of(self, treatment: "Treatment") -> Lot:
        """Where the portions of this treatment come from: a bridge's control is the old lot, the other one the new lot."""
        return self.new_lot if self.is_bridge and not treatment.is_control else self.feed_lot

    @property
    def in_blocks(self) -> bool:
        """Whether each treatment stands once in every block; without blocks all runs are in one order, and one key."""
        return self.design != self.Design.RANDOM

    @property
    def is_square(self) -> bool:
        return self.design in (self.Design.LATIN, self.Design.WILLIAMS)

    @property
    def blocks_drawn(self) -> int:
        """How many blocks its plan has, each with a key of its own."""
        return self.blocks_planned if self.in_blocks else 1

    def runs_of(self, treatments: int) -> int:
        """How many runs its blocks make with so many treatments."""
        return treatments * self.blocks_planned

    def runs_on_each(self, runs: int) -> int:
        """How many of so many runs take from each of its lots, at the most."""
        return -(-runs // len(self.feeds))

    def portions_ready(self, lot: Lot | None = None) -> list[Lot]:
        """Untouched portions of this lot (the feed lot), near enough to the planned mass, in no other plan, not held back."""
        cut = Lot.objects.standing().filter(
            kind=Lot.Kind.PORTION,
            made_by__kind=Step.Kind.CUT,
            made_by__draws__lot=lot or self.feed_lot_id,
            planned_run__isnull=True,
            on_hand_g=F("mass_g"),
            reserve_reason="",
            mass_g__range=mass_balance.equal_band_g(self.portion_mass_g),
        )
        return list(cut.order_by("pk"))

    def blocks_with_runs(self) -> list["Block"]:
        """The blocks with their planned runs; an open block's runs come without their treatment, not even read."""
        blocks = list(self.blocks.all())
        open_ids = [block.pk for block in blocks if block.closed_at is None]
        shown = (
            self.planned_runs.exclude(block__in=open_ids)
            .select_related("treatment", "portion", "run__step")
            .prefetch_related("run__colours")
        )
        hidden = (
            self.planned_runs.filter(block__in=open_ids)
            .defer("treatment")
            .select_related("portion", "run__step")
        )
        by_block: dict[int, list[PlannedRun]] = {}
        for planned in [*shown, *hidden]:
            by_block.setdefault(planned.block_id, []).append(planned)
        for block in blocks:
            block.shown_runs = by_block.get(block.pk, [])
        return blocks


class Factor(models.Model):
    """One thing varied in a factorial trial: doses of an additive, a technique, gear, soak, screen size."""

    class Kind(models.TextChoices):
        DOSE = "dose", gettext_lazy("Dose of an additive")
        TECHNIQUE = "technique", gettext_lazy("Technique")
        GEAR = "gear", gettext_lazy("Gear")
        SOAK = "soak", gettext_lazy("Soak, minutes")
        SCREEN = "screen", gettext_lazy("Screen size")
        OTHER = "other", gettext_lazy("Something else")

    trial = models.ForeignKey(Trial, on_delete=models.PROTECT, related_name="factors")
    name = models.CharField(max_length=40)
    kind = models.CharField(max_length=10, choices=Kind)
    additive = models.ForeignKey(
        "trials.Additive", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    position = models.PositiveSmallIntegerField(default=0)

    class Meta:
        ordering = ["position", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["trial", "name"], name="factor_name_once_per_trial"),
            models.CheckConstraint(
                name="factor_dose_names_additive",
                condition=Q(kind="dose", additive__isnull=False)
                | (~Q(kind="dose") & Q(additive__isnull=True)),
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Level(models.Model):
    """One setting of a factor. The first is the one without it, or the usual one: the control has every factor there."""

    factor = models.ForeignKey(Factor, on_delete=models.PROTECT, related_name="levels")
    name = models.CharField(max_length=60)
    # Of a dose; none for the level without it.
    ml_per_l = models.DecimalField(max_digits=12, decimal_places=6, null=True, blank=True)
    position = models.PositiveSmallIntegerField(default=0)

    class Meta:
        ordering = ["factor", "position", "pk"]
        constraints = [models.UniqueConstraint(fields=["factor", "name"], name="level_name_once_per_factor")]

    def __str__(self) -> str:
        return self.name


class Treatment(models.Model):
    """What is done to a portion: doses and/or a technique. One treatment of a trial is its control."""

    trial = models.ForeignKey(Trial, on_delete=models.PROTECT, related_name="treatments")
    name = models.CharField(max_length=80)
    is_control = models.BooleanField(gettext_lazy("this is the control"), default=False)
    technique = models.CharField(gettext_lazy("technique or gear"), max_length=200, blank=True)
    # Of a factorial trial: one level of each factor.
    levels = models.ManyToManyField(Level, blank=True, related_name="treatments")
    position = models.PositiveSmallIntegerField(default=0)

    class Meta:
        ordering = ["-is_control", "position", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["trial", "name"], name="treatment_name_once_per_trial"),
            models.UniqueConstraint(
                fields=["trial"], condition=Q(is_control=True), name="one_control_per_trial"
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Dose(models.Model):
    """So much of one additive in the water, as typed and in mL of product per litre of water."""

    treatment = models.ForeignKey(Treatment, on_delete=models.PROTECT, related_name="doses")
    additive = models.ForeignKey("trials.Additive", on_delete=models.PROTECT, related_name="doses")
    ml_per_l = models.DecimalField(max_digits=12, decimal_places=6)
    typed = models.CharField(max_length=60)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(name="dose_positive", condition=Q(ml_per_l__gt=0)),
            models.UniqueConstraint(fields=["treatment", "additive"], name="additive_once_per_treatment"),
        ]

    def __str__(self) -> str:
        return f"{self.typed} {self.additive_id}"


class BlockQuerySet(models.QuerySet):
    def waiting_to_close(self) -> "BlockQuerySet":
        """Blocks whose runs are all in, but whose key is still hidden."""
        open_runs = PlannedRun.objects.open().filter(block=OuterRef("pk"))
        return self.filter(closed_at__isnull=True).exclude(Exists(open_runs))


class Block(models.Model):
    """A row of the plan: every treatment once. Its key stays hidden until it is closed."""

    trial = models.ForeignKey(Trial, on_delete=models.PROTECT, related_name="blocks")
    number = models.PositiveSmallIntegerField()
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )

    objects = BlockQuerySet.as_manager()

    class Meta:
        ordering = ["number"]
        constraints = [models.UniqueConstraint(fields=["trial", "number"], name="block_number_once")]

    def __str__(self) -> str:
        return phrase("Block {number}", number=self.number)


class PlannedRunQuerySet(models.QuerySet):
    def open(self) -> "PlannedRunQuerySet":
        """Planned runs that have not been logged."""
        return self.filter(run__isnull=True)

    def in_row(self) -> "PlannedRunQuerySet":
        """Pans that stand in their block's row: their run is in, and neither failed nor void."""
        return self.filter(run__failed=False, run__step__voided_at__isnull=True)

    def blind(self) -> "PlannedRunQuerySet":
        """What the panner may know of a planned run: everything but its treatment, which is not even read."""
        return (
            self.defer("treatment")
            .select_related("block", "portion")
            .annotate(
                is_logged=Exists(self.model.run.related.related_model.objects.filter(planned=OuterRef("pk")))
            )
        )


class PlannedRun(models.Model):
    """One line of the plan: which portion, in which order, under which blind code, gets which treatment."""

    trial = models.ForeignKey(Trial, on_delete=models.PROTECT, related_name="planned_runs")
    block = models.ForeignKey(Block, on_delete=models.PROTECT, related_name="planned_runs")
    run_order = models.PositiveSmallIntegerField()
    position = models.PositiveSmallIntegerField()
    treatment = models.ForeignKey(Treatment, on_delete=models.PROTECT, related_name="planned_runs")
    blind_code = models.CharField(max_length=4)
    portion = models.OneToOneField(
        "prospecting.Lot", on_delete=models.PROTECT, null=True, blank=True, related_name="planned_run"
    )

    objects = PlannedRunQuerySet.as_manager()

    class Meta:
        ordering = ["run_order"]
        constraints = [
            models.UniqueConstraint(fields=["trial", "run_order"], name="run_order_once_per_trial"),
            models.UniqueConstraint(fields=["trial", "blind_code"], name="blind_code_once_per_trial"),
        ]

    def __str__(self) -> str:
        return phrase("{code} (run {number})", code=self.blind_code, number=self.run_order)


class KeyOpening(models.Model):
    """Someone looked at which code is which treatment while the trial ran: the mixer, or a keeper with a reason."""

    trial = models.ForeignKey(Trial, on_delete=models.PROTECT, related_name="key_openings")
    member = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    opened_at = models.DateTimeField(auto_now_add=True)
    reason = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return phrase("{member} opened the key of trial {trial}", member=self.member, trial=self.trial_id)
