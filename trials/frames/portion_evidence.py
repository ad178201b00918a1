"""What one kind of result says of a blend: figures of calc in, a judged and worded piece of evidence out. No database."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.number_words import numeral
from trials.calc.portion_evidence import (
    ASSAYS,
    COLOURS,
    DUPLICATES,
    MOST_SAID,
    ONE_COLOUR,
    SAID_POWER,
    WEIGHTS,
    Floors,
    Grain,
    Placed,
    Portion,
    compare_duplicates,
    floors,
    is_telling,
    placed,
    reach,
    weighing_sd_mg,
)
from trials.calc.working import WorkingRow, figure, given

UNIFORM, NOT_SHOWN, UNEVEN, FEW = "uniform", "not shown", "uneven", "few"
WORDS = {
    UNIFORM: gettext_lazy("As uniform as it needs to be"),
    NOT_SHOWN: gettext_lazy("Not shown to be uneven"),
    UNEVEN: gettext_lazy("Uneven: portions differ more than chance"),
    FEW: gettext_lazy("Too few results to tell"),
}
TITLES = {
    WEIGHTS: gettext_lazy("Gold weighed"),
    COLOURS: gettext_lazy("Colours counted"),
    ASSAYS: gettext_lazy("One assay for each portion"),
    DUPLICATES: gettext_lazy("Assays in duplicate"),
}
# Portions whose unevenness shows only where it is larger than their mean tell nothing worth saying.
LEAST_TELLING = 1.0
LEAST_PORTIONS = 3
# What a laboratory's own repeatability adds; a published fire assay method accepts duplicates up to 20 % apart in relative sd.
ASSAY_SD = 0.1


@dataclass(frozen=True)
class Point:
    """A portion in the picture: its place in order, its amount and chance's band as multiples of what was expected."""

    place: int
    label: str
    url: str
    shown: str
    times: float
    band: tuple[float, float] | None
    is_below: bool

    @property
    def times_text(self) -> str:
        times = numeral(self.times, ".2f")
        return phrase("below {limit}", limit=times) if self.is_below else times

    @property
    def band_text(self) -> str:
        return (
            phrase("{low} to {high}", low=numeral(self.band[0], ".2f"), high=numeral(self.band[1], ".2f"))
            if self.band
            else ""
        )

    @property
    def is_outside(self) -> bool:
        return self.band is not None and not self.is_below and not self.band[0] <= self.times <= self.band[1]


@dataclass(frozen=True)
class Evidence:
    """What one kind of result says; `visible` is the unevenness it could have seen, None where it could not be tested."""

    kind: str
    outcome: str
    headline: str
    sentences: Sequence[str]
    points: Sequence[Point] = ()
    visible: float | None = None
    more: str = ""
    row: WorkingRow | None = None

    @property
    def title(self) -> str:
        return str(TITLES[self.kind])

    @property
    def word(self) -> str:
        return str(WORDS[self.outcome])


def of_weights(portions: Sequence[Portion], grain: Grain, differs: float, level: float) -> Evidence:
    """Gold weighed against the scatter of its grains; what is below the scale may be anything from nothing to its limit."""
    reading_sd = weighing_sd_mg([portion.step_mg for portion in portions])
    return _against_floor(WEIGHTS, portions, grain, differs, level, reading_sd=reading_sd)


def of_colours(portions: Sequence[Portion], differs: float, level: float) -> Evidence:
    """Colours against Poisson counts: the test is exact, the limits are not."""
    return _against_floor(COLOURS, portions, ONE_COLOUR, differs, level)


def of_assays(
    portions: Sequence[Portion], grain: Grain, differs: float, level: float, above: int = 0
) -> Evidence:
    """One assay for each portion against the scatter of the grains in a charge, the assay's own error allowed for."""
    # Its grains are those of the pans: none of them was counted in a charge.
    grain = replace(grain, is_counted=False)
    return _against_floor(
        ASSAYS, portions, grain, differs, level, relative_sd=ASSAY_SD, may_be_uniform=not above
    )


def of_duplicates(
    pairs: Sequence[tuple[Portion, Portion]], portion_floor: float | None, differs: float, level: float
) -> Evidence:
    """The test for sufficient homogeneity; `portion_floor` is the relative sd that counting gives whole portions, if known."""
    from prospecting.calc.homogeneity import EVEN
    from prospecting.calc.homogeneity import UNEVEN as FAILED

    found = compare_duplicates(pairs, portion_floor, differs, level)
    test, allowed = found.test, found.allowed
    points = [
        Point(place, portion.label, portion.url, portion.shown, times, None, False)
        for place, (pair, multiples) in enumerate(zip(pairs, found.multiples, strict=True), start=1)
        for portion, times in zip(pair, multiples, strict=True)
    ]
    if test is None:
        said = (phrase("All pairs agree to the last digit, so the laboratory's own spread is not known."),)
        return Evidence(DUPLICATES, FEW, phrase("The pairs are too alike to judge by"), said, points)
    seen = phrase(
        "{number} portions assayed twice: portions differ by {spread} among each other (relative standard deviation; at most "
        "{most}, {level}), the two assays of a portion by {assays}.",
        number=len(pairs),
        spread=percent(test.beyond),
        most=percent(test.beyond_high),
        level=_level(level),
        assays=percent(test.assay_sd),
    )
    may_stand = (
        phrase(
            "What may stand is {allowed}: {matters} that matters, and {chance} of counting chance.",
            allowed=percent(allowed),
            matters=percent(differs),
            chance=percent(portion_floor),
        )
        if portion_floor
        else phrase("What may stand is {allowed}.", allowed=percent(allowed))
    )
    seen = f"{seen} {may_stand}"
    power = (
        ""
        if test.found.has_power
        else (
            phrase(
                "The two assays of a portion lie too far apart for this test to see what matters. Larger charges or "
                "a screen fire assay would help more than more pairs."
            )
        )
    )
    if test.verdict == EVEN and is_telling(test.visible, allowed):
        outcome, headline = (
            UNIFORM,
            phrase("Portions differ by less than the {allowed} that may stand", allowed=percent(allowed)),
        )
    elif test.verdict == FAILED and portion_floor is not None:
        outcome, headline = (
            UNEVEN,
            phrase("Portions differ by about {spread}, more than may stand", spread=percent(test.beyond)),
        )
    elif test.visible > LEAST_TELLING:
        outcome, headline = FEW, phrase("{number} pairs are too few to tell", number=len(pairs))
    else:
        outcome, headline = NOT_SHOWN, _could_see(phrase("pairs"), len(pairs), test.visible)
    more = ""
    if outcome in (NOT_SHOWN, FEW):
        more = more_needed(len(pairs), test.units_that_would_tell, allowed, phrase("portions in duplicate"))
    unsure = (
        phrase(
            "They differ by more than that, but how much of it counting chance explains is not known: say below how heavy a "
            "typical grain is."
        )
        if test.verdict == FAILED and portion_floor is None
        else ""
    )
    outlying = test.found.cochran.pair if test.found.cochran.is_outlying else None
    pair_said = (
        phrase(
            "The two assays of {portion} lie wider apart than chance lets them: look at that pair before you "
            "believe any of this.",
            portion=pairs[outlying][0].label,
        )
        if outlying is not None
        else ""
    )
    row = WorkingRow(
        str(TITLES[DUPLICATES]),
        phrase(
            "D = a − b, S = a + b; MSw = ΣD² ÷ 2m; MSb = Σ(S − mean S)² ÷ 2(m − 1); between portions s² = (MSb − "
            "MSw) ÷ 2; uneven when s² > F1 (0.3 σp)² + F2 MSw, with 0.3 σp = what may stand × mean; limit: MSw ((MSb "
            "÷ MSw) ÷ F − 1) ÷ 2"
        ),
        (
            *(given(f"{a.label}, a", a.shown, "", a.url) for a, _ in pairs),
            *(given(f"{b.label}, b", b.shown, "", b.url) for _, b in pairs),
            given("F1", test.found.factors.f1),
            given("F2", test.found.factors.f2),
            given("MSb ÷ MSw", test.found.f_ratio),
        ),
        percent(test.beyond),
        phrase("between portions"),
        phrase(
            "Sufficient homogeneity: Fearn and Thompson 2001; Thompson, Ellison and Wood 2006; ISO 13528 annex B (from memory)"
        ),
    )
    sentences = [text for text in (seen, unsure, pair_said, power) if text]
    return Evidence(DUPLICATES, outcome, headline, sentences, points, test.visible, more, row)


def _against_floor(
    kind: str,
    portions: Sequence[Portion],
    grain: Grain,
    differs: float,
    level: float,
    *,
    reading_sd: float = 0.0,
    relative_sd: float = 0.0,
    may_be_uniform: bool = True,
) -> Evidence:
    held = floors(kind, portions, grain, differs, level, reading_sd=reading_sd, relative_sd=relative_sd)
    least, most, number = held.least, held.most, len(portions)
    seen, floor = least.relative_sd, least.floor
    below = sum(portion.amount is None for portion in portions)
    visible = needed = None
    if held.is_uneven:
        outcome = UNEVEN
        headline = phrase(
            "The portions scatter by {spread}; chance alone explains {chance}",
            spread=percent(seen),
            chance=percent(floor),
        )
    else:
        reached = reach(least, grain, reading_sd)
        visible, needed = reached.visible, reached.portions
        if may_be_uniform and held.stays_within and is_telling(visible, differs):
            outcome = UNIFORM
            headline = phrase(
                "Whatever unevenness there is stays under the {unevenness} that matters",
                unevenness=percent(differs),
            )
        elif number < LEAST_PORTIONS or visible > LEAST_TELLING:
            outcome = FEW
            headline = phrase(
                "{number} {portions} are too few to tell", number=number, portions=_portions(kind)
            )
        else:
            outcome, headline = NOT_SHOWN, _could_see(_portions(kind), number, visible)
    sentences = [
        phrase(
            "{number} {portions} scatter by {spread} of their mean (one standard deviation). Chance alone gives "
            "about {chance}: {why}.",
            number=number,
            portions=_portions(kind),
            spread=percent(seen),
            chance=percent(floor),
            why=_floor_words(kind, grain, held),
        ),
        phrase(
            "Beyond chance they differ by {spread}; at most by {most} ({level}).",
            spread=percent(least.beyond),
            most=percent(most.beyond_high),
            level=_level(level),
        )
        if most.beyond_high
        else phrase("They scatter even less than chance usually makes them."),
    ]
    if below:
        sentences.append(
            phrase_counted(
                "{number} of them is below the limit drawn, which is not zero: every value they could have was allowed for.",
                "{number} of them are below the limit drawn, which is not zero: every value they could have was allowed for.",
                below,
            )
        )
    if not grain.is_counted:
        sentences.append(
            phrase(
                "How heavy the grains are was not counted in these portions, which makes every limit here wide: "
                "colours counted by size class would sharpen it."
            )
        )
    row = WorkingRow(
        str(TITLES[kind]),
        phrase(
            "expected e = all the gold × mass ÷ all the mass; chance's variance v = {variance}; χ² = Σ (x − e)² ÷ v on {df} "
            "degrees of freedom; beyond chance: floor × √(χ² ÷ df − 1)",
            variance=_variance_words(kind),
            df=least.df,
        ),
        (
            *(given(portion.label, portion.shown, "", portion.url) for portion in portions),
            *(
                (given(phrase("g, a grain weighted by mass"), grain.high_mg, "mg"),)
                if kind != COLOURS
                else ()
            ),
            given("χ²", least.chi2),
            given(phrase("floor, √v ÷ e"), percent(floor)),
        ),
        percent(least.beyond),
        phrase("beyond chance"),
        _sources(kind),
    )
    return Evidence(
        kind,
        outcome,
        headline,
        sentences,
        _points(
            portions,
            placed(kind, portions, held.expected, grain, reading_sd=reading_sd, relative_sd=relative_sd),
        ),
        visible,
        more_needed(number, needed, differs, _portions(kind)) if outcome in (NOT_SHOWN, FEW) else "",
        row,
    )


def _points(portions: Sequence[Portion], places: Sequence[Placed]) -> list[Point]:
    return [
        Point(
            number,
            portion.label,
            portion.url,
            portion.shown,
            place.times,
            (place.low, place.high),
            portion.amount is None,
        )
        for number, (portion, place) in enumerate(zip(portions, places, strict=True), start=1)
    ]


def _could_see(what: str, number: int, visible: float) -> str:
    return phrase(
        "{number} {what} differ no more than chance lets them; an unevenness of {unevenness} would have shown ({power} chance)",
        number=number,
        what=what,
        unevenness=percent(visible),
        power=percent(SAID_POWER),
    )


def more_needed(number: int, needed: int | None, differs: float, what: str) -> str:
    said = {"unevenness": percent(differs), "power": percent(SAID_POWER), "what": what}
    if needed is None or needed > MOST_SAID:
        return phrase(
            "To tell an unevenness of {unevenness} from none ({power} chance to see it, 5 % to see what is not "
            "there) takes more than {most} {what}: larger portions, with more grains in each, tell sooner.",
            most=MOST_SAID,
            **said,
        )
    if needed > number:
        return phrase(
            "To tell an unevenness of {unevenness} from none ({power} chance to see it, 5 % to see what is not there) takes "
            "about {needed} {what} in all, {more} more than now.",
            needed=needed,
            more=needed - number,
            **said,
        )
    return phrase(
        "To tell an unevenness of {unevenness} from none ({power} chance to see it, 5 % to see what is not there), {needed} "
        "{what} are enough four times in five. This is one of the other times: as many again would tell.",
        needed=needed,
        **said,
    )


def _portions(kind: str) -> str:
    return {
        WEIGHTS: phrase("weighed portions"),
        COLOURS: phrase("counted portions"),
        ASSAYS: phrase("assayed portions"),
    }[kind]


def _floor_words(kind: str, grain: Grain, held: Floors) -> str:
    if kind == COLOURS:
        return phrase("{colours} colours to a portion", colours=figure(held.least.mean, 2))
    said = {"grains": figure(held.grains, 2), "each": figure(grain.high_mg, 2)}
    if kind == ASSAYS:
        return phrase(
            "some {grains} grains of {each} mg (weighted by mass) to a charge, and {error} for the assay itself",
            error=percent(ASSAY_SD),
            **said,
        )
    return phrase(
        "some {grains} grains of {each} mg (weighted by mass) to a portion, and the scale's step", **said
    )


def _variance_words(kind: str) -> str:
    return {
        COLOURS: "e",
        WEIGHTS: phrase("g × e + (scale step)² ÷ 6"),
        ASSAYS: f"g × e + ({numeral(ASSAY_SD, 'g')} × e)²",
    }[kind]


def _sources(kind: str) -> str:
    if kind == COLOURS:
        return phrase(
            "Fisher's dispersion test (standard result), its level exact: the same colours dealt out by chance 19,999 times "
            "(Barnard 1963, from memory)"
        )
    if kind == WEIGHTS:
        from prospecting.calc.homogeneity import CLASSES_UNSURE

        return phrase(
            "Fisher's dispersion test (standard result) for grains of unlike mass (compound Poisson); rounding: JCGM "
            "100, 4.3.7. Masses by class: colours to the troy ounce, a placer miners' rule; the grain so reckoned "
            "may be up to {times} times too heavy, which is allowed for",
            times=numeral(CLASSES_UNSURE, "g"),
        )
    return phrase(
        "Fisher's dispersion test (standard result) for grains in a charge; 10 % for the assay: common practice, no source"
    )


def percent(fraction: float) -> str:
    """Whole percent: no spread is known better. What rounds to nothing is said to be little, not nothing."""
    return phrase("less than 1 %") if 0 < fraction < 0.005 else f"{100 * fraction:.0f} %"


def _level(level: float) -> str:
    return phrase("{level} % confidence, one-sided", level=numeral(100 * level, ".3g"))
