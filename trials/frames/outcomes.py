"""All outcomes of a closed trial beside the one it was planned for, in sentences and rows. Writes nothing."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.grade import grade_g_per_t
from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.mass_balance import total_mass_g
from prospecting.calc.number_words import in_sentence, numeral
from prospecting.models import Member
from trials.calc.spread import middle
from trials.frames.trial_lines import TrialLines, value_of
from trials.models import ColourCount, PlannedRun, Run, SettledMud, TailsPan, Trial

if TYPE_CHECKING:
    from trials.calc.comparison import ControlComparison, TreatmentComparison
    from trials.calc.outcomes import FoundGold, Pointer
    from trials.calc.verdict import Verdict
    from trials.calc.working import Working

Left = TailsPan | SettledMud
# What a cell of a table says, and what stands small under it.
Cell = tuple[str, str]

JUDGED_BY = {
    Trial.Outcome.GOLD_MASS: gettext_lazy("weighed gold"),
    Trial.Outcome.COLOURS: gettext_lazy("colours counted"),
    Trial.Outcome.PLACES: gettext_lazy("places side by side"),
}
TOGETHER = gettext_lazy("In small: the 95 % interval, all treatments judged together.")
AGAIN = gettext_lazy("log it again in the next trial, with this question fixed before its first run")
LOST_BOTH = gettext_lazy("portions differ in the gold they hold, and the share lost does not see that")


@dataclass(frozen=True)
class Words:
    """What one outcome is called, how more and less of it are said, and what to do when it disagrees with the verdict.

    `hints` is whether it may hint at what the verdict does not show: minutes by themselves are no gold.
    """

    title: str
    unit: str
    more: str
    less: str
    more_is_better: bool
    next_time: str
    both_true: str
    how_read: str
    hints: bool = True


WORDS = {
    "gold": Words(
        gettext_lazy("Gold by weight"),
        "mg",
        gettext_lazy("recovers more than"),
        gettext_lazy("recovers less than"),
        True,
        gettext_lazy("plan a new trial judged by weight and let that decide"),
        gettext_lazy("a few heavy grains weigh more than many small ones"),
        gettext_lazy("as logged; gold by weight"),
    ),
    "colours": Words(
        gettext_lazy("Colours counted"),
        gettext_lazy("colours"),
        gettext_lazy("shows more colours than"),
        gettext_lazy("shows fewer colours than"),
        True,
        gettext_lazy("plan a new trial judged by colours and let that decide"),
        gettext_lazy(
            "small grains count as much as large ones, so more colours is not the same as more gold"
        ),
        gettext_lazy("as logged; colours of all size classes added"),
    ),
    "places": Words(
        gettext_lazy("Places side by side"),
        gettext_lazy("place"),
        "",
        "",
        True,
        "",
        "",
        gettext_lazy("as judged"),
    ),
    "minutes": Words(
        gettext_lazy("Minutes of panning a portion"),
        "min",
        gettext_lazy("takes longer than"),
        gettext_lazy("is quicker than"),
        False,
        AGAIN,
        gettext_lazy("what is slower may be worth its time, and what is quicker not; see gold an hour"),
        gettext_lazy("as logged; minutes of panning, without the soak"),
        hints=False,
    ),
    "hour": Words(
        gettext_lazy("Gold an hour of panning"),
        gettext_lazy("mg an hour"),
        gettext_lazy("gives more gold an hour than"),
        gettext_lazy("gives less gold an hour than"),
        True,
        AGAIN,
        gettext_lazy("more gold a portion at a slower pace can be less gold a day"),
        gettext_lazy("mg of gold x 60 / minutes of panning"),
    ),
    "tails": Words(
        gettext_lazy("Gold left in the tails"),
        "mg",
        gettext_lazy("leaves a larger share of its gold in the tails than"),
        gettext_lazy("leaves a smaller share of its gold in the tails than"),
        False,
        gettext_lazy(
            "pan the tails of every run of the next trial again, and settle before it that they will be looked at"
        ),
        LOST_BOTH,
        gettext_lazy("gold in the tails / (gold of the run + gold in the tails)"),
    ),
    "mud": Words(
        gettext_lazy("Gold in the settled mud"),
        "mg",
        gettext_lazy("leaves a larger share of its gold in the mud than"),
        gettext_lazy("leaves a smaller share of its gold in the mud than"),
        False,
        gettext_lazy(
            "pan the mud of every run of the next trial, and settle before it that it will be looked at"
        ),
        LOST_BOTH,
        gettext_lazy("gold in the mud / (gold of the run + gold in the mud)"),
    ),
}


@dataclass(frozen=True)
class LeftWords:
    """How the gold that a run left is told: the table's heading and caption, the picture's axis and legend."""

    share_left: str
    caught: str
    axis: str
    each_dot: str


LEFT_WORDS = {
    "tails": LeftWords(
        gettext_lazy("Share left in the tails, times control"),
        gettext_lazy(
            "Caught: the runs' gold over that of runs and tails together, all runs of a treatment as one; in small, what "
            "both held and its grade (calculated head)."
        ),
        gettext_lazy("caught by the run"),
        gettext_lazy(
            "Each dot is one run: how much of the gold found in it and its tails the run itself had caught."
        ),
    ),
    "mud": LeftWords(
        gettext_lazy("Share left in the mud, times control"),
        gettext_lazy(
            "Caught: the runs' gold over that of runs and mud together, all runs of a treatment as one; in small, what "
            "both held and its grade (calculated head)."
        ),
        gettext_lazy("caught by the run, of its gold and its mud's"),
        gettext_lazy(
            "Each dot is one run: how much of the gold found in it and its mud the run itself had caught."
        ),
    ),
}
PLANNED_KEY = {
    Trial.Outcome.GOLD_MASS: "gold",
    Trial.Outcome.COLOURS: "colours",
    Trial.Outcome.PLACES: "places",
}


@dataclass
class Section:
    """One outcome as the page shows it: what it points to, its picture (arguments of the chart), its table."""

    key: str
    is_planned: bool
    headers: list[str]
    rows: list[list[Cell]]
    table_caption: str
    chart: dict
    legend: str
    no_picture: str
    pointers: "Sequence[Pointer]" = ()
    nothing_said: str = ""
    cautions: list[str] = field(default_factory=list)
    # How it stands against the verdict, where the two disagree.
    against: list[str] = field(default_factory=list)
    classes: "ClassTable | None" = None
    each_run: list[list[str]] = field(default_factory=list)
    working: "Working | None" = None

    @property
    def title(self) -> str:
        return WORDS[self.key].title


@dataclass(frozen=True)
class ClassTable:
    """Colours by size class: (class, its rows), the classes that say nothing, and what the others point to."""

    groups: list[tuple[str, list[list[Cell]]]]
    too_few: str
    sentences: list[str]


@dataclass(frozen=True)
class Outcomes:
    """All that the page shows: the planned outcome's section first, then those looked at afterwards."""

    planned_by: str
    typed_in: str
    verdicts: "list[Verdict]"
    luck: str
    sections: list[Section]
    missing: str
    left_out: str


def outcomes_of(trial: Trial, member: Member) -> Outcomes:
    """Read a closed trial by everything that was recorded of it; grades in this member's units."""
    return _Reading(trial, member).outcomes()


@dataclass(frozen=True)
class _Done:
    """One run that stands, with its place in the plan and what its tails and its mud gave."""

    planned: PlannedRun
    run: Run
    tails: TailsPan | None
    mud: SettledMud | None


class _Reading:
    def __init__(self, trial: Trial, member: Member) -> None:
        self.trial, self.member = trial, member
        self.lines = TrialLines(trial)
        self.names = [treatment.name for treatment in self.lines.treatments]
        self.control = self.lines.control
        self.by_plan, why_none = self.lines.compare()
        self.verdicts = self.lines.verdicts_on(self.by_plan, why_none)
        of_trial = {"run__planned__trial": trial}
        tails = {each.run_id: each for each in TailsPan.objects.filter(**of_trial)}
        mud = {each.run_id: each for each in SettledMud.objects.filter(**of_trial)}
        self.done = [
            _Done(line.planned, line.run, tails.get(line.run.pk), mud.get(line.run.pk))
            for line in self.lines.lines
            if line.run is not None and not line.run.failed and not line.run.is_void
        ]
        # Every outcome and size class in which treatments were compared, the planned one among them.
        self.looked_at = 0

    def outcomes(self) -> Outcomes:
        made = {
            "gold": self._gold(),
            "colours": self._colours(),
            "places": self._places(),
            "minutes": self._minutes(),
            "hour": self._hour(),
            "tails": self._left_behind("tails"),
            "mud": self._left_behind("mud"),
        }
        sections = sorted(filter(None, made.values()), key=lambda section: not section.is_planned)
        for section in sections:
            # Once all are made: how many were looked at is part of what is said.
            section.against = self._against_verdict(section)
        return Outcomes(
            planned_by=JUDGED_BY[self.trial.outcome],
            typed_in=self.trial.note.partition("\n")[0] if self.trial.typed_in_afterwards else "",
            verdicts=list(self.verdicts.values()),
            luck=self._luck(),
            sections=sections,
            missing=", ".join(WORDS[key].title.lower() for key, section in made.items() if section is None),
            left_out=self._left_out(),
        )

    def _luck(self) -> str:
        from trials.calc.outcomes import luck_of

        if self.looked_at < 2:
            return ""
        return phrase(
            "{number} outcomes are compared on this page, and each is a chance for luck: were no treatment to do "
            "anything, at least one would still point somewhere in up to {share} of such trials. Only the one fixed at "
            "planning gives a verdict.",
            number=self.looked_at,
            share=units.format_share(luck_of(self.looked_at)),
        )

    def _left_out(self) -> str:
        standing = {each.planned.pk for each in self.done}
        out = [line for line in self.lines.lines if line.planned.pk not in standing]
        if not out:
            return ""
        return phrase(
            "{runs} not done, failed or void ({treatments}): left out everywhere on this page; the verdict's page gives "
            "the reasons.",
            runs=_runs(len(out)),
            treatments=self.lines.by_treatment(out),
        )

    # The outcomes, one by one; None where nothing of the kind was recorded

    def _gold(self) -> Section | None:
        from trials.calc.comparison import compare_gold

        values = self._values(lambda each: value_of(each.run, Trial.Outcome.GOLD_MASS))
        step = self._coarsest([each.run.scale_step_mg for each in self.done])
        section = self._by_ratio(
            "gold", values, lambda *runs, places: compare_gold(*runs, scale_step_mg=step, places=places)
        )
        below = sum(1 for value in values.values() if value == -math.inf)
        if section is not None and below:
            said = {"below": below, "runs": _runs(len(values))}
            section.cautions.append(
                phrase(
                    "{below} of {runs} came out below the scale. What the scale does not show is not zero: counted as "
                    "anything from nothing to the scale's step.",
                    **said,
                )
                if any(ratio for _, _, (ratio, _) in section.rows[1:])
                else phrase(
                    "{below} of {runs} came out below the scale. What the scale does not show is not zero: compared, if "
                    "at all, by places, which give no ratio.",
                    **said,
                )
            )
        return section

    def _colours(self) -> Section | None:
        from trials.calc.comparison import compare_counts

        found: list[ControlComparison] = []

        def compare(*runs, places: list[int] | None) -> "ControlComparison":
            found.append(compare_counts(*runs, places=places))
            return found[0]

        section = self._by_ratio(
            "colours", self._values(lambda each: value_of(each.run, Trial.Outcome.COLOURS)), compare
        )
        if section is not None:
            section.classes = self._classes()
            section.cautions += [_scatter(each) for each in found if each.dispersion]
        return section

    def _minutes(self) -> Section | None:
        from trials.calc.comparison import compare_with_control

        values = self._values(lambda each: float(each.run.pan_min) if each.run.pan_min else None)
        return self._by_ratio("minutes", values, compare_with_control)

    def _hour(self) -> Section | None:
        from trials.calc.comparison import compare_masses
        from trials.calc.outcomes import gold_per_hour

        def rate(each: _Done) -> float | None:
            gold = value_of(each.run, Trial.Outcome.GOLD_MASS)
            if gold is None or not each.run.pan_min:
                return None
            return gold if gold == -math.inf else gold_per_hour(gold, float(each.run.pan_min))

        def compare(rates: Sequence[float | None], *rest, places: list[int] | None) -> "ControlComparison":
            below = sum(1 for value in rates if value == -math.inf)
            if below:
                raise ValueError(
                    phrase(
                        "{runs} came out below the scale: gold an hour is then not known, and to compare only the others "
                        "would flatter whatever lost most.",
                        runs=_runs(below),
                    )
                )
            return compare_masses(rates, *rest, places=places)

        return self._by_ratio("hour", self._values(rate), compare)

    def _places(self) -> Section | None:
        judged = self.lines.judged
        if judged is None or not judged.place_of:
            return None
        self.looked_at += 1
        places = {name: [line.value for line in self.lines.of(name)] for name in self.names}
        rows = []
        for name in self.names:
            entry = self._entry(self.by_plan, name)
            before = (
                phrase("{higher} of {compared}", higher=entry.blocks_higher, compared=entry.blocks_compared)
                if entry
                else ""
            )
            rows.append(
                [self._named(name, len(places[name])), (_mean_text(self.by_plan, name), ""), (before, "")]
            )
        return Section(
            key="places",
            is_planned=True,
            headers=[phrase("Treatment"), phrase("Mean place"), phrase("Blocks before the control")],
            rows=rows,
            table_caption=phrase("Mean place: 1 would be most gold in every row."),
            chart=self._chart(
                "places",
                places,
                caption=phrase("place in its row of pans, 1 for most gold"),
                span=(1.0, float(max(2, *judged.placed_in.values()))),
            ),
            legend=phrase("Each dot is one pan, the most gold at the left."),
            no_picture=phrase("No pan was placed."),
            cautions=[sentence for sentence in (judged.agreement, *judged.opposed) if sentence],
        )

    def _left_behind(self, key: str) -> Section | None:
        """What the tails, or the mud, still held: the share of the gold found in both, and what the runs had caught of it."""
        from trials.calc.comparison import compare_with_control
        from trials.calc.outcomes import found_gold, found_together, share_left

        left: dict[int, Left] = {
            each.planned.pk: getattr(each, key) for each in self.done if getattr(each, key) is not None
        }
        panned = [
            each
            for each in self.done
            if each.planned.pk in left and _weighed(each.run) and _weighed(left[each.planned.pk])
        ]
        if not panned:
            return None
        pairs = {each.planned.pk: (_mg(each.run), _mg(left[each.planned.pk])) for each in panned}
        steps = {
            "gold_step_mg": self._coarsest([each.run.scale_step_mg for each in panned]) or 0.0,
            "tails_step_mg": self._coarsest([left[each.planned.pk].scale_step_mg for each in panned]) or 0.0,
        }
        found = {pk: found_gold(*pair, **steps) for pk, pair in pairs.items()}
        unknown = sum(1 for pair in pairs.values() if None in pair)
        if unknown:
            comparison = None
            why = phrase(
                "Of {runs} the gold caught or left came out below the scale: only bounds are known, so the "
                "treatments are not compared.",
                runs=_runs(unknown),
            )
        else:
            shares = {pk: share_left(*pair) for pk, pair in pairs.items()}
            comparison, why = self._compare(compare_with_control, shares)
        rows, dots, open_dots = [], {}, {}
        for name in self.names:
            own = [each for each in panned if each.planned.treatment.name == name]
            pks = [each.planned.pk for each in own]
            whole = found_together([pairs[pk] for pk in pks], **steps) if own else None
            rows.append(
                [
                    self._named(name, len(own)),
                    (_share(whole), self._head(whole, own)),
                    self._ratio_cell(comparison, name),
                ]
            )
            dots[name] = [found[pk].low for pk in pks if found[pk].is_exact]
            open_dots[name] = sum(1 for pk in pks if not found[pk].is_exact)
        cautions = []
        if len(panned) < len(self.done):
            cautions.append(
                phrase(
                    "Panned again for {panned} of {runs}. If these were picked for what was seen in them, the figures "
                    "mislead.",
                    panned=len(panned),
                    runs=_runs(len(self.done)),
                )
            )
        words = LEFT_WORDS[key]
        legend = str(words.each_dot)
        if any(open_dots.values()):
            legend += " " + phrase("Open dots: only bounds are known.")
        return Section(
            key=key,
            is_planned=False,
            headers=[
                phrase("Treatment"),
                phrase("Caught by the runs"),
                str(words.share_left),
            ],
            rows=rows,
            table_caption=f"{words.caught} {TOGETHER}" if comparison else str(words.caught),
            chart=self._chart(
                key,
                dots,
                below=open_dots,
                below_text=phrase("bounds"),
                caption=str(words.axis),
                span=(0.0, 1.0),
                as_percent=True,
            ),
            legend=legend,
            no_picture=phrase("Nothing to draw: only bounds are known of every run."),
            pointers=self._pointers(comparison, key),
            nothing_said=why,
            cautions=cautions,
            each_run=[
                [
                    each.planned.blind_code,
                    each.planned.treatment.name,
                    _gold_text(each.run),
                    _gold_text(left[each.planned.pk]),
                    _head_mg(found[each.planned.pk]),
                    _share(found[each.planned.pk]),
                    each.run.get_absolute_url(),
                ]
                for each in panned
            ],
            working=self._working(comparison, key),
        )

    def _classes(self) -> ClassTable:
        """Colours by size class with exact counts; a class left blank in a counted run is none seen, as in its total."""
        from trials.calc.comparison import compare_counts
        from trials.calc.counts import count_interval
        from trials.calc.outcomes import FEWEST_COLOURS, point_to
        from trials.calc.working import figure

        seen = {
            each.planned.pk: {colour.size_class: colour.count for colour in each.run.colours.all()}
            for each in self.done
            if each.run.colours_total is not None
        }
        groups, few, sentences = [], [], []
        for size in ColourCount.SizeClass:
            label = size.label.partition(" (")[0]
            values = {pk: float(classes.get(size.value, 0)) for pk, classes in seen.items()}
            total = int(sum(values.values()))
            if total < FEWEST_COLOURS:
                few.append(f"{label.lower()} {total}")
                continue
            comparison, _ = self._compare(compare_counts, values)
            rows = []
            for name, own in self._by_name(values).items():
                number = int(sum(own))
                rate = count_interval(number, len(own)) if own else None
                a_run = (
                    phrase(
                        "{rate} a run ({low} to {high})",
                        rate=figure(rate.rate),
                        low=figure(rate.lower, 2),
                        high=figure(rate.upper, 2),
                    )
                    if rate
                    else ""
                )
                rows.append(
                    [
                        self._named(name, len(own)),
                        (str(number) if own else "", a_run),
                        self._ratio_cell(comparison, name),
                    ]
                )
            groups.append((in_sentence(size.label), rows))
            more = phrase("shows more {size} colours than", size=label.lower())
            less = phrase("shows fewer {size} colours than", size=label.lower())
            found = self._others() if comparison is not None else []
            sentences += [
                pointer.sentence
                for pointer in (point_to(comparison, name, more, less) for name in found)
                if pointer.direction != "not told"
            ]
        return ClassTable(
            groups=groups,
            too_few=phrase(
                "Under {number} in all, so they say nothing: {sizes}.",
                number=FEWEST_COLOURS,
                sizes=", ".join(few),
            )
            if few
            else "",
            sentences=sentences or [phrase("No size by itself points anywhere beyond chance.")],
        )

    # What all have in common

    def _by_ratio(self, key: str, values: dict[int, float], how: Callable) -> Section | None:
        """A section whose runs are compared by ratio; a run below the scale, or without a colour, has no place in the picture."""
        if not values:
            return None
        comparison, why = self._compare(how, values)
        of, unit = self._by_name(values), WORDS[key].unit
        has_means = comparison is not None and comparison.route != "ranks"
        rows, middles = [], {}
        for name in self.names:
            mean = _mean_of(comparison, name) if has_means else None
            below = sum(1 for value in of[name] if value == -math.inf)
            rows.append(
                [
                    self._named(
                        name, len(of[name]), phrase(", {below} below the scale", below=below) if below else ""
                    ),
                    (_mean_text(comparison, name) if mean else _median(of[name]), ""),
                    self._ratio_cell(comparison, name),
                ]
            )
            middles[name] = mean
        none_there = {name: sum(1 for value in own if value <= 0) for name, own in of.items()}
        open_dots = phrase("without a colour") if key == "colours" else phrase("below the scale")
        middle_is = phrase("the median") if not has_means else phrase("mean with the blocks taken out")
        if has_means and comparison.route == "colours":
            middle_is = phrase("mean of a run")
        middle_told = phrase("Middle: {middle}.", middle=middle_is)
        legend = phrase("Each dot is one run; the stroke is the middle of its treatment.")
        if any(none_there.values()):
            legend += " " + phrase("Open dots: {what}.", what=open_dots)
        return Section(
            key=key,
            is_planned=PLANNED_KEY[self.trial.outcome] == key,
            headers=[phrase("Treatment"), phrase("Middle, {unit}", unit=unit), phrase("Times control")],
            rows=rows,
            table_caption=f"{middle_told} {TOGETHER}" if has_means else middle_told,
            chart=self._chart(
                key,
                {name: [value for value in own if value > 0] for name, own in of.items()},
                below=none_there,
                below_text=phrase("none") if key == "colours" else phrase("below"),
                middles=middles,
                caption=phrase("mg an hour of panning")
                if key == "hour"
                else phrase("{unit} a portion", unit=unit),
            ),
            legend=legend,
            no_picture=phrase(
                "Nothing to draw: {runs}, all {what}.", runs=_runs(len(values)), what=open_dots
            ),
            pointers=self._pointers(comparison, key),
            nothing_said=why,
            working=self._working(comparison, key),
        )

    def _values(self, of: Callable[[_Done], float | None]) -> dict[int, float]:
        """By planned run; those without a figure are left out."""
        found = {each.planned.pk: of(each) for each in self.done}
        return {pk: value for pk, value in found.items() if value is not None}

    def _by_name(self, values: dict[int, float]) -> dict[str, list[float]]:
        of: dict[str, list[float]] = {name: [] for name in self.names}
        for each in self.done:
            if each.planned.pk in values:
                of[each.planned.treatment.name].append(values[each.planned.pk])
        return of

    def _compare(self, how: Callable, values: dict[int, float]) -> "tuple[ControlComparison | None, str]":
        self.looked_at += 1
        lines = self.lines.lines
        try:
            return how(
                [values.get(line.planned.pk) for line in lines],
                [line.treatment for line in lines],
                [line.block for line in lines],
                self.control,
                places=self.lines.places,
            ), ""
        except ValueError as refusal:
            return None, str(refusal)

    def _others(self) -> list[str]:
        return [name for name in self.names if name != self.control]

    def _pointers(self, comparison: "ControlComparison | None", key: str) -> "list[Pointer]":
        from trials.calc.outcomes import point_to

        words = WORDS[key]
        if comparison is None:
            return []
        return [point_to(comparison, name, words.more, words.less) for name in self._others()]

    def _against_verdict(self, section: Section) -> list[str]:
        """How what was looked at afterwards stands against the verdict, and what to plan where they disagree."""
        from trials.calc.outcomes import disagrees

        words, judged = WORDS[section.key], JUDGED_BY[self.trial.outcome]
        found = []
        for pointer in section.pointers:
            verdict = self.verdicts[pointer.treatment]
            how = disagrees(verdict.kind, pointer.direction, more_is_better=words.more_is_better)
            if section.is_planned or not how:
                continue
            if how == "opposite":
                found.append(
                    phrase(
                        "{treatment}: this points the other way from the verdict, which is {kind} by {outcome}. Both can be "
                        "true: {why}. The verdict stands; if this matters to you, {next_time}.",
                        treatment=pointer.treatment,
                        kind=phrase("better") if verdict.kind == "better" else phrase("worse"),
                        outcome=judged,
                        why=words.both_true,
                        next_time=words.next_time,
                    )
                )
            elif words.hints:
                found.append(
                    phrase(
                        "{treatment}: the verdict by {outcome} is {kind}, so this is a hint and no verdict, one of {number} "
                        "outcomes looked at. If it matters to you, {next_time}.",
                        treatment=pointer.treatment,
                        outcome=judged,
                        kind=phrase("not shown")
                        if verdict.kind == "not shown"
                        else phrase("equivalent within the stated margin"),
                        number=self.looked_at,
                        next_time=words.next_time,
                    )
                )
        return found

    def _chart(
        self,
        key: str,
        of: dict[str, list[float]],
        *,
        below: dict[str, int] | None = None,
        middles: dict[str, float | None] | None = None,
        **more,
    ) -> dict:
        below, middles = below or {}, middles or {}
        rows = [
            {
                "label": self._named(name)[0],
                "values": of[name],
                "below": below.get(name, 0),
                "middle": middles.get(name),
            }
            for name in self.names
        ]
        return {
            "rows": rows,
            "name": key,
            "title": phrase("{outcome}, by treatment", outcome=WORDS[key].title),
            "description": " ".join(_in_words(row, more.get("as_percent", False)) for row in rows),
        } | more

    def _working(self, comparison: "ControlComparison | None", key: str) -> "Working | None":
        from trials.calc.working import Working, WorkingRow

        if comparison is None:
            return None
        runs = tuple(
            (
                phrase(
                    "{code}, block {block}, {treatment}",
                    code=each.planned.blind_code,
                    block=each.planned.block.number,
                    treatment=each.planned.treatment.name,
                ),
                _as_read(each, key),
                "",
                each.run.get_absolute_url(),
            )
            for each in self.done
        )
        rows = (WorkingRow(phrase("Runs"), WORDS[key].how_read, runs), *comparison.working.rows)
        return Working(rows, (comparison.method, *comparison.assumptions))

    def _entry(self, comparison: "ControlComparison | None", name: str) -> "TreatmentComparison | None":
        return None if comparison is None or name == self.control else comparison.of(name)

    def _ratio_cell(self, comparison: "ControlComparison | None", name: str) -> Cell:
        from trials.calc.working import figure

        if name == self.control:
            return "1", ""
        entry = self._entry(comparison, name)
        ratio = "" if entry is None or entry.ratio is None else figure(entry.ratio)
        return ratio, _interval(entry)

    def _named(self, name: str, runs: int | None = None, more: str = "") -> Cell:
        planned = sum(1 for line in self.lines.lines if line.treatment == name)
        label = phrase("{treatment} (control)", treatment=name) if name == self.control else name
        if runs is None:
            return label, ""
        return label, phrase("{counted} of {runs}", counted=runs, runs=_runs(planned)) + more

    def _coarsest(self, steps: Sequence) -> float | None:
        coarsest = max(filter(None, steps), default=self.trial.scale_step_mg)
        return float(coarsest) if coarsest else None

    def _head(self, found: "FoundGold | None", own: Sequence[_Done]) -> str:
        """What the runs and what they left held together, and that as a grade of their portions."""
        if found is None:
            return ""
        ore_g = float(total_mass_g(each.run.portion_mass_g for each in own))
        low, high = (
            units.format_grade(grade_g_per_t(mg, ore_g), self.member.grade_unit) if mg else ""
            for mg in (found.head_low_mg, found.head_high_mg)
        )
        if low != high:
            low = _between(low, high) if low else phrase("under {high}", high=high)
        return phrase("of {gold}, {grade}", gold=_head_mg(found), grade=low)


def _scatter(comparison: "ControlComparison") -> str:
    from trials.calc.outcomes import scatters_more
    from trials.calc.working import figure

    times = figure(comparison.dispersion, 2)
    if scatters_more(comparison.dispersion):
        return phrase(
            "Colours of equal runs scatter {times} times as much as grains falling by chance alone (variance "
            "over mean): hands, light or clumps add to it. The intervals of ratios allow for it; the exact "
            "ones by size do not.",
            times=times,
        )
    return phrase(
        "Colours of equal runs scatter about as grains fall by chance alone (variance over mean {times}).",
        times=times,
    )


def _mean_of(comparison: "ControlComparison | None", name: str) -> float | None:
    if comparison is None:
        return None
    return (comparison.control_mean if name == comparison.control else comparison.of(name).mean) or None


def _mean_text(comparison: "ControlComparison | None", name: str) -> str:
    from trials.calc.working import figure

    mean = _mean_of(comparison, name)
    return figure(mean) if mean else ""


def _interval(entry: "TreatmentComparison | None") -> str:
    from trials.calc.ratio_words import between

    return "" if entry is None else between(entry.lower, entry.upper)


def _median(values: Sequence[float]) -> str:
    """The median, where a run below the scale is lower than every weighed one."""
    from trials.calc.working import figure

    if not values:
        return ""
    middling = middle(values)
    return phrase("below the scale") if middling == -math.inf else figure(middling)


def _share(found: "FoundGold | None") -> str:
    if found is None:
        return ""
    if found.low is None:
        return phrase("not known")
    if found.is_exact:
        return units.format_share(found.low)
    return _between(units.format_share(found.low), units.format_share(found.high))


def _between(low: str, high: str) -> str:
    return phrase("{low} to {high}", low=low, high=high)


def _head_mg(found: "FoundGold") -> str:
    low, high = (units.format_gold_mg(mg) for mg in (found.head_low_mg, found.head_high_mg))
    if found.head_low_mg == found.head_high_mg:
        return low
    return _between(low, high) if found.head_low_mg else phrase("under {high}", high=high)


def _as_read(each: _Done, key: str) -> str:
    run = each.run
    if key == "colours":
        return (
            phrase("not counted")
            if run.colours_total is None
            else phrase("{colours} colours", colours=run.colours_total)
        )
    minutes = f"{numeral(run.pan_min.normalize(), 'f')} min" if run.pan_min else phrase("minutes not logged")
    if key == "minutes":
        return minutes
    gold = _gold_text(run)
    if key == "hour":
        return f"{gold}, {minutes}"
    if key in ("tails", "mud"):
        left = getattr(each, key)
        if not left:
            return phrase("{gold}; not panned again left", gold=gold)
        return phrase("{gold}; {left} left", gold=gold, left=_gold_text(left))
    return gold


def _weighed(what: Run | Left) -> bool:
    return what.gold_mg is not None or what.below_scale


def _mg(what: Run | Left) -> float | None:
    return None if what.gold_mg is None else float(what.gold_mg)


def _gold_text(what: Run | Left) -> str:
    if what.below_scale:
        return phrase("under {high}", high=units.format_gold_mg(what.scale_step_mg))
    return phrase("not weighed") if what.gold_mg is None else units.format_gold_mg(what.gold_mg)


def _in_words(row: dict, as_percent: bool) -> str:
    from trials.calc.working import figure

    write = units.format_share if as_percent else figure
    values, below = row["values"], row["below"]
    said = f"{row['label']}: {_runs(len(values) + below)}"
    if values:
        said += phrase(", {low} to {high}", low=write(min(values)), high=write(max(values)))
    return phrase("{said}, {below} of them without a place.", said=said, below=below) if below else f"{said}."


def _runs(number: int) -> str:
    return phrase_counted("{number} run", "{number} runs", number)
