"""What every form of the site shares: quantities typed with their unit, an identity, refusals beside their field."""

import datetime
import hashlib
import json
import re
import uuid
from collections.abc import Callable, Mapping
from decimal import ROUND_HALF_EVEN, Decimal

from django import forms
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import UploadedFile
from django.utils import timezone
from django.utils.datastructures import MultiValueDict
from django.utils.functional import lazy
from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.calc.units import Quantity

UNIT_LABELS = {
    "lb": "lb",
    "kg": "kg",
    "g": "g",
    "mg": "mg",
    "g_per_t": "g/t",
    "ozt_per_short_ton": "troy oz per short ton",
    "tsp_per_us_gal": "tsp per US gal",
    "ml_per_l": "mL/L",
    "gal": "US gal",
}
# What the database keeps: a hundredth of a milligram.
MASS_STEP_G = Decimal("0.00001")
# A sentence with parts that is said only where it is shown: a label is read on its page, and again for the books.
phrase_later = lazy(phrase, str)
_COMMA_WITHIN = re.compile(r"(?<=\d),(?=\d)")


class QuantityField(forms.CharField):
    """A number as people type it, with or without its unit; cleans to a Quantity (canonical value, typed text).

    `read` turns text and default unit into a Quantity or raises ValueError with a sentence. What was typed is kept with
    the unit it was read in, so that it can be shown back as typed.
    """

    def __init__(
        self, *, read: Callable[[str, str], Quantity], unit: str, step: Decimal | None = None, **kwargs
    ) -> None:
        # Room for the unit that _with_unit adds within the 40 signs the database keeps.
        kwargs.setdefault("max_length", 24)
        super().__init__(**kwargs)
        self.read = read
        self.step = step
        self.set_unit(unit)

    def set_unit(self, unit: str) -> None:
        self.unit = unit
        self.unit_label = UNIT_LABELS.get(unit, unit)

    def prepare_value(self, value):
        return _as_shown(value)

    def widget_attrs(self, widget) -> dict:
        # Not type=number: that refuses "22 lb 4 oz" and a comma. The decimal keypad still has digits, point and comma.
        return super().widget_attrs(widget) | {
            "autocomplete": "off",
            "autocapitalize": "off",
            "spellcheck": "false",
        }

    def clean(self, value: str) -> Quantity | None:
        text = super().clean(value)
        if not text:
            return None
        try:
            quantity = self.read(text, self.unit)
        except ValueError as error:
            raise ValidationError(str(error), code="quantity") from None
        canonical = quantity.canonical
        if self.step is not None:
            canonical = canonical.quantize(self.step, rounding=ROUND_HALF_EVEN)
            if canonical == 0 and quantity.canonical != 0:
                raise ValidationError(phrase("That is too small to record."), code="too_small")
        return Quantity(
            value=quantity.value, unit=quantity.unit, canonical=canonical, typed=_with_unit(quantity)
        )


def _as_shown(value):
    """A number with its reader's decimal mark; what is text already was typed by somebody, or is written as wanted."""
    return numeral(value) if isinstance(value, Decimal | float) else value


def _with_unit(quantity: Quantity) -> str:
    """The typed text, with the unit it was read in where none was typed."""
    typed = " ".join(quantity.typed.split())
    return (
        typed
        if any(sign.isalpha() for sign in typed)
        else f"{typed} {UNIT_LABELS.get(quantity.unit, quantity.unit)}"
    )


class MassField(QuantityField):
    """Ore or material; the member's own unit is understood where none is typed. Cleans to grams."""

    def __init__(self, *, unit: str = "lb", **kwargs) -> None:
        kwargs.setdefault("help_text", gettext_lazy("Also with its unit: 22 lb, 22 lb 4 oz, 10.2 kg, 454 g"))
        super().__init__(read=units.parse_mass, unit=unit, step=MASS_STEP_G, **kwargs)


class GoldMassField(QuantityField):
    """Gold; milligrams where no unit is typed. Cleans to milligrams."""

    def __init__(self, *, unit: str = "mg", **kwargs) -> None:
        kwargs.setdefault("help_text", gettext_lazy("In mg, or with its unit: 0.08 g, 2 grains"))
        super().__init__(read=units.parse_gold_mass, unit=unit, step=Decimal("0.0001"), **kwargs)


class VolumeField(QuantityField):
    """Water or product. Cleans to millilitres."""

    def __init__(self, *, unit: str = "L", **kwargs) -> None:
        kwargs.setdefault("help_text", gettext_lazy("With its unit: 9 L, 2 gal (US), 500 mL"))
        super().__init__(read=units.parse_volume, unit=unit, step=Decimal("0.01"), **kwargs)


class WaterField(VolumeField):
    """Water in a tub; gallons are understood where the member doses by the gallon, litres otherwise."""

    def __init__(self, **kwargs) -> None:
        kwargs.setdefault("help_text", gettext_lazy("Also with its unit: 9 L, 2 gal (US)"))
        super().__init__(**kwargs)


class GradeField(QuantityField):
    """A gold grade; the member's own unit is understood where none is typed. Cleans to g/t."""

    def __init__(self, *, unit: str = "g_per_t", **kwargs) -> None:
        super().__init__(read=units.parse_grade, unit=unit, step=Decimal("0.000001"), **kwargs)


class NumberField(forms.CharField):
    """A plain number as people type it (decimal comma, any script's digits); cleans to Decimal."""

    def __init__(
        self, *, least: Decimal | int = 0, most: Decimal | int, places: int, unit_label: str = "", **kwargs
    ) -> None:
        kwargs.setdefault("max_length", 20)
        # Before the field makes its widget, whose attributes name the least number.
        self.least, self.most, self.places, self.unit_label = least, most, places, unit_label
        super().__init__(**kwargs)

    def prepare_value(self, value):
        return _as_shown(value)

    def widget_attrs(self, widget) -> dict:
        return super().widget_attrs(widget) | {"inputmode": "decimal", "autocomplete": "off"}

    def clean(self, value: str) -> Decimal | None:
        text = super().clean(value)
        if not text:
            return None
        try:
            number = units.parse_number(text)
        except ValueError as error:
            raise ValidationError(str(error), code="number") from None
        if not self.least <= number <= self.most:
            raise ValidationError(
                phrase(
                    "Give a number from {least} to {most}.",
                    least=numeral(self.least),
                    most=numeral(self.most),
                ),
                code="out_of_range",
            )
        return number.quantize(Decimal(1).scaleb(-self.places))


class CountField(NumberField):
    """A whole number; cleans to int. Its input can be stepped by the tap counters."""

    def __init__(self, *, least: int = 0, most: int = 9999, **kwargs) -> None:
        super().__init__(least=least, most=most, places=0, **kwargs)

    def widget_attrs(self, widget) -> dict:
        return super().widget_attrs(widget) | {"inputmode": "numeric", "min": str(self.least)}

    def clean(self, value: str) -> int | None:
        number = super().clean(value)
        if number is None:
            return None
        text = units.parse_number(value)
        if text != number:
            raise ValidationError(phrase("Give a whole number."), code="not_whole")
        return int(number)


class DayField(forms.DateField):
    """A day, today unless told; the device's own date picker. `done` marks the day of something that has happened."""

    def __init__(self, *, done: bool = False, **kwargs) -> None:
        self.done = done
        kwargs.setdefault("label", gettext_lazy("Day"))
        kwargs.setdefault("initial", timezone.localdate)
        kwargs.setdefault("widget", forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"))
        kwargs.setdefault(
            "error_messages", {"invalid": gettext_lazy("Write the day as year-month-day, like 2026-05-03.")}
        )
        super().__init__(**kwargs)

    def widget_attrs(self, widget) -> dict:
        # A page kept on a phone proposes the phone's own today; see queue-forms.js.
        today = {"data-today": ""} if self.initial is timezone.localdate else {}
        return super().widget_attrs(widget) | today

    def clean(self, value) -> datetime.date | None:
        day = super().clean(value)
        if day is not None and day.year < 1900:
            raise ValidationError(phrase("That is too long ago."), code="too_early")
        # A day's grace: the group's clock and the phone's may stand on two sides of midnight.
        if self.done and day is not None and day > timezone.localdate() + datetime.timedelta(days=1):
            raise ValidationError(phrase("That day has not come yet."), code="in_future")
        return day


class SiteForm(forms.Form):
    """A form that knows its member's units, carries an identity, and asks back when a figure looks ten times off."""

    identity = forms.UUIDField(widget=forms.HiddenInput)
    # Shown only when the guard asks; see templates/prospecting/_form.html.
    keep_as_typed = forms.BooleanField(required=False, label=gettext_lazy("Yes, keep it as typed"))
    # The entry of a phone that a keeper settles by sending this form; see actions/held.py.
    held = forms.IntegerField(required=False, min_value=1, max_value=2**63 - 1, widget=forms.HiddenInput)
    # Only in forms that change a record: what its page showed, so that a change by another meanwhile is noticed.
    SHOWN = "as_shown"
    untyped = frozenset({"identity", "keep_as_typed", "held", SHOWN, "csrfmiddlewaretoken"})

    def __init__(self, *args, member, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.member = member
        self.guard_asks: list[str] = []
        self.fields["identity"].initial = uuid.uuid4
        for form_field in self.fields.values():
            form_field.widget.attrs.setdefault("data-field", "")
            if isinstance(form_field, MassField):
                form_field.set_unit(member.mass_unit)
            elif isinstance(form_field, GradeField):
                form_field.set_unit(member.grade_unit)
            elif isinstance(form_field, WaterField):
                form_field.set_unit("gal" if member.dose_unit == member.DoseUnit.TSP_PER_US_GAL else "L")

    def shown_fields(self) -> list[forms.BoundField]:
        """The fields a person fills in, without the guard's question."""
        return [field for field in self.visible_fields() if field.name != "keep_as_typed"]

    @classmethod
    def body_of(cls, data: MultiValueDict, files: MultiValueDict) -> dict:
        """What was sent, for the exactly-once check: the same entry sent twice has the same body.

        A file is told by what is in it: a phone may name it anew at each sending.
        """
        body = {name: data.getlist(name) for name in data if name not in cls.untyped}
        return body | {f"file {name}": [_sha256(upload) for upload in files.getlist(name)] for name in files}

    def typed_body(self) -> dict:
        return self.body_of(self.data, self.files)

    def to_send_again(self) -> dict[str, list[str]]:
        """What a valid form was sent with, to be sent again: figures with their unit, for who sends it may have others."""
        left_out = {"identity", "held", "csrfmiddlewaretoken"}
        # A database that keeps JSON takes no NUL; no field of a valid form holds one.
        sent = {
            name.replace("\0", ""): [text.replace("\0", "") for text in self.data.getlist(name)]
            for name in self.data
            if name not in left_out
        }
        return sent | {name: [typed] for name, typed in self._figures().items()}

    def as_read(self) -> dict[str, str]:
        """What a valid form holds, by the labels of its fields and in words; what was left blank is left out."""
        read, figures = {}, self._figures()
        for field in self.shown_fields():
            said = figures.get(field.name) or _in_words(field)
            if said:
                read[f"{field.label} ({field.name})" if field.label in read else field.label] = said
        return read

    def note_as_shown(self) -> None:
        """Put into the page a mark of each value that it shows of the record; a draft kept on the phone takes them along."""
        self.fields[self.SHOWN] = forms.CharField(
            required=False,
            initial=json.dumps(self._marks(self.initial)),
            widget=forms.HiddenInput(attrs={"data-keep": ""}),
        )

    def overtaken_by(self, stands: Mapping[str, object]) -> dict[str, str]:
        """What somebody changed since this page was shown, each with a sentence; nothing where nobody did.

        `stands` is what the form would start with now. What its sender didn't touch is set to what stands now, the rest
        stays as typed, and sent once more the form knows of both: nothing is overwritten unseen.
        """
        try:
            shown = dict(json.loads(self.data.get(self.SHOWN, "")))
        except (TypeError, ValueError):
            return {}
        said, now, data = {}, self._marks(stands), self.data.copy()
        for name in dict.fromkeys((*now, *shown)):
            field, before, after = self.fields.get(name), shown.get(name, NOTHING), now.get(name, NOTHING)
            if field is None or after == before:
                continue
            typed = _mark(_as_sent(field, field.widget.value_from_datadict(data, self.files, name)))
            if typed == after:
                continue
            words = _value_in_words(field, stands.get(name))
            if typed == before:
                self.send_instead(data, name, stands.get(name))
            said[name] = _changed_meanwhile(words, is_typed=typed != before)
        if said:
            data[self.SHOWN] = json.dumps(now)
            self.data = data
        return said

    def send_instead(self, data: MultiValueDict, name: str, value) -> None:
        """As if this value of a field had been sent."""
        field = self.fields[name]
        data.pop(name, None)
        if isinstance(field, forms.BooleanField):
            if value:
                data[name] = "on"
            return
        sent = field.prepare_value(value)
        each = sent if isinstance(sent, list | tuple) else [sent]
        data.setlist(name, [str(one) for one in each if one is not None])

    def _marks(self, values: Mapping[str, object]) -> dict[str, str]:
        return {
            name: _mark(_as_sent(self.fields[name], value))
            for name, value in values.items()
            if name in self.fields
        }

    def _figures(self) -> dict[str, str]:
        return {name: value.typed for name, value in self.cleaned_data.items() if isinstance(value, Quantity)}

    def ask(self, question: str | None) -> None:
        """Let the guard ask; the form is valid only once the member has ticked `keep_as_typed`."""
        if question:
            self.guard_asks.append(question)

    def _post_clean(self) -> None:
        super()._post_clean()
        if self.guard_asks and not self.errors and not self.cleaned_data.get("keep_as_typed"):
            self.add_error(
                None, ValidationError(phrase("Please look again before this is kept."), code="guard")
            )

    def add_refusal(self, error: ValidationError) -> None:
        """Put an action's refusal beside the field it names, or on top."""
        field = getattr(error, "field", None)
        if field in self.fields:
            self.add_error(field, error.messages)
            return
        # full_clean() names model fields; one this form doesn't have must not raise.
        for name, messages in getattr(error, "message_dict", {None: error.messages}).items():
            self.add_error(name if name in self.fields else None, messages)


def note_field(help_text: str = "", *, label: str = gettext_lazy("Note")) -> forms.CharField:
    return forms.CharField(
        label=label,
        max_length=2000,
        required=False,
        help_text=help_text,
        widget=forms.Textarea(attrs={"rows": 3}),
    )


def _sha256(upload: UploadedFile) -> str:
    read = hashlib.sha256()
    for chunk in upload.chunks():
        read.update(chunk)
    upload.seek(0)
    return read.hexdigest()


def _as_sent(field: forms.Field, value) -> str:
    """A value of a field as a page would send it back, spaces and line ends aside."""
    if isinstance(field, forms.BooleanField):
        return "yes" if value else ""
    value = field.prepare_value(value)
    each = value if isinstance(value, list | tuple | set) else [field.widget.format_value(value)]
    flat = [one for some in each for one in (some if isinstance(some, list | tuple) else [some])]
    return " ".join(" ".join(sorted("" if one is None else str(one) for one in flat)).split())


def _changed_meanwhile(words: str, *, is_typed: bool) -> str:
    """What a member is told of a field that somebody changed to this meanwhile; `is_typed`: and so did the member."""
    if is_typed and words:
        return phrase(
            "Meanwhile changed to “{words}”. Here stands what you typed: sent again, it takes its place.",
            words=words,
        )
    if is_typed:
        return phrase("Meanwhile emptied. Here stands what you typed: sent again, it takes its place.")
    if words:
        return phrase("Meanwhile changed to “{words}”, as it stands here now.", words=words)
    return phrase("Meanwhile emptied, as it stands here now.")


def _mark(sent: str) -> str:
    # A page may be kept for days, and its reader choose another decimal mark meanwhile: the figures are the same.
    return hashlib.sha256(_COMMA_WITHIN.sub(".", sent).encode(errors="replace")).hexdigest()[:16]


NOTHING = _mark("")


def _value_in_words(field: forms.Field, value) -> str:
    """A value as a person reads it: a choice by its label."""
    value = field.prepare_value(value)
    if isinstance(field, forms.ChoiceField):
        chosen = [str(each) for each in (value if isinstance(value, list | tuple) else [value])]
        return ", ".join(str(label) for key, label in field.choices if str(key) in chosen and str(key))
    if isinstance(field, forms.BooleanField):
        return phrase("yes") if value else ""
    return "" if value is None else str(value).strip()


def _in_words(bound: forms.BoundField) -> str:
    """What was typed into a field, as a person reads it; a file by its name."""
    return _value_in_words(bound.field, bound.value())
