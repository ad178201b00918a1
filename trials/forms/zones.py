"""Which zones to compare, and up to which ratio they count as equal; nothing is stored."""

from collections.abc import Sequence
from decimal import Decimal

from django import forms
from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.forms.base import NumberField
from prospecting.models import Zone


class CompareForm(forms.Form):
    zone = forms.MultipleChoiceField(
        label=gettext_lazy("Zones"),
        widget=forms.CheckboxSelectMultiple,
        help_text=gettext_lazy(
            "The 5 % left to chance is shared out over all pairs: compare only what you want to know."
        ),
        error_messages={
            "required": gettext_lazy("Tick two zones or more."),
            "invalid_choice": gettext_lazy("Choose zones of the list."),
        },
    )
    margin = NumberField(
        label=gettext_lazy("Counts as equal, up to"),
        unit_label=gettext_lazy("times as rich"),
        least=Decimal("1.01"),
        most=Decimal(20),
        places=2,
        help_text=gettext_lazy(
            "What difference would not change where you dig: 1.5 is half as much again. Settle it before you look."
        ),
    )

    def __init__(
        self, data, *, zones: Sequence[Zone], chosen: Sequence[Zone], margin: float, most: int
    ) -> None:
        """`zones` may be chosen; `chosen` and `margin` stand until something is."""
        start = {"zone": [str(zone.pk) for zone in chosen], "margin": numeral(margin, "g")}
        typed = (
            {"zone": data.getlist("zone"), "margin": data.get("margin", start["margin"])} if data else start
        )
        super().__init__(typed)
        self.by_pk = {str(zone.pk): zone for zone in zones}
        self.most = most
        self.fields["zone"].choices = [
            (pk, f"{zone.claim.name}: {zone.name}") for pk, zone in self.by_pk.items()
        ]

    def clean_zone(self) -> list[Zone]:
        chosen = self.cleaned_data["zone"]
        if len(chosen) < 2:
            raise forms.ValidationError(phrase("Tick two zones or more."), code="too_few")
        if len(chosen) > self.most:
            raise forms.ValidationError(phrase("Tick {most} zones at most.", most=self.most), code="too_many")
        return [self.by_pk[pk] for pk in chosen]

    def clean_margin(self) -> float:
        return float(self.cleaned_data["margin"])
