"""The paper that labels with a code are printed on."""

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase
from prospecting.forms.base import CountField
from prospecting.forms.tags import LABEL_SHEETS, label_sheet, sheet_choices


class CodeLabelsForm(forms.Form):
    """What paper the labels of bags or tubs are printed on. Sent by GET."""

    sheet = forms.ChoiceField(
        label=gettext_lazy("Paper"), choices=lambda: sheet_choices()[:2], initial=next(iter(LABEL_SHEETS))
    )
    first_label = CountField(
        label=gettext_lazy("First free label"),
        least=1,
        most=500,
        initial=1,
        help_text=gettext_lazy("For a sheet used before: counted row by row from the upper left."),
    )
    outlines = forms.BooleanField(
        label=gettext_lazy("Print the edges too, to cut plain paper along them"), required=False
    )

    def clean(self) -> dict:
        data = super().clean()
        if self.errors:
            return data
        self.label_sheet = label_sheet(data["sheet"])
        labels = len(self.label_sheet.places())
        if data["first_label"] > labels:
            self.add_error(
                "first_label",
                ValidationError(
                    phrase("This sheet has {number} labels.", number=labels), code="out_of_range"
                ),
            )
        return data
