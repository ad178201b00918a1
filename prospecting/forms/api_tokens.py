"""A token for a program: what it is for, how long it holds, and whether it may also record."""

from django import forms
from django.utils.translation import gettext_lazy

from prospecting.forms.members import AskingForm
from prospecting.models import Member

HOLDS = [
    ("30", gettext_lazy("30 days")),
    ("90", gettext_lazy("90 days")),
    ("365", gettext_lazy("a year")),
]


class ApiTokenForm(AskingForm):
    name = forms.CharField(
        label=gettext_lazy("What it is for"),
        max_length=80,
        # Or a browser takes it for the user name that the password belongs to.
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
        help_text=gettext_lazy(
            "The program or device that will hold it: the scale in the shed, a spreadsheet"
        ),
    )
    days = forms.TypedChoiceField(
        label=gettext_lazy("It holds for"), choices=HOLDS, initial="90", coerce=int, widget=forms.RadioSelect
    )
    may_record = forms.BooleanField(
        label=gettext_lazy("It may also record runs"),
        required=False,
        help_text=gettext_lazy(
            "Leave this off where reading is enough: whoever finds the token can do no more than it may."
        ),
    )
    field_order = ["name", "days", "may_record", "current_password"]

    def __init__(self, *args, member: Member, **kwargs) -> None:
        super().__init__(*args, member=member, **kwargs)
        if not member.can_write:
            del self.fields["may_record"]

    def values(self) -> dict:
        return {name: self.cleaned_data[name] for name in ("name", "days")} | {
            "may_record": self.cleaned_data.get("may_record", False)
        }
