"""Laboratories, check materials and dispatches: what is typed and ticked becomes typed values."""

import datetime
from collections.abc import Sequence
from decimal import Decimal

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext_lazy

from prospecting.calc import guard, packing, units
from prospecting.calc.language import phrase, to_phrase
from prospecting.forms.assays import unit_choices
from prospecting.forms.base import (
    MASS_STEP_G,
    CountField,
    DayField,
    NumberField,
    QuantityField,
    SiteForm,
    note_field,
    phrase_later,
)
from prospecting.forms.lots import codes_in
from prospecting.forms.steps import StepForm, kind_and_title, mass_field, passes_field, splitting_field
from prospecting.models import Dispatch, Laboratory, Lot, ReferenceMaterial, Sample, Step
from prospecting.readers.titles import GRADE_UNITS, in_g_per_t

PRICE_HELP = gettext_lazy("In the group's own currency.")
MOST_PACKETS = 20
MOST_SPLITS_SHOWN = 60
GRADE_STEP = Decimal("0.000001")
# As in the model; a reader has to choose before the site knows what a plus or minus says.
PLUS_MINUS_HELP = gettext_lazy(
    "Read the certificate's small print: the same ± means half or double the scatter, or none of it at all."
)


class LaboratoryForm(SiteForm):
    name = forms.CharField(label=gettext_lazy("Name"), max_length=100)
    turnaround_days = CountField(
        label=gettext_lazy("Days it says it takes, from sending to return"),
        least=1,
        most=400,
        required=False,
        help_text=gettext_lazy(
            "Two to six weeks and the post are usual. A dispatch's expected day is proposed from it."
        ),
    )
    note = note_field(
        gettext_lazy("Address, how to reach them, what they charge, the smallest order they take.")
    )

    def entry(self) -> dict:
        return {name: self.cleaned_data[name] for name in ("name", "turnaround_days", "note")}


def laboratory_before(laboratory: Laboratory) -> dict:
    return {name: getattr(laboratory, name) for name in ("name", "turnaround_days", "note")}


def printed_field(label: str, **kwargs) -> forms.CharField:
    """A figure copied from a certificate, kept as it was typed."""
    return forms.CharField(
        label=label,
        max_length=24,
        required=False,
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
        **kwargs,
    )


class MaterialForm(SiteForm):
    """A reference material as its certificate prints it, or a barren material."""

    figures = ("certified", "plus_minus", "sd")

    kind = forms.ChoiceField(
        label=gettext_lazy("Which it is"), choices=ReferenceMaterial.Kind.choices, widget=forms.RadioSelect
    )
    name = forms.CharField(label=gettext_lazy("Name on the packet"), max_length=80)
    certified = printed_field(gettext_lazy("Certified value"))
    unit = forms.ChoiceField(
        label=gettext_lazy("Unit the certificate prints"),
        choices=unit_choices(GRADE_UNITS),
        required=False,
    )
    plus_minus = printed_field(gettext_lazy("Plus or minus"))
    plus_minus_kind = forms.ChoiceField(
        label=gettext_lazy("What that plus or minus is"),
        choices=ReferenceMaterial.PlusMinus.choices,
        widget=forms.RadioSelect,
        required=False,
        help_text=PLUS_MINUS_HELP,
    )
    sd = printed_field(
        gettext_lazy("Standard deviation between laboratories"),
        help_text=gettext_lazy("Where the certificate gives it beside another kind of plus or minus."),
    )
    certified_method = forms.CharField(
        label=gettext_lazy("Method it is certified for"),
        max_length=80,
        required=False,
        help_text=gettext_lazy("A value by fire assay says nothing of aqua regia."),
    )
    packet = QuantityField(
        label=gettext_lazy("Mass of one packet"),
        read=units.parse_mass,
        unit="g",
        step=MASS_STEP_G,
        required=False,
        help_text=gettext_lazy("In g, or with its unit: 60 g, 2 oz"),
    )
    note = note_field(gettext_lazy("Where it came from, how much is left."))
    is_retired = forms.BooleanField(label=gettext_lazy("No more packets of it are sent"), required=False)
    reason = forms.CharField(
        label=gettext_lazy("Why its figures change"),
        max_length=200,
        required=False,
        help_text=gettext_lazy("Asked only when packets of it went out already."),
    )

    def __init__(self, *args, material: ReferenceMaterial | None = None, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        if material is None:
            del self.fields["is_retired"], self.fields["reason"]

    def clean(self) -> dict:
        data = super().clean()
        self.g_per_t = {name: self._read(name) for name in self.figures}
        certified, plus_minus = self.g_per_t["certified"], self.g_per_t["plus_minus"]
        if data.get("kind") == ReferenceMaterial.Kind.BLANK:
            return data
        if certified:
            says = guard.grade_guard(certified, grade_unit=self.member.grade_unit)
            self.fields["certified"].says = says.sentence
            self.ask(says.ask and f"{self.fields['certified'].label}: {says.ask}")
        for name in ("plus_minus", "sd"):
            part = self.g_per_t[name]
            if certified and part and packing.wide_plus_minus(certified, part):
                self.ask(
                    phrase(
                        "{label}: {figure} beside {certified} is more than half of it. Is the number right?",
                        label=self.fields[name].label,
                        figure=data[name],
                        certified=data["certified"],
                    )
                )
        if plus_minus is not None and not data.get("plus_minus_kind"):
            self.add_error(
                "plus_minus_kind",
                ValidationError(
                    phrase("Say what it is; “the certificate does not say” is an answer too."),
                    code="required",
                ),
            )
        return data

    def _read(self, name: str) -> Decimal | None:
        """A printed figure in g/t; None where nothing, or nothing that can be read, was typed."""
        text, unit = self.cleaned_data.get(name), self.cleaned_data.get("unit")
        if not text:
            return None
        try:
            number = units.parse_number(text, allow_zero=False)
        except ValueError as error:
            self.add_error(name, ValidationError(str(error), code="number"))
            return None
        if not unit:
            if "unit" not in self.errors:
                self.add_error(
                    "unit", ValidationError(phrase("Say which unit the figures are in."), code="required")
                )
            return None
        g_per_t = in_g_per_t(number, unit).quantize(GRADE_STEP)
        if not 0 < g_per_t < 1_000_000:
            self.add_error(
                name,
                ValidationError(
                    phrase("No material holds that much or that little. Check the figure and its unit."),
                    code="nonsense",
                ),
            )
            return None
        return g_per_t

    def entry(self) -> dict:
        data = self.cleaned_data
        is_blank = data["kind"] == ReferenceMaterial.Kind.BLANK
        plus_minus = self.g_per_t["plus_minus"]
        packet = data["packet"]
        return {
            **{name: data[name] for name in ("kind", "name", "certified_method", "note")},
            **{name: data[name] for name in ("is_retired", "reason") if name in self.fields},
            "certified_typed": data["certified"],
            "plus_minus_typed": data["plus_minus"],
            "sd_typed": data["sd"],
            "unit": data["unit"],
            "certified_g_per_t": self.g_per_t["certified"],
            "plus_minus_g_per_t": None if is_blank else plus_minus,
            "plus_minus_kind": "" if is_blank or plus_minus is None else data["plus_minus_kind"],
            "sd_g_per_t": None if is_blank else self.g_per_t["sd"],
            "packet_g": packet.canonical.quantize(Decimal("0.01")) if packet else None,
            "packet_typed": packet.typed if packet else "",
        }


def material_before(material: ReferenceMaterial) -> dict:
    """A material's values as initial values of its form."""
    names = ("kind", "name", "unit", "plus_minus_kind", "certified_method", "note", "is_retired")
    return {name: getattr(material, name) for name in names} | {
        "certified": material.certified_typed,
        "plus_minus": material.plus_minus_typed,
        "sd": material.sd_typed,
        "packet": material.packet_typed,
    }


class SplitsField(forms.ModelMultipleChoiceField):
    """Ticked splits for assay."""

    default_error_messages = {
        "required": gettext_lazy("Tick at least one split to send."),
        "invalid_choice": gettext_lazy("One of the ticks is no split for assay. Look at them again."),
        "invalid_pk_value": gettext_lazy("One of the ticks is no split for assay. Look at them again."),
    }

    def clean(self, value):
        # A number of more digits than a key can have makes SQLite raise instead of finding nothing.
        if any(len(str(key)) > 18 for key in value or ()):
            raise ValidationError(self.error_messages["invalid_choice"], code="invalid_choice")
        return super().clean(value)


def splits_field(**kwargs) -> SplitsField:
    return SplitsField(
        Lot.objects.of_kind(Lot.Kind.ASSAY_SPLIT),
        label=gettext_lazy("Splits that wait to be sent"),
        widget=forms.CheckboxSelectMultiple,
        **kwargs,
    )


class SendsSplits:
    """A form that ticks splits for assay in no dispatch yet; where many wait, others than those shown by their codes."""

    def offer_splits(self) -> None:
        # Shown are the splits free to go. A form sent twice still finds its lots: the action says what has gone already.
        free = Lot.objects.in_stock().of_kind(Lot.Kind.ASSAY_SPLIT).filter(sample__isnull=True).order_by("pk")
        waiting = list(free[: MOST_SPLITS_SHOWN + 1])
        self.fields["lots"].widget.choices = [
            (
                lot.pk,
                f"{lot.code}{f', {lot.title}' if lot.title else ''}, "
                f"{units.format_mass(lot.on_hand_g, self.member.mass_unit)}",
            )
            for lot in waiting[:MOST_SPLITS_SHOWN]
        ]
        self.has_splits = bool(waiting)
        if len(waiting) > MOST_SPLITS_SHOWN:
            self.fields["lots"].label = phrase(
                "The {number} splits that wait longest", number=MOST_SPLITS_SHOWN
            )
        elif not self.data.get("codes"):
            del self.fields["codes"]

    def clean_codes(self) -> list[Lot]:
        """The splits named by code."""
        read, unread = codes_in(self.cleaned_data["codes"])
        by_code = Lot.objects.of_kind(Lot.Kind.ASSAY_SPLIT).in_bulk(read, field_name="code")
        others = [
            phrase("{code} is no split for assay in the books.", code=code)
            for code in read
            if code not in by_code
        ]
        if unread or others:
            raise ValidationError([*unread, *others], code="codes")
        return list(by_code.values())

    def splits(self) -> list[Lot]:
        chosen = [*self.cleaned_data["lots"], *self.cleaned_data.get("codes", [])]
        return list({lot.pk: lot for lot in chosen}.values())


def codes_field() -> forms.CharField:
    return forms.CharField(
        label=gettext_lazy("Others that wait, by their codes"),
        max_length=2000,
        required=False,
        help_text=gettext_lazy("One to a line or with commas between, as on their tags."),
        widget=forms.Textarea(
            attrs={"rows": 3, "autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"}
        ),
    )


def price_field(label: str) -> NumberField:
    return NumberField(label=label, most=9_999_999, places=2, required=False, help_text=PRICE_HELP)


class DispatchForm(SendsSplits, SiteForm):
    """What a dispatch is to be; `dispatch` is the one to change, and `lots` are ticked only for a new one."""

    laboratory = forms.ModelChoiceField(
        Laboratory.objects.all(),
        label=gettext_lazy("Laboratory"),
        empty_label=gettext_lazy("Choose the laboratory"),
        error_messages={"invalid_choice": gettext_lazy("Choose one of the laboratories in the list.")},
    )
    lots = splits_field(required=False)
    codes = codes_field()
    method = forms.ChoiceField(
        label=gettext_lazy("Method"),
        choices=[("", gettext_lazy("Choose the method to ask for")), *Dispatch.Method.choices],
        help_text=gettext_lazy(
            "Fire assay counts all the gold of one charge; screen fire assay is the one for visible gold."
        ),
        error_messages={"invalid_choice": gettext_lazy("Choose one of the methods in the list.")},
    )
    preparation = forms.CharField(
        label=gettext_lazy("How it is to be prepared"),
        max_length=200,
        required=False,
        help_text=gettext_lazy("Printed for the laboratory, like: crush all, split 1 kg, grind all of it."),
    )
    price_per_sample = price_field(gettext_lazy("Price of a sample, with its preparation"))
    price_besides = price_field(gettext_lazy("Order fee and post"))
    expected_on = DayField(label=gettext_lazy("Return expected"), initial=None, required=False)
    rejects_until = DayField(
        label=gettext_lazy("Coarse rejects and assay pulps kept until"),
        initial=None,
        required=False,
        help_text=gettext_lazy(
            "Laboratories commonly keep them one to three months, then charge or bin them."
        ),
    )
    note = note_field(gettext_lazy("Not printed for the laboratory, except to say which method “Other” is."))
    names = (
        "laboratory",
        "method",
        "preparation",
        "price_per_sample",
        "price_besides",
        "expected_on",
        "rejects_until",
        "note",
    )

    def __init__(self, *args, dispatch: Dispatch | None = None, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.has_laboratory = Laboratory.objects.exists()
        if dispatch is None:
            self.offer_splits()
            del self.fields["expected_on"]
        else:
            del self.fields["lots"], self.fields["codes"]
            if dispatch.sent_on:
                for name in ("laboratory", "method", "preparation"):
                    del self.fields[name]

    def entry(self) -> dict:
        data = self.cleaned_data
        entry = {name: data[name] for name in self.names if name in self.fields}
        return entry | ({"lots": self.splits()} if "lots" in self.fields else {})


def dispatch_before(dispatch: Dispatch) -> dict:
    return {name: getattr(dispatch, name) for name in DispatchForm.names}


class SplitsForm(SendsSplits, SiteForm):
    """Further waiting splits for a dispatch that is being packed."""

    lots = splits_field(required=False)
    codes = codes_field()

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.offer_splits()

    def clean(self) -> dict:
        data = super().clean()
        if not self.errors and not self.splits():
            self.add_error(
                "lots", ValidationError(self.fields["lots"].error_messages["required"], code="required")
            )
        return data

    def entry(self) -> dict:
        return {"lots": self.splits()}


class TakeSplitsForm(StepForm):
    """A split for assay from each of several lots at once, all taken the same way."""

    kind = Step.Kind.ASSAY
    method = splitting_field()
    passes = passes_field()

    def __init__(self, *args, lots: Sequence[Lot], **kwargs) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["loss_reason"]
        self.lots = {f"mass_{lot.code}": lot for lot in lots}
        for name, lot in self.lots.items():
            self.add_mass_field(
                name,
                phrase_later(to_phrase("Split off from {lot}"), lot=lot.code),
                help_text=phrase(
                    "{lot}. It holds {mass}.", lot=kind_and_title(lot), mass=self.shown(lot.on_hand_g)
                ),
            )
        self.order_fields([*self.lots, "method", "passes"])

    def draws(self) -> list[dict]:
        return [self.draw(name, lot) for name, lot in self.lots.items()]

    def clean(self) -> dict:
        data = super().clean()
        self.ask_about_odd_ones(list(self.lots))
        return data


class SampleChoiceField(forms.ModelChoiceField):
    def __init__(self, label: str) -> None:
        super().__init__(
            Sample.objects.none(),
            label=label,
            empty_label=gettext_lazy("Choose the sample"),
            error_messages={
                "required": gettext_lazy("Choose the sample it is a duplicate of."),
                "invalid_choice": gettext_lazy("Choose one of the samples of this dispatch."),
            },
        )

    def label_from_instance(self, sample: Sample) -> str:
        return f"{sample.tag}, {sample.lot.code}{f' {sample.lot.title}' if sample.lot.title else ''}"


class MaterialChoiceField(forms.ModelChoiceField):
    def __init__(self, label: str, missing: str) -> None:
        super().__init__(
            ReferenceMaterial.objects.none(),
            label=label,
            empty_label=None,
            error_messages={
                "required": missing,
                "invalid_choice": gettext_lazy("Choose one of the materials in the list."),
            },
        )


def packets_field() -> CountField:
    return CountField(label=gettext_lazy("How many"), least=1, most=MOST_PACKETS, initial=1)


class ChecksForm(SiteForm):
    """The planned checks of a dispatch: ticked as proposed, changed by ticks, or left out. Under a tick stands what it needs."""

    # What stands under a tick that isn't set is hidden, and must not keep the browser from sending the form.
    use_required_attribute = False

    blank = forms.BooleanField(label=gettext_lazy("Coarse blank"), required=False)
    blank_material = MaterialChoiceField(
        gettext_lazy("Barren material"), gettext_lazy("Add the barren material first: see check materials.")
    )
    blank_number = packets_field()
    reference = forms.BooleanField(label=gettext_lazy("Reference material"), required=False)
    reference_material = MaterialChoiceField(
        gettext_lazy("Which reference material"),
        gettext_lazy("Add the reference material first: see check materials."),
    )
    reference_number = packets_field()
    field = forms.BooleanField(label=gettext_lazy("Field duplicate"), required=False)
    field_of = SampleChoiceField(gettext_lazy("Second split from the lot of"))
    field_mass = mass_field(
        gettext_lazy("Mass of the second split"),
        required=False,
        help_text=gettext_lazy("Leave empty for as much as the first."),
    )
    field_method = splitting_field()
    field_day = DayField(label=gettext_lazy("Day it was split off"), done=True)
    coarse = forms.BooleanField(label=gettext_lazy("Coarse duplicate"), required=False)
    coarse_of = SampleChoiceField(gettext_lazy("Cut twice after crushing"))
    pulp = forms.BooleanField(label=gettext_lazy("Pulp duplicate"), required=False)
    pulp_of = SampleChoiceField(gettext_lazy("Weighed twice from the ground powder"))
    under = {
        "blank": ("blank_material", "blank_number"),
        "reference": ("reference_material", "reference_number"),
        "field": ("field_of", "field_mass", "field_method", "field_day"),
        "coarse": ("coarse_of",),
        "pulp": ("pulp_of",),
    }

    def __init__(self, *args, dispatch: Dispatch, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        samples = dispatch.samples.filter(kind=Sample.Kind.LOT).select_related("lot").order_by("tag")
        for name in ("field_of", "coarse_of", "pulp_of"):
            self.fields[name].queryset = samples
        for kind in (ReferenceMaterial.Kind.BLANK, ReferenceMaterial.Kind.REFERENCE):
            self.fields[f"{kind}_material"].queryset = ReferenceMaterial.objects.in_use().of_kind(kind)
        if self.is_bound:
            self._ask_only_under_ticks()

    def _ask_only_under_ticks(self) -> None:
        for tick, names in self.under.items():
            if not self.data.get(tick):
                for name in names:
                    self.fields[name].required = False

    def group(self, tick: str) -> tuple[forms.BoundField, list[forms.BoundField]]:
        return self[tick], [self[name] for name in self.under[tick]]

    def clean(self) -> dict:
        data = super().clean()
        if not self.errors and not any(data.get(tick) for tick in self.under):
            raise ValidationError(phrase("Tick at least one check, or go back without any."), code="no_check")
        return data

    def planned(self) -> list[dict]:
        """The named arguments of `PlannedCheck`, but for the details of the step that takes a field duplicate."""
        data = self.cleaned_data
        planned = []
        for kind in (Sample.Kind.BLANK, Sample.Kind.REFERENCE):
            if data[kind.value]:
                packet = {"kind": kind, "material": data[f"{kind}_material"], "field": f"{kind}_material"}
                planned += [packet] * data[f"{kind}_number"]
        for stage in Sample.Stage:
            if data[stage.value]:
                planned.append(
                    {
                        "kind": Sample.Kind.DUPLICATE,
                        "stage": stage,
                        "of": data[f"{stage}_of"],
                        "field": f"{stage}_of",
                    }
                )
                if stage == Sample.Stage.FIELD:
                    planned[-1] |= self._second_split()
        return planned

    def _second_split(self) -> dict:
        data = self.cleaned_data
        mass = data["field_mass"]
        return {
            "mass_g": mass.canonical if mass else None,
            "typed": mass.typed if mass else data["field_of"].lot.mass_typed,
            "done_on": data["field_day"],
        }


class TakeOutForm(SiteForm):
    reason = forms.CharField(label=gettext_lazy("Why it comes out"), max_length=200, required=False)

    def entry(self) -> dict:
        return {"reason": self.cleaned_data["reason"]}


class GiveUpForm(SiteForm):
    reason = forms.CharField(label=gettext_lazy("Why it is given up"), max_length=200)

    def entry(self) -> dict:
        return {"reason": self.cleaned_data["reason"]}


class SentForm(SiteForm):
    """The dispatch has gone."""

    sent_on = DayField(label=gettext_lazy("Day sent"), done=True)
    expected_on = DayField(label=gettext_lazy("Return expected"), initial=None, required=False)

    def __init__(self, *args, dispatch: Dispatch, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        days = dispatch.laboratory.turnaround_days
        self.fields["expected_on"].initial = dispatch.expected_on
        self.fields["expected_on"].help_text = (
            phrase(
                "Left empty: {number} days after the day sent, as {laboratory} says it takes.",
                number=days,
                laboratory=dispatch.laboratory,
            )
            if days
            else phrase("The laboratory's own number of days isn't known; its page takes it.")
        )

    def entry(self) -> dict[str, datetime.date | None]:
        return {name: self.cleaned_data[name] for name in ("sent_on", "expected_on")}
