from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.urls import reverse
from django.utils.formats import date_format
from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase


class Step(models.Model):
    """One thing done to material: it draws mass from lots and makes new lots; loss is what went in less what came out."""

    class Kind(models.TextChoices):
        DIG = "dig", gettext_lazy("Dig")
        DRY = "dry", gettext_lazy("Dry")
        CRUSH = "crush", gettext_lazy("Crush")
        SCREEN = "screen", gettext_lazy("Screen")
        SPLIT = "split", gettext_lazy("Split")
        BLEND = "blend", gettext_lazy("Blend")
        CUT = "cut", gettext_lazy("Cut portions")
        RECOVER = "recover", gettext_lazy("Recover gold")
        ASSAY = "assay", gettext_lazy("Take for assay")
        REWEIGH = "reweigh", gettext_lazy("Reweigh")
        DISCARD = "discard", gettext_lazy("Discard")

    class Method(models.TextChoices):
        RIFFLE = "riffle", gettext_lazy("Riffle splitter")
        CONE_QUARTER = "cone_quarter", gettext_lazy("Cone and quarter")
        ROLLED = "rolled", gettext_lazy("Rolled on a sheet")
        SCOOPED = "scooped", gettext_lazy("Scooped out")
        SHOVELLED = "shovelled", gettext_lazy("Shovelled over")

    class MeshSeries(models.TextChoices):
        ASTM_E11 = "astm_e11", gettext_lazy("US sieve number (ASTM E11)")
        TYLER = "tyler", gettext_lazy("Tyler mesh")

    kind = models.CharField(max_length=10, choices=Kind)
    done_on = models.DateField(gettext_lazy("day"))
    people = models.CharField(gettext_lazy("who did it"), max_length=200, blank=True)
    method = models.CharField(max_length=14, choices=Method, blank=True)
    passes = models.PositiveSmallIntegerField(null=True, blank=True)
    machine = models.CharField(max_length=80, blank=True)
    target_size_um = models.DecimalField(max_digits=9, decimal_places=1, null=True, blank=True)
    mesh_series = models.CharField(max_length=10, choices=MeshSeries, blank=True)
    mesh_number = models.PositiveSmallIntegerField(null=True, blank=True)
    # Portions cut by a measure instead of by weight: what the measure holds, and what this material weighs in it.
    measure_ml = models.DecimalField(max_digits=10, decimal_places=2, null=True, blank=True)
    bulk_density_g_per_ml = models.DecimalField(max_digits=7, decimal_places=4, null=True, blank=True)
    loss_g = models.DecimalField(max_digits=15, decimal_places=5, default=0)
    loss_reason = models.CharField(max_length=200, blank=True)
    note = models.TextField(blank=True)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField(auto_now_add=True, db_index=True)
    # Where it was taken in from a list kept before the site: the list, and its line there.
    old_sheet = models.ForeignKey(
        "prospecting.OldSheet", on_delete=models.PROTECT, null=True, blank=True, related_name="steps"
    )
    old_sheet_line = models.PositiveIntegerField(null=True, blank=True)
    voided_at = models.DateTimeField(null=True, blank=True)
    voided_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    void_reason = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["-pk"]
        constraints = [
            models.CheckConstraint(name="step_never_gains", condition=Q(loss_g__gte=0)),
            models.CheckConstraint(
                name="step_void_has_reason",
                condition=Q(voided_at__isnull=True) | (Q(voided_by__isnull=False) & ~Q(void_reason="")),
            ),
            models.CheckConstraint(
                name="step_old_sheet_with_line",
                condition=Q(old_sheet__isnull=True, old_sheet_line__isnull=True)
                | Q(old_sheet__isnull=False, old_sheet_line__isnull=False),
            ),
            models.CheckConstraint(
                name="step_measure_with_density",
                condition=Q(measure_ml__isnull=True, bulk_density_g_per_ml__isnull=True)
                | Q(measure_ml__gt=0, bulk_density_g_per_ml__gt=0),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}, {date_format(self.done_on, 'd M Y')}"

    def get_absolute_url(self) -> str:
        return reverse("step-detail", args=[self.pk])

    @property
    def is_void(self) -> bool:
        return self.voided_at is not None


class LotQuerySet(models.QuerySet):
    def standing(self) -> "LotQuerySet":
        """Lots that are not voided."""
        return self.filter(is_void=False)

    def in_stock(self) -> "LotQuerySet":
        """Standing lots with mass on hand."""
        return self.filter(is_void=False, on_hand_g__gt=0)

    def from_dig(self, dig) -> "LotQuerySet":
        """Every lot that holds material of this dig."""
        return self.filter(origins__dig=dig)

    def from_zone(self, zone) -> "LotQuerySet":
        """Every lot that holds material of any dig in this zone."""
        return self.filter(origins__dig__zone=zone).distinct()

    def of_kind(self, *kinds: str) -> "LotQuerySet":
        return self.filter(kind__in=kinds)

    def named(self, text: str) -> "LotQuerySet":
        """Lots with this text in their code or in what they are called."""
        return self.filter(Q(code__icontains=text) | Q(title__icontains=text))

    def mentioning(self, text: str) -> "LotQuerySet":
        """The same, or in where they stand or who has them."""
        return self.filter(
            Q(code__icontains=text)
            | Q(title__icontains=text)
            | Q(place__icontains=text)
            | Q(holder__icontains=text)
        )


class Lot(models.Model):
    """Any mass of material with one identity. Its code is on a paper tag and survives mud."""

    class Kind(models.TextChoices):
        BUCKET = "bucket", gettext_lazy("Bucket")
        CRUSHED = "crushed", gettext_lazy("Crushed")
        UNDERSIZE = "undersize", gettext_lazy("Undersize")
        OVERSIZE = "oversize", gettext_lazy("Oversize")
        SPLIT = "split", gettext_lazy("Split")
        BLEND = "blend", gettext_lazy("Blend")
        PORTION = "portion", gettext_lazy("Portion")
        CONCENTRATE = "concentrate", gettext_lazy("Concentrate")
        TAILS = "tails", gettext_lazy("Tails")
        ASSAY_SPLIT = "assay_split", gettext_lazy("Split for assay")

    code = models.CharField(max_length=12, unique=True)
    kind = models.CharField(max_length=12, choices=Kind)
    title = models.CharField(gettext_lazy("what it is"), max_length=120, blank=True)
    made_by = models.ForeignKey(Step, on_delete=models.PROTECT, related_name="made")
    # Mass when the lot was made, and as it was typed then.
    mass_g = models.DecimalField(max_digits=15, decimal_places=5)
    mass_typed = models.CharField(max_length=40, blank=True)
    # Kept in step with the draws by actions.material, under a row lock; the constraint below is the last guard.
    on_hand_g = models.DecimalField(max_digits=15, decimal_places=5)
    is_dry = models.BooleanField("dried", default=False)
    top_size_um = models.DecimalField(max_digits=9, decimal_places=1, null=True, blank=True)
    portion_number = models.PositiveSmallIntegerField(null=True, blank=True)
    # The zone's stripe, "mixed" for material of several zones.
    stripe = models.CharField(max_length=5, default="none")
    place = models.CharField(gettext_lazy("where it stands"), max_length=120, blank=True)
    holder = models.CharField(gettext_lazy("who has it"), max_length=120, blank=True)
    # Held back: nothing is taken from it until it is released. Blank for every other lot.
    reserve_reason = models.CharField(gettext_lazy("why it is held back"), max_length=200, blank=True)
    # Kept by actions.contamination: a standing mark is on this lot or on one it was made of.
    is_marked = models.BooleanField(gettext_lazy("contamination marked"), default=False)
    note = models.TextField(blank=True)
    is_void = models.BooleanField(default=False)

    objects = LotQuerySet.as_manager()

    class Meta:
        ordering = ["-pk"]
        constraints = [
            models.CheckConstraint(
                name="lot_mass_positive",
                condition=Q(mass_g__gt=0),
                violation_error_message=gettext_lazy("A lot weighs more than 0 g."),
            ),
            models.CheckConstraint(
                name="lot_never_overdrawn",
                condition=Q(on_hand_g__gte=0) & Q(on_hand_g__lte=F("mass_g")),
                violation_error_message=gettext_lazy(
                    "A lot holds between nothing and what it weighed when it was made."
                ),
            ),
        ]
        indexes = [models.Index(fields=["kind", "-id"], name="lot_by_kind")]

    def __str__(self) -> str:
        return self.code

    def get_absolute_url(self) -> str:
        return reverse("lot-detail", args=[self.code])

    @property
    def code_parts(self) -> tuple[str, str]:
        """The code without its check letter, and the check letter, for the tag."""
        return self.code[:-1], self.code[-1]


class Draw(models.Model):
    """The mass a step takes from a lot."""

    step = models.ForeignKey(Step, on_delete=models.PROTECT, related_name="draws")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="draws")
    mass_g = models.DecimalField(max_digits=15, decimal_places=5)
    mass_typed = models.CharField(max_length=40, blank=True)
    # All the lot held was taken, unweighed: the mass follows when the lot's own is corrected.
    takes_all = models.BooleanField(default=False)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(name="draw_mass_positive", condition=Q(mass_g__gt=0)),
            models.UniqueConstraint(fields=["step", "lot"], name="draw_once_per_step"),
        ]

    def __str__(self) -> str:
        return phrase("{mass} g of {lot}", mass=self.mass_g, lot=self.lot_id)


class Origin(models.Model):
    """The share of a lot's mass that came from a dig, fixed when the lot was made, every lot taken as well mixed.

    Only a corrected mass (actions.correction) reckons it anew.
    """

    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="origins")
    dig = models.ForeignKey("prospecting.Dig", on_delete=models.PROTECT, related_name="origins")
    share = models.DecimalField(max_digits=13, decimal_places=12)

    class Meta:
        ordering = ["-share"]
        constraints = [
            models.UniqueConstraint(fields=["lot", "dig"], name="origin_once_per_lot_and_dig"),
            models.CheckConstraint(
                name="origin_share_is_a_share", condition=Q(share__gt=0) & Q(share__lte=1)
            ),
        ]
        # A dig's lots, newest first, without sorting them all.
        indexes = [models.Index(fields=["dig", "-lot"], name="origin_by_dig")]

    def __str__(self) -> str:
        return phrase(
            "{share} of lot {lot} from dig {dig}", share=self.share, lot=self.lot_id, dig=self.dig_id
        )
