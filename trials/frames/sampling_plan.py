"""A sampling plan of a lot: what the books know of it, and what chance does to portions of it by prospecting.calc.sampling."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import Sum
from django.db.models.expressions import RawSQL
from django.urls import reverse
from django.utils import dateformat
from django.utils.translation import gettext_lazy

from prospecting.calc import colours, sampling, scooping, units
from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.number_words import in_mark, numeral
from prospecting.calc.sampling import LIBERATION_EXPONENTS, Protocol, Stage
from prospecting.models import Dispatch, Lot, Sample, Step
from prospecting.models.lineage import links_back, lots_alike
from trials.calc.working import Working, WorkingRow, given
from trials.frames.lineage import ALIKE
from trials.frames.results import beside_assay
from trials.models import Run, Trial

CHARGE_G = {
    Dispatch.Method.FIRE_15: 15,
    Dispatch.Method.FIRE_30: 30,
    Dispatch.Method.FIRE_50: 50,
}
# Laboratories commonly pulverise to 200 mesh before they weigh a charge out (trade practice; sieve 200 of ASTM E11).
PULVERISED = "200 mesh"
USUAL_PORTION = {"lb": "1 lb", "kg": "500 g"}
# 1/4 inch: what a jaw crusher or a hammer leaves, as an example of "before crushing" (common practice, no source).
AS_BROKEN_UM = 6350
# From here on an error is skewed and "give or take" misleads (P. Gy's theory, as taught; from memory).
SKEWED = 0.5
GY = gettext_lazy(
    "s² = f g c l d³ (1/portion − 1/lot); f 0.5, g 0.25, c from the grade, l = (gold grain ÷ top size)^b"
)
GY_SOURCE = gettext_lazy(
    "P. Gy, Sampling of Particulate Materials (1982); b = 1.5 for gold after Francois-Bongarcon. Both cited from memory."
)
GRAIN_SOURCE = gettext_lazy(
    "H. E. Clifton and others, US Geological Survey Professional Paper 625-C (1969), from memory."
)
SCOOP_SOURCE = gettext_lazy(
    "R. Minnitt, Scoop versus riffle methods, Sampling Science and Technology, doi 10.62178/sst.005.002 (an excerpt)."
)


@dataclass(frozen=True)
class Known:
    """What the books know for the plan: texts to start the form with, and (what, where from, link) of each."""

    start: dict[str, str]
    sources: tuple[tuple[str, str, str], ...]


@dataclass(frozen=True)
class Ore:
    """What the books say of a lot's grade, the size of its gold and its own top size; None what they don't."""

    grade_g_per_t: float | None
    gold_um: float | None
    top_um: float | None

    @property
    def is_whole(self) -> bool:
        return None not in (self.grade_g_per_t, self.gold_um, self.top_um)


@dataclass(frozen=True)
class GrainRow:
    """One size of gold grains; spreads in the order of LIBERATION_EXPONENTS."""

    name: str
    size: str
    grain: str
    grains: str
    none: str
    enough_g: float
    counting: str
    spreads: tuple[str, ...]


@dataclass(frozen=True)
class SieveRow:
    """The portion's spread and the least portion at one top size."""

    name: str
    size: str
    sds: tuple[float, ...]
    least_g: tuple[float, ...]
    at_gold: bool

    @property
    def spreads(self) -> tuple[str, ...]:
        return tuple(_percent(sd) for sd in self.sds)


@dataclass(frozen=True)
class StageRow:
    """One stage of the protocol as the table shows it; shares in the order of LIBERATION_EXPONENTS."""

    number: int
    words: str
    size: str
    shares: tuple[float, ...]
    share_texts: tuple[str, ...]
    spreads: tuple[str, ...]
    worst: str


@dataclass(frozen=True)
class ProtocolPlan:
    """The stages, their total under each exponent, and sentences: worst stage, scooping, the usual mistake."""

    stages: Sequence[StageRow]
    totals: tuple[str, ...]
    sentence: str
    scooping: str
    mistake: str


@dataclass(frozen=True)
class SamplingPlan:
    """Everything the page tells; every figure is text or a number in the unit its name ends with."""

    sentences: Sequence[str]
    grains: Sequence[GrainRow]
    sieves: Sequence[SieveRow]
    finer: str
    splitting: str
    protocol: ProtocolPlan | None
    working: Working


def same_material(lot: Lot) -> RawSQL:
    """For `lot__in=`: the lot, those it was dried, crushed, split, cut or sampled from, and all that came of these so."""
    back = {made: (step, parent) for _, made, step, parent in links_back(lot)}
    steps = {step for step, _ in back.values()}
    same = set(Step.objects.filter(pk__in=steps, kind__in=ALIKE).values_list("pk", flat=True))
    root = lot.pk
    while root in back and back[root][0] in same:
        root = back[root][1]
    return lots_alike(Lot(pk=root), ALIKE)


def mean_colour_mg(same: RawSQL) -> float | None:
    """The mean mass of a colour, from untreated pans of these lots that were both weighed and counted."""
    counted = (
        Run.objects.standing()
        .untreated()
        .filter(lot__in=same, gold_mg__isnull=False)
        .annotate(colour_count=Sum("colours__count"))
        .filter(colour_count__gt=0)
        .values_list("gold_mg", "colour_count")
    )
    pairs = list(counted)
    if not pairs:
        return None
    return colours.mean_colour_of_pans_mg([gold for gold, _ in pairs], [count for _, count in pairs])


def typed_grade(g_per_t: Decimal, grade_unit: str) -> str:
    """A grade as one would type it: the bare number in the member's unit where that reads the same, else in g/t."""
    number = units.format_grade(g_per_t, grade_unit).partition(" ")[0]
    if units.reads_alike(units.parse_grade(number, grade_unit).canonical, g_per_t):
        return number
    return f"{numeral(g_per_t, '.6g')} g/t"


def typed_mass(mass_g: Decimal, mass_unit: str) -> str:
    """A mass as one would type it: in the member's unit where that reads the same, else in grams."""
    text = units.format_mass(mass_g, mass_unit)
    if units.reads_alike(units.parse_mass(text, mass_unit).canonical, mass_g):
        return text
    return f"{numeral(mass_g.quantize(Decimal('0.01')).normalize(), 'f')} g"


def known_of(lot: Lot, *, mass_unit: str, grade_unit: str) -> Known:
    """What the books say of the lot and of what is the same material; what they do not say is left blank."""
    same = same_material(lot)
    start = {"wanted": "20", "coarse_share": "100", "series": lot.made_by.mesh_series or "astm_e11"}
    sources: list[tuple[str, str, str]] = []

    def learn(name: str, text: str, what: str, where: str, url: str = "") -> None:
        start[name] = text
        sources.append((what, f"{text}, {where}", url))

    if lot.top_size_um:
        learn(
            "top",
            f"{numeral(lot.top_size_um.normalize(), 'f')} µm",
            phrase("Top size"),
            phrase("as it was crushed or screened to"),
            "",
        )
        if lot.top_size_um < AS_BROKEN_UM:
            start["before"] = f"{AS_BROKEN_UM} µm"
    if found := _grade_known(same, mass_unit=mass_unit, grade_unit=grade_unit):
        g_per_t, where = found
        start["grade"] = typed_grade(g_per_t, grade_unit)
        told = f"{units.format_grade(g_per_t, grade_unit)}, {where}"
        sources.append((phrase("Grade"), told, f"{lot.get_absolute_url()}#beside-assay"))
    if size_um := _gold_known(same, lot.top_size_um):
        learn(
            "gold",
            f"{size_um:.0f} µm",
            phrase("Gold grains"),
            phrase("balls of the mean mass of a colour in its pans"),
            reverse("run-list"),
        )
        # A guess of ours, said on the page, until somebody types the range.
        guessed = sampling.grain_range_um(size_um, float(lot.top_size_um) if lot.top_size_um else None)
        start["gold_low"], start["gold_high"] = f"{guessed.fine_um:.0f} µm", f"{guessed.coarse_um:.0f} µm"
    whole_g, where = _whole(lot)
    learn("lot_mass", typed_mass(whole_g, mass_unit), phrase("Mass split"), where)
    portion_g, where, url = _portion_known(lot, same)
    if portion_g and portion_g <= whole_g:
        learn("portion", typed_mass(portion_g, mass_unit), phrase("Portion"), where, url)
    else:
        learn(
            "portion",
            USUAL_PORTION[mass_unit],
            phrase("Portion"),
            phrase("the usual size of a test portion: nothing was cut yet"),
        )
    if last := _last_split(lot):
        start["method"] = last.method
        when = phrase(
            "{method}, as on {day}",
            method=last.get_method_display().lower(),
            day=dateformat.format(last.done_on, "j M Y"),
        )
        sources.append((phrase("Way of splitting"), when, last.get_absolute_url()))
    start |= _stages_known(same, whole_g, mass_unit) or {
        "keep1": start["portion"],
        "how1": start.get("method", "riffle"),
    }
    return Known(start, tuple(sources))


def ore_of(lot: Lot) -> Ore:
    """What the books say of the lot, as a sampling plan starts with it."""
    same = same_material(lot)
    graded = _grade_known(same, mass_unit="kg", grade_unit="g_per_t")
    return Ore(
        grade_g_per_t=float(graded[0]) if graded else None,
        gold_um=_gold_known(same, lot.top_size_um),
        top_um=float(lot.top_size_um) if lot.top_size_um else None,
    )


def sampling_plan(
    *,
    top_um: float,
    gold_um: float,
    gold_low_um: float | None,
    gold_high_um: float | None,
    coarse_share: float,
    grade_g_per_t: float,
    lot_g: float,
    portion_g: float,
    wanted_sd: float,
    method: str,
    series: str,
    before_um: float | None,
    stages: Sequence[tuple[float | None, float, str]],
    mass_unit: str,
    grade_unit: str,
) -> SamplingPlan:
    """What chance does to portions of this lot. `stages` are (crushed to or None, kept, method) in order."""
    ore = {"grade_g_per_t": grade_g_per_t, "liberation_um": gold_um}
    portion_text = units.format_mass(portion_g, mass_unit)
    grains = [
        _grain_row(name, size, share, grade_g_per_t, top_um, portion_g, lot_g)
        for name, size, share in (
            (phrase("fine end"), gold_low_um, 1.0),
            (phrase("usual"), gold_um, 1.0),
            (phrase("coarse end"), gold_high_um, coarse_share),
        )
        if size
    ]
    now = _sieve_row(phrase("as it is"), top_um, ore, portion_g, lot_g, wanted_sd)
    openings = units.ASTM_E11_UM if series == Step.MeshSeries.ASTM_E11 else units.TYLER_UM
    sieves = [now] + [
        _sieve_row(phrase("{number} mesh", number=number), opening, ore, portion_g, lot_g, wanted_sd)
        for number, opening in sampling.finer_sieves(openings, top_um, 2)
    ]
    spreads = _spreads(ore, Stage(top_um, portion_g, lot_g))
    least = [units.format_mass(mass, mass_unit) for mass in sorted(now.least_g)]
    coarsest = gold_high_um or gold_um
    return SamplingPlan(
        sentences=[
            _spread_sentence(portion_text, spreads),
            _none_sentence(coarsest, grade_g_per_t, portion_g, coarse_share),
            phrase(
                "For a spread of {spread} a portion has to weigh {mass}.",
                spread=_percent(wanted_sd),
                mass=_between(least),
            ),
        ],
        grains=grains,
        sieves=sieves,
        finer=_finer_sentence(sieves, wanted_sd, mass_unit),
        splitting=_splitting_sentence(method, spreads),
        protocol=_protocol(stages, top_um, before_um, lot_g, ore, mass_unit) if stages else None,
        working=_working(
            ore, Stage(top_um, portion_g, lot_g), wanted_sd, coarsest, coarse_share, mass_unit, grade_unit
        ),
    )


def _grade_known(same: RawSQL, *, mass_unit: str, grade_unit: str) -> tuple[Decimal, str] | None:
    """The mean of the assays in use, else of the untreated pans, where it is one figure above zero."""
    beside = beside_assay(same, grade_unit=grade_unit, mass_unit=mass_unit)
    for estimate in (beside.assayed, beside.panned):
        if estimate and estimate.mean.is_exact and estimate.mean.low_g_per_t > 0:
            many = len(estimate.results)
            return estimate.mean.low_g_per_t, (
                phrase_counted("mean of {number} assay in use", "mean of {number} assays in use", many)
                if estimate is beside.assayed
                else phrase_counted(
                    "mean of {number} untreated pan: free gold only",
                    "mean of {number} untreated pans: free gold only",
                    many,
                )
            )
    return None


def _gold_known(same: RawSQL, top_um: Decimal | None) -> float | None:
    """The diameter of a ball with the mean mass of a colour."""
    mean_mg = mean_colour_mg(same)
    if mean_mg is None:
        return None
    size_um = sampling.grain_diameter_um(mean_mg)
    # Heavier than a ball the size of the largest piece: black sand was weighed in, or colours were missed.
    return None if top_um and size_um > top_um else size_um


def _whole(lot: Lot) -> tuple[Decimal, str]:
    """The mass that is split into portions: of a portion, what it was cut from."""
    if lot.kind in (Lot.Kind.PORTION, Lot.Kind.ASSAY_SPLIT) and (draw := lot.made_by.draws.first()):
        return max(draw.mass_g, lot.mass_g), phrase("what was taken for this cut")
    if lot.on_hand_g:
        return lot.on_hand_g, phrase("on hand")
    return lot.mass_g, phrase("when the lot was made")


def _portion_known(lot: Lot, same: RawSQL) -> tuple[Decimal | None, str, str]:
    if lot.kind in (Lot.Kind.PORTION, Lot.Kind.ASSAY_SPLIT):
        return lot.mass_g, phrase("this one"), ""
    if trial := Trial.objects.filter(feed_lot__in=same).order_by("-pk").first():
        return trial.portion_mass_g, phrase("as in its trial"), trial.get_absolute_url()
    portion = (
        Lot.objects.standing()
        .filter(made_by__kind=Step.Kind.CUT, made_by__draws__lot=lot)
        .order_by("-pk")
        .first()
    )
    return (
        (portion.mass_g, phrase("as in its last cut"), lot.get_absolute_url()) if portion else (None, "", "")
    )


def _last_split(lot: Lot) -> Step | None:
    """The last cut, split or sample taken from the lot, where the way of splitting was written down."""
    kinds = (Step.Kind.CUT, Step.Kind.SPLIT, Step.Kind.ASSAY)
    steps = Step.objects.filter(kind__in=kinds, draws__lot=lot, voided_at__isnull=True).exclude(method="")
    return steps.order_by("-pk").first()


def _stages_known(same: RawSQL, whole_g: Decimal, mass_unit: str) -> dict[str, str] | None:
    """The two stages behind the newest assay with a charge of known mass: the sample taken, and the charge weighed out."""
    sample = (
        Sample.objects.of_lots(same)
        .filter(dispatch__method__in=CHARGE_G)
        .select_related("lot__made_by", "dispatch")
        .order_by("-pk")
        .first()
    )
    if sample is None or not CHARGE_G[sample.dispatch.method] <= sample.lot.mass_g <= whole_g:
        return None
    return {
        "keep1": typed_mass(sample.lot.mass_g, mass_unit),
        "how1": sample.lot.made_by.method or "riffle",
        "size2": PULVERISED,
        "keep2": f"{CHARGE_G[sample.dispatch.method]} g",
        "how2": "rolled",
    }


def _stage(top_um: float, gold_um: float, sample_g: float, lot_g: float, **fields) -> Stage:
    """A stage no finer than its gold: gold flattens in a crusher and stays whole."""
    return Stage(max(top_um, gold_um), sample_g, lot_g, **fields)


def _spreads(ore: dict, stage: Stage) -> tuple[float, ...]:
    return tuple(error.relative_sd for error in sampling.fundamental_errors(stage=stage, **ore))


def _grain_row(
    name: str,
    size_um: float,
    share: float,
    grade_g_per_t: float,
    top_um: float,
    portion_g: float,
    lot_g: float,
) -> GrainRow:
    grain_mg = sampling.grain_mass_mg(size_um)
    grains = sampling.expected_grains(grade_g_per_t, portion_g, grain_mg, share)
    ore = {"grade_g_per_t": grade_g_per_t, "liberation_um": size_um}
    return GrainRow(
        name=name,
        size=_size(size_um),
        grain=units.format_gold_mg(grain_mg),
        grains=_count(grains),
        none=units.format_odds(sampling.chance_of_none(grains)),
        enough_g=sampling.enough_grains_mass_g(grain_mg, grade_g_per_t, share),
        counting=_percent(sampling.counting_spread(grains)),
        spreads=tuple(_percent(sd) for sd in _spreads(ore, Stage(top_um, portion_g, lot_g))),
    )


def _sieve_row(
    name: str, top_um: float, ore: dict, portion_g: float, lot_g: float, wanted_sd: float
) -> SieveRow:
    stage = _stage(top_um, ore["liberation_um"], portion_g, lot_g)
    errors = sampling.fundamental_errors(stage=stage, **ore)
    return SieveRow(
        name=name,
        size=_size(top_um),
        sds=tuple(error.relative_sd for error in errors),
        least_g=tuple(
            sampling.minimum_sample_g(error.sampling_constant, stage.top_size_um, wanted_sd, lot_g)
            for error in errors
        ),
        at_gold=top_um <= ore["liberation_um"],
    )


def _protocol(
    stages: Sequence[tuple[float | None, float, str]],
    top_um: float,
    before_um: float | None,
    lot_g: float,
    ore: dict,
    mass_unit: str,
) -> ProtocolPlan:
    gold_um = ore["liberation_um"]
    planned, sizes, methods = [], [], []
    size_um, left_g = top_um, lot_g
    for number, (crushed_um, keep_g, method) in enumerate(stages, start=1):
        size_um = crushed_um or size_um
        planned.append(_stage(size_um, gold_um, keep_g, left_g, name=phrase("stage {number}", number=number)))
        sizes.append(size_um)
        methods.append(Step.Method(method))
        left_g = keep_g
    found = sampling.split_protocols(stages=planned, **ore)
    return ProtocolPlan(
        stages=[
            StageRow(
                number=place + 1,
                words=phrase(
                    "{before} to {after}, {method}",
                    before=units.format_mass(stage.lot_g, mass_unit),
                    after=units.format_mass(stage.sample_g, mass_unit),
                    method=methods[place].label.lower(),
                ),
                size=_size(sizes[place]),
                shares=tuple(protocol.stages[place].share for protocol in found),
                share_texts=tuple(_percent(protocol.stages[place].share) for protocol in found),
                spreads=tuple(_percent(protocol.stages[place].error.relative_sd) for protocol in found),
                worst=_worst_at(place, found),
            )
            for place, stage in enumerate(planned)
        ],
        totals=tuple(_percent(protocol.total.relative_sd) for protocol in found),
        sentence=_worst_sentence(found, planned, gold_um, mass_unit),
        scooping=_scooping_sentence(planned, methods, ore, found),
        mistake=_mistake_sentence(planned, before_um, ore, found),
    )


def _worst_at(place: int, found: Sequence[Protocol]) -> str:
    """Whether this stage is the worst, and under which exponent where they disagree; blank where it is not."""
    at = [p.liberation_exponent for p in found if p.total.relative_variance and p.total.worst_stage == place]
    if len(at) < len(found):
        return phrase("the worst at exponent {exponent}", exponent=numeral(at[0], "g")) if at else ""
    return phrase("the worst")


def _worst_sentence(
    found: Sequence[Protocol], planned: Sequence[Stage], gold_um: float, mass_unit: str
) -> str:
    if not any(protocol.total.relative_variance for protocol in found):
        return phrase("Nothing is left behind at any stage, so splitting adds no error.")
    total = _between([_percent(sd) for sd in sorted(p.total.relative_sd for p in found)])
    if len(planned) == 1:
        return phrase(
            "One stage, with a spread of {total} (one standard deviation), at least: all of the error comes "
            "from it.",
            total=total,
        )
    places = sorted({protocol.total.worst_stage for protocol in found})
    told = []
    for place in places:
        stage = planned[place]
        shares = sorted(p.stages[place].share for p in found if p.total.worst_stage == place)
        told.append(
            {
                "stage": place + 1,
                "before": units.format_mass(stage.lot_g, mass_unit),
                "after": units.format_mass(stage.sample_g, mass_unit),
                "share": _between([_percent(share) for share in shares]),
            }
        )
    which = (
        phrase(
            "The worst is stage {stage} ({before} to {after}): it gives {share} of its variance.",
            **told[0],
        )
        if len(told) == 1
        else phrase(
            "Which is worst hangs on the exponent: {stages}.",
            stages=phrase(", or ").join(
                phrase("stage {stage} ({before} to {after}) gives {share} of its variance", **each)
                for each in told
            ),
        )
    )
    as_fine = any(planned[place].top_size_um <= gold_um for place in places)
    advice = (
        phrase(
            "Keep more where the pieces are as fine as the gold already; crushing finer gains nothing there; care at "
            "the others gains little."
        )
        if as_fine
        else phrase("Crush finer before that stage, or keep more of it; care at the others gains little.")
    )
    spread = phrase("All stages together spread by {total} (one standard deviation), at least.", total=total)
    return f"{spread} {which} {advice}"


def _scooping_sentence(
    planned: Sequence[Stage], methods: Sequence[str], ore: dict, found: Sequence[Protocol]
) -> str:
    """What the scooped stages may do at the worst of the range that was measured."""
    if Step.Method.SCOOPED not in methods:
        return ""
    most = scooping.VARIANCE_TIMES_CHANCE[scooping.SCOOPED][1]
    worse = [
        Stage(**(vars(stage) | {"times_chance": most if method == Step.Method.SCOOPED else 1.0}))
        for stage, method in zip(planned, methods, strict=True)
    ]
    at_worst = sampling.split_protocols(stages=worse, **ore)
    places = sorted({protocol.total.worst_stage + 1 for protocol in at_worst})
    stages = phrase(" or ").join(phrase("stage {place}", place=place) for place in places)
    rises = phrase(" and ").join(
        phrase(
            "from {before} to {after}",
            before=_percent(before.total.relative_sd),
            after=_percent(after.total.relative_sd),
        )
        for before, after in zip(found, at_worst, strict=True)
    )
    return phrase(
        "Scooping may raise the total {rises} (one figure for each exponent), with {stages} the worst "
        "then; the figures below are by chance alone.",
        rises=rises,
        stages=stages,
    )


def _mistake_sentence(
    planned: Sequence[Stage], before_um: float | None, ore: dict, found: Sequence[Protocol]
) -> str:
    """The same splits, the first of them done before any crushing."""
    if not before_um or before_um <= planned[0].top_size_um:
        return ""
    early = [Stage(before_um, planned[0].sample_g, planned[0].lot_g), *planned[1:]]
    wrong = sampling.split_protocols(stages=early, **ore)
    told = phrase(" and ").join(
        phrase(
            "{wrong} instead of {right}",
            wrong=_percent(other.total.relative_sd),
            right=_percent(right.total.relative_sd),
        )
        for right, other in zip(found, wrong, strict=True)
    )
    return phrase(
        "Split first and crush afterwards, the first split on pieces up to {size}, and the same masses spread by "
        "{spreads} (exponents {exponents}). Crushing afterwards mends nothing.",
        size=_size(before_um),
        spreads=told,
        exponents=phrase(" and ").join(numeral(b, "g") for b in LIBERATION_EXPONENTS),
    )


def _spread_sentence(portion: str, spreads: Sequence[float]) -> str:
    low, high = min(spreads), max(spreads)
    if high == 0:
        return phrase("The portion is the whole lot: nothing is left to chance.")
    text = _between([_percent(low), _percent(high)])
    if high <= SKEWED:
        return phrase(
            "Portions of {portion} of this lot differ by about ±{spread} by chance alone (one standard deviation).",
            portion=portion,
            spread=text,
        )
    return phrase(
        "Portions of {portion} of this lot differ by {spread} by chance alone (one standard deviation): so uneven that most "
        "read low and a few far too high.",
        portion=portion,
        spread=text,
    )


def _none_sentence(size_um: float, grade_g_per_t: float, portion_g: float, share: float) -> str:
    grains = sampling.expected_grains(grade_g_per_t, portion_g, sampling.grain_mass_mg(size_um), share)
    chance = units.format_odds(sampling.chance_of_none(grains))
    parts = {
        "odds": f"{chance[0].upper()}{chance[1:]}",
        "size": _size(size_um),
        "grains": _count(grains),
    }
    if share == 1:
        return phrase(
            "{odds} hold no coarse grain at all ({size}, if all the gold is so coarse; {grains} expected).",
            **parts,
        )
    return phrase(
        "{odds} hold no coarse grain at all ({size}, if {share} of the gold is so coarse; {grains} expected).",
        share=_percent(share),
        **parts,
    )


def _finer_sentence(sieves: Sequence[SieveRow], wanted_sd: float, mass_unit: str) -> str:
    if len(sieves) == 1:
        return phrase("The series has no finer sieve.")
    told = []
    for row in sieves[1:]:
        least = _between([units.format_mass(mass, mass_unit) for mass in sorted(row.least_g)])
        told.append(
            phrase(
                "through {sieve} ({size}): {spread}, or {mass} for {wanted}",
                sieve=row.name,
                size=row.size,
                spread=_between([_percent(sd) for sd in sorted(row.sds)]),
                mass=least,
                wanted=_percent(wanted_sd),
            )
        )
    finer = phrase("Crushed finer, the same portion spreads less: {sieves}.", sieves="; ".join(told))
    at_gold = (
        phrase(
            "At the size of the gold itself crushing gains nothing more: gold flattens and stays whole. Screen it out and "
            "weigh it."
        )
        if any(row.at_gold for row in sieves)
        else ""
    )
    return f"{finer} {at_gold}".strip()


def _splitting_sentence(method: str, spreads: Sequence[float]) -> str:
    label = Step.Method(method).label

    def with_cut(cut: str) -> str:
        return _between([_percent(sd) for sd in scooping.spread_when_cut(spreads, cut)])

    told = phrase(
        "Riffled, expect {riffled}; scooped out of a bucket, {scooped}.",
        riffled=with_cut(scooping.RIFFLE),
        scooped=with_cut(scooping.SCOOPED),
    )
    missed = _between([_percent(share) for share in scooping.SCOOPS_WITHOUT_HEAVY_GRAINS])
    if method == Step.Method.SCOOPED:
        planned = phrase(
            "Scooping is planned here: in the test behind these ranges {share} of scoops missed the heavy grains.",
            share=missed,
        )
    elif method == Step.Method.RIFFLE:
        planned = phrase("Riffling is what is planned here.")
    else:
        planned = phrase("{method} lies somewhere between; no measured range was found.", method=label)
    return f"{told} {planned}"


def _working(
    ore: dict,
    stage: Stage,
    wanted_sd: float,
    coarsest_um: float,
    share: float,
    mass_unit: str,
    grade_unit: str,
) -> Working:
    errors = sampling.fundamental_errors(stage=stage, **ore)
    portion, lot = (units.format_mass(mass, mass_unit) for mass in (stage.sample_g, stage.lot_g))
    grain_mg = sampling.grain_mass_mg(coarsest_um)
    grade = units.format_grade(ore["grade_g_per_t"], grade_unit)
    rows = []
    for error in errors:
        rows.append(
            WorkingRow(
                phrase(
                    "Spread of a portion, b = {exponent}",
                    exponent=numeral(error.liberation_exponent, "g"),
                ),
                str(GY),
                (
                    given(phrase("grade"), grade),
                    given(phrase("top size d"), _size(stage.top_size_um)),
                    given(phrase("gold grain"), _size(ore["liberation_um"])),
                    given(phrase("portion"), portion),
                    given(phrase("lot"), lot),
                    given("c", float(error.mineralogical_factor), "g/cm³"),
                    given("l", float(error.liberation_factor)),
                ),
                _percent(error.relative_sd),
                source=str(GY_SOURCE),
            )
        )
        rows.append(
            WorkingRow(
                phrase(
                    "Least portion, b = {exponent}",
                    exponent=numeral(error.liberation_exponent, "g"),
                ),
                phrase("1/portion = s² ÷ (f g c l d³) + 1/lot"),
                (
                    given(phrase("wanted spread s"), _percent(wanted_sd)),
                    given("f g c l", float(error.sampling_constant), "g/cm³"),
                ),
                units.format_mass(
                    sampling.minimum_sample_g(
                        error.sampling_constant, stage.top_size_um, wanted_sd, stage.lot_g
                    ),
                    mass_unit,
                ),
                source=str(GY_SOURCE),
            )
        )
    grains = sampling.expected_grains(ore["grade_g_per_t"], stage.sample_g, grain_mg, share)
    rows.append(
        WorkingRow(
            phrase("Chance of no coarse grain"),
            phrase(
                "n = portion × grade × coarse share ÷ mass of a grain; chance of none = e^−n; grain = π/6 d³ × 19.3 g/cm³"
            ),
            (
                given(phrase("coarse grain"), _size(coarsest_um)),
                given(phrase("its mass"), units.format_gold_mg(grain_mg)),
                given(phrase("coarse share"), _percent(share)),
                given(phrase("grains expected n"), _count(grains)),
            ),
            units.format_odds(sampling.chance_of_none(grains)),
            source=str(GRAIN_SOURCE),
        )
    )
    rows.append(
        WorkingRow(
            phrase("Way of splitting"),
            phrase("spread × √(variance in units of chance)"),
            tuple(
                given(name, phrase("{low} to {high}", low=numeral(least, "g"), high=numeral(most, "g")))
                for name, (least, most) in (
                    (phrase("riffle, times chance"), scooping.VARIANCE_TIMES_CHANCE[scooping.RIFFLE]),
                    (phrase("scooped, times chance"), scooping.VARIANCE_TIMES_CHANCE[scooping.SCOOPED]),
                )
            ),
            source=str(SCOOP_SOURCE),
        )
    )
    return Working(
        tuple(rows),
        (
            phrase("A floor: segregation, careless splitting, the assay and lost dust come on top."),
            phrase(
                "The two exponents b are two schools' readings of how gold sits in the pieces; the truth is seldom "
                "outside them."
            ),
            phrase(
                "Top size is the sieve that 95 % of the lot passes. Gold grains are taken as balls of fine gold: "
                "flakes of the same width weigh less, so there are more of them."
            ),
            phrase("Gold does not crush: where a stage is finer than the gold, the gold's own size is used."),
            phrase("Variances of the stages add; crushing between them adds none."),
        ),
    )


def _between(texts: Sequence[str]) -> str:
    """ "9 % to 25 %" shortened to "9 to 25 %"; one text where both read alike."""
    low, high = texts[0], texts[-1]
    if low == high:
        return low
    number, _, unit = low.partition(" ")
    return (
        phrase("{low} to {high}", low=number, high=high)
        if high.endswith(f" {unit}") and number[0].isdigit()
        else phrase("{low} to {high}", low=low, high=high)
    )


def _percent(fraction: float) -> str:
    """A spread in percent, to the figure it deserves: no error is known to a tenth of a percent."""
    percent = 100 * fraction
    if percent == 0:
        return "0 %"
    if percent < 0.1:
        return phrase("under {percent} %", percent=in_mark("0.1"))
    if percent < 1:
        return f"{numeral(percent, '.1f')} %"
    if percent > 1000:
        return phrase("over 1000 %")
    return f"{percent:.0f} %"


def _count(grains: float) -> str:
    if grains < 0.01:
        return phrase("under {grains}", grains=in_mark("0.01"))
    return numeral(grains, ".2g") if grains < 10 else f"{grains:,.0f}".replace(",", " ")


def _size(um: float) -> str:
    """A size in mm from 1 mm up, else in um."""
    return (
        f"{numeral(float(units.convert_length(um, 'um', 'mm')), '.3g')} mm"
        if um >= 1000
        else f"{numeral(um, '.3g')} µm"
    )
