"""What a closed trial shows: its runs out of the books, through calc, to the sentences and rows of one page. Writes nothing."""

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import reduce
from operator import or_
from typing import TYPE_CHECKING

from django.db.models import Count, Exists, OuterRef, Q
from django.urls import reverse
from django.utils import dateformat, timezone

from prospecting.calc import units
from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.number_words import numeral
from prospecting.models import Member
from trials.calc.spread import as_multiples, middle
from trials.frames.cautions import cautions_of, other_outcomes
from trials.frames.evidence import hash_of_trial
from trials.frames.judging import Judged
from trials.frames.trial_lines import RunLine, TrialLines
from trials.frames.verdict_figures import Grades, More, deciding_interval, interval_text, more_of
from trials.frames.verdict_workings import runs_row, working_of_all, working_of_treatment
from trials.models import Dose, Factor, Judging, KeyOpening, Run, Treatment, Trial

if TYPE_CHECKING:
    from trials.calc.chance import ControlSpread
    from trials.calc.comparison import ControlComparison
    from trials.calc.verdict import Verdict
    from trials.calc.working import Working

# Guesses that luck would not bring as often as this are more than luck (common practice, no source).
LUCK = 0.05


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
    more_gold_interval: str
    grade: str
    more_grade: str
    more_grade_interval: str
    working: "Working"


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
    other_outcomes: str
    working: "Working | None"
    runs: list[RunLine]
    left_out: list[RunLine]
    judged: Judged | None
    panners: str
    openings: list[KeyOpening]


def verdict_of(trial: Trial, member: Member) -> TrialVerdict:
    """Analyse a closed trial by the outcome fixed at its planning; figures in this member's units."""
    return _Reading(trial, member=member).verdict()


def hangs_on(trial: Trial, member: Member) -> tuple:
    """Everything that a reading of a closed trial for this member hangs on: another one of it, another reading."""
    concerned = (
        [trial.mixer_id, trial.closed_by_id],
        trial.key_openings.values("member"),
        Run.objects.filter(planned__trial=trial).values("panner"),
        Judging.objects.filter(block__trial=trial).values("judge"),
        Judging.objects.filter(block__trial=trial).values("recorded_by"),
    )
    people = Member.objects.filter(reduce(or_, (Q(pk__in=some) for some in concerned)))
    return (
        hash_of_trial(trial),
        list(people.order_by("pk").values_list("pk", "first_name", "last_name", "username")),
        member.mass_unit,
        member.grade_unit,
        member.can_write,
        timezone.get_current_timezone_name(),
    )


def more_pages(trial: Trial) -> list[tuple[str, str]]:
    """(what it shows, address) of the other pages that have something to say of this trial."""
    rungs = Dose.objects.filter(treatment__trial=OuterRef("pk")).values("additive")
    varied = Factor.objects.filter(trial=OuterRef("pk"))
    by_hand = Treatment.objects.filter(trial=OuterRef("pk")).exclude(technique="")
    has_ladder, has_effects = (
        Trial.objects.annotate(
            has_ladder=Exists(rungs.annotate(rungs=Count("ml_per_l", distinct=True)).filter(rungs__gt=1)),
            has_effects=Exists(varied) | Exists(by_hand),
        )
        .values_list("has_ladder", "has_effects")
        .get(pk=trial.pk)
    )
    names = [(phrase("All outcomes, those looked at afterwards too"), "trial-outcomes")]
    if has_ladder:
        names.append((phrase("How little is enough, dose by dose"), "trial-doses"))
    if has_effects:
        names.append((phrase("Each thing varied by itself, gear, panners, gold per hour"), "trial-effects"))
    names += [
        (phrase("The runs as a table (CSV)"), "trial-runs-csv"),
        (phrase("The runs as a spreadsheet"), "trial-runs-xlsx"),
    ]
    pages = [(label, reverse(name, args=[trial.pk])) for label, name in names]
    if not trial.is_bridge:
        pages.append((phrase("Set it beside another trial"), f"{reverse('trial-across')}?first={trial.pk}"))
    return pages


@dataclass
class _Reading(TrialLines):
    """The trial's rows, and the analysis on top of them."""

    member: Member = field(kw_only=True)

    @property
    def grades(self) -> Grades:
        return Grades(self, self.member)

    def verdict(self) -> TrialVerdict:
        comparison, verdicts = self.judged_now()
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
            warnings=cautions_of(
                self, self.member, comparison, verdicts, judge_again=lambda other: other.judged_now()[1]
            ),
            other_outcomes=other_outcomes(self),
            working=working_of_all(comparison, verdicts),
            runs=self.lines,
            left_out=[line for line in self.lines if not line.counts],
            judged=self.judged,
            panners=_counted_names(str(line.run.panner) for line in self.lines if line.run),
            openings=self.openings,
        )

    def judged_now(self) -> "tuple[ControlComparison | None, dict[str, Verdict]]":
        """The comparison of the lines as they are, and the verdict on each treatment."""
        comparison, why_none = self.compare()
        return comparison, self.verdicts_on(comparison, why_none)

    # What stands above the verdicts

    def _alarms(self) -> list[str]:
        from trials.calc.verdict import uneven_failures

        found = []
        if self.trial.wishful_reason:
            found.append(
                phrase(
                    "Planned although the planning page said that it can't answer its question: {reason} Not shown "
                    "then says next to nothing, and what is shown is likely too large.",
                    reason=_ended(self.trial.wishful_reason),
                )
            )
        not_done = sum(1 for line in self.lines if line.run is None)
        if self.trial.typed_in_afterwards:
            typed_in = phrase(
                "Typed in afterwards from a table: not drawn, coded or run on this site. Whether lots were drawn "
                "for the treatments, and who knew which was which, these books can't tell; no figure makes up "
                "for it."
            )
            gaps = (
                phrase("Places of a full plan that have no run in the table: {not_done}.", not_done=not_done)
                if not_done
                else ""
            )
            found.append(f"{typed_in} {gaps}".strip())
        elif not_done:
            day = dateformat.format(timezone.localtime(self.trial.closed_at), "j M Y")
            found.append(
                phrase(
                    "Ended early by {closed_by} on {day}, {not_done} of {planned} planned runs not done: {reason} A "
                    "trial stopped when it looks good shows gains that are not there, so read the verdict as weaker "
                    "than its figures.",
                    closed_by=self.trial.closed_by,
                    day=day,
                    not_done=not_done,
                    planned=len(self.lines),
                    reason=_ended(self.trial.close_reason),
                )
            )
        elif self.by_places and self.trial.close_reason:
            found.append(
                phrase(
                    "Ended by {closed_by} before every row was judged: {reason} Rows left out because of what was "
                    "seen in them make the rest unfair.",
                    closed_by=self.trial.closed_by,
                    reason=_ended(self.trial.close_reason),
                )
            )
        failed = Counter({treatment.name: 0 for treatment in self.treatments})
        failed.update(line.treatment for line in self.lines if line.run and not line.counts)
        if uneven := uneven_failures(failed):
            others = (
                phrase("at most {runs}", runs=_runs(uneven.most_elsewhere))
                if uneven.most_elsewhere
                else phrase("none")
            )
            found.append(
                phrase(
                    "{failed} runs of {treatment} failed, and {others} of any other treatment. If they failed "
                    "because of what was done to them, no analysis of the rest is fair: find out why first.",
                    failed=uneven.failed,
                    treatment=uneven.treatment,
                    others=others,
                )
            )
        unmixed = [
            line
            for line in self.counted
            if not any(opening.opened_at < line.run.recorded_at for opening in self.openings)
        ]
        if unmixed:
            found.append(
                phrase(
                    "{unmixed} of the {counted} runs that count were logged before anyone had opened the mixing "
                    "sheet, so nobody can have filled those tubs by the plan. Unless the key was known some other "
                    "way, like is compared with like here, and any difference is chance.",
                    unmixed=len(unmixed),
                    counted=len(self.counted),
                )
            )
        return found

    def _route_why(self, comparison: "ControlComparison | None") -> str:
        if comparison is None or not comparison.runs_below_scale:
            return ""
        below = self.by_treatment(line for line in self.counted if line.is_below)
        runs = {"below": comparison.runs_below_scale, "used": comparison.runs_used, "treatments": below}
        if comparison.route == "ranks":
            return phrase(
                "{below} of {used} runs came out below the scale ({treatments}). What the scale does not show is not zero "
                "and has no ratio, so the treatments are compared by their places within the blocks: that gives a "
                "direction, not how much.",
                **runs,
            )
        return phrase(
            "{below} of {used} runs came out below the scale ({treatments}). What the scale does not show is not zero: "
            "these runs count as anything from nothing to {step}, and every interval below is wide enough to hold "
            "whatever they weighed.",
            step=units.format_gold_mg(self.scale_step_mg),
            **runs,
        )

    @property
    def panner_must_know(self) -> bool:
        """Whether what is done differs in more than what is in the water."""
        return len({treatment.technique for treatment in self.treatments}) > 1

    def _blindness(self) -> tuple[str, bool]:
        counted = self.counted
        seeing = [line for line in counted if not line.is_blind]
        if not counted:
            return "", True
        guesses, guessed_blind = self._guesses()
        if not seeing and self.panner_must_know:
            said = phrase(
                "Nobody who panned one of the {runs} runs had seen the key, but the treatments differ by technique or "
                "gear, and that can't be hidden from whoever pans: hope may be in the figures, and this verdict is weaker "
                "than they are.",
                runs=len(counted),
            )
            return f"{said} {guesses}".strip(), False
        if not seeing:
            said = phrase(
                "Logged blind: nobody who panned one of the {runs} runs had seen the key.", runs=len(counted)
            )
            return f"{said} {guesses}".strip(), guessed_blind
        by = _counted_names(str(line.run.panner) for line in seeing)
        said = phrase_counted(
            "{number} of {runs} run was panned by someone who had seen the key ({by}): this verdict is weaker than its "
            "figures.",
            "{number} of {runs} runs were panned by someone who had seen the key ({by}): this verdict is weaker than its "
            "figures.",
            len(seeing),
            runs=len(counted),
            by=by,
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
        parts = {
            "runs": _runs(len(guessed)),
            "right": right,
            "treatments": choices,
            "by_luck": numeral(luck.expected_by_chance, ".1f"),
        }
        if right == 0:
            return phrase(
                "The panner guessed the treatment of {runs} and was right on {right}; luck alone, among {treatments} "
                "treatments, brings about {by_luck}.",
                **parts,
            ), True
        said = phrase(
            "The panner guessed the treatment of {runs} and was right on {right}; luck alone, among {treatments} "
            "treatments, brings about {by_luck} ({right} or more by luck: {odds}).",
            odds=units.format_odds(luck.chance_of_this_many_or_more),
            **parts,
        )
        if luck.chance_of_this_many_or_more > LUCK:
            return said, True
        apart = phrase("The treatments could be told apart: this verdict is weaker than its figures.")
        return f"{said} {apart}", False

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
        ratio, interval, wins, grade = "", "", "", ""
        more = More()
        if entry is not None:
            ratio = "" if entry.ratio is None else figure(entry.ratio)
            interval = interval_text(entry, verdicts[name])
            if comparison.in_one_order:
                wins = phrase("no blocks")
            elif entry.blocks_compared:
                wins = phrase(
                    "{higher} of {compared}", higher=entry.blocks_higher, compared=entry.blocks_compared
                )
        if mean and self.by_weight:
            grade = self.grades.of(mean)
            if entry is not None and comparison.control_mean:
                more = more_of(entry, comparison, verdicts[name], self.grades)
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
            more_gold=more.gold,
            more_gold_interval=more.gold_interval,
            grade=grade,
            more_grade=more.grade,
            more_grade_interval=more.grade_interval,
            working=working_of_treatment(self, treatment, comparison, verdicts.get(name), self.grades),
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
        below_text = phrase("none") if self.by_colours else phrase("below")
        legend = phrase("Each dot is one run")
        if self.trial.in_blocks:
            legend += phrase("; a thin line joins the runs of one block")
        if any(row["below"] for row in rows):
            legend += (
                phrase("; open dots showed no colour")
                if self.by_colours
                else phrase("; open dots came out below the scale")
            )
        if not as_ratio:
            bars = phrase("No bars: the runs give no ratio.")
        elif any(verdict.kind == "equivalent" for verdict in verdicts.values()):
            bars = phrase(
                "Bars: 95 % intervals, all treatments judged together (90 % for equivalence), solid where something is "
                "shown. Shaded: too small to matter, as fixed before the trial."
            )
        else:
            bars = phrase(
                "Bars: 95 % intervals, all treatments judged together, solid where something is shown. Shaded: too small "
                "to matter, as fixed before the trial."
            )
        return Picture(
            rows=rows,
            caption=phrase("times the middle of {control}", control=_short(self.control))
            if as_ratio
            else phrase("{unit} per portion", unit=self.unit),
            title=self._picture_title(as_ratio),
            description=" ".join(_row_in_words(row, self.unit, as_ratio) for row in rows),
            legend=f"{legend}. {bars}",
            margin_ratio=self.smallest_ratio if as_ratio else None,
            below_text=below_text,
        )

    def _picture_title(self, as_ratio: bool) -> str:
        if self.by_colours:
            return (
                phrase("Colours by treatment, each run as a multiple of the control")
                if as_ratio
                else phrase("Colours by treatment, each run")
            )
        return (
            phrase("Gold by treatment, each run as a multiple of the control")
            if as_ratio
            else phrase("Gold by treatment, each run")
        )

    def _picture_of_places(self) -> Picture:
        rows = [
            {
                "label": _label(treatment),
                "values": [line.value for line in self.of(treatment.name)],
                "blocks": [line.block for line in self.of(treatment.name)],
                "below": 0,
            }
            for treatment in self.treatments
        ]
        return Picture(
            rows=rows,
            caption=phrase("place in its row of pans, 1 for most gold"),
            title=phrase("Places by treatment, each pan"),
            description=" ".join(_row_in_words(row, "", as_ratio=False) for row in rows),
            legend=phrase(
                "Each dot is one pan, the most gold at the left; a thin line joins the pans of one block. No bars: places "
                "give no ratio."
            ),
            margin_ratio=None,
            below_text="",
        )

    def _picture_row(self, treatment: Treatment, comparison, verdicts, base: float) -> dict:
        name = treatment.name
        above, below = (
            [line for line in self.of(name) if (line.value > 0) is shown] for shown in (True, False)
        )
        row = {
            "label": _label(treatment),
            "values": as_multiples([line.value for line in above], base),
            "below": len(below),
        }
        if self.trial.in_blocks:
            row |= {
                "blocks": [line.block for line in above],
                "below_blocks": [line.block for line in below],
            }
        if (
            treatment.is_control
            or comparison is None
            or comparison.route == "ranks"
            or not comparison.control_mean
        ):
            return row
        entry, verdict = comparison.of(name), verdicts[name]
        lower, upper = deciding_interval(entry, verdict)
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
            return (
                phrase("No pan was placed, so there is nothing to draw.")
                if self.by_places
                else phrase("No run counts, so there is nothing to draw.")
            )
        if self.by_colours:
            return phrase("Nothing to draw: none of the {runs} runs showed a colour.", runs=len(self.counted))
        return phrase("Nothing to draw: all {runs} runs came out below the scale.", runs=len(self.counted))

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
            return [phrase("No control run can be weighed against chance: none gave a figure.")]
        found = self._chance_told(spread)
        below = sum(1 for line in self.of(self.control) if line.is_below)
        if below:
            found.append(
                phrase(
                    "{runs} of {control} below the scale could not be counted in, so the true spread is wider.",
                    runs=_runs(below),
                    control=self.control,
                )
            )
        if spread.cv_seen:
            found.append(
                phrase(
                    "What differs from block to block (day, water, panner) is in the spread seen; the verdicts take it out."
                )
                if self.trial.in_blocks
                else phrase(
                    "What changed from the first run to the last (day, water, panner) is in the spread, and without blocks "
                    "nothing takes it out."
                )
            )
        return found

    def _chance_of_places(self) -> list[str]:
        from trials.calc.place_power import by_chance

        rows = [row for row in self.judged.rows if row.order]
        if not rows:
            return [phrase("No row was judged, so nothing can be weighed against chance.")]
        return [by_chance(len(self.treatments), len(rows))]

    def _chance_told(self, spread: "ControlSpread") -> list[str]:
        """How much of the spread chance explains, in words and then in figures; between guesses where no colours were counted."""
        from trials.calc.chance import GRAIN_MG, explained, percent, spread_of_masses
        from trials.calc.working import figure

        if self.by_colours or spread.cv_chance is not None or not spread.mean > 0:
            return [said for said in (explained(spread), spread.sentence) if said]
        values = [line.value for line in self.of(self.control) if not line.is_below]
        guesses = [spread_of_masses(values, size_class=name) for name in ("flour", "fine")]
        least, most = (percent(guess.cv_chance) for guess in guesses)
        told = phrase(
            "{spread} Until then it can only be guessed: were all the gold flour ({flour} mg a grain), "
            "chance alone would give about {least} of the mean; were it all fine ({fine} mg a grain), "
            "about {most}.",
            spread=spread.sentence,
            flour=figure(GRAIN_MG["flour"], 2),
            least=least,
            fine=figure(GRAIN_MG["fine"], 2),
            most=most,
        )
        return [said for said in (explained(spread, guesses), told) if said]

    def _chance_working(self, spread: "ControlSpread | None") -> "Working | None":
        from trials.calc.working import Working

        if spread is None:
            return None
        runs = [line for line in self.of(self.control) if not line.is_below]
        return Working(
            (
                runs_row(self, phrase("Runs of {control} that count", control=self.control), runs),
                *spread.working.rows,
            ),
            spread.working.assumptions,
        )


def _sight_lines(
    verdicts: "dict[str, Verdict]", smallest_ratio: float, in_one_order: bool
) -> list[SightLine]:
    """One line for all treatments that the trial saw equally well."""
    from trials.calc.power import MOST_BLOCKS
    from trials.calc.verdict import LARGEST_RATIO, rounded_up, rows_counted
    from trials.calc.working import figure

    wished = phrase("{ratio} times", ratio=figure(smallest_ratio))
    groups: dict[tuple[str, str], list[str]] = {}
    for name, verdict in verdicts.items():
        if verdict.detectable_ratio is None:
            seen = phrase("Cannot be said from these runs.")
            more = (
                ""
                if verdict.more_blocks is None
                else phrase(
                    "{blocks}, to begin with.",
                    blocks=rows_counted(verdict.more_blocks, " more", in_one_order),
                )
            )
        else:
            far = verdict.detectable_ratio > LARGEST_RATIO
            seen = (
                phrase("Nothing short of a hundredfold gain.")
                if far
                else phrase("{ratio} times or more.", ratio=rounded_up(verdict.detectable_ratio))
            )
            if verdict.more_blocks is None:
                most = rows_counted(MOST_BLOCKS, "", in_one_order)
                more = phrase(
                    "Over {most} would be needed to see {wished}: lessen the spread first.",
                    most=most,
                    wished=wished,
                )
            elif verdict.more_blocks == 0:
                more = phrase("That takes in {wished}.", wished=wished)
            else:
                more = phrase(
                    "About {blocks} would see {wished}.",
                    blocks=rows_counted(verdict.more_blocks, " more", in_one_order),
                    wished=wished,
                )
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


def _middle_text(lines: Sequence[RunLine]) -> str:
    """The median, where a run below the scale is lower than every weighed one."""
    from trials.calc.working import figure

    if not lines:
        return ""
    middling = middle([line.value for line in lines])
    return phrase("below the scale") if middling == -math.inf else figure(middling)


def _row_in_words(row: dict, unit: str, as_ratio: bool) -> str:
    from trials.calc.working import figure

    values, unit = row["values"], phrase("times") if as_ratio else unit
    runs = len(values) + row["below"]
    said = f"{row['label']}: {_runs(runs)}"
    if values:
        low, high = figure(min(values)), figure(max(values))
        said += phrase(", {low} to {high} {unit}", low=low, high=high, unit=unit)
    if row["below"]:
        said += phrase(", {below} with nothing to show", below=row["below"])
    if row.get("lower") is not None or row.get("upper") is not None:
        low = figure(row["lower"]) if row.get("lower") else phrase("nothing")
        high = figure(row["upper"]) if row.get("upper") else phrase("no limit")
        said += (
            phrase("; interval {low} to {high}, shown", low=low, high=high)
            if row["shown"]
            else phrase("; interval {low} to {high}, not shown", low=low, high=high)
        )
    return f"{said}."


def _label(treatment: Treatment) -> str:
    if treatment.is_control:
        return phrase("{treatment} (control)", treatment=treatment.name)
    return treatment.name


def _counted_names(names: Iterable[str]) -> str:
    return ", ".join(f"{name} {number}" for name, number in Counter(names).items())


def _runs(number: int) -> str:
    return phrase_counted("{number} run", "{number} runs", number)


def _short(name: str) -> str:
    return name if len(name) <= 28 else f"{name[:27].rstrip()}…"


def _ended(sentence: str) -> str:
    return sentence if sentence.endswith((".", "!", "?")) else f"{sentence}."
