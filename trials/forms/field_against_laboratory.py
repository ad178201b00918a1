"""What a reader may ask of pans beside assays, and of the next assay: plain questions in the address, nothing is kept."""

from decimal import Decimal

from django import forms
from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase
from prospecting.forms.base import GradeField, NumberField
from prospecting.models import Dispatch, Member, Zone
from trials.forms.uniformity import _GrainForm

SHARES = [("0.8", "80 %"), ("1", gettext_lazy("100 %: the same lot only")), ("0.5", "50 %"), ("0.1", "10 %")]
# Methods whose charge is known, so that their chance can be reckoned.
METHODS = [
    (method.value, method.label)
    for method in (
        Dispatch.Method.FIRE_15,
        Dispatch.Method.FIRE_30,
        Dispatch.Method.FIRE_50,
        Dispatch.Method.SCREEN_FIRE,
    )
]


class FieldForm(_GrainForm):
    """Every field has an answer when left alone; what can't be read is told beside it and stands as if it were blank."""

    zone = forms.ModelChoiceField(
        Zone.objects.none(),
        label=gettext_lazy("Lots of"),
        required=False,
        empty_label=gettext_lazy("all zones together"),
    )
    share = forms.ChoiceField(
        label=gettext_lazy("Count pairs with at least so much of the material in common"),
        choices=SHARES,
        required=False,
    )
    without_failed = forms.BooleanField(
        label=gettext_lazy("Leave out values of returns with a failed check"), required=False
    )
    field_order = ("zone", "share", "without_failed", "pan", "grain")

    def __init__(self, data, *, member: Member) -> None:
        super().__init__(data or None)
        self.fields["zone"].queryset = Zone.objects.select_related("claim").order_by("name")
        self.fields["pan"] = GradeField(
            label=phrase("A pan's grade, to see what an assay may say"),
            unit=member.grade_unit,
            required=False,
            max_length=40,
        )
        self.order_fields(self.field_order)

    def answers(self) -> dict:
        """The fields of `frames.field_against_laboratory.Asked`."""
        zone, share, pan = self.asked("zone"), self.asked("share"), self.asked("pan")
        return {
            "zone": zone.pk if zone else None,
            "least_share": float(share or SHARES[0][0]),
            "without_failed": bool(self.asked("without_failed")),
            "grain_mg": self.grain_mg(),
            "panned_g_per_t": float(pan.canonical) if pan else None,
        }


class NextAssayForm(_GrainForm):
    method = forms.ChoiceField(label=gettext_lazy("Method"), required=False)
    price = NumberField(
        label=gettext_lazy("Price of one sample, in the group's own currency"),
        least=Decimal("0.01"),
        most=100_000,
        places=2,
        required=False,
        help_text=gettext_lazy("Left empty: as in the last dispatch by that method."),
    )
    field_order = ("method", "price", "grain")

    def __init__(self, data) -> None:
        super().__init__(data or None)
        self.fields["method"].choices = [("", phrase("every method with a price in the books")), *METHODS]

    def clean(self) -> dict:
        cleaned = super().clean()
        if cleaned.get("price") is not None and not cleaned.get("method"):
            self.add_error(
                "price",
                forms.ValidationError(phrase("Choose the method this price is of."), code="no_method"),
            )
        return cleaned

    def method_asked(self) -> str:
        return self.asked("method") or ""

    def price_asked(self) -> Decimal | None:
        return self.asked("price")
