"""Papers and photos of a claim."""

from django import forms
from django.utils.translation import gettext_lazy

from prospecting.calc.accepted_files import PAPER
from prospecting.forms.base import DayField, SiteForm, note_field
from prospecting.forms.files import AcceptedFileField
from prospecting.forms.ground import one_line


class ClaimPaperForm(SiteForm):
    title = forms.CharField(
        label=gettext_lazy("What it is"),
        max_length=120,
        help_text=gettext_lazy("Location notice, receipt of the yearly fee, permission, map."),
    )
    upload = AcceptedFileField(
        PAPER,
        label=gettext_lazy("The file"),
        help_text=gettext_lazy(
            "For members only. A PDF is kept as it comes, and may tell where it was made. A picture is redrawn as a "
            "JPEG, at most 3600 pixels long, and the position the camera wrote into it is taken out."
        ),
    )
    keep_original = forms.BooleanField(
        label=gettext_lazy("Keep the picture as it came, with its position"),
        required=False,
        help_text=gettext_lazy(
            "Only where the original itself is the evidence: any member who saves it can read where it was taken."
        ),
    )
    dated_on = DayField(label=gettext_lazy("Day of the paper"), required=False, initial=None, done=True)
    note = note_field(gettext_lazy("What it says that matters; where the original lies."))

    def values(self) -> dict:
        data = self.cleaned_data
        return {
            "title": one_line(data["title"]),
            "upload": data["upload"],
            "keep_original": data["keep_original"],
            "dated_on": data["dated_on"],
            "note": data["note"],
        }


class ClaimPaperVoidForm(SiteForm):
    reason = forms.CharField(
        label=gettext_lazy("Why it is voided"),
        max_length=200,
        help_text=gettext_lazy("Like: the wrong claim, or an older copy."),
    )
