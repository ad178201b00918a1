"""What a closed trial shows: its runs out of the books, through calc, to the sentences and rows of one page. Writes nothing."""

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from django.utils import dateformat, timezone

from prospecting.calc import mass_balance, units
from prospecting.calc.grade import grade_g_per_t
from prospecting.models import Member, Origin
from trials.calc.spread import as_multiples, middle, step_hides
from trials.frames.judging import Judged
from trials.frames.marks import marks_of
from trials.frames.trial_lines import RunLine, TrialLines
from trials.models import KeyOpening, Treatment, Trial

if TYPE_CHECKING:
    from trials.calc.chance import ControlSpread
    from trials.calc.comparison import ControlComparison, TreatmentComparison
    from trials.calc.verdict import Verdict
    from trials.calc.working import Working, WorkingRow

# Less than this of (treatments - 1)(blocks - 1) is too little to claim anything by (common practice, no source).
FEWEST_ERROR_DF = 6
# Guesses that luck would not bring as often as this are more than luck (common practice, no source).
LUCK = 0.05
INDICATION = "recovered by panning, indication only"
RUNS_READ = {
    Trial.Outcome.GOLD_MASS: "as logged; gold by weight",
    Trial.Outcome.COLOURS: "as logged; colours of all size classes added",
    Trial.Outcome.PLACES: "as judged; 1 shows most gold, pans alike share the mean of the places they take",
}


@dataclass(frozen=True)
class TableLine:
    """One treatment as the table shows it; every figure as it is to be read, empty where the runs do not give it."""

    name: str
    is_control: bool
    counted: int
    planned: int
    below: int
    middle: str
    ratio: str
    interval: str
    wins: str
    more_gold: str
    grade: str


@dataclass(frozen=True)
class SightLine:
    """What the trial could have seen of one treatment or of several alike, 8 times in 10, and what the wished ratio takes."""

    names: str
    seen: str
    more: str


@dataclass(frozen=True)
class Picture:
    """Rows for the chart (its keyword arguments) and the words around it."""

    rows: list[dict]
    caption: str
    title: str
    description: str
    legend: str
    margin_ratio: float | None
    below_text: str


@dataclass(frozen=True)
class TrialVerdict:
    """All that the page of a closed trial shows, in the order it shows it."""

    route: str
    alarms: list[str]
    route_why: str
    verdicts: "list[Verdict]"
    blindness: str
    logged_blind: bool
    picture: Picture
    no_picture: str
    table: list[TableLine]
    unit: str
    chance: list[str]
    chance_working: "Working | None"
    sight: list[SightLine]
    warnings: list[str]
    working: "Working"
    origins: list[Origin]
    runs: list[RunLine]
    left_out: list[RunLine]
    judged: Judged | None
    panners: str
    openings: list[KeyOpening]


def verdict_of(trial: Trial, member: Member) -> TrialVerdict:
    """Analyse a closed trial by the outcome fixed at its planning; figures in this member's units."""
    return _Reading(trial, member=member).verdict()


@dataclass
class _Reading(TrialLines):
    """The trial's rows, and the analysis on top of them."""

    member: Member = field(kw_only=True)
    origins: list[Origin] = field(init=False)

    def __post_init__(self) -> None:
        super().__post_init__()
        self.origins = list(self.trial.feed_lot.origins.select_related("dig__zone__claim"))

    def verdict(self) -> TrialVerdict:
        comparison, why_none = self.compare()
        verdicts = self._verdicts(comparison, why_none)
        spread = self._control_spread()
        blindness, logged_blind = self._blindness()
        picture = self._picture(comparison, verdicts)
        return TrialVerdict(
            route=comparison.route if comparison else "none",
            alarms=self._alarms(),
            route_why=self._route_why(comparison),
            verdicts=list(verdicts.values()),
            blindness=blindness,
            logged_blind=logged_blind,
            picture=picture,
            no_picture=self._no_picture(picture),
            table=self._table(comparison, verdicts),
            unit=self.unit,
            chance=self._chance(spread),
            chance_working=self._chance_working(spread),
            sight=_place_sights(comparison, verdicts)
            if self.by_places
            else _sight_lines(verdicts, self.smallest_ratio, not self.trial.in_blocks),
            warnings=self._warnings(comparison),
            working=self._working(comparison, verdicts),
            origins=self.origins,
            runs=self.lines,
            left_out=[line for line in self.lines if not line.counts],
            judged=self.judged,
            panners=_counted_names(str(line.run.panner) for line in self.lines if line.run),
            openings=self.openings,
        )

    def _verdicts(self, comparison: "ControlComparison | None", why_none: str) -> "dict[str, Verdict]":
        from trials.calc.places import judge_places, not_placed
        from trials.calc.verdict import judge, not_enough

        compared = [treatment.name for treatment in self.treatments if not treatment.is_control]
        blocks = len({line.block for line in self.counted if line.treatment == self.control})
        if self.by_places:
            return {
                name: judge_places(comparison, name) if comparison else not_placed(name, why_none, blocks)
                for name in compared
            }
        if comparison is None:
            in_one_order = not self.trial.in_blocks
            have = len(self.of(self.control)) if in_one_order else blocks
            return {
                name: not_enough(name, why_none, self.smallest_ratio, have, in_one_order) for name in compared
            }
        return {name: judge(comparison, name, self.smallest_ratio) for name in compared}

    # What stands above the verdicts, and the warnings below

    def _alarms(self) -> list[str]:
        from trials.calc.verdict import uneven_failures

        found = []
        if self.trial.wishful_reason:
            found.append(
                f"Planned although the planning page said that it can't answer its question: {_ended(self.trial.wishful_reason)} "
                "Not shown then says next to nothing, and what is shown is likely too large."
            )
        not_done = sum(1 for line in self.lines if line.run is None)
        if not_done:
            day = dateformat.format(timezone.localtime(self.trial.closed_at), "j M Y")
            found.append(
                f"Ended early by {self.trial.closed_by} on {day}, {not_done} of {len(self.lines)} planned runs not done: "
                f"{_ended(self.trial.close_reason)} A trial stopped when it looks good shows gains that "
                "are not there, so read the verdict as weaker than its figures."
            )
        elif self.by_places and self.trial.close_reason:
            found.append(
                f"Ended by {self.trial.closed_by} before every row was judged: {_ended(self.trial.close_reason)} Rows left out "
                "because of what was seen in them make the rest unfair."
            )
        failed = Counter({treatment.name: 0 for treatment in self.treatments})
        failed.update(line.treatment for line in self.lines if line.run and not line.counts)
        if uneven := uneven_failures(failed):
            others = f"at most {_runs(uneven.most_elsewhere)}" if uneven.most_elsewhere else "none"
            found.append(
                f"{uneven.failed} runs of {uneven.treatment} failed, and {others} of any other treatment. If they failed "
                "because of what was done to them, no analysis of the rest is fair: find out why first."
            )
        unmixed = [
            line
            for line in self.counted
            if not any(opening.opened_at < line.run.recorded_at for opening in self.openings)
        ]
        if unmixed:
            found.append(
                f"{len(unmixed)} of the {len(self.counted)} runs that count were logged before anyone had opened the mixing "
                "sheet, so nobody can have filled those tubs by the plan. Unless the key was known some other way, like is "
                "compared with like here, and any difference is chance."
            )
        return found

    def _route_why(self, comparison: "ControlComparison | None") -> str:
        if comparison is None or not comparison.runs_below_scale:
            return ""
        below = self.by_treatment(line for line in self.counted if line.is_below)
        said = (
            f"{comparison.runs_below_scale} of {comparison.runs_used} runs came out below the scale ({below}). What the scale "
            "does not show is not zero"
        )
        if comparison.route == "ranks":
            return (
                f"{said} and has no ratio, so the treatments are compared by their places within the blocks: that gives a "
                "direction, not how much."
            )
        return (
            f"{said}: these runs count as anything from nothing to {units.format_gold_mg(self.scale_step_mg)}, and every "
            "interval below is wide enough to hold whatever they weighed."
        )

    def _blindness(self) -> tuple[str, bool]:
        counted = self.counted
        seeing = [line for line in counted if not line.is_blind]
        if not counted:
            return "", True
        guesses, guessed_blind = self._guesses()
        if not seeing:
            said = f"Logged blind: nobody who panned one of the {len(counted)} runs had seen the key."
            return f"{said} {guesses}".strip(), guessed_blind
        by = _counted_names(str(line.run.panner) for line in seeing)
        were = "run was" if len(seeing) == 1 else "runs were"
        said = (
            f"{len(seeing)} of {len(counted)} {were} panned by someone who had seen the key ({by}): this verdict is weaker "
            "than its figures."
        )
        return f"{said} {guesses}".strip(), False

    def _guesses(self) -> tuple[str, bool]:
        """How well the treatments were guessed against luck; whether luck explains it (more than 1 time in 20)."""
        from trials.calc.designs import guess_check

        guessed = [line for line in self.lines if line.run and line.run.guess_treatment_id]
        if not guessed:
            return "", True
        right = sum(line.run.guess_treatment_id == line.planned.treatment_id for line in guessed)
        choices = len(self.treatments)
        luck = guess_check(len(guessed), right, choices)
        said = (
            f"The panner guessed the treatment of {_runs(len(guessed))} and was right on {right}; luck alone, among {choices} "
            f"treatments, brings about {luck.expected_by_chance:.1f}"
        )
        if right == 0:
            return f"{said}.", True
        said += f" ({right} or more by luck: {units.format_odds(luck.chance_of_this_many_or_more)})."
        if luck.chance_of_this_many_or_more > LUCK:
            return said, True
        return f"{said} The treatments could be told apart: this verdict is weaker than its figures.", False

    def _warnings(self, comparison: "ControlComparison | None") -> list[str]:
        checks = [
            self._warn_left_out(),
            self._warn_few_blocks(comparison),
            self._warn_scale(),
            self._warn_portions(),
            self._warn_guesses(),
            self._warn_wet(),
            self._warn_marked(),
        ]
        return [sentence for sentence in checks if sentence]

    def _warn_marked(self) -> str:
        told = [
            f"{mark.lot.code} ({mark.get_kind_display().lower()}: {mark.what})"
            for mark in marks_of(self.trial)
        ]
        if not told:
            return ""
        return (
            f"Contamination is marked on material of these runs: {'; '.join(told)}. Gold or barren rock that got in counts for "
            "or against a treatment by chance."
        )

    def _warn_left_out(self) -> str:
        out = [line for line in self.lines if line.run and not line.counts]
        if not out:
            return ""
        return (
            f"{_runs(len(out))} left out ({self.by_treatment(out)}); reasons stand below. A run that failed "
            "because of its treatment makes the comparison unfair."
        )

    def _warn_few_blocks(self, comparison: "ControlComparison | None") -> str:
        if (
            comparison is None
            or comparison.route == "ranks"
            or comparison.df is None
            or comparison.df >= FEWEST_ERROR_DF
        ):
            return ""
        planned = _runs(comparison.runs_used) if comparison.in_one_order else _blocks(comparison.blocks)
        return (
            f"{planned} leave {comparison.df} degrees of freedom to judge chance by; under "
            f"{FEWEST_ERROR_DF} is little to stand on (common practice). A repeat in new blocks is worth more than this verdict."
        )

    def _warn_scale(self) -> str:
        weighed = [line.value for line in self.counted if not line.is_below]
        step = self.scale_step_mg
        if not self.by_weight or not weighed or not step:
            return ""
        middling = middle(weighed)
        if not step_hides(step, middling):
            return ""
        return (
            f"The scale's step, {units.format_gold_mg(step)}, is more than a third of a middling run "
            f"({units.format_gold_mg(middling)}): its rounding hides small differences and can make up others."
        )

    def _warn_portions(self) -> str:
        masses = [line.run.portion_mass_g for line in self.counted]
        if not masses or mass_balance.weigh_alike(masses):
            return ""
        low, high = (units.format_mass(mass, self.member.mass_unit) for mass in (min(masses), max(masses)))
        return (
            f"The portions are not equal ({low} to {high}, over 5 % apart): a heavier one holds more gold whatever was done "
            "to it."
        )

    def _warn_guesses(self) -> str:
        # Only words: a treatment chosen from the list is counted against luck, beside who had seen the key.
        guessed = [
            line for line in self.lines if line.run and line.run.guess and not line.run.guess_treatment_id
        ]
        if not guessed:
            return ""
        told = "; ".join(
            f"{line.planned.blind_code} guessed “{line.run.guess}”, was {line.treatment}" for line in guessed
        )
        return (
            f"Of {_runs(len(guessed))} the panner guessed the treatment: {told}. Where guesses come right, smell, colour or suds "
            "gave it away."
        )

    def _warn_wet(self) -> str:
        if self.trial.feed_lot.is_dry:
            return ""
        return (
            f"{self.trial.feed_lot.code} is not marked as dried: that does not harm the comparison, but a grade per mass of "
            "it reads low."
        )

    # Table and picture

    def _table(
        self, comparison: "ControlComparison | None", verdicts: "dict[str, Verdict]"
    ) -> list[TableLine]:
        return [self._table_line(treatment, comparison, verdicts) for treatment in self.treatments]

    def _table_line(self, treatment: Treatment, comparison, verdicts) -> TableLine:
        from trials.calc.working import figure

        name, is_control = treatment.name, treatment.is_control
        counted = self.of(name)
        entry = None if comparison is None or is_control else comparison.of(name)
        mean = None if comparison is None else (comparison.control_mean if is_control else entry.mean)
        ratio, interval, wins, more_gold, grade = "", "", "", "", ""
        if entry is not None:
            ratio = "" if entry.ratio is None else figure(entry.ratio)
            interval = _interval_text(entry, verdicts[name])
            if comparison.in_one_order:
                wins = "no blocks"
            elif entry.blocks_compared:
                wins = f"{entry.blocks_higher} of {entry.blocks_compared}"
        if mean and self.by_weight:
            grade = units.format_grade(grade_g_per_t(mean, self.mean_portion_g), self.member.grade_unit)
            if entry is not None and comparison.control_mean:
                more_gold = _signed(comparison.gain(name))
        return TableLine(
            name=name,
            is_control=is_control,
            counted=len(counted),
            planned=sum(1 for line in self.lines if line.treatment == name),
            below=sum(1 for line in counted if line.is_below),
            middle=_middle_text(counted) if mean is None else figure(mean),
            ratio=ratio,
            interval=interval,
            wins=wins,
            more_gold=more_gold,
            grade=grade,
        )

    def _picture(self, comparison: "ControlComparison | None", verdicts: "dict[str, Verdict]") -> Picture:
        """Multiples of the control's middle where it has one, else the plain figures."""
        if self.by_places:
            return self._picture_of_places()
        base = comparison.control_mean if comparison and comparison.route != "ranks" else None
        as_ratio = bool(base)
        rows = [
            self._picture_row(treatment, comparison, verdicts, base or 1.0) for treatment in self.treatments
        ]
        below_text = "none" if self.by_colours else "below"
        legend = "Each dot is one run."
        if any(row["below"] for row in rows):
            legend += (
                " Open dots: runs that showed no colour."
                if self.by_colours
                else " Open dots: runs below the scale."
            )
        if as_ratio:
            legend += (
                " Bars are 95 % intervals, all treatments judged together (90 % where the verdict is equivalence): solid where "
                "something is shown, dashed where not. Shaded: too small to matter, as fixed before the trial."
            )
        else:
            legend += " No bars: the runs give no ratio."
        what = "colours" if self.by_colours else "gold"
        return Picture(
            rows=rows,
            caption=f"times the middle of {_short(self.control)}" if as_ratio else f"{self.unit} per portion",
            title=f"{what.title()} by treatment, each run{' as a multiple of the control' if as_ratio else ''}",
            description=" ".join(_row_in_words(row, self.unit, as_ratio) for row in rows),
            legend=legend,
            margin_ratio=self.smallest_ratio if as_ratio else None,
            below_text=below_text,
        )

    def _picture_of_places(self) -> Picture:
        rows = [
            {
                "label": f"{treatment.name} (control)" if treatment.is_control else treatment.name,
                "values": [line.value for line in self.of(treatment.name)],
                "below": 0,
            }
            for treatment in self.treatments
        ]
        return Picture(
            rows=rows,
            caption="place in its row of pans, 1 for most gold",
            title="Places by treatment, each pan",
            description=" ".join(_row_in_words(row, "", as_ratio=False) for row in rows),
            legend="Each dot is one pan, the most gold at the left. No bars: places give no ratio.",
            margin_ratio=None,
            below_text="",
        )

    def _picture_row(self, treatment: Treatment, comparison, verdicts, base: float) -> dict:
        name = treatment.name
        values = as_multiples([line.value for line in self.of(name) if line.value > 0], base)
        row = {
            "label": f"{name} (control)" if treatment.is_control else name,
            "values": values,
            "below": sum(1 for line in self.of(name) if line.value <= 0),
        }
        if (
            treatment.is_control
            or comparison is None
            or comparison.route == "ranks"
            or not comparison.control_mean
        ):
            return row
        entry, verdict = comparison.of(name), verdicts[name]
        lower, upper = _deciding_interval(entry, verdict)
        return row | {
            "centre": entry.ratio,
            "lower": lower,
            "upper": upper,
            "shown": verdict.kind != "not shown",
            "worse": verdict.kind == "worse",
        }

    def _no_picture(self, picture: Picture) -> str:
        if any(row["values"] for row in picture.rows):
            return ""
        if not self.counted:
            return f"No {'pan was placed' if self.by_places else 'run counts'}, so there is nothing to draw."
        if self.by_colours:
            return f"Nothing to draw: none of the {len(self.counted)} runs showed a colour."
        return f"Nothing to draw: all {len(self.counted)} runs came out below the scale."

    # Chance

    def _control_spread(self) -> "ControlSpread | None":
        from trials.calc.chance import spread_of_counts, spread_of_masses

        if self.by_places:
            return None
        values = [line.value for line in self.of(self.control) if not line.is_below]
        if not values:
            return None
        if self.by_colours:
            return spread_of_counts([int(value) for value in values])
        return spread_of_masses(values, colours=self._control_colours())

    def _control_colours(self) -> dict[str, float] | None:
        """Mean colours per control run by size class, over the weighed control runs whose colours were counted."""
        from trials.calc.chance import colours_per_run

        counted = [
            line.run
            for line in self.of(self.control)
            if not line.is_below and line.run.colours_total is not None
        ]
        return colours_per_run(
            [{count.size_class: count.count for count in run.colours.all()} for run in counted]
        )

    def _chance(self, spread: "ControlSpread | None") -> list[str]:
        if self.by_places:
            return self._chance_of_places()
        if spread is None:
            return ["No control run can be weighed against chance: none gave a figure."]
        found = [spread.sentence]
        if not self.by_colours and spread.cv_chance is None and spread.mean > 0:
            found = [self._guessed_chance(spread)]
        below = sum(1 for line in self.of(self.control) if line.is_below)
        if below:
            found.append(
                f"{_runs(below)} of {self.control} below the scale could not be counted in, so the true spread is wider."
            )
        if spread.cv_seen:
            found.append(
                "What differs from block to block (day, water, panner) is in the spread seen; the verdicts take it out."
                if self.trial.in_blocks
                else "What changed from the first run to the last (day, water, panner) is in the spread, and without blocks "
                "nothing takes it out."
            )
        return found

    def _chance_of_places(self) -> list[str]:
        from trials.calc.place_power import by_chance

        rows = [row for row in self.judged.rows if row.order]
        if not rows:
            return ["No row was judged, so nothing can be weighed against chance."]
        return [by_chance(len(self.treatments), len(rows))]

    def _guessed_chance(self, spread: "ControlSpread") -> str:
        from trials.calc.chance import GRAIN_MG, percent, spread_of_masses
        from trials.calc.working import figure

        values = [line.value for line in self.of(self.control) if not line.is_below]
        least, most = (spread_of_masses(values, size_class=name).cv_chance for name in ("flour", "fine"))
        return (
            f"{spread.sentence} Until then it can only be guessed: were all the gold flour ({figure(GRAIN_MG['flour'], 2)} mg a "
            f"grain), chance alone would give about {percent(least)} of the mean; were it all fine "
            f"({figure(GRAIN_MG['fine'], 2)} mg a grain), about {percent(most)}."
        )

    def _chance_working(self, spread: "ControlSpread | None") -> "Working | None":
        from trials.calc.working import Working

        if spread is None:
            return None
        runs = [line for line in self.of(self.control) if not line.is_below]
        return Working(
            (self._runs_row(f"Runs of {self.control} that count", runs), *spread.working.rows),
            spread.working.assumptions,
        )

    # Working

    def _working(self, comparison: "ControlComparison | None", verdicts: "dict[str, Verdict]") -> "Working":
        from trials.calc.working import Working

        rows = [self._runs_row("Runs", self.lines)]
        if comparison is None:
            return Working(tuple(rows))
        rows += comparison.working.rows
        for entry in comparison.treatments:
            rows += _equivalence_rows(entry, comparison)
            rows += self._gain_rows(entry, comparison)
            rows += _sight_rows(entry, verdicts[entry.treatment], comparison, self.smallest_ratio)
        if comparison.control_mean and self.by_weight:
            rows.append(self._grade_row(self.control, comparison.control_mean))
        return Working(tuple(rows), (comparison.method, *comparison.assumptions))

    def _runs_row(self, label: str, lines: Iterable[RunLine]) -> "WorkingRow":
        from trials.calc.working import WorkingRow

        return WorkingRow(
            label,
            RUNS_READ[self.trial.outcome],
            tuple(
                (
                    f"{line.planned.blind_code}, block {line.block}, {line.treatment}",
                    f"{line.result}: {line.left_out}" if line.run and line.left_out else line.result,
                    "",
                    line.run.get_absolute_url() if line.run else "",
                )
                for line in lines
            ),
        )

    def _gain_rows(self, entry: "TreatmentComparison", comparison: "ControlComparison") -> "list[WorkingRow]":
        from trials.calc.working import WorkingRow, given

        more_mg = comparison.gain(entry.treatment)
        if not self.by_weight or more_mg is None:
            return []
        gain = WorkingRow(
            f"{entry.treatment}: gold more or less per portion",
            "middle of the treatment - middle of the control, both expected gold averaged over the blocks",
            (given("treatment", entry.mean, "mg"), given("control", comparison.control_mean, "mg")),
            _signed(more_mg),
        )
        return [gain, self._grade_row(str(entry.treatment), entry.mean)]

    def _grade_row(self, name: str, mean_mg: float) -> "WorkingRow":
        from trials.calc.working import WorkingRow, given

        return WorkingRow(
            f"{name}: recovered grade",
            "mg of gold / g of ore x 1000 = g/t",
            (given("middle of the runs", mean_mg, "mg"), given("mean portion", self.mean_portion_g, "g")),
            units.format_grade(grade_g_per_t(mean_mg, self.mean_portion_g), self.member.grade_unit),
            "",
            f"{INDICATION}; {'dried' if self.trial.feed_lot.is_dry else 'not dried'} ore",
        )


def _equivalence_rows(entry: "TreatmentComparison", comparison: "ControlComparison") -> "list[WorkingRow]":
    from trials.calc.working import WorkingRow, figure, given

    if entry.equivalence_lower is None or entry.equivalence_upper is None or entry.se_log is None:
        return []
    return [
        WorkingRow(
            f"{entry.treatment}: interval for equivalence",
            "exp(ln ratio -/+ t x standard error), t one-sided at 5 % shared out over the comparisons",
            (
                given("ratio", entry.ratio, "times"),
                given("t", comparison.equivalence_t),
                given("standard error of ln ratio", entry.se_log),
                given("comparisons", comparison.judged_together),
                given("degrees of freedom", comparison.df),
            ),
            f"{figure(entry.equivalence_lower)} to {figure(entry.equivalence_upper)}",
            "times",
            "two one-sided tests (Schuirmann 1987, from memory), Bonferroni",
        )
    ]


def _sight_rows(
    entry: "TreatmentComparison", verdict: "Verdict", comparison: "ControlComparison", smallest_ratio: float
) -> "list[WorkingRow]":
    from trials.calc.verdict import rounded_up, rows_counted
    from trials.calc.working import WorkingRow, figure, given

    if verdict.detectable_ratio is None:
        return []
    error = [given("standard error of ln ratio", entry.se_log)] if entry.se_log is not None else []
    more = (
        ""
        if verdict.more_blocks is None
        else f", {rows_counted(verdict.more_blocks, ' more', comparison.in_one_order)} for {figure(smallest_ratio)} times"
    )
    return [
        WorkingRow(
            f"{entry.treatment}: what the trial could have seen",
            "the true ratio whose interval leaves out 1 with a chance of 80 %, from the spread of equal runs, not from the "
            "effect seen",
            (
                given("spread of equal control runs within blocks", comparison.sd_log),
                *error,
                given("blocks", comparison.blocks),
                given("degrees of freedom", comparison.df),
            ),
            f"{rounded_up(verdict.detectable_ratio, 3)} times{more}",
            "",
            "normal tail averaged over the estimated spread (noncentral t)",
        )
    ]


def _sight_lines(
    verdicts: "dict[str, Verdict]", smallest_ratio: float, in_one_order: bool
) -> list[SightLine]:
    """One line for all treatments that the trial saw equally well."""
    from trials.calc.power import MOST_BLOCKS
    from trials.calc.verdict import LARGEST_RATIO, rounded_up, rows_counted
    from trials.calc.working import figure

    wished = f"{figure(smallest_ratio)} times"
    groups: dict[tuple[str, str], list[str]] = {}
    for name, verdict in verdicts.items():
        if verdict.detectable_ratio is None:
            seen = "Cannot be said from these runs."
            more = (
                ""
                if verdict.more_blocks is None
                else f"{rows_counted(verdict.more_blocks, ' more', in_one_order)}, to begin with."
            )
        else:
            far = verdict.detectable_ratio > LARGEST_RATIO
            seen = (
                "Nothing short of a hundredfold gain."
                if far
                else f"{rounded_up(verdict.detectable_ratio, 3)} times or more."
            )
            if verdict.more_blocks is None:
                most = rows_counted(MOST_BLOCKS, "", in_one_order)
                more = f"Over {most} would be needed to see {wished}: lessen the spread first."
            elif verdict.more_blocks == 0:
                more = f"That takes in {wished}."
            else:
                more = f"About {rows_counted(verdict.more_blocks, ' more', in_one_order)} would see {wished}."
        groups.setdefault((seen, more), []).append(name)
    return [SightLine(", ".join(names), seen, more) for (seen, more), names in groups.items()]


def _place_sights(comparison: "ControlComparison | None", compared: Iterable[str]) -> list[SightLine]:
    from trials.calc.places import sight_of

    if comparison is None:
        return []
    groups: dict[tuple[str, str], list[str]] = {}
    for name in compared:
        sight = sight_of(comparison, name)
        groups.setdefault((sight.could, sight.takes), []).append(name)
    return [SightLine(", ".join(names), could, takes) for (could, takes), names in groups.items()]


def _deciding_interval(entry: "TreatmentComparison", verdict: "Verdict") -> tuple[float | None, float | None]:
    """The interval the verdict rests on."""
    if verdict.kind == "equivalent":
        return entry.equivalence_lower, entry.equivalence_upper
    return entry.lower, entry.upper


def _interval_text(entry: "TreatmentComparison", verdict: "Verdict") -> str:
    from trials.calc.working import figure

    lower, upper = _deciding_interval(entry, verdict)
    if lower is None and upper is None:
        return ""
    level = " (90 %)" if verdict.kind == "equivalent" else ""
    if upper is None:
        return f"{figure(lower)} or more{level}"
    if not lower:
        return f"up to {figure(upper)}{level}"
    return f"{figure(lower)} to {figure(upper)}{level}"


def _middle_text(lines: Sequence[RunLine]) -> str:
    """The median, where a run below the scale is lower than every weighed one."""
    from trials.calc.working import figure

    if not lines:
        return ""
    middling = middle([line.value for line in lines])
    return "below the scale" if middling == -math.inf else figure(middling)


def _row_in_words(row: dict, unit: str, as_ratio: bool) -> str:
    from trials.calc.working import figure

    values, unit = row["values"], "times" if as_ratio else unit
    runs = len(values) + row["below"]
    said = f"{row['label']}: {_runs(runs)}"
    if values:
        said += f", {figure(min(values))} to {figure(max(values))} {unit}"
    if row["below"]:
        said += f", {row['below']} with nothing to show"
    if row.get("lower") is not None or row.get("upper") is not None:
        low = figure(row["lower"]) if row.get("lower") else "nothing"
        high = figure(row["upper"]) if row.get("upper") else "no limit"
        said += f"; interval {low} to {high}, {'shown' if row['shown'] else 'not shown'}"
    return f"{said}."


def _counted_names(names: Iterable[str]) -> str:
    return ", ".join(f"{name} {number}" for name, number in Counter(names).items())


def _signed(mg: float) -> str:
    text = units.format_gold_mg(abs(mg))
    return f"{'+' if mg > 0 else '−' if mg < 0 else ''}{text}"


def _runs(number: int) -> str:
    return "1 run" if number == 1 else f"{number} runs"


def _blocks(number: int) -> str:
    return "1 block" if number == 1 else f"{number} blocks"


def _short(name: str) -> str:
    return name if len(name) <= 28 else f"{name[:27].rstrip()}…"


def _ended(sentence: str) -> str:
    return sentence if sentence.endswith((".", "!", "?")) else f"{sentence}."
