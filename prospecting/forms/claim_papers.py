"""Papers and photos of a claim."""

from django import forms

from prospecting.forms.base import DayField, SiteForm, note_field
from prospecting.forms.ground import one_line


class ClaimPaperForm(SiteForm):
    title = forms.CharField(
        label="What it is",
        max_length=120,
        help_text="Location notice, receipt of the yearly fee, permission, map.",
    )
    upload = forms.FileField(
        label="The file",
        max_length=200,
        widget=forms.FileInput(attrs={"accept": "application/pdf,image/jpeg,image/png"}),
        help_text="PDF, JPEG or PNG, at most 10 MB. It is kept byte for byte, for members only: a photo keeps the position "
        "the camera wrote into it.",
        error_messages={"empty": "This file is empty.", "max_length": "The file's name is too long."},
    )
    dated_on = DayField(label="Day of the paper", required=False, initial=None, done=True)
    note = note_field("What it says that matters; where the original lies.")

    def values(self) -> dict:
        data = self.cleaned_data
        return {
            "title": one_line(data["title"]),
            "upload": data["upload"],
            "dated_on": data["dated_on"],
            "note": data["note"],
        }


class ClaimPaperVoidForm(SiteForm):
    reason = forms.CharField(
        label="Why it is voided", max_length=200, help_text="Like: the wrong claim, or an older copy."
    )
