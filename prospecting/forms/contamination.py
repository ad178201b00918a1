"""Marking what is spilled, mixed up or unclean, and lifting the mark."""

from django import forms

from prospecting.forms.base import DayField, SiteForm
from prospecting.models import Contamination


class MarkForm(SiteForm):
    kind = forms.ChoiceField(
        label="What happened", choices=Contamination.Kind.choices, widget=forms.RadioSelect
    )
    what = forms.CharField(
        label="In words",
        max_length=300,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="What got in, how much about, who saw it.",
    )
    since = DayField(
        label="Since",
        done=True,
        required=False,
        initial=None,
        help_text="What was taken from the lot on an earlier day counts as clean; the day itself does not. "
        "Left empty: nobody knows, so whatever was taken from it is marked.",
    )

    def values(self) -> dict:
        return {name: self.cleaned_data[name] for name in ("kind", "what", "since")}


class LiftMarkForm(SiteForm):
    reason = forms.CharField(
        label="Why it is lifted",
        max_length=200,
        help_text="Like: it was the other bucket, which has its own mark.",
    )
