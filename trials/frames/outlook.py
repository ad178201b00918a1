"""What a draft's plan could see, before anyone pans: the honest half of planning."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from functools import cached_property
from typing import TYPE_CHECKING

from django.urls import reverse

from prospecting.calc import units
from prospecting.calc.grade import gold_mg, grade_g_per_t, pooled_grade_g_per_t
from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.mass_balance import PortionsNeed, portions_need
from prospecting.calc.number_words import as_written, numeral
from prospecting.models import Lot, Step
from trials.calc import designs
from trials.calc.spread import relative_spread, step_hides
from trials.frames.sampling_plan import Ore, ore_of
from trials.models import Run, Trial

if TYPE_CHECKING:
    from trials.calc.plan_sight import Plan, Sight, Spread
    from trials.calc.working import Working, WorkingRow

# Relative spreads of equal untreated portions to show when the lot's own is not known yet: well-riffled fine gold, usual,
# coarse gold (common practice, no source).
USUAL_SPREADS = (0.2, 0.35, 0.6)
FEWEST_FOR_OWN_SPREAD = 4
# From tub to weighed gold, where the draft does not say (common practice, no source).
USUAL_RUN_MIN = 30
MOST_READ = 240
# As the form of a draft allows.
LARGEST_GAIN = 20
SEEN, THEORY, USUAL = "seen", "theory", "usual"


@dataclass(frozen=True)
class OutlookRow:
    """One outcome at one spread of equal untreated portions: the smallest gain the plan shows, and what the wished one takes.

    `seen` runs of this lot gave the spread, 0 where it is theory or a usual one; `needs` says blocks or rows, runs, mass and
    hours, `beyond` why the lot can't give them. `width_blocks`, of a bridge: the blocks for an interval that reaches no
    farther than the wished ratio to either side.
    """

    outcome: str
    is_planned: bool
    spread: float | None
    seen: int
    told: str
    ratio: str
    blocks: str
    needs: str = ""
    beyond: str = ""
    width_blocks: str = ""


@dataclass(frozen=True)
class FeedNeed:
    """What the runs of a plan take of one of its lots, beside what it gives."""

    lot: Lot
    runs: int
    need: PortionsNeed
    portions_ready: int
    too_small: str


@dataclass(frozen=True)
class Help:
    """One change that would let the plan see more, with its figures; `answers` where it alone is enough."""

    said: str
    answers: bool
    url: str
    act: str


@dataclass(frozen=True)
class Outlook:
    """`answer` is "can", "cannot", "perhaps" or "unknown", and blank for a bridge; `sentence` says it."""

    runs: int
    feeds: list[FeedNeed]
    rows: list[OutlookRow]
    missing: list[str]
    answer: str
    sentence: str
    basis: str
    helps: list[Help]
    hours: str
    misfit: str
    coarse_scale: str
    fine_scale: str
    working: "Working"

    @property
    def cannot(self) -> str:
        """What is said against a plan that can't answer its question; blank where it may."""
        return self.sentence if self.answer == "cannot" else ""


@dataclass(frozen=True)
class _Basis:
    """Where spreads of one outcome come from, in words; the least first. `planning` is the one to reckon changes with."""

    kind: str
    spreads: "tuple[Spread, ...]"
    planning: "Spread"
    told: str
    runs: int = 0
    # How far the true spread may lie above the one seen, by 95 % limits of so few runs.
    at_most: "Spread | None" = None


def plan_outlook(trial: Trial, treatments: int, mass_unit: str = "lb") -> Outlook | None:
    """What `treatments` treatments in the draft's blocks could show; None before there are two treatments."""
    if treatments < 2 or trial.blocks_planned < 2:
        return None
    return _Outlook(trial, treatments, mass_unit).found()


@as_written()
def objection_as_kept(trial: Trial, treatments: int, mass_unit: str) -> str:
    """Why the plan can't answer its question, as the journal has it, whoever fixes it; blank where it can."""
    outlook = plan_outlook(trial, treatments, mass_unit)
    return outlook.cannot if outlook else ""


def spreads_of(lot: Lot) -> list[tuple[float, int]]:
    """The lot's own spread of untreated portions, with how many were weighed if enough were; else the usual ones and 0."""
    own = _own_spread(Run.objects.standing().untreated().of_feed(lot).weighings())
    return [own] if own else [(spread, 0) for spread in USUAL_SPREADS]


def _own_spread(weighings: Sequence[tuple]) -> tuple[float, int] | None:
    grades = [float(grade_g_per_t(gold, portion_g)) for gold, portion_g in weighings]
    if len(grades) < FEWEST_FOR_OWN_SPREAD:
        return None
    own = relative_spread(grades)
    return (own, len(grades)) if own > 0 else None


def width_blocks(spread: float, factor: float) -> str:
    """The blocks of a bridge whose interval reaches no farther than `factor` times to either side."""
    from trials.calc.bridge import MOST_BLOCKS, blocks_for_width

    return str(blocks_for_width(spread, factor) or phrase("more than {most}", most=MOST_BLOCKS))


@dataclass
class _Outlook:
    """The draft, its lot's past, and what the plan sees of each outcome."""

    trial: Trial
    treatments: int
    mass_unit: str
    runs: list[Run] = field(init=False)

    def __post_init__(self) -> None:
        untreated = Run.objects.standing().untreated().of_feed(self.trial.feed_lot)
        self.runs = list(untreated.prefetch_related("colours")[:MOST_READ])

    def found(self) -> Outlook:
        answer, sentence = self._answer()
        return Outlook(
            runs=self.plan.runs,
            feeds=[
                _feed_need(self.trial, lot, self.trial.runs_on_each(self.plan.runs))
                for lot in self.trial.feeds
            ],
            rows=self._rows(),
            missing=self._missing(),
            answer=answer,
            sentence=sentence,
            basis=self._basis_told(),
            helps=self._helps() if answer in ("cannot", "perhaps", "unknown") else [],
            hours=self._hours_told(),
            misfit=self._misfit(),
            coarse_scale=self._scale(coarse=True),
            fine_scale=self._scale(coarse=False),
            working=self._working(),
        )

    @cached_property
    def plan(self) -> "Plan":
        from trials.calc.plan_sight import Plan

        return Plan(self.treatments, self.trial.blocks_planned, self.trial.in_blocks, self.trial.is_square)

    @property
    def ratio(self) -> float:
        return float(self.trial.smallest_ratio)

    @property
    def rows_word(self) -> str:
        """What so many of are planned."""
        if not self.trial.in_blocks:
            return phrase("runs of each")
        return phrase("rows") if self.trial.is_square else phrase("blocks")

    @cached_property
    def each(self) -> int:
        """How many rows go together."""
        return designs.rows_of_square(self.trial.design, self.treatments)

    # What is known of the lot

    @cached_property
    def weighed(self) -> list[Run]:
        return [run for run in self.runs if run.gold_mg is not None]

    @cached_property
    def counted(self) -> list[Run]:
        return [run for run in self.runs if run.colours_total is not None]

    @cached_property
    def ore(self) -> Ore:
        return ore_of(self.trial.feed_lot)

    @cached_property
    def stage(self):
        """One portion taken from the lot, no finer than its gold: gold flattens in a crusher and stays whole."""
        from prospecting.calc.sampling import Stage

        lot_g = float(max(self.trial.feed_lot.on_hand_g, self.trial.portion_mass_g))
        return Stage(max(self.ore.top_um, self.ore.gold_um), float(self.trial.portion_mass_g), lot_g)

    @cached_property
    def by_weight(self) -> _Basis:
        return self._seen_weights() or self._theory_of_weights() or self._usual_weights()

    def _seen_weights(self) -> _Basis | None:
        from trials.calc.chance import FEW_RUNS, colours_per_run, percent, spread_of_masses
        from trials.calc.plan_sight import Spread, portions_compared

        own = _own_spread([(run.gold_mg, run.portion_mass_g) for run in self.weighed])
        if own is None:
            return None
        both = [run for run in self.weighed if run.colours_total is not None]
        colours = colours_per_run([{c.size_class: c.count for c in run.colours.all()} for run in both])
        grades = [float(grade_g_per_t(run.gold_mg, run.portion_mass_g)) for run in self.weighed]
        seen = spread_of_masses(grades)
        masses = [run.portion_mass_g for run in self.weighed]
        share = 1.0
        if colours:
            share = (
                spread_of_masses([float(run.gold_mg) for run in both], colours=colours).share_by_chance or 1.0
            )
        times = portions_compared(self.trial.portion_mass_g, masses)
        spread = Spread(seen.cv_seen, share).in_portions(times)
        told = phrase("seen in this lot, {runs} runs", runs=seen.runs)
        few = seen.runs < FEW_RUNS
        if few:
            told += phrase(
                "; so few that it may be {low} to {high}",
                low=percent(seen.seen_lower),
                high=percent(seen.seen_upper),
            )
        at_most = Spread(seen.seen_upper, share).in_portions(times) if few else None
        return _Basis(SEEN, (spread,), spread, told, seen.runs, at_most)

    def _theory_of_weights(self) -> _Basis | None:
        from prospecting.calc import sampling
        from trials.calc.plan_sight import Spread

        if not self.ore.is_whole:
            return None
        errors = sampling.fundamental_errors(
            grade_g_per_t=self.ore.grade_g_per_t, liberation_um=self.ore.gold_um, stage=self.stage
        )
        spreads = sorted(error.relative_sd for error in errors)
        if not spreads[0] > 0:
            return None
        found = tuple(Spread(spread) for spread in spreads)
        told = phrase("by sampling theory; panning and weighing come on top")
        return _Basis(THEORY, found, found[-1], told)

    def _usual_weights(self) -> _Basis:
        from trials.calc.plan_sight import Spread

        spreads = tuple(Spread(spread) for spread in USUAL_SPREADS)
        return _Basis(USUAL, spreads, spreads[1], phrase("assumed: nothing is known of this lot"))

    @cached_property
    def by_colours(self) -> _Basis | None:
        from prospecting.calc import sampling
        from trials.calc.plan_sight import Spread, spread_of_colours

        if any(run.colours_total for run in self.counted):
            spread = spread_of_colours(
                [run.colours_total for run in self.counted],
                [run.portion_mass_g for run in self.counted],
                self.trial.portion_mass_g,
            )
            many = len(self.counted)
            told = phrase("counted in {runs} of this lot", runs=_runs(many))
            if many < FEWEST_FOR_OWN_SPREAD:
                told = phrase(
                    "counted in {runs} of this lot; taken as scattering by chance alone", runs=_runs(many)
                )
                return _Basis(THEORY, (spread,), spread, told, many)
            return _Basis(SEEN, (spread,), spread, told, many)
        if self.ore.grade_g_per_t is None or self.ore.gold_um is None:
            return None
        grains = sampling.expected_grains(
            self.ore.grade_g_per_t, float(self.trial.portion_mass_g), sampling.grain_mass_mg(self.ore.gold_um)
        )
        if not grains > 0:
            return None
        spread = Spread(sampling.counting_spread(grains), grains=grains)
        return _Basis(
            THEORY, (spread,), spread, phrase("by grade and size of the gold, if every grain is found")
        )

    def basis_of(self, outcome: str) -> _Basis | None:
        return self.by_colours if outcome == Trial.Outcome.COLOURS else self.by_weight

    @cached_property
    def by_places(self):
        from trials.calc.place_power import place_outlook

        return place_outlook(self.treatments, self.trial.blocks_planned)

    # The answer

    def _answer(self) -> tuple[str, str]:
        if self.trial.is_bridge:
            return "", ""
        if self.trial.outcome == Trial.Outcome.PLACES:
            return self._answer_by_places()
        basis = self.basis_of(self.trial.outcome)
        if basis is None:
            return "unknown", (
                phrase(
                    "Whether this plan can answer your question nobody can say yet: no colours of this lot were "
                    "counted, and its grade and the size of its gold are not known."
                )
            )
        asked = phrase("{ratio} times", ratio=numeral(self.ratio, "g"))
        best, worst = self._sight(basis.spreads[0]).gain, self._sight(basis.spreads[-1]).gain
        if best > self.ratio:
            return "cannot", (
                phrase(
                    "This plan can't answer your question: at best it would show {gain}; you asked for {asked}.",
                    gain=_gain(best),
                    asked=asked,
                )
            )
        if worst > self.ratio:
            return "perhaps", (
                phrase(
                    "This plan can answer your question only if equal portions differ by no more than {widest}; at "
                    "{percent} it would show {gain}, and you asked for {asked}.",
                    widest=self._widest(),
                    percent=_percent(basis.spreads[-1].cv),
                    gain=_gain(worst),
                    asked=asked,
                )
            )
        if basis.at_most and self._sight(basis.at_most).gain > self.ratio:
            return "perhaps", (
                phrase(
                    "Going by {runs} this plan can answer your question, but so few say little of the spread: were "
                    "it {percent}, the plan would show {gain}; you asked for {asked}.",
                    runs=_runs(basis.runs),
                    percent=_percent(basis.at_most.cv),
                    gain=_gain(self._sight(basis.at_most).gain),
                    asked=asked,
                )
            )
        if basis.kind == THEORY:
            return "perhaps", (
                phrase(
                    "As far as chance in sampling goes, this plan can answer your question, a gain of {asked}; what "
                    "hands and panning add to the spread nobody has seen yet.",
                    asked=asked,
                )
            )
        return (
            "can",
            phrase(
                "This plan can answer your question: it shows a gain of {asked} at least 8 times in 10.",
                asked=asked,
            ),
        )

    def _answer_by_places(self) -> tuple[str, str]:
        from trials.calc.place_power import in_hundred

        surest, could_see = self.by_places.sentences
        if self.by_places.seen is None:
            return "cannot", phrase("This plan can't answer your question. {seen}", seen=could_see)
        return "perhaps", (
            phrase(
                "Judged by place this plan can say which pan shows more gold, but never how much more: it shows "
                "a treatment that beats the control in {blocks}.",
                blocks=in_hundred(self.by_places.seen),
            )
        )

    def _widest(self) -> str:
        from trials.calc.plan_sight import widest_spread

        return _percent(widest_spread(self.plan, self.ratio))

    def _sight(self, spread: "Spread", plan: "Plan | None" = None) -> "Sight":
        from trials.calc.plan_sight import sight

        return sight(spread, plan or self.plan)

    def _basis_told(self) -> str:
        """What stands behind the answer, in a sentence."""
        basis = self.basis_of(self.trial.outcome)
        if self.trial.outcome == Trial.Outcome.PLACES or basis is None:
            return ""
        if basis.kind == USUAL:
            return phrase(
                "How far equal portions of this lot differ nobody has seen yet, so three usual spreads stand in: 20 % for "
                "well-split fine gold, 35 % as is common, 60 % for coarse gold."
            )
        if basis.kind == THEORY and self.trial.outcome == Trial.Outcome.GOLD_MASS:
            return phrase(
                "No four untreated portions of this lot were weighed yet; the spread is what sampling theory gives at the "
                "least from grade, top size and size of the gold."
            )
        return phrase(
            "Equal portions differ by {percent}: {told}.",
            percent=_percent(basis.planning.cv),
            told=basis.told,
        )

    # The table

    def _rows(self) -> list[OutlookRow]:
        rows = [
            self._row(Trial.Outcome.GOLD_MASS, self.by_weight, spread) for spread in self.by_weight.spreads
        ]
        if self.by_colours:
            rows.append(self._row(Trial.Outcome.COLOURS, self.by_colours, self.by_colours.planning))
        if self.trial.in_blocks and not self.trial.is_bridge:
            rows.append(self._row_of_places())
        return rows

    def _row(self, outcome: str, basis: _Basis, spread: "Spread") -> OutlookRow:
        from trials.calc.plan_sight import rows_needed
        from trials.calc.power import MOST_BLOCKS as most

        needed = rows_needed(spread, self.plan, self.ratio, self.each)
        needs, beyond = self._takes(replace(self.plan, rows=needed)) if needed else ("", "")
        return OutlookRow(
            outcome=Trial.Outcome(outcome).label,
            is_planned=self.trial.outcome == outcome,
            spread=spread.cv,
            seen=basis.runs,
            told=basis.told
            if spread.grains is None
            else phrase("about {count} a portion, {told}", count=_count(spread.grains), told=basis.told),
            ratio=_times(self._sight(spread).gain),
            blocks=str(needed) if needed else phrase("more than {most}", most=most),
            needs=needs,
            beyond=beyond,
            width_blocks=width_blocks(spread.cv, self.ratio) if self.trial.is_bridge else "",
        )

    def _row_of_places(self) -> OutlookRow:
        from trials.calc.place_power import MOST_BLOCKS as most
        from trials.calc.place_power import in_hundred

        found = self.by_places
        needs, beyond = (
            self._takes(replace(self.plan, rows=found.worthwhile)) if found.worthwhile else ("", "")
        )
        return OutlookRow(
            outcome=Trial.Outcome.PLACES.label,
            is_planned=self.trial.outcome == Trial.Outcome.PLACES,
            spread=None,
            seen=0,
            told=phrase("no ratio: only which pan shows more"),
            ratio=phrase("beats the control in {blocks}", blocks=in_hundred(found.seen))
            if found.seen
            else phrase("nothing yet"),
            blocks=phrase(
                "{blocks} for 3 wins in 4",
                blocks=found.worthwhile or phrase("more than {most}", most=most),
            ),
            needs=needs,
            beyond=beyond,
        )

    def _takes(self, plan: "Plan") -> tuple[str, str]:
        """Runs, mass and hours of a plan; and why the lot can't give them."""
        lot = self.trial.feed_lot
        need = portions_need(lot.on_hand_g, self.trial.runs_on_each(plan.runs), self.trial.portion_mass_g)
        beyond = (
            phrase("{lot} holds only {mass}.", lot=lot.code, mass=self._mass(lot.on_hand_g))
            if need.short_g
            else ""
        )
        return f"{_runs(plan.runs)}, {self._mass(need.needed_g)}, {self._hours(plan)}", beyond

    def _missing(self) -> list[str]:
        """Outcomes that nothing can be said of yet, and why."""
        if self.by_colours:
            return []
        return [
            phrase(
                "Colours: how many a portion shows nobody can say, since none of this lot were counted and its grade "
                "and the size of its gold are not both known."
            )
        ]

    # What would help

    def _helps(self) -> list[Help]:
        if self.trial.outcome == Trial.Outcome.PLACES:
            return [*self._help_by_blocks_of_places(), *self._help_by_ratios()]
        basis = self.basis_of(self.trial.outcome)
        first = self._help_by_panning_first(basis)
        if basis is None:
            return first + self._help_by_other_outcomes(None)
        before = self._sight(basis.planning).gain
        if before <= self.ratio:
            return first
        found = [
            *self._help_by_rows(basis.planning, before),
            *self._help_by_portions(basis.planning, before),
            *self._help_by_crushing(basis, before),
            *self._help_by_other_outcomes(before),
            *self._help_by_fewer(basis.planning, before),
        ]
        found.sort(key=lambda help: not help.answers)
        return first + found + self._help_by_asking_less(before)

    def _help(self, said: str, gain: float, url: str, act: str) -> Help:
        answers = gain <= self.ratio
        end = (
            phrase("{change}: that shows {ratio} times.", change=said, ratio=numeral(self.ratio, "g"))
            if answers
            else phrase("{change}: that shows {gain}: a step, not enough.", change=said, gain=_gain(gain))
        )
        return Help(end, answers, url, act)

    @property
    def _edit(self) -> tuple[str, str]:
        return reverse("trial-edit", args=[self.trial.pk]), phrase("Change the draft")

    def _help_by_panning_first(self, basis: _Basis | None) -> list[Help]:
        if basis is not None and basis.kind == SEEN:
            return []
        lot = self.trial.feed_lot
        return [
            Help(
                phrase(
                    "Pan {number} untreated portions of {lot} first, weigh them and count their "
                    "colours: then this page reckons with the lot's own spread.",
                    number=FEWEST_FOR_OWN_SPREAD,
                    lot=lot.code,
                ),
                False,
                reverse("run-add", args=[lot.code]),
                phrase("Pan a portion"),
            )
        ]

    def _help_by_rows(self, spread: "Spread", before: float) -> list[Help]:
        from trials.calc.plan_sight import rows_allowed, rows_needed, worth_naming

        lot = self.trial.feed_lot
        allowed = rows_allowed(lot.on_hand_g, self.trial.portion_mass_g, self.treatments, self.each)
        needed = rows_needed(spread, self.plan, self.ratio, self.each)
        rows = needed if needed and needed <= allowed else allowed
        if rows <= self.trial.blocks_planned:
            return []
        plan = replace(self.plan, rows=rows)
        gain = self._sight(spread, plan).gain
        if not worth_naming(before, gain):
            return []
        takes, _ = self._takes(plan)
        said = {"number": rows, "rows": self.rows_word, "planned": self.plan.rows, "takes": takes}
        change = (
            phrase("{number} {rows} instead of {planned} ({takes})", **said)
            if rows == needed
            else phrase(
                "{number} {rows} instead of {planned}, all that {lot} or one plan gives ({takes})",
                lot=lot.code,
                **said,
            )
        )
        return [self._help(change, gain, *self._edit)]

    def _help_by_portions(self, spread: "Spread", before: float) -> list[Help]:
        from trials.calc.plan_sight import (
            largest_portion_g,
            portion_for,
            portions_compared,
            rounded_up_mass,
            worth_naming,
        )

        planned_g = self.trial.portion_mass_g
        most_g = largest_portion_g(self.trial.feed_lot.on_hand_g, self.plan)
        wanted_g = portion_for(spread, self.plan, self.ratio, planned_g)
        portion_g = rounded_up_mass(wanted_g, self.mass_unit) if wanted_g else most_g
        portion_g = min(portion_g, most_g)
        if portion_g <= planned_g:
            return []
        gain = self._sight(spread.in_portions(portions_compared(portion_g, [planned_g]))).gain
        if not worth_naming(before, gain):
            return []
        need = portions_need(self.trial.feed_lot.on_hand_g, self.plan.runs, portion_g)
        taken = (
            phrase("the spread taken as grains falling by chance")
            if spread.by_chance == 1
            else phrase("{percent} of the variance being chance", percent=_percent(spread.by_chance))
        )
        said = phrase(
            "Portions of {mass} instead of {planned} ({total} in all; {taken})",
            mass=self._mass(portion_g),
            planned=self.trial.portion_typed,
            total=self._mass(need.needed_g),
            taken=taken,
        )
        return [self._help(said, gain, *self._edit)]

    def _help_by_crushing(self, basis: _Basis, before: float) -> list[Help]:
        """The coarsest sieve that is enough, else the one at the size of the gold."""
        from prospecting.calc import sampling
        from trials.calc.plan_sight import crushed_finer, worth_naming

        lot = self.trial.feed_lot
        if self.trial.outcome != Trial.Outcome.GOLD_MASS or not self.ore.is_whole:
            return []
        ore = {"grade_g_per_t": self.ore.grade_g_per_t, "liberation_um": self.ore.gold_um}
        tyler = lot.made_by.mesh_series == Step.MeshSeries.TYLER
        openings = units.TYLER_UM if tyler else units.ASTM_E11_UM
        best = None
        for number, opening_um in sampling.finer_sieves(openings, self.ore.top_um, len(openings)):
            finer = replace(self.stage, top_size_um=max(opening_um, self.ore.gold_um))
            spread = crushed_finer(basis.planning, ore, self.stage, finer)
            gain = self._sight(spread).gain
            if best is None or gain < best[1]:
                best = (phrase("{number} mesh", number=number), gain, spread)
            if gain <= self.ratio or opening_um <= self.ore.gold_um:
                break
        if best is None or not worth_naming(before, best[1]):
            return []
        said = phrase(
            "The lot crushed to pass {mesh}, so that portions differ by {percent} (sampling theory)",
            mesh=best[0],
            percent=_percent(best[2].cv),
        )
        return [
            self._help(
                said, best[1], reverse("lot-crush", args=[lot.code]), phrase("Crush {lot}", lot=lot.code)
            )
        ]

    def _help_by_other_outcomes(self, before: float | None) -> list[Help]:
        """Judged by what is not planned, where that is known well enough to reckon with."""
        from trials.calc.plan_sight import worth_naming

        found = []
        for outcome, said in (
            (Trial.Outcome.COLOURS, phrase("Judged by colours")),
            (Trial.Outcome.GOLD_MASS, phrase("Judged by the weight of the gold")),
        ):
            basis = self.basis_of(outcome)
            if outcome == self.trial.outcome or basis is None or basis.kind == USUAL:
                continue
            gain = self._sight(basis.planning).gain
            if before is None or worth_naming(before, gain):
                many = basis.planning.grains
                change = (
                    phrase(
                        "{judged}, about {colours} a portion ({told})",
                        judged=said,
                        colours=_count(many),
                        told=basis.told,
                    )
                    if many
                    else f"{said} ({basis.told})"
                )
                found.append(self._help(change, gain, *self._edit))
        return found

    def _help_by_fewer(self, spread: "Spread", before: float) -> list[Help]:
        """As many runs shared among fewer treatments, the most that are enough; else one treatment and all that the lot gives."""
        from trials.calc.plan_sight import rows_allowed, worth_naming

        if self.treatments == 2 or self.trial.is_square:
            return []
        for treatments in range(self.treatments - 1, 1, -1):
            plan = self.plan.with_treatments(treatments)
            gain = self._sight(spread, plan).gain
            if gain <= self.ratio:
                break
        lot = self.trial.feed_lot
        shared = phrase("no more runs than planned")
        if gain > self.ratio:
            rows = rows_allowed(lot.on_hand_g, self.trial.portion_mass_g, treatments)
            if rows > plan.rows:
                plan = replace(plan, rows=rows)
                gain = self._sight(spread, plan).gain
                shared = phrase("all that {lot} or one plan gives", lot=lot.code)
        if not worth_naming(before, gain):
            return []
        others = (
            phrase("one treatment")
            if treatments == 2
            else phrase_counted("{number} treatment", "{number} treatments", treatments - 1)
        )
        takes, _ = self._takes(plan)
        said = phrase(
            "Only the control and {treatments}, in {number} {rows}, {shared} ({takes})",
            treatments=others,
            number=plan.rows,
            rows=self.rows_word,
            shared=shared,
            takes=takes,
        )
        return [
            self._help(
                said, gain, f"{self.trial.get_absolute_url()}#treatments", phrase("See the treatments")
            )
        ]

    def _help_by_asking_less(self, before: float) -> list[Help]:
        from trials.calc.verdict import rounded_up

        if before > LARGEST_GAIN:
            return []
        asked = rounded_up(before, 3)
        return [
            Help(
                phrase(
                    "Ask for less: whether a treatment gives {asked} times as much or more is a question that this "
                    "plan answers.",
                    asked=asked,
                ),
                True,
                *self._edit,
            )
        ]

    def _help_by_ratios(self) -> list[Help]:
        """What places can't say: how much more, by an outcome that is known well enough to reckon with."""
        known = [
            (outcome, self.basis_of(outcome)) for outcome in (Trial.Outcome.COLOURS, Trial.Outcome.GOLD_MASS)
        ]
        return [
            Help(
                phrase(
                    "{outcome} would also say how much more: in as many blocks it shows {gain} ({told}).",
                    outcome=Trial.Outcome(outcome).label,
                    gain=_gain(self._sight(basis.planning).gain),
                    told=basis.told,
                ),
                False,
                *self._edit,
            )
            for outcome, basis in known
            if basis is not None and basis.kind != USUAL
        ]

    def _help_by_blocks_of_places(self) -> list[Help]:
        rows = self.by_places.always_first
        if self.by_places.seen is not None or not rows:
            return []
        takes, _ = self._takes(replace(self.plan, rows=rows))
        said = phrase(
            "{blocks} blocks instead of {planned} ({takes}): a treatment that comes first in every block is "
            "then shown.",
            blocks=rows,
            planned=self.plan.rows,
            takes=takes,
        )
        return [Help(said, True, *self._edit)]

    # Time, scale, squares

    @property
    def run_min(self) -> float:
        return float(self.trial.run_min or USUAL_RUN_MIN)

    def _hours(self, plan: "Plan") -> str:
        from trials.calc.plan_sight import plan_hours

        return phrase("{hours} of panning", hours=_hours_text(plan_hours(plan, self.run_min, 0).panning))

    def _hours_told(self) -> str:
        from trials.calc.plan_sight import plan_hours

        hours = plan_hours(self.plan, self.run_min, float(self.trial.soak_min))
        said = {"hours": _hours_text(hours.panning), "minutes": numeral(self.run_min, "g")}
        told = (
            phrase("About {hours} of panning, {minutes} min a run.", **said)
            if self.trial.run_min
            else phrase(
                "About {hours} of panning, {minutes} min a run, an assumption: the draft does not say.",
                **said,
            )
        )
        if not self.trial.soak_min or not self.trial.in_blocks:
            return told
        soaking = phrase(
            "Soaking adds {together} where a block's tubs soak side by side, {apart} one after the other.",
            together=_hours_text(hours.soaking_together),
            apart=_hours_text(hours.soaking_apart),
        )
        return f"{told} {soaking}"

    def _misfit(self) -> str:
        """Why no square can be drawn, blank where one can."""
        try:
            designs.draw_plan(self.trial.design, range(self.treatments), self.trial.blocks_planned, seed=0)
        except ValueError as error:
            return str(error)
        return ""

    def _scale(self, *, coarse: bool) -> str:
        """Whether the planned scale shows what a portion gives: the warning where it is too coarse, else the good news."""
        if self.trial.outcome != Trial.Outcome.GOLD_MASS:
            return ""
        step_mg = self.trial.scale_step_mg
        if not step_mg:
            return (
                ""
                if coarse
                else phrase(
                    "The draft does not name the scale's step, so it can't be said whether it is fine enough."
                )
            )
        expected_mg = self._expected_mg()
        if expected_mg is None:
            return (
                ""
                if coarse
                else phrase(
                    "What a portion gives is not known yet, so neither is whether the scale is fine enough."
                )
            )
        hides = step_hides(float(step_mg), float(expected_mg))
        if hides != coarse:
            return ""
        expected, step = units.format_gold_mg(expected_mg), units.format_gold_mg(step_mg)
        if not hides:
            return phrase(
                "The scale is fine enough: steps of {step}, and an untreated portion gives about {expected}.",
                step=step,
                expected=expected,
            )
        return phrase(
            "An untreated portion of this lot gives about {expected}, and the scale shows steps of {step}: "
            "some runs will come out below it, and the trial will see less than the figures here say. Weigh "
            "finer, take larger portions, or count colours.",
            expected=expected,
            step=step,
        )

    def _expected_mg(self) -> Decimal | None:
        if self.weighed:
            golds_mg, portions_g = zip(
                *((run.gold_mg, run.portion_mass_g) for run in self.weighed), strict=True
            )
            return gold_mg(pooled_grade_g_per_t(golds_mg, portions_g), self.trial.portion_mass_g)
        if self.ore.grade_g_per_t is None:
            return None
        return gold_mg(Decimal(self.ore.grade_g_per_t), self.trial.portion_mass_g)

    def _mass(self, mass_g: Decimal) -> str:
        return units.format_mass(mass_g, self.mass_unit)

    # The working

    def _working(self) -> "Working":
        from trials.calc.working import Working

        rows = [
            self._working_row(Trial.Outcome.GOLD_MASS, self.by_weight, spread)
            for spread in self.by_weight.spreads
        ]
        if self.by_colours:
            rows.append(self._working_row(Trial.Outcome.COLOURS, self.by_colours, self.by_colours.planning))
        taken = [
            phrase(
                "A treatment is compared with the control at a level of 5 % over all treatments together (Dunnett), "
                "two-sided; the gain is the one shown with a chance of 80 %."
            ),
            phrase(
                "The variance of a run grows with its gold, as a sum of grains does, and blocks are in the model: as "
                "the verdict will reckon."
            ),
            phrase("Whatever goes wrong in some runs (spilled, below the scale) costs sight."),
        ]
        if self.trial.is_square:
            taken.append(
                phrase(
                    "The rows of the square and the places in its order are both taken out: what differs from place "
                    "to place is no spread. It takes one degree of freedom for each place after the first."
                )
            )
        if self.trial.in_blocks and not self.trial.is_bridge:
            taken.append(self.by_places.working)
        return Working(tuple(rows), tuple(taken))

    def _working_row(self, outcome: str, basis: _Basis, spread: "Spread") -> "WorkingRow":
        from trials.calc.working import WorkingRow, given

        found = self._sight(spread)
        counts = [given(phrase("colours a portion"), spread.grains)] if spread.grains is not None else []
        return WorkingRow(
            phrase("{outcome}: gain shown 8 times in 10", outcome=Trial.Outcome(outcome).label),
            phrase(
                "the ratio whose comparison with the control passes t with a chance of 80 %; standard error of its "
                "ln, were the ratio 1: spread × √(2 ÷ rows)"
            ),
            (
                given(phrase("spread of equal untreated runs"), _percent(spread.cv)),
                *counts,
                given(self.rows_word, self.plan.rows),
                given(phrase("treatments with the control"), self.treatments),
                given(phrase("standard error"), found.standard_error),
                given(phrase("degrees of freedom"), found.df),
                given("t", found.critical_t),
            ),
            _times(found.gain),
            "",
            phrase("{told}; normal tail averaged over the estimated spread (noncentral t)", told=basis.told),
        )


def _feed_need(trial: Trial, lot: Lot, runs: int) -> FeedNeed:
    need = portions_need(lot.on_hand_g, runs, trial.portion_mass_g)
    cut = trial.portions_from == Trial.PortionsFrom.CUT
    ready = len(trial.portions_ready(lot)) if cut else 0
    too_small = ""
    if cut and ready < runs:
        too_small = phrase(
            "{number} portions are missing: cut them from {lot} all at once, or plan fewer blocks.",
            number=runs - ready,
            lot=lot.code,
        )
    elif not cut and lot.reserve_reason:
        too_small = phrase(
            "{lot} is held back ({reason}): release it first.",
            lot=lot.code,
            reason=lot.reserve_reason,
        )
    elif not cut and need.short_g:
        too_small = phrase(
            "{lot} does not hold that much. Plan fewer blocks, smaller portions or fewer treatments.",
            lot=lot.code,
        )
    return FeedNeed(lot=lot, runs=runs, need=need, portions_ready=ready, too_small=too_small)


def _times(gain: float) -> str:
    from trials.calc.verdict import LARGEST_RATIO, rounded_up

    if gain < LARGEST_RATIO:
        return phrase("{ratio} times", ratio=rounded_up(gain, 3))
    return phrase("over 100 times")


def _gain(gain: float) -> str:
    from trials.calc.verdict import LARGEST_RATIO, rounded_up

    if gain >= LARGEST_RATIO:
        return phrase("nothing short of a hundredfold gain")
    return phrase("a gain of {ratio} times", ratio=rounded_up(gain, 2 if gain >= 2 else 3))


def _percent(fraction: float) -> str:
    return f"{100 * fraction:.0f} %"


def _count(number: float) -> str:
    return f"{number:.0f}" if number >= 10 else numeral(number, ".2g")


def _hours_text(hours: float) -> str:
    return f"{hours:.0f} h" if hours >= 10 else f"{numeral(hours, '.1f')} h"


def _runs(number: int) -> str:
    return phrase_counted("{number} run", "{number} runs", number)
