"""Which zone is richer, how sure, on how many independent digs: every zone's digs as the unit, pans and assays apart."""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import inf

from django.db.models import Count, Q
from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.number_words import numeral
from prospecting.calc.zone_digs import DigValue
from prospecting.calc.zone_grade import ASSAY, PAN
from prospecting.models import Dig, Zone
from trials.frames.zone_results import GroundDig, ZoneResults, in_place, results_from, values_by_dig
from trials.frames.zone_rows import ZoneRows
from trials.frames.zone_words import independent_digs, known_values

MOST_ZONES = 6
DEFAULT_MARGIN = 1.5
# Material that is never compared with another sort.
SORTS: tuple[tuple[dict[str, str], Callable[[GroundDig], bool]], ...] = (
    (
        {
            PAN: gettext_lazy("Pans of material as it lay"),
            ASSAY: gettext_lazy("Assays of material as it lay"),
        },
        in_place,
    ),
    (
        {PAN: gettext_lazy("Pans of picked pieces"), ASSAY: gettext_lazy("Assays of picked pieces")},
        lambda dig: dig.kind == Dig.SampleKind.SELECT,
    ),
    (
        {PAN: gettext_lazy("Pans of dumps"), ASSAY: gettext_lazy("Assays of dumps")},
        lambda dig: dig.kind == Dig.SampleKind.DUMP,
    ),
)


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
        for titles, wanted in SORTS:
            values = {
                zone: digs
                for zone, of_zone in zip(zones, found, strict=True)
                if (digs := values_by_dig(of_zone, kind, wanted))
            }
            if values:
                groups.append(_sorted(str(titles[kind]), values, zones, found, margin, grade_unit))
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
        left_over = phrase("No such dig with a result of its own: {zones}.", zones=", ".join(without))
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
        middle=phrase("below a limit") if middle is None else units.format_grade(middle, grade_unit),
        span=low if low == high else phrase("{low} to {high}", low=low.partition(" ")[0], high=high),
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
    wins = phrase_counted(
        "Of {number} pair of digs, one from each zone, the one from {zone} is the richer in {wins}.",
        "Of {number} pairs of digs, one from each zone, the one from {zone} is the richer in {wins}.",
        shown.pairs_of_digs,
        zone=a,
        wins=numeral(shown.wins, "g"),
    )
    on = phrase(
        "On {digs} of {zone} and {other_digs} of {other}.",
        digs=independent_digs(shown.first_digs),
        zone=a,
        other_digs=independent_digs(shown.second_digs),
        other=b,
    )
    times = phrase(
        "A dig of {zone} gives about {ratio} times what one of {other} gives{interval}.",
        zone=a,
        ratio=_ratio(shown.ratio),
        other=b,
        interval=interval,
    )
    if shown.kind == "better":
        within = (
            phrase("Even so the two lie within {margin} times of each other.", margin=numeral(margin, "g"))
            if shown.within_margin
            else ""
        )
        return PairVerdict(
            "better",
            phrase("{zone} is richer than {other}.", zone=a, other=b),
            f"{times} {wins} {on} {within}".strip(),
            _cautions(first, second, values),
        )
    if shown.kind == "equivalent":
        return PairVerdict(
            "equivalent",
            phrase(
                "{zone} and {other} are equally rich within {margin} times, either way.",
                zone=a,
                other=b,
                margin=numeral(margin, "g"),
            ),
            f"{times} {on}",
            _cautions(first, second, values),
        )
    return PairVerdict(
        "not shown",
        phrase("Which of {zone} and {other} is the richer is not shown.", zone=a, other=b),
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
    lower = phrase("no lower limit") if shown.lower == 0 else _ratio(shown.lower)
    upper = phrase("no upper limit") if shown.upper == inf else _ratio(shown.upper)
    if compared > 1:
        return " " + phrase(
            "({low} to {high}; 95 % interval, all {pairs} pairs of zones taken together)",
            low=lower,
            high=upper,
            pairs=compared,
        )
    return " " + phrase("({low} to {high}; 95 % interval)", low=lower, high=upper)


def _ratio(ratio: float) -> str:
    from trials.calc.verdict import written

    return phrase("countless") if ratio == inf else written(ratio)


def _sight(shown, margin: float, compared: int) -> str:
    from trials.calc.verdict import rounded_up

    if shown.lower is None:
        few = phrase(
            "So few digs can't tell: even were every one of one zone richer than all of the other, chance does that too often."
        )
        takes = (
            phrase_counted(
                "It takes {number} dig of each zone at the least with {pairs} pairs of zones looked at together.",
                "It takes {number} digs of each zone at the least with {pairs} pairs of zones looked at together.",
                shown.fewest_digs,
                pairs=compared,
            )
            if compared > 1
            else phrase_counted(
                "It takes {number} dig of each zone at the least.",
                "It takes {number} digs of each zone at the least.",
                shown.fewest_digs,
            )
        )
        could = f"{few} {takes}"
    elif shown.seen_ratio is None or shown.seen_ratio > 100:
        could = phrase("These digs could have seen nothing short of a hundredfold difference.")
    else:
        could = phrase(
            "These digs could have seen {times} times as much or more, 8 times in 10.",
            times=rounded_up(shown.seen_ratio),
        )
    if shown.digs_needed is None:
        return could
    needed = phrase(
        "About {digs} digs of each zone would see {margin} times, 8 times in 10.",
        digs=shown.digs_needed,
        margin=numeral(margin, "g"),
    )
    return f"{could} {needed}"


def _cautions(first: Zone, second: Zone, values: dict[Zone, list[DigValue]]) -> list[str]:
    one, other = (frozenset().union(*(value.methods for value in values[zone])) for zone in (first, second))
    if one & other:
        return []
    a, b = _names(first, second)
    return [
        phrase(
            "Nothing was done alike in the two zones: {zone} {methods}; {other} {other_methods}. A difference may be the "
            "method's.",
            zone=a,
            methods=phrase(", or ").join(sorted(one)),
            other=b,
            other_methods=phrase(", or ").join(sorted(other)),
        )
    ]
