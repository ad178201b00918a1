"""Which reading of a sample counts."""

from django import forms

from prospecting.forms.base import SiteForm
from prospecting.models import Reading, Sample


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
