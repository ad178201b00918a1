"""What a reader of a verdict should be told beside it: what may have bent the trial, and what runs left out would change."""

import copy
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy

from prospecting.calc import mass_balance, units
from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.number_words import listed
from prospecting.models import Member
from trials.calc.spread import middle, step_hides
from trials.frames.marks import marks_of
from trials.frames.trial_lines import RunLine, TrialLines, value_of
from trials.models import Factor, Run, Trial

if TYPE_CHECKING:
    from trials.calc.cautions import Drift, Runs, Trend
    from trials.calc.comparison import ControlComparison
    from trials.calc.verdict import Verdict

# Less than this of (treatments - 1)(blocks - 1) is too little to claim anything by (common practice, no source).
FEWEST_ERROR_DF = 6
MOST_NAMED = 3
SAID = {
    "better": gettext_lazy("shown better"),
    "worse": gettext_lazy("shown worse"),
    "equivalent": gettext_lazy("shown equivalent"),
    "not shown": gettext_lazy("not shown"),
}
NOT_TOLD_APART = gettext_lazy("Unless that is what the trial tries, nobody can say which of the two did it.")


def cautions_of(
    reading: TrialLines,
    member: Member,
    comparison: "ControlComparison | None",
    verdicts: "dict[str, Verdict]",
    judge_again: "Callable[[TrialLines], dict[str, Verdict]]",
) -> list[str]:
    """Sentences, the weightiest first. `judge_again` gives the verdicts on other lines of the same trial."""
    looked = _Cautions(reading, member, comparison, verdicts, judge_again)
    return [sentence for sentence in looked.sentences() if sentence]


def other_outcomes(reading: TrialLines) -> str:
    """That more was recorded than the trial is judged by; "" where nothing was."""
    runs = [line.run for line in reading.lines if line.run and not line.run.failed and not line.run.is_void]
    also = []
    if not reading.by_weight and (
        weighed := sum(value_of(run, Trial.Outcome.GOLD_MASS) is not None for run in runs)
    ):
        also.append(
            phrase_counted("gold was weighed in {number} run", "gold was weighed in {number} runs", weighed)
        )
    if not reading.by_colours and (counted := sum(run.colours_total is not None for run in runs)):
        also.append(
            phrase_counted(
                "colours were counted in {number} run", "colours were counted in {number} runs", counted
            )
        )
    if not also:
        return ""
    told = listed(also)
    told = told[0].upper() + told[1:]
    return phrase(
        "{told} too. The verdict is by {outcome}, as fixed at planning: choosing afterwards the look that pleases gives luck "
        "a second chance.",
        told=told,
        outcome=reading.trial.get_outcome_display().lower(),
    )


@dataclass(frozen=True)
class _Cautions:
    reading: TrialLines
    member: Member
    comparison: "ControlComparison | None"
    verdicts: "dict[str, Verdict]"
    judge_again: "Callable[[TrialLines], dict[str, Verdict]]"

    def sentences(self) -> list[str]:
        return [
            self._left_out(),
            *self._bent(),
            *self._went_along(),
            self._few_blocks(),
            self._scale(),
            self._portions(),
            self._guesses(),
            self._marked(),
            self._wet(),
        ]

    # Runs left out

    def _left_out(self) -> str:
        out = [line for line in self.reading.lines if line.run and not line.counts]
        if not out:
            return ""
        said = phrase_counted(
            "{number} run left out ({treatments}); reasons stand below. A run that failed because of its treatment makes the "
            "comparison unfair.",
            "{number} runs left out ({treatments}); reasons stand below. A run that failed because of its treatment makes the "
            "comparison unfair.",
            len(out),
            treatments=self.reading.by_treatment(out),
        )
        return " ".join([said, *self._with_failed()])

    def _with_failed(self) -> list[str]:
        """What the failed runs would change: reckoned where they gave a figure, else that nobody can know."""
        failed = [
            line for line in self.reading.lines if line.run and line.run.failed and not line.run.is_void
        ]
        gave = {}
        for line in failed:
            value = value_of(line.run, self.reading.outcome)
            if value is not None:
                gave[line.planned.pk] = value
        said = []
        if gave:
            again = self._again(
                lambda line: replace(line, value=gave[line.planned.pk]) if line.planned.pk in gave else line
            )
            changes = self._changes(again)
            told = (
                phrase("this: {changes}", changes="; ".join(changes))
                if changes
                else phrase("no verdict, and no ratio by more than the margin")
            )
            said.append(
                phrase_counted(
                    "Counted in all the same, the one with a figure would change {told}.",
                    "Counted in all the same, the {number} with a figure would change {told}.",
                    len(gave),
                    told=told,
                )
            )
        if silent := len(failed) - len(gave):
            if gave:
                start = phrase("{number} of them gave no figure", number=silent)
            else:
                start = phrase_counted("It gave no figure", "Not one of them gave a figure", silent)
            said.append(
                phrase_counted(
                    "{start}: it may have been the best or the worst of all, so what it would change cannot be known.",
                    "{start}: they may have been the best or the worst of all, so what they would change cannot be known.",
                    silent,
                    start=start,
                )
            )
        return said

    # Drift, learning, a run or block apart

    def _bent(self) -> list[str]:
        if self.comparison is None or self.comparison.route not in ("mass", "colours"):
            return []
        runs = self._columns(self.reading.counted)
        if not self.reading.trial.order_is_known:
            return [self._apart(runs)]
        return [self._drift(runs), self._trend(runs), *self._minutes(), self._apart(runs)]

    def _columns(self, lines: Sequence[RunLine]) -> "Runs":
        from trials.calc.cautions import Runs

        return Runs(
            [line.value for line in lines],
            [line.treatment for line in lines],
            [line.block for line in lines],
            self.reading.by_colours,
            self.reading.scale_step_mg,
        )

    def _drift(self, runs: "Runs") -> str:
        from trials.calc.cautions import drift

        places = [line.planned.position for line in self.reading.counted]
        found = drift(runs, places, self.reading.control)
        if found is None or not found.stands_out():
            return ""
        where = (
            phrase("Within the blocks") if self.reading.trial.in_blocks else phrase("Over the whole trial")
        )
        bent = phrase(
            "{where} the order bent the {gold}: the last place gave about {times} what the first did, treatments taken out.",
            where=where,
            gold=self._what,
            times=_times(found),
        )
        return f"{bent} {self._moved(found)}"

    def _moved(self, found: "Drift") -> str:
        from trials.calc.verdict import written

        ratios = {name: verdict.ratio for name, verdict in self.verdicts.items() if verdict.ratio}
        moved = found.moved(ratios)
        if not moved:
            return phrase("Early and late fell to all treatments alike, so the ratios hardly hang on it.")
        told = ", ".join(
            phrase(
                "{treatment} {new} times instead of {old}",
                treatment=name,
                new=written(without),
                old=written(ratio),
            )
            for name, ratio, without in moved[:MOST_NAMED]
        )
        return phrase("With that taken out: {told}.", told=told)

    def _trend(self, runs: "Runs") -> str:
        from trials.calc.cautions import trend_over_blocks

        found = trend_over_blocks(runs) if self.reading.trial.in_blocks else None
        if found is None or not found.stands_out():
            return ""
        return phrase(
            "Later blocks gave {more} {gold}: the last about {times} what the first did, treatments taken out. Hands that "
            "learn or tire, water and light do that; comparing within blocks takes it out of the verdict, not out of the grade.",
            more=phrase("more") if found.factor > 1 else phrase("less"),
            gold=self._what,
            times=_times(found),
        )

    def _minutes(self) -> list[str]:
        """Of each panner with enough runs: whether the minutes a portion fell or rose as the trial went on."""
        from trials.calc.cautions import Runs, differs_enough, drift, trend_over_blocks

        timed: dict[str, list[RunLine]] = {}
        for line in self.reading.counted:
            if line.run.pan_min:
                timed.setdefault(str(line.run.panner), []).append(line)
        said = []
        for panner, lines in timed.items():
            minutes = [float(line.run.pan_min) for line in lines]
            treatments = [line.treatment for line in lines]
            runs = Runs(minutes, treatments, [line.block for line in lines])
            if self.reading.trial.in_blocks:
                found = trend_over_blocks(runs)
            else:
                found = drift(runs, [line.planned.run_order for line in lines], self.reading.control)
            if not (found and found.stands_out(len(timed)) and differs_enough([1.0, found.factor])):
                continue
            times = _times(found)
            said.append(
                phrase(
                    "{panner} panned faster as the trial went on: a portion took about {times} as long at its end as at its "
                    "start. Hands were still learning: a later trial may answer otherwise.",
                    panner=panner,
                    times=times,
                )
                if found.factor < 1
                else phrase(
                    "{panner} panned slower as the trial went on: a portion took about {times} as long at its end as at its "
                    "start. Hands tired, or took more care: a later trial may answer otherwise.",
                    panner=panner,
                    times=times,
                )
            )
        return said

    def _apart(self, runs: "Runs") -> str:
        from trials.calc.cautions import apart

        found = apart(runs)
        if found is None:
            return ""
        if found.run is not None:
            out = self.reading.counted[found.run]
            where = (
                phrase("block {block}, {treatment}", block=out.block, treatment=out.treatment)
                if self.reading.trial.in_blocks
                else out.treatment
            )
            start = phrase(
                "One run stands far apart from the others, {code} ({where}, {result})",
                code=out.planned.blind_code,
                where=where,
                result=out.result,
            )
            gone = {out.planned.pk}
        else:
            gone = {line.planned.pk for line in self.reading.counted if line.block == found.block}
            start = (
                phrase("Block {block} stands apart from the others", block=found.block)
                if found.share is None
                else phrase(
                    "Block {block} alone holds {share} of all the {gold}",
                    block=found.block,
                    share=units.format_share(found.share),
                    gold=self._what,
                )
            )
        again = self._again(
            lambda line: replace(line, value=None) if line.planned.pk in gone else line,
        )
        changes = self._changes(again)
        return (
            phrase("{start}. Without it: {changes}.", start=start, changes="; ".join(changes))
            if changes
            else ""
        )

    def _again(self, change: Callable[[RunLine], RunLine]) -> TrialLines:
        """The same reading with other lines."""
        other = copy.copy(self.reading)
        other.lines = [change(line) for line in self.reading.lines]
        return other

    def _changes(self, other: TrialLines) -> list[str]:
        """Where another reading gives another verdict, or a ratio that lies off by more than the margin."""
        from trials.calc.cautions import beyond_margin
        from trials.calc.verdict import FEWEST_RUNS, written

        enough = len(other.of(other.control)) >= FEWEST_RUNS
        said = []
        for name, verdict in self.judge_again(other).items():
            before = self.verdicts[name]
            differs = verdict.kind != before.kind and enough and len(other.of(name)) >= FEWEST_RUNS
            moved = beyond_margin(verdict.ratio, before.ratio, self.reading.smallest_ratio)
            if not differs and not moved:
                continue
            new, old = (
                phrase("{ratio} times", ratio=written(each.ratio)) if each.ratio else ""
                for each in (verdict, before)
            )
            if differs:
                new, old = (
                    f"{SAID[each.kind]}{f' ({times})' if times else ''}"
                    for each, times in ((verdict, new), (before, old))
                )
            said.append(
                phrase("{treatment} would be {new} instead of {old}", treatment=name, new=new, old=old)
            )
        return said

    # What went along with a treatment

    def _went_along(self) -> list[str]:
        lines = self.reading.counted
        return [
            self._measure(
                phrase("Soak"),
                phrase("minutes"),
                {line: line.run.soak_min for line in lines},
                Factor.Kind.SOAK,
            ),
            self._measure(
                phrase("The water's warmth"), "°C", {line: line.run.water_temp_c for line in lines}
            ),
            self._names(phrase("The water"), {line: _water(line.run) for line in lines}),
            self._names(phrase("Light"), {line: line.run.get_light_display().lower() for line in lines}),
            self._names(phrase("Who panned"), {line: str(line.run.panner) for line in lines}),
        ]

    def _measure(self, what: str, unit: str, seen: dict[RunLine, object], tried: str = "") -> str:
        from trials.calc.cautions import differs_enough, farthest_means
        from trials.calc.working import figure

        known = {line: float(value) for line, value in seen.items() if value is not None}
        if not self._goes_along(known):
            return ""
        least, most = farthest_means(list(known.values()), [line.treatment for line in known])
        if not differs_enough([least[1], most[1]]) or (tried and self._tried(tried)):
            return ""
        told = phrase(
            "{what} went along with the treatment: on average {least} {unit} with {one}, {most} with {other}.",
            what=what,
            least=figure(least[1]),
            unit=unit,
            one=least[0],
            most=figure(most[1]),
            other=most[0],
        )
        return f"{told} {NOT_TOLD_APART}"

    def _names(self, what: str, seen: dict[RunLine, str]) -> str:
        from trials.calc.cautions import farthest_kind

        known = {line: value for line, value in seen.items() if value}
        if not self._goes_along(known):
            return ""
        kind, two = farthest_kind(list(known.values()), [line.treatment for line in known])
        told = ", ".join(
            phrase("in {runs} of {all} runs of {treatment}", runs=runs, all=of, treatment=name)
            for name, runs, of in two
        )
        said = phrase("{what} went along with the treatment: {kind} {told}.", what=what, kind=kind, told=told)
        return f"{said} {NOT_TOLD_APART}"

    def _goes_along(self, known: dict[RunLine, object]) -> bool:
        from trials.calc.cautions import LEVEL, goes_with

        if len(set(known.values())) < 2:
            return False
        lines = list(known)
        level = goes_with(
            list(known.values()), [line.treatment for line in lines], [line.block for line in lines]
        )
        return level < LEVEL

    def _tried(self, kind: str) -> bool:
        """Whether this is what the trial tries."""
        return self.reading.trial.factors.filter(kind=kind).exists()

    # Too little, too coarse, not equal, not blind, not clean, not dry

    def _few_blocks(self) -> str:
        comparison = self.comparison
        if (
            comparison is None
            or comparison.route == "ranks"
            or comparison.df is None
            or comparison.df >= FEWEST_ERROR_DF
        ):
            return ""
        planned = (
            phrase_counted("{number} run", "{number} runs", comparison.runs_used)
            if comparison.in_one_order
            else phrase_counted("{number} block", "{number} blocks", comparison.blocks)
        )
        return phrase(
            "{runs} leave {degrees} degrees of freedom to judge chance by; under {fewest} is little to stand on (common "
            "practice). A repeat in new blocks is worth more than this verdict.",
            runs=planned,
            degrees=comparison.df,
            fewest=FEWEST_ERROR_DF,
        )

    def _scale(self) -> str:
        weighed = [line.value for line in self.reading.counted if not line.is_below]
        step = self.reading.scale_step_mg
        if not self.reading.by_weight or not weighed or not step:
            return ""
        middling = middle(weighed)
        if not step_hides(step, middling):
            return ""
        return phrase(
            "The scale's step, {step}, is more than a third of a middling run ({middling}): its rounding hides small "
            "differences and can make up others.",
            step=units.format_gold_mg(step),
            middling=units.format_gold_mg(middling),
        )

    def _portions(self) -> str:
        masses = [line.run.portion_mass_g for line in self.reading.counted]
        if not masses or mass_balance.weigh_alike(masses):
            return ""
        low, high = (units.format_mass(mass, self.member.mass_unit) for mass in (min(masses), max(masses)))
        return phrase(
            "The portions are not equal ({low} to {high}, over 5 % apart): a heavier one holds more gold "
            "whatever was done to it.",
            low=low,
            high=high,
        )

    def _guesses(self) -> str:
        # Only words: a treatment chosen from the list is counted against luck, beside who had seen the key.
        guessed = [
            line
            for line in self.reading.lines
            if line.run and line.run.guess and not line.run.guess_treatment_id
        ]
        if not guessed:
            return ""
        told = "; ".join(
            phrase(
                "{code} guessed “{guess}”, was {treatment}",
                code=line.planned.blind_code,
                guess=line.run.guess,
                treatment=line.treatment,
            )
            for line in guessed
        )
        return phrase_counted(
            "Of {number} run the panner guessed the treatment: {guesses}. Where guesses come right, smell, colour or suds gave "
            "it away.",
            "Of {number} runs the panner guessed the treatment: {guesses}. Where guesses come right, smell, colour or suds gave "
            "it away.",
            len(guessed),
            guesses=told,
        )

    def _marked(self) -> str:
        told = [
            f"{mark.lot.code} ({mark.get_kind_display().lower()}: {mark.what})"
            for mark in marks_of(self.reading.trial)
        ]
        if not told:
            return ""
        return phrase(
            "Contamination is marked on material of these runs: {marks}. Gold or barren rock that got in "
            "counts for or against a treatment by chance.",
            marks="; ".join(told),
        )

    def _wet(self) -> str:
        if self.reading.trial.feed_lot.is_dry:
            return ""
        return phrase(
            "{lot} is not marked as dried: that does not harm the comparison, but a grade per mass of it reads low.",
            lot=self.reading.trial.feed_lot.code,
        )

    @property
    def _what(self) -> str:
        return phrase("colours") if self.reading.by_colours else phrase("gold")


def _water(run: Run) -> str:
    batch = phrase("lot {batch}", batch=run.water_batch) if run.water_batch else ""
    return ", ".join(filter(None, [run.water, batch]))


def _times(trend: "Trend") -> str:
    from trials.calc.ratio_words import between
    from trials.calc.verdict import written

    return phrase(
        "{ratio} times ({interval}, 95 % interval)",
        ratio=written(trend.factor),
        interval=between(trend.lower, trend.upper, written),
    )
