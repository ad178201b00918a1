"""What a list of buckets and pans kept before the site would become in the books: line by line, with every doubt in words.

Nothing is stored here. A line makes a bucket, a test pan of a bucket, or both. What can't be taken as it stands is left out with
its sentence; what can, but looks odd, waits for a keeper's choice.
"""

import datetime
import statistics
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from prospecting.calc.day_words import day_words
from prospecting.calc.grade import gold_mg, grade_g_per_t
from prospecting.calc.guard import gold_guard, mass_guard
from prospecting.calc.language import phrase
from prospecting.calc.mass_balance import mass_left_g, total_mass_g
from prospecting.calc.units import format_gold_mg, format_mass

# What may be done with a line: all of it; another bucket, though its name stands there already; its bucket without its pan; its
# pan, of the bucket that stands there already; its pan as one that does not count; nothing.
TAKE, ANOTHER, BUCKET_ONLY, PAN_ONLY, MARKED, LEAVE = "take", "another", "bucket", "pan", "marked", "leave"
WEIGHT, BELOW, TRACE, NIL, COLOURS = "weight", "below", "trace", "nil", "colours"
# Lists round their totals; what differs less agrees (our own limit, no source).
TOTAL_WITHIN = Decimal("0.005")
EARLIEST_YEAR = 1900
# A day so far from every other of its list is rather a slip of the year (common practice, no source).
LONELY_DAYS = 730
# What a bucket without a name is called, before the number of its line.
UNNAMED = "line "
FEWEST_TO_JUDGE = 4


@dataclass(frozen=True, kw_only=True)
class OldGold:
    """Gold as one cell gives it. `kind` blank: nothing said. `words` is the cell as it stands.

    Traces, nothing and less than a limit are three things: `step_mg` is the limit where one was written.
    """

    kind: str = ""
    gold_mg: Decimal | None = None
    step_mg: Decimal | None = None
    colours: int | None = None
    typed: str = ""
    words: str = ""


@dataclass(frozen=True, kw_only=True)
class OldLine:
    """One line of the list, read: blank and None where it says nothing. Masses in g, as the list has them beside.

    `colours` maps a size class to a count, blank where sizes were not told apart. `of_line` and `of_pan` say why no bucket, or no
    pan, can be made of it; `asks` what was readable in two ways.
    """

    number: int
    text: str
    place: str = ""
    station: str = ""
    bucket: str = ""
    dug_on: datetime.date | None = None
    digger: str = ""
    mass_g: Decimal | None = None
    mass_typed: str = ""
    panned_on: datetime.date | None = None
    panner: str = ""
    portion_g: Decimal | None = None
    portion_typed: str = ""
    gold: OldGold = OldGold()
    colours: Mapping[str, int] = field(default_factory=dict)
    additive: str = ""
    note: str = ""
    of_line: tuple[str, ...] = ()
    of_pan: tuple[str, ...] = ()
    asks: tuple[str, ...] = ()

    @property
    def has_pan(self) -> bool:
        return bool(self.gold.kind or self.colours or self.portion_g or self.of_pan)


@dataclass(frozen=True, kw_only=True)
class OldRules:
    """What the keeper says of the list as a whole, and what the books know. Zones are whatever the caller names them by.

    `zones` maps a place of the list (folded) to its zone; what ends in `_else` holds where a line says nothing. `known` maps a
    zone and a bucket's name (folded) to the code of such a bucket on the books.
    """

    today: datetime.date
    zones: Mapping[str, Hashable] = field(default_factory=dict)
    zone_else: Hashable | None = None
    day_else: datetime.date | None = None
    station_else: str = "not known"
    digger_else: str = "not known"
    mass_else_g: Decimal | None = None
    mass_else_typed: str = ""
    # Where a bucket was not weighed, what its pans took was all of it; else `mass_else_g` holds.
    pans_are_all: bool = False
    portion_else_g: Decimal | None = None
    portion_else_typed: str = ""
    step_mg: Decimal | None = None
    nil_is_below: bool = True
    # Whether a pan of which no additive is said was panned in plain water; else nobody knows, and it does not count.
    plain_water: bool = True
    unsized: str = "very_fine"
    known: Mapping[tuple[Hashable, str], str] = field(default_factory=dict)
    # The same for buckets of old lists that had no name: by zone, day and mass in g.
    alike: Mapping[tuple[Hashable, datetime.date, Decimal], str] = field(default_factory=dict)
    mass_unit: str = "lb"
    grade_unit: str = "g_per_t"


@dataclass(frozen=True, kw_only=True)
class OldBucket:
    """A bucket to be made. Buckets of one zone, station, day and digger are one dig."""

    line: int
    zone: Hashable
    name: str
    station: str
    dug_on: datetime.date
    digger: str
    mass_g: Decimal
    mass_typed: str
    note: str = ""

    @property
    def dig(self) -> tuple:
        return (self.zone, self.station.casefold(), self.dug_on, self.digger.casefold())


@dataclass(frozen=True, kw_only=True)
class OldPan:
    """A test pan to be logged of the bucket that `bucket_line` makes. `why_marked`: it stays on record but does not count."""

    line: int
    bucket_line: int
    panned_on: datetime.date
    portion_g: Decimal
    portion_typed: str
    gold_mg: Decimal | None = None
    gold_typed: str = ""
    below_scale: bool = False
    step_mg: Decimal | None = None
    colours: Mapping[str, int] = field(default_factory=dict)
    note: str = ""
    why_marked: str = ""

    @property
    def colours_total(self) -> int:
        return sum(self.colours.values())


@dataclass(frozen=True, kw_only=True)
class LinePlan:
    """What one line would become. `choices` holds more than one where a keeper may say; `is_open` where one has to."""

    line: OldLine
    bucket: OldBucket | None = None
    pan: OldPan | None = None
    faults: tuple[str, ...] = ()
    asks: tuple[str, ...] = ()
    choices: tuple[str, ...] = (TAKE,)
    choice: str = TAKE
    is_open: bool = False

    @property
    def is_doubtful(self) -> bool:
        return bool(self.faults or self.asks)

    @property
    def is_left_out(self) -> bool:
        return self.bucket is None and self.pan is None

    @property
    def why_not(self) -> str:
        """Why nothing comes of the line, or no pan of it though it has one; blank where all of it is taken in."""
        if not self.is_left_out and (self.pan or not self.line.has_pan):
            return ""
        why = " ".join((*self.faults, *self.asks)) or phrase("left out by choice")
        return why if self.is_left_out else phrase("Its pan: {why}", why=why)

    @property
    def may_choose(self) -> bool:
        return len(self.choices) > 1


@dataclass(frozen=True)
class OldPlan:
    lines: tuple[LinePlan, ...]

    @property
    def buckets(self) -> list[OldBucket]:
        return [each.bucket for each in self.lines if each.bucket]

    @property
    def pans(self) -> list[OldPan]:
        return [each.pan for each in self.lines if each.pan]

    @property
    def digs(self) -> list[list[OldBucket]]:
        """The buckets of each dig, in the order of the list."""
        found: dict[tuple, list[OldBucket]] = {}
        for bucket in self.buckets:
            found.setdefault(bucket.dig, []).append(bucket)
        return list(found.values())

    @property
    def left_out(self) -> list[LinePlan]:
        return [each for each in self.lines if each.is_left_out]

    @property
    def bucket_mass_g(self) -> Decimal:
        return total_mass_g(bucket.mass_g for bucket in self.buckets)

    @property
    def portion_mass_g(self) -> Decimal:
        return total_mass_g(pan.portion_g for pan in self.pans)

    @property
    def gold_mg(self) -> Decimal:
        """Of the pans that were weighed and count."""
        return total_mass_g(pan.gold_mg for pan in self.pans if pan.gold_mg and not pan.why_marked)

    @property
    def weighed(self) -> int:
        return sum(1 for pan in self.pans if pan.gold_mg and not pan.why_marked)

    @property
    def below(self) -> int:
        return sum(1 for pan in self.pans if pan.below_scale and not pan.why_marked)

    @property
    def marked(self) -> int:
        return sum(1 for pan in self.pans if pan.why_marked)

    @property
    def colours(self) -> int:
        return sum(pan.colours_total for pan in self.pans if not pan.why_marked)


@dataclass(frozen=True)
class TotalBeside:
    """A total as the list itself has it, beside the sum of its own lines as they were read; `what` is mass, portion or gold."""

    what: str
    line: int
    said: Decimal
    read: Decimal

    @property
    def agrees(self) -> bool:
        return abs(self.said - self.read) <= TOTAL_WITHIN * max(self.said, self.read)


def totals_beside(lines: Iterable[OldLine], totals: Mapping[str, tuple[int, Decimal]]) -> list[TotalBeside]:
    """Return the list's own totals beside the sums of its lines as read; `totals` maps mass, portion or gold to (line, g or mg).

    >>> line = OldLine(number=2, text="", mass_g=Decimal(9000))
    >>> totals_beside([line], {"mass": (3, Decimal(9010))})[0].agrees
    True
    """
    lines = list(lines)
    of = {
        "mass": [line.mass_g for line in lines if line.mass_g],
        "portion": [line.portion_g for line in lines if line.portion_g],
        "gold": [line.gold.gold_mg for line in lines if line.gold.gold_mg],
    }
    return [
        TotalBeside(what, number, said, total_mass_g(of[what])) for what, (number, said) in totals.items()
    ]


def plan_old_lines(lines: Sequence[OldLine], rules: OldRules, choices: Mapping[int, str]) -> OldPlan:
    """Return what the lines become; `choices` maps a line's number to what a keeper said, others go as far as they may.

    What is doubtful and not yet chosen counts as taken, so that totals and balances show what a yes would make.

    >>> line = OldLine(number=2, text="A1 20 lb", bucket="A1", mass_g=Decimal("9071.8474"), mass_typed="20 lb")
    >>> rules = OldRules(today=datetime.date(2026, 5, 3), zone_else="Bench", day_else=datetime.date(2020, 7, 1))
    >>> [bucket.name for bucket in plan_old_lines([line], rules, {}).buckets]
    ['A1']
    """
    planner = _Planner(lines, rules, choices)
    return OldPlan(tuple(planner.planned(line) for line in lines))


def _middle(masses: Iterable[Decimal | None]) -> Decimal | None:
    known = [mass_g for mass_g in masses if mass_g]
    return statistics.median(known) if len(known) > 2 else None


def _lonely_days(days: Iterable[datetime.date]) -> set[datetime.date]:
    """Days further than `LONELY_DAYS` from every other one that the list names."""
    known = sorted(set(days))
    gap = datetime.timedelta(days=LONELY_DAYS)
    return {
        day
        for at, day in enumerate(known)
        if len(known) > 2
        and (at == 0 or day - known[at - 1] > gap)
        and (at == len(known) - 1 or known[at + 1] - day > gap)
    }


class _Planner:
    """Walks down the list once, knowing the buckets made so far and what their pans left of them."""

    def __init__(self, lines: Sequence[OldLine], rules: OldRules, choices: Mapping[int, str]) -> None:
        self.rules = rules
        self.choices = choices
        self.buckets: dict[tuple[Hashable, str], OldBucket] = {}
        self.zones_of_name: dict[str, list[Hashable]] = {}
        self.left_g: dict[int, Decimal] = {}
        self.first_with: dict[str, int] = {}
        self.usual_mass_g = _middle(line.mass_g for line in lines)
        self.usual_portion_g = _middle(line.portion_g for line in lines)
        self.lonely = _lonely_days(day for line in lines for day in (line.dug_on, line.panned_on) if day)
        self.above_g = Decimal(0)
        self.above_mg = Decimal(0)
        self.lines_above = 0
        self.grades = self._grades(lines)
        self.all_grades = sorted(grade for grades in self.grades.values() for grade in grades)
        self.panned_g = self._panned(lines) if rules.pans_are_all else {}

    def _panned(self, lines: Sequence[OldLine]) -> dict[tuple, Decimal]:
        """What the pans of each unweighed bucket take together."""
        found: dict[tuple, Decimal] = {}
        for line in lines:
            portion_g = self._portion_g(line)
            if line.has_pan and portion_g:
                key = self._panned_key(line)
                found[key] = found.get(key, Decimal(0)) + portion_g
        return found

    def _panned_key(self, line: OldLine) -> tuple:
        return (self._zone(line), line.bucket.casefold() if line.bucket else line.number)

    def _mass_of(self, line: OldLine) -> tuple[Decimal | None, str, str]:
        """The weight of the bucket this line makes, as written, and what has to be said of it; None where nobody knows."""
        if line.mass_g is not None:
            return line.mass_g, line.mass_typed, ""
        panned_g = self.panned_g.get(self._panned_key(line))
        if panned_g:
            typed = line.portion_typed or self.rules.portion_else_typed
            shown = typed if panned_g == self._portion_g(line) else f"{panned_g.normalize():f} g"
            return panned_g, shown, "Not weighed: what its pans took is taken for all of it."
        if self.rules.mass_else_g is not None:
            said = "Not weighed: the weight said for all such buckets."
            return self.rules.mass_else_g, self.rules.mass_else_typed, said
        return None, "", ""

    def _grades(self, lines: Sequence[OldLine]) -> dict[Hashable, list[Decimal]]:
        """The grades of each zone's weighed pans, sorted: what a pan is held against."""
        found: dict[Hashable, list[Decimal]] = {}
        # A slip that was written down twice must not vouch for itself.
        once = {line.text: line for line in lines}.values()
        for line in once:
            portion_g = self._portion_g(line)
            if line.gold.gold_mg and portion_g and not line.additive:
                found.setdefault(self._zone(line), []).append(grade_g_per_t(line.gold.gold_mg, portion_g))
        return {zone: sorted(grades) for zone, grades in found.items()}

    def _zone(self, line: OldLine) -> Hashable | None:
        return self.rules.zones.get(line.place.casefold()) if line.place else self.rules.zone_else

    def _portion_g(self, line: OldLine) -> Decimal | None:
        return line.portion_g or self.rules.portion_else_g

    def planned(self, line: OldLine) -> LinePlan:
        faults = [*line.of_line, *self._day_faults(line)]
        zone, known = self._bucket_before(line)
        asks = [*line.asks, *self._day_asks(line), *self._sum_asks(line)]
        twice, makes = self._twice(line, known)
        asks += twice
        if not faults:
            faults += self._bucket_faults(line, zone, makes)
        if makes and not faults:
            asks += self._bucket_asks(line, zone)
        pan_faults: list[str] = []
        if line.has_pan and not faults:
            pan_faults, pan_asks = self._look_at_pan(line, zone, known, makes)
            asks += pan_asks
        self.first_with.setdefault(line.text, line.number)
        options = self._options(line, faults, pan_faults, asks, makes=makes, is_twice=bool(twice and known))
        said = self.choices.get(line.number)
        must_say = bool(asks) and not faults and len(options) > 1
        choice = said if said in options else options[0]
        if choice == PAN_ONLY and self._portion_g(line) > self.left_g[known.line]:
            held = format_mass(self.left_g[known.line], self.rules.mass_unit)
            asks.append(
                phrase(
                    "The bucket of line {line} holds only {held} more: choose otherwise.",
                    line=known.line,
                    held=held,
                )
            )
            said, choice = None, LEAVE
        bucket = self._bucket(line, zone) if makes and choice not in (LEAVE, PAN_ONLY) else None
        if bucket:
            known = bucket
            self._keep(bucket)
        takes_pan = line.has_pan and not pan_faults and choice not in (LEAVE, BUCKET_ONLY)
        pan = self._pan(line, known) if takes_pan and known else None
        if pan:
            self.left_g[known.line] -= pan.portion_g
        return LinePlan(
            line=line,
            bucket=bucket,
            pan=pan,
            faults=(*faults, *pan_faults),
            asks=tuple(asks),
            choices=options,
            choice=choice,
            is_open=must_say and said not in options,
        )

    def _bucket_before(self, line: OldLine) -> tuple[Hashable | None, OldBucket | None]:
        """The line's zone and the bucket made before that it names. Without a place the name alone may do."""
        zone = self._zone(line)
        name = line.bucket.casefold()
        known = self.buckets.get((zone, name)) if name else None
        if known is None and name and not line.place:
            zones = self.zones_of_name.get(name, [])
            if len(zones) == 1:
                return zones[0], self.buckets[zones[0], name]
        return zone, known

    def _day_faults(self, line: OldLine) -> list[str]:
        latest = self.rules.today + datetime.timedelta(days=1)
        found = []
        for day in dict.fromkeys(day for day in (line.dug_on, line.panned_on) if day):
            if day > latest:
                found.append(
                    phrase(
                        "{day} has not come yet: is the year right, or day and month changed over?",
                        day=day_words(day),
                    )
                )
            elif day.year < EARLIEST_YEAR:
                found.append(phrase("{day} is too long ago to be the day it was done.", day=day.isoformat()))
        return found

    def _day_asks(self, line: OldLine) -> list[str]:
        return [
            phrase(
                "{day} is years away from every other day of the list: is the year right?", day=day_words(day)
            )
            for day in dict.fromkeys((line.dug_on, line.panned_on))
            if day in self.lonely
        ]

    def _sum_asks(self, line: OldLine) -> list[str]:
        """Whether a line without a name has the sum of all above it: a total that doesn't say so."""
        is_sum = (
            self.lines_above > 1
            and not line.bucket
            and (
                (line.mass_g and line.mass_g == self.above_g)
                or (line.gold.gold_mg and line.gold.gold_mg == self.above_mg)
            )
        )
        self.above_g += line.mass_g or 0
        self.above_mg += line.gold.gold_mg or 0
        self.lines_above += 1
        return (
            [phrase("It has just what all lines above it have together: is it their total?")]
            if is_sum
            else []
        )

    def _twice(self, line: OldLine, known: OldBucket | None) -> tuple[list[str], bool]:
        """What is odd about a name that stands there already, and whether the line makes a bucket if all of it is taken."""
        again = self.first_with.get(line.text)
        # Two buckets without names may weigh the same; that their pans gave the same gold, too, is odd.
        if again is not None and (known is not None or line.gold.gold_mg):
            return [
                phrase("Word for word line {line}. Was it written down twice?", line=again)
            ], known is None or not line.has_pan
        if known is None:
            return [], True
        if line.mass_g is not None and line.mass_g != known.mass_g:
            return [
                phrase(
                    "Bucket {name} stands in line {line} already, there with {mass}, here with {other}.",
                    name=known.name,
                    line=known.line,
                    mass=known.mass_typed,
                    other=line.mass_typed,
                )
            ], True
        if not line.has_pan:
            return [
                phrase(
                    "Bucket {name} stands in line {line} already, and this line has no pan.",
                    name=known.name,
                    line=known.line,
                )
            ], True
        if line.mass_g is not None and line.dug_on not in (None, known.dug_on):
            return [
                phrase(
                    "Bucket {name} stands in line {line} already, dug on {dug_on}; this line weighs it again on "
                    "{again}. Do the names begin anew each day?",
                    name=known.name,
                    line=known.line,
                    dug_on=day_words(known.dug_on),
                    again=day_words(line.dug_on),
                )
            ], True
        return [], False

    def _bucket_faults(self, line: OldLine, zone: Hashable | None, makes: bool) -> list[str]:
        if not makes:
            return []
        if line.mass_g is None and not line.bucket and not line.has_pan:
            return [phrase("It names no bucket, no weight and no pan.")]
        if self._mass_of(line)[0] is None:
            if line.bucket and line.has_pan:
                return [
                    phrase(
                        "A pan of bucket {bucket}, and no line before it gives that bucket's weight.",
                        bucket=line.bucket,
                    )
                ]
            return [
                phrase("No weight of the bucket.")
                if line.bucket
                else phrase("It names no bucket and gives no weight of one.")
            ]
        faults = []
        if zone is None and line.place:
            faults.append(phrase("No zone is chosen for “{place}”.", place=line.place))
        elif zone is None:
            faults.append(phrase("It names no place, and no zone is chosen for such lines."))
        if line.dug_on is None and self.rules.day_else is None:
            faults.append(phrase("No day."))
        return faults

    def _bucket_asks(self, line: OldLine, zone: Hashable | None) -> list[str]:
        asks = []
        if line.mass_g:
            guard = mass_guard(
                line.mass_g,
                self.usual_mass_g,
                "bucket",
                mass_unit=self.rules.mass_unit,
                expected=phrase("the middle bucket of the list"),
            )
            asks += filter(None, [guard.ask])
        code = self.rules.known.get((zone, line.bucket.casefold())) if line.bucket else None
        if code:
            asks.append(
                phrase(
                    "A bucket {bucket} of this zone is on the books already: {code}.",
                    bucket=line.bucket,
                    code=code,
                )
            )
        elif not line.bucket:
            code = self.rules.alike.get((zone, line.dug_on or self.rules.day_else, self._mass_of(line)[0]))
            if code:
                asks.append(
                    phrase(
                        "A bucket of an old list is on the books already with this zone, day and weight: {code}. The same "
                        "one?",
                        code=code,
                    )
                )
        return asks

    def _look_at_pan(
        self, line: OldLine, zone: Hashable | None, known: OldBucket | None, makes: bool
    ) -> tuple[list[str], list[str]]:
        """Why the pan can't be logged, and what is odd about it."""
        faults, asks = list(line.of_pan), []
        portion_g = self._portion_g(line)
        if portion_g is None:
            faults.append(phrase("The pan's own weight is missing: without it its gold says nothing."))
        if not faults and not line.gold.kind and not line.colours:
            faults.append(phrase("A portion was weighed out, but neither gold nor colours are given."))
        faults += self._scale_faults(line)
        if faults:
            return faults, asks
        whole_g = self._mass_of(line)[0] if makes else self.left_g[known.line]
        if portion_g > whole_g:
            held = format_mass(whole_g, self.rules.mass_unit) if whole_g else phrase("nothing")
            faults.append(
                phrase(
                    "The pan takes {portion}, and the bucket still holds {held}.",
                    portion=line.portion_typed or self.rules.portion_else_typed,
                    held=held,
                )
            )
            return faults, asks
        dug_on = (line.dug_on or self.rules.day_else) if makes else known.dug_on
        if line.panned_on and line.panned_on < dug_on:
            asks.append(
                phrase(
                    "Panned on {panned_on}, before its bucket was dug ({dug_on}).",
                    panned_on=day_words(line.panned_on),
                    dug_on=day_words(dug_on),
                )
            )
        if line.portion_g:
            guard = mass_guard(
                line.portion_g,
                self.usual_portion_g,
                mass_unit=self.rules.mass_unit,
                expected=phrase("the middle pan of the list"),
            )
            asks += filter(None, [guard.ask])
        if line.gold.gold_mg:
            others_mg, others = self._others_mg(zone, grade_g_per_t(line.gold.gold_mg, portion_g), portion_g)
            guard = gold_guard(
                line.gold.gold_mg,
                portion_g,
                self.rules.step_mg,
                others_mg,
                self.rules.grade_unit,
                mass_unit=self.rules.mass_unit,
                others=others,
            )
            asks += filter(None, [guard.ask])
        return faults, asks

    def _scale_faults(self, line: OldLine) -> list[str]:
        step_mg = self.rules.step_mg
        is_nil_weight = line.gold.kind == NIL and self.rules.nil_is_below and not line.colours
        if (line.gold.kind == TRACE or is_nil_weight) and not step_mg and not line.colours:
            return [
                phrase(
                    "“{words}” is less than the scale of that time could show: say above what its step was.",
                    words=line.gold.words,
                )
            ]
        if line.gold.gold_mg and step_mg and line.gold.gold_mg < step_mg:
            return [
                phrase(
                    "{gold} is less than one step of the scale ({step}).",
                    gold=line.gold.typed,
                    step=format_gold_mg(step_mg),
                )
            ]
        return []

    def _others_mg(
        self, zone: Hashable | None, own: Decimal, portion_g: Decimal
    ) -> tuple[list[Decimal], str]:
        """The least, the middle and the most that like portions would hold by other pans, and by whose.

        By the zone's, or by the whole list's where the zone has too few.
        """
        grades, others = self.grades.get(zone, []), phrase("like portions of this zone's other pans")
        if len(grades) < FEWEST_TO_JUDGE:
            grades, others = self.all_grades, phrase("like portions of the list's other pans")
        if len(grades) < FEWEST_TO_JUDGE:
            return [], ""
        least = grades[1] if grades[0] == own else grades[0]
        most = grades[-2] if grades[-1] == own else grades[-1]
        return [gold_mg(grade, portion_g) for grade in (least, grades[len(grades) // 2], most)], others

    def _options(
        self,
        line: OldLine,
        faults: Sequence[str],
        pan_faults: Sequence[str],
        asks: Sequence[str],
        *,
        makes: bool,
        is_twice: bool,
    ) -> tuple[str, ...]:
        """What may be done with the line, what is done if nobody says otherwise first."""
        if faults:
            return (LEAVE,)
        if pan_faults:
            return (BUCKET_ONLY, LEAVE) if makes else (LEAVE,)
        whole = MARKED if line.has_pan and self._why_marked(line) else TAKE
        if not asks:
            return (whole,)
        options = [whole]
        if is_twice and makes:
            options = [ANOTHER, PAN_ONLY] if line.has_pan else [ANOTHER]
        if makes and line.has_pan:
            options.append(BUCKET_ONLY)
        return (*options, LEAVE)

    def _bucket(self, line: OldLine, zone: Hashable) -> OldBucket:
        mass_g, typed, note = self._mass_of(line)
        own = line.note if not line.has_pan else ""
        return OldBucket(
            line=line.number,
            zone=zone,
            name=line.bucket or f"{UNNAMED}{line.number}",
            station=line.station or self.rules.station_else,
            dug_on=line.dug_on or self.rules.day_else,
            digger=line.digger or self.rules.digger_else,
            mass_g=mass_g,
            mass_typed=typed,
            note=" ".join(part for part in (note, own) if part),
        )

    def _keep(self, bucket: OldBucket) -> None:
        key = (bucket.zone, bucket.name.casefold())
        if key not in self.buckets:
            self.zones_of_name.setdefault(key[1], []).append(bucket.zone)
        self.buckets[key] = bucket
        self.left_g[bucket.line] = mass_left_g(bucket.mass_g, [])

    def _pan(self, line: OldLine, bucket: OldBucket) -> OldPan:
        gold = line.gold
        colours: dict[str, int] = {}
        for size, number in line.colours.items():
            size = size or self.rules.unsized
            colours[size] = colours.get(size, 0) + number
        if gold.colours is not None and not colours:
            colours = {self.rules.unsized: gold.colours}
        step_mg = gold.step_mg or self.rules.step_mg
        below = gold.kind in (BELOW, TRACE) or (gold.kind == NIL and self.rules.nil_is_below)
        # A scale whose step nobody knows says nothing; the colours seen then stand alone.
        below = below and step_mg is not None
        if gold.kind == NIL and not below and not colours:
            colours = {self.rules.unsized: 0}
        return OldPan(
            line=line.number,
            bucket_line=bucket.line,
            panned_on=line.panned_on or line.dug_on or bucket.dug_on,
            portion_g=self._portion_g(line),
            portion_typed=line.portion_typed or self.rules.portion_else_typed,
            gold_mg=gold.gold_mg,
            gold_typed=gold.typed,
            below_scale=below,
            step_mg=step_mg,
            colours=colours,
            note=self._pan_note(line),
            why_marked=self._why_marked(line),
        )

    def _why_marked(self, line: OldLine) -> str:
        if line.additive:
            return f"Panned with {line.additive}, not in plain water: no test pan of untreated material."
        if not self.rules.plain_water:
            return "Nobody knows whether it was panned in plain water: no test pan of untreated material."
        return ""

    def _pan_note(self, line: OldLine) -> str:
        told = [
            (f"Panned, as the list says, by {line.panner}." if line.panner else ""),
            (f"Gold in the list: “{line.gold.words}”." if line.gold.kind not in ("", WEIGHT) else ""),
            ("" if line.portion_g else "The portion was not weighed: the one said for all such pans."),
            line.note,
        ]
        return " ".join(part for part in told if part)
