"""Pans and assays of the same material, found through lineage: read in a few queries, whatever the books hold."""

import datetime
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from django.db import connection
from django.db.models import Exists, F, Min, OuterRef, Q, QuerySet, Sum

from prospecting.calc.language import phrase
from prospecting.frames.checks import mark_of
from prospecting.frames.plain_columns import as_day_text, as_flag, as_float, rows_sha256
from prospecting.models import AssayReturn, Dispatch, Draw, Lot, Member, Origin, Reading, Sample, Step, Zone
from trials.calc.common_material import Kinds, Link, Materials, Part, covered_share
from trials.calc.field_against_laboratory import (
    Bounds,
    chance_cv,
    golds_mg,
    mixed,
    mixed_cv,
    pooled,
    step_cv,
    together,
    total_mg,
)
from trials.frames.lineage import ALIKE
from trials.frames.uniformity import CHARGES_G
from trials.models import ColourCount, Run

KINDS = Kinds(alike=ALIKE, sorting=(Step.Kind.SCREEN,), recovering=(Step.Kind.RECOVER,))
# Fewer pairs of duplicates by one method say little of its spread (our own limit).
ENOUGH_DUPLICATES = 5

# Every draw on the way from lots with results back to where their material began; behind a recovery nothing is followed.
_LINKS = """WITH RECURSIVE line(lot_id) AS (
        SELECT lot_id FROM ({begin}) begins
        UNION
        SELECT draw.lot_id
        FROM line CROSS JOIN {lot} made CROSS JOIN {step} step CROSS JOIN {draw} draw
        WHERE made.id = line.lot_id AND step.id = made.made_by_id AND step.kind IN ({followed}) AND draw.step_id = step.id
    )
    SELECT made.id, step.kind, draw.lot_id, CAST(draw.mass_g AS double precision)
    FROM line CROSS JOIN {lot} made CROSS JOIN {step} step CROSS JOIN {draw} draw
    WHERE made.id = line.lot_id AND step.id = made.made_by_id AND draw.step_id = step.id
    ORDER BY draw.id, made.id
"""
_ASSAYED = "SELECT lot_id FROM {sample} WHERE lot_id IS NOT NULL"
_PANNED, _ON_HAND = "SELECT lot_id FROM {run}", "SELECT id FROM {lot} WHERE on_hand_g > 0"


class Pan(NamedTuple):
    """An untreated run of one lot. `gold_mg` is None where it lay below `step_mg`, the scale's step."""

    pk: int
    lot: int
    gold_mg: float | None
    step_mg: float | None
    ore_g: float
    day: datetime.date
    panner: int
    top_size_um: float | None
    is_dry: bool
    code: str


@dataclass(frozen=True)
class Assay:
    """The value in use of one sample. `charge_g` is what was assayed of it, 0 where its method does not say."""

    pk: int
    lot: int
    symbol: str
    grade_g_per_t: float | None
    limit_g_per_t: float | None
    method: str
    sent_g: float
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
    """All that both pages reckon with. `shares` are the origins of the lots assayed (and, where a zone is asked for, panned): lot
    to (dig, zone, share). `counted` are the colours of all pans as `portion_evidence.grain_of_colours` takes them, `coarsest` the
    coarsest class of them in the pans of each lot.
    """

    pans: Sequence[Pan]
    colours_only: int
    counted: Sequence[tuple[Mapping[str, int], float | None]]
    coarsest: Mapping[int, str]
    assays: Sequence[Assay]
    links: Sequence[Link]
    shares: Mapping[int, Sequence[tuple[int, int, float]]]
    duplicates: Mapping[str, Sequence[tuple[float, float]]]
    panners: Mapping[int, str]
    zones: Mapping[int, str]

    def zone_of(self, lot: int) -> int | None:
        """The zone all of a lot assayed or panned came from; None where there are several."""
        zones = {zone for _, zone, _ in self.shares.get(lot, ())}
        return zones.pop() if len(zones) == 1 else None


@dataclass(frozen=True)
class BookRows:
    """The same as plain rows, of which there may be hundreds of thousands: objects are made only where something is reckoned.

    `colours` are rows (lot, class, colours, colours of weighed pans, first run), all of one lot None where no pan is looked at by
    itself; `order` are the classes in the order in which pans named them first; `gold_mg` what the pans with colours weighed.
    """

    pans: list[tuple]
    colours: list[tuple]
    order: list[str]
    gold_mg: float
    assays: list[tuple]
    links: list[tuple]
    shares: list[tuple]
    duplicates: list[tuple]
    panners: list[tuple]
    zones: list[tuple]

    def fingerprint(self) -> str:
        """64 signs that change with anything read here."""
        return rows_sha256(vars(self).values())

    def books(self) -> Books:
        weighed = [row for row in self.pans if row[2] is not None or row[-1]]
        return Books(
            pans=[Pan(*row[:5], datetime.date.fromisoformat(row[5]), *row[6:10]) for row in weighed],
            colours_only=len(self.pans) - len(weighed),
            counted=self._counted(),
            coarsest=self._coarsest(),
            assays=[Assay(*row) for row in self.assays],
            links=[Link(*row) for row in self.links],
            shares=by_lot(self.shares),
            duplicates=_by_method(self.duplicates),
            panners={
                pk: f"{given} {family}".strip() or username for pk, given, family, username in self.panners
            },
            zones=dict(self.zones),
        )

    def _counted(self) -> list[tuple[dict[str, int], float | None]]:
        """Two pans stand for all: those weighed, and those not. Classes stand in the order they were named."""
        of_weighed, of_others = dict.fromkeys(self.order, 0), dict.fromkeys(self.order, 0)
        for _, size_class, colours, weighed, _ in self.colours:
            of_weighed[size_class] += weighed
            of_others[size_class] += colours - weighed
        return [(of_weighed, self.gold_mg), (of_others, None)]

    def _coarsest(self) -> dict[int, str]:
        places = {size_class: place for place, size_class in enumerate(ColourCount.SizeClass.values)}
        found: dict[int, str] = {}
        for lot, size_class, colours, _, _ in self.colours:
            if colours and places[size_class] <= places[found.get(lot, size_class)]:
                found[lot] = size_class
        return found


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
        if len(sides) == 1:
            [(share, only)] = sides
            return Side(only.bounds, mixed_cv([(share, only.bounds, only.cv)]), only.results)
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
        charges = [assay.charge_g for assay in assays]
        masses = charges if all(charges) else [float(assay.sent_g) for assay in assays]
        charged = golds_mg(lows, charges)
        bounds = pooled(golds_mg(lows, masses), golds_mg(highs, masses), masses)
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


def read_books(*, of_zone: bool = False) -> BookRows:
    """Read pans, assays and the lineage of both; `of_zone`: also where the panned lots came from."""
    untreated = _untreated()
    pans = list(
        untreated.order_by("pk").values_list(
            *("pk", "lot_id", as_float("gold_mg"), as_float("scale_step_mg"), as_float("portion_mass_g")),
            *(as_day_text("panned_on"), "panner_id", as_float("lot__top_size_um"), as_flag("lot__is_dry")),
            *(
                "lot__code",
                as_flag(Exists(ColourCount.objects.filter(run=OuterRef("pk")))),
                as_flag("below_scale"),
            ),
        )
    )
    colours = _colours(untreated, "run__lot_id")
    of_lots = Q(lot__in=_answered().values("lot"))
    if of_zone:
        of_lots |= Q(lot__in=untreated.values("lot"))
    members = Member.objects.filter(pk__in={row[6] for row in pans}).order_by("pk")
    return BookRows(
        pans=pans,
        colours=colours,
        order=_order(colours),
        gold_mg=total_mg(row[2] for row in pans if row[-2]),
        assays=_assays(),
        links=_links([_PANNED, _ASSAYED], [kind for kind in Step.Kind.values if kind != Step.Kind.RECOVER]),
        shares=share_rows(Origin.objects.filter(of_lots)),
        duplicates=_duplicates(),
        panners=list(members.values_list("pk", "first_name", "last_name", "username")),
        zones=_zones(),
    )


def read_assays() -> BookRows:
    """Read assays and what leaves a material alike, of assayed lots and of those on hand; of the pans only their colours."""
    untreated = _untreated()
    colours = _colours(untreated)
    with_colours = untreated.filter(Exists(ColourCount.objects.filter(run=OuterRef("pk"))))
    return BookRows(
        pans=[],
        colours=colours,
        order=_order(colours),
        gold_mg=with_colours.order_by().aggregate(gold=Sum(as_float("gold_mg")))["gold"] or 0.0,
        assays=_assays(),
        links=_links([_ASSAYED, _ON_HAND], ALIKE),
        shares=share_rows(Origin.objects.filter(lot__in=_answered().values("lot"))),
        duplicates=_duplicates(),
        panners=[],
        zones=_zones(),
    )


def method_cvs(books: Books) -> dict[str, float]:
    """The relative sd of one assay by each method with enough duplicates, a fraction."""
    from prospecting.calc.quality_control import duplicate_precision

    return {
        method: duplicate_precision(*zip(*pairs, strict=True)).cv_rms
        for method, pairs in books.duplicates.items()
        if len(pairs) >= ENOUGH_DUPLICATES
    }


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
        return phrase("an assay lies above its method's upper limit")
    if pair.is_sorted:
        return phrase("a screen stands between what was panned and what was assayed")
    if pair.share < least_share:
        return phrase("too little material in common")
    if is_used:
        return phrase("its results stand in a pair with more in common")
    if not pair.assayed.bounds.high and not pair.panned.bounds.high:
        return phrase("neither side found any gold")
    return ""


def _untreated() -> QuerySet:
    return Run.objects.standing().untreated().filter(lot__is_void=False)


def _colours(untreated: QuerySet, *by: str) -> list[tuple]:
    """By class the colours of pans with gold weighed or below the scale: rows as in `BookRows`."""
    weighed = Q(run__gold_mg__isnull=False)
    rows = (
        ColourCount.objects.filter(weighed | Q(run__below_scale=True), run__in=untreated.values("pk"))
        .order_by(*by, "size_class")
        .values_list(*by, "size_class")
        .annotate(colours=Sum("count"), weighed=Sum("count", filter=weighed, default=0), first=Min("run_id"))
    )
    return [(*[None] * (not by), *row) for row in rows]


def _order(colours: Sequence[tuple]) -> list[str]:
    """The classes in the order in which the pans named them first."""
    first: dict[str, int] = {}
    for _, size_class, _, _, run in colours:
        first[size_class] = min(run, first.get(size_class, run))
    told = ColourCount.objects.filter(run__in=first.values()).order_by("run_id", "pk")
    return list(dict.fromkeys(told.values_list("size_class", flat=True)))


def _answered() -> QuerySet:
    return Sample.objects.of_ground().answered().filter(lot__is_void=False)


def _assays() -> list[tuple]:
    return list(
        _answered()
        .order_by("pk")
        .values_list(
            *("pk", "lot_id", "in_use_symbol", as_float("in_use_g_per_t"), as_float("in_use_limit_g_per_t")),
            *("dispatch__method", as_float("lot__mass_g"), as_day_text("dispatch__sent_on")),
            *("reading_in_use__assay_return_id", "reading_in_use__assay_return__checks_state"),
            *("reading_in_use__assay_return__accepted_reason", "lot__code"),
        )
    )


def _links(begin: Iterable[str], followed: Sequence[str]) -> list[tuple]:
    """Rows of `Link`: the draws behind these lots, and behind what those came from as long as the step is one of these."""
    tables = {
        "lot": Lot._meta.db_table,
        "step": Step._meta.db_table,
        "draw": Draw._meta.db_table,
        "run": Run._meta.db_table,
        "sample": Sample._meta.db_table,
    }
    asked = _LINKS.format(
        begin=" UNION ".join(begin).format(**tables), followed=", ".join(["%s"] * len(followed)), **tables
    )
    with connection.cursor() as cursor:
        cursor.execute(asked, list(followed))
        return cursor.fetchall()


def share_rows(origins: QuerySet) -> list[tuple]:
    """Rows of lot, dig, zone and the dig's share of the lot."""
    return list(origins.order_by("pk").values_list("lot_id", "dig_id", "dig__zone_id", as_float("share")))


def by_lot(rows: Iterable[tuple]) -> dict[int, list[tuple[int, int, float]]]:
    """Lot to its digs, zones and shares."""
    found: dict[int, list] = defaultdict(list)
    for lot, *rest in rows:
        found[lot].append(tuple(rest))
    return dict(found)


def _duplicates() -> list[tuple]:
    """Method, figure of a sample and of its duplicate by the same method."""
    pairs = Sample.objects.filter(
        kind=Sample.Kind.DUPLICATE,
        in_use_symbol=Reading.Symbol.VALUE,
        duplicate_of__in_use_symbol=Reading.Symbol.VALUE,
        duplicate_of__dispatch__method=F("dispatch__method"),
    ).order_by("pk")
    return list(
        pairs.values_list(
            "dispatch__method", as_float("duplicate_of__in_use_g_per_t"), as_float("in_use_g_per_t")
        )
    )


def _by_method(duplicates: Iterable[tuple]) -> dict[str, list[tuple[float, float]]]:
    """By method the pairs of figures; pairs of two nothings say nothing."""
    found: dict[str, list] = defaultdict(list)
    for method, first, second in duplicates:
        if first or second:
            found[method].append((first, second))
    return dict(found)


def _zones() -> list[tuple]:
    return list(Zone.objects.order_by("pk").values_list("pk", "name"))


def codes_of(lots: Collection[int]) -> dict[int, Lot]:
    """The lots themselves, for their codes and pages."""
    return Lot.objects.only("code").in_bulk(set(lots))
