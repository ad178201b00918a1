"""The water of a season, asked for on pages that put a cost to a dose."""

from django import forms
from django.utils.translation import gettext_lazy

from prospecting.forms.base import VolumeField
from prospecting.models import Member


class SeasonForm(forms.Form):
    """By GET; left blank, the water of the last year in the books is taken."""

    water = VolumeField(
        label=gettext_lazy("Water of a season"),
        required=False,
        help_text=gettext_lazy("With its unit: 400 L, 100 gal (US)"),
    )

    def __init__(self, *args, member: Member, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["water"].set_unit("gal" if member.dose_unit == Member.DoseUnit.TSP_PER_US_GAL else "L")
