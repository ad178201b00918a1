"""Which trials come next: what closed trials, clearing tests and open findings leave to be settled, out of the books."""

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from django.db.models import Count, Max, OuterRef, Q, Subquery
from django.urls import reverse
from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.mass_balance import portions_need
from prospecting.calc.number_words import listed
from prospecting.models import JournalEntry, Lot, Member
from trials.calc import next_trials as rules
from trials.calc.next_trials import Arm, Dosed, Idea, Plan, Tried
from trials.calc.spread import middle
from trials.calc.working import Working, WorkingRow, figure, given
from trials.frames.clearing import test_results
from trials.frames.stock import Stock, stocks_of, test_lots
from trials.frames.trial_lines import TrialLines, rows_of
from trials.models import Additive, ClearingTest, Finding, Run, Treatment, Trial

# The newest of each; what is older the group has long since decided on.
MOST_TRIALS, MOST_TESTS, MOST_TIMED = 60, 12, 240
RULES = {
    "repeat": gettext_lazy("Ask again with more blocks"),
    "ladder": gettext_lazy("The next dose"),
    "confirm": gettext_lazy("See whether it holds"),
    "gold": gettext_lazy("Does clearing cost gold?"),
    "pair": gettext_lazy("Both together"),
    "open": gettext_lazy("An open question"),
}
LADDER_WHY = {
    "between": gettext_lazy(
        "The dose lies halfway, as ratios go, between the highest one not shown and the lowest one shown."
    ),
    "up": gettext_lazy("No dose was shown so far: this is twice the highest one tried."),
    "down": gettext_lazy(
        "It is half the lowest dose tried: less may do as well, and where more does harm it may do better."
    ),
    "again": gettext_lazy(
        "A lower dose was shown and a higher one not: first see whether that holds, before anything between is tried."
    ),
}
POWER_SOURCE = gettext_lazy(
    "Power of the comparison with the control, all treatments judged together (Dunnett 1955), at the stated ratio."
)


@dataclass(frozen=True)
class NextTrial:
    """One line of the list; every figure as it is to be read."""

    rule: str
    question: str
    why: str
    links: Sequence[tuple[str, str]]
    treatments: Sequence[str]
    plan: Plan
    minutes: str
    material: str
    lot: Lot | None
    short: str
    capped: str
    hours: str
    chance: str
    ratio: str
    by_places: bool
    basis: str
    settled: str
    hours_each: str
    plan_url: str
    working: Working


@dataclass(frozen=True)
class NextTrials:
    """The list in its order, the lots that should be renewed, and how much of the books was read."""

    lines: Sequence[NextTrial]
    stocks: Sequence[Stock]
    trials_read: int
    under_way: int


def trials_to_read() -> list[Trial]:
    """The newest closed trials but bridges, newest first, and every one still open, their treatments and doses with them.

    Each with the moment of its runs' `last_entry`, and how many are `counted`.
    """
    closed = Trial.objects.filter(state=Trial.State.CLOSED, new_lot__isnull=True)
    newest = closed.order_by("-closed_at", "-pk").values("pk")[:MOST_TRIALS]
    runs = Run.objects.filter(planned__trial=OuterRef(OuterRef("pk"))).order_by().values("pk")
    entries = JournalEntry.objects.filter(subject_kind="run", subject_id__in=Subquery(runs)).order_by()
    # Not the first of a sorted list: for each trial SQLite would go through the journal from its end.
    lines = entries.values("subject_kind").annotate(last=Max("pk")).values("last")
    stands = Q(planned_runs__run__failed=False, planned_runs__run__step__voided_at__isnull=True)
    return list(
        Trial.objects.filter(Q(pk__in=newest) | ~Q(state=Trial.State.CLOSED))
        .select_related("feed_lot")
        .prefetch_related("treatments__doses")
        .annotate(
            last_line=Subquery(lines),
            last_entry=Subquery(JournalEntry.objects.filter(pk=OuterRef("last_line")).values("at")),
            counted=Count("planned_runs__run", filter=stands),
        )
        .order_by("-closed_at", "-pk")
    )


def tried_in(trials: Sequence[Trial]) -> dict[int, Tried]:
    """What each of these closed trials tried and showed, and how far its equal runs differ; in five queries at most.

    Their treatments must be prefetched with their doses.
    """
    rows = rows_of(trials, every_outcome=False)
    return {trial.pk: _tried(TrialLines(trial, rows=rows[trial.pk])) for trial in trials}


def _tried(lines: TrialLines) -> Tried:
    trial = lines.trial
    comparison, why_none = lines.compare()
    verdicts = lines.verdicts_on(comparison, why_none)
    control = lines.of(lines.control)
    return Tried(
        trial=trial.pk,
        arms=tuple(
            _arm(treatment, verdict.kind, verdict.more_blocks, verdict.headline)
            for treatment in lines.treatments
            if (verdict := verdicts.get(treatment.name)) is not None
        ),
        ratio=lines.smallest_ratio,
        blocks=len({line.block for line in control}) if trial.in_blocks else len(control),
        in_blocks=trial.in_blocks,
        by_places=lines.by_places,
        spread=comparison.sd_log if comparison else None,
        df=comparison.df if comparison else None,
        chance_share=comparison.chance_share if comparison else 0.0,
        dispersion=comparison.dispersion if comparison and comparison.route == "colours" else None,
    )


def next_trials(
    member: Member,
    findings: Iterable[Finding],
    tried_in: Callable[[Sequence[Trial]], dict[int, Tried]],
) -> NextTrials:
    """The list for this member; `findings` are those that stand, and `tried_in` reads closed trials, or what is kept of them."""
    return _Books(member, list(findings), tried_in).found()


def _arm(treatment: Treatment, kind: str = "", more_blocks: int | None = None, headline: str = "") -> Arm:
    doses = tuple(sorted((dose.additive_id, float(dose.ml_per_l)) for dose in treatment.doses.all()))
    return Arm(treatment.name, doses, treatment.technique, kind, more_blocks, headline)


@dataclass
class _Books:
    """All that the rules read, once."""

    member: Member
    findings: Sequence[Finding]
    read: Callable[[Sequence[Trial]], dict[int, Tried]]
    trials: dict[int, Trial] = field(init=False)
    tried: list[Tried] = field(init=False)
    under_way: list[Arm] = field(init=False)
    additives: dict[int, Additive] = field(init=False)

    def __post_init__(self) -> None:
        found = trials_to_read()
        self.trials = {trial.pk: trial for trial in found if trial.state == Trial.State.CLOSED}
        tried = self.read(list(self.trials.values()))
        self.tried = [tried[pk] for pk in self.trials]
        self.under_way = [
            _arm(treatment)
            for trial in found
            if trial.state != Trial.State.CLOSED
            for treatment in trial.treatments.all()
            if not treatment.is_control
        ]
        self.additives = Additive.objects.in_bulk()

    def found(self) -> NextTrials:
        known = (self.tried, self.under_way)
        ideas = [
            *((idea, self._repeat(idea)) for idea in rules.to_repeat(*known)),
            *((idea, self._ladder(idea)) for idea in rules.next_on_ladders(*known)),
            *((idea, self._confirm(idea)) for idea in rules.to_confirm(*known)),
            *((idea, self._pair(idea)) for idea in rules.to_pair(*known)),
            *self._gold(),
            *self._open(),
        ]
        plans = [rules.plan_of(idea, self._run_min(idea)) for idea, _ in ideas]
        return NextTrials(
            lines=[self._line(*ideas[place], plans[place]) for place in rules.in_order(plans)],
            stocks=[stock for stock in self._stocks.values() if stock.warning],
            trials_read=len(self.trials),
            under_way=len(self.under_way),
        )

    # What each rule says: question, why, links

    def _repeat(self, idea: Idea) -> tuple:
        trial = self._trial(idea)
        names, ratio = _and(arm.name for arm in idea.arms), figure(idea.base.ratio)
        why = phrase_counted(
            "{treatments} was not shown in {blocks} {rows}, too few to see {what}.",
            "{treatments} were not shown in {blocks} {rows}, too few to see {what}.",
            len(idea.arms),
            treatments=names,
            blocks=idea.base.blocks,
            rows=phrase("blocks") if idea.base.in_blocks else phrase("runs of each"),
            what=phrase("who wins") if idea.base.by_places else phrase("{ratio} times", ratio=ratio),
        )
        repeat = phrase("A repeat is read by itself, in its own blocks.")
        return trial.question, f"{why} {repeat}", self._verdict(trial)

    def _ladder(self, idea: Idea) -> tuple:
        trial, additive = self._trial(idea), self.additives[idea.arms[0].doses[0][0]]
        parts = {"additive": additive, "treatment": self._named(idea.arms[0], trial)}
        asked = (
            phrase("Which dose of {additive}: does {treatment} hold?", **parts)
            if idea.dose is None
            else phrase("Which dose of {additive}: does {treatment} recover more than the control?", **parts)
        )
        return asked, str(LADDER_WHY[idea.why]), self._verdict(trial)

    def _confirm(self, idea: Idea) -> tuple:
        trial = self._trial(idea)
        held = [
            finding for finding in self._standing(Finding.Stand.DO) if self._rests_on(finding, idea, trial)
        ]
        question = phrase(
            "Does it hold in new blocks: {treatments}?", treatments=_and(arm.name for arm in idea.arms)
        )
        if not held:
            return (
                question,
                phrase(
                    "Shown better in one trial only. What is shown once tends to look larger than it is: see it again before "
                    "the method rests on it."
                ),
                self._verdict(trial),
            )
        return (
            question,
            phrase(
                "Shown better in one trial only. What is shown once tends to look larger than it is, and the method "
                "rests on it."
            ),
            [*self._verdict(trial), *_links(held)],
        )

    def _pair(self, idea: Idea) -> tuple:
        one, other = (self.additives[arm.doses[0][0]] for arm in idea.arms[:2])
        return (
            phrase(
                "Do {one} and {other} together recover more than the better one alone?", one=one, other=other
            ),
            phrase(
                "Each was shown better by itself, and nobody has tried them in one tub. Whether they help or hinder each other "
                "takes about four times the runs."
            ),
            self._verdict(self._trial(idea)),
        )

    def _gold(self) -> list[tuple]:
        held = {
            (finding.additive_id, float(finding.ml_per_l)): finding
            for finding in self._standing(Finding.Stand.DO)
            if finding.ml_per_l is not None and finding.additive.kind == Additive.Kind.FLOCCULANT
        }
        cleared = self._cleared()
        found = []
        for idea in rules.costs_gold([*held, *cleared], self.tried, self.under_way):
            additive = self.additives[idea.dose[0]]
            finding, test = held.get(idea.dose), cleared.get(idea.dose)
            why = (
                phrase(
                    "The method uses it, but no closed trial has panned for gold at that dose; what it takes down with the mud "
                    "is lost."
                )
                if finding
                else phrase(
                    "It was seen to clear faster than the control, but no closed trial has panned for gold at that dose; what "
                    "it takes down with the mud is lost."
                )
            )
            told = (
                phrase(
                    "Does {additive} cost gold at {dose}?",
                    additive=additive,
                    dose=self._dosed(idea.dose, self._base_trial(idea)),
                ),
                why,
                _links([finding] if finding else [test]),
            )
            found.append((idea, told))
        return found

    def _cleared(self) -> dict[Dosed, ClearingTest]:
        """The flocculant doses that ended clearing tests showed to clear faster, and the newest test that did."""
        known = [additive for arm in [*self._arms(), *self.under_way] for additive, _ in arm.doses]
        tests = ClearingTest.objects.filter(
            ended_at__isnull=False, tubs__additive__kind=Additive.Kind.FLOCCULANT
        ).exclude(tubs__additive__in=known)
        found: dict[Dosed, ClearingTest] = {}
        newest = list(tests.distinct().order_by("-pk")[:MOST_TESTS])
        for test, result in zip(newest, test_results(newest), strict=True):
            dosed = {each.tub.holds: each.tub for each in result.tubs if each.tub.additive_id}
            for holds, against in result.against.items():
                if against.kind == "better":
                    found.setdefault((dosed[holds].additive_id, float(dosed[holds].ml_per_l)), test)
        return found

    def _open(self) -> list[tuple]:
        base = self.tried[0] if self.tried else None
        found = []
        for finding in self._standing(Finding.Stand.OPEN):
            if any(piece.trial_id for piece in finding.evidence.all()):
                continue
            doses = ()
            if finding.ml_per_l is not None:
                doses = ((finding.additive_id, float(finding.ml_per_l)),)
            name = (
                phrase("{additive}, a dose to be chosen", additive=finding.additive)
                if finding.additive
                else phrase("what the question asks")
            )
            idea = Idea("open", base, (Arm("" if doses else name, doses, "", ""),), 1)
            told = phrase(
                "Left open by {member}, and no trial has taken it up.",
                member=finding.concluded_by,
            )
            found.append((idea, (finding.sentence, told, _links([finding]))))
        return found

    def _arms(self) -> list[Arm]:
        return [arm for each in self.tried for arm in each.arms]

    def _standing(self, stand: str) -> list[Finding]:
        return [finding for finding in self.findings if finding.stand == stand]

    def _rests_on(self, finding: Finding, idea: Idea, trial: Trial) -> bool:
        if not any(piece.trial_id == trial.pk for piece in finding.evidence.all()):
            return False
        additives = {additive for arm in idea.arms for additive, _ in arm.doses}
        return finding.additive_id is None or finding.additive_id in additives

    # How an idea is written

    def _trial(self, idea: Idea) -> Trial:
        return self.trials[idea.base.trial]

    def _base_trial(self, idea: Idea) -> Trial | None:
        return self.trials[idea.base.trial] if idea.base else None

    def _verdict(self, trial: Trial) -> list[tuple[str, str]]:
        return [(trial.question, reverse("trial-verdict", args=[trial.pk]))]

    def _named(self, arm: Arm, trial: Trial | None) -> str:
        if not arm.doses:
            return arm.name
        dosed = phrase(" and ").join(
            phrase(
                "{additive} at {dose}",
                additive=self.additives[additive],
                dose=self._dosed((additive, dose), trial),
            )
            for additive, dose in arm.doses
        )
        return f"{arm.name} ({dosed})" if arm.name else dosed

    def _dosed(self, dosed: Dosed, trial: Trial | None) -> str:
        """In the member's unit, and as poured into the tub of the trial it rests on."""
        _, ml_per_l = dosed
        told = units.format_dose(ml_per_l, self.member.dose_unit)
        if trial is None:
            return told
        return phrase(
            "{dose}, {amount} in {water}",
            dose=told,
            amount=units.tub_amounts(ml_per_l, trial.water_ml).as_poured(),
            water=trial.water_typed,
        )

    def _run_min(self, idea: Idea) -> float:
        trial = self._base_trial(idea)
        if trial is not None and trial.run_min:
            return float(trial.run_min)
        return middle(self._timed) if self._timed else rules.USUAL_RUN_MIN

    def _minutes_told(self, idea: Idea) -> str:
        trial, minutes = self._base_trial(idea), figure(self._run_min(idea))
        if trial is not None and trial.run_min:
            return phrase("{minutes} min a run, as planned in that trial", minutes=minutes)
        if self._timed:
            return phrase(
                "{minutes} min a run, the middle of {number} timed runs",
                minutes=minutes,
                number=len(self._timed),
            )
        return phrase("{minutes} min a run, assumed: nobody has timed one", minutes=minutes)

    @cached_property
    def _timed(self) -> list[float]:
        minutes = Run.objects.standing().filter(pan_min__gt=0).values_list("pan_min", flat=True)
        return [float(each) for each in minutes[:MOST_TIMED]]

    @cached_property
    def _stocks(self) -> dict[int, Stock]:
        """Of the lots of the trials read, and of those in use."""
        lots = {trial.feed_lot_id: trial.feed_lot for trial in self.trials.values()}
        lots |= {lot.pk: lot for lot in test_lots()}
        return {stock.lot.pk: stock for stock in stocks_of(lots.values(), self.member.mass_unit)}

    def _line(self, idea: Idea, told: tuple, plan: Plan) -> NextTrial:
        question, why, links = told
        trial = self._base_trial(idea)
        lot = trial.feed_lot if trial else None
        own = trial is not None and idea.rule not in ("gold", "open")
        control = trial.treatments.all()[0].name if own else phrase("the same without it")
        return NextTrial(
            rule=str(RULES[idea.rule]),
            question=question,
            why=why,
            links=links,
            treatments=[
                phrase("{treatment} (control)", treatment=control),
                *(self._named(arm, trial) for arm in idea.arms),
            ],
            plan=plan,
            minutes=self._minutes_told(idea),
            material=self._material(trial, plan),
            lot=lot,
            short=self._short(lot, plan),
            capped=_capped(plan),
            hours=figure(plan.hours, 2),
            chance=units.format_odds(plan.power),
            ratio=figure(plan.ratio),
            by_places=idea.base is not None and idea.base.by_places,
            basis=_basis(plan, trial),
            settled=figure(plan.settled, 2),
            hours_each=figure(plan.hours_each, 2),
            plan_url=self._plan_url(lot),
            working=self._working(idea, plan, trial),
        )

    def _material(self, trial: Trial | None, plan: Plan) -> str:
        if trial is None:
            return ""
        need = portions_need(trial.feed_lot.on_hand_g, plan.runs, trial.portion_mass_g)
        return phrase(
            "{mass}, portions of {portion}",
            mass=units.format_mass(need.needed_g, self.member.mass_unit),
            portion=trial.portion_typed,
        )

    def _short(self, lot: Lot | None, plan: Plan) -> str:
        if lot is None:
            return ""
        free = max(0, self._stocks[lot.pk].free)
        if free >= plan.runs:
            return ""
        return phrase_counted(
            "{lot} has {number} portion free: blend its successor first, or take a lot like it.",
            "{lot} has {number} portions free: blend its successor first, or take a lot like it.",
            free,
            lot=lot.code,
        )

    def _plan_url(self, lot: Lot | None) -> str:
        address = reverse("trial-add")
        return f"{address}?lot={lot.code}" if lot is not None and lot.on_hand_g > 0 else address

    def _working(self, idea: Idea, plan: Plan, trial: Trial | None) -> Working:
        verdict = reverse("trial-verdict", args=[trial.pk]) if trial else ""
        by_places = idea.base is not None and idea.base.by_places
        chance = (
            WorkingRow(
                phrase("Chance that a comparison is shown"),
                phrase(
                    "blocks in which a treatment that wins 3 in 4 is seen 8 times in 10, as its verdict reckoned"
                ),
                (given(phrase("blocks"), plan.blocks),),
                figure(plan.power, 2),
                source=phrase("Counted over every order the pans can take."),
            )
            if by_places
            else WorkingRow(
                phrase("Chance that a comparison is shown"),
                phrase("power against the control in so many blocks, were the true ratio the stated one"),
                (
                    given(phrase("stated ratio"), plan.ratio, link=verdict),
                    given(
                        phrase("spread of equal runs, assumed")
                        if plan.spread_assumed
                        else phrase("spread of equal runs"),
                        plan.spread,
                        phrase("of ln"),
                        "" if plan.spread_assumed else verdict,
                    ),
                    given(phrase("treatments with the control"), plan.treatments),
                    given(phrase("blocks"), plan.blocks),
                ),
                figure(plan.power, 2),
                source=str(POWER_SOURCE),
            )
        )
        rows = (
            chance,
            WorkingRow(
                phrase("Comparisons settled, expected"),
                phrase("comparisons not settled so far × chance of each"),
                (given(phrase("not settled so far"), idea.unsettled), given(phrase("chance"), plan.power)),
                figure(plan.settled, 2),
            ),
            WorkingRow(
                phrase("Hours of panning"),
                phrase("treatments × blocks × minutes of a run / 60"),
                (
                    given(phrase("runs"), plan.runs),
                    given(phrase("minutes of a run"), self._run_min(idea), "min"),
                ),
                figure(plan.hours, 3),
                "h",
            ),
            WorkingRow(
                phrase("Order of the list"),
                phrase("comparisons settled / hours of panning"),
                (given(phrase("settled"), plan.settled), given(phrase("hours"), plan.hours, "h")),
                figure(plan.per_hour, 2),
                phrase("an hour"),
            ),
        )
        return Working(
            rows,
            (
                phrase(
                    "The trial is read by itself, without the blocks already run: adding blocks after a look finds "
                    "gains that are not there."
                ),
                phrase(
                    "A difference as large as the stated one is taken to be there; how likely that is nobody knows beforehand."
                ),
                phrase("Soaking is not counted: tubs of a block soak side by side."),
            ),
        )


def _capped(plan: Plan) -> str:
    if plan.blocks_wanted is not None and plan.blocks_wanted <= plan.blocks:
        return ""
    if plan.blocks_wanted is None:
        return phrase(
            "No number of blocks worth naming is enough for {ratio} times: lessen the spread first.",
            ratio=figure(plan.ratio),
        )
    return phrase(
        "{wanted} blocks would be enough for 8 times in 10; listed are {blocks}, about the most "
        "one trial takes.",
        wanted=plan.blocks_wanted,
        blocks=plan.blocks,
    )


def _basis(plan: Plan, trial: Trial | None) -> str:
    """What is to be minded about the spread it was reckoned with."""
    if plan.spread_assumed:
        return phrase(
            "Equal runs are taken to differ by {share}: nobody has seen yet how far they do.",
            share=units.format_share(plan.spread),
        )
    if plan.spread_thin and trial is not None:
        return phrase(
            "Reckoned with how far the few runs of “{trial}” differ: it may well take more blocks, or fewer.",
            trial=trial,
        )
    return ""


def _and(names: Iterable[str]) -> str:
    return listed([f"“{name}”" for name in names])


def _links(records: Collection) -> list[tuple[str, str]]:
    return [(str(record), record.get_absolute_url()) for record in records]
