"""Laboratories and dispatches: what is typed and ticked becomes typed values."""

from django import forms
from django.core.exceptions import ValidationError

from prospecting.calc import units
from prospecting.forms.assays import note_field
from prospecting.forms.base import DayField, SiteForm
from prospecting.models import Dispatch, Laboratory, Lot


class LaboratoryForm(SiteForm):
    name = forms.CharField(label="Name", max_length=100)
    note = note_field("Address, how to reach them, what they charge.")

    def entry(self) -> dict:
        return {name: self.cleaned_data[name] for name in ("name", "note")}


class SplitsField(forms.ModelMultipleChoiceField):
    """Ticked splits for assay."""

    default_error_messages = {
        "required": "Tick at least one split to send.",
        "invalid_choice": "One of the ticks is no split for assay. Look at them again.",
        "invalid_pk_value": "One of the ticks is no split for assay. Look at them again.",
    }

    def clean(self, value):
        # A number of more digits than a key can have makes SQLite raise instead of finding nothing.
        if any(len(str(key)) > 18 for key in value or ()):
            raise ValidationError(self.error_messages["invalid_choice"], code="invalid_choice")
        return super().clean(value)


class DispatchForm(SiteForm):
    laboratory = forms.ModelChoiceField(
        Laboratory.objects.all(),
        empty_label="Choose the laboratory",
        error_messages={"invalid_choice": "Choose one of the laboratories in the list."},
    )
    lots = SplitsField(
        Lot.objects.of_kind(Lot.Kind.ASSAY_SPLIT), label="Splits to send", widget=forms.CheckboxSelectMultiple
    )
    method = forms.ChoiceField(
        choices=[("", "Choose the method to ask for"), *Dispatch.Method.choices],
        help_text="Fire assay counts all the gold of one charge; screen fire assay is the one for visible gold.",
        error_messages={"invalid_choice": "Choose one of the methods in the list."},
    )
    sent_on = DayField(label="Day sent")
    expected_on = DayField(label="Return expected", initial=None, required=False)
    note = note_field("Not printed for the laboratory, except to say which method “Other” is.")

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.has_laboratory = Laboratory.objects.exists()
        # Shown are the splits free to go. A form sent twice still finds its lots: the action says what has gone already.
        free = Lot.objects.in_stock().of_kind(Lot.Kind.ASSAY_SPLIT).filter(sample__isnull=True).order_by("pk")
        self.fields["lots"].widget.choices = [(lot.pk, self._words(lot)) for lot in free]
        self.has_splits = bool(self.fields["lots"].widget.choices)

    def _words(self, lot: Lot) -> str:
        what = f", {lot.title}" if lot.title else ""
        return f"{lot.code}{what}, {units.format_mass(lot.on_hand_g, self.member.mass_unit)}"

    def entry(self) -> dict:
        data = self.cleaned_data
        return {name: data[name] for name in ("laboratory", "sent_on", "method", "expected_on", "note")} | {
            "lots": list(data["lots"])
        }
