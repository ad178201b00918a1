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

from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.number_words import listed, numeral
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
CLEARER = {"better": gettext_lazy("faster"), "worse": gettext_lazy("slower")}
GOLD_IS = {
    "worse": gettext_lazy("shown: worse"),
    "better": gettext_lazy("shown: better"),
    "equivalent": gettext_lazy("equivalent"),
    "not shown": gettext_lazy("not shown"),
}


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
            return phrase("not known")
        said = flocculant.sooner_in_words(self.sooner)
        low, high = self.sooner.low, self.sooner.high
        if low is None or high is None:
            return said
        write = flocculant.minutes_text
        return phrase(
            "{said} (from look to look {low} to {high})", said=said, low=write(low), high=write(high)
        )

    @property
    def ratio_text(self) -> str:
        from trials.calc.verdict import written

        return written(self.gold.ratio) if self.has_gold else phrase("not known")

    @property
    def interval_text(self) -> str:
        from trials.calc.verdict import written

        gold = self.gold
        if not self.has_gold or gold.lower is None or gold.upper is None:
            return phrase("not known")
        return phrase("{low} to {high}", low=written(gold.lower), high=written(gold.upper))

    @property
    def verdict_text(self) -> str:
        if self.gold is None:
            return phrase("not tried on gold")
        return str(GOLD_IS[self.gold.kind])


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
        self.without = DoseLine(None, phrase("without"), "", why_no_time=phrase("no test tells"))
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
            return phrase("no clearing test has a tub with it")
        if line.sooner is not None:
            return phrase(
                "neither the tub with it nor the one without was watched long enough to tell which is clear first"
            )
        if line.tubs:
            return phrase("no tub without additive was read beside it")
        aims = {self._aims_of(tub.test) for tub in tubs}
        if aims == {None}:
            return phrase("its clearing test has no target, so no tub can be called clear")
        if self.yardstick is not None and self.yardstick not in aims:
            return phrase("it was cleared to another target, and times to different targets are not joined")
        return phrase("its tub was not read")

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
            return GoldLine(
                "not shown", phrase("whether it costs gold is not shown"), f"“{trial}”: {_ended(why)}"
            )
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
        words = _gold_words(verdict.kind, loss, level, sight, verdict.detectable_ratio is not None)
        if small:
            words = phrase("{words}, less than the group said matters", words=words)
        return GoldLine(
            verdict.kind,
            words,
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
            [phrase("Left out, for it gives no ratio with an interval: {trials}.", trials=", ".join(silent))]
            if silent
            else []
        )
        if len(parts) < 2:
            one = next((line for line in each if line.is_drawn), each[0])
            return GoldLine(**vars(one) | {"explanation": " ".join([one.explanation, *left_out])})
        margin = min(arm.lines.smallest_ratio for arm in arms)
        found = flocculant.over_trials(parts, margin, len(self.books.arms))
        level = f"{numeral(100 * found.confidence, '.3g')} %"
        loss = flocculant.loss_of(found.ratio, found.lower, found.upper)
        average = phrase_counted(
            "{number} trial, each against its own control, on average {times}.",
            "{number} trials, each against its own control, on average {times}.",
            len(parts),
            times=_times_as_much(found, level),
        )
        return GoldLine(
            found.kind,
            _gold_words(found.kind, loss, level, found.loss_in_sight, sight_known=True),
            " ".join([average, found.agreement, *left_out]),
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
            return phrase(
                "{additive} at {dose} {clears}.",
                additive=self.additive,
                dose=chosen.named,
                clears=self._sentence(chosen),
            )
        timed = [line for line in self.lines if line.has_time]
        weighed_lines = [line for line in self.lines if line.gold is not None]
        if timed and weighed_lines:
            at = listed([line.label for line in timed])
            gold_at = listed([line.label for line in weighed_lines])
            return phrase(
                "Minutes are known of {timed}, gold of {weighed}: of no dose are both known, so what clearer water costs in "
                "gold cannot be said of {additive} yet.",
                timed=at,
                weighed=gold_at,
                additive=self.additive,
            )
        if timed:
            fastest = max(timed, key=lambda line: line.sooner.ends[0])
            return phrase(
                "{additive} at {dose} {clears}.",
                additive=self.additive,
                dose=fastest.named,
                clears=self._sentence(fastest),
            )
        if weighed_lines:
            line = min(weighed_lines, key=lambda each: (each.gold.kind != "worse", each.ml_per_l))
            return phrase(
                "{additive} at {dose}: {gold}; how fast it clears is not known.",
                additive=self.additive,
                dose=line.named,
                gold=line.gold.words,
            )
        if self.books.tests:
            return phrase(
                "The clearing tests of {additive} tell no time yet, and no closed trial tells what it costs in "
                "gold.",
                additive=self.additive,
            )
        return phrase(
            "No closed trial tells what {additive} alone does to the gold by weight, and no clearing test "
            "was made with it.",
            additive=self.additive,
        )

    def _sentence(self, line: DoseLine) -> str:
        """What follows "at this dose it"."""
        sooner = flocculant.sooner_in_words(line.sooner)
        if line.gold is None:
            return phrase(
                "clears the tub {sooner}; whether it costs gold no closed trial says", sooner=sooner
            )
        if line.gold.kind in ("worse", "better"):
            return phrase("clears the tub {sooner} and {gold}", sooner=sooner, gold=line.gold.words)
        return phrase("clears the tub {sooner}; {gold}", sooner=sooner, gold=line.gold.words)

    def _best_words(self) -> str:
        known = [line for line in self.lines if line.is_known]
        if not known:
            return ""
        best = [line for line in known if line.mark in ("best", "costly")]
        if not best:
            return phrase(
                "Every dose with both measured is beaten by another one or by the tub without, on gold and on minutes, by the "
                "estimates."
            )
        said = [
            phrase(
                "By the estimates no other dose, nor the tub without, beats {doses} on both gold and minutes.",
                doses=listed([line.label for line in best]),
            )
        ]
        costly = [line.label for line in best if line.mark == "costly"]
        if costly:
            said.append(
                phrase_counted(
                    "{doses} is shown to cost gold.",
                    "{doses} are shown to cost gold.",
                    len(costly),
                    doses=listed(costly),
                )
            )
        beaten = [line.label for line in known if line.mark == "beaten"]
        if beaten:
            said.append(
                phrase(
                    "Beaten, another being as good on both and better on one: {doses}.",
                    doses=listed(beaten),
                )
            )
        pairs = list(itertools.combinations(known, 2))
        mixed = [pair for pair in pairs if not flocculant.told_apart(*(line.gold.loss for line in pair))]
        if mixed and len(mixed) == len(pairs):
            said.append(
                phrase("Their gold intervals overlap: by gold the order of these doses is by estimate only.")
            )
        elif mixed:
            told = listed(
                [phrase("{one} and {other}", one=one.label, other=other.label) for one, other in mixed]
            )
            said.append(
                phrase(
                    "The gold intervals overlap between {doses}: their order is by estimate only.", doses=told
                )
            )
        return " ".join(said)

    def _verdict(self, line: DoseLine) -> DoseVerdict:
        tests = [test for test, _ in line.sooner_each]
        bare = [each for each in self.without.tubs if each.tub.test_id in {test.pk for test in tests}]
        times = phrase(
            "To {target}: {times}; without {bare}.",
            target=target_words(tests[0]),
            times=line.times,
            bare=_times(bare, len(tests)),
        )
        return DoseVerdict(
            line.gold.kind,
            phrase("At {dose} it {clears}.", dose=line.named, clears=self._sentence(line)),
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
            return phrase(
                "That it clears faster than the tub without is shown for {doses}.", doses=listed(shown)
            )
        if timed:
            return phrase(
                "How much sooner it clears is what was seen; no test alone shows that it was more than chance."
            )
        return ""

    def _clearer(self, line: DoseLine, test: ClearingTest) -> str:
        """What one test shows of this dose: better, worse or not_shown, as on the test's own page."""
        found = self._against(test).get(line.tubs_of(test)[0].tub.holds)
        return "not_shown" if found is None else found.kind

    def _shown_words(self, line: DoseLine) -> str:
        """Whether clearing faster is shown in a test of its own; never by adding tests of different water up."""
        shown = [
            phrase(
                "{faster} in “{test}” ({number} tubs with it)",
                faster=CLEARER[kind],
                test=test,
                number=len(line.tubs_of(test)),
            )
            for test, _ in line.sooner_each
            if (kind := self._clearer(line, test)) in CLEARER
        ]
        if shown:
            return phrase("Shown at the 5 % level of its test: {tests}.", tests="; ".join(shown))
        if all(len(line.tubs_of(test)) < 2 for test, _ in line.sooner_each):
            return phrase(
                "One tub of it in a test: how far two tubs treated alike differ is not known, so faster is seen, not shown."
            )
        return phrase("Faster is seen, not shown: in no one test is it more than chance may bring.")

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
                    phrase("without") if tub.is_control else self._label(tub.ml_per_l).removesuffix(" mL/L"),
                    tub.is_control,
                    self.results[tub.pk].looks,
                    self.results[tub.pk].sentence
                    or (phrase("Read by photo.") if tub.readings.all() else phrase("Not read.")),
                )
                for tub in self.books.tubs
                if tub.test_id == test.pk and (tub.is_control or tub.additive_id == self.additive.pk)
            ]
            named = phrase("Named by dose, in mL/L.")
            title = f"{CHART_TITLES[test.measure]} {named}"
            found.append(Curves(test, tubs, title, test in self.joined))
        return found

    def _cautions(self) -> list[str]:
        books, said = self.books, []
        for test in books.tests:
            results = [self.results[tub.pk] for tub in books.tubs if tub.test_id == test.pk]
            said += [f"“{test}”: {sentence}" for sentence in cautions_of(test, results)]
        apart = [test for test in books.tests if test not in self.joined and test.target is not None]
        if apart and self.joined:
            names = listed([f"“{test}”" for test in apart])
            said.append(
                phrase(
                    "Not joined, for it clears to another target or has no tub to compare: {tests}.",
                    tests=names,
                )
            )
        said += self._of_other_lots()
        for lines in books.closed:
            out = [line for line in lines.lines if line.run and not line.counts]
            if out:
                said.append(
                    phrase_counted(
                        "“{trial}”: {number} run left out as failed, void or not weighed ({treatments}).",
                        "“{trial}”: {number} runs left out as failed, void or not weighed ({treatments}).",
                        len(out),
                        trial=lines.trial,
                        treatments=lines.by_treatment(out),
                    )
                )
            seeing = [line for line in lines.counted if not line.is_blind]
            if seeing:
                said.append(
                    phrase_counted(
                        "“{trial}”: {number} run panned by someone who had seen the key; its verdict is weaker than its figures.",
                        "“{trial}”: {number} runs panned by someone who had seen the key; its verdict is weaker than its "
                        "figures.",
                        len(seeing),
                        trial=lines.trial,
                    )
                )
            if lines.trial.wishful_reason:
                said.append(
                    phrase(
                        "“{trial}” was planned although its plan could not answer its question.",
                        trial=lines.trial,
                    )
                )
            if lines.trial.typed_in_afterwards:
                said.append(
                    phrase(
                        "“{trial}” was typed in afterwards: it was not planned, drawn or run here.",
                        trial=lines.trial,
                    )
                )
            if lines.trial.close_reason:
                said.append(
                    phrase(
                        "“{trial}” was ended early: {reason}",
                        trial=lines.trial,
                        reason=_ended(lines.trial.close_reason),
                    )
                )
        return said

    def _of_other_lots(self) -> list[str]:
        """That what is set side by side here was measured on different mud."""
        said = []
        of_tests = {test.lot.code for test in self.joined if test.lot}
        of_trials = {lines.trial.feed_lot.code for lines in self.books.closed}
        if len(of_tests) > 1:
            said.append(
                phrase(
                    "The clearing tests are of different mud (lots {lots}): minutes are set against the tub without of the "
                    "same test only.",
                    lots=listed(sorted(of_tests)),
                )
            )
        if of_tests and of_trials and of_tests != of_trials:
            said.append(
                phrase(
                    "Minutes are of mud of {mud}, gold of {ore}: another mud clears otherwise, and other gold is lost otherwise.",
                    mud=listed(sorted(of_tests)),
                    ore=listed(sorted(of_trials)),
                )
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
                phrase(
                    "Within a clearing test all tubs hold the same well-stirred water, at one temperature, read at the same "
                    "place. Temperature is not on record there, and cold water clears more slowly: at 5 °C it is half as "
                    "thick again as at 20 °C. So minutes are set against the tub without of the same test, never against "
                    "another day's."
                ),
                phrase(
                    "A tub gets clear between two looks: times are those of the look that first showed it. One not seen clear "
                    "takes longer than it was watched, not as long."
                ),
                phrase(
                    "Gold is each trial's ratio to its own control; masses of different trials are never thrown together."
                ),
                phrase(
                    "The same dose counts as the same wherever it was poured; what was stirred in, and how long, may still "
                    "differ."
                ),
            ),
        )

    def _time_rows(self, line: DoseLine) -> "list[WorkingRow]":
        from trials.calc.working import WorkingRow

        if not line.sooner_each:
            return []
        inputs = []
        for test, gain in line.sooner_each:
            bare = [each for each in self.without.tubs if each.tub.test_id == test.pk]
            for name, tubs in ((phrase("without"), bare), (line.label, line.tubs_of(test))):
                inputs.append((f"“{test}”, {name}", _times(tubs, 1), "", test.get_absolute_url()))
            inputs.append((phrase("that is"), flocculant.sooner_in_words(gain) or phrase("not told"), "", ""))
        return [
            WorkingRow(
                phrase("{dose}: minutes sooner than without", dose=line.label),
                phrase(
                    "middle time without - middle time with it, test by test; then the middle of the tests"
                ),
                tuple(inputs),
                line.sooner_text,
                source=phrase("looks are steps: longer than watched stays so"),
            )
        ]

    def _gold_rows(self, line: DoseLine) -> "list[WorkingRow]":
        from trials.calc.working import WorkingRow

        gold = line.gold
        if gold is None:
            return []
        inputs = []
        for arm in self.books.arms[line.ml_per_l]:
            told = phrase(
                "{number} runs of {treatment} against {against} of {control}",
                number=len(arm.lines.of(arm.treatment.name)),
                treatment=arm.treatment.name,
                against=len(arm.lines.of(arm.lines.control)),
                control=arm.lines.control,
            )
            inputs.append((f"“{arm.trial}”", told, "", arm.trial.get_absolute_url()))
        inputs.append((phrase("gold, times control"), line.ratio_text, "", ""))
        inputs.append((phrase("{level} interval", level=gold.level or "95 %"), line.interval_text, "", ""))
        return [
            WorkingRow(
                phrase("{dose}: gold lost", dose=line.label),
                phrase(
                    "1 - ratio; the ends of its interval likewise, rounded outward. A loss in sight is one shown 8 times in "
                    "10, the spread growing as the gold falls"
                ),
                tuple(inputs),
                gold.words,
                source=phrase("verdict of the trial on its page")
                if len(self.books.arms[line.ml_per_l]) < 2
                else phrase(
                    "average of the trials, weights 1 / squared standard error; 5 % shared out over the doses (Bonferroni)"
                ),
            )
        ]


def _gold_words(kind: str, loss: Loss, level: str, sight: float | None, sight_known: bool) -> str:
    """What a dose does to the gold, as it follows "clears the tub so much sooner and"."""
    if kind == "worse":
        return phrase(
            "costs {share} of the gold ({level} interval)", share=_range(loss.least, loss.most), level=level
        )
    if kind == "better":
        return phrase(
            "brings {share} more gold ({level} interval)",
            share=_range(-loss.most, None if loss.least is None else -loss.least),
            level=level,
        )
    if kind == "equivalent":
        return phrase("it gives as much gold as the tub without, within the stated margin")
    if sight is not None:
        return phrase(
            "no loss of gold is shown, and a loss of {share} or more could have been seen",
            share=flocculant.percent_up(sight),
        )
    if sight_known:
        return phrase("no loss of gold is shown, and none short of nearly all of it could have been seen")
    return phrase("whether it costs gold is not shown")


def _direction(kind: str) -> str:
    """The same where the runs give no ratio."""
    if kind == "worse":
        return phrase("costs gold, shown by places only: how much cannot be told")
    if kind == "better":
        return phrase("gives more gold, shown by places only: how much cannot be told")
    return phrase("whether it costs gold is not shown")


def _range(least: float, most: float | None) -> str:
    if most is None or not math.isfinite(most):
        return phrase("at least {share}", share=flocculant.percent_down(least))
    return flocculant.percent_range(least, most)


def _times(tubs: Sequence[TubResult], tests: int) -> str:
    """The times of tubs treated alike: the middle one, the range, and of how many."""
    each = sorted(math.inf if tub.reached.by_min is None else tub.reached.by_min for tub in tubs)
    texts = [numeral(minutes, "g") for minutes in each if math.isfinite(minutes)]
    watched = max((tub.reached.watched_min for tub in tubs if not tub.reached.reached), default=None)
    if watched is not None:
        texts.append(phrase("longer than {minutes}", minutes=numeral(watched, "g")))
    middle = flocculant.cleared_in([tub.reached for tub in tubs])
    if middle.about is not None:
        said = f"{numeral(middle.about, 'g')} min"
    elif math.isfinite(each[0]):
        said = phrase("{minutes} min or longer", minutes=numeral(middle.least, "g"))
    else:
        said = phrase("longer than {minutes} min", minutes=numeral(middle.least, "g"))
    if len(tubs) == 1:
        return said
    if tests > 1:
        of = phrase("middle of {tubs} tubs in {tests} tests", tubs=len(tubs), tests=tests)
    else:
        of = phrase("middle of {tubs} tubs", tubs=len(tubs))
    if texts[0] == texts[-1]:
        return f"{said}, {of}"
    return phrase(
        "{time}, {middle} ({low} to {high} min)", time=said, middle=of, low=texts[0], high=texts[-1]
    )


def _times_as_much(found: flocculant.OverTrials, level: str) -> str:
    from trials.calc.verdict import written

    return phrase(
        "{ratio} times the gold ({low} to {high}, {level} interval)",
        ratio=written(found.ratio),
        low=written(found.lower),
        high=written(found.upper),
        level=level,
    )


def _ended(sentence: str) -> str:
    return sentence if sentence.endswith((".", "!", "?")) else f"{sentence}."
