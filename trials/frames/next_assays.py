"""Which lots to assay next: each lot on hand, by how much its assay would narrow its zone's mean grade for its price."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cache, cached_property, partial
from typing import TYPE_CHECKING

from django.urls import reverse
from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.grade import gold_mg
from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.number_words import numeral
from prospecting.frames.plain_columns import as_float, rows_sha256
from prospecting.models import Dispatch, Lot, Origin, Reading, Sample
from trials.calc.working import Working, WorkingRow, figure
from trials.frames.field_against_laboratory import LEVEL
from trials.frames.field_pairs import (
    Assay,
    Books,
    Sides,
    assay_bounds,
    by_lot,
    share_rows,
    sides_of,
)
from trials.frames.uniformity import CHARGES_G, grain_of
from trials.models import PlannedRun

if TYPE_CHECKING:
    from trials.calc.next_assay import Narrowed, Zone

# What a laboratory asks for at least, by method (common practice, no source); a screen fire assay takes about a kilogram.
NEEDED_G = {
    Dispatch.Method.FIRE_15: Decimal(150),
    Dispatch.Method.FIRE_30: Decimal(250),
    Dispatch.Method.FIRE_50: Decimal(250),
    Dispatch.Method.SCREEN_FIRE: Decimal(1000),
}
MOST_SHOWN = 20
# Of a zone with more assays the newest count: beyond these another one hardly narrows anything (our own limit).
MOST_ASSAYS = 600
# What a gain is told for, in the group's own currency.
PER_MONEY = 10.0
# Lots one may take a split of, and splits that wait to be sent.
KINDS = (
    Lot.Kind.BUCKET,
    Lot.Kind.CRUSHED,
    Lot.Kind.UNDERSIZE,
    Lot.Kind.SPLIT,
    Lot.Kind.BLEND,
    Lot.Kind.PORTION,
    Lot.Kind.ASSAY_SPLIT,
)
# A laboratory's last word on a sample it gives no figure of: nothing more is waited for.
NO_FIGURE = (Reading.Symbol.NOT_ENOUGH, Reading.Symbol.NOT_RECEIVED, Reading.Symbol.NOT_ANALYSED)
NO_GRAIN = gettext_lazy(
    "Nothing tells how far chance moves an assay: no colours were counted by size in any pan. Type below what a typical grain "
    "weighs."
)


@dataclass(frozen=True)
class NextAsked:
    """`method` blank: every method with a price in the books. `price`, of that method only; blank: as in its last dispatch."""

    method: str = ""
    price: Decimal | None = None
    grain_mg: float | None = None


@dataclass(frozen=True)
class OnHand:
    """A lot that could be assayed."""

    lot: int
    code: str
    kind: str
    on_hand_g: float

    @property
    def is_split(self) -> bool:
        """Whether it is taken for assay already."""
        return self.kind == Lot.Kind.ASSAY_SPLIT


@dataclass(frozen=True)
class Offer:
    """One assay that could be bought, before it is written; `after` is what it would do to its zone's mean."""

    lot: OnHand
    zone: int
    method: str
    price: Decimal | None
    after: "Narrowed"
    for_price: float | None


@dataclass(frozen=True)
class Stock:
    """Lots on hand with their digs, which lots wait for a laboratory's answer, and the last price of each method.

    Lots and digs are plain rows, made into more only where something is reckoned.
    """

    lot_rows: Sequence[tuple]
    share_rows: Sequence[tuple]
    waiting: Sequence[int]
    prices: Mapping[str, Decimal]
    last_method: str

    @cached_property
    def lots(self) -> list[OnHand]:
        return [OnHand(*row) for row in self.lot_rows]

    @cached_property
    def shares(self) -> dict[int, list[tuple[int, int, float]]]:
        """Lot to its digs, zones and shares."""
        return by_lot(self.share_rows)

    def fingerprint(self) -> str:
        prices = [(method, str(price)) for method, price in self.prices.items()]
        return rows_sha256([self.lot_rows, self.share_rows, self.waiting, prices, self.last_method])


@dataclass(frozen=True)
class Choice:
    """One assay that could be bought, as the table lists it."""

    code: str
    url: str
    take_url: str
    zone: str
    zone_url: str
    method: str
    needed_text: str
    mean_text: str
    now_text: str
    after_text: str
    now_bare: str
    after_bare: str
    narrower: float
    price_text: str
    for_price: float | None
    adds_dig: bool
    is_split: bool

    @property
    def narrower_text(self) -> str:
        if self.narrower >= 1:
            return phrase("{times} times its mean", times=figure(self.narrower, 2))
        return phrase("{share} of its mean", share=units.format_share(round(self.narrower, 4)))

    @property
    def for_price_text(self) -> str:
        return "" if self.for_price is None else units.format_share(round(self.for_price, 5))


@dataclass(frozen=True)
class Unknown:
    """A zone with too little to reckon, or with assays that contradict each other; lots of it that would bring further digs."""

    zone: str
    url: str
    digs: int
    more: int
    lots: Sequence[tuple[str, str]]
    is_contradictory: bool


@dataclass(frozen=True)
class Ranking:
    choices: Sequence[Choice]
    more: int
    unknown: Sequence[Unknown]
    sentences: Sequence[str]
    refusal: str
    with_price: bool
    unit: str
    working: Working | None


def read_stock() -> Stock:
    """Lots one may take a split of: in stock, not held back, not marked, not kept for a run."""
    kept = PlannedRun.objects.open().filter(portion__isnull=False).values("portion")
    lots = (
        Lot.objects.in_stock()
        .of_kind(*KINDS)
        .filter(reserve_reason="", is_marked=False, sample__isnull=True)
        .exclude(pk__in=kept)
    )
    dispatches = Dispatch.objects.filter(sent_on__isnull=False).order_by("sent_on", "pk")
    told = list(dispatches.values_list("method", "price_per_sample"))
    return Stock(
        lot_rows=list(lots.order_by("pk").values_list("pk", "code", "kind", as_float("on_hand_g"))),
        share_rows=share_rows(Origin.objects.filter(lot__in=lots.values("pk"))),
        waiting=_waiting(),
        prices={method: price for method, price in told if price is not None and method in NEEDED_G},
        last_method=next((method for method, _ in reversed(told) if method in NEEDED_G), ""),
    )


def _waiting() -> list[int]:
    """Lots of samples packed or sent that still may get a value."""
    given_up = Reading.objects.standing().filter(symbol__in=NO_FIGURE).values("sample")
    samples = Sample.objects.of_ground().filter(in_use_symbol="").exclude(pk__in=given_up)
    return list(samples.order_by("lot_id").values_list("lot_id", flat=True))


def next_assays(books: Books, stock: Stock, asked: NextAsked, *, grade_unit: str, mass_unit: str) -> Ranking:
    """Rank the assays that could be bought."""
    grain = grain_of(books.counted, typed_mg=asked.grain_mg, weighed=len(books.pans))
    if grain is None:
        return Ranking([], 0, [], [], str(NO_GRAIN), False, "", None)
    sides = sides_of(books, grain_mg=grain.high_mg, without_failed=False)
    offered = _offered(stock, asked)
    assays = _assays_by_zone(sides)
    reckoned = _reckoned(sides, assays)
    known = {zone: found for zone, found in reckoned.items() if not found.is_contradictory}
    candidates, waiting, mixed = _candidates(sides, stock)
    offers = [
        offer
        for zone, lots in candidates.items()
        if zone in known
        for offer in _offers(lots, zone, known[zone], offered, stock, sides)
    ]
    with_price = any(price is not None for price in offered.values())
    offers.sort(
        key=lambda each: (
            -(each.for_price if with_price and each.for_price is not None else 0),
            -each.after.by_share,
            each.lot.code,
        )
    )
    offers = _best_of_each(offers)
    choices = [_choice(each, known[each.zone], books, grade_unit, mass_unit) for each in offers[:MOST_SHOWN]]
    return Ranking(
        choices=choices,
        more=max(0, len(offers) - MOST_SHOWN),
        unknown=_unknown(books, known, reckoned, assays, candidates, stock),
        sentences=[
            *_sentences(choices, waiting, mixed, with_price),
            *_failed_sentence([each for zone in known for each in _counted(assays[zone])]),
        ],
        refusal="",
        with_price=with_price,
        unit=units.UNIT_NAMES[grade_unit],
        working=_working(known, assays, grain, books, grade_unit) if known else None,
    )


def _best_of_each(offers: "Sequence[Offer]") -> "list[Offer]":
    """Of each lot the method that stands highest."""
    best: dict[int, Offer] = {}
    for offer in offers:
        best.setdefault(offer.lot.lot, offer)
    return list(best.values())


def _offered(stock: Stock, asked: NextAsked) -> dict[str, Decimal | None]:
    """The methods to choose from, each with its price; None where none is known."""
    if asked.method:
        return {asked.method: asked.price if asked.price is not None else stock.prices.get(asked.method)}
    if stock.prices:
        return dict(stock.prices)
    return {stock.last_method or Dispatch.Method.FIRE_30: None}


def _assays_by_zone(sides: Sides) -> dict[int, list[Assay]]:
    """The assays of each zone's own lots, the first sent first."""
    by_zone: dict[int, list[Assay]] = defaultdict(list)
    for assays in sides.assays.values():
        for assay in assays:
            zone = sides.books.zone_of(assay.lot)
            if zone is not None and assay.charge_g:
                by_zone[zone].append(assay)
    for assays in by_zone.values():
        assays.sort(key=lambda assay: (assay.sent_on, assay.pk))
    return by_zone


def _counted(assays: Sequence[Assay]) -> Sequence[Assay]:
    return assays[-MOST_ASSAYS:]


def _reckoned(sides: Sides, by_zone: Mapping[int, Sequence[Assay]]) -> dict:
    """Each zone with enough assayed digs, as `calc.next_assay.Zone`."""
    from trials.calc.next_assay import FEWEST_DIGS, Zone, digs_of

    found = {}
    for zone, assays in by_zone.items():
        told = _as_told(sides, _counted(assays))
        if told and len(told) >= FEWEST_DIGS and digs_of(told) >= FEWEST_DIGS:
            found[zone] = Zone(told, LEVEL)
    return found


def _as_told(sides: Sides, assays: Sequence[Assay]) -> list:
    """The assays as `calc.next_assay` takes them; the chance of each at the zone's mean, so that no lucky one counts for more."""
    from trials.calc.field_against_laboratory import plain_mean
    from trials.calc.next_assay import Assayed

    grades = [_counted_grade(assay) for assay in assays]
    mean = plain_mean(grades)
    if not mean:
        return []
    sd = cache(partial(_sd, mean, sides))
    return [
        Assayed(
            grade,
            sd(assay.charge_g, assay.method),
            {dig: share for dig, _, share in sides.books.shares[assay.lot]},
        )
        for grade, assay in zip(grades, assays, strict=True)
    ]


def _counted_grade(assay: Assay) -> float:
    low, high = assay_bounds(assay)
    return low if high is None else high


def _sd(mean: float, sides: Sides, charge_g: float, method: str) -> float:
    """The chance of one assay at this grade in g/t: of the grains in its charge, or what duplicates of the method show."""
    from trials.calc.next_assay import assay_sd, no_less_than

    by_grains = assay_sd(mean, gold_mg(mean, charge_g), sides.grain_mg)
    return no_less_than(by_grains, mean, sides.method_cvs.get(method, 0.0))


def _candidates(sides: Sides, stock: Stock) -> tuple[dict[int, list[OnHand]], int, int]:
    """Of each zone the heaviest lot of each material on hand; how many wait for an answer, how many are of several zones."""
    waiting = {sides.materials.of(lot) for lot in stock.waiting} - {None}
    heaviest: dict[int, OnHand] = {}
    for lot in stock.lots:
        material = sides.materials.of(lot.lot)
        if material is None or material in waiting:
            continue
        if material not in heaviest or lot.on_hand_g > heaviest[material].on_hand_g:
            heaviest[material] = lot
    by_zone: dict[int, list[OnHand]] = defaultdict(list)
    mixed = 0
    for lot in heaviest.values():
        zones = {zone for _, zone, _ in stock.shares.get(lot.lot, ())}
        if len(zones) == 1:
            by_zone[zones.pop()].append(lot)
        else:
            mixed += 1
    return by_zone, len(waiting), mixed


def _offers(
    lots: Sequence[OnHand], zone: int, known: "Zone", offered, stock: Stock, sides: Sides
) -> list[Offer]:
    """What each method would do for the zone with each of its lots; none where too little is left of a lot."""
    from trials.calc.next_assay import Candidate, for_its_price

    shares = {lot.lot: {dig: share for dig, _, share in stock.shares[lot.lot]} for lot in lots}
    asked = [
        (lot, method, price)
        for lot in lots
        for method, price in offered.items()
        if lot.on_hand_g >= NEEDED_G[method]
    ]
    # The same for every lot of one kind.
    sd = cache(partial(_sd, known.now.mean, sides))
    after = known.after(
        [Candidate(sd(_charge_g(lot, method), method), shares[lot.lot]) for lot, method, _ in asked]
    )
    return [
        Offer(
            lot,
            zone,
            method,
            price,
            narrowed,
            None if price is None else for_its_price(narrowed.by_share, float(price), PER_MONEY),
        )
        for (lot, method, price), narrowed in zip(asked, after, strict=True)
    ]


def _charge_g(lot: OnHand, method: str) -> float:
    """What would be assayed of it: a split ready to send goes whole."""
    return CHARGES_G.get(method) or (lot.on_hand_g if lot.is_split else float(NEEDED_G[method]))


def _choice(offer: Offer, known: "Zone", books: Books, grade_unit: str, mass_unit: str) -> Choice:
    lot, now, after = offer.lot, known.now, offer.after
    return Choice(
        code=lot.code,
        url=reverse("lot-detail", args=[lot.code]),
        take_url="" if lot.is_split else reverse("lot-take-for-assay", args=[lot.code]),
        zone=books.zones[offer.zone],
        zone_url=reverse("zone-detail", args=[offer.zone]),
        method=str(Dispatch.Method(offer.method).label),
        needed_text=units.format_mass(lot.on_hand_g if lot.is_split else NEEDED_G[offer.method], mass_unit),
        mean_text=units.format_grade(now.mean, grade_unit),
        now_text=f"±{units.format_grade(now.half_width, grade_unit)}",
        after_text=f"±{units.format_grade(after.half_width, grade_unit)}",
        now_bare=f"{_bare(units.format_grade(now.mean, grade_unit))} ±{_half(now.half_width, grade_unit)}",
        after_bare=f"±{_half(after.half_width, grade_unit)}",
        narrower=after.by_share,
        price_text="" if offer.price is None else numeral(offer.price, "f"),
        for_price=offer.for_price,
        adds_dig=after.adds_dig,
        is_split=lot.is_split,
    )


def _unknown(books: Books, known, reckoned, assays, candidates, stock: Stock) -> list[Unknown]:
    from trials.calc.next_assay import FEWEST_DIGS

    found = []
    for zone, name in books.zones.items():
        if zone in known:
            continue
        assayed = {dig for assay in assays.get(zone, ()) for dig, _, _ in books.shares[assay.lot]}
        new = [
            lot
            for lot in candidates.get(zone, ())
            if any(dig not in assayed for dig, _, _ in stock.shares[lot.lot])
        ]
        if not new and not assayed:
            continue
        found.append(
            Unknown(
                zone=name,
                url=reverse("zone-detail", args=[zone]),
                digs=len(assayed),
                more=max(1, FEWEST_DIGS - len(assayed)),
                lots=[(lot.code, reverse("lot-detail", args=[lot.code])) for lot in new[:3]],
                is_contradictory=zone in reckoned,
            )
        )
    return found


def _sentences(choices: Sequence[Choice], waiting: int, mixed: int, with_price: bool) -> list[str]:
    said = []
    if choices:
        best = choices[0]
        parts = {"lot": best.code, "zone": best.zone, "method": _lower(best.method)}
        most = (
            phrase("Most for its price: {lot} of {zone} by {method}.", **parts)
            if with_price
            else phrase("Most narrowing: {lot} of {zone} by {method}.", **parts)
        )
        mean = phrase(
            "The zone's mean, now {mean}, would then be known to {after} instead of {now} ({level} confidence).",
            mean=best.mean_text,
            after=best.after_text,
            now=best.now_text,
            level=units.format_share(LEVEL),
        )
        said.append(f"{most} {mean}")
        if not with_price:
            said.append(
                phrase(
                    "No price is in the books, so they are ranked by the gain alone: choose a method and type its price below."
                )
            )
        said.append(
            phrase(
                "Expected, not promised: an assay far from the others may widen the interval, and then it said something new."
            )
        )
    if waiting:
        said.append(
            phrase_counted(
                "{number} lot has a split packed for, or at, a laboratory already and is not ranked.",
                "{number} lots have a split packed for, or at, a laboratory already and are not ranked.",
                waiting,
            )
        )
    if mixed:
        said.append(
            phrase_counted(
                "{number} lot of several zones is left out: one grade for all of them narrows none.",
                "{number} lots of several zones are left out: one grade for all of them narrows none.",
                mixed,
            )
        )
    return said


def _failed_sentence(counted: Sequence[Assay]) -> list[str]:
    failed = sum(assay.has_failed for assay in counted)
    if not failed:
        return []
    return [
        phrase_counted(
            "{number} of the values rests on a return with a failed check.",
            "{number} of the values rest on a return with a failed check.",
            failed,
        )
    ]


def _bare(text: str) -> str:
    return text.partition(" ")[0]


def _half(half_g_per_t: float, grade_unit: str) -> str:
    """Half an interval to two figures, which is as well as it is known; its unit stands in the table's caption."""
    return figure(float(units.convert_grade(half_g_per_t, "g_per_t", grade_unit)), 2)


def _lower(method: str) -> str:
    return f"{method[:1].lower()}{method[1:]}"


def _working(known, assays, grain, books: Books, grade_unit: str) -> Working:
    rows = []
    for zone, found in known.items():
        now = found.now
        inputs = _assay_inputs(assays[zone], grade_unit)
        rows.append(
            WorkingRow(
                phrase("{zone}: its mean as it is known now", zone=books.zones[zone]),
                phrase(
                    "generalised least squares over lots; digs lie apart by one sd s beyond the assays' own chance; half the "
                    "interval = t × standard error, t for digs − 1"
                ),
                inputs
                + (
                    (phrase("digs lie apart by, sd"), units.format_grade(now.between_sd, grade_unit), "", ""),
                ),
                phrase(
                    "{mean} ± {half} ({level}, {digs} digs)",
                    mean=units.format_grade(now.mean, grade_unit),
                    half=units.format_grade(now.half_width, grade_unit),
                    level=units.format_share(now.level),
                    digs=now.digs,
                ),
                "",
                phrase("R. DerSimonian and N. Laird, Controlled Clinical Trials 7 (1986) 177 (from memory)"),
            )
        )
    rows.append(
        WorkingRow(
            phrase("After one more assay"),
            phrase(
                "the same with one more row: the lot's digs by their shares, and the chance of its charge √(grain ÷ "
                "gold in the charge) at the zone's mean"
            ),
            ((phrase("grain, mean weighted by mass"), grain.words, "", ""),),
        )
    )
    return Working(
        rows=tuple(rows),
        assumptions=(
            phrase(
                "Narrower is the difference of the two halves over the zone's mean, so that poor and rich zones "
                "compare; divided by the price it ranks."
            ),
            phrase("Half an interval larger than the mean itself says that the mean is hardly known."),
            phrase(
                "Only lots that are all of one zone count and are ranked. A value below or above its limit counts as the limit "
                "here: good enough to rank by, not a grade."
            ),
            phrase(
                "What a laboratory needs at least: {methods} (common practice, no source). Ask yours.",
                methods=", ".join(
                    f"{Dispatch.Method(m).label} {figure(float(g))} g" for m, g in NEEDED_G.items()
                ),
            ),
        ),
    )


def _assay_inputs(assays: Sequence[Assay], grade_unit: str) -> tuple[tuple[str, str, str, str], ...]:
    """The latest assays that count, each with the mark of its return, and how many there are where not all are shown."""
    inputs = tuple(
        (
            assay.code,
            units.format_grade(_counted_grade(assay), grade_unit),
            f"({assay.mark})" if assay.mark else "",
            _return_url(assay),
        )
        for assay in assays[-MOST_SHOWN:]
    )
    if len(assays) > MOST_SHOWN:
        inputs += (
            (
                phrase("assays shown"),
                phrase("the latest {number} of {assays}", number=MOST_SHOWN, assays=len(assays)),
                "",
                "",
            ),
        )
    if len(assays) > MOST_ASSAYS:
        inputs += (
            (
                phrase("assays counted"),
                phrase("the latest {number} of {assays}", number=MOST_ASSAYS, assays=len(assays)),
                "",
                "",
            ),
        )
    return inputs


def _return_url(assay: Assay) -> str:
    return reverse("return-detail", args=[assay.assay_return])
