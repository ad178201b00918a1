"""Whether one panner's hand keeps more than another's, and whether the treatments do so too, where the runs can tell."""

import math
from collections import Counter
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

from prospecting.calc.language import phrase
from trials.frames.effects_by_factor import FORMULA, KIND_WORDS
from trials.frames.trial_lines import RunLine, TrialLines

if TYPE_CHECKING:
    from trials.calc.effect_words import Told
    from trials.calc.effects import Answer, Answers, CellModel
    from trials.calc.working import Working


@dataclass(frozen=True)
class PannerRow:
    """One panner: runs, and the ratio to the one with most runs."""

    name: str
    runs: str
    ratio: str
    interval: str
    word: str


@dataclass(frozen=True)
class ByPanner:
    """Sentences first, `alarm` where a panner and a treatment can't be told apart."""

    alarm: str = ""
    sentences: list[str] = field(default_factory=list)
    against: str = ""
    rows: list[PannerRow] = field(default_factory=list)
    differences: list[PannerRow] = field(default_factory=list)
    working: "Working | None" = None


def by_panner(lines: TrialLines) -> ByPanner | None:
    """Read a trial by who panned; None where one person panned every run that counts."""
    if len({line.run.panner_id for line in lines.counted}) < 2:
        return None
    return _Panners(lines).read()


@dataclass
class _Panners:
    lines: TrialLines

    @cached_property
    def names(self) -> dict[int, str]:
        """What each panner is called; with the user name where two are called alike."""
        members = {line.run.panner_id: line.run.panner for line in self.lines.counted}
        called = Counter(str(member) for member in members.values())
        return {
            pk: str(member) if called[str(member)] == 1 else f"{member} ({member.username})"
            for pk, member in members.items()
        }

    def who(self, line: RunLine) -> str:
        return self.names[line.run.panner_id]

    @cached_property
    def runs(self) -> Counter:
        return Counter(map(self.who, self.lines.counted))

    @cached_property
    def reference(self) -> str:
        """Who panned most; of those with as many, the first in the plan."""
        return max(self.runs, key=self.runs.__getitem__)

    @cached_property
    def others(self) -> list[str]:
        return [name for name in self.runs if name != self.reference]

    def each_of_one(self, of) -> bool:
        """Whether every treatment (or block) was panned by one person only."""
        hands: dict[object, set[str]] = {}
        for line in self.lines.counted:
            hands.setdefault(of(line), set()).add(self.who(line))
        return all(len(names) == 1 for names in hands.values())

    def read(self) -> ByPanner:
        by_treatment = self.each_of_one(lambda line: line.treatment)
        by_block = self.each_of_one(lambda line: line.block)
        panned = ", ".join(f"{name} {number}" for name, number in self.runs.items())
        said = [phrase("Runs that count: {runs}.", runs=panned)]
        if by_treatment:
            return ByPanner(
                alarm=phrase(
                    "Each treatment was panned by one person only. What the treatment did and what the hand did can't be told "
                    "apart: read the verdict as one on treatment and panner together."
                ),
                sentences=said,
            )
        if self.lines.by_places:
            said.append(
                phrase(
                    "Places give an order and no amount, so how much more one panner keeps is not to be known from them."
                )
            )
            return ByPanner(sentences=said)
        if by_block:
            said.append(
                phrase(
                    "Each block was panned by one person only: what one panner keeps more than another is part of the "
                    "differences between blocks, and is not to be known from these runs. The comparison of treatments is "
                    "not touched by it, for it is made within blocks."
                )
            )
        elif self._leans():
            said.append(
                phrase(
                    "The panners' runs are not spread evenly over the treatments; the figures below take treatment and "
                    "block out, the verdict takes out only the block."
                )
            )
        panners = None if by_block else self._compared()
        if isinstance(panners, str):
            said.append(panners)
            panners = None
        rows = [] if panners is None else [self._row(panners.of(name), name) for name in self.others]
        said += self._sentences(panners) if panners is not None else []
        differences = self._differences()
        if isinstance(differences, str):
            said.append(differences)
            differences = None
        elif differences is not None:
            said.append(self._whether_treatments_differ(differences))
        return ByPanner(
            sentences=said,
            against=self.reference,
            rows=rows,
            differences=[
                self._row(answer, _treatment_with_panner(answer))
                for answer in (differences.answers if differences is not None else ())
            ],
            working=self._working(panners, differences),
        )

    def _leans(self) -> bool:
        """Whether any panner's runs are spread very unevenly over the treatments."""
        from trials.calc.effects import lean

        cells = Counter((line.treatment, self.who(line)) for line in self.lines.counted)
        return any(
            lean([cells[treatment.name, name] for treatment in self.lines.treatments]) for name in self.runs
        )

    def _model(self, *, nested: bool) -> "CellModel":
        from trials.calc.effects import COLOURS, MASS, CellModel, read_runs

        lines = self.lines.counted
        hands = [self.who(line) for line in lines]
        treatments = [line.treatment for line in lines]
        blocks = [line.block for line in lines]
        columns = (
            (list(zip(treatments, hands, strict=True)), blocks) if nested else (hands, blocks, treatments)
        )
        return CellModel(
            read_runs(
                [line.value for line in lines],
                *columns,
                *self.lines.places_of(lines),
                route=COLOURS if self.lines.by_colours else MASS,
                scale_step_mg=self.lines.scale_step_mg if self.lines.by_weight else None,
            )
        )

    def _compared(self) -> "Answers | str":
        """Every panner against the one with most runs, or why not."""
        from trials.calc.effects import ask, ratio_question

        try:
            return ask(
                self._model(nested=False),
                [ratio_question(name, name, self.reference) for name in self.others],
                reference=self.reference,
                smallest_ratio=self.lines.smallest_ratio,
            )
        except ValueError as refusal:
            return phrase(
                "How much more one panner keeps than another is not to be known from these runs: {why}",
                why=_ended(str(refusal)),
            )

    def _differences(self) -> "Answers | str":
        """How much every treatment's ratio differs by panner, or that it is not to be known."""
        from trials.calc.effects import ask, nested_question

        control = self.lines.control

        try:
            found = ask(
                self._model(nested=True),
                [
                    nested_question(
                        (treatment.name, name),
                        ((treatment.name, name), (control, name)),
                        ((treatment.name, self.reference), (control, self.reference)),
                    )
                    for treatment in self.lines.treatments
                    if not treatment.is_control
                    for name in self.others
                ],
                reference=(control, self.reference),
                smallest_ratio=self.lines.smallest_ratio,
            )
        except ValueError as refusal:
            return phrase(
                "Whether the treatments work differently in different hands is not to be known from these runs: {why}",
                why=_ended(str(refusal)),
            )
        if not found.judged_together:
            return phrase(
                "Whether the treatments work differently in different hands is not to be known from these runs: that takes "
                "three runs of each treatment, and of {control}, by each of two panners.",
                control=control,
            )
        return found

    def _sentences(self, panners: "Answers") -> list[str]:
        from trials.calc.ratio_words import between
        from trials.calc.verdict import written

        said = []
        for name in self.others:
            answer = panners.of(name)
            if answer.lower is None:
                said.append(
                    phrase(
                        "{panner} against {other}: {why}.",
                        panner=name,
                        other=self.reference,
                        why=self._why(answer),
                    )
                )
                continue
            said.append(
                phrase(
                    "From equal portions, treatment and block taken out, {panner} got {ratio} times what {other} got "
                    "({interval}, 95 % interval, all panners judged together): {shown}{sight}.",
                    panner=name,
                    ratio=written(answer.ratio),
                    other=self.reference,
                    interval=between(answer.lower, answer.upper, written),
                    shown=self._shown(name, answer),
                    sight=self._told(panners).aside(answer),
                )
            )
        return said

    def _shown(self, name: str, answer: "Answer") -> str:
        kind = answer.kind(self.lines.smallest_ratio)
        if kind == "within":
            return phrase("alike within the stated margin")
        if kind == "open":
            return phrase("not shown that their hands differ")
        if self.lines.by_colours:
            return (
                phrase("shown that {panner}'s hand shows more", panner=name)
                if kind == "more"
                else phrase("shown that {panner}'s hand shows less", panner=name)
            )
        return (
            phrase("shown that {panner}'s hand keeps more", panner=name)
            if kind == "more"
            else phrase("shown that {panner}'s hand keeps less", panner=name)
        )

    def _told(self, family: "Answers") -> "Told":
        from trials.calc.effect_words import Told
        from trials.calc.effects import COLOURS, MASS

        return Told(
            family,
            self.lines.smallest_ratio,
            COLOURS if self.lines.by_colours else MASS,
            not self.lines.trial.in_blocks,
            phrase("all panners judged together"),
        )

    def _whether_treatments_differ(self, found: "Answers") -> str:
        shown = [answer for answer in found.answers if answer.shown]
        known = [answer for answer in found.answers if answer.lower is not None]
        if shown:
            return phrase(
                "Shown that a treatment works differently in different hands: {treatments}. A verdict over all hands together "
                "is then an average of unlike things; the table gives the ratios.",
                treatments="; ".join(map(_treatment_with_panner, shown)),
            )
        told = self._told(found)
        seen = max((answer.detectable_ratio or math.inf for answer in known), default=math.inf)
        return " ".join(
            [
                phrase(
                    "Not shown that the treatments work differently in different hands: intervals stand in the table."
                )
                if len(known) == len(found.answers)
                else phrase(
                    "Not shown that the treatments work differently in different hands where enough runs tell: intervals stand "
                    "in the table."
                ),
                told.could_have_seen(seen),
                phrase("With so few runs a hand, not shown is not the same as alike."),
            ]
        )

    def _row(self, answer: "Answer", name: str) -> PannerRow:
        from trials.calc.ratio_words import between
        from trials.calc.working import figure

        runs = min(
            sum(1 for line in self.lines.counted if self._in(line, group)) for group in answer.question.groups
        )
        ratio = "" if answer.ratio is None else figure(answer.ratio)
        if answer.lower is None:
            return PannerRow(name, str(runs), ratio, "", self._why(answer))
        return PannerRow(
            name,
            str(runs),
            ratio,
            between(answer.lower, answer.upper),
            str(KIND_WORDS[answer.kind(self.lines.smallest_ratio)]),
        )

    def _in(self, line: RunLine, group: tuple) -> bool:
        return self.who(line) in group or (line.treatment, self.who(line)) in group

    def _why(self, answer: "Answer") -> str:
        from trials.calc.effect_words import explained

        if answer.note == "not tied":
            return phrase("treatment, block and hand can't be told apart")
        return explained(answer)

    def _working(self, panners: "Answers | None", differences: "Answers | None") -> "Working | None":
        from trials.calc.comparison import EQUAL_PORTIONS
        from trials.calc.effect_words import working_rows
        from trials.calc.working import Working

        rows = []
        if panners is not None:
            names = {name: f"{name} / {self.reference}" for name in self.others}
            rows += working_rows(panners, names, FORMULA)
        if differences is not None:
            names = {
                answer.name: phrase(
                    "{treatment} against {control}: {panner} over {other}",
                    treatment=answer.name[0],
                    control=self.lines.control,
                    panner=answer.name[1],
                    other=self.reference,
                )
                for answer in differences.answers
            }
            rows += working_rows(differences, names, FORMULA)
        if not rows:
            return None
        return Working(
            tuple(rows),
            (
                phrase(EQUAL_PORTIONS),
                phrase(
                    "ln(expected) = panner + treatment + block for the hands, panner with treatment + block for whether "
                    "treatments work differently in them; variance proportional to the mean."
                ),
                phrase(
                    "Nobody was assigned to runs by lot unless the group did so: a hand that panned the late runs carries "
                    "all that changed by then."
                ),
            ),
        )


def _treatment_with_panner(answer: "Answer") -> str:
    treatment, panner = answer.name
    return phrase("{treatment} with {panner}", treatment=treatment, panner=panner)


def _ended(sentence: str) -> str:
    sentence = f"{sentence[0].lower()}{sentence[1:]}"
    return sentence if sentence.endswith(".") else f"{sentence}."
