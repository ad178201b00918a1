"""Pans and assays of the same material, found through lineage: read in a few queries, whatever the books hold."""

import datetime
import hashlib
from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from django.db import connection
from django.db.models import F, Q

from prospecting.calc.grade import gold_mg
from prospecting.frames.checks import mark_of
from prospecting.models import AssayReturn, Dispatch, Draw, Lot, Member, Origin, Reading, Sample, Step, Zone
from trials.calc.common_material import Kinds, Link, Materials, Part, covered_share
from trials.calc.field_against_laboratory import (
    Bounds,
    chance_cv,
    mixed,
    mixed_cv,
    pooled,
    step_cv,
    together,
)
from trials.frames.lineage import ALIKE
from trials.frames.uniformity import CHARGES_G
from trials.models import ColourCount, Run

KINDS = Kinds(alike=ALIKE, sorting=(Step.Kind.SCREEN,), recovering=(Step.Kind.RECOVER,))
# Fewer pairs of duplicates by one method say little of its spread (our own limit).
ENOUGH_DUPLICATES = 5

# Every draw on the way from lots with results back to where their material began; behind a recovery nothing is followed.
_LINKS = """
    WITH RECURSIVE line(lot_id) AS (
        SELECT lot_id FROM ({begin}) begins
        UNION
        SELECT draw.lot_id
        FROM line CROSS JOIN {lot} made CROSS JOIN {step} step CROSS JOIN {draw} draw
        WHERE made.id = line.lot_id AND step.id = made.made_by_id AND step.kind <> 'recover' AND draw.step_id = step.id
    )
    SELECT made.id, step.kind, draw.lot_id, draw.mass_g
    FROM line CROSS JOIN {lot} made CROSS JOIN {step} step CROSS JOIN {draw} draw
    WHERE made.id = line.lot_id AND step.id = made.made_by_id AND draw.step_id = step.id
    ORDER BY draw.id, made.id
"""
_OF_RESULTS = "SELECT lot_id FROM {run} UNION SELECT lot_id FROM {sample} WHERE lot_id IS NOT NULL"
_ON_HAND = " UNION SELECT id FROM {lot} WHERE on_hand_g > 0"


@dataclass(frozen=True)
class Pan:
    """An untreated run of one lot. `gold_mg` is None where it lay below `step_mg`, the scale's step."""

    pk: int
    lot: int
    gold_mg: Decimal | None
    step_mg: Decimal | None
    ore_g: Decimal
    day: datetime.date
    panner: int
    top_size_um: Decimal | None
    is_dry: bool
    code: str


@dataclass(frozen=True)
class Assay:
    """The value in use of one sample. `charge_g` is what was assayed of it, 0 where its method does not say."""

    pk: int
    lot: int
    symbol: str
    grade_g_per_t: Decimal | None
    limit_g_per_t: Decimal | None
    method: str
    sent_g: Decimal
    sent_on: datetime.date
    assay_return: int
    checks: str
    accepted_reason: str
    code: str

    @property
    def mark(self) -> str:
        """The sentence where this value's return did not pass its checks."""
        return mark_of(self.checks, self.accepted_reason)

    @property
    def charge_g(self) -> float:
        if self.method == Dispatch.Method.SCREEN_FIRE:
            return float(self.sent_g)
        return CHARGES_G.get(self.method, 0.0)

    @property
    def method_name(self) -> str:
        return Dispatch.Method(self.method).label

    @property
    def has_failed(self) -> bool:
        return self.checks == AssayReturn.Checks.FAILED

    @property
    def is_above(self) -> bool:
        return self.symbol == Reading.Symbol.ABOVE


@dataclass(frozen=True)
class Books:
    """All that both pages read. `shares` are the origins of the lots assayed or panned: lot to (dig, zone, share)."""

    pans: Sequence[Pan]
    colours_only: int
    colours: Mapping[int, Mapping[str, int]]
    assays: Sequence[Assay]
    links: Sequence[Link]
    shares: Mapping[int, Sequence[tuple[int, int, Decimal]]]
    duplicates: Mapping[str, Sequence[tuple[float, float]]]
    panners: Mapping[int, str]
    zones: Mapping[int, str]

    def fingerprint(self) -> str:
        """64 signs that change with anything read here."""
        return hashlib.sha256(repr(self).encode()).hexdigest()

    def zone_of(self, lot: int) -> int | None:
        """The zone all of a lot assayed or panned came from; None where there are several."""
        zones = {zone for _, zone, _ in self.shares.get(lot, ())}
        return zones.pop() if len(zones) == 1 else None


@dataclass(frozen=True)
class Side:
    """One side of a pair: its grade, the chance in it (None where not known), and the results behind it."""

    bounds: Bounds
    cv: float | None
    results: Sequence[Pan] | Sequence[Assay]


@dataclass(frozen=True)
class Pair:
    """Pans and assays with material in common: `share` of it, by the masses drawn. `lot` is where the material began.

    `why_not` says why it does not count in the figures; blank where it does.
    """

    lot: int
    panned: Side
    assayed: Side
    share: float
    is_sorted: bool
    zone: int | None
    pan_parts: Sequence[Part] = ()
    assay_parts: Sequence[Part] = ()
    why_not: str = ""

    @property
    def has_failed(self) -> bool:
        return any(each.has_failed for each in self.assayed.results)

    @property
    def marks(self) -> list[str]:
        """What is to be said of its values' returns, each sentence once."""
        return list(dict.fromkeys(each.mark for each in self.assayed.results if each.mark))


@dataclass
class Sides:
    """The grades of materials by pan and by assay, under one way of reckoning their chance."""

    books: Books
    materials: Materials
    grain_mg: float | None
    method_cvs: Mapping[str, float]
    pans: Mapping[int, list[Pan]] = field(default_factory=dict)
    assays: Mapping[int, list[Assay]] = field(default_factory=dict)

    def panned(self, parts: Iterable[Part], keep: Callable[[Pan], bool] = lambda pan: True) -> Side | None:
        """The pans of these parts; None where one of them has none that is kept."""
        return self._side(parts, self.pans, keep, self._pan_side)

    def assayed(
        self, parts: Iterable[Part], keep: Callable[[Assay], bool] = lambda assay: True
    ) -> Side | None:
        return self._side(parts, self.assays, keep, self._assay_side)

    def _side(self, parts, found, keep, make) -> Side | None:
        sides = []
        for part in parts:
            results = [result for result in found.get(part.material, ()) if keep(result)]
            if not results:
                return None
            sides.append((part.share, make(results)))
        if not sides:
            return None
        return Side(
            mixed([(share, side.bounds) for share, side in sides]),
            mixed_cv([(share, side.bounds, side.cv) for share, side in sides]),
            [result for _, side in sides for result in side.results],
        )

    def _pan_side(self, pans: Sequence[Pan]) -> Side:
        lows = [float(pan.gold_mg or 0) for pan in pans]
        highs = [float(pan.step_mg if pan.gold_mg is None else pan.gold_mg) for pan in pans]
        bounds = pooled(lows, highs, [float(pan.ore_g) for pan in pans])
        cv = None
        if self.grain_mg:
            cv = together(
                chance_cv(lows, self.grain_mg), step_cv(lows, [float(pan.step_mg or 0) for pan in pans])
            )
        return Side(bounds, cv, pans)

    def _assay_side(self, assays: Sequence[Assay]) -> Side:
        lows, highs = zip(*map(assay_bounds, assays), strict=True)
        # By what was assayed of each: a charge of 30 g says less than a kilogram. Where that isn't known, by what was sent.
        masses = [assay.charge_g for assay in assays]
        if not all(masses):
            masses = [float(assay.sent_g) for assay in assays]
        bounds = pooled(
            [gold_mg(low, mass) for low, mass in zip(lows, masses, strict=True)],
            [None if high is None else gold_mg(high, mass) for high, mass in zip(highs, masses, strict=True)],
            masses,
        )
        charged = [gold_mg(low, assay.charge_g) for low, assay in zip(lows, assays, strict=True)]
        cv = chance_cv(charged, self.grain_mg) if self.grain_mg and all(charged) else None
        if cv is not None:
            # Each scatters on its own as duplicates do, so that of several together the floor is lower than that of one.
            floors = [
                (mass, bounds, self.method_cvs.get(assay.method, 0.0))
                for mass, assay in zip(masses, assays, strict=True)
            ]
            cv = max(cv, mixed_cv(floors))
        return Side(bounds, cv, assays)


def assay_bounds(assay: Assay) -> tuple[float, float | None]:
    """The least and the most a value in use can mean, in g/t."""
    if assay.grade_g_per_t is not None:
        return float(assay.grade_g_per_t), float(assay.grade_g_per_t)
    limit = float(assay.limit_g_per_t)
    return (limit, None) if assay.is_above else (0.0, limit)


def read_books(*, on_hand: bool = False) -> Books:
    """Read pans, assays and lineage; with `on_hand` also the lineage of every lot with material left."""
    untreated = Run.objects.standing().untreated().filter(lot__is_void=False)
    told = untreated.values_list(
        "pk",
        "lot_id",
        "gold_mg",
        "scale_step_mg",
        "portion_mass_g",
        "panned_on",
        "panner_id",
        "lot__top_size_um",
        "lot__is_dry",
        "lot__code",
        "below_scale",
    )
    pans, colours_only = [], 0
    for *row, below in told.order_by("pk"):
        pan = Pan(*row)
        if pan.gold_mg is None and not below:
            colours_only += 1
        else:
            pans.append(pan)
    zones = dict(Zone.objects.order_by("pk").values_list("pk", "name"))
    return Books(
        pans=pans,
        colours_only=colours_only,
        colours=_colours(untreated),
        assays=_assays(),
        links=_links(on_hand),
        shares=_shares(
            Origin.objects.filter(
                Q(lot__in=Sample.objects.values("lot")) | Q(lot__in=untreated.values("lot"))
            )
        ),
        duplicates=_duplicates(),
        panners={
            member.pk: str(member) for member in Member.objects.in_bulk({pan.panner for pan in pans}).values()
        },
        zones=zones,
    )


def method_cvs(books: Books) -> dict[str, float]:
    """The relative sd of one assay by each method with enough duplicates, a fraction."""
    from prospecting.calc.quality_control import duplicate_precision

    return {
        method: duplicate_precision(*zip(*pairs, strict=True)).cv_rms
        for method, pairs in books.duplicates.items()
        if len(pairs) >= ENOUGH_DUPLICATES
    }


def colours_of(books: Books, pans: Iterable[Pan]) -> list[tuple[Mapping[str, int], float | None]]:
    """Colours by class of these pans with the gold weighed, as `portion_evidence.grain_of_colours` takes them."""
    return [
        (books.colours[pan.pk], None if pan.gold_mg is None else float(pan.gold_mg))
        for pan in pans
        if books.colours.get(pan.pk)
    ]


def sides_of(books: Books, *, grain_mg: float | None, without_failed: bool) -> Sides:
    """The grades of every material by pan and by assay; what a recovery left is nobody's grade."""
    materials = Materials(books.links, KINDS)
    sides = Sides(books, materials, grain_mg, method_cvs(books))
    pans: dict[int, list[Pan]] = defaultdict(list)
    assays: dict[int, list[Assay]] = defaultdict(list)
    for pan in books.pans:
        if (material := materials.of(pan.lot)) is not None:
            pans[material].append(pan)
    for assay in books.assays:
        if without_failed and assay.has_failed:
            continue
        if (material := materials.of(assay.lot)) is not None:
            assays[material].append(assay)
    sides.pans, sides.assays = pans, assays
    return sides


def without_assay(sides: Sides) -> list[int]:
    """The materials panned of which nothing was assayed, neither they nor what went into them; the newest first.

    An assay left out or above its limit was made all the same.
    """
    assayed = {sides.materials.of(assay.lot) for assay in sides.books.assays}
    return [
        material
        for material in sorted(sides.pans, reverse=True)
        if not sides.materials.parts(material, assayed)
    ]


def pairs_of(sides: Sides, *, least_share: float, zone: int | None = None) -> list[Pair]:
    """Every material with pans and assays, or one of the two on what it was made of; the most in common first.

    Each result counts in one pair only, or the pairs would not be independent.
    """
    found = []
    for material in {*sides.pans, *sides.assays}:
        pan_parts = sides.materials.parts(material, sides.pans) if material in sides.assays else []
        assay_parts = sides.materials.parts(material, sides.assays) if material in sides.pans else []
        if material in sides.assays and pan_parts:
            assay_parts = [Part(material, 1.0)]
        elif material in sides.pans and assay_parts:
            pan_parts = [Part(material, 1.0)]
        else:
            continue
        found.append(_pair(sides, material, pan_parts, assay_parts))
    used: set[tuple[str, int]] = set()
    counted = []
    for pair in sorted(found, key=lambda pair: (-pair.share, pair.is_sorted, pair.lot)):
        if zone is not None and pair.zone != zone:
            continue
        results = {("pan", pan.pk) for pan in pair.panned.results}
        results |= {("assay", assay.pk) for assay in pair.assayed.results}
        why_not = _why_not(pair, least_share, is_used=bool(results & used))
        if not why_not:
            used |= results
        counted.append(Pair(**(vars(pair) | {"why_not": why_not})))
    return counted


def _pair(sides: Sides, material: int, pan_parts: Sequence[Part], assay_parts: Sequence[Part]) -> Pair:
    assayed = sides.assayed(assay_parts)
    zones = {sides.books.zone_of(assay.lot) for assay in assayed.results}
    return Pair(
        lot=material,
        panned=sides.panned(pan_parts),
        assayed=assayed,
        share=min(covered_share(pan_parts), covered_share(assay_parts)),
        is_sorted=any(part.is_sorted for part in [*pan_parts, *assay_parts]),
        zone=zones.pop() if len(zones) == 1 else None,
        pan_parts=pan_parts,
        assay_parts=assay_parts,
    )


def _why_not(pair: Pair, least_share: float, *, is_used: bool) -> str:
    if pair.assayed.bounds.high is None:
        return "an assay lies above its method's upper limit"
    if pair.is_sorted:
        return "a screen stands between what was panned and what was assayed"
    if pair.share < least_share:
        return "too little material in common"
    if is_used:
        return "its results stand in a pair with more in common"
    if not pair.assayed.bounds.high and not pair.panned.bounds.high:
        return "neither side found any gold"
    return ""


def _colours(untreated) -> dict[int, dict[str, int]]:
    found: dict[int, Counter] = defaultdict(Counter)
    counts = ColourCount.objects.filter(run__in=untreated.values("pk")).order_by("pk")
    for run, size_class, count in counts.values_list("run_id", "size_class", "count"):
        found[run][size_class] += count
    return {run: dict(classes) for run, classes in found.items()}


def _assays() -> list[Assay]:
    answered = Sample.objects.of_ground().answered().filter(lot__is_void=False)
    told = answered.order_by("pk").values_list(
        "pk",
        "lot_id",
        "in_use_symbol",
        "in_use_g_per_t",
        "in_use_limit_g_per_t",
        "dispatch__method",
        "lot__mass_g",
        "dispatch__sent_on",
        "reading_in_use__assay_return_id",
        "reading_in_use__assay_return__checks_state",
        "reading_in_use__assay_return__accepted_reason",
        "lot__code",
    )
    return [Assay(*row) for row in told]


def _links(on_hand: bool) -> list[Link]:
    tables = {
        "lot": Lot._meta.db_table,
        "step": Step._meta.db_table,
        "draw": Draw._meta.db_table,
        "run": Run._meta.db_table,
        "sample": Sample._meta.db_table,
    }
    begin = (_OF_RESULTS + (_ON_HAND if on_hand else "")).format(**tables)
    with connection.cursor() as cursor:
        cursor.execute(_LINKS.format(begin=begin, **tables))
        return [Link(made, kind, drawn, float(mass)) for made, kind, drawn, mass in cursor.fetchall()]


def _shares(origins) -> dict[int, list[tuple[int, int, Decimal]]]:
    found: dict[int, list] = defaultdict(list)
    for lot, *rest in origins.order_by("pk").values_list("lot_id", "dig_id", "dig__zone_id", "share"):
        found[lot].append(tuple(rest))
    return dict(found)


def shares_on_hand() -> dict[int, list[tuple[int, int, Decimal]]]:
    """Lot to its digs, zones and shares, for every lot in stock."""
    return _shares(Origin.objects.filter(lot__is_void=False, lot__on_hand_g__gt=0))


def _duplicates() -> dict[str, list[tuple[float, float]]]:
    """Figures of a sample and of its duplicate, by the method of both; pairs of two nothings say nothing."""
    pairs = Sample.objects.filter(
        kind=Sample.Kind.DUPLICATE,
        in_use_symbol=Reading.Symbol.VALUE,
        duplicate_of__in_use_symbol=Reading.Symbol.VALUE,
        duplicate_of__dispatch__method=F("dispatch__method"),
    ).order_by("pk")
    found: dict[str, list] = defaultdict(list)
    for method, first, second in pairs.values_list(
        "dispatch__method", "duplicate_of__in_use_g_per_t", "in_use_g_per_t"
    ):
        if first or second:
            found[method].append((float(first), float(second)))
    return dict(found)


def codes_of(lots: Collection[int]) -> dict[int, Lot]:
    """The lots themselves, for their codes and pages."""
    return Lot.objects.in_bulk(set(lots))
