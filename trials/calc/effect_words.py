"""What the answers about factors mean, in words: one card each, as a verdict's."""

import math
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass

from prospecting.calc.language import phrase, to_phrase
from prospecting.calc.number_words import numeral
from trials.calc.effects import COLOURS, Answer, Answers, BetterSingle, LossExcess
from trials.calc.power import MOST_BLOCKS
from trials.calc.ratio_words import between, ends
from trials.calc.verdict import LARGEST_RATIO, not_shown, rounded_up, rows_counted, shows, written
from trials.calc.working import WorkingRow, figure, given

CSS = {"more": "", "less": " worse", "within": " equal", "open": " open"}
WITHIN = to_phrase("Equivalent within the stated margin")
OPEN = to_phrase("Not shown")
FEWEST = to_phrase("Three runs on each side are the least; then it can be said how many more it takes.")
# More ratios than these are told by the table alone.
MOST_TOLD = 4
NOTES = {
    "missing": to_phrase("not every combination it takes has a run that counts"),
    "no colour": to_phrase("a combination it takes shows no colour at all, and nothing has no ratio"),
    "not tied": to_phrase("no block ties the combinations it takes to each other"),
    "few": to_phrase("fewer than three runs stand on one side of it: that cannot tell chance from an effect"),
    "alike": to_phrase(
        "the runs agree to the last digit, so what they were measured with hides their spread"
    ),
}


@dataclass(frozen=True)
class Card:
    """One answer as the page shows it. `css` follows "verdict" in the class, `careful` says when it is not the answer."""

    kind: str
    word: str
    headline: str
    explanation: str
    careful: str = ""

    @property
    def css(self) -> str:
        return CSS[self.kind]


@dataclass(frozen=True)
class Told:
    """How a family of answers is to be spoken of."""

    family: Answers
    smallest_ratio: float
    route: str
    in_one_order: bool
    together: str

    @property
    def much(self) -> str:
        return phrase("as many colours") if self.route == COLOURS else phrase("as much")

    @property
    def level(self) -> str:
        return phrase(
            "{level} % interval, {together}",
            level=numeral(100 * self.family.confidence, "g"),
            together=self.together,
        )

    def interval(self, answer: Answer) -> str:
        return between(answer.lower, answer.upper, written)

    def reach(self, answers: Sequence[Answer], by: str) -> str:
        """What could have been seen of the one seen worst, and what the ratio that matters takes."""
        ratios = [answer.detectable_ratio for answer in answers]
        wanted = numeral(self.smallest_ratio, "g")
        if None in ratios or max(ratios) > LARGEST_RATIO:
            could = phrase("This trial could have seen nothing short of a hundredfold change")
        else:
            could = phrase(
                "This trial could have seen {by} {ratio} times or more, 8 times in 10",
                by=by,
                ratio=rounded_up(max(ratios)),
            )
        more = [answer.more_rows for answer in answers]
        if None in more:
            most = rows_counted(MOST_BLOCKS, "", self.in_one_order)
            return phrase(
                "{could}; more than {most} would be needed to see {wanted} times: lessen the spread first.",
                could=could,
                most=most,
                wanted=wanted,
            )
        if not any(more):
            return phrase("{could}, so {wanted} times was within its sight.", could=could, wanted=wanted)
        return phrase(
            "{could}; about {more} would see {wanted} times.",
            could=could,
            more=rows_counted(max(more), " more", self.in_one_order),
            wanted=wanted,
        )

    def could_have_seen(self, ratio: float) -> str:
        """What of a difference could have been seen, as a sentence."""
        if ratio > LARGEST_RATIO:
            return phrase("Nothing short of a hundredfold difference could have been seen.")
        return phrase(
            "A difference of {ratio} times or more could have been seen, 8 times in 10.",
            ratio=rounded_up(ratio),
        )

    def aside(self, answer: Answer) -> str:
        """The same for one ratio, in brackets behind "not shown"; blank where it has no interval."""
        if answer.lower is None or answer.shown or answer.is_within(self.smallest_ratio):
            return ""
        if answer.detectable_ratio is None or answer.detectable_ratio > LARGEST_RATIO:
            return phrase(" (nothing short of a hundredfold could have been seen)")
        seen = phrase(
            "{ratio} times or more could have been seen, 8 times in 10",
            ratio=rounded_up(answer.detectable_ratio),
        )
        if not answer.more_rows:
            return f" ({seen})"
        more = rows_counted(answer.more_rows, " more", self.in_one_order)
        return phrase(
            " ({seen}; about {more} for {wanted} times)",
            seen=seen,
            more=more,
            wanted=numeral(self.smallest_ratio, "g"),
        )

    def margin(self) -> str:
        return phrase(
            "the group said that less than {margin} times either way does not matter.",
            margin=numeral(self.smallest_ratio, "g"),
        )


def main_card(told: Told, answer: Answer, subject: str, against: str, averaged: str, careful: str) -> Card:
    """Return the card of one factor's effect; `averaged` says over what, `careful` when it is not the answer."""
    kind = answer.kind(told.smallest_ratio)
    beside = phrase("{subject} against {against}", subject=subject, against=against)
    if answer.lower is None:
        return Card("open", phrase(OPEN), not_shown(beside), _why(answer), careful)
    much = phrase(
        "About {ratio} times {much} ({interval}, {level}).",
        ratio=written(answer.ratio),
        much=told.much,
        interval=told.interval(answer),
        level=told.level,
    )
    if kind in ("more", "less"):
        said = shows(told.route == COLOURS, subject, against, kind == "more")
        return Card(kind, _word(kind), f"{_qualified(told, said, answer, averaged)}.", much, careful)
    if kind == "within":
        explanation = phrase(
            "Between {low} and {high} times {much} (90 % interval, adjusted for judging them together); {margin}",
            low=written(answer.equivalence_lower),
            high=written(answer.equivalence_upper),
            much=told.much,
            margin=told.margin(),
        )
        said = phrase("{subject} does as well as {against}", subject=subject, against=against)
        headline = phrase("{shown}, within the stated margin.", shown=_averaged(said, averaged))
        return Card(kind, phrase(WITHIN), headline, explanation, careful)
    reach = told.reach([answer], phrase("a change of"))
    return Card(kind, phrase(OPEN), not_shown(_averaged(beside, averaged)), f"{much} {reach}", careful)


def _word(kind: str) -> str:
    return phrase("Shown: better") if kind == "more" else phrase("Shown: worse")


def _averaged(said: str, averaged: str) -> str:
    """A sentence without its point, and over what its ratio is averaged."""
    return phrase("{shown}, averaged over {averaged}", shown=said, averaged=averaged) if averaged else said


def _qualified(told: Told, said: str, answer: Answer, averaged: str) -> str:
    """What is shown, with over what it is averaged and whether it is less than matters."""
    said = _averaged(said, averaged)
    if answer.is_within(told.smallest_ratio):
        return phrase("{shown}, but by less than the group said matters", shown=said)
    return said


def pair_card(
    told: Told, pair: str, answers: Sequence[tuple[str, Answer]], averaged: str, expected: str = ""
) -> Card:
    """Return the card of how two factors act on each other; `answers` has one (combination in words, answer) a ratio."""
    known = [(words, answer) for words, answer in answers if answer.lower is not None]
    if not known:
        return Card("open", phrase(OPEN), f"{_not_shown(pair)}.", _why(answers[0][1]))
    lead = max(known, key=lambda entry: (entry[1].shown, _far(entry[1])))
    words, answer = lead
    said = "; ".join(
        (f"{name}: " if len(answers) > 1 else "")
        + phrase("{ratio} times ({interval})", ratio=written(each.ratio), interval=told.interval(each))
        for name, each in known[:MOST_TOLD]
    )
    ratios = phrase(
        "{ratios} what their ratios multiplied would give ({level}).", ratios=said, level=told.level
    )
    others = phrase("The others stand in the table.") if len(known) > MOST_TOLD else ""
    explanation = " ".join(filter(None, [ratios, others, expected]))
    kinds = {each.kind(told.smallest_ratio) for _, each in known}
    if answer.shown:
        kind = answer.kind(told.smallest_ratio)
        word = (
            phrase("Shown: they help each other")
            if kind == "more"
            else phrase("Shown: they hinder each other")
        )
        said = _together(told, words, kind == "more")
        return Card(kind, word, f"{_qualified(told, said, answer, averaged)}.", explanation)
    if kinds == {"within"} and len(known) == len(answers):
        said = phrase("{pair} neither help nor hinder each other, within the stated margin", pair=pair)
        between_both = phrase(
            "Between {low} and {high} times what their ratios multiplied would give (90 % interval, adjusted for judging "
            "them together); {margin}",
            low=written(min(each.equivalence_lower for _, each in known)),
            high=written(max(each.equivalence_upper for _, each in known)),
            margin=told.margin(),
        )
        return Card(
            "within",
            phrase(WITHIN),
            f"{_averaged(said, averaged)}.",
            " ".join(filter(None, [between_both, expected])),
        )
    reach = told.reach([each for _, each in known], phrase("them help or hinder each other by"))
    return Card("open", phrase(OPEN), f"{_averaged(_not_shown(pair), averaged)}.", f"{explanation} {reach}")


def _together(told: Told, pair: str, more: bool) -> str:
    if told.route == COLOURS:
        return (
            phrase("{pair} together show more colours than each alone would lead one to expect", pair=pair)
            if more
            else phrase(
                "{pair} together show fewer colours than each alone would lead one to expect", pair=pair
            )
        )
    return (
        phrase("{pair} together recover more than each alone would lead one to expect", pair=pair)
        if more
        else phrase("{pair} together recover less than each alone would lead one to expect", pair=pair)
    )


def three_card(told: Told, answer: Answer, names: str) -> str:
    """Return the sentence on all three factors at once: a check for mistakes, not a finding."""
    if answer.lower is None:
        return phrase(
            "Whether {names} do something that no two of them explain can't be said. {why}",
            names=names,
            why=_why(answer),
        )
    ratio = phrase(
        "{ratio} times ({interval}, {level})",
        ratio=written(answer.ratio),
        interval=told.interval(answer),
        level=told.level,
    )
    if answer.shown and not answer.is_within(told.smallest_ratio):
        return phrase(
            "All three at once do something that no two of them explain: {ratio}. That is rare in earnest: "
            "look for a mixed-up tub or a slip in the log first, and read the combinations one by one "
            "instead of the averages above.",
            ratio=ratio,
        )
    nothing = phrase("less than matters") if answer.is_within(told.smallest_ratio) else phrase("not shown")
    return phrase(
        "All three at once, beyond what pairs explain: {ratio}, {nothing}. This is only a check for "
        "mistakes (a mixed-up tub shows here), not something to act on.",
        ratio=ratio,
        nothing=nothing,
    )


def better_single_card(told: Told, both: str, found: BetterSingle | None, better: str, reach: str) -> Card:
    """Return the card of the practical question: does it pay to do both? `reach` says what could have been seen."""
    headline = not_shown(phrase("{both} against the better one alone", both=both))
    if found is None:
        few = phrase("The runs are too few, or too much alike, to tell.")
        return Card("open", phrase(OPEN), headline, f"{few} {phrase(FEWEST)}")
    kind = found.kind(told.smallest_ratio)
    interval = phrase(
        "{ratio} times {much} as {better} alone, the better one in these runs ({low} to {high}, {level} % interval, "
        "whichever of the two is the better one).",
        ratio=written(found.ratio),
        much=told.much,
        better=better,
        low=written(found.lower),
        high=written(found.upper),
        level=numeral(100 * told.family.confidence, "g"),
    )
    if kind in ("more", "less"):
        said = shows(told.route == COLOURS, both, phrase("the better one alone"), kind == "more")
        return Card(kind, _word(kind), f"{said}.", interval)
    if kind == "within":
        return Card(
            kind,
            phrase(WITHIN),
            phrase(
                "{both} does as well as the better one alone, within the stated margin: one of them is enough.",
                both=both,
            ),
            phrase(
                "{interval} Between {low} and {high} as a 90 % interval; {margin}",
                interval=interval,
                low=written(found.equivalence_lower),
                high=written(found.equivalence_upper),
                margin=told.margin(),
            ),
        )
    return Card(kind, phrase(OPEN), headline, f"{interval} {reach}".strip())


def hour_words(
    told: Told, name: str, what: str, whose: str, portion: Answer, hour: Answer
) -> tuple[str, str]:
    """Return headline and explanation of a portion's gold beside an hour's."""
    if portion.ratio is None or hour.ratio is None:
        lacking, which = (
            (portion, phrase("A portion")) if portion.ratio is None else (hour, phrase("An hour"))
        )
        return phrase("{name}: not known.", name=name), f"{which}: {explained(lacking)}."
    headline = phrase(
        "{name}: {portion} times the {what} of a portion, {hour} times the {what} of an hour.",
        name=name,
        portion=written(portion.ratio),
        what=what,
        hour=written(hour.ratio),
    )
    parts = []
    for answer, which in ((portion, phrase("A portion")), (hour, phrase("An hour"))):
        if answer.lower is None:
            parts.append(f"{which}: {explained(answer)}.")
            continue
        shown = {
            "more": phrase("shown to be more"),
            "less": phrase("shown to be less"),
            "within": phrase("alike within the stated margin"),
            "open": phrase("not shown to differ"),
        }[answer.kind(told.smallest_ratio)]
        parts.append(
            phrase(
                "{rate}: {limits} times {whose} ({level}), {shown}{aside}.",
                rate=which,
                limits=ends(answer.lower, answer.upper, written),
                whose=whose,
                level=told.level,
                shown=shown,
                aside=told.aside(answer),
            )
        )
    if (portion.ratio > 1) == (hour.ratio > 1):
        return headline, " ".join(parts)
    if portion.shown and hour.shown:
        parts.append(
            phrase(
                "Faster, but less {what} from each portion: an hour counts where ore is plenty, a portion where "
                "it is scarce or dear to dig.",
                what=what,
            )
            if hour.ratio > 1
            else phrase(
                "More {what} from each portion, but slower: a portion counts where ore is scarce or dear to dig, "
                "an hour where it is plenty.",
                what=what,
            )
        )
    elif portion.shown or hour.shown:
        parts.append(
            phrase("The two point different ways, and not both are shown: more runs before choosing by them.")
        )
    return headline, " ".join(parts)


def loss_sentences(found: LossExcess, first: str, second: str, percent: Callable[[float], str]) -> list[str]:
    """Return what both save of the gold otherwise lost, against the two yardsticks; `percent` writes a fraction."""
    lost = found.lost_fraction
    base = phrase(
        "Without either, {by_neither} of the gold found was left in the tails; with {first} alone {by_first}, with {second} "
        "alone {by_second}, with both {by_both}. Of the gold otherwise lost both together saved {saved}.",
        by_neither=percent(lost["neither"]),
        first=first,
        by_first=percent(lost["a_only"]),
        second=second,
        by_second=percent(lost["b_only"]),
        by_both=percent(lost["both"]),
        saved=percent(1 - lost["both"] / lost["neither"]),
    )
    bliss = _side(found.bliss_lower, found.bliss_upper)
    highest = _side(found.highest_lower, found.highest_upper)
    both = found.excess
    return [
        base,
        phrase(
            "Had each saved its share of what the other leaves (independent chances, Bliss), they would have saved "
            "{expected}: they saved {points} percentage points beyond that ({low} to {high}, 95 % interval), {shown}.",
            expected=percent(both.bliss_expected_fraction),
            points=_points(both.bliss_excess_fraction),
            low=_points(found.bliss_lower),
            high=_points(found.bliss_upper),
            shown=bliss,
        ),
        phrase(
            "The better one alone saved {single}: both saved {points} percentage points beyond it ({low} to {high}, 95 % "
            "interval), {shown}.",
            single=percent(both.highest_single_fraction),
            points=_points(both.highest_single_excess_fraction),
            low=_points(found.highest_lower),
            high=_points(found.highest_upper),
            shown=highest,
        ),
    ]


def working_rows(
    family: Answers, names: Mapping[Hashable, str], formula: str, with_reach: bool = True
) -> list[WorkingRow]:
    """Return the steps from the runs to the ratios of one family; `names` says each question in words."""
    rows = [
        WorkingRow(
            phrase("Scatter of runs within blocks"),
            phrase("Pearson chi-squared / degrees of freedom of the fit of all runs"),
            (
                given(phrase("runs that count"), family.runs_used),
                given(phrase("degrees of freedom"), family.df),
            ),
            figure(family.dispersion),
            phrase("variance over expected value"),
            phrase("McCullagh and Nelder 1989, Generalized Linear Models, chapter 9 (from memory)"),
        )
    ]
    if family.critical_t is not None:
        rows.append(
            WorkingRow(
                phrase(
                    "Standard errors each way for a {level} % interval",
                    level=numeral(100 * family.confidence, "g"),
                ),
                phrase("t with the error shared out over the ratios (Bonferroni)")
                if family.shared_out
                else phrase(
                    "the value that the largest |t| of all ratios stays within, with their correlations in this plan"
                ),
                (
                    given(phrase("ratios judged together"), family.judged_together),
                    given(phrase("degrees of freedom"), family.df),
                ),
                figure(family.critical_t, 4),
                phrase("standard errors"),
                phrase("Dunnett 1955, J. Am. Stat. Assoc. 50, 1096-1121"),
            )
        )
    told = [answer for answer in family.answers if answer.se_log is not None]
    if told:
        rows.append(
            WorkingRow(
                phrase("Ratios"),
                formula,
                tuple(given(names[answer.name], _reckoned(answer)) for answer in told),
                source=phrase("least-squares means, blocks in the model"),
            )
        )
    seen = [answer for answer in told if with_reach and answer.detectable_ratio is not None]
    if seen:
        rows.append(
            WorkingRow(
                phrase("What could have been seen"),
                phrase(
                    "the true ratio whose interval leaves out 1 with a chance of 80 %, from the spread of equal runs"
                ),
                (
                    given(phrase("spread of equal runs of the control within blocks"), family.sd),
                    *(
                        given(
                            names[answer.name],
                            rounded_up(min(answer.detectable_ratio, 1e6), 3),
                            phrase("times"),
                        )
                        for answer in seen
                    ),
                ),
                source=phrase("normal tail averaged over the estimated spread (noncentral t)"),
            )
        )
    return rows


def _reckoned(answer: Answer) -> str:
    return phrase(
        "ln ratio {log}, standard error {error}: {ratio} times ({low} to {high})",
        log=figure(math.log(answer.ratio)),
        error=figure(answer.se_log),
        ratio=figure(answer.ratio),
        low=figure(answer.lower),
        high=figure(answer.upper),
    )


def explained(answer: Answer) -> str:
    """Return why an answer has no interval, as words in the middle of a sentence; blank where it has one."""
    return phrase(NOTES.get(answer.note, ""))


def _why(answer: Answer) -> str:
    said = f"{explained(answer)}."
    if answer.ratio is not None:
        said = phrase(
            "The runs give {ratio} times, without an interval: {why}", ratio=written(answer.ratio), why=said
        )
    return f"{said[0].upper()}{said[1:]}{f' {phrase(FEWEST)}' if answer.note == 'few' else ''}"


def _not_shown(pair: str) -> str:
    return phrase("Not shown that {pair} help or hinder each other", pair=pair)


def _far(answer: Answer) -> float:
    return max(answer.ratio, 1 / answer.ratio)


def _side(lower: float, upper: float) -> str:
    if lower > 0:
        return phrase("shown")
    return phrase("shown to fall short") if upper < 0 else phrase("not shown either way")


def _points(fraction: float) -> str:
    points = f"{abs(100 * fraction):.0f}"
    return f"−{points}" if fraction < 0 and points != "0" else points
