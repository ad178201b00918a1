"""Laboratories, dispatches and returns: what is typed or uploaded becomes typed values and certificates."""

import re
from collections.abc import Iterator, Sequence
from decimal import Decimal

from django import forms
from django.core.exceptions import ValidationError

from prospecting.calc import guard, units
from prospecting.forms.base import DayField, SiteForm
from prospecting.models import Dispatch, Laboratory, Lot, Reading, Sample
from prospecting.readers import marks
from prospecting.readers.titles import GRADE_UNITS

UNIT_CHOICES = [("", "Choose the unit printed on the certificate"), *((unit, unit) for unit in GRADE_UNITS)]
# The guard's questions shown at once; a batch in the wrong unit would bring one for every sample.
MOST_QUESTIONS = 4


def note_field(help_text: str = "") -> forms.CharField:
    return forms.CharField(
        label="Note", max_length=2000, required=False, help_text=help_text, widget=forms.Textarea(attrs={"rows": 3})
    )


class LaboratoryForm(SiteForm):
    name = forms.CharField(label="Name", max_length=100)
    note = note_field("Address, how to reach them, what they charge.")

    def entry(self) -> dict:
        return {name: self.cleaned_data[name] for name in ("name", "note")}


class DispatchForm(SiteForm):
    laboratory = forms.ModelChoiceField(
        Laboratory.objects.all(),
        empty_label="Choose the laboratory",
        error_messages={"invalid_choice": "Choose one of the laboratories in the list."},
    )
    lots = forms.ModelMultipleChoiceField(
        Lot.objects.of_kind(Lot.Kind.ASSAY_SPLIT),
        label="Splits to send",
        widget=forms.CheckboxSelectMultiple,
        error_messages={
            "required": "Tick at least one split to send.",
            "invalid_choice": "One of the ticks is no split for assay. Look at them again.",
            "invalid_pk_value": "One of the ticks is no split for assay. Look at them again.",
        },
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


class ChooseReadingForm(SiteForm):
    reading = forms.ModelChoiceField(
        Reading.objects.none(),
        widget=forms.RadioSelect,
        empty_label=None,
        error_messages={
            "required": "Choose one of the readings.",
            "invalid_choice": "Choose one of the readings in the list.",
        },
    )
    reason = forms.CharField(
        label="Why this one",
        max_length=200,
        help_text="For example: the first was over the method's limit; the laboratory withdrew the first.",
    )

    def __init__(self, *args, sample: Sample, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["reading"].queryset = sample.readings.usable().in_turn().select_related("assay_return")
        self.fields["reading"].initial = sample.reading_in_use_id

    def entry(self) -> dict:
        return {"reading": self.cleaned_data["reading"], "reason": self.cleaned_data["reason"]}


class UploadForm(SiteForm):
    upload = forms.FileField(
        label="The laboratory's file",
        help_text="A CSV file as it came, at most 2 MB. Nothing is stored before you have seen what was read.",
        widget=forms.ClearableFileInput(attrs={"accept": ".csv,.txt,.tsv,text/csv,text/plain"}),
        max_length=200,
        error_messages={"required": "Choose the file.", "empty": "The file is empty."},
    )
