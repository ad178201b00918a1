from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase
from prospecting.forms.base import DayField, NumberField, SiteForm, VolumeField
from trials.models import Additive


class AdditiveForm(SiteForm):
    name = forms.CharField(label=gettext_lazy("Name"), max_length=80)
    kind = forms.ChoiceField(label=gettext_lazy("Kind"), choices=Additive.Kind)
    bottle = VolumeField(
        label=gettext_lazy("A bottle holds"),
        unit="mL",
        required=False,
        help_text=gettext_lazy("With its unit: 500 mL, 16 fl oz"),
    )
    price = NumberField(label=gettext_lazy("Price of a bottle"), most=1_000_000, places=2, required=False)
    currency = forms.CharField(label=gettext_lazy("Currency"), max_length=12, required=False)
    priced_on = DayField(label=gettext_lazy("Price as of"), required=False, initial=None)
    note = forms.CharField(
        label=gettext_lazy("Note"), required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 2})
    )

    def clean(self) -> dict:
        cleaned = super().clean()
        if cleaned.get("price") is not None and not cleaned.get("currency"):
            self.add_error(
                "currency", ValidationError(phrase("Which money is the price in?"), code="currency_missing")
            )
        return cleaned

    def fields_typed(self) -> dict:
        values = self.cleaned_data
        bottle = values["bottle"]
        return {
            "name": values["name"],
            "kind": values["kind"],
            "bottle_ml": bottle.canonical if bottle else None,
            "bottle_typed": bottle.typed if bottle else "",
            "price": values["price"],
            "currency": values["currency"],
            "priced_on": values["priced_on"],
            "note": values["note"],
        }


def typed_before(additive: Additive) -> dict:
    """An additive's values as initial values of its form."""
    names = ("name", "kind", "price", "currency", "priced_on", "note")
    return {name: getattr(additive, name) for name in names} | {"bottle": additive.bottle_typed}
