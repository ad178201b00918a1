"""What the answers about factors mean, in words: one card each, as a verdict's."""

import math
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass

from prospecting.calc.number_words import numeral
from trials.calc.effects import COLOURS, Answer, Answers, BetterSingle, LossExcess
from trials.calc.power import MOST_BLOCKS
from trials.calc.ratio_words import between, ends
from trials.calc.verdict import LARGEST_RATIO, rounded_up, rows_counted, written
from trials.calc.working import WorkingRow, figure, given

CSS = {"more": "", "less": " worse", "within": " equal", "open": " open"}
WITHIN = "Equivalent within the stated margin"
OPEN = "Not shown"
FEWEST = "Three runs on each side are the least; then it can be said how many more it takes."
# More ratios than these are told by the table alone.
MOST_TOLD = 4
NOTES = {
    "missing": "not every combination it takes has a run that counts",
    "no colour": "a combination it takes shows no colour at all, and nothing has no ratio",
    "not tied": "no block ties the combinations it takes to each other",
    "few": "fewer than three runs stand on one side of it: that cannot tell chance from an effect",
    "alike": "the runs agree to the last digit, so what they were measured with hides their spread",
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
    def more(self) -> str:
        return "shows more colours" if self.route == COLOURS else "recovers more"

    @property
    def less(self) -> str:
        return "shows fewer colours" if self.route == COLOURS else "recovers less"

    @property
    def much(self) -> str:
        return "as many colours" if self.route == COLOURS else "as much"

    @property
    def level(self) -> str:
        return f"{numeral(100 * self.family.confidence, 'g')} % interval, {self.together}"

    def interval(self, answer: Answer) -> str:
        return between(answer.lower, answer.upper, written)

    def reach(self, answers: Sequence[Answer], by: str) -> str:
        """What could have been seen of the one seen worst, and what the ratio that matters takes."""
        ratios = [answer.detectable_ratio for answer in answers]
        wanted = numeral(self.smallest_ratio, "g")
        if None in ratios or max(ratios) > LARGEST_RATIO:
            could = "This trial could have seen nothing short of a hundredfold change"
        else:
            could = f"This trial could have seen {by} {rounded_up(max(ratios))} times or more, 8 times in 10"
        more = [answer.more_rows for answer in answers]
        if None in more:
            most = rows_counted(MOST_BLOCKS, "", self.in_one_order)
            return (
                f"{could}; more than {most} would be needed to see {wanted} times: lessen the spread first."
            )
        if not any(more):
            return f"{could}, so {wanted} times was within its sight."
        return (
            f"{could}; about {rows_counted(max(more), ' more', self.in_one_order)} would see {wanted} times."
        )

    def could_have_seen(self, ratio: float) -> str:
        """What of a difference could have been seen, as a sentence."""
        if ratio > LARGEST_RATIO:
            return "Nothing short of a hundredfold difference could have been seen."
        return f"A difference of {rounded_up(ratio)} times or more could have been seen, 8 times in 10."

    def aside(self, answer: Answer) -> str:
        """The same for one ratio, in brackets behind "not shown"; blank where it has no interval."""
        if answer.lower is None or answer.shown or answer.is_within(self.smallest_ratio):
            return ""
        if answer.detectable_ratio is None or answer.detectable_ratio > LARGEST_RATIO:
            return " (nothing short of a hundredfold could have been seen)"
        seen = f"{rounded_up(answer.detectable_ratio)} times or more could have been seen, 8 times in 10"
        if not answer.more_rows:
            return f" ({seen})"
        more = rows_counted(answer.more_rows, " more", self.in_one_order)
        return f" ({seen}; about {more} for {numeral(self.smallest_ratio, 'g')} times)"

    def margin(self) -> str:
        return f"the group said that less than {numeral(self.smallest_ratio, 'g')} times either way does not matter."


def main_card(told: Told, answer: Answer, subject: str, against: str, averaged: str, careful: str) -> Card:
    """Return the card of one factor's effect; `averaged` says over what, `careful` when it is not the answer."""
    tail = f", averaged over {averaged}" if averaged else ""
    kind = answer.kind(told.smallest_ratio)
    if answer.lower is None:
        return Card("open", OPEN, f"{subject} against {against}: not shown.", _why(answer), careful)
    much = f"About {written(answer.ratio)} times {told.much} ({told.interval(answer)}, {told.level})"
    if kind in ("more", "less"):
        small = ", but by less than the group said matters" if answer.is_within(told.smallest_ratio) else ""
        verb = told.more if kind == "more" else told.less
        word = "Shown: better" if kind == "more" else "Shown: worse"
        return Card(kind, word, f"{subject} {verb} than {against}{tail}{small}.", f"{much}.", careful)
    if kind == "within":
        narrow = f"{written(answer.equivalence_lower)} and {written(answer.equivalence_upper)}"
        explanation = f"Between {narrow} times {told.much} (90 % interval, adjusted for judging them together); {told.margin()}"
        headline = f"{subject} does as well as {against}{tail}, within the stated margin."
        return Card(kind, WITHIN, headline, explanation, careful)
    return Card(
        kind,
        OPEN,
        f"{subject} against {against}{tail}: not shown.",
        f"{much}. {told.reach([answer], 'a change of')}",
        careful,
    )


def pair_card(
    told: Told, pair: str, answers: Sequence[tuple[str, Answer]], averaged: str, expected: str = ""
) -> Card:
    """Return the card of how two factors act on each other; `answers` has one (combination in words, answer) a ratio."""
    tail = f", averaged over {averaged}" if averaged else ""
    known = [(words, answer) for words, answer in answers if answer.lower is not None]
    if not known:
        return Card("open", OPEN, f"{_not_shown(pair)}.", _why(answers[0][1]))
    lead = max(known, key=lambda entry: (entry[1].shown, _far(entry[1])))
    words, answer = lead
    said = "; ".join(
        f"{f'{name}: ' if len(answers) > 1 else ''}{written(each.ratio)} times ({told.interval(each)})"
        for name, each in known[:MOST_TOLD]
    )
    ratios = f"{said} what their ratios multiplied would give ({told.level})."
    if len(known) > MOST_TOLD:
        ratios += " The others stand in the table."
    explanation = f"{ratios} {expected}".strip()
    kinds = {each.kind(told.smallest_ratio) for _, each in known}
    if answer.shown:
        kind = answer.kind(told.smallest_ratio)
        verb = told.more if kind == "more" else told.less
        word = "Shown: they help each other" if kind == "more" else "Shown: they hinder each other"
        verb = verb.replace("recovers", "recover").replace("shows", "show")
        small = ", but by less than the group said matters" if answer.is_within(told.smallest_ratio) else ""
        return Card(
            kind,
            word,
            f"{words} together {verb} than each alone would lead one to expect{tail}{small}.",
            explanation,
        )
    if kinds == {"within"} and len(known) == len(answers):
        headline = f"{pair} neither help nor hinder each other, within the stated margin{tail}."
        inner = min(each.equivalence_lower for _, each in known), max(e.equivalence_upper for _, e in known)
        explanation = (
            f"Between {written(inner[0])} and {written(inner[1])} times what their ratios multiplied would give (90 % "
            f"interval, adjusted for judging them together); {told.margin()} {expected}"
        ).strip()
        return Card("within", WITHIN, headline, explanation)
    reach = told.reach([each for _, each in known], "them help or hinder each other by")
    return Card("open", OPEN, f"{_not_shown(pair)}{tail}.", f"{explanation} {reach}")


def three_card(told: Told, answer: Answer, names: str) -> str:
    """Return the sentence on all three factors at once: a check for mistakes, not a finding."""
    if answer.lower is None:
        return f"Whether {names} do something that no two of them explain can't be said: {_why(answer)}"
    ratio = f"{written(answer.ratio)} times ({told.interval(answer)}, {told.level})"
    if answer.shown and not answer.is_within(told.smallest_ratio):
        return (
            f"All three at once do something that no two of them explain: {ratio}. That is rare in earnest: look for a mixed-up "
            "tub or a slip in the log first, and read the combinations one by one instead of the averages above."
        )
    nothing = "less than matters" if answer.is_within(told.smallest_ratio) else "not shown"
    return (
        f"All three at once, beyond what pairs explain: {ratio}, {nothing}. This is only a check for mistakes (a mixed-up tub "
        "shows here), not something to act on."
    )


def better_single_card(told: Told, both: str, found: BetterSingle | None, better: str, reach: str) -> Card:
    """Return the card of the practical question: does it pay to do both? `reach` says what could have been seen."""
    if found is None:
        return Card(
            "open",
            OPEN,
            f"{both} against the better one alone: not shown.",
            f"The runs are too few, or too much alike, to tell. {FEWEST}",
        )
    kind = found.kind(told.smallest_ratio)
    verb = {"more": told.more, "less": told.less}.get(kind, "")
    interval = (
        f"{written(found.ratio)} times {told.much} as {better} alone, the better one in these runs ({written(found.lower)} to "
        f"{written(found.upper)}, {numeral(100 * told.family.confidence, 'g')} % interval, whichever of the two is "
        "the better one)."
    )
    if kind in ("more", "less"):
        word = "Shown: better" if kind == "more" else "Shown: worse"
        return Card(kind, word, f"{both} {verb} than the better one alone.", interval)
    if kind == "within":
        narrow = f"{written(found.equivalence_lower)} and {written(found.equivalence_upper)}"
        return Card(
            kind,
            WITHIN,
            f"{both} does as well as the better one alone, within the stated margin: one of them is enough.",
            f"{interval} Between {narrow} as a 90 % interval; {told.margin()}",
        )
    return Card(kind, OPEN, f"{both} against the better one alone: not shown.", f"{interval} {reach}".strip())


def hour_words(
    told: Told, name: str, what: str, whose: str, portion: Answer, hour: Answer
) -> tuple[str, str]:
    """Return headline and explanation of a portion's gold beside an hour's."""
    if portion.ratio is None or hour.ratio is None:
        lacking, which = (portion, "A portion") if portion.ratio is None else (hour, "An hour")
        return f"{name}: not known.", f"{which}: {explained(lacking)}."
    ratios = written(portion.ratio), written(hour.ratio)
    headline = f"{name}: {ratios[0]} times the {what} of a portion, {ratios[1]} times the {what} of an hour."
    parts = []
    for answer, which in ((portion, "A portion"), (hour, "An hour")):
        if answer.lower is None:
            parts.append(f"{which}: {explained(answer)}.")
            continue
        shows = {
            "more": "shown to be more",
            "less": "shown to be less",
            "within": "alike within the stated margin",
            "open": "not shown to differ",
        }[answer.kind(told.smallest_ratio)]
        parts.append(
            f"{which}: {ends(answer.lower, answer.upper, written)} times {whose} ({told.level}), {shows}{told.aside(answer)}."
        )
    if (portion.ratio > 1) == (hour.ratio > 1):
        return headline, " ".join(parts)
    if portion.shown and hour.shown:
        parts.append(
            f"Faster, but less {what} from each portion: an hour counts where ore is plenty, a portion where it is scarce or "
            "dear to dig."
            if hour.ratio > 1
            else f"More {what} from each portion, but slower: a portion counts where ore is scarce or dear to dig, an hour where "
            "it is plenty."
        )
    elif portion.shown or hour.shown:
        parts.append(
            "The two point different ways, and not both are shown: more runs before choosing by them."
        )
    return headline, " ".join(parts)


def loss_sentences(found: LossExcess, first: str, second: str, percent: Callable[[float], str]) -> list[str]:
    """Return what both save of the gold otherwise lost, against the two yardsticks; `percent` writes a fraction."""
    lost = found.lost_fraction
    base = (
        f"Without either, {percent(lost['neither'])} of the gold found was left in the tails; with {first} alone "
        f"{percent(lost['a_only'])}, with {second} alone {percent(lost['b_only'])}, with both {percent(lost['both'])}. Of the "
        f"gold otherwise lost both together saved {percent(1 - lost['both'] / lost['neither'])}."
    )
    bliss = _side(found.bliss_lower, found.bliss_upper)
    highest = _side(found.highest_lower, found.highest_upper)
    both = found.excess
    return [
        base,
        f"Had each saved its share of what the other leaves (independent chances, Bliss), they would have saved "
        f"{percent(both.bliss_expected_fraction)}: they saved {_points(both.bliss_excess_fraction)} percentage points beyond "
        f"that ({_points(found.bliss_lower)} to {_points(found.bliss_upper)}, 95 % interval), {bliss}.",
        f"The better one alone saved {percent(both.highest_single_fraction)}: both saved "
        f"{_points(both.highest_single_excess_fraction)} percentage points beyond it ({_points(found.highest_lower)} to "
        f"{_points(found.highest_upper)}, 95 % interval), {highest}.",
    ]


def working_rows(
    family: Answers, names: Mapping[Hashable, str], formula: str, with_reach: bool = True
) -> list[WorkingRow]:
    """Return the steps from the runs to the ratios of one family; `names` says each question in words."""
    rows = [
        WorkingRow(
            "Scatter of runs within blocks",
            "Pearson chi-squared / degrees of freedom of the fit of all runs",
            (given("runs that count", family.runs_used), given("degrees of freedom", family.df)),
            figure(family.dispersion),
            "variance over expected value",
            "McCullagh and Nelder 1989, Generalized Linear Models, chapter 9 (from memory)",
        )
    ]
    if family.critical_t is not None:
        rows.append(
            WorkingRow(
                f"Standard errors each way for a {numeral(100 * family.confidence, 'g')} % interval",
                "t with the error shared out over the ratios (Bonferroni)"
                if family.shared_out
                else "the value that the largest |t| of all ratios stays within, with their correlations in this plan",
                (
                    given("ratios judged together", family.judged_together),
                    given("degrees of freedom", family.df),
                ),
                figure(family.critical_t, 4),
                "standard errors",
                "Dunnett 1955, J. Am. Stat. Assoc. 50, 1096-1121",
            )
        )
    told = [answer for answer in family.answers if answer.se_log is not None]
    if told:
        rows.append(
            WorkingRow(
                "Ratios",
                formula,
                tuple(given(names[answer.name], _reckoned(answer)) for answer in told),
                source="least-squares means, blocks in the model",
            )
        )
    seen = [answer for answer in told if with_reach and answer.detectable_ratio is not None]
    if seen:
        rows.append(
            WorkingRow(
                "What could have been seen",
                "the true ratio whose interval leaves out 1 with a chance of 80 %, from the spread of equal runs",
                (
                    given("spread of equal runs of the control within blocks", family.sd),
                    *(
                        given(names[answer.name], rounded_up(min(answer.detectable_ratio, 1e6), 3), "times")
                        for answer in seen
                    ),
                ),
                source="normal tail averaged over the estimated spread (noncentral t)",
            )
        )
    return rows


def _reckoned(answer: Answer) -> str:
    return (
        f"ln ratio {figure(math.log(answer.ratio))}, standard error {figure(answer.se_log)}: {figure(answer.ratio)} times "
        f"({figure(answer.lower)} to {figure(answer.upper)})"
    )


def explained(answer: Answer) -> str:
    """Return why an answer has no interval, as words in the middle of a sentence; blank where it has one."""
    return NOTES.get(answer.note, "")


def _why(answer: Answer) -> str:
    ratio = (
        "" if answer.ratio is None else f"The runs give {written(answer.ratio)} times, without an interval: "
    )
    said = f"{ratio}{explained(answer)}."
    return f"{said[0].upper()}{said[1:]}{f' {FEWEST}' if answer.note == 'few' else ''}"


def _not_shown(pair: str) -> str:
    return f"Not shown that {pair} help or hinder each other"


def _far(answer: Answer) -> float:
    return max(answer.ratio, 1 / answer.ratio)


def _side(lower: float, upper: float) -> str:
    if lower > 0:
        return "shown"
    return "shown to fall short" if upper < 0 else "not shown either way"


def _points(fraction: float) -> str:
    points = f"{abs(100 * fraction):.0f}"
    return f"−{points}" if fraction < 0 and points != "0" else points
