"""The pans and assays of a zone from its rows: each with the zone's share in its lot, the days and digs, and how it was done.

A zone may have tens of thousands of results: what is summed, sorted or looked through stands in columns, and a result becomes
an object of its own only where it is named. Loads numpy when it reckons.
"""

import datetime
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import groupby
from operator import itemgetter
from typing import TYPE_CHECKING

from django.urls import reverse

from prospecting.calc.grade import below_scale_grade, grade_g_per_t
from prospecting.calc.language import phrase
from prospecting.calc.zone_digs import WHOLE, DigValue, independent_groups
from prospecting.calc.zone_grade import ASSAY, PAN, Result, mean_day, total_share
from prospecting.frames.checks import mark_of
from prospecting.models import AssayReturn, Dig, Dispatch, Reading, Step
from trials.frames.zone_rows import ZoneRows, ways_of

if TYPE_CHECKING:
    import numpy as np

    from prospecting.calc.zone_columns import Columns

SELECT_OR_DUMP = frozenset({Dig.SampleKind.SELECT, Dig.SampleKind.DUMP})
METHODS = dict(Dispatch.Method.choices)


@dataclass(frozen=True)
class GroundDig:
    """A dig as its results need it."""

    pk: int
    station: str
    day: datetime.date
    depth_m: float | None
    kind: str

    @property
    def kind_text(self) -> str:
        return str(Dig.SampleKind(self.kind).label)

    @property
    def is_select_or_dump(self) -> bool:
        return self.kind in SELECT_OR_DUMP


@dataclass(frozen=True)
class LotPart:
    """The zone's part of a lot: its share, and the days and digs it came from."""

    share: float
    day: datetime.date
    first_day: datetime.date
    last_day: datetime.date
    is_screened: bool
    digs: frozenset[int]


@dataclass(frozen=True, kw_only=True)
class ZoneResult(Result):
    """A result with the number of its run or return, how it was done, and what its return's checks said."""

    record: int | None
    method: str
    checks_state: str = ""
    accepted_reason: str = ""

    @property
    def url(self) -> str:
        """Made only for the results that are shown: thousands of addresses take longer than all the arithmetic."""
        return reverse("run-detail" if self.kind == PAN else "return-detail", args=[self.record])

    @property
    def mark(self) -> str:
        """The sentence beside a value whose return's checks did not all pass."""
        return mark_of(self.checks_state, self.accepted_reason)


@dataclass(frozen=True, eq=False)
class ResultTable:
    """All results of a zone: rows of pans, then of assays, and columns of them in the same order.

    `part` and `method` say by number which of `parts` and `methods` each result has; `assayed_by` is the method of assay alone,
    blank for a pan's. `make` gives the result at a place.
    """

    pans: Sequence[tuple]
    assays: Sequence[tuple]
    parts: Sequence[LotPart]
    methods: Sequence[str]
    assayed_by: Sequence[str]
    columns: "Columns"
    part: "np.ndarray"
    method: "np.ndarray"
    is_assay: "np.ndarray"
    is_dry: "np.ndarray"
    is_failed: "np.ndarray"
    is_accepted: "np.ndarray"

    def make(self, place: int) -> ZoneResult:
        part, method = self.parts[self.part[place]], self.methods[self.method[place]]
        if place < len(self.pans):
            return _pan(self.pans[place], part, method)
        return _assay(self.assays[place - len(self.pans)], part, method)


@dataclass(frozen=True, eq=False)
class ResultList(Sequence[ZoneResult]):
    """Some results of a zone, oldest first, each made when it is asked for."""

    table: ResultTable
    places: "np.ndarray"

    def __len__(self) -> int:
        return len(self.places)

    def __getitem__(self, wanted):
        if isinstance(wanted, slice):
            return ResultList(self.table, self.places[wanted])
        return self.table.make(int(self.places[wanted]))

    def __iter__(self) -> Iterator[ZoneResult]:
        return map(self.table.make, self.places.tolist())

    def of(self, kind: str) -> "ResultList":
        is_assay = self.table.is_assay[self.places]
        return self.where(is_assay if kind == ASSAY else ~is_assay)

    def where(self, flags: "np.ndarray") -> "ResultList":
        return ResultList(self.table, self.places[flags])

    @cached_property
    def columns(self) -> "Columns":
        return self.table.columns.at(self.places)

    @property
    def below(self) -> "ResultList":
        return self.where(self.columns.is_below)

    @property
    def above(self) -> "ResultList":
        return self.where(self.columns.is_above)

    @property
    def wholly_from_here(self) -> "ResultList":
        return self.where(self.columns.share >= WHOLE)

    @property
    def failed(self) -> "ResultList":
        """Those whose return's checks failed."""
        return self.where(self.table.is_failed[self.places])

    @property
    def not_failed(self) -> "ResultList":
        return self.where(~self.table.is_failed[self.places])

    @property
    def accepted(self) -> "ResultList":
        """Those whose return's checks failed, which a keeper accepted."""
        return self.where(self.table.is_accepted[self.places])

    @property
    def has_mixed(self) -> bool:
        return bool((self.columns.share < 1).any())

    @property
    def has_screened(self) -> bool:
        return any(part.is_screened for part in self.parts)

    @cached_property
    def bases(self) -> set[bool]:
        """Whether dry, of any of them."""
        return set(self.table.is_dry[self.places].tolist())

    @cached_property
    def part_numbers(self) -> list[int]:
        return sorted(set(self.table.part[self.places].tolist()))

    @property
    def parts(self) -> list[LotPart]:
        return [self.table.parts[number] for number in self.part_numbers]

    @cached_property
    def digs(self) -> frozenset[int]:
        """The digs behind these results."""
        return frozenset().union(*(part.digs for part in self.parts))

    @property
    def assayed_by(self) -> set[str]:
        """The methods of assay among them, whatever the laboratory."""
        return {self.table.assayed_by[number] for number in set(self.table.method[self.places].tolist())}


@dataclass(frozen=True)
class ZoneResults:
    """All results of a zone, oldest first, and what stays out of them.

    `left_out` are of concentrates, of tails or of what holds some; `waiting` samples have no figure in use yet; of
    `colours_only` pans the gold was counted but not weighed.
    """

    results: ResultList
    digs: dict[int, GroundDig]
    left_out: int
    waiting: int
    colours_only: int

    def behind(self, results: ResultList) -> list[GroundDig]:
        """The digs behind these results."""
        return [self.digs[pk] for pk in sorted(results.digs)]


def results_from(rows: ZoneRows) -> ZoneResults:
    """Left out is what a recovery left, or what holds some of that."""
    from prospecting.calc.zone_columns import oldest_first

    digs = {row[0]: GroundDig(*row) for row in rows.digs}
    part_of, parts = _parts(rows, digs)
    graded = [run for run in rows.runs if run[4] is not None or run[5]]
    answered = [sample for sample in rows.samples if sample[5]]
    table = _table(
        [run for run in graded if run[1] in part_of],
        [sample for sample in answered if sample[1] in part_of],
        part_of,
        parts,
        rows.panners,
    )
    # On one day assays before pans.
    results = ResultList(table, oldest_first(table.columns, ~table.is_assay))
    return ZoneResults(
        results=results,
        digs=digs,
        left_out=len(graded) + len(answered) - len(results),
        waiting=len(rows.samples) - len(answered),
        colours_only=len(rows.runs) - len(graded),
    )


def values_by_dig(found: ZoneResults, kind: str, wanted: Callable[[GroundDig], bool]) -> list[DigValue]:
    """One value for each dig of this sort that speaks for itself (or for digs known only blended), by day."""
    import numpy as np

    from prospecting.calc.zone_columns import dig_values

    results = found.results.of(kind)
    fit = {pk for pk, dig in found.digs.items() if wanted(dig)}
    table = results.table
    numbers = [
        number
        for number in results.part_numbers
        if not table.parts[number].is_screened and table.parts[number].digs <= fit
    ]
    parts = [table.parts[number] for number in numbers]
    groups = independent_groups([part.digs for part in parts], [part.share for part in parts])
    group_of_part = np.full(len(table.parts), -1)
    for group, places in enumerate(groups.values()):
        group_of_part[[numbers[place] for place in places]] = group
    return dig_values(
        results.columns,
        group_of_part[table.part[results.places]],
        list(groups),
        table.method[results.places],
        table.methods,
    )


def in_place(dig: GroundDig) -> bool:
    """Whether the material was taken as it lay: neither picked pieces nor a dump."""
    return not dig.is_select_or_dump


def stations_of(value: DigValue, found: ZoneResults) -> str:
    return ", ".join(dict.fromkeys(found.digs[pk].station for pk in sorted(value.digs)))


def depth_of(value: DigValue, found: ZoneResults) -> float | None:
    """The one depth of its digs; None where it is not known, or differs."""
    depths = {found.digs[pk].depth_m for pk in value.digs}
    return depths.pop() if len(depths) == 1 else None


def _parts(rows: ZoneRows, digs: dict[int, GroundDig]) -> tuple[dict[int, int], list[LotPart]]:
    """The zone's part of each lot that no recovery made, by number: portions of one lot share theirs."""
    ways = ways_of(rows)
    numbers: dict[tuple, int] = {}
    part_of = {}
    for lot_id, origins in groupby(rows.origins, itemgetter(0)):
        # Kept are a few parts, not a list a lot: of so many the memory's upkeep takes longer than all else here.
        shares = [(dig_id, share) for _, dig_id, share in origins]
        kinds = ways.get(lot_id, ())
        if Step.Kind.RECOVER not in kinds:
            part_of[lot_id] = numbers.setdefault((*shares, Step.Kind.SCREEN in kinds), len(numbers))
    return part_of, [_part(shares, digs, is_screened) for *shares, is_screened in numbers]


def _part(shares: list[tuple[int, float]], digs: dict[int, GroundDig], is_screened: bool) -> LotPart:
    days = [digs[dig_id].day for dig_id, _ in shares]
    return LotPart(
        share=total_share([share for _, share in shares]),
        day=mean_day([(digs[dig_id].day, share) for dig_id, share in shares]),
        first_day=min(days),
        last_day=max(days),
        is_screened=is_screened,
        digs=frozenset(dig_id for dig_id, _ in shares),
    )


def _table(
    pans: list[tuple],
    assays: list[tuple],
    part_of: dict[int, int],
    parts: list[LotPart],
    panners: list[tuple],
) -> ResultTable:
    import numpy as np

    from prospecting.calc.zone_columns import assay_columns, joined, pan_columns

    part = np.array([part_of[row[1]] for row in (*pans, *assays)], dtype=int)
    share = np.array([each.share for each in parts])[part]
    day = np.array([each.day.toordinal() for each in parts], dtype=int)[part]
    first = len(pans)
    panned = pan_columns(
        gold_mg=_column(pans, 4),
        scale_step_mg=_column(pans, 6),
        portion_g=_column(pans, 7),
        share=share[:first],
        day=day[:first],
        code=_column(pans, 2),
    )
    symbols, checks = _column(assays, 5), _column(assays, 11)
    assayed = assay_columns(
        grade_g_per_t=_column(assays, 6),
        limit_g_per_t=_column(assays, 7),
        is_below=[symbol == Reading.Symbol.BELOW for symbol in symbols],
        is_above=[symbol == Reading.Symbol.ABOVE for symbol in symbols],
        mass_g=_column(assays, 4),
        share=share[first:],
        day=day[first:],
        code=_column(assays, 2),
    )
    names = {pk: f"{given} {family}".strip() or username for pk, given, family, username in panners}
    numbers: dict[tuple, int] = {}
    method = [numbers.setdefault((PAN, row[8], row[9]), len(numbers)) for row in pans]
    method += [numbers.setdefault((ASSAY, row[8], row[9]), len(numbers)) for row in assays]
    return ResultTable(
        pans=pans,
        assays=assays,
        parts=parts,
        methods=[_method(*each, names) for each in numbers],
        assayed_by=[str(METHODS[each[1]]) if each[0] == ASSAY else "" for each in numbers],
        columns=joined(panned, assayed),
        part=part,
        method=np.array(method, dtype=int),
        is_assay=np.arange(len(part)) >= first,
        is_dry=np.array(_column(pans, 3) + _column(assays, 3), dtype=bool),
        is_failed=_flags(first, [each == AssayReturn.Checks.FAILED for each in checks]),
        is_accepted=_flags(first, [each == AssayReturn.Checks.ACCEPTED for each in checks]),
    )


def _column(rows: Sequence[tuple], place: int) -> list:
    return [row[place] for row in rows]


def _flags(pans: int, of_assays: list[bool]) -> "np.ndarray":
    """Flags of assays, none of them raised for so many pans before."""
    import numpy as np

    return np.array([False] * pans + of_assays, dtype=bool)


def _method(kind: str, first: int | str, second: str, names: dict[int, str]) -> str:
    """How and by whom: a pan's panner and pan, an assay's method and laboratory."""
    if kind == PAN:
        return ", ".join(filter(None, (phrase("panned by {panner}", panner=names[first]), second)))
    return f"{METHODS[first]}, {second}"


def _pan(run: tuple, part: LotPart, method: str) -> ZoneResult:
    pk, _, code, is_dry, gold_mg, _, scale_step_mg, portion_g, _, _, blind_code = run
    weighed = gold_mg is not None
    return ZoneResult(
        kind=PAN,
        lot=code,
        day=part.day,
        first_day=part.first_day,
        last_day=part.last_day,
        share=part.share,
        grade_g_per_t=grade_g_per_t(gold_mg, portion_g) if weighed else None,
        limit_g_per_t=None if weighed else below_scale_grade(scale_step_mg, portion_g),
        is_below=not weighed,
        mass_g=portion_g,
        label=phrase("control run {code}", code=blind_code) if blind_code else phrase("test pan"),
        is_dry=bool(is_dry),
        is_screened=part.is_screened,
        digs=part.digs,
        record=pk,
        method=method,
    )


def _assay(sample: tuple, part: LotPart, method: str) -> ZoneResult:
    _, _, code, is_dry, mass_g, symbol, grade, limit, how, _, returned, checks, reason = sample
    return ZoneResult(
        kind=ASSAY,
        lot=code,
        day=part.day,
        first_day=part.first_day,
        last_day=part.last_day,
        share=part.share,
        grade_g_per_t=grade,
        limit_g_per_t=limit,
        is_below=symbol == Reading.Symbol.BELOW,
        is_above=symbol == Reading.Symbol.ABOVE,
        mass_g=mass_g,
        label=str(METHODS[how]),
        is_dry=bool(is_dry),
        is_screened=part.is_screened,
        digs=part.digs,
        record=returned,
        method=method,
        checks_state=checks or "",
        accepted_reason=reason or "",
    )
