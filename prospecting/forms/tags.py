"""Which lots get tags and on what paper; and the code on a tag, scanned or typed."""

import re
from collections.abc import Mapping
from urllib.parse import urlencode

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import Count, Exists, OuterRef, QuerySet
from django.utils.translation import gettext_lazy

from prospecting.calc.codes import read_code
from prospecting.calc.label_sheets import A4, TAPES, US_LETTER, USUAL_SHEETS, LabelSheet, tape_sheet
from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.number_words import numeral
from prospecting.calc.tag_address import code_in_text
from prospecting.forms.base import CountField, NumberField
from prospecting.forms.lots import FindForm
from prospecting.models import Lot, Step, Zone

PAPERS = {A4.name: A4, US_LETTER.name: US_LETTER}
PAPER_NAMES = {A4.name: "A4", US_LETTER.name: gettext_lazy("US Letter")}
OWN = "own"
MOST_TAGS = 300
# What is typed travels in the page's address, for which servers allow some 4,000 signs: a code and its line end take 14.
MOST_TYPED = 200
RECENT_STEPS = 20

SEPARATORS = re.compile(r"[,;\n\r\t]+")


def _sheet_key(sheet: LabelSheet) -> str:
    return f"{sheet.paper.name}-{sheet.columns}x{sheet.rows}"


def _sheet_words(sheet: LabelSheet) -> str:
    size = f"{numeral(sheet.width_mm)} × {numeral(sheet.height_mm)} mm"
    return phrase(
        "{columns} by {rows} on {paper}, {size}",
        columns=sheet.columns,
        rows=sheet.rows,
        paper=PAPER_NAMES[sheet.paper.name],
        size=size,
    )


LABEL_SHEETS = {_sheet_key(sheet): sheet for sheet in USUAL_SHEETS}


def sheet_choices() -> list[tuple[str, list[tuple[str, str]]]]:
    tapes = [(f"tape-{width}", phrase("Single tape, {width} mm wide", width=width)) for width in TAPES]
    return [
        (phrase("Label sheets"), [(key, _sheet_words(sheet)) for key, sheet in LABEL_SHEETS.items()]),
        (phrase("Tape"), tapes),
        (phrase("Other"), [(OWN, phrase("A sheet of my own measures, below"))]),
    ]


class StepChoiceField(forms.ModelChoiceField):
    def label_from_instance(self, step: Step) -> str:
        return phrase_counted("{step}: {number} lot", "{step}: {number} lots", step.lots_made, step=step)


def _length(label: str, *, least: str | int = 0, most: int = 300, **kwargs) -> NumberField:
    return NumberField(label=label, least=least, most=most, places=2, unit_label="mm", **kwargs)


class TagsForm(forms.Form):
    """Lots named one by one, all lots of a step, and lots on hand of a kind or zone; then the paper. Sent by GET."""

    codes = forms.CharField(
        label=gettext_lazy("Codes"),
        max_length=13 * MOST_TYPED,
        required=False,
        help_text=gettext_lazy("One on each line, or with commas between."),
        widget=forms.Textarea(
            attrs={"rows": 3, "autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"}
        ),
    )
    step = StepChoiceField(
        label=gettext_lazy("All lots made by a step"),
        queryset=Step.objects.none(),
        required=False,
        empty_label=gettext_lazy("none"),
        help_text=gettext_lazy("The newest first; a cut gives all its portions."),
        error_messages={"invalid_choice": gettext_lazy("That step made no lot that stands.")},
    )
    kind = forms.ChoiceField(
        label=gettext_lazy("Lots on hand of a kind"),
        choices=[("", gettext_lazy("none")), *Lot.Kind.choices],
        required=False,
    )
    zone = forms.ModelChoiceField(
        label=gettext_lazy("Lots on hand with material of a zone"),
        queryset=Zone.objects.select_related("claim"),
        required=False,
        empty_label=gettext_lazy("none"),
        help_text=gettext_lazy("With a kind above, only that kind."),
    )
    sheet = forms.ChoiceField(
        label=gettext_lazy("Paper"), choices=sheet_choices, initial=_sheet_key(USUAL_SHEETS[3])
    )
    first_label = CountField(
        label=gettext_lazy("First free label"),
        least=1,
        most=500,
        initial=1,
        help_text=gettext_lazy("For a sheet used before: counted row by row from the upper left."),
    )
    outlines = forms.BooleanField(
        label=gettext_lazy("Print the edges too, to cut plain paper along them"), required=False
    )
    paper = forms.ChoiceField(
        label=gettext_lazy("Paper of my own sheet"), choices=list(PAPER_NAMES.items()), required=False
    )
    columns = CountField(label=gettext_lazy("Labels across"), least=1, most=20, required=False)
    rows = CountField(label=gettext_lazy("Labels down"), least=1, most=40, required=False)
    width_mm = _length(gettext_lazy("Width of a label"), least=25, required=False)
    height_mm = _length(gettext_lazy("Height of a label"), least=12, required=False)
    gap_across_mm = _length(gettext_lazy("Gap between columns"), most=50, required=False)
    gap_down_mm = _length(gettext_lazy("Gap between rows"), most=50, required=False)
    left_mm = _length(
        gettext_lazy("Margin at the left"),
        most=150,
        required=False,
        help_text=gettext_lazy("Left empty: as much as at the right."),
    )
    top_mm = _length(
        gettext_lazy("Margin at the top"),
        most=150,
        required=False,
        help_text=gettext_lazy("Left empty: as much as at the bottom."),
    )
    own_fields = ("paper", "columns", "rows", "width_mm", "height_mm")
    own_spaces = ("gap_across_mm", "gap_down_mm", "left_mm", "top_mm")

    def __init__(self, data: Mapping | None = None, **kwargs) -> None:
        super().__init__(data, **kwargs)
        asked = (data or self.initial).get("step") or ""
        self.fields["step"].queryset = _steps_to_choose(str(asked))

    def which(self) -> list[forms.BoundField]:
        return [self[name] for name in ("codes", "step", "kind", "zone")]

    def where(self) -> list[forms.BoundField]:
        return [self[name] for name in ("sheet", "first_label", "outlines")]

    def own(self) -> list[forms.BoundField]:
        return [self[name] for name in (*self.own_fields, *self.own_spaces)]

    def own_is_open(self) -> bool:
        return self["sheet"].value() == OWN or any(field.errors for field in self.own())

    def clean_codes(self) -> list[Lot]:
        codes = list(dict.fromkeys(_codes_in(self.cleaned_data["codes"])))
        if len(codes) > MOST_TYPED:
            raise ValidationError(
                phrase("At most {number} codes at once.", number=MOST_TYPED), code="too_many"
            )
        by_code = Lot.objects.standing().select_related("made_by__dig").in_bulk(codes, field_name="code")
        missing = [code for code in codes if code not in by_code]
        if missing:
            raise ValidationError(
                phrase("No standing lot in the books: {codes}.", codes=", ".join(missing[:10])),
                code="unknown_code",
            )
        return [by_code[code] for code in codes]

    def clean(self) -> dict:
        data = super().clean()
        if self.errors:
            return data
        self.lots = self._chosen_lots()
        if not self.lots:
            self.add_error(
                None, ValidationError(phrase("Name at least one lot: no lot is chosen yet."), code="no_lot")
            )
        elif len(self.lots) > MOST_TAGS:
            self.add_error(
                None,
                ValidationError(
                    phrase("That is more than {number} tags at once: choose fewer.", number=MOST_TAGS),
                    code="too_many",
                ),
            )
        self._choose_sheet()
        return data

    def _chosen_lots(self) -> list[Lot]:
        """Each chosen lot once: the typed ones first, then those of the step, then those of a kind or zone."""
        data = self.cleaned_data
        chosen = {lot.pk: lot for lot in data["codes"]}
        lots = Lot.objects.select_related("made_by__dig")
        found = []
        if data["step"]:
            found += lots.standing().filter(made_by=data["step"]).order_by("portion_number", "pk")
        if data["kind"] or data["zone"]:
            on_hand = lots.in_stock()
            on_hand = on_hand.of_kind(data["kind"]) if data["kind"] else on_hand
            on_hand = on_hand.from_zone(data["zone"]) if data["zone"] else on_hand
            found += on_hand.order_by("pk")[: MOST_TAGS + 1]
        return list((chosen | {lot.pk: lot for lot in found if lot.pk not in chosen}).values())

    def _choose_sheet(self) -> None:
        data = self.cleaned_data
        if data["sheet"] == OWN:
            for name in self.own_fields:
                if not data.get(name):
                    self.add_error(
                        name, ValidationError(phrase("A sheet of your own needs this."), code="required")
                    )
            if self.errors:
                return
            try:
                self.label_sheet = LabelSheet(
                    paper=PAPERS[data["paper"]],
                    **{name: data[name] for name in self.own_fields[1:]},
                    **{name: data[name] for name in self.own_spaces if data[name] is not None},
                )
            except ValueError as error:
                self.add_error("columns", ValidationError(str(error), code="off_the_paper"))
                return
        else:
            self.label_sheet = label_sheet(data["sheet"])
        labels = self.label_sheet.columns * self.label_sheet.rows
        if labels == 1:
            # Tape has no label used before.
            data["first_label"] = 1
        elif data["first_label"] > labels:
            self.add_error(
                "first_label",
                ValidationError(
                    phrase("This sheet has {number} labels.", number=labels), code="out_of_range"
                ),
            )


def label_sheet(key: str) -> LabelSheet:
    """The sheet or tape of one of `sheet_choices`, but for the one of own measures."""
    return LABEL_SHEETS.get(key) or tape_sheet(TAPES[int(key.removeprefix("tape-"))])


def _steps_to_choose(asked: str) -> QuerySet[Step]:
    """The newest steps that made lots, and the one asked for; each with `lots_made`."""
    # By Exists, which stops at a step's first lot: a join would go through every lot in the books.
    made = Step.objects.filter(Exists(Lot.objects.standing().filter(made_by=OuterRef("pk"))))
    keys = list(made.order_by("-pk").values_list("pk", flat=True)[:RECENT_STEPS])
    if asked.isascii() and asked.isdigit() and len(asked) < 10:
        keys.append(int(asked))
    standing = Step.objects.filter(pk__in=keys, made__is_void=False)
    return standing.annotate(lots_made=Count("made")).order_by("-pk")


def _codes_in(text: str) -> list[str]:
    """The codes in a list; a code may have blanks in it, and several may stand on a line with only blanks between."""
    codes = []
    for piece in filter(None, map(str.strip, SEPARATORS.split(text))):
        try:
            codes.append(read_code(piece))
        except ValueError as whole:
            words = piece.split()
            try:
                codes += [read_code(word) for word in words]
            except ValueError as error:
                # Several words may be one code with a wrong sign in it, or one wrong code among sound ones.
                raise ValidationError(
                    f"“{piece[:40]}”: {whole if len(words) < 5 else error}", code="code"
                ) from None
    return codes


class TapeForm(forms.Form):
    """How wide the tape is that one tag is printed on."""

    tape = forms.TypedChoiceField(
        label=gettext_lazy("Tape"),
        choices=lambda: [(str(width), phrase("{width} mm wide", width=width)) for width in TAPES],
        coerce=int,
        initial=str(max(TAPES)),
    )

    def label_sheet(self) -> LabelSheet:
        """The tape asked for; the widest where none was, or none that exists."""
        return tape_sheet(TAPES[self.cleaned_data["tape"] if self.is_valid() else max(TAPES)])


class ScanForm(FindForm):
    """What the camera read off a tag, or what was typed: the lot's address whatever its host, or its code."""

    code = forms.CharField(
        label=gettext_lazy("Code on the tag"),
        max_length=300,
        error_messages={
            "required": gettext_lazy("Type the code from the tag, like BRK-47-T."),
            "max_length": gettext_lazy("That is too long to be a lot's tag."),
        },
        widget=FindForm.base_fields["code"].widget,
    )

    def clean_code(self) -> str:
        try:
            return code_in_text(self.cleaned_data["code"])
        except ValueError as error:
            raise ValidationError(str(error), code="code") from None


class Collected:
    """The lots scanned so far, kept in the address of the page; `collecting` says whether lots are collected at all."""

    most = 100

    def __init__(self, data) -> None:
        self.collecting = "collect" in data
        codes = [code for code in dict.fromkeys(data.getlist("lot")) if "\0" not in code][: self.most]
        by_code = Lot.objects.standing().in_bulk(codes, field_name="code") if self.collecting else {}
        self.lots = [by_code[code] for code in codes if code in by_code]

    def add(self, lot: Lot) -> str:
        """Put the lot in; what is said of it."""
        if lot.is_void:
            return phrase("{code} is voided: nothing can be done with it.", code=lot.code)
        if lot in self.lots:
            return phrase("{code} is in the list already.", code=lot.code)
        if len(self.lots) >= self.most:
            return phrase("The list is full: at most {number} lots at once.", number=self.most)
        self.lots.append(lot)
        return phrase("{code} is in the list.", code=lot.code)

    def query(self) -> str:
        """The lots as they go into an address: lot=…&lot=…"""
        return _query(self.lots)

    def rows(self) -> list[tuple[Lot, str]]:
        """Each lot with the query of the list without it, the last scanned on top."""
        rows = [(lot, _query([other for other in self.lots if other != lot])) for lot in self.lots]
        return rows[::-1]


def _query(lots: list[Lot]) -> str:
    return urlencode([("lot", lot.code) for lot in lots])
