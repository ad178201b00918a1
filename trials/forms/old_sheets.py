"""A list kept before the site: its file, what its columns hold, and what is to be done with each doubtful line."""

import datetime
import hashlib
from collections.abc import Callable, Hashable, Mapping
from decimal import Decimal

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.translation import gettext_lazy

from prospecting.calc.accepted_files import OLD_LIST
from prospecting.calc.language import in_english, phrase
from prospecting.calc.number_words import count_phrase
from prospecting.forms.base import CountField, DayField, GoldMassField, MassField, SiteForm, note_field
from prospecting.forms.files import AcceptedFileField, FileOrPastedForm, PastedField
from prospecting.models import Claim, Dig, Member, Zone
from trials.actions.old_sheets import NewZone, OldSheetFacts
from trials.calc.old_sheets import (
    ANOTHER,
    BUCKET_ONLY,
    LEAVE,
    MARKED,
    PAN_ONLY,
    TAKE,
    LinePlan,
    OldPlan,
    OldRules,
    TotalBeside,
    plan_old_lines,
    totals_beside,
)
from trials.models import ColourCount
from trials.readers.old_sheets import (
    BY_NAME,
    COMMAS,
    DAY_ORDERS,
    DAYS,
    GOLD_UNITS,
    MASS_UNITS,
    ONCE,
    OldLines,
    OldReading,
    OldTable,
    has_days_in_figures,
    may_be_changed_over,
    names_unit,
    open_old_sheet,
    proposed,
    read_old_lines,
    table_of,
)

MOST_PASTED = 500_000
MOST_PLACES = 60
MOST_CHOICES = 200
SAMPLES = 4
# What a select says where nothing is chosen on purpose: a blank would look as if nobody had answered.
NONE = "none"
# As a person looks for them, bucket before pan; a title is matched in another order.
OFFERED = (
    *("bucket", "dug_on", "place", "station", "mass", "digger"),
    *("portion", "panned_on", "panner", "gold", "colours"),
    *("colours_coarse", "colours_medium", "colours_fine", "colours_very_fine", "colours_flour"),
    *("additive", "note"),
)
UNIT_LABELS = MASS_UNITS | GOLD_UNITS
CHOICE_LABELS = {
    TAKE: gettext_lazy("Take it in as it stands"),
    ANOTHER: gettext_lazy("It is another bucket of the same name"),
    PAN_ONLY: gettext_lazy("Only its pan, of the bucket that stands there already"),
    BUCKET_ONLY: gettext_lazy("Only its bucket, without the pan"),
    MARKED: gettext_lazy("Take it in, its pan marked as not counting"),
    LEAVE: gettext_lazy("Leave the line out"),
}


def table_read(data: bytes, *, sheet: str, title_line: str) -> OldTable:
    """The table of a file; ValueError with a sentence where it holds none. Sheet and line of titles as an address says them."""
    at = int(title_line) if title_line.isascii() and title_line.isdecimal() and len(title_line) < 7 else None
    return table_of(open_old_sheet(data), sheet=sheet, title_line=at)


def _said(labels: Mapping[str, str]) -> list[tuple[str, str]]:
    """Choices out of labels the readers name."""
    return [(value, phrase(label)) for value, label in labels.items()]


def _column_label(number: int, title: str) -> str:
    return (
        phrase("Column {number}: “{title}”", number=number, title=title)
        if title
        else phrase("Column {number}", number=number)
    )


class OldFileForm(FileOrPastedForm):
    """The list as a file, or pasted out of a spreadsheet."""

    given = "list"
    upload = AcceptedFileField(
        OLD_LIST,
        label=gettext_lazy("The list"),
        required=False,
        help_text=gettext_lazy("Nothing is recorded before you have seen what would come of each line."),
    )
    pasted = PastedField(
        most=MOST_PASTED,
        label=gettext_lazy("Or paste it here"),
        help_text=gettext_lazy(
            "Copied out of a spreadsheet with its titles, or typed with commas, semicolons or tabs between the cells."
        ),
    )


class OldTableForm(forms.Form):
    """Which sheet, and which line of it holds the titles."""

    def __init__(self, *args, table: OldTable, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        if len(table.sheets) > 1:
            self.fields["sheet"] = forms.ChoiceField(
                label=phrase("Sheet"),
                choices=[(name, name) for name in table.sheets],
                initial=table.grid.sheet,
            )
        self.fields["title_line"] = CountField(
            label=phrase("Line with the titles"),
            most=99_999,
            initial=table.title_line,
            help_text=phrase("0 where no line holds titles."),
        )


class OldReadingForm(SiteForm):
    """What the columns hold, which zones its places are, and what holds where a line says nothing. Sent in the address."""

    def __init__(
        self, *args, member: Member, table: OldTable, before: Mapping[str, str] | None = None, **kwargs
    ) -> None:
        super().__init__(*args, member=member, **kwargs)
        for name in ("identity", "held", "keep_as_typed"):
            del self.fields[name]
        self.table = table
        self.before = before or {}
        self.proposal = proposed(table)
        self.zones = {str(zone.pk): zone for zone in Zone.objects.select_related("claim")}
        self.claims = {str(claim.pk): claim for claim in Claim.objects.all()}
        self._add_columns()
        self._add_places()
        self._add_rest()
        for field in self.fields.values():
            if isinstance(field, MassField):
                field.set_unit(member.mass_unit)
        for name, value in self.before.items():
            if name in self.fields:
                self.initial.setdefault(name, value)

    def _add_columns(self) -> None:
        roles = [(NONE, phrase("Not read")), *((name, phrase(BY_NAME[name].label)) for name in OFFERED)]
        for at, title in enumerate(self.table.titles):
            cells = list(dict.fromkeys(self.table.cells(at)))
            if not cells and not title:
                continue
            shown = ", ".join(text[:30] for text in cells[:SAMPLES])
            self.fields[f"c{at}"] = forms.ChoiceField(
                label=_column_label(at + 1, title),
                choices=roles,
                initial=self.proposal.roles[at] or NONE,
                help_text=phrase("Holds {shown}", shown=shown) if shown else phrase("Holds nothing"),
            )
            role = BY_NAME.get(self._said(f"c{at}"))
            if role and role.units:
                self.fields[f"u{at}"] = forms.ChoiceField(
                    label=phrase("Unit of column {column}", column=at + 1),
                    choices=[
                        (NONE, phrase("Each of its cells says it")),
                        *((unit, phrase(UNIT_LABELS[unit])) for unit in role.units),
                    ],
                    initial=self.proposal.units[at] or NONE,
                )

    def _add_places(self) -> None:
        self.places: dict[str, str] = {}
        column = next((at for at in range(len(self.table.titles)) if self._said(f"c{at}") == "place"), None)
        if column is None:
            return
        spelt: dict[str, str] = {}
        for text in self.table.said_in(column):
            spelt.setdefault(text[:80].casefold(), text[:80])
        self.too_many_places = f"c{column}" if len(spelt) > MOST_PLACES else ""
        choices = [
            (NONE, phrase("Not settled: its lines are left out")),
            *((f"z{pk}", str(zone)) for pk, zone in self.zones.items()),
            *(
                (f"n{pk}", phrase("A new zone of that name on {claim}", claim=claim))
                for pk, claim in self.claims.items()
            ),
        ]
        for folded, text in list(spelt.items())[:MOST_PLACES]:
            name = f"z_{hashlib.sha256(folded.encode()).hexdigest()[:8]}"
            self.places[name] = text
            self.fields[name] = forms.ChoiceField(
                label=phrase("“{text}” is", text=text), choices=choices, initial=self._likely_zone(folded)
            )

    def _likely_zone(self, folded: str) -> str:
        same = [pk for pk, zone in self.zones.items() if zone.name.casefold() == folded]
        return f"z{same[0]}" if len(same) == 1 else NONE

    def _add_rest(self) -> None:
        measured = [self.table.cells(at) for at in range(len(self.table.titles)) if f"u{at}" in self.fields]
        if has_days_in_figures(self._day_cells()):
            self.fields["day_order"] = forms.ChoiceField(
                label=phrase("Days are written"),
                choices=[("", phrase("Choose the order")), *_said(DAY_ORDERS)],
                initial=self.proposal.day_order,
            )
        if self.table.grid.sheet and may_be_changed_over(self._day_cells()):
            self.fields["changed_over"] = forms.ChoiceField(
                label=phrase("Days the spreadsheet knew as days"),
                choices=[
                    ("", phrase("Choose after a look at them")),
                    ("no", phrase("are right as they stand above")),
                    ("yes", phrase("have day and month changed over: turn them back")),
                ],
                help_text=phrase(
                    "All of them are days up to the twelfth, and all days kept as text are later ones: so it looks where "
                    "a spreadsheet set to the other order took the day for the month."
                ),
            )
        if any("," in text for cells in measured for text in cells):
            self.fields["comma"] = forms.ChoiceField(
                label=phrase("A comma within a figure divides"),
                choices=[("", phrase("Choose what")), *_said(COMMAS)],
                initial=self.proposal.comma,
            )
        self.fields["as_above"] = forms.BooleanField(
            label=phrase("An empty cell means the same as above"),
            required=False,
            initial=self.proposal.as_above,
            help_text=phrase(
                'For place, station, bucket, day and people. A mark like " or ditto always does.'
            ),
        )
        self.fields["zone_else"] = forms.ChoiceField(
            label=phrase("Zone of lines without a place"),
            choices=[
                (NONE, phrase("None: such lines are left out")),
                *((pk, str(zone)) for pk, zone in self.zones.items()),
            ],
        )
        self.fields["day_else"] = DayField(
            label=phrase("Day of lines without one"), done=True, required=False, initial=None
        )
        self.fields["station_else"] = forms.CharField(
            label=phrase("Station of lines without one"), max_length=40, initial=phrase("not known")
        )
        self.fields["digger_else"] = forms.CharField(
            label=phrase("Who dug, where a line does not say"), max_length=120, initial=phrase("not known")
        )
        self.fields["sample_kind"] = forms.ChoiceField(
            label=phrase("Kind of sample"),
            choices=[("", phrase("Choose how it was taken")), *Dig.SampleKind.choices],
        )
        self.fields["is_dry"] = forms.BooleanField(
            label=phrase("The buckets were weighed dried"),
            required=False,
            help_text=phrase("Else as dug, damp or wet."),
        )
        self.fields["mass_else"] = MassField(
            label=phrase("Weight of a bucket nobody weighed"),
            required=False,
            help_text=phrase("Where it is empty, buckets without a weight are left out."),
        )
        self.fields["pans_are_all"] = forms.BooleanField(
            label=phrase("A bucket nobody weighed held what its pans took, and no more"),
            required=False,
        )
        self.fields["portion_else"] = MassField(
            label=phrase("Weight of a pan nobody weighed"),
            required=False,
            help_text=phrase(
                "Where it is empty, such pans are left out: gold from an unknown weight says nothing."
            ),
        )
        self.fields["scale_step"] = GoldMassField(
            label=phrase("Step of the scale of that time"),
            required=False,
            help_text=phrase("1 mg, 0.01 g. Without it a trace can't be kept as less than the scale shows."),
        )
        self.fields["nil"] = forms.ChoiceField(
            label=phrase("“Nil”, “nothing” and 0 for gold mean"),
            choices=[
                ("below", phrase("nothing showed on the scale")),
                ("colours", phrase("no colour was seen in the pan")),
            ],
            initial="below",
        )
        self.fields["water"] = forms.ChoiceField(
            label=phrase("Where no additive is said, it was panned in"),
            choices=[
                ("plain", phrase("plain water")),
                ("unknown", phrase("nobody knows: such pans stay on record, marked as not counting")),
            ],
            help_text=phrase("Pans that count stand as untreated beside assays and in the zone's figures."),
        )
        self.fields["unsized"] = forms.ChoiceField(
            label=phrase("Size of colours counted without one"),
            choices=ColourCount.SizeClass.choices,
            initial=ColourCount.SizeClass.VERY_FINE,
        )
        people = Member.objects.filter(is_active=True).exclude(role=Member.Role.GUEST)
        self.fields["done_by"] = forms.ModelChoiceField(
            label=phrase("Who answers for the pans"),
            queryset=people,
            initial=self.member.pk,
            help_text=phrase("A member. The names in the list are kept in the notes."),
        )
        self.fields["nothing_left"] = forms.BooleanField(
            label=phrase("Nothing is left of these buckets"),
            required=False,
            help_text=phrase(
                "What the pans did not take is booked as discarded. Else they stand among the lots with what is left."
            ),
        )

    def _said(self, name: str) -> str:
        """What stands in a field now: as sent, else as it was read before, else as proposed."""
        if self.is_bound:
            return self.data.get(name, "")
        if name in self.initial:
            return self.initial[name]
        if name in self.before:
            return self.before[name]
        return self.proposal.roles[int(name[1:])]

    def _day_cells(self) -> list[str]:
        return [
            text
            for at in range(len(self.table.titles))
            if self._said(f"c{at}") in DAYS
            for text in self.table.cells(at)
        ]

    def column_fields(self) -> list[forms.BoundField]:
        return [self[name] for name in self.fields if name[1:].isdigit()]

    def place_fields(self) -> list[forms.BoundField]:
        return [self[name] for name in self.places]

    def other_fields(self) -> list[forms.BoundField]:
        return [self[name] for name in self.fields if not name[1:].isdigit() and name not in self.places]

    def clean(self) -> dict:
        cleaned = super().clean()
        roles = self._roles()
        seen: set[str] = set()
        for at, role in enumerate(roles):
            if role in ONCE and role in seen:
                self.add_error(
                    f"c{at}",
                    phrase("Another column is read as “{role}” already.", role=phrase(BY_NAME[role].label)),
                )
            seen.add(role)
            if cleaned.get(f"u{at}") == NONE and self._lacks_unit(at):
                self.add_error(f"u{at}", phrase("Not every cell says its unit: choose it."))
        if not seen & {
            "mass",
            "portion",
            "gold",
            "colours",
            *(f"colours_{size.value}" for size in ColourCount.SizeClass),
        }:
            self._say(
                phrase(
                    "No column is read as a weight, as gold or as colours: nothing could come of this list."
                ),
                "nothing_read",
            )
        if self.places and self.too_many_places:
            self.add_error(
                self.too_many_places,
                phrase(
                    "It holds more than {most} different places: too many for zones. Are they stations?",
                    most=MOST_PLACES,
                ),
            )
        if "place" not in seen and cleaned.get("zone_else") == NONE:
            self.add_error(
                "zone_else", phrase("No column holds the place: choose the zone all of it came from.")
            )
        return cleaned

    def _say(self, sentence: str, code: str) -> None:
        self.add_error(None, ValidationError(sentence, code=code))

    def _lacks_unit(self, at: int) -> bool:
        return any(not names_unit(text) for text in self.table.cells(at))

    def _roles(self) -> tuple[str, ...]:
        return tuple(self._answer(f"c{at}") for at in range(len(self.table.titles)))

    def _answer(self, name: str) -> str:
        said = self.cleaned_data.get(name, "")
        return "" if said == NONE else said

    def reading(self) -> OldReading:
        values = self.cleaned_data
        return OldReading(
            title_line=self.table.title_line,
            roles=self._roles(),
            units=tuple(self._answer(f"u{at}") for at in range(len(self.table.titles))),
            day_order=values.get("day_order", ""),
            comma=values.get("comma", "thousands"),
            as_above=values["as_above"],
            changed_over=values.get("changed_over") == "yes",
        )

    def lines(self) -> OldLines:
        return read_old_lines(self.table, self.reading())

    def zone_of_place(self) -> dict[str, Zone | NewZone]:
        """The zone of each place of the list that is settled; a new one under the list's own name."""
        found: dict[str, Zone | NewZone] = {}
        for name, text in self.places.items():
            said = self._answer(name)
            if said.startswith("z"):
                found[text] = self.zones[said[1:]]
            elif said:
                found[text] = NewZone(self.claims[said[1:]], text)
        return found

    def named_zones(self) -> dict[Hashable, Zone | NewZone]:
        """Each zone under the key the plan knows it by: its number as text, or the new one's name."""
        found = {_key(zone): zone for zone in self.zone_of_place().values()}
        said = self._answer("zone_else")
        return found | ({said: self.zones[said]} if said else {})

    def rules(
        self,
        known: Mapping[tuple[Hashable, str], str],
        alike: Mapping[tuple[Hashable, datetime.date, Decimal], str],
    ) -> OldRules:
        values = self.cleaned_data
        mass, portion, step = values["mass_else"], values["portion_else"], values["scale_step"]
        return OldRules(
            today=timezone.localdate(),
            zones={text.casefold(): _key(zone) for text, zone in self.zone_of_place().items()},
            zone_else=self._answer("zone_else") or None,
            day_else=values["day_else"],
            station_else=values["station_else"],
            digger_else=values["digger_else"],
            mass_else_g=mass.canonical if mass else None,
            mass_else_typed=mass.typed if mass else "",
            pans_are_all=values["pans_are_all"],
            portion_else_g=portion.canonical if portion else None,
            portion_else_typed=portion.typed if portion else "",
            step_mg=step.canonical if step else None,
            nil_is_below=values["nil"] == "below",
            plain_water=values["water"] == "plain",
            unsized=values["unsized"],
            known=known,
            alike=alike,
            mass_unit=self.member.mass_unit,
            grade_unit=self.member.grade_unit,
        )

    def facts(self, *, name: str, sha256: str, plan: OldPlan, note: str) -> OldSheetFacts:
        values = self.cleaned_data
        settled = {field: self.data.get(field, "") for field in self.fields}
        left_out = {each.line.number: each.why_not for each in plan.lines if each.why_not}
        return OldSheetFacts(
            file_name=name,
            sha256=sha256,
            columns={"titles": list(self.table.titles), "settled": settled},
            zones=self.named_zones(),
            sample_kind=values["sample_kind"],
            done_by=values["done_by"],
            is_dry=values["is_dry"],
            nothing_left=values["nothing_left"],
            note=note,
            left_out=left_out,
        )


def _key(zone: Zone | NewZone) -> Hashable:
    return ("new", zone.claim.pk, zone.name) if isinstance(zone, NewZone) else str(zone.pk)


class OldChoicesForm(SiteForm):
    """The dry run: what is done with each doubtful line, and the word that the rest is left out."""

    def __init__(
        self, *args, lines: OldLines, rules: OldRules, zone_names: Mapping[Hashable, str], **kwargs
    ) -> None:
        super().__init__(*args, **kwargs)
        self.read = lines
        self.zone_names = zone_names
        said = (
            {line.number: self.data.get(f"line_{line.number}", "") for line in lines.lines}
            if self.is_bound
            else {}
        )
        self.rules, self.said = rules, said
        self.plan = plan_old_lines(lines.lines, rules, said)
        unsettled = [each for each in self.plan.lines if each.may_choose and each.asks]
        if too_many := unsettled[MOST_CHOICES:]:
            said |= {each.line.number: LEAVE for each in too_many}
            self.plan = plan_old_lines(lines.lines, rules, said)
        self.too_many = len(too_many)
        beyond = {each.line.number for each in too_many}
        asked = [
            each
            for each in self.plan.lines
            if each.may_choose and each.asks and each.line.number not in beyond
        ]
        room = max(0, MOST_CHOICES - len(asked))
        asked += [each for each in self.plan.lines if each.may_choose and not each.asks][:room]
        self.asked = {
            f"line_{each.line.number}": each for each in sorted(asked, key=lambda each: each.line.number)
        }
        for name, each in self.asked.items():
            self.fields[name] = forms.ChoiceField(
                label=phrase("Line {number}: {text}", number=each.line.number, text=each.line.text[:160]),
                choices=[(choice, CHOICE_LABELS[choice]) for choice in each.choices],
                widget=forms.RadioSelect,
                initial="" if each.asks else each.choice,
                help_text=" ".join((*each.faults, *each.asks)),
                error_messages={"required": phrase("Choose what is done with this line.")},
            )
        if self.left_out:
            self.fields["leave"] = forms.BooleanField(
                label=count_phrase(
                    "Yes, leave out what can't be taken in of {number} line",
                    "Yes, leave out what can't be taken in of {number} lines",
                    len(self.left_out),
                ),
                error_messages={"required": phrase("Say that these lines may stay out, or mend the file.")},
            )
        self.fields["note"] = note_field(phrase("Where the list is from, who kept it."))

    def clean(self) -> dict:
        cleaned = super().clean()
        for name, each in self.asked.items():
            # What was chosen no longer fits, since another line was chosen otherwise.
            if each.is_open and name not in self.errors:
                self.add_error(name, each.asks[-1])
        return cleaned

    def plan_as_kept(self, read: Callable[[], OldLines]) -> OldPlan:
        """The same plan from the list read anew: why a line was left out is kept in English, whoever takes the list in."""
        with in_english():
            return plan_old_lines(read().lines, self.rules, self.said)

    @property
    def left_out(self) -> list[LinePlan]:
        """Lines that are left out, or lose their pan, without anybody having chosen so."""
        return [
            each for each in self.plan.lines if each.why_not and f"line_{each.line.number}" not in self.asked
        ]

    @property
    def doubts(self) -> list[forms.BoundField]:
        return [self[name] for name in self.asked]

    @property
    def end_fields(self) -> list[forms.BoundField]:
        return [self[name] for name in ("leave", "note") if name in self.fields]

    @property
    def totals(self) -> list[TotalBeside]:
        return totals_beside(self.read.lines, self.read.totals)

    def rows(self, most: int) -> list[tuple[LinePlan, str]]:
        """Lines with the zone of the bucket each would make."""
        return [
            (each, self.zone_names.get(each.bucket.zone, "") if each.bucket else "")
            for each in self.plan.lines[:most]
        ]


class TakeBackForm(SiteForm):
    reason = forms.CharField(
        label=gettext_lazy("Why it is taken back"),
        max_length=120,
        help_text=gettext_lazy("All of it stays in the books, voided, with this reason."),
    )
