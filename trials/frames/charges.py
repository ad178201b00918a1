"""Whether one charge can speak for coarse gold: its grains on average and the chance of none, beside a screen fire assay."""

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import urlencode

from django.urls import reverse
from django.utils.translation import gettext_lazy

from prospecting.calc import sampling, units
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.calc.packing import SCREEN_ASSAY_G, ChargeLuck, charge_luck
from prospecting.models import Dispatch, Sample
from trials.calc.working import Working, WorkingRow, figure, given
from trials.frames.expected_grades import Foreseen
from trials.frames.sampling_plan import CHARGE_G, GRAIN_SOURCE

CHARGES_G = tuple(CHARGE_G.values())
BALLS = gettext_lazy(
    "Every grain is taken as a ball of fine gold, 19.3 g/cm³, of one size, and all the gold as free grains of it."
)
KINDEST = gettext_lazy(
    "Only luck with grains is counted. Splitting, weighing and the furnace come on top, so the true scatter is larger."
)
SCREEN_WORDS = "1 kg"


@dataclass(frozen=True)
class ChargeRow:
    """One mass to assay, in words for the table."""

    name: str
    grains: str
    none: str
    spread: str
    is_poor: bool


@dataclass(frozen=True)
class ChargeSight:
    """What the page says: sentences, a row for each charge, and how it was reckoned."""

    sentences: tuple[str, ...]
    rows: tuple[ChargeRow, ...]
    working: Working


@dataclass(frozen=True)
class ScreenPrompt:
    """One sample of a dispatch for which the charge asked for is often empty: what is told, and where it is reckoned."""

    sample: Sample
    sentence: str
    grains: str
    none: str
    where: str
    url: str


def charge_sight(*, grade_g_per_t: float, gold_um: float, grade_unit: str) -> ChargeSight:
    """What counting chance does to the usual charges, and to a screen fire assay, at this grade and size of gold."""
    grain_mg = sampling.grain_mass_mg(gold_um)
    lucks = [charge_luck(grade_g_per_t, charge_g, grain_mg) for charge_g in (*CHARGES_G, SCREEN_ASSAY_G)]
    *charges, screen = lucks
    return ChargeSight(
        sentences=(
            *map(_sentence, charges),
            _of_screen(screen),
        ),
        rows=tuple(
            ChargeRow(
                name=_name(luck),
                grains=figure(luck.grains),
                none=units.format_odds(luck.none),
                spread=_spread(luck),
                is_poor=luck.is_poor,
            )
            for luck in lucks
        ),
        working=_working(lucks, grade_g_per_t, gold_um, grain_mg, grade_unit),
    )


def screen_prompts(
    dispatch: Dispatch, samples: Sequence[Sample], seen: dict[int, Foreseen]
) -> list[ScreenPrompt]:
    """The samples whose gold is likely too coarse for the charge this dispatch asks for, the emptiest charge first."""
    charge_g = CHARGE_G.get(dispatch.method)
    if charge_g is None:
        return []
    poor = []
    for sample in samples:
        known = seen.get(sample.lot_id)
        if known and known.grade and known.grade.g_per_t > 0 and known.grain_um:
            luck = charge_luck(float(known.grade.g_per_t), charge_g, sampling.grain_mass_mg(known.grain_um))
            if luck.is_poor:
                poor.append((luck, sample, known))
    poor.sort(key=lambda each: -each[0].none)
    return [_prompt(*each) for each in poor]


def _prompt(luck: ChargeLuck, sample: Sample, known: Foreseen) -> ScreenPrompt:
    grade_g_per_t = float(known.grade.g_per_t)
    screen = charge_luck(grade_g_per_t, SCREEN_ASSAY_G, sampling.grain_mass_mg(known.grain_um))
    asked = {"gold": f"{known.grain_um:.0f} µm", "grade": f"{numeral(grade_g_per_t, '.3g')} g/t"}
    return ScreenPrompt(
        sample=sample,
        sentence=f"{_sentence(luck)} {_of_screen(screen)}",
        grains=figure(luck.grains, 2),
        none=units.format_odds(luck.none),
        where=phrase("grade: {grade}; grains: {grains}", grade=known.grade.where, grains=known.grain_where),
        url=f"{reverse('assay-charges')}?{urlencode(asked)}",
    )


def _name(luck: ChargeLuck) -> str:
    if luck.charge_g == SCREEN_ASSAY_G:
        return phrase("Screen fire assay of {mass}", mass=SCREEN_WORDS)
    return phrase("Fire assay, {charge} g charge", charge=numeral(luck.charge_g, "g"))


def _sentence(luck: ChargeLuck) -> str:
    parts = {
        "charge": numeral(luck.charge_g, "g"),
        "grains": figure(luck.grains, 2),
        "odds": units.format_odds(luck.none),
        "spread": _spread(luck),
    }
    if luck.none < 0.001:
        return phrase(
            "A {charge} g charge holds {grains} grains on average: counting alone scatters single charges by {spread}.",
            **parts,
        )
    if luck.grains < 1:
        return phrase(
            "A {charge} g charge holds {grains} grains on average: {odds} such charges hold none and read about nil, and the "
            "others read far too high.",
            **parts,
        )
    return phrase(
        "A {charge} g charge holds {grains} grains on average: {odds} such charges hold none and read about nil, and counting "
        "alone scatters single charges by {spread}.",
        **parts,
    )


def _of_screen(luck: ChargeLuck) -> str:
    return phrase(
        "A screen fire assay of {mass} holds {grains}, and counting alone scatters it by {spread}.",
        mass=SCREEN_WORDS,
        grains=figure(luck.grains, 2),
        spread=_spread(luck),
    )


def _spread(luck: ChargeLuck) -> str:
    return (
        phrase("more than 100 %")
        if luck.spread > 1
        else phrase("about {share} %", share=round(100 * luck.spread))
    )


def _working(
    lucks: Sequence[ChargeLuck], grade_g_per_t: float, gold_um: float, grain_mg: float, grade_unit: str
) -> Working:
    rows = [
        WorkingRow(
            phrase("One grain"),
            phrase("mass = π/6 × diameter³ × 19.3 g/cm³"),
            (given(phrase("diameter"), numeral(gold_um, "g"), "µm"),),
            figure(grain_mg),
            "mg",
        )
    ]
    for luck in lucks:
        rows.append(
            WorkingRow(
                _name(luck),
                phrase(
                    "grains n = grade × charge ÷ mass of one grain; chance of none = e^−n; spread (one standard deviation) = 1/√n"
                ),
                (
                    given(phrase("grade"), units.format_grade(grade_g_per_t, grade_unit)),
                    given(phrase("charge"), numeral(luck.charge_g, "g"), "g"),
                    given(phrase("one grain"), figure(grain_mg), "mg"),
                ),
                phrase(
                    "n = {grains}; none: {none}; spread: {spread}",
                    grains=figure(luck.grains),
                    none=figure(luck.none),
                    spread=figure(luck.spread),
                ),
                "",
                GRAIN_SOURCE,
            )
        )
    return Working(tuple(rows), (BALLS, KINDEST))
