"""Signing in, members, and each one's own units and password."""

from django import forms
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.hashers import make_password
from django.core.exceptions import ValidationError

from prospecting.forms.base import SiteForm
from prospecting.models import Member

USERNAME_ATTRS = {"autocomplete": "off", "autocapitalize": "none", "spellcheck": "false"}


def password_field(label: str, *, autocomplete: str = "new-password", **kwargs) -> forms.CharField:
    # Spaces at the ends belong to a password; 128 signs are enough, and hashing megabytes would hold up the site.
    widget = forms.PasswordInput(attrs={"autocomplete": autocomplete})
    return forms.CharField(label=label, strip=False, max_length=128, widget=widget, **kwargs)


class SignInForm(AuthenticationForm):
    error_messages = {
        "invalid_login": "User name and password don't fit together. Capitals matter in both.",
        "inactive": "This account is switched off. Ask a keeper.",
    }

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["username"].label = "User name"
        self.fields["password"].max_length = 128


class PasswordsForm(SiteForm):
    """A form with passwords. What identifies the entry holds their slow hash, never a quick one that could be tried out."""

    secret = ("password", "password_again", "current_password")

    def typed_body(self) -> dict:
        body = super().typed_body()
        salt = self.cleaned_data["identity"].hex
        for name in self.secret:
            if name in body:
                body[name] = [make_password(text, salt=salt) for text in body[name]]
        return body

    def clean(self) -> None:
        first, again = self.cleaned_data.get("password"), self.cleaned_data.get("password_again")
        if first and again and first != again:
            self.add_error("password_again", ValidationError("The two passwords differ.", code="differ"))


def name_fields() -> tuple[forms.CharField, forms.CharField]:
    return (
        forms.CharField(label="First name", max_length=150, required=False),
        forms.CharField(label="Last name", max_length=150, required=False),
    )


class MemberAddForm(PasswordsForm):
    username = forms.CharField(
        label="User name",
        max_length=150,
        help_text="For signing in. Letters, digits and . _ - are easiest on a phone.",
        widget=forms.TextInput(attrs=USERNAME_ATTRS),
    )
    first_name, last_name = name_fields()
    role = forms.ChoiceField(choices=Member.Role, initial=Member.Role.MEMBER, widget=forms.RadioSelect)
    password = password_field(
        "First password", help_text="At least 10 signs. They can change it under My settings."
    )
    password_again = password_field("The same password again")

    def values(self) -> dict:
        return {
            name: self.cleaned_data[name]
            for name in ("username", "first_name", "last_name", "role", "password")
        }


class MemberEditForm(SiteForm):
    first_name, last_name = name_fields()
    role = forms.ChoiceField(choices=Member.Role, widget=forms.RadioSelect)
    is_active = forms.BooleanField(
        label="May sign in",
        required=False,
        help_text="Without the tick they are out at once. What they recorded stays, under their name.",
    )

    def values(self) -> dict:
        return {name: self.cleaned_data[name] for name in ("first_name", "last_name", "role", "is_active")}


class MemberPasswordForm(PasswordsForm):
    password = password_field("New password", help_text="At least 10 signs, not a common one.")
    password_again = password_field("The same password again")


class OwnPasswordForm(PasswordsForm):
    current_password = password_field("Your password until now", autocomplete="current-password")
    password = password_field("New password", help_text="At least 10 signs, not a common one.")
    password_again = password_field("The same password again")

    def clean_current_password(self) -> str:
        current = self.cleaned_data["current_password"]
        if not self.member.check_password(current):
            raise ValidationError("This is not your password.", code="wrong_password")
        return current


class OwnUnitsForm(SiteForm):
    mass_unit = forms.ChoiceField(
        label="Ore and material in", choices=Member.MassUnit, widget=forms.RadioSelect
    )
    grade_unit = forms.ChoiceField(label="Grade in", choices=Member.GradeUnit, widget=forms.RadioSelect)
    dose_unit = forms.ChoiceField(label="Dose in", choices=Member.DoseUnit, widget=forms.RadioSelect)

    def values(self) -> dict:
        return {name: self.cleaned_data[name] for name in ("mass_unit", "grade_unit", "dose_unit")}
