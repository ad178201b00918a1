from django import forms
from django.utils.translation import gettext_lazy

from prospecting.forms.base import SiteForm


class SetAsideForm(SiteForm):
    reason = forms.CharField(
        label=gettext_lazy("Why it is set aside"),
        max_length=200,
        help_text=gettext_lazy(
            "Like: logged on paper and entered already; the same bucket was discarded twice."
        ),
    )
