"""Which reading of a sample counts."""

from django import forms
from django.utils.text import capfirst
from django.utils.translation import gettext_lazy

from prospecting.forms.base import SiteForm
from prospecting.models import Reading, Sample


class ChooseReadingForm(SiteForm):
    reading = forms.ModelChoiceField(
        Reading.objects.none(),
        label=gettext_lazy("Reading"),
        widget=forms.RadioSelect,
        empty_label=None,
        error_messages={
            "required": gettext_lazy("Choose one of the readings."),
            "invalid_choice": gettext_lazy("Choose one of the readings in the list."),
        },
    )
    reason = forms.CharField(
        label=gettext_lazy("Why this one"),
        max_length=200,
        help_text=gettext_lazy(
            "For example: the first was over the method's limit; the laboratory withdrew the first."
        ),
    )

    def __init__(self, *args, sample: Sample, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["reading"].queryset = (
            sample.readings.usable()
            .standing()
            .of_whole()
            .in_turn()
            .select_related("assay_return")
            .defer("assay_return__file_bytes")
        )
        self.fields["reading"].initial = sample.reading_in_use_id

    def entry(self) -> dict:
        return {"reading": self.cleaned_data["reading"], "reason": self.cleaned_data["reason"]}


class RuleForm(SiteForm):
    """By which rule values count, of one sample or of all of a dispatch."""

    rule = forms.ChoiceField(
        label=gettext_lazy("Which value counts"),
        choices=lambda: [
            (rule, f"{capfirst(rule.label)}. {rule.meaning}")
            for rule in Sample.Rule
            if rule != Sample.Rule.CHOSEN
        ],
        widget=forms.RadioSelect,
        error_messages={
            "required": gettext_lazy("Choose one of the rules."),
            "invalid_choice": gettext_lazy("Choose one of the rules in the list."),
        },
    )
    reason = forms.CharField(
        label=gettext_lazy("Why this rule"),
        max_length=200,
        help_text=gettext_lazy(
            "For example: settled before the readings came; coarse gold, so the screen fire assay."
        ),
    )

    def __init__(self, *args, rule: str | None = None, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["rule"].initial = rule

    def entry(self) -> dict:
        return {"rule": self.cleaned_data["rule"], "reason": self.cleaned_data["reason"]}
