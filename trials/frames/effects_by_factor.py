"""Factors of a closed trial: what each does, how they act on each other, and whether it pays to do both."""

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.grade import grade_g_per_t
from prospecting.calc.language import phrase
from prospecting.calc.number_words import listed
from trials.calc.spread import middle
from trials.frames.trial_lines import RunLine, TrialLines
from trials.models import Factor, Level, TailsPan, Treatment

if TYPE_CHECKING:
    from trials.calc.effect_words import Card, Told
    from trials.calc.effects import Answer, Answers, CellModel, Question
    from trials.calc.working import Working

Cell = tuple[int, ...]
KIND_WORDS = {
    "more": gettext_lazy("more"),
    "less": gettext_lazy("less"),
    "within": gettext_lazy("within the margin"),
    "open": gettext_lazy("not shown"),
}
# As on the verdict's page (common practice, no source).
FEWEST_ERROR_DF = 6
FORMULA = gettext_lazy(
    "exp(weighted sum of the ln(expected) of the combinations), limits exp(ln ratio -/+ standard errors each way x standard "
    "error)"
)


@dataclass(frozen=True)
class CellRow:
    """One combination in the table of means."""

    name: str
    is_control: bool
    counted: int
    planned: int
    below: int
    mean: str
    interval: str
    grade: str


@dataclass(frozen=True)
class EffectRow:
    """One ratio in a table, every figure as it is to be read; `word` says what it shows."""

    name: str
    ratio: str
    interval: str
    word: str


@dataclass(frozen=True)
class TogetherRow:
    """Two changes together beside what each alone would lead one to expect."""

    name: str
    multiplied: str
    added: str
    seen: str


@dataclass(frozen=True)
class PlaceRow:
    factor: str
    level: str
    pans: int
    mean_place: str


@dataclass(frozen=True)
class PlotPoint:
    mean: float | None
    lower: float | None
    upper: float | None
    expected: float | None
    values: list[float]
    below: int


@dataclass(frozen=True)
class Plot:
    """Two factors for a picture: levels of the first along the foot, a line for each level of the second."""

    levels: list[str]
    series: list[tuple[str, list[PlotPoint]]]
    caption: str
    title: str
    description: str


@dataclass(frozen=True)
class Bar:
    """One effect for the picture of bars."""

    label: str
    ratio: float | None
    lower: float | None
    upper: float | None
    shown: bool
    note: str


@dataclass(frozen=True)
class ByFactor:
    """The factorial part of the page; where `refused` stands, most of the rest is empty."""

    intro: str
    refused: str = ""
    unit: str = ""
    cards: "list[Card]" = field(default_factory=list)
    both_cards: "list[Card]" = field(default_factory=list)
    main_cards: "list[Card]" = field(default_factory=list)
    three: str = ""
    plots: list[Plot] = field(default_factory=list)
    bars: list[Bar] = field(default_factory=list)
    bars_in_words: str = ""
    margin_ratio: float = 0.0
    cells: list[CellRow] = field(default_factory=list)
    effects: list[EffectRow] = field(default_factory=list)
    parts: list[EffectRow] = field(default_factory=list)
    together: list[TogetherRow] = field(default_factory=list)
    losses: list[str] = field(default_factory=list)
    no_losses: str = ""
    places: list[PlaceRow] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    working: "Working | None" = None


def factorial_of(lines: TrialLines, grade_unit: str) -> "Factorial | None":
    """A trial's runs by its factors, to be read; None where it has none."""
    # Every combination is a treatment, so the treatments' levels are all levels.
    pairs = Treatment.levels.through.objects.filter(treatment__trial=lines.trial).select_related(
        "level__factor"
    )
    chosen: dict[int, set[int]] = {}
    levels: dict[int, Level] = {}
    for pair in pairs:
        chosen.setdefault(pair.treatment_id, set()).add(pair.level_id)
        levels[pair.level_id] = pair.level
    if not levels:
        return None
    in_order = sorted(
        levels.values(),
        key=lambda level: (level.factor.position, level.factor_id, level.position, level.pk),
    )
    return Factorial(lines, grade_unit, in_order, chosen)


@dataclass
class Factorial:
    """A factorial's runs as combinations of level numbers, and everything asked of them."""

    lines: TrialLines
    grade_unit: str
    every_level: list[Level]
    chosen: dict[int, set[int]]

    @cached_property
    def factors(self) -> list[Factor]:
        return list(dict.fromkeys(level.factor for level in self.every_level))

    @cached_property
    def levels(self) -> list[list[Level]]:
        return [[level for level in self.every_level if level.factor == factor] for factor in self.factors]

    @cached_property
    def sizes(self) -> list[int]:
        return [len(levels) for levels in self.levels]

    @cached_property
    def cell_of(self) -> dict[int, Cell]:
        """Treatment to combination; a treatment without a level of every factor has none."""
        found = {}
        for treatment in self.lines.treatments:
            chosen = self.chosen.get(treatment.pk, set())
            numbers = [
                [number for number, level in enumerate(levels) if level.pk in chosen]
                for levels in self.levels
            ]
            if all(len(each) == 1 for each in numbers):
                found[treatment.pk] = tuple(each[0] for each in numbers)
        return found

    @cached_property
    def control(self) -> Cell:
        return tuple(0 for _ in self.sizes)

    @cached_property
    def of_cell(self) -> dict[Cell, list[RunLine]]:
        """The runs that count of every combination."""
        found: dict[Cell, list[RunLine]] = {
            cell: [] for cell in itertools.product(*(range(size) for size in self.sizes))
        }
        for line in self.lines.counted:
            if cell := self.cell_of.get(line.planned.treatment_id):
                found[cell].append(line)
        return found

    # Words

    def is_without(self, factor: int) -> bool:
        """Whether the first level of the factor is doing without it."""
        return self.factors[factor].kind == Factor.Kind.DOSE and not self.levels[factor][0].ml_per_l

    def with_(self, factor: int, level: int) -> str:
        """A level in a sentence: the additive's name alone where there is one dose of it."""
        name = self.factors[factor].name
        if self.is_without(factor):
            if not level:
                return phrase("no {additive}", additive=name)
            if self.sizes[factor] == 2:
                return name
        return f"{name} {self.levels[factor][level].name}"

    def against(self, factor: int) -> str:
        return phrase("doing without it") if self.is_without(factor) else self.with_(factor, 0)

    def cell_name(self, cell: Cell) -> str:
        return ", ".join(self.with_(factor, level) for factor, level in enumerate(cell))

    def joined(self, factors: Sequence[int]) -> str:
        return listed([self.factors[factor].name for factor in factors])

    def others(self, *factors: int) -> str:
        return (
            self.joined([n for n in range(len(self.factors)) if n not in factors])
            if len(self.factors) > len(factors)
            else ""
        )

    # Reading

    def read(self) -> ByFactor:
        intro = self._intro()
        if len(self.factors) == 1:
            return ByFactor(
                intro,
                refused=phrase(
                    "One factor has nothing to act on: each of its levels stands against the first one on the verdict's "
                    "page."
                ),
            )
        if self.lines.by_places:
            return ByFactor(
                intro,
                refused=phrase(
                    "Judged by places: they give the order of pans, not how much gold, so nothing is said here of how "
                    "factors act on each other. Mean places by level stand below; what is shown against the control stands on "
                    "the verdict's page."
                ),
                places=self._places(),
            )
        try:
            model = self._model()
            model.means()
        except ValueError as refusal:
            return self._refused(intro, str(refusal))
        return self._answered(intro, model)

    def _intro(self) -> str:
        told = "; ".join(
            f"{factor.name} ({', '.join(level.name for level in levels)})"
            for factor, levels in zip(self.factors, self.levels, strict=True)
        )
        return phrase("Varied: {factors}.", factors=told)

    def _places(self) -> list[PlaceRow]:
        from trials.calc.effects import shared_mean
        from trials.calc.working import figure

        rows = []
        for number, (factor, levels) in enumerate(zip(self.factors, self.levels, strict=True)):
            for at, level in enumerate(levels):
                places = [
                    line.value for cell, runs in self.of_cell.items() if cell[number] == at for line in runs
                ]
                mean = shared_mean(places)
                rows.append(
                    PlaceRow(factor.name, level.name, len(places), "" if mean is None else figure(mean))
                )
        return rows

    def _refused(self, intro: str, why: str) -> ByFactor:
        why = why if why.endswith(".") else f"{why}."
        return ByFactor(
            intro,
            refused=phrase(
                "No effect of a factor can be given: {why} What remains stands in the table below, and on the verdict's page, "
                "which compares by places within blocks where it can.",
                why=why[0].lower() + why[1:],
            ),
            unit=self.lines.unit,
            cells=self._cells({}),
        )

    def _model(self, route: str = "") -> "CellModel":
        from trials.calc.effects import COLOURS, MASS, CellModel, read_runs

        pairs = [(cell, line) for cell, runs in self.of_cell.items() for line in runs]
        runs = read_runs(
            [line.value for _, line in pairs],
            [cell for cell, _ in pairs],
            [line.block for _, line in pairs],
            *self.lines.places_of(line for _, line in pairs),
            route=route or (COLOURS if self.lines.by_colours else MASS),
            scale_step_mg=self.lines.scale_step_mg if self.lines.by_weight else None,
        )
        return CellModel(runs)

    @cached_property
    def mains(self) -> "list[Question]":
        from trials.calc.effects import main_question

        return [
            main_question(self.sizes, factor, level)
            for factor, size in enumerate(self.sizes)
            for level in range(1, size)
        ]

    @cached_property
    def pairs(self) -> list[tuple[int, int]]:
        return list(itertools.combinations(range(len(self.factors)), 2))

    def _combinations(self, first: int, second: int) -> Iterator[tuple[int, int]]:
        return itertools.product(range(1, self.sizes[first]), range(1, self.sizes[second]))

    @cached_property
    def of_pairs(self) -> "list[Question]":
        from trials.calc.effects import pair_question

        return [
            pair_question(self.sizes, first, second, a, b)
            for first, second in self.pairs
            for a, b in self._combinations(first, second)
        ]

    @cached_property
    def parts(self) -> "list[Question]":
        from trials.calc.effects import part_question

        return [
            part_question(self.sizes, factor, level, other, at)
            for factor, other in itertools.permutations(range(len(self.factors)), 2)
            for level in range(1, self.sizes[factor])
            for at in range(self.sizes[other])
        ]

    @property
    def all_two(self) -> bool:
        return set(self.sizes) == {2}

    def _ask(self, model: "CellModel", questions: "Sequence[Question]", with_reach: bool = True) -> "Answers":
        from trials.calc.effects import ask

        blocks = len({line.block for line in self.lines.counted})
        fewest = min(len(runs) for runs in self.of_cell.values())
        in_one_order = not self.lines.trial.in_blocks
        rows = max(1, fewest) if in_one_order else blocks
        return ask(
            model,
            questions,
            reference=self.control,
            smallest_ratio=self.lines.smallest_ratio,
            rows_now=rows if with_reach else None,
            in_one_order=in_one_order,
        )

    def _answered(self, intro: str, model: "CellModel") -> ByFactor:
        from trials.calc.effect_words import three_card
        from trials.calc.effects import three_question

        if self.all_two:
            family = self._ask(model, [*self.mains, *self.of_pairs])
            mains = pairs = family
            together = phrase("all effects and pairs of factors judged together")
            of_mains = of_pairs = self._told(family, together)
        else:
            mains, pairs = self._ask(model, self.mains), self._ask(model, self.of_pairs)
            of_mains = self._told(mains, phrase("all single factors judged together"))
            of_pairs = self._told(pairs, phrase("all pairs of factors judged together"))
        parts = self._ask(model, self.parts, with_reach=False)
        three = ""
        if len(self.factors) == 3 and self.all_two:
            of_three = self._ask(model, [three_question()])
            three = three_card(
                self._told(of_three, phrase("for this one alone")),
                of_three.answers[0],
                self.joined([0, 1, 2]),
            )
        means = model.means()
        named = self._named_answers(mains, pairs)
        losses, no_losses = self._losses()
        bars = [
            Bar(
                name,
                answer.ratio,
                answer.lower,
                answer.upper,
                answer.shown,
                "" if answer.lower is not None else phrase("no interval"),
            )
            for name, answer in named
        ]
        return ByFactor(
            intro,
            unit=self.lines.unit,
            cards=[
                self._pair_card(of_pairs, pairs, first, second, self._expected(means))
                for first, second in self.pairs
            ],
            both_cards=self._both_cards(of_pairs, model) if len(self.factors) == 2 else [],
            main_cards=[self._main_card(of_mains, question, pairs, parts) for question in self.mains],
            three=three,
            plots=[self._plot(model, first, second) for first, second in self.pairs],
            bars=bars,
            bars_in_words=" ".join(_bar_in_words(bar) for bar in bars),
            margin_ratio=self.lines.smallest_ratio,
            cells=self._cells(means),
            effects=[self._row(name, answer) for name, answer in named],
            parts=[self._row(self._part_name(answer.question), answer) for answer in parts.answers],
            together=self._together(means) if len(self.factors) == 2 else [],
            losses=losses,
            no_losses=no_losses,
            notes=self._notes(model, mains, named),
            working=self._working(mains, pairs, parts),
        )

    def _told(self, family: "Answers", together: str) -> "Told":
        from trials.calc.effect_words import Told
        from trials.calc.effects import COLOURS, MASS

        return Told(
            family,
            self.lines.smallest_ratio,
            COLOURS if self.lines.by_colours else MASS,
            not self.lines.trial.in_blocks,
            together,
        )

    def _pair_card(self, told: "Told", family: "Answers", first: int, second: int, expected: str) -> "Card":
        from trials.calc.effect_words import pair_card

        answers = [
            (
                phrase("{one} and {other}", one=self.with_(first, a), other=self.with_(second, b)),
                family.of(("pair", first, a, second, b)),
            )
            for a, b in self._combinations(first, second)
        ]
        pair = answers[0][0] if len(answers) == 1 else self.joined([first, second])
        return pair_card(told, pair, answers, self.others(first, second), expected)

    def _expected(self, means: dict) -> str:
        """Of two additives or the like: what each gave alone, what that multiplies to, and what both gave."""
        from trials.calc.effects import expected_together
        from trials.calc.verdict import written

        four = [means.get(cell) for cell in ((0, 0), (1, 0), (0, 1), (1, 1))]
        if self.sizes != [2, 2] or any(found is None or not found.mean for found in four):
            return ""
        neither, first, second, both = (found.mean for found in four)
        alone = [expected_together(neither, each, neither, each).seen_times for each in (first, second)]
        together = expected_together(neither, first, second, both)
        return phrase(
            "Alone, {one} gave {times_one} times and {other} {times_other} times what neither gave: multiplied {multiplied} "
            "times. Together they gave {together} times.",
            one=self.with_(0, 1),
            times_one=written(alone[0]),
            other=self.with_(1, 1),
            times_other=written(alone[1]),
            multiplied=written(together.multiplied_times),
            together=written(together.seen_times),
        )

    def _both_cards(self, told: "Told", model: "CellModel") -> "list[Card]":
        from trials.calc.effect_words import better_single_card
        from trials.calc.effects import against_better_single

        combinations = list(self._combinations(0, 1))
        cards = []
        for a, b in combinations:
            found = against_better_single(model, (a, b), [(a, 0), (0, b)], among=len(combinations))
            better = ""
            if found is not None:
                better = self.with_(0, a) if found.better == (a, 0) else self.with_(1, b)
            both = phrase("{one} with {other}", one=self.with_(0, a), other=self.with_(1, b))
            reach = self._reach_of_both(told, model, a, b)
            cards.append(better_single_card(told, both, found, better, reach))
        return cards

    def _reach_of_both(self, told: "Told", model: "CellModel", a: int, b: int) -> str:
        from trials.calc.effects import ratio_question

        singles = self._ask(model, [ratio_question(single, (a, b), single) for single in ((a, 0), (0, b))])
        known = [answer for answer in singles.answers if answer.lower is not None]
        return told.reach(known, phrase("a change of")) if known else ""

    def _main_card(self, told: "Told", question: "Question", pairs: "Answers", parts: "Answers") -> "Card":
        from trials.calc.effect_words import main_card

        _, factor, level = question.name
        return main_card(
            told,
            told.family.of(question.name),
            self.with_(factor, level),
            self.against(factor),
            self.others(factor),
            " ".join(self._careful(factor, level, pairs, parts)),
        )

    def _careful(self, factor: int, level: int, pairs: "Answers", parts: "Answers") -> Iterator[str]:
        """When an average over another factor is not the answer: its effect hangs on that one."""
        from trials.calc.verdict import written

        for other in range(len(self.factors)):
            if other == factor:
                continue
            for at in range(1, self.sizes[other]):
                first, second = sorted([(factor, level), (other, at)])
                answer = pairs.of(("pair", *first, *second))
                hangs_surely = answer.shown and not answer.is_within(self.lines.smallest_ratio)
                if not (hangs_surely or answer.is_large(self.lines.smallest_ratio)):
                    continue
                without, beside = (parts.of(("part", factor, level, other, each)) for each in (0, at))
                hangs = phrase(
                    "{times_one} times with {one}, {times_other} times with {other}; intervals stand in the table of parts.",
                    times_one=written(without.ratio),
                    one=self.with_(other, 0),
                    times_other=written(beside.ratio),
                    other=self.with_(other, at),
                )
                yield (
                    phrase(
                        "Not the answer by itself, for it hangs on {factor}: {ratios}",
                        factor=self.factors[other].name,
                        ratios=hangs,
                    )
                    if hangs_surely
                    else phrase(
                        "It may hang on {factor}, which these runs do not settle: {ratios}",
                        factor=self.factors[other].name,
                        ratios=hangs,
                    )
                )

    # Tables

    def _named_answers(self, mains: "Answers", pairs: "Answers") -> "list[tuple[str, Answer]]":
        return [
            *((self.main_name(question), mains.of(question.name)) for question in self.mains),
            *((self._pair_name(question), pairs.of(question.name)) for question in self.of_pairs),
        ]

    def main_name(self, question: "Question") -> str:
        _, factor, level = question.name
        return phrase("{level} against {first}", level=self.with_(factor, level), first=self.with_(factor, 0))

    def _pair_name(self, question: "Question") -> str:
        _, first, a, second, b = question.name
        return phrase(
            "{one} with {other}, beyond each", one=self.with_(first, a), other=self.with_(second, b)
        )

    def _part_name(self, question: "Question") -> str:
        _, factor, level, other, at = question.name
        return phrase(
            "{level} against {first}, with {other}",
            level=self.with_(factor, level),
            first=self.with_(factor, 0),
            other=self.with_(other, at),
        )

    def _row(self, name: str, answer: "Answer") -> EffectRow:
        from trials.calc.effect_words import explained
        from trials.calc.ratio_words import between
        from trials.calc.working import figure

        ratio = "" if answer.ratio is None else figure(answer.ratio)
        if answer.lower is None:
            return EffectRow(name, ratio, "", explained(answer))
        return EffectRow(
            name,
            ratio,
            between(answer.lower, answer.upper),
            str(KIND_WORDS[answer.kind(self.lines.smallest_ratio)]),
        )

    def _cells(self, means: dict) -> list[CellRow]:
        return [self._cell_row(cell, means.get(cell)) for cell in self.of_cell]

    def _cell_row(self, cell: Cell, found) -> CellRow:
        from trials.calc.working import figure

        runs = self.of_cell[cell]
        mean, interval, grade = "", "", ""
        if found is not None and found.mean is not None:
            mean = figure(found.mean)
            if found.lower is not None:
                interval = phrase("{low} to {high}", low=figure(found.lower), high=figure(found.upper))
            if self.lines.by_weight:
                grade = units.format_grade(
                    grade_g_per_t(found.mean, self.lines.mean_portion_g), self.grade_unit
                )
        elif runs:
            among = middle([line.value for line in runs])
            mean = phrase("below the scale") if among < 0 else figure(among)
        return CellRow(
            name=self.cell_name(cell),
            is_control=cell == self.control,
            counted=len(runs),
            planned=sum(
                1 for line in self.lines.lines if self.cell_of.get(line.planned.treatment_id) == cell
            ),
            below=sum(1 for line in runs if line.is_below),
            mean=mean,
            interval=interval,
            grade=grade,
        )

    def _together(self, means: dict) -> list[TogetherRow]:
        from trials.calc.effects import expected_together
        from trials.calc.working import figure

        rows = []
        for a, b in self._combinations(0, 1):
            four = [means.get(cell) for cell in ((0, 0), (a, 0), (0, b), (a, b))]
            if any(found is None or found.mean is None for found in four):
                continue
            expected = expected_together(*(found.mean for found in four))
            rows.append(
                TogetherRow(
                    phrase("{one} with {other}", one=self.with_(0, a), other=self.with_(1, b)),
                    phrase(
                        "{gold} ({times} times neither)",
                        gold=figure(expected.multiplied),
                        times=figure(expected.multiplied_times),
                    ),
                    figure(expected.added) if expected.added > 0 else phrase("less than nothing"),
                    phrase(
                        "{gold} ({times} times neither)",
                        gold=figure(expected.seen),
                        times=figure(expected.seen_times),
                    ),
                )
            )
        return rows

    # Gold otherwise lost

    def _losses(self) -> tuple[list[str], str]:
        """Both yardsticks of combined effects, which need a ceiling; or why there is none."""
        from trials.calc.chance import percent
        from trials.calc.effect_words import loss_sentences
        from trials.calc.effects import excess_of_losses, lost_fraction

        if self.sizes != [2, 2]:
            return [], ""
        tails = {pan.run_id: pan for pan in TailsPan.objects.filter(run__planned__trial=self.lines.trial)}
        runs = [(cell, line) for cell, lines in self.of_cell.items() for line in lines]
        known = [(cell, line, tails[line.run.pk]) for cell, line in runs if line.run.pk in tails]
        unsaid = phrase(
            "How much both save of the gold otherwise lost (against independent chances, and against the better one) is not "
            "said"
        )
        if not known:
            return [], (
                phrase(
                    "{said}: no tails of these runs were panned again, so there is no ceiling to measure such shares by.",
                    said=unsaid,
                )
            )
        unweighed = [line for _, line, pan in known if pan.gold_mg is None or line.run.gold_mg is None]
        if unweighed or len(known) < len(runs):
            return [], (
                phrase(
                    "{said}: it takes gold weighed in concentrate and tails of every run, and {number} of {runs} have both. "
                    "Leaving out the others would leave out the best or the worst of them.",
                    said=unsaid,
                    number=len(known) - len(unweighed),
                    runs=len(runs),
                )
            )
        names = {(0, 0): "neither", (1, 0): "a_only", (0, 1): "b_only", (1, 1): "both"}
        try:
            found = excess_of_losses(
                [lost_fraction(float(line.run.gold_mg), float(pan.gold_mg)) for _, line, pan in known],
                [names[cell] for cell, _, _ in known],
                [line.block for _, line, _ in known],
            )
        except ValueError as refusal:
            why = str(refusal)
            return [], f"{unsaid}: {why[0].lower()}{why[1:]}"
        return loss_sentences(found, self.with_(0, 1), self.with_(1, 1), percent), ""

    # Picture

    def _plot(self, model: "CellModel", first: int, second: int) -> Plot:
        from trials.calc.effects import expected_together

        def cells(a: int, b: int) -> list[Cell]:
            return [cell for cell in self.of_cell if cell[first] == a and cell[second] == b]

        means = {
            (a, b): model.group_mean(cells(a, b))
            for a in range(self.sizes[first])
            for b in range(self.sizes[second])
        }

        def point(a: int, b: int) -> PlotPoint:
            found, expected = means[a, b], None
            four = [means[at].mean for at in ((0, 0), (a, 0), (0, b), (a, b))]
            if a and b and None not in four:
                expected = expected_together(*four).multiplied
            runs = [line for cell in cells(a, b) for line in self.of_cell[cell]]
            return PlotPoint(
                found.mean,
                found.lower,
                found.upper,
                expected,
                [line.value for line in runs if line.value > 0],
                sum(1 for line in runs if line.value <= 0),
            )

        series = [
            (
                self._level_label(second, b),
                [point(a, b) for a in range(self.sizes[first])],
            )
            for b in range(self.sizes[second])
        ]
        levels = [self._level_label(first, a) for a in range(self.sizes[first])]
        title = phrase("{factors}: means and runs", factors=self.joined([first, second]))
        if len(self.factors) > 2:
            title = phrase("{title}, averaged over {others}", title=title, others=self.others(first, second))
        return Plot(
            levels=levels,
            series=series,
            caption=phrase("colours a portion") if self.lines.by_colours else phrase("mg a portion"),
            title=title,
            description=" ".join(
                _point_in_words(f"{at}, {label}", point, self.lines.unit)
                for label, points in series
                for at, point in zip(levels, points, strict=True)
            ),
        )

    def _level_label(self, factor: int, level: int) -> str:
        if self.is_without(factor) and (not level or self.sizes[factor] == 2):
            return self.with_(factor, level)
        return (
            self.with_(factor, level)
            if len(self.levels[factor][level].name) < 10
            else self.levels[factor][level].name
        )

    # Notes and working

    def _notes(self, model: "CellModel", family: "Answers", named: "list[tuple[str, Answer]]") -> list[str]:
        checks = [
            self._note_uneven(),
            self._note_below(model),
            self._note_few(family),
            self._note_colours(),
            self._note_logs(model, named),
        ]
        return [sentence for sentence in checks if sentence]

    def _note_uneven(self) -> str:
        numbers = {len(runs) for runs in self.of_cell.values()}
        if len(numbers) == 1:
            return ""
        return phrase(
            "The combinations have from {fewest} to {most} runs that count: effects are least-squares ones, every combination "
            "with the same weight. If runs failed because of what was done to them, no analysis of the rest is fair.",
            fewest=min(numbers),
            most=max(numbers),
        )

    def _note_below(self, model: "CellModel") -> str:
        below = model.runs.below
        if not below:
            return ""
        return phrase(
            "{number} of {runs} runs came out below the scale. They count as anything from nothing to {step}, and every "
            "interval of a ratio is wide enough to hold whatever they weighed; the means take half of that.",
            number=below,
            runs=len(model.runs.values),
            step=units.format_gold_mg(self.lines.scale_step_mg),
        )

    def _note_few(self, family: "Answers") -> str:
        if family.df >= FEWEST_ERROR_DF:
            return ""
        return phrase(
            "{number} degrees of freedom are left to judge chance by; under {fewest} is little to stand on (common practice).",
            number=family.df,
            fewest=FEWEST_ERROR_DF,
        )

    def _note_colours(self) -> str:
        return (
            phrase("More colours is not the same as more gold: all size classes count alike.")
            if self.lines.by_colours
            else ""
        )

    def _note_logs(self, model: "CellModel", named: "list[tuple[str, Answer]]") -> str:
        """Where another lawful way of reckoning would show something else."""
        if not self._logs:
            return ""
        other = [name for name, answer in named if answer.shown != self._logs.of(answer.name).shown]
        if not other:
            return ""
        return phrase(
            "By logarithms of the single runs instead (see the working), what is shown would differ for: "
            "{effects}. What hangs on the way of reckoning deserves a repeat before anyone acts on it.",
            effects="; ".join(other),
        )

    @cached_property
    def _logs(self) -> "Answers | None":
        """The same questions by logarithms of single runs; None for colours, or with runs below the scale."""
        from trials.calc.effects import LOGS

        if not self.lines.by_weight or any(line.is_below for line in self.lines.counted):
            return None
        return self._ask(self._model(LOGS), [*self.mains, *self.of_pairs], with_reach=False)

    def _working(self, mains: "Answers", pairs: "Answers", parts: "Answers") -> "Working":
        from trials.calc.comparison import EQUAL_PORTIONS
        from trials.calc.effect_words import working_rows
        from trials.calc.working import Working

        names = {question.name: self.main_name(question) for question in self.mains}
        names |= {question.name: self._pair_name(question) for question in self.of_pairs}
        names |= {question.name: self._part_name(question) for question in self.parts}
        rows = working_rows(mains, names, FORMULA)
        if pairs is not mains:
            rows += working_rows(pairs, names, FORMULA)
        rows += working_rows(parts, names, FORMULA, with_reach=False)
        if self._logs:
            renamed = {name: phrase("{effect}, by logarithms", effect=told) for name, told in names.items()}
            rows += [
                replace(row, source=phrase("least squares on ln mg; ratios of geometric means"))
                for row in working_rows(self._logs, renamed, FORMULA, with_reach=False)
            ]
        return Working(
            tuple(rows),
            (
                phrase(EQUAL_PORTIONS),
                phrase(
                    "ln(expected) = combination + block, variance proportional to the mean: the model of the verdict, so a "
                    "single combination against the control has the verdict's ratio."
                ),
                phrase(
                    "Expected together means that ratios multiply; adding milligrams is another yardstick, given beside it."
                ),
                phrase(
                    "An effect of one factor is averaged over all levels of the others, each with the same weight."
                ),
                phrase("An interaction takes about four times the runs of a single effect of its size."),
                phrase("One run is one portion panned once."),
            ),
        )


def _point_in_words(name: str, point: PlotPoint, unit: str) -> str:
    from trials.calc.working import figure

    if point.mean is None:
        return phrase("{label}: no mean.", label=name)
    said = [phrase("{label}: mean {figure} {unit}", label=name, figure=figure(point.mean), unit=unit)]
    if point.lower is not None:
        said.append(phrase("interval {low} to {high}", low=figure(point.lower), high=figure(point.upper)))
    if point.expected is not None:
        said.append(phrase("{figure} if ratios multiplied", figure=figure(point.expected)))
    return f"{', '.join(said)}."


def _bar_in_words(bar: Bar) -> str:
    from trials.calc.ratio_words import ends
    from trials.calc.working import figure

    if bar.ratio is None:
        return phrase("{label}: no ratio.", label=bar.label)
    if bar.lower is None:
        return phrase("{label}: {ratio} times, no interval.", label=bar.label, ratio=figure(bar.ratio))
    return phrase(
        "{label}: {ratio} times, {interval}, {shown}.",
        label=bar.label,
        ratio=figure(bar.ratio),
        interval=ends(bar.lower, bar.upper),
        shown=phrase("shown") if bar.shown else phrase("not shown"),
    )
