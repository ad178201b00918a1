"""Laboratories, dispatches and returns: what is typed or uploaded becomes typed values and certificates."""

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal

from django import forms
from django.core.exceptions import ValidationError
from django.http import QueryDict
from django.utils.translation import gettext_lazy

from prospecting.actions.assays import SettledColumns
from prospecting.calc import guard
from prospecting.calc.accepted_files import CERTIFICATE
from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.unit_jump import Others
from prospecting.forms.base import DayField, SiteForm, note_field
from prospecting.forms.files import AcceptedFileField, FileOrPastedForm, PastedField
from prospecting.models import AssayReturn, ColumnReading, Dispatch, Reading, Sample
from prospecting.readers import marks
from prospecting.readers.certificate import ROLES, Column, method_kept
from prospecting.readers.certificate_csv import (
    GRADE_UNITS,
    Certificate,
    Choices,
    Opened,
    ParsedReading,
    Row,
    TableUnknown,
    Titles,
    describe,
    open_certificate,
    read_opened,
    titles_of,
)
from prospecting.readers.columns import MASS_UNITS
from prospecting.readers.header_facts import is_revision_of, is_same_number

# Of the units of grade those that are words.
UNIT_WORDS = {
    "troy oz per short ton": gettext_lazy("troy oz per short ton"),
    "troy oz per long ton": gettext_lazy("troy oz per long ton"),
    "troy oz per tonne": gettext_lazy("troy oz per tonne"),
}
# Behind other digits' places this comma may divide thousands: 1,234.
_MAYBE_THOUSANDS = re.compile(r"(?<![0-9.,])[1-9][0-9]{0,2}(?:,[0-9]{3})+$")
# Lines of a file shown before it is stored; the rest is counted.
MOST_LINES_SHOWN = 300
# The guard's questions shown at once; a batch in the wrong unit would bring one for every sample.
MOST_QUESTIONS = 4
MOST_PROBLEMS_SHOWN = 40
MOST_PASTED = 2_000_000


def unit_choices(units: Iterable[str]) -> list[tuple[str, str]]:
    return [("", gettext_lazy("Choose the unit")), *((unit, UNIT_WORDS.get(unit, unit)) for unit in units)]


def read_printed(text: str, unit: str | None) -> marks.CellRead:
    """One typed figure by the same rules as one cell of a file; a comma is the decimal sign unless it may mean thousands."""
    text = text.strip()
    decimal_comma = "," in text and "." not in text and not _MAYBE_THOUSANDS.search(text)
    return marks.read_cell(text, unit, decimal_comma=decimal_comma, signs=marks.decimal_signs([text]))


class ReturnForm(SiteForm):
    """What every return says besides its readings."""

    certificate_number = forms.CharField(label=gettext_lazy("Certificate number"), max_length=60)
    reported_on = DayField(label=gettext_lazy("Day reported"), initial=None)
    replaces = forms.ChoiceField(
        label=gettext_lazy("Does it correct an earlier certificate?"), required=False
    )
    note = note_field()

    def __init__(self, *args, dispatch: Dispatch, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.dispatch = dispatch

    def _offer_correcting(self, corrects: Sequence[AssayReturn], likely: AssayReturn | None) -> None:
        self.corrects = {str(each.pk): each for each in corrects}
        if not corrects:
            del self.fields["replaces"]
            return
        field = self.fields["replaces"]
        field.choices = [
            ("", phrase("No, it stands beside them")),
            *(
                (
                    pk,
                    phrase(
                        "Yes, it corrects certificate {number}",
                        number=each.certificate_number,
                    ),
                )
                for pk, each in self.corrects.items()
            ),
        ]
        field.initial = str(likely.pk) if likely else ""
        field.help_text = phrase("What it corrects is kept, and its readings count no longer.")

    def ask_about_grades(self, values: Sequence[tuple[str, Decimal]]) -> None:
        """Let the guard ask about values (tag, g/t) out of line by about ten with the dispatch's other results.

        Blanks and reference materials are left out on both sides: what they hold is known, and checked elsewhere.
        """
        of_material = set(
            self.dispatch.samples.filter(lot=None, duplicate_of=None).values_list("tag", flat=True)
        )
        values = [(tag, grade_g_per_t) for tag, grade_g_per_t in values if tag not in of_material]
        stored = (
            Reading.objects.filter(sample__dispatch=self.dispatch, symbol=Reading.Symbol.VALUE)
            .exclude(sample__lot=None, sample__duplicate_of=None)
            .of_whole()
            .standing()
        )
        others = Others([*stored.values_list("grade_g_per_t", flat=True), *(grade for _, grade in values)])
        questions = []
        for tag, grade_g_per_t in values:
            if others.hold(grade_g_per_t) and grade_g_per_t <= guard.RICH_G_PER_T:
                continue
            asked = guard.grade_guard(grade_g_per_t, others.of(grade_g_per_t), self.member.grade_unit).ask
            if asked:
                questions.append(phrase("Sample {tag}: {asked}", tag=tag, asked=asked))
        for question in questions[:MOST_QUESTIONS]:
            self.ask(question)
        if len(questions) > MOST_QUESTIONS:
            self.ask(
                phrase(
                    "The same holds for {number} more. Is the unit right?",
                    number=len(questions) - MOST_QUESTIONS,
                )
            )

    def _of_certificate(self) -> dict:
        said = {name: self.cleaned_data[name] for name in ("certificate_number", "reported_on", "note")}
        return said | {"replaces": self.corrects.get(self.cleaned_data.get("replaces") or "")}


class TypedReturnForm(ReturnForm):
    """One text for each sample, as printed on paper; a blank one is not in this return.

    `ask_beside` gives the questions that the books have about what was typed, (sample, g/t) in the order of the list.
    """

    HEAD = ("certificate_number", "reported_on", "replaces", "unit", "method")

    unit = forms.ChoiceField(
        label=gettext_lazy("Unit printed on the certificate"),
        choices=unit_choices(GRADE_UNITS),
        error_messages={
            "invalid_choice": gettext_lazy("Choose one of the units in the list."),
            "required": gettext_lazy("Choose the unit."),
        },
    )
    method = forms.CharField(
        label=gettext_lazy("Method as printed"),
        max_length=80,
        required=False,
        help_text=gettext_lazy("The code or the words over the column."),
    )

    def __init__(
        self, *args, ask_beside: Callable[[Sequence[tuple[Sample, Decimal]]], Sequence[str]], **kwargs
    ) -> None:
        super().__init__(*args, **kwargs)
        self.ask_beside = ask_beside
        self.samples = {f"printed_{sample.pk}": sample for sample in self.dispatch.samples.with_what()}
        for name, sample in self.samples.items():
            self.fields[name] = forms.CharField(
                label=phrase("Sample {tag}", tag=sample.tag),
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
        self._offer_correcting(list(self.dispatch.returns.standing().without_file()), None)
        self.order_fields([*self.HEAD, *self.samples, "note"])

    def head_fields(self) -> list[forms.BoundField]:
        return [self[name] for name in self.HEAD if name in self.fields]

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
                self.ask(
                    phrase(
                        "Sample {tag}: “{text}” {complaint}",
                        tag=sample.tag,
                        text=text,
                        complaint=cell.complaint,
                    )
                )
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
            self.add_error(None, phrase("Type what is printed for at least one sample."))
        if data.get("unit"):
            grades = {
                row.tag_text: row.readings[0].grade_g_per_t
                for row in self.rows
                if row.readings[0].symbol == marks.VALUE
            }
            for question in self.ask_beside(
                [(sample, grades[sample.tag]) for sample in self.samples.values() if sample.tag in grades]
            ):
                self.ask(question)
            self.ask_about_grades(list(grades.items()))
        return data

    def entry(self) -> dict:
        return self._of_certificate() | {"rows": self.rows}


class UploadForm(FileOrPastedForm):
    """A laboratory's file, or the table pasted out of a mail or a PDF."""

    upload = AcceptedFileField(
        CERTIFICATE,
        label=gettext_lazy("The laboratory's file"),
        required=False,
        help_text=gettext_lazy(
            "As it came, and it is kept so. Nothing is stored before you have seen what was read."
        ),
    )
    pasted = PastedField(
        most=MOST_PASTED,
        label=gettext_lazy("Or paste the table here"),
        help_text=gettext_lazy(
            "With its titles. Out of a spreadsheet, a mail or a PDF; what you paste is kept as a text file."
        ),
    )


@dataclass(frozen=True)
class PrintedRow:
    """One line of a file beside the sample it belongs to, None where the dispatch has no such tag."""

    line_number: int
    tag_text: str
    sample: Sample | None
    readings: list[Reading]


# What the address of a preview says of the columns, beside the file's own name.
ANSWER = re.compile(r"tag_column|title_line|sheet|(?:unit|as|method)_[0-9]{1,3}")
LONGEST_ANSWER = 80


class FileRead:
    """What was read from a file, with a member's answers about its columns; `refusal` where nothing could be.

    Without answers in the address, those hold that were settled for this laboratory's tables with the same titles.
    """

    def __init__(self, *, data: bytes, name: str, answers: QueryDict, dispatch: Dispatch) -> None:
        self.data = data
        self.name = name
        self.answers = {
            key: answers[key][:LONGEST_ANSWER] for key in answers if ANSWER.fullmatch(key) and answers[key]
        }
        self.is_answered = bool(self.answers)
        self.settled: ColumnReading | None = None
        self.titles: Titles | None = None
        self.unknown: TableUnknown | None = None
        self.certificate: Certificate | None = None
        self.refusal = ""
        try:
            opened = open_certificate(data, name)
            self._recall(opened, dispatch, by_itself="plain" in answers)
            self.certificate = read_opened(opened, self._choices())
        except TableUnknown as unknown:
            self.unknown, self.refusal = unknown, str(unknown)
        except ValueError as error:
            self.refusal = str(error)
        if self.certificate is not None:
            self._find_samples(dispatch)

    def _recall(self, opened: Opened, dispatch: Dispatch, *, by_itself: bool) -> None:
        self.titles = titles_of(opened, self.answers.get("sheet"))
        if self.to_settle() or by_itself:
            return
        self.settled = (
            ColumnReading.objects.select_related("settled_by")
            .filter(laboratory=dispatch.laboratory_id, titles_sha256=self.titles.sha256)
            .first()
        )
        if self.settled is not None:
            self.answers = self.settled.answers | self.answers
            if self.titles.unknown_at:
                self.answers["title_line"] = str(self.titles.unknown_at)

    def _find_samples(self, dispatch: Dispatch) -> None:
        rows = self.certificate.rows
        self.samples = dispatch.samples.with_what().by_printed_tag({row.tag_text for row in rows})
        self.unknown_tags = sorted({row.tag_text for row in rows} - set(self.samples))
        answered = {sample.pk for sample in self.samples.values()}
        self.missing = [sample for sample in dispatch.samples.with_what() if sample.pk not in answered]
        again: dict[str, list[int]] = {}
        for row in rows:
            again.setdefault(row.tag_text, []).append(row.line_number)
        self.tags_again = {
            tag: lines for tag, lines in again.items() if len(lines) > 1 and tag in self.samples
        }

    def tags_again_shown(self) -> list[tuple[str, list[int]]]:
        return list(self.tags_again.items())[:MOST_PROBLEMS_SHOWN]

    def has_many_columns(self) -> bool:
        return len(self.certificate.gold_columns) > 1

    def _choices(self) -> Choices:
        whole = {key: int(text) for key, text in self.answers.items() if re.fullmatch(r"[0-9]{1,6}", text)}
        roles = self._of_columns("as")
        unknown = [role for role in roles.values() if role not in ROLES]
        if unknown:
            raise ValueError("Choose what a column holds from the list.")
        return Choices(
            tag_column=whole["tag_column"] - 1 if "tag_column" in whole else None,
            units={
                index: unit
                for index, unit in self._of_columns("unit").items()
                if index not in roles or unit in units_of(ROLES[roles[index]].meaning)
            },
            roles={index: role for index, role in roles.items() if index + 1 != whole.get("tag_column")},
            methods=self._of_columns("method"),
            title_line=whole.get("title_line"),
            sheet=self.answers.get("sheet"),
        )

    def _of_columns(self, what: str) -> dict[int, str]:
        return {
            int(key.removeprefix(f"{what}_")): text
            for key, text in self.answers.items()
            if key.startswith(f"{what}_")
        }

    def to_settle(self) -> dict[str, str]:
        """The answers that hold for the next file too; a line or a sheet is of this file alone."""
        return {key: text for key, text in self.answers.items() if key not in ("title_line", "sheet")}

    def sentences(self) -> list[str]:
        return describe(self.certificate)

    def cells(self) -> Iterator[tuple[Sample, Row, ParsedReading]]:
        """Every cell of gold of a sample of this dispatch, line by line."""
        for row in self.certificate.rows:
            if row.tag_text in self.samples:
                for cell in row.readings:
                    yield self.samples[row.tag_text], row, cell

    def method_of(self, row: Row, cell: ParsedReading) -> str:
        """The method a cell is kept under."""
        return method_kept(
            cell.method, row.repeat_mark or self.certificate.columns[cell.column_index].repeat_mark
        )

    def likely_corrected(self, returns: Sequence[AssayReturn]) -> AssayReturn | None:
        """The return that this certificate says or seems to correct."""
        header = self.certificate.header
        for each in returns:
            known = each.certificate_number
            if is_same_number(known, header.get("replaces", "")):
                return each
            if is_revision_of(header.get("certificate_number", ""), known):
                return each
        return None

    def problems(self) -> list[str]:
        return list(self.certificate.problems[:MOST_PROBLEMS_SHOWN])

    def problems_not_shown(self) -> int:
        return max(0, len(self.certificate.problems) - MOST_PROBLEMS_SHOWN)

    def shown_rows(self) -> list[PrintedRow]:
        return [self._shown(row) for row in self.certificate.rows[:MOST_LINES_SHOWN]]

    def rows_not_shown(self) -> int:
        return max(0, len(self.certificate.rows) - MOST_LINES_SHOWN)

    def _shown(self, row: Row) -> PrintedRow:
        return PrintedRow(
            line_number=row.line_number,
            tag_text=row.tag_text,
            sample=self.samples.get(row.tag_text),
            readings=[
                Reading(
                    method=cell.method,
                    raw_text=cell.raw_text.strip(),
                    unit=cell.unit or "",
                    symbol=cell.symbol,
                    grade_g_per_t=cell.grade_g_per_t,
                    limit_g_per_t=cell.limit_g_per_t,
                    fraction=cell.fraction,
                    fraction_mass_g=cell.fraction_mass_g,
                )
                for cell in row.readings
            ],
        )


def units_of(meaning: str) -> tuple[str, ...]:
    """The units that a column of this meaning can be in."""
    if meaning == "grade":
        return tuple(GRADE_UNITS)
    return MASS_UNITS if meaning in ("mass", "gold mass") else ()


ROLE_CHOICES = [
    ("gold", gettext_lazy("Gold of the whole sample")),
    ("repeat", gettext_lazy("Gold of the whole sample, assayed again")),
    ("plus_mass", gettext_lazy("Screen fire assay: mass of the plus fraction")),
    ("plus_gold", gettext_lazy("Screen fire assay: gold in the plus fraction, weighed")),
    ("plus_grade", gettext_lazy("Screen fire assay: grade of the plus fraction")),
    ("minus_mass", gettext_lazy("Screen fire assay: mass of the minus fraction")),
    ("minus_grade", gettext_lazy("Screen fire assay: grade of the minus fraction")),
    ("mass", gettext_lazy("Mass of the sample")),
    ("other", gettext_lazy("Nothing to read here")),
]


class ColumnsForm(forms.Form):
    """The member's answers about the columns of a file: what each holds, in which unit, by which method."""

    def __init__(self, *args, read: FileRead, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        if read.certificate is not None:
            self._ask_what_was_read(read.certificate)
        elif read.unknown is not None:
            self._ask_by_titles(read.unknown, read.answers)

    def _ask_what_was_read(self, certificate: Certificate) -> None:
        if len(certificate.sheets) > 1:
            self.fields["sheet"] = forms.ChoiceField(
                label=phrase("Sheet to read"),
                choices=[(sheet, sheet) for sheet in certificate.sheets],
                initial=certificate.sheet,
            )
        others = [column for column in certificate.columns if not column.holds_readings]
        self.fields["tag_column"] = forms.ChoiceField(
            label=phrase("The tags stand in"),
            choices=[(column.number, str(column)) for column in others],
            initial=certificate.tag_column.number,
        )
        for column in certificate.columns:
            if column.meaning != "tag" and (column.title or column.meaning != "other"):
                self._ask_about(column)

    def _ask_about(self, column: Column) -> None:
        name = str(column)[0].upper() + str(column)[1:]
        self.fields[f"as_{column.index}"] = forms.ChoiceField(
            label=phrase("{column} holds", column=name), choices=ROLE_CHOICES, initial=column.role or "other"
        )
        units = units_of(column.meaning) if column.holds_readings or column.part else ()
        if units:
            self.fields[f"unit_{column.index}"] = forms.ChoiceField(
                label=phrase("Unit of {column}", column=column),
                choices=unit_choices(units),
                initial=column.unit or "",
            )
        if column.holds_readings:
            self.fields[f"method_{column.index}"] = forms.CharField(
                label=phrase("Method of {column}", column=column),
                required=False,
                initial=column.method[:60],
                max_length=60,
                widget=forms.TextInput(attrs={"autocomplete": "off"}),
            )

    def _ask_by_titles(self, unknown: TableUnknown, answers: dict[str, str]) -> None:
        """Nothing is known but the titles; a unit is asked for once a column is said to hold gold."""
        titles = [" ".join(cell.split())[:60] for cell in unknown.title_line.cells]
        columns = [(index, title) for index, title in enumerate(titles) if title]
        self.fields["title_line"] = forms.CharField(
            initial=str(unknown.title_line.number), widget=forms.HiddenInput
        )
        if unknown.sheet:
            self.fields["sheet"] = forms.CharField(initial=unknown.sheet, widget=forms.HiddenInput)
        self.fields["tag_column"] = forms.ChoiceField(
            label=phrase("The tags stand in"),
            choices=[
                ("", phrase("Choose the column")),
                *(
                    (index + 1, phrase("column {number} ({title})", number=index + 1, title=title))
                    for index, title in columns
                ),
            ],
            initial=answers.get("tag_column", ""),
        )
        for index, title in columns:
            self.fields[f"as_{index}"] = forms.ChoiceField(
                label=phrase("Column {number} ({title}) holds", number=index + 1, title=title),
                choices=[("", phrase("What its title says")), *ROLE_CHOICES],
                initial=answers.get(f"as_{index}", ""),
            )


class FileReturnForm(ReturnForm):
    """What a member adds to a file that was read, before it is stored.

    `corrects` are the returns it may take the place of, `likely` the one it seems to; `questions` come from the books.
    """

    leave_out_unknown = forms.BooleanField(required=False)

    def __init__(
        self,
        *args,
        read: FileRead,
        corrects: Sequence[AssayReturn] = (),
        likely: AssayReturn | None = None,
        questions: Sequence[str] = (),
        **kwargs,
    ) -> None:
        super().__init__(*args, **kwargs)
        self.read = read
        self.questions = questions
        self.fields["keep_as_typed"].label = phrase("Yes, store it as it was read")
        certificate = read.certificate
        number = certificate.header.get("certificate_number", "")[:60]
        if any(each.certificate_number.casefold() == number.casefold() for each in corrects):
            number = f"{number[:50]}, revised"
        self.fields["certificate_number"].initial = number
        self.fields["reported_on"].initial = certificate.reported_on
        self._offer_correcting(corrects, likely)
        number = len(read.unknown_tags)
        if number:
            self.fields["leave_out_unknown"].label = phrase_counted(
                "Leave out the tag that isn't in this dispatch: it is the laboratory's own check",
                "Leave out the {number} tags that aren't in this dispatch: they are the laboratory's own checks",
                number,
            )
        else:
            del self.fields["leave_out_unknown"]

    def typed_body(self) -> dict:
        return super().typed_body() | {"file": self.read.certificate.sha256, "answers": self.read.answers}

    def clean(self) -> dict:
        data = super().clean()
        certificate = self.read.certificate
        cells = [(sample, cell) for sample, _, cell in self.read.cells()]
        if certificate.columns_without_unit:
            raise ValidationError(phrase("Choose the unit of each gold column first."), code="unit_unknown")
        if any(cell.symbol == marks.NOT_UNDERSTOOD for _, cell in cells):
            raise ValidationError(
                phrase(
                    "A figure in this file is not understood, so nothing of it can be stored. Ask the laboratory for a mended "
                    "file, or type the return in."
                ),
                code="not_understood",
            )
        for problem in self.read.problems():
            self.ask(problem)
        if more := self.read.problems_not_shown():
            self.ask(phrase("{number} more of the like, not shown.", number=more))
        for question in self.questions:
            self.ask(question)
        self.ask_about_grades(
            [
                (sample.tag, cell.grade_g_per_t)
                for sample, cell in cells
                if cell.symbol == marks.VALUE and not cell.fraction
            ]
        )
        return data

    def entry(self) -> dict:
        read = self.read
        settled = (
            {"titles_sha256": read.titles.sha256, "titles": read.titles.text, "answers": read.to_settle()}
            if read.is_answered and read.to_settle()
            else None
        )
        return self._of_certificate() | {
            "certificate": read.certificate,
            "file_name": read.name,
            "file_bytes": read.data,
            "leave_out_unknown": self.cleaned_data.get("leave_out_unknown", False),
            "settled": SettledColumns(**settled) if settled else None,
        }
