from django import forms

from prospecting.models import Lot
from prospecting.models.lots import LotQuerySet


class GroundLotFilterForm(forms.Form):
    """Which of the lots are listed; what cannot be read filters nothing and is said beside its field."""

    kind = forms.ChoiceField(label="Kind", choices=[("", "every kind"), *Lot.Kind.choices], required=False)
    on_hand = forms.BooleanField(label="Only lots with mass on hand", required=False)

    def narrowed(self, lots: LotQuerySet) -> LotQuerySet:
        self.is_valid()
        data = getattr(self, "cleaned_data", {})
        if data.get("kind"):
            lots = lots.of_kind(data["kind"])
        if data.get("on_hand"):
            lots = lots.in_stock()
        return lots

    def is_narrowing(self) -> bool:
        return self.is_bound and any(self.data.get(name) for name in self.fields)
