"""Marking what is spilled, mixed up or unclean, and lifting the mark."""

from django import forms
from django.utils.translation import gettext_lazy

from prospecting.forms.base import DayField, SiteForm
from prospecting.models import Contamination


class MarkForm(SiteForm):
    kind = forms.ChoiceField(
        label=gettext_lazy("What happened"), choices=Contamination.Kind.choices, widget=forms.RadioSelect
    )
    what = forms.CharField(
        label=gettext_lazy("In words"),
        max_length=300,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text=gettext_lazy("What got in, how much about, who saw it."),
    )
    since = DayField(
        label=gettext_lazy("Since"),
        done=True,
        required=False,
        initial=None,
        help_text=gettext_lazy(
            "What was taken from the lot on an earlier day counts as clean; the day itself does not. "
            "Left empty: nobody knows, so whatever was taken from it is marked."
        ),
    )

    def values(self) -> dict:
        return {name: self.cleaned_data[name] for name in ("kind", "what", "since")}


class LiftMarkForm(SiteForm):
    reason = forms.CharField(
        label=gettext_lazy("Why it is lifted"),
        max_length=200,
        help_text=gettext_lazy("Like: it was the other bucket, which has its own mark."),
    )
