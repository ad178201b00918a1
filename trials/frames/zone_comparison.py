"""Which zone is richer, how sure, on how many independent digs: every zone's digs as the unit, pans and assays apart."""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import inf

from django.db.models import Count, Q

from prospecting.calc import units
from prospecting.calc.number_words import numeral
from prospecting.calc.zone_digs import DigValue
from prospecting.calc.zone_grade import ASSAY, PAN
from prospecting.models import Dig, Zone
from trials.frames.zone_results import GroundDig, ZoneResults, in_place, results_from, values_by_dig
from trials.frames.zone_rows import ZoneRows
from trials.frames.zone_words import counted, known_values

MOST_ZONES = 6
DEFAULT_MARGIN = 1.5
# Material that is never compared with another sort.
SORTS: dict[str, Callable[[GroundDig], bool]] = {
    "of material as it lay": in_place,
    "of picked pieces": lambda dig: dig.kind == Dig.SampleKind.SELECT,
    "of dumps": lambda dig: dig.kind == Dig.SampleKind.DUMP,
}
NAMES = {PAN: "Pans", ASSAY: "Assays"}


@dataclass(frozen=True)
class ZoneLine:
    """A zone in the table: its independent digs, the results behind them, the middle dig and the range."""

    zone: Zone
    name: str
    digs: int
    results: int
    below: int
    middle: str
    span: str


@dataclass(frozen=True)
class PairVerdict:
    """What two zones show of each other, as `_verdict.html` shows it."""

    kind: str
    headline: str
    explanation: str
    cautions: Sequence[str]


@dataclass(frozen=True)
class Sorted:
    """Zones compared by results of one kind, of one sort of material; `dots` are (g/t, whether a limit) of each zone's digs."""

    title: str
    lines: Sequence[ZoneLine]
    verdicts: Sequence[PairVerdict]
    dots: dict[str, list[tuple[float, bool]]]
    left_over: str


def zones_to_compare() -> list[Zone]:
    """Every zone with a standing dig, those with most of them first."""
    stands = Q(digs__step__voided_at__isnull=True)
    zones = Zone.objects.select_related("claim").annotate(dig_count=Count("digs", filter=stands))
    return list(zones.filter(dig_count__gt=0).order_by("-dig_count", "claim__name", "name"))


def compare(zones: Sequence[Zone], rows: Sequence[ZoneRows], margin: float, grade_unit: str) -> list[Sorted]:
    """Each kind of result and sort of material of which any of these zones has independent digs."""
    found = [results_from(each) for each in rows]
    groups = []
    for kind in (PAN, ASSAY):
        for sort, wanted in SORTS.items():
            values = {
                zone: digs
                for zone, of_zone in zip(zones, found, strict=True)
                if (digs := values_by_dig(of_zone, kind, wanted))
            }
            if values:
                groups.append(_sorted(f"{NAMES[kind]} {sort}", values, zones, found, margin, grade_unit))
    return groups


def _sorted(
    title: str,
    values: dict[Zone, list[DigValue]],
    zones: Sequence[Zone],
    found: Sequence[ZoneResults],
    margin: float,
    grade_unit: str,
) -> Sorted:
    pairs = list(combinations(values, 2))
    without = [zone.name for zone in zones if zone not in values]
    left_over = ""
    if without:
        left_over = f"No such dig with a result of its own: {', '.join(without)}."
    return Sorted(
        title=title,
        lines=[_line(zone, _full_name(zone, values), digs, grade_unit) for zone, digs in values.items()],
        verdicts=[_verdict(pair, values, margin, len(pairs)) for pair in pairs],
        dots={_full_name(zone, values): _dots(digs) for zone, digs in values.items()},
        left_over=left_over,
    )


def _full_name(zone: Zone, values: Collection[Zone]) -> str:
    """With its claim where another of these zones is called alike."""
    return zone.name if sum(other.name == zone.name for other in values) == 1 else str(zone)


def _line(zone: Zone, name: str, digs: Sequence[DigValue], grade_unit: str) -> ZoneLine:
    from prospecting.calc.zone_means import means_of_digs

    grades, below = known_values(digs)
    middle = means_of_digs(grades, below).median
    low, high = (units.format_grade(grade, grade_unit) for grade in (min(grades), max(grades)))
    return ZoneLine(
        zone=zone,
        name=name,
        digs=len(digs),
        results=sum(value.results for value in digs),
        below=sum(below),
        middle="below a limit" if middle is None else units.format_grade(middle, grade_unit),
        span=low if low == high else f"{low.partition(' ')[0]} to {high}",
    )


def _dots(digs: Sequence[DigValue]) -> list[tuple[float, bool]]:
    grades, below = known_values(digs)
    return list(zip(grades, below, strict=True))


def _verdict(
    pair: tuple[Zone, Zone], values: dict[Zone, list[DigValue]], margin: float, compared: int
) -> PairVerdict:
    from trials.calc.zone_comparison import DigGrade, compare_zones, looks_richer

    def grades(zone: Zone) -> list[DigGrade]:
        return [
            DigGrade(value.low_g_per_t, inf if value.is_above else value.high_g_per_t)
            for value in values[zone]
        ]

    first, second = pair
    if not looks_richer(grades(first), grades(second)):
        first, second = second, first
    shown = compare_zones(grades(first), grades(second), margin, compared=compared)
    a, b = _names(first, second)
    interval = _interval(shown, compared)
    wins = (
        f"Of {counted(shown.pairs_of_digs, 'pair')} of digs, one from each zone, the one from {a} is the richer in "
        f"{numeral(shown.wins, 'g')}."
    )
    on = f"On {counted(shown.first_digs, 'independent dig')} of {a} and {counted(shown.second_digs, 'independent dig')} of {b}."
    times = f"A dig of {a} gives about {_ratio(shown.ratio)} times what one of {b} gives{interval}."
    if shown.kind == "better":
        within = (
            f" Even so the two lie within {numeral(margin, 'g')} times of each other."
            if shown.within_margin
            else ""
        )
        return PairVerdict(
            "better",
            f"{a} is richer than {b}.",
            f"{times} {wins} {on}{within}",
            _cautions(first, second, values),
        )
    if shown.kind == "equivalent":
        return PairVerdict(
            "equivalent",
            f"{a} and {b} are equally rich within {numeral(margin, 'g')} times, either way.",
            f"{times} {on}",
            _cautions(first, second, values),
        )
    return PairVerdict(
        "not shown",
        f"Which of {a} and {b} is the richer is not shown.",
        f"{times if shown.lower is not None else wins} {on} {_sight(shown, margin, compared)}",
        _cautions(first, second, values),
    )


def _names(first: Zone, second: Zone) -> tuple[str, str]:
    """With their claims where both zones are called alike."""
    if first.name == second.name:
        return str(first), str(second)
    return first.name, second.name


def _interval(shown, compared: int) -> str:
    if shown.lower is None:
        return ""
    together = f", all {compared} pairs of zones taken together" if compared > 1 else ""
    lower = "no lower limit" if shown.lower == 0 else _ratio(shown.lower)
    upper = "no upper limit" if shown.upper == inf else _ratio(shown.upper)
    return f" ({lower} to {upper}; 95 % interval{together})"


def _ratio(ratio: float) -> str:
    from trials.calc.verdict import written

    return "countless" if ratio == inf else written(ratio)


def _sight(shown, margin: float, compared: int) -> str:
    from trials.calc.verdict import rounded_up

    if shown.lower is None:
        together = f" with {compared} pairs of zones looked at together" if compared > 1 else ""
        could = (
            f"So few digs can't tell: even were every one of one zone richer than all of the other, chance does that too often. "
            f"It takes {counted(shown.fewest_digs, 'dig')} of each zone at the least{together}."
        )
    elif shown.seen_ratio is None or shown.seen_ratio > 100:
        could = "These digs could have seen nothing short of a hundredfold difference."
    else:
        could = (
            f"These digs could have seen {rounded_up(shown.seen_ratio)} times as much or more, 8 times in 10."
        )
    if shown.digs_needed is None:
        return could
    return f"{could} About {shown.digs_needed} digs of each zone would see {numeral(margin, 'g')} times, 8 times in 10."


def _cautions(first: Zone, second: Zone, values: dict[Zone, list[DigValue]]) -> list[str]:
    one, other = (frozenset().union(*(value.methods for value in values[zone])) for zone in (first, second))
    if one & other:
        return []
    a, b = _names(first, second)
    return [
        f"Nothing was done alike in the two zones: {a} {', or '.join(sorted(one))}; {b} "
        f"{', or '.join(sorted(other))}. A difference may be the method's."
    ]
