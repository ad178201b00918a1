"""Laboratories, dispatches and returns: what is typed or uploaded becomes typed values and certificates."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django import forms
from django.core.exceptions import ValidationError
from django.http import QueryDict

from prospecting.calc import guard
from prospecting.forms.base import DayField, SiteForm
from prospecting.models import Dispatch, Reading, Sample
from prospecting.readers import marks
from prospecting.readers.certificate_csv import (
    GRADE_UNITS,
    Certificate,
    Choices,
    ParsedReading,
    Row,
    describe,
    read_certificate,
)

UNIT_CHOICES = [("", "Choose the unit"), *((unit, unit) for unit in GRADE_UNITS)]
# Behind other digits' places this comma may divide thousands: 1,234.
_MAYBE_THOUSANDS = re.compile(r"(?<![0-9.,])[1-9][0-9]{0,2}(?:,[0-9]{3})+$")
# Lines of a file shown before it is stored; the rest is counted.
MOST_LINES_SHOWN = 300
# The guard's questions shown at once; a batch in the wrong unit would bring one for every sample.
MOST_QUESTIONS = 4


def note_field(help_text: str = "") -> forms.CharField:
    return forms.CharField(
        label="Note",
        max_length=2000,
        required=False,
        help_text=help_text,
        widget=forms.Textarea(attrs={"rows": 3}),
    )


def read_printed(text: str, unit: str | None) -> marks.CellRead:
    """One typed figure by the same rules as one cell of a file; a comma is the decimal sign unless it may mean thousands."""
    text = text.strip()
    decimal_comma = "," in text and "." not in text and not _MAYBE_THOUSANDS.search(text)
    return marks.read_cell(text, unit, decimal_comma=decimal_comma, signs=marks.decimal_signs([text]))


class ReturnForm(SiteForm):
    """What every return says besides its readings."""

    certificate_number = forms.CharField(label="Certificate number", max_length=60)
    reported_on = DayField(label="Day reported", initial=None)
    note = note_field()

    def __init__(self, *args, dispatch: Dispatch, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.dispatch = dispatch

    def ask_about_grades(self, values: Sequence[tuple[str, Decimal]]) -> None:
        """Let the guard ask about values (tag, g/t) out of line by about ten with the dispatch's other results."""
        stored = list(
            Reading.objects.filter(
                sample__dispatch=self.dispatch, symbol=Reading.Symbol.VALUE, grade_g_per_t__isnull=False
            ).values_list("grade_g_per_t", flat=True)
        )
        questions = []
        for at, (tag, grade_g_per_t) in enumerate(values):
            others = stored + [other for i, (_, other) in enumerate(values) if i != at]
            asked = guard.grade_guard(grade_g_per_t, others, self.member.grade_unit).ask
            if asked:
                questions.append(f"Sample {tag}: {asked}")
        for question in questions[:MOST_QUESTIONS]:
            self.ask(question)
        if len(questions) > MOST_QUESTIONS:
            self.ask(f"The same holds for {len(questions) - MOST_QUESTIONS} more. Is the unit right?")

    def _of_certificate(self) -> dict:
        return {name: self.cleaned_data[name] for name in ("certificate_number", "reported_on", "note")}


class TypedReturnForm(ReturnForm):
    """One text for each sample, as printed on paper; a blank one is not in this return."""

    unit = forms.ChoiceField(
        label="Unit printed on the certificate",
        choices=UNIT_CHOICES,
        error_messages={
            "invalid_choice": "Choose one of the units in the list.",
            "required": "Choose the unit.",
        },
    )
    method = forms.CharField(
        label="Method as printed",
        max_length=80,
        required=False,
        help_text="The code or the words over the column.",
    )

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.samples = {
            f"printed_{sample.pk}": sample for sample in self.dispatch.samples.select_related("lot")
        }
        for name, sample in self.samples.items():
            self.fields[name] = forms.CharField(
                label=f"Sample {sample.tag}",
                max_length=marks.LONGEST_CELL,
                required=False,
                widget=forms.TextInput(
                    attrs={
                        "inputmode": "text",
                        "autocomplete": "off",
                        "autocapitalize": "off",
                        "data-field": "",
                    }
                ),
            )
        self.order_fields(["certificate_number", "reported_on", "unit", "method", *self.samples, "note"])

    def head_fields(self) -> list[forms.BoundField]:
        return [self[name] for name in ("certificate_number", "reported_on", "unit", "method")]

    def printed_fields(self) -> list[tuple[forms.BoundField, Sample]]:
        return [(self[name], sample) for name, sample in self.samples.items()]

    def clean(self) -> dict:
        data = super().clean()
        self.rows: list[Row] = []
        for name, sample in self.samples.items():
            text = data.get(name, "")
            if not text:
                continue
            # Without a unit a figure is not wrong yet: the unit's own field says what is missing.
            cell = read_printed(text, data.get("unit") or "g/t")
            if cell.symbol == marks.NOT_UNDERSTOOD:
                self.add_error(name, f"“{text}” {cell.complaint}")
            elif cell.complaint:
                self.ask(f"Sample {sample.tag}: “{text}” {cell.complaint}")
            reading = ParsedReading(
                column_index=0,
                method=data.get("method", ""),
                unit=data.get("unit"),
                raw_text=text,
                symbol=cell.symbol,
                grade_g_per_t=cell.grade_g_per_t,
                limit_g_per_t=cell.limit_g_per_t,
            )
            self.rows.append(Row(line_number=len(self.rows) + 1, tag_text=sample.tag, readings=(reading,)))
        if not any(data.get(name) for name in self.samples) and not any(
            name in self.errors for name in self.samples
        ):
            self.add_error(None, "Type what is printed for at least one sample.")
        if data.get("unit"):
            self.ask_about_grades(
                [
                    (row.tag_text, row.readings[0].grade_g_per_t)
                    for row in self.rows
                    if row.readings[0].symbol == marks.VALUE
                ]
            )
        return data

    def entry(self) -> dict:
        return self._of_certificate() | {"rows": self.rows}


class UploadForm(SiteForm):
    upload = forms.FileField(
        label="The laboratory's file",
        help_text="A CSV file as it came, at most 2 MB. Nothing is stored before you have seen what was read.",
        widget=forms.FileInput(attrs={"accept": ".csv,.txt,.tsv,text/csv,text/plain"}),
        error_messages={"required": "Choose the file.", "empty": "The file is empty."},
    )


@dataclass(frozen=True)
class PrintedRow:
    """One line of a file beside the sample it belongs to, None where the dispatch has no such tag."""

    line_number: int
    tag_text: str
    sample: Sample | None
    readings: list[Reading]


class FileRead:
    """What was read from an uploaded file, with a member's answers about its columns; `refusal` where nothing could be."""

    def __init__(self, *, data: bytes, name: str, answers: QueryDict, dispatch: Dispatch) -> None:
        self.data = data
        self.name = name
        self.answers = {
            key: answers[key]
            for key in answers
            if key == "tag_column" or re.fullmatch(r"unit_[0-9]{1,3}", key)
        }
        self.certificate: Certificate | None = None
        self.refusal = ""
        try:
            self.certificate = read_certificate(data, name, choices=self._choices())
        except ValueError as error:
            self.refusal = str(error)
            return
        rows = self.certificate.rows
        self.samples = dispatch.samples.by_printed_tag({row.tag_text for row in rows})
        self.unknown_tags = sorted({row.tag_text for row in rows} - set(self.samples))
        answered = {sample.pk for sample in self.samples.values()}
        self.missing = list(dispatch.samples.exclude(pk__in=answered).select_related("lot"))
        again = {}
        for row in rows:
            again.setdefault(row.tag_text, []).append(row.line_number)
        self.tags_again = {
            tag: lines for tag, lines in again.items() if len(lines) > 1 and tag in self.samples
        }

    def _choices(self) -> Choices:
        tag_column = self.answers.get("tag_column", "")
        return Choices(
            tag_column=int(tag_column) - 1 if re.fullmatch(r"[0-9]{1,3}", tag_column) else None,
            units={int(key[5:]): unit for key, unit in self.answers.items() if key != "tag_column" and unit},
        )

    def sentences(self) -> list[str]:
        return describe(self.certificate)

    def shown_rows(self) -> list[PrintedRow]:
        return [self._shown(row) for row in self.certificate.rows[:MOST_LINES_SHOWN]]

    def rows_not_shown(self) -> int:
        return max(0, len(self.certificate.rows) - MOST_LINES_SHOWN)

    def _shown(self, row: Row) -> PrintedRow:
        sample = self.samples.get(row.tag_text)
        return PrintedRow(
            line_number=row.line_number,
            tag_text=row.tag_text,
            sample=sample,
            readings=[
                Reading(
                    method=cell.method,
                    raw_text=cell.raw_text.strip(),
                    unit=cell.unit or "",
                    symbol=cell.symbol,
                    grade_g_per_t=cell.grade_g_per_t,
                    limit_g_per_t=cell.limit_g_per_t,
                )
                for cell in row.readings
            ],
        )


class ColumnsForm(forms.Form):
    """The member's answers about the columns of a file: which holds the tags, which unit a gold column is in."""

    def __init__(self, *args, read: FileRead, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        certificate = read.certificate
        if certificate is None:
            self.fields["tag_column"] = forms.CharField(
                label="Column that holds the tags, counted from 1",
                initial=read.answers.get("tag_column", ""),
                widget=forms.TextInput(attrs={"inputmode": "numeric", "autocomplete": "off"}),
            )
            return
        others = [column for column in certificate.columns if column.meaning != "grade"]
        self.fields["tag_column"] = forms.ChoiceField(
            label="The tags stand in",
            choices=[(column.number, str(column)) for column in others],
            initial=certificate.tag_column.number,
        )
        for column in certificate.gold_columns:
            self.fields[f"unit_{column.index}"] = forms.ChoiceField(
                label=f"Unit of {column}", choices=UNIT_CHOICES, initial=column.unit or ""
            )


class FileReturnForm(ReturnForm):
    """What a member adds to a file that was read, before it is stored."""

    leave_out_unknown = forms.BooleanField(required=False)

    def __init__(self, *args, read: FileRead, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.read = read
        certificate = read.certificate
        self.fields["certificate_number"].initial = certificate.header.get("certificate_number", "")[:60]
        self.fields["reported_on"].initial = certificate.reported_on
        number = len(read.unknown_tags)
        if number:
            self.fields["leave_out_unknown"].label = (
                "Leave out the tag that isn't in this dispatch: it is the laboratory's own check"
                if number == 1
                else f"Leave out the {number} tags that aren't in this dispatch: they are the laboratory's own checks"
            )
        else:
            del self.fields["leave_out_unknown"]

    def typed_body(self) -> dict:
        return super().typed_body() | {"file": self.read.certificate.sha256, "answers": self.read.answers}

    def clean(self) -> dict:
        data = super().clean()
        certificate = self.read.certificate
        cells = [
            (row.tag_text, cell)
            for row in certificate.rows
            if row.tag_text in self.read.samples
            for cell in row.readings
        ]
        if certificate.columns_without_unit:
            raise ValidationError("Choose the unit of each gold column first.", code="unit_unknown")
        if any(cell.symbol == marks.NOT_UNDERSTOOD for _, cell in cells):
            raise ValidationError(
                "A figure in this file is not understood, so nothing of it can be stored. Ask the laboratory for a mended "
                "file, or type the return in.",
                code="not_understood",
            )
        for problem in certificate.problems:
            self.ask(problem)
        self.ask_about_grades(
            [(tag, cell.grade_g_per_t) for tag, cell in cells if cell.symbol == marks.VALUE]
        )
        return data

    def entry(self) -> dict:
        return self._of_certificate() | {
            "certificate": self.read.certificate,
            "file_name": self.read.name,
            "file_bytes": self.read.data,
            "leave_out_unknown": self.cleaned_data.get("leave_out_unknown", False),
        }
