"""Which stage of a crush-and-split protocol gives most of its error: stages from top to bottom, a bar per exponent."""

from collections.abc import Sequence
from dataclasses import dataclass

from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.calc.sampling import LIBERATION_EXPONENTS

# All lengths in units of the viewBox.
WIDTH, LEFT, LONGEST = 360.0, 12.0, 270.0
TOP, LINE, BAR, GAP = 18.0, 18.0, 14.0, 16.0
LONGEST_WORDS = 48


@dataclass(frozen=True)
class Bar:
    """One share of the variance; `css` tells the exponent by fill or outline."""

    y: float
    width: float
    text: str
    css: str

    @property
    def text_x(self) -> float:
        return round(LEFT + self.width + 6, 1)

    @property
    def text_y(self) -> float:
        return round(self.y + BAR - 3, 1)


@dataclass(frozen=True)
class StageMark:
    """A stage: its two lines of words and its bars, one for each exponent."""

    head: str
    words: str
    head_y: float
    words_y: float
    bars: tuple[Bar, ...]


@dataclass(frozen=True)
class ProtocolChart:
    stages: Sequence[StageMark]
    height: float
    description: str
    title: str = gettext_lazy("Which stage gives most of the error?")
    width: float = WIDTH
    left: float = LEFT
    bar_height: float = BAR


def protocol_chart(stages: Sequence) -> ProtocolChart:
    """Return the picture of these stages, each with `number`, `words`, `size`, `shares`, `share_texts` and `worst`.

    Raises ValueError without a stage.
    """
    if not stages:
        raise ValueError("There is no stage to draw.")
    marks, y = [], TOP
    for stage in stages:
        bars_y = y + LINE + 8
        marks.append(
            StageMark(
                head=_head(stage),
                words=_short(stage.words),
                head_y=y,
                words_y=y + LINE,
                bars=tuple(
                    Bar(round(bars_y + place * (BAR + 3), 1), round(LONGEST * share, 1), text, css)
                    for place, (share, text, css) in enumerate(
                        zip(stage.shares, stage.share_texts, ("fill", "dot open"), strict=True)
                    )
                ),
            )
        )
        y = bars_y + 2 * (BAR + 3) + GAP + 6
    said = "; ".join(
        phrase(
            "stage {number}, {words}: {shares}",
            number=stage.number,
            words=stage.words,
            shares=", ".join(
                phrase("{share} at exponent {exponent}", share=text, exponent=numeral(exponent, "g"))
                for text, exponent in zip(stage.share_texts, LIBERATION_EXPONENTS, strict=True)
            ),
        )
        for stage in stages
    )
    return ProtocolChart(marks, round(y - GAP, 1), phrase("Shares of the variance: {shares}.", shares=said))


def _head(stage) -> str:
    if stage.worst:
        return phrase(
            "Stage {number}, to {size}: {worst}", number=stage.number, size=stage.size, worst=stage.worst
        )
    return phrase("Stage {number}, to {size}", number=stage.number, size=stage.size)


def _short(words: str) -> str:
    return words if len(words) <= LONGEST_WORDS else f"{words[: LONGEST_WORDS - 1]}…"
