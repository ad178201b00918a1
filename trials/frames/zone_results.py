"""The pans and assays of a zone from its rows: each with the zone's share in its lot, the days and digs, and how it was done."""

import datetime
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from django.urls import reverse

from prospecting.calc.grade import below_scale_grade, grade_g_per_t
from prospecting.calc.zone_digs import DigValue, dig_value, independent_groups
from prospecting.calc.zone_grade import ASSAY, PAN, Result, mean_day, total_share
from prospecting.frames.checks import mark_of
from prospecting.models import Dig, Dispatch, Reading, Step
from trials.frames.zone_rows import ZoneRows, ways_of

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
        return Dig.SampleKind(self.kind).label

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


@dataclass(frozen=True)
class ZoneResults:
    """All results of a zone, oldest first, and what stays out of them.

    `left_out` are of concentrates, of tails or of what holds some; `waiting` samples have no figure in use yet; of
    `colours_only` pans the gold was counted but not weighed.
    """

    results: Sequence[ZoneResult]
    digs: dict[int, GroundDig]
    left_out: int
    waiting: int
    colours_only: int

    def of(self, kind: str) -> list[ZoneResult]:
        return [result for result in self.results if result.kind == kind]

    def behind(self, results: Sequence[Result]) -> list[GroundDig]:
        """The digs behind these results."""
        numbers = frozenset().union(*(result.digs for result in results))
        return [self.digs[pk] for pk in sorted(numbers)]


def results_from(rows: ZoneRows) -> ZoneResults:
    """Left out is what a recovery left, or what holds some of that."""
    digs = {row[0]: GroundDig(*row) for row in rows.digs}
    parts = _parts(rows, digs)
    names = {pk: f"{first} {last}".strip() or username for pk, first, last, username in rows.panners}
    graded = [run for run in rows.runs if run[4] is not None or run[5]]
    answered = [sample for sample in rows.samples if sample[5]]
    pans = [_pan(run, parts[run[1]], names) for run in graded if run[1] in parts]
    assays = [_assay(sample, parts[sample[1]]) for sample in answered if sample[1] in parts]
    results = sorted(pans + assays, key=lambda each: (each.day, each.kind, each.lot))
    return ZoneResults(
        results=results,
        digs=digs,
        left_out=len(graded) + len(answered) - len(results),
        waiting=len(rows.samples) - len(answered),
        colours_only=len(rows.runs) - len(graded),
    )


def values_by_dig(found: ZoneResults, kind: str, wanted: Callable[[GroundDig], bool]) -> list[DigValue]:
    """One value for each dig of this sort that speaks for itself (or for digs known only blended), by day."""
    results = [
        result
        for result in found.results
        if result.kind == kind
        and not result.is_screened
        and all(wanted(found.digs[pk]) for pk in result.digs)
    ]
    groups = independent_groups([result.digs for result in results], [result.share for result in results])
    values = [
        dig_value(digs, held, frozenset(result.method for result in held))
        for digs, held in ((digs, [results[place] for place in places]) for digs, places in groups.items())
    ]
    return sorted(values, key=lambda value: (value.day, min(value.digs)))


def in_place(dig: GroundDig) -> bool:
    """Whether the material was taken as it lay: neither picked pieces nor a dump."""
    return not dig.is_select_or_dump


def stations_of(value: DigValue, found: ZoneResults) -> str:
    return ", ".join(dict.fromkeys(found.digs[pk].station for pk in sorted(value.digs)))


def depth_of(value: DigValue, found: ZoneResults) -> float | None:
    """The one depth of its digs; None where it is not known, or differs."""
    depths = {found.digs[pk].depth_m for pk in value.digs}
    return depths.pop() if len(depths) == 1 else None


def _parts(rows: ZoneRows, digs: dict[int, GroundDig]) -> dict[int, LotPart]:
    """The zone's part of each lot that no recovery made; portions of one lot share theirs."""
    ways = ways_of(rows)
    held: dict[int, list[tuple[int, float]]] = defaultdict(list)
    for lot_id, dig_id, share in rows.origins:
        held[lot_id].append((dig_id, share))
    made: dict[tuple, LotPart] = {}
    parts = {}
    for lot_id, shares in held.items():
        kinds = ways.get(lot_id, ())
        if Step.Kind.RECOVER in kinds:
            continue
        key = (*shares, Step.Kind.SCREEN in kinds)
        if key not in made:
            made[key] = _part(shares, digs, is_screened=key[-1])
        parts[lot_id] = made[key]
    return parts


def _part(shares: list[tuple[int, float]], digs: dict[int, GroundDig], *, is_screened: bool) -> LotPart:
    days = [digs[dig_id].day for dig_id, _ in shares]
    return LotPart(
        share=total_share([share for _, share in shares]),
        day=mean_day([(digs[dig_id].day, share) for dig_id, share in shares]),
        first_day=min(days),
        last_day=max(days),
        is_screened=is_screened,
        digs=frozenset(dig_id for dig_id, _ in shares),
    )


def _pan(run: tuple, part: LotPart, names: dict[int, str]) -> ZoneResult:
    pk, _, code, is_dry, gold_mg, _, scale_step_mg, portion_g, panner, pan, blind_code = run
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
        label=f"control run {blind_code}" if blind_code else "test pan",
        is_dry=is_dry,
        is_screened=part.is_screened,
        digs=part.digs,
        record=pk,
        method=", ".join(filter(None, (f"panned by {names[panner]}", pan))),
    )


def _assay(sample: tuple, part: LotPart) -> ZoneResult:
    _, _, code, is_dry, mass_g, symbol, grade, limit, method, laboratory, returned, checks, reason = sample
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
        label=METHODS[method],
        is_dry=is_dry,
        is_screened=part.is_screened,
        digs=part.digs,
        record=returned,
        method=f"{METHODS[method]}, {laboratory}",
        checks_state=checks or "",
        accepted_reason=reason or "",
    )
