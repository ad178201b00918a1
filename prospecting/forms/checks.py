"""A return with a failed check, and whether its values count all the same."""

from django import forms
from django.utils.translation import gettext_lazy

from prospecting.forms.base import SiteForm


class AcceptForm(SiteForm):
    reason = forms.CharField(
        label=gettext_lazy("Why the values may be used although a check failed"),
        max_length=200,
        help_text=gettext_lazy(
            "For example: the coarse blank was assayed again, its packet had been opened; its letter is in the folder."
        ),
    )

    def entry(self) -> dict:
        return {"reason": self.cleaned_data["reason"]}
