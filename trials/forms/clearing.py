"""Forms of clearing tests: the test and its tubs, a clock begun, a tub read, a reading voided, the end."""

from collections.abc import Iterable
from decimal import Decimal

from django import forms
from django.core.exceptions import ValidationError
from django.forms.utils import flatatt
from django.utils import timezone
from django.utils.html import format_html, format_html_join
from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.forms.base import CountField, NumberField, SiteForm
from prospecting.forms.lot_choice import LONGEST_KEY, LooksForLots, LotField
from prospecting.forms.photos import LengthField, PhotoField
from prospecting.models import Lot, Member
from trials.actions.clearing import TubOf
from trials.calc.clearing import doubtful_value
from trials.forms.planning import plain
from trials.models import Additive, ClearingTest, Trial, Tub

Measure = ClearingTest.Measure
MOST_TUBS, FIRST_TUBS = 8, 4
MOST_TRIALS = 30
VALUE_LABELS = {
    Measure.CLEAR_MM: gettext_lazy("Clear water above the cloud"),
    Measure.SIGHT_CM: gettext_lazy("Seen down to"),
    Measure.TURBIDITY: gettext_lazy("Turbidity"),
}
BEYOND_LABELS = {
    Measure.SIGHT_CM: gettext_lazy("Still seen at the end of the tube (type the tube's length)"),
    Measure.TURBIDITY: gettext_lazy("Cloudier than the meter shows (type the most it shows)"),
}


class PhoneTimeField(forms.DateTimeField):
    """A moment by the phone's clock, filled in by its script; without one the server's time is taken."""

    def __init__(self, **kwargs) -> None:
        super().__init__(required=False, widget=forms.HiddenInput(attrs={"data-phone-time": ""}), **kwargs)

    def to_python(self, value):
        try:
            moment = super().to_python(value)
            # A phone's clock may be wrong, but not in another century, where time zones leave the calendar.
            if moment is not None and not 2000 <= moment.year <= 2100:
                raise ValueError
        except (ValueError, OverflowError):
            raise ValidationError(
                phrase("The phone's clock gives no time that can be kept."), code="clock"
            ) from None
        return moment

    def clean(self, value):
        return super().clean(value) or timezone.now()


class ManyOptions(forms.Select):
    """A select without groups, written at once: Django opens a template for each option, and there are eight such selects."""

    def render(self, name, value, attrs=None, renderer=None) -> str:
        shown = self.get_context(name, value, attrs)["widget"]
        options = format_html_join(
            "",
            '<option value="{}"{}>{}</option>',
            (
                (option["value"], " selected" if option["selected"] else "", option["label"])
                for _, group, _ in shown["optgroups"]
                for option in group
            ),
        )
        return format_html('<select name="{}"{}>{}</select>', shown["name"], flatatt(shown["attrs"]), options)


class ClearingForm(LooksForLots, SiteForm):
    """A test and its tubs. A row without a label is not used; one without an additive is a control.

    With a `test` it changes what was written down: its words, and the tubs whose clocks stand.
    """

    question = forms.CharField(
        label=gettext_lazy("Question"),
        max_length=200,
        help_text=gettext_lazy("How little flocculant clears this water within half an hour?"),
    )
    measure = forms.ChoiceField(label=gettext_lazy("Read by"), choices=Measure, widget=forms.RadioSelect)
    target = NumberField(
        label=gettext_lazy("Clear enough"),
        least=Decimal("0.01"),
        most=100_000,
        places=2,
        required=False,
        help_text=gettext_lazy(
            "In the unit it is read by: so many mm of clear water, cm seen down, or NTU left. Settle it now."
        ),
    )
    water_depth = LengthField(
        label=gettext_lazy("Depth of the water"),
        required=False,
        help_text=gettext_lazy("The same in every tub. In mm, or with its unit: 30 cm, 12 inches"),
    )
    lot = LotField(
        label=gettext_lazy("Lot the mud is of"),
        required=False,
        likely=(Lot.Kind.BLEND, Lot.Kind.UNDERSIZE, Lot.Kind.CRUSHED, Lot.Kind.BUCKET),
    )
    trial = forms.ModelChoiceField(
        label=gettext_lazy("Trial it belongs to"),
        queryset=Trial.objects.all(),
        required=False,
        empty_label=gettext_lazy("none"),
    )
    note = forms.CharField(
        label=gettext_lazy("Note"),
        required=False,
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text=gettext_lazy("How it was stirred: so long fast, so long slowly; where the water is from."),
    )

    def __init__(self, *args, member: Member, test: ClearingTest | None = None, **kwargs) -> None:
        super().__init__(*args, member=member, **kwargs)
        self.kept_tubs = [] if test is None else list(test.tubs.select_related("additive"))
        self.measure = None if test is None else test.measure
        if test is not None:
            del self.fields["measure"]
            self.fields["lot"].stays = self.initial.get("lot", "")
        self._offer_trials()
        additives = [("", "nothing (control)"), *((one.pk, str(one)) for one in Additive.objects.all())]
        for place in self._open_places():
            self.fields[f"label_{place}"] = forms.CharField(
                label=phrase("Tub {place}: its name", place=place), max_length=40, required=test is not None
            )
            additive = forms.ModelChoiceField(
                label=phrase("Additive"), queryset=Additive.objects.all(), required=False, widget=ManyOptions
            )
            additive.widget.choices = additives
            self.fields[f"additive_{place}"] = additive
            self.fields[f"dose_{place}"] = forms.CharField(
                label=phrase("Dose"), max_length=40, required=False
            )
            for name in ("label", "dose"):
                self.fields[f"{name}_{place}"].widget.attrs["autocomplete"] = "off"

    def _open_places(self) -> list[int]:
        """The rows to fill in. One whose clock began after its page was shown is read too, so that it is refused in words."""
        if not self.kept_tubs:
            return list(range(1, MOST_TUBS + 1))
        return [
            place
            for place, tub in enumerate(self.kept_tubs, start=1)
            if tub.began_at is None or f"label_{place}" in self.data
        ]

    def _offer_trials(self) -> None:
        """The newest trials and the one that stands or was sent; any other is taken too, from a link on its page."""
        field = self.fields["trial"]
        newest = list(Trial.objects.all()[: MOST_TRIALS + 1])
        if len(newest) > MOST_TRIALS:
            field.help_text = phrase(
                "The newest {number}. For an older one start from its own page.", number=MOST_TRIALS
            )
        offered = {trial.pk: trial for trial in newest[:MOST_TRIALS]}
        chosen = str(self["trial"].value() or "")
        if (
            chosen.isascii()
            and chosen.isdecimal()
            and len(chosen) <= LONGEST_KEY
            and int(chosen) not in offered
        ):
            offered |= Trial.objects.in_bulk([int(chosen)])
        field.widget.choices = [
            ("", phrase("none")),
            *((pk, f"{pk}: {trial}") for pk, trial in offered.items()),
        ]

    @staticmethod
    def starting_with(query: dict) -> dict:
        """Initial values of a new test; `?lot=CODE` and `?trial=NUMBER` choose what it belongs to."""
        lot = Lot.objects.in_stock().filter(code=query.get("lot", "")).first()
        number = query.get("trial", "")
        trial = Trial.objects.filter(pk=number).first() if number.isascii() and number.isdecimal() else None
        # The first row is a control as it stands; the others wait for a name.
        chosen = {"lot": lot and lot.code, "trial": trial and trial.pk}
        return {"measure": Measure.CLEAR_MM, "label_1": "1"} | chosen

    def rows(self, places: Iterable[int]) -> list[tuple]:
        return [
            (place, self[f"label_{place}"], self[f"additive_{place}"], self[f"dose_{place}"])
            for place in places
        ]

    def open_rows(self) -> list[tuple]:
        return self.rows(self._open_places())

    def begun_tubs(self) -> list[Tub]:
        return [tub for tub in self.kept_tubs if tub.began_at is not None]

    def first_rows(self) -> list[tuple]:
        return self.rows(range(1, FIRST_TUBS + 1))

    def more_rows(self) -> list[tuple]:
        return self.rows(range(FIRST_TUBS + 1, MOST_TUBS + 1))

    def clean(self) -> dict:
        cleaned = super().clean()
        typed = {place: self._tub(place, cleaned) for place in self._open_places()}
        self.tubs = [tub for tub in typed.values() if tub is not None]
        self.changed_tubs = {
            tub.pk: typed[place] for place, tub in enumerate(self.kept_tubs, start=1) if typed.get(place)
        }
        depth = cleaned.get("water_depth")
        self.depth_mm = None
        if depth is not None:
            self.depth_mm = units.convert_length(depth.canonical, "um", "mm").quantize(Decimal("0.1"))
            if not 1 <= self.depth_mm <= 100_000:
                self.add_error(
                    "water_depth", ValidationError(phrase("Give a depth from 1 mm to 100 m."), code="depth")
                )
        self._check_target(cleaned)
        begun_control = any(tub.is_control for tub in self.begun_tubs())
        if self.tubs and not begun_control and all(tub.additive is not None for tub in self.tubs):
            self.ask(
                phrase(
                    "No tub is without an additive. Without such a control nobody can tell what the additive did, "
                    "for most mud settles a little by itself."
                )
            )
        return cleaned

    def _tub(self, place: int, cleaned: dict) -> TubOf | None:
        label, additive, dose = (cleaned.get(f"{name}_{place}") for name in ("label", "additive", "dose"))
        if not label:
            if (additive or dose) and f"label_{place}" not in self.errors:
                self.add_error(
                    f"label_{place}",
                    ValidationError(phrase("What is this tub called?"), code="label_missing"),
                )
            return None
        if additive and not dose:
            self.add_error(f"dose_{place}", ValidationError(phrase("How much of it?"), code="dose_missing"))
        elif dose and not additive:
            self.add_error(
                f"additive_{place}", ValidationError(phrase("Of which additive?"), code="additive_missing")
            )
        elif additive:
            return self._dosed(place, label, additive, dose)
        return TubOf(label=label)

    def _dosed(self, place: int, label: str, additive: Additive, typed: str) -> TubOf:
        ml_per_l = None
        try:
            read = units.parse_dose(typed)
        except ValueError as error:
            self.add_error(f"dose_{place}", ValidationError(str(error), code="dose"))
        else:
            typed = read.typed
            self.fields[f"dose_{place}"].says = read.sentence
            ml_per_l = read.ml_per_l.quantize(Decimal("0.000001"))
            if ml_per_l == 0:
                self.add_error(
                    f"dose_{place}",
                    ValidationError(phrase("That is too little to record."), code="dose_too_small"),
                )
        return TubOf(label=label, additive=additive, ml_per_l=ml_per_l, dose_typed=typed)

    def _check_target(self, cleaned: dict) -> None:
        target, measure = cleaned.get("target"), cleaned.get("measure", self.measure)
        if target is None:
            return
        if measure == Measure.PHOTO:
            self.add_error(
                "target",
                ValidationError(
                    phrase("A photo gives no figure to hold against it: leave it empty."), code="photo"
                ),
            )
        deepest = {Measure.CLEAR_MM: self.depth_mm}.get(measure)
        if deepest is not None and target > deepest:
            self.add_error(
                "target",
                ValidationError(
                    phrase("There is not so much water: the target is deeper than the tub."), code="too_deep"
                ),
            )

    def words_typed(self) -> dict:
        names = ("question", "target", "lot", "trial", "note")
        own = {name: self.cleaned_data[name] for name in names}
        return own | {"water_depth_mm": self.depth_mm}

    def fields_typed(self) -> dict:
        return self.words_typed() | {"measure": self.cleaned_data["measure"], "tubs": self.tubs}


def clearing_before(test: ClearingTest) -> dict:
    """A test's values as initial values of its form."""
    values = {
        "question": test.question,
        "target": "" if test.target is None else plain(test.target),
        "water_depth": "" if test.water_depth_mm is None else f"{plain(test.water_depth_mm)} mm",
        "lot": test.lot.code if test.lot else "",
        "trial": test.trial_id,
        "note": test.note,
    }
    for place, tub in enumerate(test.tubs.all(), start=1):
        values |= {
            f"label_{place}": tub.label,
            f"additive_{place}": tub.additive_id,
            f"dose_{place}": tub.dose_typed,
        }
    return values


class BeginForm(SiteForm):
    """One tub was stirred now."""

    began_at = PhoneTimeField()


class BeginAllForm(BeginForm):
    """All tubs whose clocks stand were stirred, one after the other."""

    tubs = forms.ModelMultipleChoiceField(queryset=Tub.objects.none(), widget=forms.MultipleHiddenInput)
    apart_s = CountField(
        label=gettext_lazy("From one tub to the next"),
        most=3600,
        unit_label="s",
        required=False,
        help_text=gettext_lazy("0: all at the same moment. Otherwise in the order they stand here."),
    )

    def __init__(self, *args, test: ClearingTest, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["tubs"].queryset = test.tubs.all()
        self.fields["tubs"].initial = [tub.pk for tub in test.tubs.all() if tub.began_at is None]
        self.fields["apart_s"].initial = 0


class ReadForm(SiteForm):
    """One look at a tub, so many minutes after it was stirred."""

    minutes = NumberField(
        label=gettext_lazy("Minutes since it was stirred"),
        unit_label="min",
        most=50_000,
        places=2,
        help_text=gettext_lazy("Filled in at the tap that opened this; mend it if you looked earlier."),
    )
    value = NumberField(label=gettext_lazy("Reading"), most=100_000, places=2, required=False)
    beyond = forms.BooleanField(required=False)
    photo = PhotoField(
        help_text=gettext_lazy("The tub against the same background each time, a scale beside it.")
    )
    note = forms.CharField(
        label=gettext_lazy("Note"),
        max_length=200,
        required=False,
        help_text=gettext_lazy("First flocs, their size, foam"),
    )

    def __init__(self, *args, tub: Tub, last: Decimal | None = None, **kwargs) -> None:
        super().__init__(*args, auto_id=f"id_{tub.pk}_%s", **kwargs)
        self.last, self.test = last, tub.test
        measure = tub.test.measure
        if measure == Measure.PHOTO:
            del self.fields["value"]
            self.fields["photo"].required = True
            self.fields["photo"].error_messages["required"] = phrase("This test is read by photo: take one.")
        else:
            self.fields["value"].label, self.fields["value"].unit_label = VALUE_LABELS[measure], tub.test.unit
        if measure in BEYOND_LABELS:
            self.fields["beyond"].label = BEYOND_LABELS[measure]
        else:
            del self.fields["beyond"]

    def clean(self) -> dict:
        cleaned = super().clean()
        value = cleaned.get("value")
        if cleaned.get("beyond") and value is None and "value" not in self.errors:
            self.add_error("value", ValidationError(phrase("Type where the scale ends."), code="end_missing"))
        elif (
            "value" in self.fields
            and "value" not in self.errors
            and value is None
            and not cleaned.get("photo")
        ):
            self.add_error(
                "value", ValidationError(phrase("Give what you read, or a photo."), code="nothing_read")
            )
        if value is not None and doubtful_value(value, self.last, rises=self.test.rises):
            self.ask(
                phrase(
                    "The last reading of this tub was {before} {unit}, this one is {now} {unit}: far "
                    "cloudier again. Is it right, and is it this tub?",
                    before=numeral(self.last.normalize(), "f"),
                    unit=self.test.unit,
                    now=numeral(value.normalize(), "f"),
                )
            )
        return cleaned

    def reading(self) -> dict:
        names = ("minutes", "value", "beyond", "note")
        return {name: self.cleaned_data[name] for name in names if name in self.cleaned_data}


class VoidReadingForm(SiteForm):
    reason = forms.CharField(label=gettext_lazy("Why it is voided"), max_length=200)


class EndForm(SiteForm):
    """The tubs are not watched any longer."""

    ended_at = PhoneTimeField()
