"""The recovery balance of a lot or of one run: what the books hold of feed, concentrate, tails and head, and what it comes to."""

import random
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import Q
from django.db.models.expressions import RawSQL
from django.utils.translation import gettext_lazy

from prospecting.calc import grade, quality_control, recovery_balance, sampling, units
from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.mass_balance import total_mass_g
from prospecting.calc.number_words import numeral
from prospecting.calc.recovery_balance import Measured, Route
from prospecting.models import Lot, Reading, Sample, Step
from trials.calc.working import Working, WorkingRow, given
from trials.frames.sampling_plan import CHARGE_G, mean_colour_mg, same_material, typed_grade, typed_mass
from trials.models import Run

MOST_RUNS = 40
ALL = "all"
# The simulation gives the same answer each time the page is opened.
DRAWS_SEED = 1
# Where the books hold nothing better; common practice, no source. The page says so.
GUESSED_ASSAY, GUESSED_SAMPLING = "10", "25"
WILLS = gettext_lazy(
    "B. A. Wills and J. A. Finch, Wills' Mineral Processing Technology, chapter 3, from memory; errors by JCGM 100:2008."
)
SIMULATED = gettext_lazy("The same; interval by simulation of 20 000 draws, JCGM 101:2008.")


@dataclass(frozen=True)
class Recovered:
    """A run whose result may be told, with what was kept of it."""

    run: Run
    concentrate: Lot | None
    tails: Lot | None

    @property
    def is_kept(self) -> bool:
        return self.concentrate is not None or self.tails is not None


@dataclass(frozen=True)
class Books:
    """What the books hold for a balance: texts to start the form with, where each is from, remarks, and the runs to choose from.

    `hidden` runs belong to blocks whose key is open: nothing of them is read. `chosen` is a run's id, ALL or "".
    """

    start: dict[str, str]
    sources: tuple[tuple[str, str, str], ...]
    remarks: tuple[str, ...]
    runs: Sequence[Recovered]
    hidden: int
    chosen: str
    is_dry: bool
    at_least: bool
    tails_repanned: bool


@dataclass(frozen=True)
class RouteLine:
    """One route as the page shows it; `short` names it in the picture."""

    name: str
    short: str
    formula: str
    route: Route
    value: str
    interval: str
    sd: str
    driver: str
    shares: tuple[tuple[str, str], ...]
    is_simulated: bool


@dataclass(frozen=True)
class Balance:
    """All routes, the account of gold in and out, and what drives the error of each."""

    sentence: str
    level: str
    routes: Sequence[RouteLine]
    account: RouteLine | None
    reading: str
    calculated_head: float | None
    concentrate_gold_mg: float | None
    tails_gold_mg: float | None
    head_gold_mg: float | None
    feed_dry_g: float
    remarks: Sequence[str]
    working: Working


def books_of(lot: Lot, asked: str, *, mass_unit: str, grade_unit: str) -> Books:
    """What is known of the run `asked` for (its id, or ALL); else of the newest with products kept, else of all together."""
    same = same_material(lot)
    runs, hidden = _recovered(same)
    chosen, picked = _picked(runs, asked)
    head = _head(same, grade_unit, mass_unit)
    start = {
        "mass_step": "1 g",
        "gold_step": "1 mg",
        "assay_sd": GUESSED_ASSAY,
        "head_sd": GUESSED_SAMPLING,
        "tails_sd": GUESSED_SAMPLING,
        "level": "0.95",
    }
    sources: list[tuple[str, str, str]] = []
    remarks: list[str] = []
    products = _products(picked, mass_unit, grade_unit)
    for found in (head, _feed(picked, mass_unit), products):
        start |= found.start
        sources += found.sources
        remarks += found.remarks
    return Books(
        start=start,
        sources=tuple(sources),
        remarks=tuple(remarks),
        runs=runs[:MOST_RUNS],
        hidden=hidden,
        chosen=chosen,
        is_dry=all(each.run.lot.is_dry for each in picked) if picked else lot.is_dry,
        at_least=any(each.run.below_scale for each in picked),
        tails_repanned=products.is_repanned,
    )


def balance(
    *,
    feed_g: float,
    moisture: float,
    gold_mg: float | None,
    concentrate_g: float | None,
    concentrate_g_per_t: float | None,
    tails_g: float | None,
    tails_g_per_t: float | None,
    head_g_per_t: float | None,
    gold_step_mg: float,
    mass_step_g: float,
    assay_sd: float,
    head_sd: float,
    tails_sd: float,
    level: float,
    books: Books,
    mass_unit: str,
    grade_unit: str,
) -> Balance:
    """Every route from these figures; a figure that is None is not known. Masses in g or mg, sds and moisture as fractions."""
    feed_dry_g = grade.dry_mass_g(feed_g, moisture, basis="wet")
    feed = recovery_balance.weighed(feed_dry_g, mass_step_g, phrase("the weight of the feed"))
    richness = _maybe(concentrate_g_per_t, {phrase("the concentrate's assay"): assay_sd})
    weight = None
    if concentrate_g:
        weight = recovery_balance.weighed(concentrate_g, mass_step_g, phrase("the weight of the concentrate"))
    by_assay = recovery_balance.gold_held_mg(weight, richness) if weight and richness else None
    weighed = None
    if gold_mg:
        weighed = recovery_balance.weighed(gold_mg, gold_step_mg, phrase("the step of the gold scale"))
        if weight and richness is None:
            richness = recovery_balance.grade_of_gold(weighed, weight)
    concentrate = weighed or by_assay
    poorness = _maybe(
        tails_g_per_t,
        {phrase("the tails' assay or re-pan"): assay_sd, phrase("the sampling of the tails"): tails_sd},
    )
    tails_mass_g = tails_g or recovery_balance.tails_left_g(feed_dry_g, concentrate_g)
    tails = None
    if poorness and tails_mass_g > 0:
        rest = recovery_balance.weighed(tails_mass_g, mass_step_g, phrase("the weight of the tails"))
        tails = recovery_balance.gold_held_mg(rest, poorness)
    head = _maybe(
        head_g_per_t, {phrase("the head's assay"): assay_sd, phrase("the sampling of the head"): head_sd}
    )
    head_gold = recovery_balance.gold_held_mg(feed, head) if head else None
    routes = [
        _line(
            phrase("Apparent recovery of gold into the concentrate: weighed gold over the head's assay")
            if weighed
            else phrase("Recovery of gold into the concentrate, over the head's assay"),
            phrase("over the head's assay"),
            phrase("gold in the concentrate ÷ (head × dry feed)"),
            _over_head(concentrate, head_gold, level, books),
        ),
        _line(
            phrase("Recovery of gold into the concentrate, over what both products hold"),
            phrase("over what both products hold"),
            phrase("gold in the concentrate ÷ (gold in the concentrate + gold in the tails)"),
            _over_products(concentrate, tails, level),
        ),
        _line(
            phrase("Recovery of gold into the concentrate, from three grades alone"),
            phrase("from three grades"),
            "c (f − t) ÷ (f (c − t))",
            _from_grades(head, richness, poorness, level),
            is_simulated=True,
        ),
    ]
    account = _account(concentrate, tails, head_gold, level)
    return Balance(
        sentence=_sentence(routes, books),
        level=f"{numeral(100 * level, 'g')} %",
        routes=routes,
        account=account,
        reading=_reading(account, concentrate, tails),
        calculated_head=grade.calculated_head(concentrate.value, tails.value, feed_dry_g)
        if concentrate and tails
        else None,
        concentrate_gold_mg=concentrate.value if concentrate else None,
        tails_gold_mg=tails.value if tails else None,
        head_gold_mg=head_gold.value if head_gold else None,
        feed_dry_g=feed_dry_g,
        remarks=_remarks(moisture, books, weighed, by_assay, tails, tails_g),
        working=_working(
            routes,
            account,
            (
                (phrase("dry feed"), feed, lambda g: units.format_mass(g, mass_unit)),
                (phrase("gold in the concentrate"), concentrate, units.format_gold_mg),
                (phrase("gold in the tails"), tails, units.format_gold_mg),
                (phrase("gold in the head"), head_gold, units.format_gold_mg),
                (phrase("head f"), head, lambda g: units.format_grade(g, grade_unit)),
                (phrase("concentrate c"), richness, lambda g: units.format_grade(g, grade_unit)),
                (phrase("tails t"), poorness, lambda g: units.format_grade(g, grade_unit)),
            ),
        ),
    )


@dataclass(frozen=True)
class _Found:
    start: dict[str, str]
    sources: Sequence[tuple[str, str, str]] = ()
    remarks: Sequence[str] = ()
    is_repanned: bool = False


def _recovered(same: RawSQL) -> tuple[list[Recovered], int]:
    """The runs of these lots that may be told, newest first, and how many may not: their block's key is still open."""
    standing = Run.objects.standing().filter(lot__in=same)
    told = standing.unblinded().select_related("lot", "step", "planned__trial")
    runs = []
    for run in told.prefetch_related("step__made"):
        made = {lot.kind: lot for lot in run.step.made.all()}
        runs.append(Recovered(run, made.get(Lot.Kind.CONCENTRATE), made.get(Lot.Kind.TAILS)))
    waiting = standing.filter(planned__isnull=False, planned__block__closed_at__isnull=True)
    # How many of a bridge drew from this lot is its key.
    return runs, waiting.exclude(pk__in=Run.objects.blind_bridges().values("pk")).count()


def _picked(runs: Sequence[Recovered], asked: str) -> tuple[str, list[Recovered]]:
    if asked == ALL and runs:
        return ALL, list(runs)
    for each in runs:
        if str(each.run.pk) == asked:
            return asked, [each]
    kept = next((each for each in runs if each.is_kept), None)
    if kept is None and len(runs) > 1:
        return ALL, list(runs)
    first = kept or next(iter(runs), None)
    return (str(first.run.pk), [first]) if first else ("", [])


def _feed(picked: Sequence[Recovered], mass_unit: str) -> _Found:
    """Feed and gold by weight of the runs picked."""
    if not picked:
        return _Found({})
    many = len(picked)
    feed_g = total_mass_g(each.run.portion_mass_g for each in picked)
    weighed = [each.run for each in picked if each.run.gold_mg is not None]
    below = [each.run for each in picked if each.run.below_scale]
    start = {"feed": typed_mass(feed_g, mass_unit)}
    url = picked[0].run.get_absolute_url() if many == 1 else ""
    whose = (
        phrase("{mass}, as put through", mass=start["feed"])
        if many == 1
        else phrase("{mass}, sum of {runs} runs, whatever their treatment", mass=start["feed"], runs=many)
    )
    sources = [(phrase("Feed"), whose, url)]
    remarks = []
    if weighed and len(weighed) + len(below) == many:
        gold_mg = grade.total_gold_mg(run.gold_mg for run in weighed)
        start["gold"] = f"{numeral(gold_mg.normalize(), 'f')} mg"
        gold = units.format_gold_mg(gold_mg)
        told = (
            phrase("{gold}, weighed", gold=gold)
            if many == 1
            else phrase("{gold}, weighed in {runs} runs", gold=gold, runs=len(weighed))
        )
        sources.append((phrase("Gold"), told, url))
    elif len(weighed) + len(below) < many:
        remarks.append(
            phrase("The gold of some of it was counted or not looked at, but not weighed.")
            if many > 1
            else phrase("Its gold was not weighed.")
        )
    if below:
        most_mg = grade.total_gold_mg(run.scale_step_mg for run in below)
        remarks.append(
            phrase_counted(
                "{number} run was below the scale: not zero, but less than {gold}, which is not counted here.",
                "{number} runs were below the scale: not zero, but less than {gold} together, which is not counted here.",
                len(below),
                gold=units.format_gold_mg(most_mg),
            )
        )
    # One number stands for the scale: the coarsest step, and for a sum of weighings root n of it.
    if steps := [each.run.scale_step_mg for each in picked if each.run.scale_step_mg]:
        step_mg = recovery_balance.step_of_sum(steps, len(weighed) or 1)
        start["gold_step"] = f"{numeral(step_mg.quantize(Decimal('0.0001')).normalize(), 'f')} mg"
        if len(weighed) > 1:
            sources.append(
                (
                    phrase("Step of the gold scale"),
                    phrase(
                        "{sum}, √{number} steps of {step}",
                        sum=start["gold_step"],
                        number=len(weighed),
                        step=units.format_gold_mg(max(steps)),
                    ),
                    "",
                )
            )
    return _Found(start, sources, remarks)


def _products(picked: Sequence[Recovered], mass_unit: str, grade_unit: str) -> _Found:
    """Masses of concentrate and tails where every run picked kept them, and their grades where they were assayed or re-panned."""
    if not picked:
        return _Found({})
    start, sources, remarks, is_repanned = {}, [], [], False
    for name, label, grade_name in (
        ("concentrate", phrase("Concentrate"), "concentrate_grade"),
        ("tails", phrase("Tails"), "tails_grade"),
    ):
        lots = [getattr(each, name) for each in picked if getattr(each, name) is not None]
        if not lots:
            continue
        url = lots[0].get_absolute_url() if len(lots) == 1 else ""
        if len(lots) < len(picked):
            remarks.append(
                phrase(
                    "{product} kept of {kept} of {runs} runs: neither mass nor grade is taken for all.",
                    product=label,
                    kept=len(lots),
                    runs=len(picked),
                )
            )
            continue
        mass_g = total_mass_g(lot.mass_g for lot in lots)
        start[name] = typed_mass(mass_g, mass_unit)
        told = (
            phrase("{mass}, dry", mass=start[name])
            if all(lot.is_dry for lot in lots)
            else phrase("{mass}, not dried: water weighs in", mass=start[name])
        )
        sources.append((label, told, url))
        found = _grade_of_product([lot.pk for lot in lots], label)
        if found.grade_g_per_t:
            text = units.format_grade(found.grade_g_per_t, grade_unit)
            start[grade_name] = typed_grade(found.grade_g_per_t, grade_unit)
            graded = phrase("Tails' grade") if name == "tails" else phrase("Concentrate's grade")
            sources.append((graded, f"{text}, {found.where}", url))
            is_repanned = is_repanned or found.is_repanned
        if found.remark:
            remarks.append(found.remark)
    return _Found(start, sources, remarks, is_repanned)


@dataclass(frozen=True)
class _ProductGrade:
    grade_g_per_t: Decimal | None
    where: str = ""
    remark: str = ""
    is_repanned: bool = False


def _grade_of_product(lot_ids: Sequence[int], label: str) -> _ProductGrade:
    """The mean of assays in use of these lots or of samples taken from them; else what re-panning them gave."""
    taken = Q(lot__in=lot_ids) | Q(lot__made_by__kind=Step.Kind.ASSAY, lot__made_by__draws__lot__in=lot_ids)
    readings = [
        (sample.in_use, sample.lot.mass_g) for sample in Sample.objects.filter(taken).answered().with_value()
    ]
    values = [
        (reading.grade_g_per_t, mass_g)
        for reading, mass_g in readings
        if reading.symbol == Reading.Symbol.VALUE
    ]
    if values and len(values) == len(readings):
        mean = grade.blend_grade([value for value, _ in values], [mass_g for _, mass_g in values])
        if mean:
            return _ProductGrade(mean, phrase("assayed ({assays})", assays=len(values)))
        return _ProductGrade(
            None,
            remark=phrase(
                "{product}: the assay says 0; type the method's limit to see the least it can be.",
                product=label,
            ),
        )
    if readings:
        limit = max(reading.limit_g_per_t or 0 for reading, _ in readings)
        return _ProductGrade(
            None,
            remark=phrase(
                "{product}: an assay lies beyond its limit ({limit} g/t), neither zero nor the limit. Type it to see how far "
                "it moves the answer.",
                product=label,
                limit=numeral(limit.normalize(), "f"),
            ),
        )
    pans = list(Run.objects.standing().unblinded().filter(lot__in=lot_ids, gold_mg__isnull=False))
    if not pans:
        return _ProductGrade(None)
    panned = grade.pooled_grade_g_per_t([run.gold_mg for run in pans], [run.portion_mass_g for run in pans])
    where = phrase("re-panned ({pans}): free gold only", pans=len(pans))
    return _ProductGrade(panned, where, is_repanned=True)


def _head(same: RawSQL, grade_unit: str, mass_unit: str) -> _Found:
    """The mean of the assays in use of this material, and how far chance may have moved it."""
    samples = list(
        Sample.objects.of_lots(same)
        .filter(in_use_symbol=Reading.Symbol.VALUE)
        .select_related("lot", "dispatch")
    )
    if not samples:
        return _Found(
            {}, remarks=[phrase("No assay of the feed, nor of what is the same material, is in the books.")]
        )
    grades = [sample.in_use_g_per_t for sample in samples]
    mean = grade.blend_grade(grades, [sample.lot.mass_g for sample in samples])
    if not mean:
        return _Found(
            {}, remarks=[phrase("The feed's assay says 0: below its limit it is no head to divide by.")]
        )
    text, many = units.format_grade(mean, grade_unit), len(samples)
    start = {"head": typed_grade(mean, grade_unit)}
    sources = [
        (
            phrase("Head"),
            phrase_counted(
                "{grade}, mean of {number} assay in use",
                "{grade}, mean of {number} assays in use",
                many,
                grade=text,
            ),
            samples[0].lot.get_absolute_url() if many == 1 else "",
        )
    ]
    assay_sd = units.share_of_percent(float(GUESSED_ASSAY))
    if repeats := _repeats(samples):
        assay_sd = repeats
        start["assay_sd"] = numeral(100 * repeats, ".1f")
        sources.append(
            (
                phrase("Error of one assay"),
                phrase("{percent} %, from repeats of the same sample", percent=numeral(100 * repeats, ".0f")),
                "",
            )
        )
    if many > 1:
        sampled = sampling.spread_of_sampling([float(each) for each in grades], float(mean), assay_sd)
        start["head_sd"] = numeral(100 * sampled, ".1f")
        sources.append(
            (
                phrase("Sampling of the head"),
                phrase(
                    "{percent} %, from how {assays} assays scatter",
                    percent=numeral(100 * sampled, ".0f"),
                    assays=many,
                ),
                "",
            )
        )
    elif (grain_mg := mean_colour_mg(same)) and (charge_g := CHARGE_G.get(samples[0].dispatch.method)):
        grains = sampling.expected_grains(float(mean), charge_g, grain_mg)
        spread = min(sampling.counting_spread(grains), 5.0)
        start["head_sd"] = f"{100 * spread:.0f}"
        sources.append(
            (
                phrase("Sampling of the head"),
                phrase(
                    "{percent} %, {grains} colours of mean mass in a {charge} g charge",
                    percent=numeral(100 * spread, ".0f"),
                    grains=numeral(grains, ".2g"),
                    charge=charge_g,
                ),
                "",
            )
        )
    return _Found(start, sources)


def _repeats(samples: Sequence[Sample]) -> float | None:
    """The relative sd of one assay from the first two figures of each sample that has two; None where none has."""
    figures: dict[int, list[float]] = {}
    readings = Reading.objects.filter(sample__in=samples, symbol=Reading.Symbol.VALUE, grade_g_per_t__gt=0)
    for sample_id, value in readings.in_turn().values_list("sample_id", "grade_g_per_t"):
        figures.setdefault(sample_id, []).append(float(value))
    pairs = [values[:2] for values in figures.values() if len(values) > 1]
    if not pairs:
        return None
    return quality_control.duplicate_precision([a for a, _ in pairs], [b for _, b in pairs]).cv_rms


def _maybe(value: float | None, errors: dict[str, float]) -> Measured | None:
    return Measured(value, errors) if value else None


def _refused(reason: str, level: float) -> Route:
    return Route(None, None, None, level, None, refusal=reason)


def _over_head(concentrate: Measured | None, head_gold: Measured | None, level: float, books: Books) -> Route:
    if concentrate is None:
        return _refused(
            phrase("The gold in the concentrate is neither weighed nor assayed with its mass."), level
        )
    if head_gold is None:
        return _refused(phrase("The feed was not assayed."), level)
    return recovery_balance.over_head(concentrate, head_gold, level)


def _over_products(concentrate: Measured | None, tails: Measured | None, level: float) -> Route:
    if concentrate is None:
        return _refused(
            phrase("The gold in the concentrate is neither weighed nor assayed with its mass."), level
        )
    if tails is None:
        return _refused(
            phrase("The tails were neither assayed nor re-panned: what was lost is not known."), level
        )
    return recovery_balance.over_products(concentrate, tails, level)


def _from_grades(
    head: Measured | None, richness: Measured | None, poorness: Measured | None, level: float
) -> Route:
    missing = [
        name
        for name, part in (
            (phrase("the head's"), head),
            (phrase("the concentrate's (its assay, or its gold and its mass)"), richness),
            (phrase("the tails'"), poorness),
        )
        if part is None
    ]
    if missing:
        return _refused(
            phrase("It needs three grades. Missing: {missing}.", missing=", ".join(missing)), level
        )
    return recovery_balance.from_grades(head, richness, poorness, rng=random.Random(DRAWS_SEED), level=level)


def _account(
    concentrate: Measured | None, tails: Measured | None, head_gold: Measured | None, level: float
) -> RouteLine | None:
    """Accountability; None where products or head are not known."""
    if not (concentrate and tails and head_gold):
        return None
    return _line(
        phrase("Accountability: gold in both products over gold in the head"),
        phrase("accountability, both products over head"),
        phrase("(gold in the concentrate + gold in the tails) ÷ (head × dry feed)"),
        recovery_balance.accountability_of(recovery_balance.together(concentrate, tails), head_gold, level),
    )


def _reading(account: RouteLine | None, concentrate: Measured | None, tails: Measured | None) -> str:
    if account is None:
        if concentrate is None:
            return phrase("Accountability is not known: the concentrate's gold is missing.")
        if tails is None:
            return phrase("Accountability is not known: the tails' gold is missing.")
        return phrase("Accountability is not known: the head is missing.")
    level = f"{numeral(100 * account.route.level, 'g')} %"
    if account.route.low > 1:
        return phrase(
            "More gold came out than the head's assay says went in, beyond the errors given ({level} level). The head read "
            "low, as a small sample of coarse gold most often does, or black sand was weighed with the gold, or a "
            "unit slipped.",
            level=level,
        )
    if account.route.high < 1:
        return phrase(
            "Gold is missing beyond the errors given ({level} level): lost with slimes or wash water, left in the gear, "
            "or the tails' figure or the head's is wrong. Pan the wash tub before believing any recovery.",
            level=level,
        )
    found = phrase(
        "The products hold as much gold as the head says, within the errors given: nothing is known to be missing or too much."
    )
    drives = phrase("Most of the doubt is {error}.", error=account.driver) if account.driver else ""
    return f"{found} {drives}".strip()


def _sentence(routes: Sequence[RouteLine], books: Books) -> str:
    told = []
    over_head, over_products, from_grades = routes
    for line, what in (
        (over_head, phrase("of what the head's assay says went in")),
        (over_products, phrase("of the gold found in both products")),
        (from_grades, phrase("from three grades alone")),
    ):
        if line.route.refusal:
            continue
        least = books.at_least and line is not from_grades
        told.append(
            phrase(
                "{share} {what} ({level} % interval {interval})",
                share=phrase("at least {share}", share=line.value) if least else line.value,
                what=what,
                level=numeral(100 * line.route.level, "g"),
                interval=line.interval,
            )
        )
    if not told:
        return phrase(
            "These figures give no recovery of gold into the concentrate by any route: the reasons stand below."
        )
    return phrase("Recovery of gold into the concentrate: {routes}.", routes="; ".join(told))


def _line(name: str, short: str, formula: str, route: Route, *, is_simulated: bool = False) -> RouteLine:
    known = route.value is not None
    driver = ""
    if route.driver:
        driver = phrase(
            "{error} ({share} of the variance)",
            error=route.driver.name,
            share=units.format_share(route.driver.share),
        )
    return RouteLine(
        name=name,
        short=short,
        formula=formula,
        route=route,
        value=_percent(route.value) if known else "",
        interval=_interval(route.low, route.high) if known else "",
        sd=_points(route.sd) if known else "",
        driver=driver,
        shares=tuple((part.name, units.format_share(part.share)) for part in route.shares),
        is_simulated=is_simulated,
    )


def _remarks(
    moisture: float,
    books: Books,
    weighed: Measured | None,
    by_assay: Measured | None,
    tails: Measured | None,
    tails_g: float | None,
) -> list[str]:
    remarks = []
    if moisture:
        remarks.append(
            phrase("Dry basis: {percent} water was taken off the feed.", percent=_percent(moisture))
        )
    elif books.is_dry:
        remarks.append(phrase("Dry basis: the feed was dried before it was weighed."))
    else:
        remarks.append(
            phrase(
                "Wet basis: the feed was not dried. Water counts as ore, so the head's gold reads high and the "
                "recovery low; give the water in the feed."
            )
        )
    if weighed and by_assay:
        remarks.append(
            phrase(
                "Weighed gold is used ({weighed}); by its assay the concentrate holds {assayed}.",
                weighed=units.format_gold_mg(weighed.value),
                assayed=units.format_gold_mg(by_assay.value),
            )
        )
    if weighed:
        remarks.append(
            phrase(
                "Weighed gold is taken as pure and clean. Natural gold is not: at 840 fine a sixth of it is silver, "
                "and the true recovery is as much lower."
            )
        )
    if weighed and tails and books.tails_repanned:
        remarks.append(
            phrase(
                "Panned gold over panned gold: this is of free gold only; what no pan can catch is in neither number."
            )
        )
    elif weighed and tails:
        remarks.append(
            phrase(
                "The concentrate's gold was panned and weighed, the tails' assayed: two kinds of error in one ratio."
            )
        )
    if tails and not tails_g:
        remarks.append(
            phrase(
                "The tails were not weighed: their mass is the dry feed less the concentrate, as if nothing was lost."
            )
        )
    return [*remarks, *books.remarks]


def _working(routes: Sequence[RouteLine], account: RouteLine | None, measured) -> Working:
    rows = [
        WorkingRow(
            phrase("What goes in: {what}", what=name),
            inputs=tuple(
                given(phrase("± from {error}", error=error), _percent(sd))
                for error, sd in part.errors.items()
            ),
            value=words(part.value),
        )
        for name, part, words in measured
        if part is not None
    ]
    for line in [*routes, *([account] if account else [])]:
        if line.route.value is None:
            continue
        source = str(SIMULATED if line.is_simulated else WILLS)
        rows.append(
            WorkingRow(
                line.name,
                line.formula,
                (
                    given(phrase("standard deviation"), line.sd),
                    given(
                        phrase("{level} % interval", level=numeral(100 * line.route.level, "g")),
                        line.interval,
                    ),
                    *(given(phrase("share of {error}", error=name), share) for name, share in line.shares),
                ),
                line.value,
                source=source,
            )
        )
    return Working(
        tuple(rows),
        (
            phrase(
                "Errors are independent, and the ones given are all there are; a spill or a mixed-up bucket is in none of them."
            ),
            phrase("A scale's step gives each of two readings (full and empty) an error of step ÷ √12."),
            phrase(
                "Intervals of ratios are on the log scale, of the products' share on the log of concentrate over "
                "tails: none is cut off at 0 or 100 %."
            ),
            phrase(
                "Panning catches free gold, fire assay counts all of it: weighed gold over an assay is an apparent recovery."
            ),
        ),
    )


def _percent(share: float) -> str:
    percent = 100 * share
    if percent and abs(percent) < 1:
        return f"{numeral(percent, '.2g')} %"
    return f"{percent:.0f} %" if percent < 1000 else phrase("over 1000 %")


def _points(sd: float) -> str:
    points = 100 * sd
    return phrase("{points} points", points=numeral(points, ".1f" if points < 10 else ".0f"))


def _interval(low: float, high: float) -> str:
    """ "69 to 81 %"; limits that round to 100 % from below are told with a decimal."""
    texts = []
    for limit in (low, high):
        text = _percent(limit)
        texts.append(f"{numeral(100 * limit, '.1f')} %" if text == "100 %" and limit < 1 else text)
    first = texts[0].removesuffix(" %") if texts[1].endswith("%") else texts[0]
    return phrase("{low} to {high}", low=first, high=texts[1])
