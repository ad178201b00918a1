"""The dose ladders of a closed trial in words, a picture, a table and costs to be: one page. Writes nothing."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from prospecting.calc import units
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
                "not shown", f"No dose of {self.ladder.additive} can be judged.", first.explanation
            )
        if self.shown.least is None:
            worse = (
                f" {listed(rung.said for rung in self.worse)} {self._less} {self.control}."
                if self.worse
                else ""
            )
            top = self.verdicts[self.tried[-1].name]
            if all(self.verdicts[rung.name].kind == "equivalent" for rung in self.tried):
                return Verdict(
                    "equivalent",
                    f"Every dose tried does as well as {self.control} within the stated margin; none is shown to do better.",
                    top.explanation,
                )
            reach = f"Of the top dose, {self.tried[-1].said}: {_lowered(top.explanation)}"
            return Verdict(
                "worse" if self.worse else "not shown",
                f"No dose is shown to {self._more} {self.control}.{worse}",
                reach if top.kind == "not shown" else top.explanation,
            )
        least = self.rung_at(self.shown.least)
        headline = (
            f"The least dose shown to {self._more} {self.control} is {least.said_in_full}; {self._below_it()}"
        )
        return Verdict("better", headline, " ".join(self._about_least(least)))

    def _below_it(self) -> str:
        if self.shown.below is None:
            lower = [rung for rung in self.ladder.rungs if rung.key < self.shown.least]
            return "no run of a lower one counts." if lower else "no lower one was tried."
        return f"the next lower one tried, {self.rung_at(self.shown.below).said}, was not shown."

    def _about_least(self, least: Rung) -> list[str]:
        verdict = self.verdicts[least.name]
        found = []
        if self.by_ratio:
            found.append(f"At it, {_lowered(self._interval_sentence(least.name))}")
        elif verdict.explanation:
            found.append(verdict.explanation)
        if least.key in self.shown.by_order_alone:
            found.append(
                "That interval reaches 1. The dose counts as shown because the doses are also taken in order from the top one "
                "down, each by its own 95 % interval, as long as every higher one held; this is the weaker of the two ways."
            )
        higher = [r for r in self.tried if r.key > least.key and r.key not in self.shown.shown]
        if higher and self.fall is None:
            found.append(
                f"Yet {listed(r.said for r in higher)}, higher, {'is' if len(higher) == 1 else 'are'} not shown: it falls off "
                "there, or one of the results is luck."
            )
        if verdict.within_margin:
            found.append(
                f"It is more by less than the group said matters ({numeral(self.lines.smallest_ratio, 'g')} times)."
            )
        if self.shown.below is not None:
            found.append(
                f"The true least dose lies between the two as far as this ladder can tell; not shown at "
                f"{self.rung_at(self.shown.below).said} does not mean that it does nothing."
            )
        else:
            found.append(
                "The true least dose lies at it or below: this ladder does not reach down to where it ends."
            )
        return found

    def _interval_sentence(self, name: str) -> str:
        from trials.calc.verdict import written

        entry = self.entry(name)
        much = "colours" if self.lines.by_colours else "gold"
        if entry.ratio is None or entry.lower is None or entry.upper is None:
            return f"How many times the {much} of {self.control} cannot be said."
        return (
            f"About {written(entry.ratio)} times the {much} of {self.control} ({written(entry.lower)} to "
            f"{written(entry.upper)}, 95 % interval, all treatments judged together)."
        )

    @property
    def _more(self) -> str:
        if self.lines.by_colours:
            return "give more colours than"
        return "give more gold than" if self.lines.by_places else "recover more than"

    @property
    def _less(self) -> str:
        plural = len(self.worse) > 1
        if self.lines.by_weight:
            return f"{'recover' if plural else 'recovers'} less than"
        what = "fewer colours" if self.lines.by_colours else "less gold"
        return f"{'give' if plural else 'gives'} {what} than"

    def _facts(self) -> list[tuple[str, list[str]]]:
        if not self.judged:
            return []
        if not self.enough:
            return [
                (
                    "First",
                    [
                        "More blocks of the same doses: no dose and the control have three runs each that count, so nothing here "
                        "tells an effect from chance."
                    ],
                )
            ]
        return [
            ("Least effective dose", self._least_fact()),
            ("Little enough", self._enough_fact()),
            ("Too much", self._too_much_fact()),
            ("Next dose to try", self._next_fact()),
        ]

    def _least_fact(self) -> list[str]:
        if self.shown.least is None:
            return ["None is shown."]
        least = self.rung_at(self.shown.least)
        span = (
            self._below_it()
            if self.shown.below is None
            else f"the true one may lie down to {self.rung_at(self.shown.below).said}."
        )
        return [f"{least.said_in_full}, {self.poured(least.ml_per_l)}; {span}"]

    def _enough_fact(self) -> list[str]:
        if not self.by_ratio:
            return ["An order gives no ratio, so how little does as well as the best cannot be said."]
        if self.not_worse is None:
            return [
                f"In these runs no dose gave more than {self.control}, so there is no best dose to compare with."
            ]
        best, least = self.not_worse.best, self.not_worse.least
        margin = (
            f"within the margin of {numeral(self.lines.smallest_ratio, 'g')} times of the dose that gave most, "
            f"{self.said_of(best)}"
        )
        if least is None:
            lower = self.tried_order[self.tried_order.index(best) - 1]
            return [
                f"{self.rung_of(best).said_in_full}, {self.poured(self.rung_of(best).ml_per_l)}, gave most. The next lower, "
                f"{self.said_of(lower)}, is not shown to come {margin}{self._as_low(lower)}."
            ]
        if least == self.control:
            return [f"{self.control} itself: it is shown to come {margin}{self._as_low(least)}."]
        rung = self.rung_of(least)
        return [
            f"{rung.said_in_full}, {self.poured(rung.ml_per_l)}: shown to come {margin}{self._as_low(least)}."
        ]

    def _as_low(self, name: str) -> str:
        from trials.calc.verdict import written

        limit = self.not_worse.limits[name]
        return (
            ""
            if limit is None
            else f" (it gives at least {written(limit)} times as much; one-sided 95 % limit)"
        )

    def _too_much_fact(self) -> list[str]:
        from trials.calc.verdict import written

        found = []
        if self.fall is not None:
            onset, best = self.said_of(self.fall.onset), self.said_of(self.fall.best)
            top = (
                f"{self.said_of(self.fall.top)} gave about {written(self.fall.ratio)} times as much as {best}"
            )
            more = "" if self.fall.onset == self.fall.top else " and above"
            found.append(
                f"At {onset}{more} less than at a lower dose: {top} (shown, all lower doses judged together at 5 %)."
            )
        if self.worse:
            found.append(f"{listed(rung.said for rung in self.worse)} {self._less} {self.control} (shown).")
        if found:
            return found
        top = self.tried[-1].said
        if not self.by_ratio:
            return [
                f"No dose is shown to do worse than {self.control}; that does not show that more would do no harm."
            ]
        return [
            f"No fall towards the top dose, {top}, is shown. This does not show that there is none, nor that more does no harm."
        ]

    def _next_fact(self) -> list[str]:
        again = [self.control if dose == 0 else self.rung_at(dose).said for dose in self.next.again_ml_per_l]
        dose = self.next.dose_ml_per_l
        found = [
            f"{dose_said(dose, self.unit)}, {self.poured(dose)}: {NEXT_BECAUSE[self.next.why]}.",
            f"In the same blocks again: {listed(again)}.",
        ]
        top = self.verdicts[self.tried[-1].name]
        if (self.fall is not None or self.worse) and self.next.why != "again":
            found.append("Doses shown to be too much are left out of this.")
        if self.next.why == "up" and top.more_blocks:
            found.append(
                "But first see what these runs could have seen at all: more blocks of the same doses may tell more."
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
            return f"Whether more dose goes with more gold cannot be judged by order: {refusal}"
        over = f"{found.rows} {'blocks' if self.lines.trial.in_blocks else 'runs'}"
        left = f" ({found.rows_left_out} incomplete left out)" if found.rows_left_out else ""
        luck = f"so clear an order by chance alone: {units.format_odds(found.p)}"
        if found.p < ALPHA:
            return f"More dose, more gold: shown by order over {over}{left}, {found.test}'s test, 5 %, one-sided ({luck})."
        return (
            f"That more dose goes with more gold is not shown by order over {over}{left}, {found.test}'s test at 5 %, one-sided "
            f"({luck}). A fall would not show here either."
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
            return None, "an order gives no ratio to draw it through."
        if self.lines.by_colours:
            return None, "it is drawn through weighed gold only."
        if not self.all_weighed:
            return None, "runs below the scale have no logarithm."
        if self.fall is not None:
            return None, "it supposes that more never gives less, and here the top dose fell."
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
            return ["No curve is drawn: an order gives no ratio."]
        found = []
        if self._steps:
            found.append("Steps: the nearest ratios that never fall from one dose to the next.")
        elif self.fall is not None:
            found.append("Steps that never fall are not drawn: here the top dose fell.")
        plateau, why = self._plateau
        if plateau is None:
            found.append(f"A rise that ends on a plateau is not drawn: {why}")
        else:
            found.append(
                f"Dashes: a rise that ends on a plateau; it breaks at {_ml_per_l(plateau.fit.breakpoint)} "
                f"({self._break_span(plateau)}, 95 % interval, blocks not taken out)."
            )
        curve, why = self._curve
        if curve is None:
            found.append(f"A log-logistic curve is not drawn: {why}")
        else:
            half, most = curve.fit.ed50, curve.fit.ed90
            beyond = "; the second lies beyond the doses tried" if most.beyond_the_tried else ""
            found.append(
                f"Dots and dashes: a log-logistic curve. Half of its rise is reached at {self._effect_dose(half)}, nine tenths "
                f"at {self._effect_dose(most)} (95 % intervals{beyond})."
            )
        return found

    def _break_span(self, plateau: "Plateau") -> str:
        low, high = plateau.fit.breakpoint_lower, plateau.fit.breakpoint_upper
        start = "anywhere from the lowest dose" if low is None else _ml_per_l(low)
        end = "past the highest dose" if high is None else _ml_per_l(high)
        return f"{start} to {end}"

    def _effect_dose(self, effect) -> str:
        at, low, high = map(_ml_per_l, (effect.dose, effect.lower, effect.upper))
        return f"{at} ({low} to {high})"

    # Picture and table

    def _no_picture(self) -> str:
        values = [line.value for line in self.lines.counted if line.treatment in self.ladder.order]
        if not values:
            return f"No {'pan was placed' if self.lines.by_places else 'run counts'}, so there is nothing to draw."
        if not any(value > 0 for value in values):
            nothing = "showed no colour" if self.lines.by_colours else "came out below the scale"
            return f"Nothing to draw: all {len(values)} runs {nothing}."
        return ""

    def _picture(self) -> LadderPicture:
        base = self.comparison.control_mean if self.by_ratio else None
        columns = [self._column(None, base), *(self._column(rung, base) for rung in self.ladder.rungs)]
        plateau, curve = self._plateau[0], self._curve[0]
        what = "places" if self.lines.by_places else "colours" if self.lines.by_colours else "gold"
        chart = {
            "title": f"{what.title()} by dose of {self.ladder.additive}, each run",
            "description": " ".join(self._column_in_words(column, bool(base)) for column in columns),
            "y_caption": self._y_caption(bool(base)),
            "x_caption": f"dose, {units.UNIT_NAMES[self.unit]}",
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
            "below_text": "none" if self.lines.by_colours else "below",
        }
        return LadderPicture(columns, chart, self._legend(columns, bool(base)))

    def _y_caption(self, by_ratio: bool) -> str:
        if by_ratio:
            return f"times the middle of {_short(self.control)}"
        return (
            "place in its row, 1 for most gold" if self.lines.by_places else f"{self.lines.unit} per portion"
        )

    def _column(self, rung: Rung | None, base: float | None) -> dict:
        name = rung.name if rung else self.control
        counted = self.lines.of(name)
        column = {
            "tick": units.format_dose(rung.ml_per_l, self.unit).split(" ")[0] if rung else "none",
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
        dose = "no dose" if column["dose_ml_per_l"] is None else self.rung_at(column["dose_ml_per_l"]).said
        said = f"{dose}: {_counted(len(values) + column['below'], 'run')}"
        if values:
            unit = "times" if by_ratio else self.lines.unit
            said += f", {figure(min(values))} to {figure(max(values))} {unit}"
        if column["below"]:
            said += f", {column['below']} with nothing to show"
        if column.get("lower") is not None and column.get("upper") is not None:
            word = "shown" if column["shown"] else "not shown"
            said += f"; interval {ends(column['lower'], column['upper'])}, {word}"
        return f"{said}."

    def _legend(self, columns: list[dict], by_ratio: bool) -> str:
        found = ["Each dot is one pan." if self.lines.by_places else "Each dot is one run."]
        if any(column["below"] for column in columns):
            found.append(
                "Open dots: no colour." if self.lines.by_colours else "Open dots: runs below the scale."
            )
        if by_ratio:
            found.append(
                "Bars: 95 % intervals, all treatments judged together (90 % where the verdict is equivalence); solid where "
                "something is shown, dashed where not. "
                "Shaded: too small to matter, as fixed before the trial."
            )
        if by_ratio and self._steps:
            found.append("Thin steps: the nearest that never fall.")
        if by_ratio and self._plateau[0]:
            found.append(
                "Long dashes: a rise and a plateau; the bar under the doses is the interval of where it breaks."
            )
        if by_ratio and self._curve[0]:
            found.append("Dots and dashes: a log-logistic curve.")
        if not by_ratio:
            found.append("No bars: the runs give no ratio.")
        return " ".join(found)

    def _table_caption(self) -> str:
        if not self.by_ratio:
            return (
                "Middle: the mean place, 1 for most gold." if self.lines.by_places else "Middle: the median."
            )
        equal = any(self.verdicts[rung.name].kind == "equivalent" for rung in self.tried)
        marked = ", 90 % where marked" if equal else ""
        middle_is = "mean colours of a run" if self.lines.by_colours else "mean with the blocks taken out"
        return (
            f"Middle: {middle_is}. Interval: 95 %, all treatments of the trial judged together{marked}. Within the margin: shown "
            f"to lose less than the margin of {numeral(self.lines.smallest_ratio, 'g')} times against the dose that "
            "gave most, from there "
            "downwards, one-sided at 5 %."
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
        runs = f"{len(counted)}\u00a0of\u00a0{planned}" + (f", {below} below the scale" if below else "")
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
            return "better, by the order of doses"
        return {"equivalent": "equivalent within the margin"}.get(kind, kind)

    def _not_worse_word(self, name: str) -> str:
        if self.not_worse is None:
            return "" if self.enough else "too few runs"
        if name == self.not_worse.best:
            return "gave most"
        if name not in self.not_worse.limits:
            return "above the best"
        return "yes" if name in self.not_worse.shown else "not shown"

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
                WorkingRow(f"Ratios and intervals: as under {first}, one comparison for the whole trial")
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
            "Runs of the ladder",
            "as judged" if self.lines.by_places else "as logged",
            tuple(
                (
                    f"{line.planned.blind_code}, block {line.block}, {line.treatment}",
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
            inputs = [given("dose", rung.said_in_full)]
            if entry.lower_95 is not None:
                inputs.append(given("its own 95 % interval from", float(entry.lower_95), "times"))
            if entry.lower is not None:
                inputs.append(given("interval judged with all others from", float(entry.lower), "times"))
            rows.append(
                WorkingRow(
                    f"{rung.name}: shown?",
                    "shown where the interval judged with all others lies above 1, or where its own does and so do those of all "
                    "higher doses"
                    if self.by_ratio
                    else "shown where it comes before the control, judged with all others",
                    tuple(inputs),
                    "shown" if rung.key in self.shown.shown else "not shown",
                    "",
                    "fixed sequence from the top dose down: Tamhane, Hochberg and Dunnett 1996 (from memory)",
                )
            )
        return rows

    def _not_worse_rows(self) -> "list[WorkingRow]":
        from trials.calc.working import WorkingRow, figure, given

        if self.not_worse is None:
            return []
        return [
            WorkingRow(
                f"{name}: not worse than {self.not_worse.best}?",
                "lower end of the 90 % interval of its ratio to the best > 1 / margin, from the best downwards",
                (
                    given("margin", self.lines.smallest_ratio, "times"),
                    given("lower limit", "not known" if limit is None else figure(limit), "times the best"),
                ),
                "shown not worse" if name in self.not_worse.shown else "not shown",
                "",
                "one-sided test against a margin (Schuirmann 1987, from memory); error and blocks of the trial",
            )
            for name, limit in reversed(self.not_worse.limits.items())
        ]

    def _fall_rows(self) -> "list[WorkingRow]":
        from trials.calc.working import WorkingRow

        if not self.by_ratio:
            return []
        how = (
            "ln(mg) = dose + block; each lower dose minus the top one, the largest t, one-sided 5 %; where it fell the top "
            "is taken off and the next asked"
            if self.all_weighed
            else "every dose in the control's place: a lower one above it, interval judged together"
        )
        value = "no fall shown" if self.fall is None else f"from {self.said_of(self.fall.onset)} up"
        return [
            WorkingRow(
                "Does gold fall off at the top?",
                how,
                (),
                value,
                "",
                "Dunnett 1955, the top dose as the control",
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
        none = "no dose"
        down = none if found.step_down_least is None else self.said_of(found.step_down_least)
        williams = none if found.williams_least is None else self.said_of(found.williams_least)
        claim = none if self.shown.least is None else self.rung_at(self.shown.least).said
        agree = {down} | ({williams} if not found.why_no_williams else set()) <= {claim}
        return [
            WorkingRow(
                "Check on logarithms of single runs",
                "the same order from the top down by t, and Williams' test of rising doses, both 2.5 % one-sided",
                (
                    ("step-down names as least", down, "", ""),
                    ("Williams' test names as least", found.why_no_williams or williams, "", ""),
                ),
                "the same as above"
                if agree
                else f"not all the same as above ({claim}): the least dose hangs on how it is judged, so take it as rough",
                "",
                "Williams 1971, Biometrics 27, 103-117; critical values integrated for these runs",
            )
        ]

    def _next_row(self) -> "WorkingRow":
        from trials.calc.working import WorkingRow

        return WorkingRow(
            "Next dose",
            "root of (highest not shown x lowest shown); nothing shown: top x 2; all shown: lowest / 2; doses that are too much "
            "left out",
            tuple(
                (rung.said, "shown" if rung.key in self.shown.shown else "not shown", "", "")
                for rung in self.tried
            ),
            dose_said(self.next.dose_ml_per_l, self.unit),
            "",
            "rule of thumb for ladders, common practice, no source",
        )


def _ml_per_l(dose: float) -> str:
    return units.format_dose(dose, "ml_per_l")


def _median(lines: Sequence[RunLine]) -> str:
    from trials.calc.working import figure

    if not lines:
        return ""
    found = middle([line.value for line in lines])
    return "below the scale" if found == -math.inf else figure(found)


def _counted(number: int, what: str) -> str:
    return f"1 {what}" if number == 1 else f"{number} {what}s"


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
