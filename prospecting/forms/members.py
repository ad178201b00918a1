"""Signing in, members and invitations, and each one's own units, password and one-time codes."""

from collections.abc import Callable

from django import forms
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.hashers import make_password
from django.core.exceptions import ValidationError
from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase, phrase_counted
from prospecting.forms.base import SiteForm
from prospecting.models import Member

# 15 signs are what OWASP ASVS 5.0 advises (6.2.1), and no rule of what they must be made of (6.2.5).
GOOD_PASSWORD = gettext_lazy(
    "At least 10 signs, better 15 or more: a few words in a row are easy to keep in mind."
)
USERNAME_ATTRS = {"autocomplete": "off", "autocapitalize": "none", "spellcheck": "false"}


def password_field(label: str, *, autocomplete: str = "new-password", **kwargs) -> forms.CharField:
    # Spaces at the ends belong to a password; 128 signs are enough, and hashing megabytes would hold up the site.
    widget = forms.PasswordInput(attrs={"autocomplete": autocomplete})
    return forms.CharField(label=label, strip=False, max_length=128, widget=widget, **kwargs)


class SignInForm(AuthenticationForm):
    error_messages = {
        "invalid_login": gettext_lazy("User name and password don't fit together. Capitals matter in both."),
    }

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["username"].label = gettext_lazy("User name")
        self.fields["password"].max_length = 128

    def get_invalid_login_error(self) -> ValidationError:
        error = super().get_invalid_login_error()
        wait = getattr(self.request, "minutes_to_wait", 0)
        return ValidationError(wait_sentence(wait), code="wait") if wait else error


def wait_sentence(minutes: int) -> str:
    """Why the next try is not looked at, the same whatever was wrong and whoever it was."""
    return phrase_counted(
        "Too many wrong tries. Wait {number} minute, then try again.",
        "Too many wrong tries. Wait {number} minutes, then try again.",
        minutes,
    )


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
            self.add_error(
                "password_again", ValidationError(phrase("The two passwords differ."), code="differ")
            )


def name_fields() -> tuple[forms.CharField, forms.CharField]:
    attrs = {"autocomplete": "off"}
    return (
        forms.CharField(
            label=gettext_lazy("First name"),
            max_length=150,
            required=False,
            widget=forms.TextInput(attrs=attrs),
        ),
        forms.CharField(
            label=gettext_lazy("Last name"),
            max_length=150,
            required=False,
            widget=forms.TextInput(attrs=attrs),
        ),
    )


def username_field(*, autocomplete: str = "off") -> forms.CharField:
    return forms.CharField(
        label=gettext_lazy("User name"),
        max_length=150,
        help_text=gettext_lazy("For signing in. Letters, digits and . _ - are easiest on a phone."),
        widget=forms.TextInput(attrs=USERNAME_ATTRS | {"autocomplete": autocomplete}),
    )


class AskingForm(PasswordsForm):
    """A form that asks once more for the password of whoever is signed in: an open page alone must not do this.

    `ask` is given what was typed and returns why it won't do, or nothing; it counts what is wrong, and so is not done here.
    """

    current_password = password_field(gettext_lazy("Your own password"), autocomplete="current-password")

    def __init__(self, *args, ask: Callable[[str], str], **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.ask = ask

    def clean_current_password(self) -> str:
        current = self.cleaned_data["current_password"]
        if sentence := self.ask(current):
            raise ValidationError(sentence, code="wrong_password")
        return current


class KeeperMakingForm(AskingForm):
    """A form that may make a keeper, or let one in again, and only then asks for the password: a keeper can do anything."""

    current_password = password_field(
        gettext_lazy("Your own password"),
        autocomplete="current-password",
        required=False,
        help_text=gettext_lazy("Only to make somebody a keeper, or to let a keeper in again."),
    )

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        if self.initial.get("role") == Member.Role.KEEPER and self.initial.get("is_active"):
            del self.fields["current_password"]

    def clean_current_password(self) -> str:
        current = self.cleaned_data["current_password"]
        # A form without the tick makes members who may sign in.
        may_sign_in = self.cleaned_data.get("is_active", "is_active" not in self.fields)
        if self.cleaned_data.get("role") != Member.Role.KEEPER or not may_sign_in:
            return ""
        if not current:
            raise ValidationError(
                phrase("To make somebody a keeper, or let one in again, give your own password."),
                code="required",
            )
        return super().clean_current_password()


class MemberAddForm(KeeperMakingForm):
    username = username_field()
    first_name, last_name = name_fields()
    role = forms.ChoiceField(
        label=gettext_lazy("Role"), choices=Member.Role, initial=Member.Role.MEMBER, widget=forms.RadioSelect
    )
    password = password_field(
        gettext_lazy("First password"),
        help_text=format_lazy("{} {}", GOOD_PASSWORD, gettext_lazy("They can change it under My settings.")),
    )
    password_again = password_field(gettext_lazy("The same password again"))
    field_order = [
        "username",
        "first_name",
        "last_name",
        "role",
        "password",
        "password_again",
        "current_password",
    ]

    def values(self) -> dict:
        return {
            name: self.cleaned_data[name]
            for name in ("username", "first_name", "last_name", "role", "password")
        }


class MemberEditForm(KeeperMakingForm):
    first_name, last_name = name_fields()
    role = forms.ChoiceField(label=gettext_lazy("Role"), choices=Member.Role, widget=forms.RadioSelect)
    is_active = forms.BooleanField(
        label=gettext_lazy("May sign in"),
        required=False,
        help_text=gettext_lazy(
            "Without the tick they are out at once. What they recorded stays, under their name."
        ),
    )
    field_order = ["first_name", "last_name", "role", "is_active", "current_password"]

    def values(self) -> dict:
        return {name: self.cleaned_data[name] for name in ("first_name", "last_name", "role", "is_active")}


def member_before(member: Member) -> dict:
    return {name: getattr(member, name) for name in ("first_name", "last_name", "role", "is_active")}


class MemberPasswordForm(AskingForm):
    password = password_field(gettext_lazy("New password"), help_text=GOOD_PASSWORD)
    password_again = password_field(gettext_lazy("The same password again"))
    field_order = ["password", "password_again", "current_password"]


class MemberCodesOffForm(AskingForm):
    why = forms.CharField(
        label=gettext_lazy("Why"),
        max_length=200,
        help_text=gettext_lazy("And how you know that it is them who asks: for the journal."),
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    field_order = ["why", "current_password"]


class OwnPasswordForm(AskingForm):
    current_password = password_field(
        gettext_lazy("Your password until now"), autocomplete="current-password"
    )
    password = password_field(gettext_lazy("New password"), help_text=GOOD_PASSWORD)
    password_again = password_field(gettext_lazy("The same password again"))


class InviteForm(KeeperMakingForm):
    meant_for = forms.CharField(
        label=gettext_lazy("For whom"),
        max_length=120,
        help_text=gettext_lazy("A name you know them by. They choose their user name."),
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    role = forms.ChoiceField(
        label=gettext_lazy("Role"), choices=Member.Role, initial=Member.Role.MEMBER, widget=forms.RadioSelect
    )
    days = forms.TypedChoiceField(
        label=gettext_lazy("Open for"),
        choices=[(1, gettext_lazy("1 day")), (7, gettext_lazy("7 days")), (30, gettext_lazy("30 days"))],
        coerce=int,
        initial=7,
        widget=forms.RadioSelect,
    )
    field_order = ["meant_for", "role", "days", "current_password"]

    def values(self) -> dict:
        return {name: self.cleaned_data[name] for name in ("meant_for", "role", "days")}


OWN_UNITS = ("mass_unit", "grade_unit", "dose_unit", "decimal_mark")


def own_units(member: Member) -> dict:
    """How a member has numbers shown."""
    return {name: getattr(member, name) for name in OWN_UNITS}


class OwnUnitsForm(SiteForm):
    mass_unit = forms.ChoiceField(
        label=gettext_lazy("Ore and material in"), choices=Member.MassUnit, widget=forms.RadioSelect
    )
    grade_unit = forms.ChoiceField(
        label=gettext_lazy("Grade in"), choices=Member.GradeUnit, widget=forms.RadioSelect
    )
    dose_unit = forms.ChoiceField(
        label=gettext_lazy("Dose in"), choices=Member.DoseUnit, widget=forms.RadioSelect
    )
    decimal_mark = forms.ChoiceField(
        label=gettext_lazy("Decimals after"),
        choices=Member.DecimalMark,
        widget=forms.RadioSelect,
        help_text=gettext_lazy(
            "Type either. Only 1,234 could mean two things: with the comma chosen it is a little over one, with the point "
            "the site asks. Files that leave have points."
        ),
    )

    def values(self) -> dict:
        return {name: self.cleaned_data[name] for name in OWN_UNITS}


class JoinForm(OwnUnitsForm, PasswordsForm):
    username = username_field(autocomplete="username")
    first_name, last_name = name_fields()
    password = password_field(
        gettext_lazy("Password"),
        help_text=format_lazy("{} {}", GOOD_PASSWORD, gettext_lazy("Nobody else gets to see it.")),
    )
    password_again = password_field(gettext_lazy("The same password again"))
    field_order = [
        "username",
        "first_name",
        "last_name",
        "password",
        "password_again",
        *OWN_UNITS,
    ]

    def values(self) -> dict:
        typed = ("username", "first_name", "last_name", "password")
        return {name: self.cleaned_data[name] for name in typed} | {"units": super().values()}


def code_field(label: str = gettext_lazy("Code"), **kwargs) -> forms.CharField:
    # Recovery codes are letters too, so that the keypad of digits is only proposed where none can be used.
    attrs = USERNAME_ATTRS | {"autocomplete": "one-time-code"}
    return forms.CharField(label=label, max_length=32, widget=forms.TextInput(attrs=attrs), **kwargs)


class SignInCodeForm(forms.Form):
    code = code_field(
        help_text=gettext_lazy("The six digits your phone shows now, or one of your recovery codes.")
    )


class FirstCodeForm(SiteForm):
    code = code_field(gettext_lazy("The six digits it shows now"))

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["code"].widget.attrs["inputmode"] = "numeric"


class PasswordForm(AskingForm):
    pass


class PasswordAndCodeForm(AskingForm):
    """`ask_code` is asked only once the password is right: a code is used up by being asked for."""

    code = code_field(
        help_text=gettext_lazy("The six digits your phone shows now, or one of your recovery codes.")
    )

    def __init__(self, *args, ask_code: Callable[[str], str], **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.ask_code = ask_code

    def clean(self) -> None:
        super().clean()
        if not self.errors and (sentence := self.ask_code(self.cleaned_data["code"])):
            self.add_error("code", ValidationError(sentence, code="wrong_code"))
