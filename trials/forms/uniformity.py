"""What a reader may ask of the uniformity pages: plain questions in the address, nothing is kept."""

from collections.abc import Sequence
from decimal import Decimal

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.language import phrase
from prospecting.forms.base import GoldMassField, MassField, NumberField
from prospecting.models import Lot

GRAIN_HELP = gettext_lazy(
    "The grain that holds most of the weight, not the commonest one. In mg, or with its unit. As a guide: fine 2.6 mg, very fine "
    "0.8 mg, flour 0.1 mg. Colours counted by size in the pans themselves come first."
)
# A grain of a gram is a nugget: it is picked out, not panned.
MOST_GRAIN_MG = Decimal(1000)


class _GrainForm(forms.Form):
    grain = GoldMassField(
        label=gettext_lazy("A typical gold grain weighs"), required=False, help_text=GRAIN_HELP
    )

    def clean_grain(self):
        grain = self.cleaned_data["grain"]
        if grain is not None and grain.canonical > MOST_GRAIN_MG:
            raise ValidationError(
                phrase("That is a nugget, not a typical grain: give up to 1 g."), code="too_heavy"
            )
        return grain

    def asked(self, name: str):
        """What was asked under this name; None where it was left blank or could not be read."""
        self.is_valid()
        return getattr(self, "cleaned_data", {}).get(name)

    def grain_mg(self) -> float | None:
        grain = self.asked("grain")
        return float(grain.canonical) if grain else None


class UniformForm(_GrainForm):
    differs = NumberField(
        label=gettext_lazy("Smallest difference between portions that matters"),
        least=1,
        most=200,
        places=1,
        unit_label="%",
        required=False,
        help_text=gettext_lazy(
            "How far the portions' true grades may scatter (one standard deviation, % of their mean). Empty: as above."
        ),
    )
    field_order = ("differs", "grain")

    def differs_share(self) -> float | None:
        percent = self.asked("differs")
        return units.share_of_percent(percent) if percent is not None else None


class BucketMassForm(_GrainForm):
    """How much of each lot is meant to go into the blend; blank takes all there is."""

    def __init__(self, *args, lots: Sequence[Lot], mass_unit: str, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.lots = {f"mass_{lot.code}": lot for lot in lots}
        for name, lot in self.lots.items():
            self.fields[name] = MassField(
                label=phrase("Planned from {lot}", lot=lot.code),
                unit=mass_unit,
                required=False,
                help_text="",
            )
        self.order_fields([*self.lots, "grain"])

    def masses_g(self) -> dict[Lot, Decimal]:
        """The planned mass of each lot: as typed, else what is on hand, else what it weighed when it was made."""
        planned = {lot: self.asked(name) for name, lot in self.lots.items()}
        return {lot: mass.canonical if mass else lot.on_hand_g or lot.mass_g for lot, mass in planned.items()}
