"""One lot in a form: its code typed from the tag, ticked among a few likely ones, or looked for by what it is called.

The books may hold two hundred thousand lots, so no page lists them all.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

from django import forms
from django.core.exceptions import ValidationError
from django.utils.datastructures import MultiValueDict
from django.utils.functional import cached_property
from django.utils.translation import gettext_lazy

from prospecting.calc import codes
from prospecting.calc.language import phrase, phrase_counted
from prospecting.models import Lot
from prospecting.models.lots import LotQuerySet

MOST_OFFERED = 8
# The button that looks for a lot and records nothing; its value is the name of the field.
LOOK = "look"
# The card that stands for none, where a lot may be left out.
NO_LOT = "none"
LONGEST_KEY, LONGEST_TEXT = 18, 60


@dataclass(frozen=True)
class Named:
    """How a form named a lot: the text typed, and the code of the ticked card, None where the page had no cards."""

    typed: str
    ticked: str | None

    def __str__(self) -> str:
        return self.typed or ("" if self.ticked in (None, NO_LOT) else self.ticked)


class LotInput(forms.TextInput):
    use_fieldset = True

    def value_from_datadict(self, data, files, name) -> Named:
        ticked = data.get(f"{name}_ticked", "" if f"{name}_cards" in data else None)
        return Named(_plain(data.get(name)), None if ticked is None else _plain(ticked))

    def use_required_attribute(self, initial) -> bool:
        # A ticked card is as good as a code.
        return False


@dataclass
class Found:
    """What a field shows: the lots on its cards, the code of the ticked one, the text that stays, and what is said."""

    cards: list[Lot] = field(default_factory=list)
    ticked: str = ""
    typed: str = ""
    said: str = ""
    more: bool = False


class LotBoundField(forms.BoundField):
    """The field on its page, with the lots it offers."""

    @cached_property
    def found(self) -> Found:
        looking = self.form.is_bound and self.form.data.get(LOOK) == self.html_name
        return self.field.found(self.value(), looking=looking)


class LotField(forms.Field):
    """A lot of `pool` by its code; cleans to the lot. Void and used-up ones and those of `not_kinds` are refused in words.

    `likely` kinds are offered first, newest first. `stays` is the code of a lot that may stay though it is used up: the
    one that stands in the record. A page older than the cards sends a lot's number in place of its code.
    """

    widget = LotInput
    bound_field_class = LotBoundField
    default_error_messages = {"required": gettext_lazy("Tick a lot, or type the code on its tag.")}

    def __init__(self, *, not_kinds: Sequence[str] = (), likely: Sequence[str] = (), **kwargs) -> None:
        super().__init__(**kwargs)
        self.not_kinds, self.likely = not_kinds, likely
        self.stays = ""
        self.refused: dict[str, str] = {}

    def widget_attrs(self, widget) -> dict:
        return {
            "autocomplete": "off",
            "autocapitalize": "none",
            "spellcheck": "false",
            "maxlength": LONGEST_TEXT,
        }

    def refuse(self, lot: Lot, sentence: str) -> None:
        """Neither offer nor take this lot."""
        self.refused = self.refused | {lot.code: sentence}

    @property
    def pool(self) -> LotQuerySet:
        return Lot.objects.in_stock().exclude(kind__in=self.not_kinds).exclude(code__in=self.refused)

    def clean(self, value: Named) -> Lot | None:
        lot = self._lot(value)
        if lot is None and self.required:
            raise ValidationError(self.error_messages["required"], code="required")
        if lot is None and value.ticked == "":
            # Looked for and not ticked: left out by mistake, maybe.
            raise ValidationError(phrase("Tick one of the lots, or “No lot”."), code="required")
        if lot is not None:
            self._check(lot)
        return lot

    def _lot(self, named: Named) -> Lot | None:
        ticked = "" if named.ticked == NO_LOT else named.ticked
        if not named.typed:
            return self._by_code(ticked) if ticked else None
        if named.ticked is None and named.typed.isascii() and named.typed.isdecimal():
            return self._by_number(named.typed)
        lot = self._by_code(self._read(named.typed))
        if named.ticked and named.ticked != lot.code:
            other = ticked or phrase("“none”")
            raise ValidationError(
                phrase(
                    "You typed {code} and ticked {other}. Tick the one you mean.", code=lot.code, other=other
                ),
                code="two_lots",
            )
        return lot

    def _read(self, typed: str) -> str:
        try:
            return codes.read_code(typed)
        except ValueError as error:
            if self._fitting(typed):
                said, code = (
                    phrase(
                        "“{typed}” is no code, but fits the lots below: tick the one you mean.", typed=typed
                    ),
                    "several",
                )
            elif any(sign.isdecimal() for sign in typed):
                said, code = str(error), "code"
            else:
                said, code = (
                    phrase("No lot to choose here has “{typed}” in its code or in what it is.", typed=typed),
                    "code",
                )
            raise ValidationError(said, code=code) from None

    def _by_code(self, code: str) -> Lot:
        lot = Lot.objects.filter(code=code).first()
        if lot is None:
            raise ValidationError(
                phrase(
                    "No lot {code} is in the books. The code itself is sound: was the lot recorded?",
                    code=code,
                ),
                code="unknown",
            )
        return lot

    def _by_number(self, number: str) -> Lot:
        lot = Lot.objects.filter(pk=number).first() if len(number) <= LONGEST_KEY else None
        if lot is None:
            raise ValidationError(phrase("That lot is not in the books. Choose another one."), code="unknown")
        return lot

    def _check(self, lot: Lot) -> None:
        if lot.code in self.refused:
            raise ValidationError(self.refused[lot.code], code="refused")
        if lot.is_void:
            raise ValidationError(phrase("{code} is voided. Choose another lot.", code=lot.code), code="void")
        if lot.kind in self.not_kinds:
            raise ValidationError(
                phrase(
                    "{code} is no lot for this: it is a lot of kind “{kind}”.",
                    code=lot.code,
                    kind=lot.get_kind_display().lower(),
                ),
                code="kind",
            )
        if lot.on_hand_g == 0 and lot.code != self.stays:
            raise ValidationError(
                phrase("{code} is used up. Choose a lot with mass on hand.", code=lot.code), code="used_up"
            )

    def found(self, value, *, looking: bool) -> Found:
        """What to show for what was sent or stands, whether it can be taken or not."""
        named = value if isinstance(value, Named) else Named("", value or NO_LOT)
        if looking and named.typed:
            # Whoever looks means the text, whatever was ticked when the page came.
            named = Named(named.typed, "")
        try:
            lot = self._lot(named)
        except ValidationError as error:
            return self._not_found(named, error, looking=looking)
        if lot is None:
            said = phrase("Type a code or a word to look for.") if looking else ""
            return self._offered(ticked=named.ticked or "", said=said)
        try:
            self._check(lot)
        except ValidationError as error:
            return self._offered(typed=str(named), said=error.messages[0] if looking else "")
        return self._offered(
            lot, ticked=lot.code, said=phrase("{code} is ticked below.", code=lot.code) if looking else ""
        )

    def _not_found(self, named: Named, error: ValidationError, *, looking: bool) -> Found:
        if error.code == "two_lots":
            both = [codes.read_code(named.typed), named.ticked]
            return self._offered(*Lot.objects.filter(code__in=both))
        if error.code != "several":
            return self._offered(typed=named.typed, said=error.messages[0] if looking else "")
        fitting = self._fitting(named.typed)
        shown = fitting[:MOST_OFFERED]
        more = len(fitting) > MOST_OFFERED
        return Found(
            cards=shown,
            ticked=shown[0].code if len(shown) == 1 and looking else "",
            said=_how_many_fit(len(shown), more, named.typed) if looking else "",
            more=more,
        )

    def _fitting(self, text: str) -> list[Lot]:
        if not text:
            return []
        # Its kind stands on a lot's card, too.
        kinds = [kind for kind, label in Lot.Kind.choices if text.casefold() in label.casefold()]
        fit = self.pool.named(text)
        return list((fit | self.pool.of_kind(*kinds) if kinds else fit)[: MOST_OFFERED + 1])

    def _offered(self, *first: Lot, ticked: str = "", typed: str = "", said: str = "") -> Found:
        """The newest lots of the likely kinds, then of the others, behind those named `first`."""
        pool = self.pool.exclude(pk__in=[lot.pk for lot in first]) if first else self.pool
        wanted = MOST_OFFERED - len(first) + 1
        newest = list(pool.of_kind(*self.likely)[:wanted]) if self.likely else []
        if len(newest) < wanted:
            newest += pool.exclude(kind__in=self.likely)[: wanted - len(newest)]
        return Found(
            cards=[*first, *newest[: wanted - 1]],
            ticked=ticked,
            typed=typed,
            said=said,
            more=len(newest) == wanted,
        )


class LooksForLots:
    """A form with a `LotField`. Sent by a field's “Look” it is valid for nothing: its page comes back as it was typed."""

    @property
    def is_looking(self) -> bool:
        return self.is_bound and LOOK in self.data

    def full_clean(self) -> None:
        if self.is_looking:
            self._errors, self.cleaned_data = forms.utils.ErrorDict(), {}
        else:
            super().full_clean()

    def is_valid(self) -> bool:
        return not self.is_looking and super().is_valid()

    def send_instead(self, data: MultiValueDict, name: str, value) -> None:
        super().send_instead(data, name, value)
        if isinstance(self.fields[name], LotField):
            # The card ticked before would gainsay it.
            data[f"{name}_ticked"] = value or NO_LOT


def _how_many_fit(number: int, more: bool, typed: str) -> str:
    if more:
        return phrase("The newest {number} lots fit “{typed}”.", number=number, typed=typed)
    return phrase_counted("{number} lot fits “{typed}”.", "{number} lots fit “{typed}”.", number, typed=typed)


def _plain(text) -> str:
    # PostgreSQL takes no text with a nought byte in it.
    return " ".join(str(text or "").replace("\0", "").split())[:LONGEST_TEXT]
