"""What a zone's digs show, in sentences: means and when to trust which, trend, what the richest result does, other methods."""

from collections.abc import Sequence
from dataclasses import dataclass

from django.utils import dateformat

from prospecting.calc import units
from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.number_words import numeral
from prospecting.calc.zone_digs import DigValue, WithoutRichest, method_changes
from trials.frames.results import grade_text, mean_text
from trials.frames.zone_results import ResultList

# Grades whose richest result moves the mean by this part or more hang on that one result (common practice, no source).
MOVES_IT = 0.1


@dataclass(frozen=True)
class MeanLine:
    """One way to the mean: its name, what it comes to, and when to trust it."""

    name: str
    value: str
    trust: str


@dataclass(frozen=True)
class MethodChange:
    """Where the method changed: the digs on both sides by their places in the order, and the sentence."""

    place: int
    sentence: str


@dataclass(frozen=True)
class TrendWords:
    kind: str
    headline: str
    sentences: Sequence[str]


def independent_digs(number: int) -> str:
    return phrase_counted("{number} independent dig", "{number} independent digs", number)


def known_values(values: Sequence[DigValue]) -> tuple[list[float], list[bool]]:
    """Grades, limits where a dig lies below one; of a dig above its method's limit that limit."""
    grades = [value.high_g_per_t if value.is_below else value.middle_g_per_t for value in values]
    return grades, [value.is_below for value in values]


def mean_lines(values: Sequence[DigValue], grade_unit: str) -> list[MeanLine]:
    """The means of these digs, each dig once, with the words for when to trust which."""
    from prospecting.calc.zone_means import means_of_digs

    if not values:
        return []
    grades, below = known_values(values)
    found = means_of_digs(grades, below)

    def text(grade: float) -> str:
        return units.format_grade(grade, grade_unit)

    plain = text(found.plain_low)
    if found.below:
        plain = phrase("{low} to {high}", low=text(found.plain_low), high=text(found.plain_high))
    lines = [MeanLine(phrase("Plain mean of the digs"), plain, _plain_trust(values))]
    if found.bootstrap:
        lines.append(
            MeanLine(
                phrase("Its 95 % interval by drawing the digs again"),
                phrase("{low} to {high}", low=text(found.bootstrap.low), high=text(found.bootstrap.high)),
                phrase(
                    "Believes nothing about the shape of the grades. With under some ten digs too short on the high "
                    "side: no drawing knows the nugget that was missed."
                ),
            )
        )
    if found.lognormal is not None:
        lines.append(
            MeanLine(
                phrase("Lognormal mean (Sichel's t)"),
                phrase(
                    "{mean}; upper 95 % limit {limit} (Land)",
                    mean=text(found.lognormal),
                    limit=text(found.land_upper),
                ),
                phrase(
                    "Better than the plain mean while the logarithms of the grades scatter evenly and digs are few; "
                    "wrong where two kinds of rock are mixed. A limit far above all results says that the digs are "
                    "too few."
                ),
            )
        )
    if found.kaplan_meier is not None:
        lines.append(
            MeanLine(
                phrase("With limits kept as limits (Kaplan-Meier)"),
                text(found.kaplan_meier),
                phrase(
                    "For digs below a limit. Believes nothing about the shape; trust it up to about half of the digs below."
                ),
            )
        )
    if found.line_through_detects is not None:
        lines.append(
            MeanLine(
                phrase("Limits read off a line through the detected digs"),
                text(found.line_through_detects),
                phrase(
                    "For digs below a limit with some ten detected ones or more: believes that logarithms follow a "
                    "straight line."
                ),
            )
        )
    if found.most_above_it is not None:
        lines.append(
            MeanLine(
                phrase("Digs that may lie above {limit}", limit=text(found.highest_limit)),
                phrase(
                    "at most {share} of them (one-sided 95 % limit)",
                    share=units.format_share(found.most_above_it),
                ),
                phrase("All digs lie below their limits: such a set has no mean, only this."),
            )
        )
    if found.median is not None:
        lines.append(
            MeanLine(
                phrase("Middle dig"),
                text(found.median),
                phrase("A typical dig, not the mean: gold lies in the few rich ones."),
            )
        )
    return lines


def _plain_trust(values: Sequence[DigValue]) -> str:
    if len(values) < 3:
        return phrase_counted(
            "{number} dig: no interval can be given, and one more dig may change it altogether.",
            "{number} digs: no interval can be given, and one more dig may change it altogether.",
            len(values),
        )
    if any(value.is_above for value in values):
        return phrase(
            "Some digs lie above their method's limit, which counts here in their place: it reads low."
        )
    return phrase("Always right on the average over many such sets of digs; a single rich dig moves it.")


def influence(results: ResultList, grade_unit: str) -> str:
    """What the mean would be without the richest result; blank where there is only one."""
    from prospecting.calc.zone_columns import without_richest

    found = without_richest(results.columns)
    if found is None:
        return ""
    richest = results[found.richest]
    if richest.is_below:
        return ""
    before, after = mean_text(found.all_of_them, grade_unit), mean_text(found.without, grade_unit)
    parts = {"result": richest.label, "lot": richest.lot, "grade": grade_text(richest, grade_unit)}
    told = (
        phrase(
            "{result} of {lot}, {grade}, {share} of it from here",
            share=units.format_share(richest.share),
            **parts,
        )
        if richest.share < 1
        else phrase("{result} of {lot}, {grade}", **parts)
    )
    if before == after:
        return phrase("Without the richest result ({result}) the mean stays {mean}.", result=told, mean=after)
    falls = phrase(
        "Without the richest result ({result}) the mean falls from {before} to {after}.",
        result=told,
        before=without_unit(before, after),
        after=after,
    )
    hangs = phrase("It hangs on that one result.") if _moved(found) else ""
    return f"{falls} {hangs}".strip()


def without_unit(text: str, other: str) -> str:
    """The first of two figures without its unit, which the second carries; as it is where it is more than a figure.

    >>> without_unit("9.0 g/t", "5.0 g/t"), without_unit("at least 9.0 g/t", "5.0 g/t")
    ('9.0', 'at least 9.0 g/t')
    """
    number, _, unit = text.partition(" ")
    return number if other.partition(" ")[2] == unit else text


def _moved(found: WithoutRichest) -> bool:
    return found.falls_by is None or found.falls_by >= MOVES_IT


def changes_of(values: Sequence[DigValue]) -> list[MethodChange]:
    """Where nothing is done any more as it was at the dig before, in the order of days."""
    changes = []
    for place in method_changes([value.methods for value in values]):
        before, after = (_listed(values[at].methods) for at in (place - 1, place))
        said = phrase(
            "From the dig of {day} on: {after}; before: {before}.",
            day=dateformat.format(values[place].day, "d M Y"),
            after=after,
            before=before,
        )
        changes.append(MethodChange(place, said))
    return changes


def _listed(methods: frozenset[str]) -> str:
    return phrase(", or ").join(sorted(methods))


def trend_words(
    values: Sequence[DigValue],
    at: Sequence[float],
    *,
    along: str,
    what: str,
    grade_unit: str,
    length_unit: str = "m",
) -> TrendWords:
    """Whether the grades of these digs, in their order along `along` ("time" or "depth"), rise or fall; `what` pans or assays."""
    from trials.calc.zone_trend import FEWEST_DIGS, zone_trend

    grades, below = known_values(values)
    found = zone_trend(at, grades, below)
    through = phrase("with time") if along == "time" else phrase("with depth")
    per = phrase("a month (30 days)") if along == "time" else phrase("per {unit} down", unit=length_unit)
    digs = independent_digs(found.digs)
    if found.kind == "too few":
        why = phrase(
            "{digs}: a trend takes {fewest} or more, at three places or more and not all of one grade. With fewer, chance "
            "alone puts them all in rising order too often.",
            digs=digs,
            fewest=FEWEST_DIGS,
        )
        headline = phrase("{what}: too few digs to tell a trend {through}.", what=what, through=through)
        return TrendWords("too few", headline, [why])
    sentences = [
        phrase(
            "Of {pairs} pairs of digs {rising} rise {through}; on {digs}, one value each.",
            pairs=found.pairs,
            rising=found.rising,
            through=through,
            digs=digs,
        ),
        phrase(
            "Middle of all slopes {slope} {per}{interval}.",
            slope=_slope(found.slope, grade_unit),
            per=per,
            interval=_slope_interval(found.interval, grade_unit),
        ),
    ]
    if found.kind == "not shown":
        headline = phrase("{what}: no trend {through} is shown.", what=what, through=through)
        if found.seen_ratio is not None and found.seen_ratio <= 100:
            sentences.append(
                phrase(
                    "These digs could have seen a change to {times} times as much, or as little, between the first and the "
                    "last, 8 times in 10; smaller ones they can't tell.",
                    times=numeral(found.seen_ratio, ".2g"),
                )
            )
        else:
            sentences.append(
                phrase("Digs that scatter so far could have seen no change short of a hundredfold.")
            )
    else:
        headline = (
            phrase(
                "{what}: the grade rises {through}; chance alone does that in fewer than 1 of 20 zones.",
                what=what,
                through=through,
            )
            if found.kind == "rises"
            else phrase(
                "{what}: the grade falls {through}; chance alone does that in fewer than 1 of 20 zones.",
                what=what,
                through=through,
            )
        )
    if found.ties_below > 1:
        sentences.append(
            phrase(
                "{number} digs lie at or below the highest limit: which of them is richer nobody knows, so they count alike.",
                number=found.ties_below,
            )
        )
    if method_changes([value.methods for value in values]):
        sentences.append(
            phrase(
                "The method changed on the way, and a change of method looks just like a trend: compare within one "
                "method before believing this."
            )
        )
    return TrendWords(found.kind, headline, sentences)


def _slope(slope: float, grade_unit: str) -> str:
    sign = "+" if slope > 0 else "−" if slope < 0 else ""
    return f"{sign}{units.format_grade(abs(slope), grade_unit)}"


def _slope_interval(interval, grade_unit: str) -> str:
    low, high = interval.low, interval.high
    if low == -float("inf") or high == float("inf"):
        return phrase(", with no limit that so few digs could give")
    bare = _slope(low, grade_unit).partition(" ")[0]
    return " " + phrase("({low} to {high}, 95 % interval)", low=bare, high=_slope(high, grade_unit))
