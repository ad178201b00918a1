"""What one additive clears and what it costs in gold, dose by dose: its clearing tests beside its closed trials.

Reckoned from records read before (`flocculant_books.books_of`), so that a page reckons once for the same ones. Doses are told
apart by mL/L as stored, to six decimals; two different ones are never joined.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import TYPE_CHECKING, Literal

from prospecting.calc import units
from prospecting.calc.number_words import numeral
from prospecting.models import Origin
from trials.calc import flocculant
from trials.calc.flocculant import Loss, Minutes, Weighed
from trials.frames.clearing import (
    CHART_TITLES,
    TubResult,
    against_control,
    cautions_of,
    target_words,
    tub_result,
)
from trials.frames.flocculant_books import ArmOfTrial, Books
from trials.frames.flocculant_mud import MudLine, mud_in_words, mud_of, mud_row
from trials.models import ClearingTest, Trial

if TYPE_CHECKING:
    from trials.calc.working import Working, WorkingRow

Mark = Literal["best", "costly", "beaten", "without"]
CLEARER = {"better": "faster", "worse": "slower"}


@dataclass(frozen=True)
class GoldLine:
    """What the closed trials say of one dose's gold. `loss` None: only a direction, or nothing, is known.

    `lower` to `upper` are the ends of the interval that decides, `level` says which; `lost_mg` least and most lost a portion.
    """

    kind: str
    words: str
    explanation: str
    ratio: float | None = None
    lower: float | None = None
    upper: float | None = None
    level: str = ""
    loss: Loss | None = None
    lost_mg: tuple[float, float] | None = None
    margin: float | None = None

    @property
    def is_drawn(self) -> bool:
        return self.ratio is not None and self.ratio > 0


@dataclass
class DoseLine:
    """One dose as the page shows it; `ml_per_l` None is the tub without. Every text is as it is to be read."""

    ml_per_l: Decimal | None
    label: str
    typed: str
    tubs: list[TubResult] = field(default_factory=list)
    in_min: Minutes | None = None
    times: str = ""
    sooner: Minutes | None = None
    sooner_each: list[tuple[ClearingTest, Minutes]] = field(default_factory=list)
    why_no_time: str = ""
    gold: GoldLine | None = None
    mud: MudLine | None = None
    mark: Mark | None = None

    @property
    def is_known(self) -> bool:
        """Whether both aims are known, so that it stands in the picture."""
        return self.has_time and self.has_gold

    @property
    def has_time(self) -> bool:
        return self.sooner is not None and self.sooner.is_told

    @property
    def has_gold(self) -> bool:
        return self.gold is not None and self.gold.is_drawn

    def tubs_of(self, test: ClearingTest) -> list[TubResult]:
        return [each for each in self.tubs if each.tub.test_id == test.pk]

    @property
    def named(self) -> str:
        return f"{self.label} ({self.typed})" if self.typed else self.label

    @property
    def sooner_text(self) -> str:
        if not self.has_time:
            return "not known"
        said = flocculant.sooner_in_words(self.sooner)
        low, high = self.sooner.low, self.sooner.high
        if low is None or high is None:
            return said
        write = flocculant.minutes_text
        return f"{said} (from look to look {write(low)} to {write(high)})"

    @property
    def ratio_text(self) -> str:
        from trials.calc.verdict import written

        return written(self.gold.ratio) if self.has_gold else "not known"

    @property
    def interval_text(self) -> str:
        from trials.calc.verdict import written

        gold = self.gold
        if not self.has_gold or gold.lower is None or gold.upper is None:
            return "not known"
        return f"{written(gold.lower)} to {written(gold.upper)}"

    @property
    def verdict_text(self) -> str:
        if self.gold is None:
            return "not tried on gold"
        return {"worse": "shown: worse", "better": "shown: better"}.get(self.gold.kind, self.gold.kind)


@dataclass(frozen=True)
class DoseVerdict:
    """The words on one dose, for templates/prospecting/_verdict.html."""

    kind: str
    headline: str
    explanation: str


@dataclass(frozen=True)
class CurveOf:
    """A tub under the name of its dose, as charts/clearing.py draws it, and what was seen of it."""

    label: str
    is_control: bool
    looks: Sequence
    sentence: str


@dataclass(frozen=True)
class Curves:
    """One clearing test's tubs with and without the additive."""

    test: ClearingTest
    tubs: list[CurveOf]
    title: str
    is_joined: bool


@dataclass(frozen=True)
class ClearingPage:
    """All that the page shows, in the order it shows it."""

    headline: str
    not_beaten: str
    verdicts: list[DoseVerdict]
    cautions: list[str]
    without: DoseLine
    drawn: list[DoseLine]
    lines: list[DoseLine]
    only_time: list[DoseLine]
    only_gold: list[DoseLine]
    neither: list[DoseLine]
    description: str
    margin: float | None
    target: str
    curves: list[Curves]
    mud: list[str]
    mud_lines: list[DoseLine]
    trials: list[Trial]
    others: list[tuple[Trial, str]]
    open_trials: list[Trial]
    origins: list[Origin]
    working: "Working"


def page_of(books: Books) -> ClearingPage:
    """Reckon what these records show."""
    return _Reckoning(books).page()


class _Reckoning:
    """The records of one additive, dose by dose."""

    def __init__(self, books: Books) -> None:
        self.books = books
        self.additive = books.additive
        self.results = {tub.pk: tub_result(tub.test, tub) for tub in books.tubs}
        self.yardstick = self._yardstick()
        self.joined = [test for test in books.tests if self._aims_of(test) == self.yardstick]
        self._compared: dict[int, tuple] = {}
        self._judged: dict[int, dict] = {}
        self.without = DoseLine(None, "without", "", why_no_time="no test tells")
        self._fill_without()
        self.lines = [self._line(dose) for dose in self._doses()]
        self._mark()

    # Doses and times

    def _doses(self) -> list[Decimal]:
        tried = {tub.ml_per_l for tub in self.books.tubs if tub.additive_id == self.additive.pk}
        return sorted(tried | set(self.books.arms))

    def _label(self, dose: Decimal) -> str:
        """To three figures, or to all where another dose would read the same."""
        short = units.format_dose(dose, "ml_per_l")
        alike = [each for each in self._doses() if units.format_dose(each, "ml_per_l") == short]
        return short if len(alike) == 1 else f"{numeral(dose.normalize(), 'f')} mL/L"

    def _aims_of(self, test: ClearingTest) -> tuple | None:
        """What its times are times to; None where it has no target, and so no times."""
        return None if test.target is None else (test.measure, test.target)

    def _yardstick(self) -> tuple | None:
        """Measure and target by which most doses stand beside a tub without, those tried on gold first; the newest of equals."""
        told: dict[tuple, set[Decimal]] = {}
        for test in self.books.tests:
            if self._tubs_in(test, dosed=False):
                doses = {each.tub.ml_per_l for each in self._tubs_in(test, dosed=True)}
                told.setdefault(self._aims_of(test), set()).update(doses)
        return max(
            (aims for aims, doses in told.items() if doses),
            key=lambda aims: (len(told[aims] & set(self.books.arms)), len(told[aims])),
            default=None,
        )

    def _tubs_in(self, test: ClearingTest, dosed: bool, dose: Decimal | None = None) -> list[TubResult]:
        """Read tubs of a test with the additive (at this dose) or with nothing."""
        wanted = self.additive.pk if dosed else None
        return [
            self.results[tub.pk]
            for tub in self.books.tubs
            if tub.test_id == test.pk
            and tub.additive_id == wanted
            and (dosed or tub.is_control)
            and (dose is None or tub.ml_per_l == dose)
            and self.results[tub.pk].reached is not None
        ]

    def _fill_without(self) -> None:
        tubs = [each for test in self.joined for each in self._tubs_in(test, dosed=False)]
        self.without.tubs = tubs
        if tubs:
            self.without.in_min = flocculant.cleared_in([each.reached for each in tubs])
            self.without.times = _times(tubs, len(self.joined))
        self.without.mud = mud_of(self.books, None)

    def _line(self, dose: Decimal) -> DoseLine:
        line = DoseLine(dose, self._label(dose), self._typed(dose))
        for test in self.joined:
            dosed, bare = self._tubs_in(test, True, dose), self._tubs_in(test, dosed=False)
            line.tubs += dosed
            if dosed and bare:
                times = [flocculant.cleared_in([each.reached for each in tubs]) for tubs in (bare, dosed)]
                line.sooner_each.append((test, flocculant.sooner(*times)))
        if line.tubs:
            line.in_min = flocculant.cleared_in([each.reached for each in line.tubs])
            line.times = _times(line.tubs, len({each.tub.test_id for each in line.tubs}))
        if line.sooner_each:
            line.sooner = flocculant.over_tests([gain for _, gain in line.sooner_each])
        if not line.has_time:
            line.why_no_time = self._why_no_time(dose, line)
        line.gold = self._gold(dose)
        line.mud = mud_of(self.books, dose)
        return line

    def _typed(self, dose: Decimal) -> str:
        """As the tubs and treatments have it: the same dose may have been typed in several ways."""
        typed = [tub.dose_typed for tub in self.books.tubs if self.books.holds(tub, dose)]
        for arm in self.books.arms.get(dose, []):
            typed += [
                each.typed for each in arm.treatment.doses.all() if each.additive_id == self.additive.pk
            ]
        return "; ".join(each for each in dict.fromkeys(typed) if each != self._label(dose))

    def _why_no_time(self, dose: Decimal, line: DoseLine) -> str:
        tubs = [tub for tub in self.books.tubs if self.books.holds(tub, dose)]
        if not tubs:
            return "no clearing test has a tub with it"
        if line.sooner is not None:
            return "neither the tub with it nor the one without was watched long enough to tell which is clear first"
        if line.tubs:
            return "no tub without additive was read beside it"
        aims = {self._aims_of(tub.test) for tub in tubs}
        if aims == {None}:
            return "its clearing test has no target, so no tub can be called clear"
        if self.yardstick is not None and self.yardstick not in aims:
            return "it was cleared to another target, and times to different targets are not joined"
        return "its tub was not read"

    # Gold

    def _gold(self, dose: Decimal) -> GoldLine | None:
        arms = self.books.arms.get(dose, [])
        each = [self._gold_of(arm) for arm in arms]
        if len(each) < 2:
            return each[0] if each else None
        return self._gold_over(arms, each)

    def _gold_of(self, arm: ArmOfTrial) -> GoldLine:
        """One trial's verdict on this dose, as on its own page."""
        from trials.calc.verdict import judge

        comparison, why = self._compare(arm)
        trial, name = arm.trial, arm.treatment.name
        if comparison is None:
            return GoldLine("not shown", "whether it costs gold is not shown", f"“{trial}”: {_ended(why)}")
        verdict, entry = judge(comparison, name, arm.lines.smallest_ratio), comparison.of(name)
        explanation = f"“{trial}”: {verdict.explanation}"
        by_ratio = comparison.route == "mass" and entry.ratio is not None and entry.lower is not None
        if not by_ratio:
            return GoldLine(verdict.kind, _direction(verdict.kind), explanation)
        ends, level = (entry.lower, entry.upper), "95 %"
        if verdict.kind == "equivalent":
            ends, level = (entry.equivalence_lower, entry.equivalence_upper), "90 %"
        loss = flocculant.loss_of(entry.ratio, *ends)
        small = verdict.within_margin and verdict.kind in ("worse", "better")
        sight = None
        if verdict.detectable_ratio is not None:
            sight = flocculant.loss_in_sight(verdict.detectable_ratio, comparison.chance_share)
        return GoldLine(
            verdict.kind,
            _gold_words(verdict.kind, loss, level, sight, verdict.detectable_ratio is not None)
            + (", less than the group said matters" if small else ""),
            explanation,
            entry.ratio,
            *ends,
            level,
            loss,
            flocculant.lost_mg(loss, comparison.control_mean or 0.0),
            arm.lines.smallest_ratio,
        )

    def _gold_over(self, arms: Sequence[ArmOfTrial], each: Sequence[GoldLine]) -> GoldLine:
        """Several trials of one dose, each by its ratio to its own control; those that give no ratio are named."""
        from trials.calc.bridge import LogRatio

        parts, silent = [], []
        for arm, line in zip(arms, each, strict=True):
            comparison, _ = self._compare(arm)
            entry = comparison.of(arm.treatment.name) if comparison else None
            if line.is_drawn and entry.se_log and comparison.df:
                parts.append(LogRatio.of(entry.ratio, entry.se_log, comparison.df))
            else:
                silent.append(f"“{arm.trial}”")
        left_out = (
            f" Left out, for it gives no ratio with an interval: {', '.join(silent)}." if silent else ""
        )
        if len(parts) < 2:
            one = next((line for line in each if line.is_drawn), each[0])
            return GoldLine(**vars(one) | {"explanation": f"{one.explanation}{left_out}"})
        margin = min(arm.lines.smallest_ratio for arm in arms)
        found = flocculant.over_trials(parts, margin, len(self.books.arms))
        level = f"{numeral(100 * found.confidence, '.3g')} %"
        loss = flocculant.loss_of(found.ratio, found.lower, found.upper)
        return GoldLine(
            found.kind,
            _gold_words(found.kind, loss, level, found.loss_in_sight, sight_known=True),
            f"{_several(len(parts), 'trial')}, each against its own control, on average {_times_as_much(found, level)}. "
            f"{found.agreement}{left_out}",
            found.ratio,
            found.lower,
            found.upper,
            level,
            loss,
            margin=margin,
        )

    def _compare(self, arm: ArmOfTrial) -> tuple:
        """The trial's comparison or None, and why not: reckoned once for all its doses."""
        if arm.trial.pk not in self._compared:
            self._compared[arm.trial.pk] = arm.lines.compare()
        return self._compared[arm.trial.pk]

    def _mud_words(self) -> list[str]:
        lost = {line.label: (line.mud, self._lost_mg(line)) for line in self.lines if line.mud is not None}
        return mud_in_words(lost, self.without.mud)

    def _lost_mg(self, line: DoseLine) -> tuple[float, float] | None:
        """Gold the pan lost a portion, least and most, where a loss is shown."""
        return line.gold.lost_mg if line.gold is not None and line.gold.kind == "worse" else None

    # Both together

    def _mark(self) -> None:
        drawn = {line.ml_per_l: line for line in self.lines if line.is_known}
        points = {dose: Weighed(line.gold.ratio, line.sooner) for dose, line in drawn.items()}
        # The tub without costs nothing and gains nothing: it may beat a dose as well as another dose may.
        best = flocculant.not_beaten({None: Weighed(1.0, Minutes.exactly(0.0))} | points)
        for dose, line in drawn.items():
            line.mark = "beaten" if dose not in best else "costly" if line.gold.kind == "worse" else "best"
        self.without.mark = "without"

    def _chosen(self) -> DoseLine | None:
        """The dose the first sentence speaks of: the fastest that is not beaten nor shown to cost gold, else the least costly."""
        known = [line for line in self.lines if line.is_known]
        best = [line for line in known if line.mark == "best"]
        if best:
            return max(best, key=lambda line: line.sooner.ends[0])
        faster = [line for line in known if line.sooner.ends[0] > 0]
        return max(faster or known, key=lambda line: line.gold.ratio, default=None)

    def _headline(self) -> str:
        chosen = self._chosen()
        if chosen is not None:
            return f"{self.additive} at {chosen.named} {self._sentence(chosen)}."
        timed = [line for line in self.lines if line.has_time]
        weighed_lines = [line for line in self.lines if line.gold is not None]
        if timed and weighed_lines:
            at = _listed([line.label for line in timed])
            gold_at = _listed([line.label for line in weighed_lines])
            return (
                f"Minutes are known of {at}, gold of {gold_at}: of no dose are both known, so what clearer water costs in gold "
                f"cannot be said of {self.additive} yet."
            )
        if timed:
            fastest = max(timed, key=lambda line: line.sooner.ends[0])
            return f"{self.additive} at {fastest.named} {self._sentence(fastest)}."
        if weighed_lines:
            line = min(weighed_lines, key=lambda each: (each.gold.kind != "worse", each.ml_per_l))
            return f"{self.additive} at {line.named}: {line.gold.words}; how fast it clears is not known."
        if self.books.tests:
            return f"The clearing tests of {self.additive} tell no time yet, and no closed trial tells what it costs in gold."
        return (
            f"No closed trial tells what {self.additive} alone does to the gold by weight, and no clearing test was made with "
            "it."
        )

    def _sentence(self, line: DoseLine) -> str:
        """What follows "at this dose it"."""
        cleared = f"clears the tub {flocculant.sooner_in_words(line.sooner)}"
        if line.gold is None:
            return f"{cleared}; whether it costs gold no closed trial says"
        joins = " and " if line.gold.kind in ("worse", "better") else "; "
        return f"{cleared}{joins}{line.gold.words}"

    def _best_words(self) -> str:
        known = [line for line in self.lines if line.is_known]
        if not known:
            return ""
        best = [line for line in known if line.mark in ("best", "costly")]
        if not best:
            return (
                "Every dose with both measured is beaten by another one or by the tub without, on gold and on minutes, by the "
                "estimates."
            )
        said = [
            f"By the estimates no other dose, nor the tub without, beats {_listed([line.label for line in best])} on both gold "
            "and minutes."
        ]
        costly = [line.label for line in best if line.mark == "costly"]
        if costly:
            said.append(f"{_listed(costly)} {'is' if len(costly) == 1 else 'are'} shown to cost gold.")
        beaten = [line.label for line in known if line.mark == "beaten"]
        if beaten:
            said.append(f"Beaten, another being as good on both and better on one: {_listed(beaten)}.")
        pairs = list(itertools.combinations(known, 2))
        mixed = [pair for pair in pairs if not flocculant.told_apart(*(line.gold.loss for line in pair))]
        if mixed and len(mixed) == len(pairs):
            said.append("Their gold intervals overlap: by gold the order of these doses is by estimate only.")
        elif mixed:
            told = _listed([f"{first.label} and {second.label}" for first, second in mixed])
            said.append(f"The gold intervals overlap between {told}: their order is by estimate only.")
        return " ".join(said)

    def _verdict(self, line: DoseLine) -> DoseVerdict:
        tests = [test for test, _ in line.sooner_each]
        bare = [each for each in self.without.tubs if each.tub.test_id in {test.pk for test in tests}]
        times = f"To {target_words(tests[0])}: {line.times}; without {_times(bare, len(tests))}."
        return DoseVerdict(
            line.gold.kind,
            f"At {line.named} it {self._sentence(line)}.",
            f"{times} {self._shown_words(line)} {line.gold.explanation}",
        )

    def _seen_words(self) -> str:
        """For which doses faster clearing is shown, not only seen."""
        timed = [line for line in self.lines if line.has_time]
        shown = [
            line.label
            for line in timed
            if any(self._clearer(line, test) == "better" for test, _ in line.sooner_each)
        ]
        if shown:
            return f"That it clears faster than the tub without is shown for {_listed(shown)}."
        if timed:
            return "How much sooner it clears is what was seen; no test alone shows that it was more than chance."
        return ""

    def _clearer(self, line: DoseLine, test: ClearingTest) -> str:
        """What one test shows of this dose: better, worse or not_shown, as on the test's own page."""
        found = self._against(test).get(line.tubs_of(test)[0].tub.holds)
        return "not_shown" if found is None else found.kind

    def _shown_words(self, line: DoseLine) -> str:
        """Whether clearing faster is shown in a test of its own; never by adding tests of different water up."""
        shown = [
            f"{CLEARER[kind]} in “{test}” ({len(line.tubs_of(test))} tubs with it)"
            for test, _ in line.sooner_each
            if (kind := self._clearer(line, test)) in CLEARER
        ]
        if shown:
            return f"Shown at the 5 % level of its test: {'; '.join(shown)}."
        if all(len(line.tubs_of(test)) < 2 for test, _ in line.sooner_each):
            return "One tub of it in a test: how far two tubs treated alike differ is not known, so faster is seen, not shown."
        return "Faster is seen, not shown: in no one test is it more than chance may bring."

    def _against(self, test: ClearingTest) -> dict:
        if test.pk not in self._judged:
            judged = [
                self.results[tub.pk]
                for tub in self.books.tubs
                if tub.test_id == test.pk and self.results[tub.pk].reached is not None
            ]
            self._judged[test.pk] = against_control(judged)
        return self._judged[test.pk]

    # The page

    def page(self) -> ClearingPage:
        known = [line for line in self.lines if line.is_known]
        return ClearingPage(
            headline=self._headline(),
            not_beaten=f"{self._best_words()} {self._seen_words()}".strip(),
            verdicts=[self._verdict(line) for line in known],
            cautions=self._cautions(),
            without=self.without,
            drawn=known,
            lines=self.lines,
            only_time=[line for line in self.lines if line.has_time and not line.has_gold],
            only_gold=[line for line in self.lines if line.has_gold and not line.has_time],
            neither=[line for line in self.lines if not (line.has_gold or line.has_time)],
            description=" ".join(f"{line.label}: {self._sentence(line)}." for line in known),
            margin=min((line.gold.margin for line in known if line.gold.margin), default=None),
            target=target_words(self.joined[0]) if self.joined else "",
            curves=self._curves(),
            mud=self._mud_words(),
            mud_lines=[line for line in (self.without, *self.lines) if line.mud is not None],
            trials=[lines.trial for lines in self.books.closed],
            others=self.books.others,
            open_trials=self.books.open_trials,
            origins=self.books.origins,
            working=self._working(),
        )

    def _curves(self) -> list[Curves]:
        found = []
        for test in self.books.tests:
            tubs = [
                CurveOf(
                    "without" if tub.is_control else self._label(tub.ml_per_l).removesuffix(" mL/L"),
                    tub.is_control,
                    self.results[tub.pk].looks,
                    self.results[tub.pk].sentence
                    or ("Read by photo." if tub.readings.all() else "Not read."),
                )
                for tub in self.books.tubs
                if tub.test_id == test.pk and (tub.is_control or tub.additive_id == self.additive.pk)
            ]
            title = f"{CHART_TITLES[test.measure]} Named by dose, in mL/L."
            found.append(Curves(test, tubs, title, test in self.joined))
        return found

    def _cautions(self) -> list[str]:
        books, said = self.books, []
        for test in books.tests:
            results = [self.results[tub.pk] for tub in books.tubs if tub.test_id == test.pk]
            said += [f"“{test}”: {sentence}" for sentence in cautions_of(test, results)]
        apart = [test for test in books.tests if test not in self.joined and test.target is not None]
        if apart and self.joined:
            names = _listed([f"“{test}”" for test in apart])
            said.append(f"Not joined, for it clears to another target or has no tub to compare: {names}.")
        said += self._of_other_lots()
        for lines in books.closed:
            out = [line for line in lines.lines if line.run and not line.counts]
            if out:
                said.append(
                    f"“{lines.trial}”: {_several(len(out), 'run')} left out as failed, void or not weighed "
                    f"({lines.by_treatment(out)})."
                )
            seeing = [line for line in lines.counted if not line.is_blind]
            if seeing:
                said.append(
                    f"“{lines.trial}”: {_several(len(seeing), 'run')} panned by someone who had seen the key; its verdict is "
                    "weaker than its figures."
                )
            if lines.trial.wishful_reason:
                said.append(f"“{lines.trial}” was planned although its plan could not answer its question.")
            if lines.trial.typed_in_afterwards:
                said.append(
                    f"“{lines.trial}” was typed in afterwards: it was not planned, drawn or run here."
                )
            if lines.trial.close_reason:
                said.append(f"“{lines.trial}” was ended early: {_ended(lines.trial.close_reason)}")
        return said

    def _of_other_lots(self) -> list[str]:
        """That what is set side by side here was measured on different mud."""
        said = []
        of_tests = {test.lot.code for test in self.joined if test.lot}
        of_trials = {lines.trial.feed_lot.code for lines in self.books.closed}
        if len(of_tests) > 1:
            said.append(
                f"The clearing tests are of different mud (lots {_listed(sorted(of_tests))}): minutes are set against the tub "
                "without of the same test only."
            )
        if of_tests and of_trials and of_tests != of_trials:
            said.append(
                f"Minutes are of mud of {_listed(sorted(of_tests))}, gold of {_listed(sorted(of_trials))}: another mud clears "
                "otherwise, and other gold is lost otherwise."
            )
        return said

    def _working(self) -> "Working":
        from trials.calc.working import Working

        rows = []
        for line in self.lines:
            rows += [*self._time_rows(line), *self._gold_rows(line)]
        rows += [
            mud_row(line.label, line.mud) for line in (self.without, *self.lines) if line.mud is not None
        ]
        return Working(
            tuple(rows),
            (
                "Within a clearing test all tubs hold the same well-stirred water, at one temperature, read at the same place. "
                "Temperature is not on record there, and cold water clears more slowly: at 5 °C it is half as thick again as at "
                "20 °C. So minutes are set against the tub without of the same test, never against another day's.",
                "A tub gets clear between two looks: times are those of the look that first showed it. One not seen clear "
                "takes longer than it was watched, not as long.",
                "Gold is each trial's ratio to its own control; masses of different trials are never thrown together.",
                "The same dose counts as the same wherever it was poured; what was stirred in, and how long, may still differ.",
            ),
        )

    def _time_rows(self, line: DoseLine) -> "list[WorkingRow]":
        from trials.calc.working import WorkingRow

        if not line.sooner_each:
            return []
        inputs = []
        for test, gain in line.sooner_each:
            bare = [each for each in self.without.tubs if each.tub.test_id == test.pk]
            for name, tubs in (("without", bare), (line.label, line.tubs_of(test))):
                inputs.append((f"“{test}”, {name}", _times(tubs, 1), "", test.get_absolute_url()))
            inputs.append(("that is", flocculant.sooner_in_words(gain) or "not told", "", ""))
        return [
            WorkingRow(
                f"{line.label}: minutes sooner than without",
                "middle time without - middle time with it, test by test; then the middle of the tests",
                tuple(inputs),
                line.sooner_text,
                source="looks are steps: longer than watched stays so",
            )
        ]

    def _gold_rows(self, line: DoseLine) -> "list[WorkingRow]":
        from trials.calc.working import WorkingRow

        gold = line.gold
        if gold is None:
            return []
        inputs = []
        for arm in self.books.arms[line.ml_per_l]:
            counted = len(arm.lines.of(arm.treatment.name)), len(arm.lines.of(arm.lines.control))
            told = f"{counted[0]} runs of {arm.treatment.name} against {counted[1]} of {arm.lines.control}"
            inputs.append((f"“{arm.trial}”", told, "", arm.trial.get_absolute_url()))
        inputs.append(("gold, times control", line.ratio_text, "", ""))
        inputs.append((f"{gold.level or '95 %'} interval", line.interval_text, "", ""))
        return [
            WorkingRow(
                f"{line.label}: gold lost",
                "1 - ratio; the ends of its interval likewise, rounded outward. A loss in sight is one shown 8 times in "
                "10, the spread growing as the gold falls",
                tuple(inputs),
                gold.words,
                source="verdict of the trial on its page"
                if len(self.books.arms[line.ml_per_l]) < 2
                else "average of the trials, weights 1 / squared standard error; 5 % shared out over the doses (Bonferroni)",
            )
        ]


def _gold_words(kind: str, loss: Loss, level: str, sight: float | None, sight_known: bool) -> str:
    """What a dose does to the gold, as it follows "clears the tub so much sooner and"."""
    if kind == "worse":
        return f"costs {_range(loss.least, loss.most)} of the gold ({level} interval)"
    if kind == "better":
        return f"brings {_range(-loss.most, None if loss.least is None else -loss.least)} more gold ({level} interval)"
    if kind == "equivalent":
        return "it gives as much gold as the tub without, within the stated margin"
    if sight is not None:
        return f"no loss of gold is shown, and a loss of {flocculant.percent_up(sight)} or more could have been seen"
    if sight_known:
        return "no loss of gold is shown, and none short of nearly all of it could have been seen"
    return "whether it costs gold is not shown"


def _direction(kind: str) -> str:
    """The same where the runs give no ratio."""
    if kind == "worse":
        return "costs gold, shown by places only: how much cannot be told"
    if kind == "better":
        return "gives more gold, shown by places only: how much cannot be told"
    return "whether it costs gold is not shown"


def _range(least: float, most: float | None) -> str:
    if most is None or not math.isfinite(most):
        return f"at least {flocculant.percent_down(least)}"
    return flocculant.percent_range(least, most)


def _times(tubs: Sequence[TubResult], tests: int) -> str:
    """The times of tubs treated alike: the middle one, the range, and of how many."""
    each = sorted(math.inf if tub.reached.by_min is None else tub.reached.by_min for tub in tubs)
    texts = [numeral(minutes, "g") for minutes in each if math.isfinite(minutes)]
    watched = max((tub.reached.watched_min for tub in tubs if not tub.reached.reached), default=None)
    if watched is not None:
        texts.append(f"longer than {numeral(watched, 'g')}")
    middle = flocculant.cleared_in([tub.reached for tub in tubs])
    if middle.about is not None:
        said = f"{numeral(middle.about, 'g')} min"
    elif math.isfinite(each[0]):
        said = f"{numeral(middle.least, 'g')} min or longer"
    else:
        said = f"longer than {numeral(middle.least, 'g')} min"
    if len(tubs) == 1:
        return said
    of = f"middle of {len(tubs)} tubs" + (f" in {tests} tests" if tests > 1 else "")
    return f"{said}, {of} ({texts[0]} to {texts[-1]} min)" if texts[0] != texts[-1] else f"{said}, {of}"


def _times_as_much(found: flocculant.OverTrials, level: str) -> str:
    from trials.calc.verdict import written

    ends = f"{written(found.lower)} to {written(found.upper)}, {level} interval"
    return f"{written(found.ratio)} times the gold ({ends})"


def _several(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _listed(names: Sequence[str]) -> str:
    """a; a and b; a, b and c."""
    return " and ".join([part for part in (", ".join(names[:-1]), *names[-1:]) if part])


def _ended(sentence: str) -> str:
    return sentence if sentence.endswith((".", "!", "?")) else f"{sentence}."
