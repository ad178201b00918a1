"""The dose ladders of a closed trial in words, a picture, a table and costs to be: one page. Writes nothing."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.number_words import numeral
from prospecting.models import Member
from trials.calc.spread import as_multiples, middle
from trials.frames.ladders import (
    NEXT_BECAUSE,
    DoseToCost,
    JudgedLadder,
    LadderLines,
    OtherDose,
    Rung,
    dose_said,
    ladders_in,
    listed,
)
from trials.frames.trial_lines import RunLine
from trials.models import Additive

if TYPE_CHECKING:
    from trials.calc.doses_together import Curve, Plateau
    from trials.calc.verdict import Verdict
    from trials.calc.working import Working, WorkingRow


KINDS = {
    "better": gettext_lazy("better"),
    "worse": gettext_lazy("worse"),
    "equivalent": gettext_lazy("equivalent within the margin"),
    "not shown": gettext_lazy("not shown"),
}


@dataclass(frozen=True)
class DoseLine:
    """One rung, or the control, as the table shows it; every figure as it is to be read."""

    name: str
    is_control: bool
    dose: str
    in_ml_per_l: str
    poured: str
    runs: str
    middle: str
    ratio: str
    interval: str
    shown: str
    not_worse: str


@dataclass(frozen=True)
class LadderPicture:
    """Keyword arguments of the chart's columns and of the chart, and the legend under it."""

    columns: list[dict]
    chart: dict
    legend: str


@dataclass(frozen=True)
class LadderReading:
    """All that the page says of one ladder, in the order it says it."""

    additive: Additive
    claim: "Verdict"
    facts: list[tuple[str, list[str]]]
    picture: LadderPicture
    no_picture: str
    curves: list[str]
    table: list[DoseLine]
    table_caption: str
    unit: str
    by_ratio: bool
    trend: str
    not_shown: list[str]
    working: "Working"
    to_cost: DoseToCost


def ladder_readings(lines: LadderLines, member: Member) -> list[LadderReading]:
    """Analyse every ladder of a closed trial by the outcome fixed at its planning; figures in this member's units."""
    comparison, why_none = lines.compare()
    verdicts = lines.verdicts_on(comparison, why_none)
    return [
        _Ladder(lines, ladder, comparison, why_none, verdicts, member).reading() for ladder in lines.ladders
    ]


class _Ladder(JudgedLadder):
    """One ladder on its way to the page."""

    def reading(self) -> LadderReading:
        picture = self._picture()
        return LadderReading(
            additive=self.ladder.additive,
            claim=self._claim(),
            facts=self._facts(),
            picture=picture,
            no_picture=self._no_picture(),
            curves=self._curve_sentences(),
            table=self._table(),
            table_caption=self._table_caption(),
            unit=self.lines.unit,
            by_ratio=self.by_ratio,
            trend=self._trend(),
            not_shown=self._not_shown(),
            working=self._working(),
            to_cost=self._to_cost(),
        )

    # Sentences

    def _claim(self) -> "Verdict":
        from trials.calc.verdict import Verdict

        if not self.judged:
            first = self.verdicts[self.ladder.names[0]]
            return Verdict(
                "not shown",
                phrase("No dose of {additive} can be judged.", additive=self.ladder.additive),
                first.explanation,
            )
        if self.shown.least is None:
            top = self.verdicts[self.tried[-1].name]
            if all(self.verdicts[rung.name].kind == "equivalent" for rung in self.tried):
                return Verdict(
                    "equivalent",
                    phrase(
                        "Every dose tried does as well as {control} within the stated margin; none is shown to do better.",
                        control=self.control,
                    ),
                    top.explanation,
                )
            none = phrase("No dose is shown to {more} {control}.", more=self._more, control=self.control)
            reach = phrase(
                "Of the top dose, {dose}: {explanation}",
                dose=self.tried[-1].said,
                explanation=_lowered(top.explanation),
            )
            return Verdict(
                "worse" if self.worse else "not shown",
                f"{none} {self._worse_said}." if self.worse else none,
                reach if top.kind == "not shown" else top.explanation,
            )
        least = self.rung_at(self.shown.least)
        headline = phrase(
            "The least dose shown to {more} {control} is {dose}; {below}",
            more=self._more,
            control=self.control,
            dose=least.said_in_full,
            below=self._below_it(),
        )
        return Verdict("better", headline, " ".join(self._about_least(least)))

    def _below_it(self) -> str:
        if self.shown.below is None:
            lower = [rung for rung in self.ladder.rungs if rung.key < self.shown.least]
            return phrase("no run of a lower one counts.") if lower else phrase("no lower one was tried.")
        return phrase(
            "the next lower one tried, {dose}, was not shown.", dose=self.rung_at(self.shown.below).said
        )

    def _about_least(self, least: Rung) -> list[str]:
        verdict = self.verdicts[least.name]
        found = []
        if self.by_ratio:
            found.append(phrase("At it, {ratio}", ratio=_lowered(self._interval_sentence(least.name))))
        elif verdict.explanation:
            found.append(verdict.explanation)
        if least.key in self.shown.by_order_alone:
            found.append(
                phrase(
                    "That interval reaches 1. The dose counts as shown because the doses are also taken in order from the "
                    "top one down, each by its own 95 % interval, as long as every higher one held; this is the weaker of "
                    "the two ways."
                )
            )
        higher = [r for r in self.tried if r.key > least.key and r.key not in self.shown.shown]
        if higher and self.fall is None:
            found.append(
                phrase_counted(
                    "Yet {doses}, higher, is not shown: it falls off there, or one of the results is luck.",
                    "Yet {doses}, higher, are not shown: it falls off there, or one of the results is luck.",
                    len(higher),
                    doses=listed(rung.said for rung in higher),
                )
            )
        if verdict.within_margin:
            found.append(
                phrase(
                    "It is more by less than the group said matters ({margin} times).",
                    margin=numeral(self.lines.smallest_ratio, "g"),
                )
            )
        if self.shown.below is not None:
            found.append(
                phrase(
                    "The true least dose lies between the two as far as this ladder can tell; not shown at {dose} "
                    "does not mean that it does nothing.",
                    dose=self.rung_at(self.shown.below).said,
                )
            )
        else:
            found.append(
                phrase(
                    "The true least dose lies at it or below: this ladder does not reach down to where it ends."
                )
            )
        return found

    def _interval_sentence(self, name: str) -> str:
        from trials.calc.verdict import written

        entry = self.entry(name)
        gold = phrase("colours") if self.lines.by_colours else phrase("gold")
        if entry.ratio is None or entry.lower is None or entry.upper is None:
            return phrase(
                "How many times the {gold} of {control} cannot be said.", gold=gold, control=self.control
            )
        return phrase(
            "About {ratio} times the {gold} of {control} ({low} to {high}, 95 % interval, all treatments judged together).",
            ratio=written(entry.ratio),
            gold=gold,
            control=self.control,
            low=written(entry.lower),
            high=written(entry.upper),
        )

    @property
    def _more(self) -> str:
        if self.lines.by_colours:
            return phrase("give more colours than")
        return phrase("give more gold than") if self.lines.by_places else phrase("recover more than")

    @property
    def _worse_said(self) -> str:
        parts = {"doses": listed(rung.said for rung in self.worse), "control": self.control}
        number = len(self.worse)
        if self.lines.by_weight:
            return phrase_counted(
                "{doses} recovers less than {control}", "{doses} recover less than {control}", number, **parts
            )
        if self.lines.by_colours:
            return phrase_counted(
                "{doses} gives fewer colours than {control}",
                "{doses} give fewer colours than {control}",
                number,
                **parts,
            )
        return phrase_counted(
            "{doses} gives less gold than {control}", "{doses} give less gold than {control}", number, **parts
        )

    def _facts(self) -> list[tuple[str, list[str]]]:
        if not self.judged:
            return []
        if not self.enough:
            return [
                (
                    phrase("First"),
                    [
                        phrase(
                            "More blocks of the same doses: no dose and the control have three runs each that count, so "
                            "nothing here tells an effect from chance."
                        )
                    ],
                )
            ]
        return [
            (phrase("Least effective dose"), self._least_fact()),
            (phrase("Little enough"), self._enough_fact()),
            (phrase("Too much"), self._too_much_fact()),
            (phrase("Next dose to try"), self._next_fact()),
        ]

    def _least_fact(self) -> list[str]:
        if self.shown.least is None:
            return [phrase("None is shown.")]
        least = self.rung_at(self.shown.least)
        span = (
            self._below_it()
            if self.shown.below is None
            else phrase("the true one may lie down to {dose}.", dose=self.rung_at(self.shown.below).said)
        )
        return [f"{least.said_in_full}, {self.poured(least.ml_per_l)}; {span}"]

    def _enough_fact(self) -> list[str]:
        if not self.by_ratio:
            return [phrase("An order gives no ratio, so how little does as well as the best cannot be said.")]
        if self.not_worse is None:
            return [
                phrase(
                    "In these runs no dose gave more than {control}, so there is no best dose to compare with.",
                    control=self.control,
                )
            ]
        best, least = self.not_worse.best, self.not_worse.least
        margin = phrase(
            "within the margin of {margin} times of the dose that gave most, {dose}",
            margin=numeral(self.lines.smallest_ratio, "g"),
            dose=self.said_of(best),
        )
        if least is None:
            lower = self.tried_order[self.tried_order.index(best) - 1]
            return [
                phrase(
                    "{best}, {poured}, gave most. The next lower, {lower}, is not shown to come {within}{limit}.",
                    best=self.rung_of(best).said_in_full,
                    poured=self.poured(self.rung_of(best).ml_per_l),
                    lower=self.said_of(lower),
                    within=margin,
                    limit=self._as_low(lower),
                )
            ]
        if least == self.control:
            return [
                phrase(
                    "{control} itself: it is shown to come {within}{limit}.",
                    control=self.control,
                    within=margin,
                    limit=self._as_low(least),
                )
            ]
        rung = self.rung_of(least)
        return [
            phrase(
                "{dose}, {poured}: shown to come {within}{limit}.",
                dose=rung.said_in_full,
                poured=self.poured(rung.ml_per_l),
                within=margin,
                limit=self._as_low(least),
            )
        ]

    def _as_low(self, name: str) -> str:
        from trials.calc.verdict import written

        limit = self.not_worse.limits[name]
        return (
            ""
            if limit is None
            else phrase(
                " (it gives at least {ratio} times as much; one-sided 95 % limit)", ratio=written(limit)
            )
        )

    def _too_much_fact(self) -> list[str]:
        from trials.calc.verdict import written

        found = []
        if self.fall is not None:
            onset, best = self.said_of(self.fall.onset), self.said_of(self.fall.best)
            top = phrase(
                "{top} gave about {ratio} times as much as {best}",
                top=self.said_of(self.fall.top),
                ratio=written(self.fall.ratio),
                best=best,
            )
            found.append(
                phrase(
                    "At {dose} less than at a lower dose: {top} (shown, all lower doses judged together at 5 %).",
                    dose=onset,
                    top=top,
                )
                if self.fall.onset == self.fall.top
                else phrase(
                    "At {dose} and above less than at a lower dose: {top} (shown, all lower doses judged together at 5 %).",
                    dose=onset,
                    top=top,
                )
            )
        if self.worse:
            found.append(phrase("{worse} (shown).", worse=self._worse_said))
        if found:
            return found
        top = self.tried[-1].said
        if not self.by_ratio:
            return [
                phrase(
                    "No dose is shown to do worse than {control}; that does not show that more would do no harm.",
                    control=self.control,
                )
            ]
        return [
            phrase(
                "No fall towards the top dose, {dose}, is shown. This does not show that there is none, nor that "
                "more does no harm.",
                dose=top,
            )
        ]

    def _next_fact(self) -> list[str]:
        again = [self.control if dose == 0 else self.rung_at(dose).said for dose in self.next.again_ml_per_l]
        dose = self.next.dose_ml_per_l
        found = [
            f"{dose_said(dose, self.unit)}, {self.poured(dose)}: {NEXT_BECAUSE[self.next.why]}.",
            phrase("In the same blocks again: {treatments}.", treatments=listed(again)),
        ]
        top = self.verdicts[self.tried[-1].name]
        if (self.fall is not None or self.worse) and self.next.why != "again":
            found.append(phrase("Doses shown to be too much are left out of this."))
        if self.next.why == "up" and top.more_blocks:
            found.append(
                phrase(
                    "But first see what these runs could have seen at all: more blocks of the same doses may tell more."
                )
            )
        return found

    def _not_shown(self) -> list[str]:
        """The rungs that are not shown, each with what the trial could have seen."""
        if self.comparison is None:
            return []
        found: dict[str, list[str]] = {}
        for rung in self.ladder.rungs:
            verdict = self.verdicts[rung.name]
            if verdict.kind == "not shown" and rung.key not in self.shown.shown:
                found.setdefault(verdict.explanation, []).append(rung.said)
        return [f"{listed(doses)}: {_lowered(explanation)}" for explanation, doses in found.items()]

    def _trend(self) -> str:
        from trials.calc.doses_together import ALPHA, trend_by_order

        if not self.judged or self.by_ratio:
            return ""
        lines = [line for line in self.lines.counted if line.treatment in self.ladder.order]
        # The first place shows most gold.
        values = [-line.value if self.lines.by_places else line.value for line in lines]
        try:
            found = trend_by_order(
                values,
                [line.treatment for line in lines],
                [line.block for line in lines],
                self.ladder.order,
                self.lines.trial.in_blocks,
            )
        except ValueError as refusal:
            return phrase(
                "Whether more dose goes with more gold cannot be judged by order: {why}", why=refusal
            )
        over = (
            phrase("{number} blocks", number=found.rows)
            if self.lines.trial.in_blocks
            else phrase("{number} runs", number=found.rows)
        )
        if found.rows_left_out:
            over = phrase("{runs} ({number} incomplete left out)", runs=over, number=found.rows_left_out)
        parts = {"runs": over, "name": found.test, "odds": units.format_odds(found.p)}
        if found.p < ALPHA:
            return phrase(
                "More dose, more gold: shown by order over {runs}, {name}'s test, 5 %, one-sided (so clear an order by chance "
                "alone: {odds}).",
                **parts,
            )
        return phrase(
            "That more dose goes with more gold is not shown by order over {runs}, {name}'s test at 5 %, one-sided (so clear "
            "an order by chance alone: {odds}). A fall would not show here either.",
            **parts,
        )

    # Curves

    @cached_property
    def _steps(self) -> list[float]:
        """Ratios that never fall, control first; none where they may not be drawn."""
        from trials.calc.doses_together import monotone_ratios

        if not self.by_ratio or self.fall is not None:
            return []
        ratios = [1.0, *(self.entry(name).ratio or 0.0 for name in self.ladder.names)]
        runs = [len(self.lines.of(name)) for name in self.ladder.order]
        try:
            return monotone_ratios(ratios, runs) if all(runs) else []
        except ValueError:
            return []

    def _fitted(self, fit) -> "tuple[Plateau | Curve | None, str]":
        """A curve, or why none is drawn."""
        if not self.by_ratio:
            return None, phrase("an order gives no ratio to draw it through.")
        if self.lines.by_colours:
            return None, phrase("it is drawn through weighed gold only.")
        if not self.all_weighed:
            return None, phrase("runs below the scale have no logarithm.")
        if self.fall is not None:
            return None, phrase("it supposes that more never gives less, and here the top dose fell.")
        values, names, _ = self.ladder_runs
        dose_of = {self.control: 0.0} | {rung.name: rung.key for rung in self.ladder.rungs}
        try:
            return fit([dose_of[name] for name in names], values), ""
        except ValueError as refusal:
            return None, _lowered(_ended(str(refusal)))

    @cached_property
    def _plateau(self) -> "tuple[Plateau | None, str]":
        from trials.calc.doses_together import plateau_of

        return self._fitted(plateau_of)

    @cached_property
    def _curve(self) -> "tuple[Curve | None, str]":
        from trials.calc.doses_together import curve_of

        return self._fitted(curve_of)

    def _curve_sentences(self) -> list[str]:
        if not self.judged:
            return []
        if not self.by_ratio:
            return [phrase("No curve is drawn: an order gives no ratio.")]
        found = []
        if self._steps:
            found.append(phrase("Steps: the nearest ratios that never fall from one dose to the next."))
        elif self.fall is not None:
            found.append(phrase("Steps that never fall are not drawn: here the top dose fell."))
        plateau, why = self._plateau
        if plateau is None:
            found.append(phrase("A rise that ends on a plateau is not drawn: {why}", why=why))
        else:
            found.append(
                phrase(
                    "Dashes: a rise that ends on a plateau; it breaks at {dose} ({interval}, 95 % interval, blocks not taken "
                    "out).",
                    dose=_ml_per_l(plateau.fit.breakpoint),
                    interval=self._break_span(plateau),
                )
            )
        curve, why = self._curve
        if curve is None:
            found.append(phrase("A log-logistic curve is not drawn: {why}", why=why))
        else:
            half, most = curve.fit.ed50, curve.fit.ed90
            doses = {"half": self._effect_dose(half), "most": self._effect_dose(most)}
            found.append(
                phrase(
                    "Dots and dashes: a log-logistic curve. Half of its rise is reached at {half}, nine tenths at {most} (95 % "
                    "intervals; the second lies beyond the doses tried).",
                    **doses,
                )
                if most.beyond_the_tried
                else phrase(
                    "Dots and dashes: a log-logistic curve. Half of its rise is reached at {half}, nine tenths at {most} (95 % "
                    "intervals).",
                    **doses,
                )
            )
        return found

    def _break_span(self, plateau: "Plateau") -> str:
        low, high = plateau.fit.breakpoint_lower, plateau.fit.breakpoint_upper
        start = phrase("anywhere from the lowest dose") if low is None else _ml_per_l(low)
        end = phrase("past the highest dose") if high is None else _ml_per_l(high)
        return phrase("{low} to {high}", low=start, high=end)

    def _effect_dose(self, effect) -> str:
        at, low, high = map(_ml_per_l, (effect.dose, effect.lower, effect.upper))
        return phrase("{dose} ({low} to {high})", dose=at, low=low, high=high)

    # Picture and table

    def _no_picture(self) -> str:
        values = [line.value for line in self.lines.counted if line.treatment in self.ladder.order]
        if not values:
            return (
                phrase("No pan was placed, so there is nothing to draw.")
                if self.lines.by_places
                else phrase("No run counts, so there is nothing to draw.")
            )
        if not any(value > 0 for value in values):
            return (
                phrase("Nothing to draw: all {number} runs showed no colour.", number=len(values))
                if self.lines.by_colours
                else phrase(
                    "Nothing to draw: all {number} runs came out below the scale.", number=len(values)
                )
            )
        return ""

    def _picture(self) -> LadderPicture:
        base = self.comparison.control_mean if self.by_ratio else None
        columns = [self._column(None, base), *(self._column(rung, base) for rung in self.ladder.rungs)]
        plateau, curve = self._plateau[0], self._curve[0]
        chart = {
            "title": self._title(),
            "description": " ".join(self._column_in_words(column, bool(base)) for column in columns),
            "y_caption": self._y_caption(bool(base)),
            "x_caption": phrase("dose, {unit}", unit=units.UNIT_NAMES[self.unit]),
            "margin_ratio": self.lines.smallest_ratio if base else None,
            "steps": self._steps if base else [],
            "plateau": plateau.points if plateau else (),
            "plateau_from": (
                plateau.fit.breakpoint_lower,
                plateau.fit.breakpoint,
                plateau.fit.breakpoint_upper,
            )
            if plateau
            else None,
            "curve": curve.points if curve else (),
            "places": self.lines.by_places,
            "below_text": phrase("none") if self.lines.by_colours else phrase("below"),
        }
        return LadderPicture(columns, chart, self._legend(columns, bool(base)))

    def _title(self) -> str:
        additive = self.ladder.additive
        if self.lines.by_places:
            return phrase("Places by dose of {additive}, each run", additive=additive)
        if self.lines.by_colours:
            return phrase("Colours by dose of {additive}, each run", additive=additive)
        return phrase("Gold by dose of {additive}, each run", additive=additive)

    def _y_caption(self, by_ratio: bool) -> str:
        if by_ratio:
            return phrase("times the middle of {control}", control=_short(self.control))
        return (
            phrase("place in its row, 1 for most gold")
            if self.lines.by_places
            else phrase("{unit} per portion", unit=self.lines.unit)
        )

    def _column(self, rung: Rung | None, base: float | None) -> dict:
        name = rung.name if rung else self.control
        counted = self.lines.of(name)
        column = {
            "tick": units.format_dose(rung.ml_per_l, self.unit).split(" ")[0] if rung else phrase("none"),
            "dose_ml_per_l": rung.key if rung else None,
            "values": as_multiples([line.value for line in counted if line.value > 0], base or 1.0),
            "below": sum(1 for line in counted if line.value <= 0),
        }
        if rung is None or base is None:
            return column
        entry, verdict = self.entry(name), self.verdicts[name]
        lower, upper = self._deciding(rung)
        return column | {
            "centre": entry.ratio or None,
            "lower": lower,
            "upper": upper,
            "shown": rung.key in self.shown.shown or verdict.kind != "not shown",
            "worse": verdict.kind == "worse",
        }

    def _deciding(self, rung: Rung) -> tuple[float | None, float | None]:
        """The interval the verdict on a dose rests on, as its verdict page shows it."""
        entry = self.entry(rung.name)
        if self.verdicts[rung.name].kind == "equivalent":
            return entry.equivalence_lower, entry.equivalence_upper
        return entry.lower, entry.upper

    def _column_in_words(self, column: dict, by_ratio: bool) -> str:
        from trials.calc.ratio_words import ends
        from trials.calc.working import figure

        values = column["values"]
        dose = (
            phrase("no dose")
            if column["dose_ml_per_l"] is None
            else self.rung_at(column["dose_ml_per_l"]).said
        )
        runs = phrase_counted("{number} run", "{number} runs", len(values) + column["below"])
        said = [f"{dose}: {runs}"]
        if values:
            said.append(
                phrase(
                    "{low} to {high} {unit}",
                    low=figure(min(values)),
                    high=figure(max(values)),
                    unit=phrase("times") if by_ratio else self.lines.unit,
                )
            )
        if column["below"]:
            said.append(phrase("{number} with nothing to show", number=column["below"]))
        told = ", ".join(said)
        if column.get("lower") is not None and column.get("upper") is not None:
            interval = ends(column["lower"], column["upper"])
            shown = (
                phrase("interval {interval}, shown", interval=interval)
                if column["shown"]
                else phrase("interval {interval}, not shown", interval=interval)
            )
            told = f"{told}; {shown}"
        return f"{told}."

    def _legend(self, columns: list[dict], by_ratio: bool) -> str:
        found = [phrase("Each dot is one pan.") if self.lines.by_places else phrase("Each dot is one run.")]
        if any(column["below"] for column in columns):
            found.append(
                phrase("Open dots: no colour.")
                if self.lines.by_colours
                else phrase("Open dots: runs below the scale.")
            )
        if by_ratio:
            found.append(
                phrase(
                    "Bars: 95 % intervals, all treatments judged together (90 % where the verdict is equivalence); solid where "
                    "something is shown, dashed where not. "
                    "Shaded: too small to matter, as fixed before the trial."
                )
            )
        if by_ratio and self._steps:
            found.append(phrase("Thin steps: the nearest that never fall."))
        if by_ratio and self._plateau[0]:
            found.append(
                phrase(
                    "Long dashes: a rise and a plateau; the bar under the doses is the interval of where it breaks."
                )
            )
        if by_ratio and self._curve[0]:
            found.append(phrase("Dots and dashes: a log-logistic curve."))
        if not by_ratio:
            found.append(phrase("No bars: the runs give no ratio."))
        return " ".join(found)

    def _table_caption(self) -> str:
        if not self.by_ratio:
            return (
                phrase("Middle: the mean place, 1 for most gold.")
                if self.lines.by_places
                else phrase("Middle: the median.")
            )
        equal = any(self.verdicts[rung.name].kind == "equivalent" for rung in self.tried)
        return " ".join(
            [
                phrase("Middle: mean colours of a run.")
                if self.lines.by_colours
                else phrase("Middle: mean with the blocks taken out."),
                phrase("Interval: 95 %, all treatments of the trial judged together, 90 % where marked.")
                if equal
                else phrase("Interval: 95 %, all treatments of the trial judged together."),
                phrase(
                    "Within the margin: shown to lose less than the margin of {margin} times against the dose that gave most, "
                    "from there downwards, one-sided at 5 %.",
                    margin=numeral(self.lines.smallest_ratio, "g"),
                ),
            ]
        )

    def _table(self) -> list[DoseLine]:
        return [self._line(None), *(self._line(rung) for rung in self.ladder.rungs)]

    def _line(self, rung: Rung | None) -> DoseLine:
        from trials.calc.ratio_words import between
        from trials.calc.working import figure

        name = rung.name if rung else self.control
        counted = self.lines.of(name)
        planned = sum(1 for line in self.lines.lines if line.treatment == name)
        below = sum(1 for line in counted if line.is_below)
        runs = phrase("{number}\u00a0of\u00a0{planned}", number=len(counted), planned=planned)
        if below:
            runs = phrase("{runs}, {number} below the scale", runs=runs, number=below)
        mean = None
        if self.comparison is not None:
            mean = self.entry(name).mean if rung else self.comparison.control_mean
        ratio, interval = "", ""
        if rung and self.by_ratio:
            entry = self.entry(name)
            ratio = "" if entry.ratio is None else figure(entry.ratio)
            interval = between(*self._deciding(rung))
            interval += " (90 %)" if self.verdicts[name].kind == "equivalent" else ""
        return DoseLine(
            name=name,
            is_control=rung is None,
            dose=rung.said if rung else "",
            in_ml_per_l=rung.in_ml_per_l if rung else "",
            poured=self.poured(rung.ml_per_l) if rung else "",
            runs=runs,
            middle=_median(counted) if mean is None else figure(mean),
            ratio=ratio,
            interval=interval,
            shown=self._shown_word(rung) if rung else "",
            not_worse=self._not_worse_word(name),
        )

    def _shown_word(self, rung: Rung) -> str:
        kind = self.verdicts[rung.name].kind
        if rung.key in self.shown.by_order_alone:
            return phrase("better, by the order of doses")
        return str(KINDS[kind])

    def _not_worse_word(self, name: str) -> str:
        if self.not_worse is None:
            return "" if self.enough else phrase("too few runs")
        if name == self.not_worse.best:
            return phrase("gave most")
        if name not in self.not_worse.limits:
            return phrase("above the best")
        return phrase("yes") if name in self.not_worse.shown else phrase("not shown")

    # Cost and working

    def _to_cost(self) -> DoseToCost:
        from trials.calc.doses_together import cheaper_and_not_worse, extra_gold_mg

        additive = self.ladder.additive
        if not self.judged or self.shown.least is None:
            return DoseToCost(additive.pk, self.control)
        least = self.rung_at(self.shown.least)
        others = [
            (ladder.additive, rung)
            for ladder in ladders_in(self.lines.treatments)
            if ladder.additive.pk != additive.pk
            for rung in ladder.rungs
        ]
        not_worse: dict[str, bool] = {}
        if others and self.by_ratio:
            names = [rung.name for _, rung in others]
            try:
                not_worse = cheaper_and_not_worse(
                    self.lines.compare_with, least.name, names, self.lines.smallest_ratio
                )
            except ValueError:
                not_worse = {}
        return DoseToCost(
            additive.pk,
            self.control,
            least.said_in_full,
            least.ml_per_l,
            extra_gold_mg(self.comparison, least.name) if self.lines.by_weight and self.by_ratio else None,
            tuple(
                OtherDose(other.pk, rung.name, rung.ml_per_l, not_worse.get(rung.name, False))
                for other, rung in others
            ),
        )

    def _working(self) -> "Working":
        from trials.calc.working import Working, WorkingRow

        rows = [self._runs_row()]
        if not self.judged:
            return Working(tuple(rows))
        if self.ladder is self.lines.ladders[0]:
            rows += self.comparison.working.rows
        else:
            first = self.lines.ladders[0].additive
            rows.append(
                WorkingRow(
                    phrase(
                        "Ratios and intervals: as under {additive}, one comparison for the whole trial",
                        additive=first,
                    )
                )
            )
        if not self.enough:
            return Working(tuple(rows), (self.comparison.method, *self.comparison.assumptions))
        rows += [
            *self._shown_rows(),
            *self._not_worse_rows(),
            *self._fall_rows(),
            *self._check_rows(),
            self._next_row(),
        ]
        return Working(tuple(rows), (self.comparison.method, *self.comparison.assumptions))

    def _runs_row(self) -> "WorkingRow":
        from trials.calc.working import WorkingRow

        return WorkingRow(
            phrase("Runs of the ladder"),
            phrase("as judged") if self.lines.by_places else phrase("as logged"),
            tuple(
                (
                    phrase(
                        "{code}, block {block}, {treatment}",
                        code=line.planned.blind_code,
                        block=line.block,
                        treatment=line.treatment,
                    ),
                    f"{line.result}: {line.left_out}" if line.run and line.left_out else line.result,
                    "",
                    line.run.get_absolute_url() if line.run else "",
                )
                for line in self.lines.lines
                if line.treatment in self.ladder.order
            ),
        )

    def _shown_rows(self) -> "list[WorkingRow]":
        from trials.calc.working import WorkingRow, given

        rows = []
        for rung in reversed(self.tried):
            entry = self.entry(rung.name)
            inputs = [given(phrase("dose"), rung.said_in_full)]
            if entry.lower_95 is not None:
                inputs.append(
                    given(phrase("its own 95 % interval from"), float(entry.lower_95), phrase("times"))
                )
            if entry.lower is not None:
                inputs.append(
                    given(phrase("interval judged with all others from"), float(entry.lower), phrase("times"))
                )
            rows.append(
                WorkingRow(
                    phrase("{treatment}: shown?", treatment=rung.name),
                    phrase(
                        "shown where the interval judged with all others lies above 1, or where its own does and so do "
                        "those of all higher doses"
                    )
                    if self.by_ratio
                    else phrase("shown where it comes before the control, judged with all others"),
                    tuple(inputs),
                    phrase("shown") if rung.key in self.shown.shown else phrase("not shown"),
                    "",
                    phrase(
                        "fixed sequence from the top dose down: Tamhane, Hochberg and Dunnett 1996 (from memory)"
                    ),
                )
            )
        return rows

    def _not_worse_rows(self) -> "list[WorkingRow]":
        from trials.calc.working import WorkingRow, figure, given

        if self.not_worse is None:
            return []
        return [
            WorkingRow(
                phrase("{treatment}: not worse than {best}?", treatment=name, best=self.not_worse.best),
                phrase(
                    "lower end of the 90 % interval of its ratio to the best > 1 / margin, from the best downwards"
                ),
                (
                    given(phrase("margin"), self.lines.smallest_ratio, phrase("times")),
                    given(
                        phrase("lower limit"),
                        phrase("not known") if limit is None else figure(limit),
                        phrase("times the best"),
                    ),
                ),
                phrase("shown not worse") if name in self.not_worse.shown else phrase("not shown"),
                "",
                phrase(
                    "one-sided test against a margin (Schuirmann 1987, from memory); error and blocks of the trial"
                ),
            )
            for name, limit in reversed(self.not_worse.limits.items())
        ]

    def _fall_rows(self) -> "list[WorkingRow]":
        from trials.calc.working import WorkingRow

        if not self.by_ratio:
            return []
        how = (
            phrase(
                "ln(mg) = dose + block; each lower dose minus the top one, the largest t, one-sided 5 %; where it fell the top "
                "is taken off and the next asked"
            )
            if self.all_weighed
            else phrase("every dose in the control's place: a lower one above it, interval judged together")
        )
        value = (
            phrase("no fall shown")
            if self.fall is None
            else phrase("from {dose} up", dose=self.said_of(self.fall.onset))
        )
        return [
            WorkingRow(
                phrase("Does gold fall off at the top?"),
                how,
                (),
                value,
                "",
                phrase("Dunnett 1955, the top dose as the control"),
            )
        ]

    def _check_rows(self) -> "list[WorkingRow]":
        from trials.calc.doses_together import check_order
        from trials.calc.working import WorkingRow

        if not self.all_weighed:
            return []
        values, names, blocks = self.ladder_runs
        try:
            found = check_order(values, names, blocks, self.tried_order, self.fall is not None)
        except ValueError:
            return []
        none = phrase("no dose")
        down = none if found.step_down_least is None else self.said_of(found.step_down_least)
        williams = none if found.williams_least is None else self.said_of(found.williams_least)
        claim = none if self.shown.least is None else self.rung_at(self.shown.least).said
        agree = {down} | ({williams} if not found.why_no_williams else set()) <= {claim}
        return [
            WorkingRow(
                phrase("Check on logarithms of single runs"),
                phrase(
                    "the same order from the top down by t, and Williams' test of rising doses, both 2.5 % one-sided"
                ),
                (
                    (phrase("step-down names as least"), down, "", ""),
                    (phrase("Williams' test names as least"), found.why_no_williams or williams, "", ""),
                ),
                phrase("the same as above")
                if agree
                else phrase(
                    "not all the same as above ({dose}): the least dose hangs on how it is judged, so take it as rough",
                    dose=claim,
                ),
                "",
                phrase("Williams 1971, Biometrics 27, 103-117; critical values integrated for these runs"),
            )
        ]

    def _next_row(self) -> "WorkingRow":
        from trials.calc.working import WorkingRow

        return WorkingRow(
            phrase("Next dose"),
            phrase(
                "root of (highest not shown x lowest shown); nothing shown: top x 2; all shown: lowest / 2; doses that are "
                "too much left out"
            ),
            tuple(
                (rung.said, phrase("shown") if rung.key in self.shown.shown else phrase("not shown"), "", "")
                for rung in self.tried
            ),
            dose_said(self.next.dose_ml_per_l, self.unit),
            "",
            phrase("rule of thumb for ladders, common practice, no source"),
        )


def _ml_per_l(dose: float) -> str:
    return units.format_dose(dose, "ml_per_l")


def _median(lines: Sequence[RunLine]) -> str:
    from trials.calc.working import figure

    if not lines:
        return ""
    found = middle([line.value for line in lines])
    return phrase("below the scale") if found == -math.inf else figure(found)


def _lowered(sentence: str) -> str:
    """A sentence to follow a colon or a comma."""
    return (
        f"{sentence[0].lower()}{sentence[1:]}"
        if sentence[1:2].islower() or sentence.startswith("A ")
        else sentence
    )


def _ended(sentence: str) -> str:
    return sentence if sentence.endswith((".", "!", "?")) else f"{sentence}."


def _short(name: str) -> str:
    return name if len(name) <= 24 else f"{name[:23].rstrip()}…"
