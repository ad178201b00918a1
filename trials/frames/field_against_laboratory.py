"""What the page says of pans beside assays: apparent recovery over lots and by group, single lots, warnings, what comes next."""

import math
from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from django.urls import reverse
from django.utils import dateformat
from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.number_words import in_sentence, numeral
from prospecting.calc.sampling import Interval
from prospecting.models import Dispatch, Lot
from trials.calc.common_material import Part
from trials.calc.field_against_laboratory import (
    ENOUGH_LOTS,
    FEW_GRAINS,
    FEWEST_LOTS,
    Bounds,
    RatioOfMeans,
    above_by_more_than_chance,
    assay_after_pan,
    line_in_unit,
    log_line,
    lot_ratio,
    mean_grains,
    ratio_of_means,
    share_with_limit,
    spread,
    unit_slips,
    usual_ratio,
    why_no_line,
)
from trials.calc.ratio_words import ends
from trials.calc.working import Working, WorkingRow, figure
from trials.frames.field_pairs import (
    Books,
    Pair,
    Pan,
    Side,
    Sides,
    codes_of,
    pairs_of,
    sides_of,
    without_assay,
)
from trials.frames.results import NEVER_ONE_QUANTITY
from trials.frames.uniformity import grain_of
from trials.models import ColourCount

LEVEL = 0.95
# Pairs and lots a page names one by one.
MOST_PAIRS, MOST_WAITING, MOST_GROUPS, MOST_WARNED = 200, 20, 12, 10
# With a larger share of lots below a limit, what single lots do is not known well enough to foretell the next.
MOST_BELOW = 0.2
CAUSES = (
    gettext_lazy("a slip of the unit (check this one first)"),
    gettext_lazy("nugget luck, one large grain in the pan or an assay charge that met none"),
    gettext_lazy("black sand weighed in with the gold"),
    gettext_lazy("samples mixed up in the shed or at the laboratory"),
)


@dataclass(frozen=True)
class Asked:
    """What the reader asks: `zone` only, pairs with at least `least_share` in common, a grain's mass where none was counted."""

    zone: int | None = None
    least_share: float = 0.8
    without_failed: bool = False
    grain_mg: float | None = None
    panned_g_per_t: float | None = None


@dataclass(frozen=True)
class Point:
    """One pair in the picture, in the reader's unit: where it stands, its bars (None: chance not known), and its limits."""

    assayed: float
    panned: float
    assayed_bar: tuple[float, float] | None
    panned_bar: tuple[float, float] | None
    assayed_way: str
    panned_way: str
    is_flagged: bool
    title: str


@dataclass(frozen=True)
class PairLine:
    """One pair as the table lists it."""

    lot: Lot
    pair: Pair
    zone: str
    common: str
    panned_text: str
    assayed_text: str
    ratio_text: str
    panned_links: Sequence[tuple[str, str]]
    assayed_links: Sequence[tuple[str, str]]
    mark: str


@dataclass(frozen=True)
class Warned:
    """A pair that was panned above its assay, or far from the others by what looks like a slip of a unit."""

    line: PairLine
    says: str
    slips: Sequence[str]
    is_above: bool


@dataclass(frozen=True)
class GroupLine:
    """One group of lots; `interval_text` is blank where it is too small for one, and `note` then says so."""

    label: str
    lots: int
    ratio_text: str
    interval_text: str
    note: str


@dataclass(frozen=True)
class Grouping:
    title: str
    lines: Sequence[GroupLine]


@dataclass(frozen=True)
class Foretold:
    """A lot panned and not assayed (None: a grade typed in), and the range its assay may fall in."""

    lot: Lot | None
    panned_text: str
    range_text: str


@dataclass(frozen=True)
class Reading:
    """Everything the page shows of what was asked."""

    headline: str
    sentences: Sequence[str]
    counted: int
    points: Sequence[Point]
    lines: Sequence[PairLine]
    more_lines: int
    left_out: Sequence[tuple[PairLine, str]]
    notes: Sequence[str]
    warned: Sequence[Warned]
    more_warned: int
    groupings: Sequence[Grouping]
    foretold: Sequence[Foretold]
    why_not_foretold: str
    unit: str
    over_all: RatioOfMeans | None = None
    limits: tuple[float, float] | None = None
    line: tuple[float, float] | None = None
    working: Working | None = None

    @property
    def ratio(self) -> float | None:
        """The apparent recovery over the lots, where it is one figure."""
        return self.over_all.low if self.over_all and self.over_all.is_exact else None

    @property
    def causes(self) -> str:
        return "; ".join(map(str, CAUSES))

    @property
    def most_waiting(self) -> int:
        return MOST_WAITING

    @property
    def any_above(self) -> bool:
        return any(each.is_above for each in self.warned)

    @property
    def has_pairs(self) -> bool:
        return bool(self.lines or self.left_out)


def field_against_laboratory(books: Books, asked: Asked, *, grade_unit: str) -> Reading:
    """Set every pan beside the assays of its material and say what they show together."""
    grain = grain_of(books.counted, typed_mg=asked.grain_mg, weighed=len(books.pans))
    sides = sides_of(books, grain_mg=grain.high_mg if grain else None, without_failed=asked.without_failed)
    pairs = pairs_of(sides, least_share=asked.least_share, zone=asked.zone)
    counted = [pair for pair in pairs if not pair.why_not]
    left_out = [pair for pair in pairs if pair.why_not][:MOST_PAIRS]
    over_all = _over(counted)
    exact = [pair for pair in counted if _is_exact(pair)]
    agreed = _agreed(exact)
    usual = usual_ratio([lot_ratio(pair.panned.bounds, pair.assayed.bounds) for pair in exact])
    warnings = {pair.lot: found for pair in counted if (found := _warning(pair, usual)) is not None}
    named = {pair.lot for pair in [*counted[:MOST_PAIRS], *left_out]}
    writer = _Writer(books, codes_of(named | warnings.keys()), grade_unit)
    warned = [pair for pair in counted if pair.lot in warnings]
    warned.sort(key=lambda pair: (not warnings[pair.lot].slips, writer.lots[pair.lot].code))
    line, why_no = _line(exact)
    foretold, why_not = _foretold(sides, exact, counted, asked, writer)
    return Reading(
        headline=_headline(over_all, len(counted), len(pairs)),
        sentences=_sentences(over_all, agreed, exact, counted, line, why_no),
        counted=len(counted),
        points=[_point(pair, pair.lot in warnings, writer) for pair in counted[:MOST_PAIRS]],
        lines=[writer.line(pair) for pair in counted[:MOST_PAIRS]],
        more_lines=max(0, len(counted) - MOST_PAIRS),
        left_out=[(writer.line(pair), pair.why_not) for pair in left_out],
        notes=_notes(books, counted, grain, asked, sides),
        warned=[Warned(writer.line(pair), **vars(warnings[pair.lot])) for pair in warned[:MOST_WARNED]],
        more_warned=max(0, len(warned) - MOST_WARNED),
        groupings=_groupings(sides, counted, writer),
        foretold=foretold,
        why_not_foretold=why_not,
        unit=units.UNIT_NAMES[grade_unit],
        over_all=over_all,
        limits=(agreed.limits.low, agreed.limits.high) if agreed else None,
        line=line_in_unit(line[0], line[1], writer.shown(1.0)) if line else None,
        working=_working(over_all, agreed, counted, writer, grain),
    )


@dataclass(frozen=True)
class _Agreed:
    """Single lots: the typical ratio, the limits most lie between with their intervals, and where one more would fall."""

    typical: float
    interval: Interval
    one_pair: Interval
    limits: Interval
    low_interval: Interval
    high_interval: Interval


class _Writer:
    """Writes pairs in the reader's unit, with links to the records."""

    def __init__(self, books: Books, lots: Mapping[int, Lot], grade_unit: str) -> None:
        self.books, self.lots, self.unit = books, lots, grade_unit
        self.lines: dict[int, PairLine] = {}

    def grade(self, g_per_t: float) -> str:
        return units.format_grade(g_per_t, self.unit)

    def shown(self, g_per_t: float) -> float:
        return float(units.convert_grade(g_per_t, "g_per_t", self.unit))

    def bounds(self, bounds: Bounds) -> str:
        if bounds.high is None:
            return phrase("above {grade}", grade=self.grade(bounds.low))
        if bounds.is_measured or bounds.low == bounds.high:
            return self.grade(bounds.low)
        if not bounds.low:
            return phrase("below {grade}", grade=self.grade(bounds.high))
        return phrase(
            "between {low} and {high}",
            low=self.grade(bounds.low).partition(" ")[0],
            high=self.grade(bounds.high),
        )

    def line(self, pair: Pair) -> PairLine:
        if pair.lot not in self.lines:
            self.lines[pair.lot] = self._line(pair)
        return self.lines[pair.lot]

    def _line(self, pair: Pair) -> PairLine:
        lot = self.lots[pair.lot]
        return PairLine(
            lot=lot,
            pair=pair,
            zone=self.books.zones.get(pair.zone, phrase("several zones")),
            common=_common(pair),
            panned_text=self.bounds(pair.panned.bounds),
            assayed_text=self.bounds(pair.assayed.bounds),
            ratio_text=_pair_ratio_text(pair),
            panned_links=[
                (f"{pan.code}, {dateformat.format(pan.day, 'j M')}", reverse("run-detail", args=[pan.pk]))
                for pan in pair.panned.results
            ],
            assayed_links=[
                (f"{assay.code}, {assay.method_name}", reverse("return-detail", args=[assay.assay_return]))
                for assay in pair.assayed.results
            ],
            mark="; ".join(pair.marks),
        )


def _common(pair: Pair) -> str:
    if pair.share == 1 and len(pair.pan_parts) == len(pair.assay_parts) == 1 and not pair.is_sorted:
        return phrase("100 %, the same lot")
    share = units.format_share(pair.share)
    if pair.is_sorted:
        return phrase("{share}, screened in between", share=share)
    if max(len(pair.pan_parts), len(pair.assay_parts)) <= 1:
        return phrase("{share} in common", share=share)
    if len(pair.pan_parts) >= len(pair.assay_parts):
        return phrase("{share}, panned before it was blended", share=share)
    return phrase("{share}, assayed before it was blended", share=share)


def _is_exact(pair: Pair) -> bool:
    return pair.panned.bounds.is_measured and pair.assayed.bounds.is_measured


def _over(pairs: Sequence[Pair]) -> RatioOfMeans | None:
    if not pairs:
        return None
    return ratio_of_means(
        [pair.panned.bounds for pair in pairs], [pair.assayed.bounds for pair in pairs], LEVEL
    )


def _agreed(exact: Sequence[Pair]) -> _Agreed | None:
    """What single lots say; None with too few of them, or where all their ratios are alike to the last digit."""
    if len(exact) < FEWEST_LOTS:
        return None
    from prospecting.calc.method_comparison import apparent_recovery, ratio_limits

    panned = [pair.panned.bounds.low for pair in exact]
    assayed = [pair.assayed.bounds.low for pair in exact]
    try:
        found, limits = (
            apparent_recovery(panned, assayed, LEVEL),
            ratio_limits(panned, assayed, level=LEVEL),
        )
    except ValueError:
        return None
    return _Agreed(
        typical=found.recovery,
        interval=found.interval,
        one_pair=found.one_pair,
        limits=Interval(limits.low, limits.high, LEVEL),
        low_interval=limits.low_interval,
        high_interval=limits.high_interval,
    )


def _ratio_text(ratio: float) -> str:
    if math.isinf(ratio):
        return phrase("no upper bound")
    if ratio >= 2:
        return phrase("{ratio} times the assay", ratio=figure(ratio, 2))
    return units.format_share(round(ratio, 2) if ratio >= 0.1 else round(ratio, 4))


def _interval_text(interval: Interval) -> str:
    return ends(interval.low, interval.high, _ratio_text)


def _over_text(found: RatioOfMeans) -> str:
    if found.is_exact:
        return _ratio_text(found.low)
    return phrase("between {low} and {high}", low=_ratio_text(found.low), high=_ratio_text(found.high))


def _pair_ratio_text(pair: Pair) -> str:
    panned, assayed = pair.panned.bounds, pair.assayed.bounds
    if assayed.high is None:
        return phrase("at most {ratio}", ratio=_ratio_text(lot_ratio(panned, assayed)))
    found = ratio_of_means([panned], [assayed], LEVEL)
    if found is None:
        return phrase("none: no gold assayed")
    if math.isinf(found.high):
        return phrase("at least {ratio}", ratio=_ratio_text(found.low)) if found.low else phrase("not known")
    if found.is_exact:
        return _ratio_text(found.low)
    return _over_text(found) if found.low else phrase("below {ratio}", ratio=_ratio_text(found.high))


def _headline(found: RatioOfMeans | None, counted: int, pairs: int) -> str:
    if not pairs:
        return phrase("No lot has both a weighed pan of the untreated material and an assay yet")
    if not counted or found is None:
        return phrase("No pair counts yet")
    if found.interval is None:
        return phrase_counted(
            "Apparent recovery {share} over {number} lot: too few for an interval",
            "Apparent recovery {share} over {number} lots: too few for an interval",
            counted,
            share=_over_text(found),
        )
    return phrase_counted(
        "Apparent recovery {share} over {number} lot, {interval} with {level} confidence",
        "Apparent recovery {share} over {number} lots, {interval} with {level} confidence",
        counted,
        share=_over_text(found),
        interval=_interval_text(found.interval),
        level=units.format_share(LEVEL),
    )


def _sentences(
    found: RatioOfMeans | None,
    agreed: _Agreed | None,
    exact: Sequence[Pair],
    counted: Sequence[Pair],
    line: tuple | None,
    why_no: str,
) -> list[str]:
    if found is None:
        return []
    said = [phrase("All the gold panned over all the gold assayed, each lot counting once.")]
    level = units.format_share(LEVEL)
    if agreed:
        said.append(
            phrase(
                "A typical single lot shows {share} ({interval}, {level} confidence).",
                share=_ratio_text(agreed.typical),
                interval=_interval_text(agreed.interval),
                level=level,
            )
        )
        said.append(
            phrase(
                "Single lots scatter: about 19 in 20 lie between {low} and {high} (ratio limits of agreement; the lower lies "
                "within {low_interval}, the upper within {high_interval}, {level} each).",
                low=_ratio_text(agreed.limits.low),
                high=_ratio_text(agreed.limits.high),
                low_interval=_interval_text(agreed.low_interval),
                high_interval=_interval_text(agreed.high_interval),
                level=level,
            )
        )
    if len(exact) < len(counted):
        said.append(
            phrase_counted(
                "{number} of the lots lies below a limit on one side: they count above between nothing and the limit, and "
                "single-lot figures leave them out.",
                "{number} of the lots lie below a limit on one side: they count above between nothing and the limit, and "
                "single-lot figures leave them out.",
                len(counted) - len(exact),
            )
        )
    few = [pair for pair in counted if _holds_few_grains(pair)]
    if few:
        said.append(
            phrase(
                "In {number} of the lots the assay charge holds fewer than {grains} grains that matter, reckoned from the "
                "chance below: such a charge reads low more often than high, and the interval may be too narrow.",
                number=len(few),
                grains=numeral(FEW_GRAINS, "g"),
            )
        )
    if line:
        low, high = line[2]
        verdict = phrase("rich and poor lots are not shown to differ in it")
        if high < 1:
            verdict = phrase("in rich lots a smaller part of the gold was panned")
        elif low > 1:
            verdict = phrase("in rich lots a larger part of the gold was panned")
        said.append(
            phrase(
                "The line through the lots with errors on both sides rises {slope} decades of pan per decade of assay ({low} "
                "to {high}, {level} confidence); 1 is an apparent recovery alike at every grade: {verdict}.",
                slope=figure(line[1]),
                low=figure(low),
                high=figure(high),
                level=level,
                verdict=verdict,
            )
        )
    elif len(exact) >= FEWEST_LOTS:
        said.append(phrase("No line is drawn through the lots: {why}", why=why_no))
    return said


def _holds_few_grains(pair: Pair) -> bool:
    cv = pair.assayed.cv
    return cv is not None and mean_grains(cv) < FEW_GRAINS


def _line(exact: Sequence[Pair]) -> tuple[tuple | None, str]:
    """Intercept and slope of log10(pan) over log10(assay) with the slope's interval; or why there is none."""
    cvs = [cv for pair in exact for cv in (pair.assayed.cv, pair.panned.cv)]
    assayed = [pair.assayed.bounds.low for pair in exact]
    why_no = why_no_line(assayed, cvs[::2]) or ("" if None not in cvs else why_no_line(assayed, cvs))
    if why_no:
        return None, why_no
    try:
        fitted = log_line(assayed, [pair.panned.bounds.low for pair in exact], cvs[::2], cvs[1::2], LEVEL)
    except ValueError as error:
        return None, str(error)
    return (fitted.intercept, fitted.slope, (fitted.slope_interval.low, fitted.slope_interval.high)), ""


@dataclass(frozen=True)
class _Warning:
    """What `Warned` says of a pair, before it is written."""

    says: str
    slips: Sequence[str]
    is_above: bool


def _warning(pair: Pair, usual: float) -> _Warning | None:
    panned, assayed = pair.panned.bounds, pair.assayed.bounds
    if not assayed.high or not panned.high:
        return None
    ratio = lot_ratio(panned, assayed)
    slips = [
        phrase(
            "The assay is about {times} times too high beside the other lots: {slip}?",
            times=figure(slip.factor, 3),
            slip=slip.words,
        )
        if slip.turned
        else phrase(
            "The pan is about {times} times too high beside the other lots: {slip}?",
            times=figure(slip.factor, 3),
            slip=slip.words,
        )
        for slip in unit_slips(ratio, usual)
    ]
    above = bool(panned.low) and panned.low > assayed.high
    if not above and not slips:
        return None
    says = phrase("Far from the other lots.")
    if above:
        beyond = above_by_more_than_chance(panned, assayed, pair.panned.cv, pair.assayed.cv, LEVEL)
        says = phrase("Panned above assay, which the chance of grains alone can do.")
        if beyond:
            says = phrase("Panned above assay by more than the chance of grains explains on both sides.")
        elif pair.panned.cv is None or pair.assayed.cv is None:
            says = phrase("Panned above assay; how much of it chance explains is not known.")
    return _Warning(says, slips, above)


def _point(pair: Pair, is_flagged: bool, writer: _Writer) -> Point:
    line = writer.line(pair)
    return Point(
        assayed=writer.shown(pair.assayed.bounds.middle),
        panned=writer.shown(pair.panned.bounds.middle),
        assayed_bar=_bar(pair.assayed, writer),
        panned_bar=_bar(pair.panned, writer),
        assayed_way="" if pair.assayed.bounds.is_measured else "below",
        panned_way="" if pair.panned.bounds.is_measured else "below",
        is_flagged=is_flagged,
        title=phrase(
            "{lot}, {zone}: panned {panned}, assayed {assayed}, {ratio}",
            lot=line.lot.code,
            zone=line.zone,
            panned=line.panned_text,
            assayed=line.assayed_text,
            ratio=line.ratio_text,
        ),
    )


def _bar(side: Side, writer: _Writer) -> tuple[float, float] | None:
    if not side.bounds.is_measured or side.cv is None:
        return None
    left_open = spread(side.bounds.low, side.cv, LEVEL)
    return writer.shown(left_open.low), writer.shown(left_open.high)


def _groupings(sides: Sides, counted: Sequence[Pair], writer: _Writer) -> list[Grouping]:
    books = sides.books
    by_method: dict[Hashable, list] = defaultdict(list)
    by_panner: dict[Hashable, list] = defaultdict(list)
    for pair in counted:
        methods = {assay.method_name for assay in pair.assayed.results}
        for method in methods:
            keep = None if len(methods) == 1 else lambda assay, method=method: assay.method_name == method
            _add(by_method[method], pair, keep and {"assayed": sides.assayed(pair.assay_parts, keep)})
        panners = {pan.panner for pan in pair.panned.results}
        for panner in panners:
            keep = None if len(panners) == 1 else lambda pan, panner=panner: pan.panner == panner
            group = by_panner[books.panners.get(panner, phrase("not known"))]
            _add(group, pair, keep and {"panned": sides.panned(pair.pan_parts, keep)})
    zones, tops, colours = (
        _grouped(counted, lambda pair: books.zones.get(pair.zone, phrase("several zones"))),
        _grouped(counted, lambda pair: _top_size(pair.panned.results)),
        _grouped(counted, lambda pair: _coarsest(books, pair.panned.results)),
    )
    return [
        Grouping(title, lines)
        for title, groups in [
            (phrase("By method of the assay"), by_method),
            (phrase("By panner"), by_panner),
            (phrase("By zone"), zones),
            (phrase("By size of what was panned"), tops),
            (phrase("By the coarsest colours counted in its pans"), colours),
        ]
        if (lines := _group_lines(groups))
    ]


def _add(group: list[Pair], pair: Pair, sides: Mapping[str, Side | None] | None) -> None:
    """The pair as it is, or with these sides of it, where all of its parts have one."""
    if sides is None:
        group.append(pair)
    elif None not in sides.values():
        group.append(replace(pair, **sides))


def _grouped(pairs: Iterable[Pair], key: Callable[[Pair], str]) -> dict[str, list[Pair]]:
    found = defaultdict(list)
    for pair in pairs:
        found[key(pair)].append(pair)
    return found


def _group_lines(groups: Mapping[str, Sequence[Pair]]) -> list[GroupLine]:
    lines = []
    for label, pairs in sorted(groups.items(), key=lambda group: (-len(group[1]), group[0]))[:MOST_GROUPS]:
        pairs = [pair for pair in pairs if pair.assayed.bounds.high is not None]
        found = _over(pairs)
        if found is None:
            continue
        few = len(pairs) < FEWEST_LOTS
        interval = found.interval
        lines.append(
            GroupLine(
                label=label,
                lots=len(pairs),
                ratio_text=_over_text(found),
                interval_text=_interval_text(interval) if interval else "",
                note=phrase("none: fewer than {number} lots", number=FEWEST_LOTS)
                if few
                else ""
                if interval
                else phrase("none: no spread"),
            )
        )
    return lines


def _top_size(pans: Sequence[Pan]) -> str:
    sizes = {pan.top_size_um for pan in pans}
    if len(sizes) > 1:
        return phrase("several sizes")
    [size] = sizes
    return (
        phrase("as dug, top size not known")
        if size is None
        else phrase("under {size} µm", size=numeral(Decimal(str(size)).normalize(), "f"))
    )


def _coarsest(books: Books, pans: Sequence[Pan]) -> str:
    seen = {books.coarsest.get(pan.lot) for pan in pans}
    for size_class in ColourCount.SizeClass:
        if size_class in seen:
            return in_sentence(str(size_class.label))
    return phrase("no colours counted by size")


def _foretold(
    sides: Sides,
    exact: Sequence[Pair],
    counted: Sequence[Pair],
    asked: Asked,
    writer: _Writer,
) -> tuple[list[Foretold], str]:
    """The range an assay may fall in, for a grade typed in and for lots panned only; or why none can be given."""
    if len(exact) < ENOUGH_LOTS:
        given = phrase_counted(
            "A range is given from {enough} lots with figures on both sides; there is {number}",
            "A range is given from {enough} lots with figures on both sides; there are {number}",
            len(exact),
            enough=ENOUGH_LOTS,
        )
        return [], phrase_counted(
            "{given}, so {number} more is needed.",
            "{given}, so {number} more are needed.",
            ENOUGH_LOTS - len(exact),
            given=given,
        )
    if share_with_limit(len(counted), len(exact)) > MOST_BELOW:
        return [], (
            phrase(
                "More than {share} of the lots lie below a limit on one side: how single lots scatter is not known well enough "
                "for a range.",
                share=units.format_share(MOST_BELOW),
            )
        )
    agreed = _agreed(exact)
    if agreed is None:
        return [], phrase("The lots' ratios are all alike, so there is no scatter to foretell from.")
    panned = [pair.panned.bounds.low for pair in exact]
    least, most = min(panned), max(panned)
    found = []
    if asked.panned_g_per_t is not None:
        found.append(_one_foretold(None, asked.panned_g_per_t, agreed, least, most, writer))
    waiting = _waiting(sides, asked.zone)
    measured = [(lot, bounds.low) for lot, bounds in waiting if bounds.is_measured][:MOST_WAITING]
    lots = codes_of([lot for lot, _ in measured])
    found += [_one_foretold(lots[lot], grade, agreed, least, most, writer) for lot, grade in measured]
    return found, "" if found else _none_foretold(len(waiting), in_zone=asked.zone is not None)


def _waiting(sides: Sides, zone: int | None) -> list[tuple[int, Bounds]]:
    """Lots panned and not assayed with their panned grades, the newest first; of one zone where it is asked for."""
    return [
        (material, sides.panned([Part(material, 1.0)]).bounds)
        for material in without_assay(sides)
        if zone is None or {sides.books.zone_of(pan.lot) for pan in sides.pans[material]} == {zone}
    ]


def _none_foretold(waiting: int, *, in_zone: bool) -> str:
    if not waiting:
        said = (
            phrase("Every lot that was panned in this zone has its assay.")
            if in_zone
            else phrase("Every lot that was panned has its assay.")
        )
    elif in_zone:
        said = phrase_counted(
            "{number} lot was panned in this zone and not assayed, each with a pan whose gold could not be weighed: a range "
            "needs a figure.",
            "{number} lots were panned in this zone and not assayed, each with a pan whose gold could not be weighed: a range "
            "needs a figure.",
            waiting,
        )
    else:
        said = phrase_counted(
            "{number} lot was panned and not assayed, each with a pan whose gold could not be weighed: a range needs a figure.",
            "{number} lots were panned and not assayed, each with a pan whose gold could not be weighed: a range needs a "
            "figure.",
            waiting,
        )
    again = phrase("Type a pan's grade below to see the range for another.")
    return f"{said} {again}"


def _one_foretold(
    lot: Lot | None, panned: float, agreed: _Agreed, least: float, most: float, writer: _Writer
) -> Foretold:
    text = writer.grade(panned)
    if not least <= panned <= most:
        return Foretold(
            lot,
            text,
            phrase("no range: richer than every pan that was compared")
            if panned > most
            else phrase("no range: poorer than every pan that was compared"),
        )
    found = assay_after_pan(panned, agreed.one_pair)
    low, high = writer.grade(found.low), writer.grade(found.high)
    return Foretold(lot, text, phrase("{low} to {high}", low=low.partition(" ")[0], high=high))


def _notes(books: Books, counted: Sequence[Pair], grain, asked: Asked, sides: Sides) -> list[str]:
    said = []
    if grain is None:
        said.append(
            phrase(
                "The chance in each figure is not drawn: no colours were counted by size. Type below what a typical grain weighs."
            )
        )
    else:
        methods = ", ".join(
            f"{Dispatch.Method(method).label} ±{units.format_share(round(cv, 3))}"
            for method, cv in sides.method_cvs.items()
        )
        said.append(
            phrase(
                "Bars: what chance leaves open on each side (95 %), from a grain of {grain}: in the pan and the step of its "
                "scale, and in the charge assayed, at least what duplicates show ({methods}, one standard deviation).",
                grain=grain.words,
                methods=methods,
            )
            if methods
            else phrase(
                "Bars: what chance leaves open on each side (95 %), from a grain of {grain}: in the pan and the step of its "
                "scale, and in the charge assayed.",
                grain=grain.words,
            )
        )
    wet = sum(1 for pair in counted if any(not pan.is_dry for pan in pair.panned.results))
    if wet:
        said.append(
            phrase_counted(
                "{number} of the lots was panned wet: water weighs in and the pan reads low beside an assay of dried material.",
                "{number} of the lots were panned wet: water weighs in and the pan reads low beside an assay of dried material.",
                wet,
            )
        )
    else:
        said.append(phrase("Basis: dried material on both sides."))
    failed = sum(1 for pair in counted if pair.has_failed)
    if failed:
        said.append(
            phrase_counted(
                "{number} of the lots rests on a return with a failed check; tick below to leave such values out.",
                "{number} of the lots rest on a return with a failed check; tick below to leave such values out.",
                failed,
            )
        )
    if asked.without_failed:
        said.append(phrase("Values of returns with a failed check are left out, as asked."))
    if books.colours_only:
        said.append(
            phrase_counted(
                "{number} pan gave colours but no weight, so no grade.",
                "{number} pans gave colours but no weight, so no grade.",
                books.colours_only,
            )
        )
    return said


def _working(
    found: RatioOfMeans | None,
    agreed: _Agreed | None,
    counted: Sequence[Pair],
    writer: _Writer,
    grain,
) -> Working | None:
    if found is None:
        return None
    named = counted[:MOST_PAIRS]
    inputs = tuple(
        (
            line.lot.code,
            phrase("panned {panned}, assayed {assayed}", panned=line.panned_text, assayed=line.assayed_text),
            "",
            line.lot.get_absolute_url(),
        )
        for line in map(writer.line, named)
    )
    rows = [
        WorkingRow(
            phrase("Apparent recovery over the lots"),
            phrase(
                "sum of the lots' panned grades ÷ sum of their assayed grades; interval by leaving out one lot at a time, on the "
                "logarithm, Student's t"
            ),
            inputs,
            _over_text(found),
            "",
            phrase("Jackknife: M. H. Quenouille 1956, J. W. Tukey 1958 (from memory)"),
        )
    ]
    if agreed:
        rows.append(
            WorkingRow(
                phrase("A typical single lot, and how far single lots scatter"),
                phrase(
                    "mean and sd s of ln(panned ÷ assayed); limits: mean ± 1.96 s; one more lot: mean ± t s √(1 + 1/n)"
                ),
                ((phrase("lots with figures on both sides"), str(sum(map(_is_exact, counted))), "", ""),),
                phrase(
                    "{share}; one more lot {interval} ({level})",
                    share=_ratio_text(agreed.typical),
                    interval=_interval_text(agreed.one_pair),
                    level=units.format_share(LEVEL),
                ),
                "",
                phrase(
                    "J. M. Bland and D. G. Altman, Lancet 1986 i 307, on logarithms as they advise for spread that grows "
                    "with size"
                ),
            )
        )
    if grain is not None:
        rows.append(
            WorkingRow(
                phrase("Chance in one figure"),
                phrase(
                    "relative sd = √(mass of a grain ÷ gold panned or assayed), lognormal; the scale's step ÷ √12 beside it"
                ),
                ((phrase("grain, mean weighted by mass"), grain.words, "", ""),),
                "",
                "",
                phrase(
                    "C. O. Ingamells, Talanta 21 (1974) 141 (from memory): a Poisson number of alike grains"
                ),
            )
        )
    return Working(
        rows=tuple(rows),
        assumptions=(
            NEVER_ONE_QUANTITY,
            phrase(
                "Pans: test pans, and control and bridging runs of blocks whose key is open. Assays: the value in use of each "
                "sample, field duplicates too. Several of one lot are taken as one: all their gold over all their ore, of assays "
                "over the charges where these are known."
            ),
            phrase(
                "Drying, crushing, splitting and cutting leave a lot the material it was. Of a blend that was not panned "
                "itself the pans of what went into it stand for it, weighted by the masses drawn."
            ),
            phrase(
                "Each lot counts once and alike. Lots of one zone may be alike in ways that lots of another are not: the "
                "intervals speak of lots like these."
            ),
        ),
    )
