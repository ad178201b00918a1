from django import forms

from prospecting.forms.base import SiteForm


class SetAsideForm(SiteForm):
    reason = forms.CharField(
        label="Why it is set aside",
        max_length=200,
        help_text="Like: logged on paper and entered already; the same bucket was discarded twice.",
    )
