"""Taking the whole books as a file: which one, and that its reader knows what it holds."""

from collections.abc import Sequence

from django import forms
from django.utils.translation import gettext_lazy

from prospecting.forms.members import AskingForm
from trials.models import Trial


class BooksForm(AskingForm):
    kind = forms.ChoiceField(
        label=gettext_lazy("As"),
        choices=[
            (
                "zip",
                gettext_lazy("a ZIP: every table and the photos, to be taken in again or read by a program"),
            ),
            ("xlsx", gettext_lazy("a spreadsheet: one table to a sheet, without photos and long files")),
        ],
        initial="zip",
        widget=forms.RadioSelect,
        error_messages={
            "required": gettext_lazy("Choose one of the two."),
            "invalid_choice": gettext_lazy("Choose one of the two."),
        },
    )
    kept_safe = forms.BooleanField(
        label=gettext_lazy("I keep it where only keepers reach it"),
        error_messages={
            "required": gettext_lazy("Tick this: the file tells where the ground is and who works it.")
        },
    )
    not_blind = forms.BooleanField(
        label=gettext_lazy("I know that I am no longer blind in these trials"),
        error_messages={
            "required": gettext_lazy("Tick this too: the file holds keys that are still hidden.")
        },
    )

    field_order = ["kind", "kept_safe", "not_blind", "current_password"]

    def __init__(self, *args, hidden_keys: Sequence[Trial], **kwargs) -> None:
        super().__init__(*args, **kwargs)
        if not hidden_keys:
            del self.fields["not_blind"]
