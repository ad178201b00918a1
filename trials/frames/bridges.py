"""Results of different lots on one footing: the bridge between two lots, or why there is none, and two trials set across it."""

import math
from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from django.db.models import Count
from django.urls import reverse

from prospecting.calc import units
from prospecting.calc.grade import grade_g_per_t
from prospecting.calc.language import phrase
from prospecting.calc.mass_balance import weigh_alike
from prospecting.models import Lot, Member
from trials.frames.trial_lines import value_of
from trials.models import PlannedRun, Run, Treatment, Trial

if TYPE_CHECKING:
    from trials.calc.bridge import LogRatio
    from trials.calc.comparison import ControlComparison, TreatmentComparison
    from trials.calc.working import Working


@dataclass(frozen=True)
class Link:
    """One closed bridging trial that joins two lots: `ratio` is new over old. Without one, `why_not` says why."""

    trial: Trial
    ratio: "LogRatio | None"
    blocks: int
    why_not: str = ""


@dataclass(frozen=True)
class Span:
    """One stretch of a bridge between two neighbouring lots: what `end` gives over what `start` gives, from its trials."""

    start: Lot
    end: Lot
    ratio: "LogRatio"
    links: list[Link]


@dataclass(frozen=True)
class Bridge:
    """What a portion of `end` gives over an equal one of `start`, untreated; without a `ratio`, `refusal` says what is missing.

    `plan_url` leads to the form that plans the missing bridging runs. The same lot needs no spans and has the ratio 1.
    """

    start: Lot
    end: Lot
    ratio: "LogRatio | None"
    spans: list[Span] = field(default_factory=list)
    refusal: str = ""
    warnings: list[str] = field(default_factory=list)

    @property
    def plan_url(self) -> str:
        older, newer = sorted((self.start, self.end), key=lambda lot: lot.pk)
        return f"{reverse('lot-bridge', args=[older.code])}?new={newer.code}"

    @property
    def sentence(self) -> str:
        if self.ratio is None:
            return self.refusal
        if not self.spans:
            return phrase("Both are on {lot}: no bridge is needed.", lot=self.start.code)
        over = phrase(" over ").join([self.start.code, *(span.end.code for span in self.spans[:-1])])
        return phrase(
            "A portion of {new} gives {ratio} times what an equal one of {old} does, untreated (95 % interval; bridged from "
            "{lots}).",
            new=self.end.code,
            ratio=with_interval(self.ratio),
            old=self.start.code,
            lots=over,
        )


@dataclass(frozen=True)
class Arm:
    """One treatment of one of the trials: what each of its runs gave per mass of ore, their level, and that on one footing.

    `level` is None where the runs give none; `on_footing` also where no bridge leads over. `entry` is its comparison with its
    own trial's control, None for the control itself.
    """

    trial: Trial
    treatment: Treatment
    values: list[float]
    level: "LogRatio | None"
    on_footing: "LogRatio | None"
    entry: "TreatmentComparison | None"


@dataclass(frozen=True)
class AcrossRow:
    """One line of the table; every figure as it is to be read, blank where there is none."""

    treatment: Treatment
    trial: Trial
    runs: int
    own: str
    footing: str
    footing_interval: str
    to_first_control: str
    to_own_control: str


@dataclass(frozen=True)
class Across:
    """Two closed trials side by side. With a `refusal` nothing is set on one footing; ratios to each own control still stand."""

    first: Trial
    second: Trial
    bridge: Bridge | None
    refusal: str
    controls: str
    controls_differ: bool
    rows: list[AcrossRow]
    picture: list[dict]
    warnings: list[str]
    working: "Working | None"


def bridge_between(start: Lot, end: Lot, outcome: str = Trial.Outcome.GOLD_MASS) -> Bridge:
    """The bridge from one lot to another by closed bridging trials judged as `outcome`, the fewest stretches there are.

    Bridging trials between the same two lots are pooled by their blocks; a chain multiplies and its errors add in squares on
    the log scale. No way over usable trials: a refusal.
    """
    from trials.calc.bridge import SAME, combine, pooled

    if start.pk == end.pk:
        return Bridge(start, end, SAME)
    links = _links(outcome)
    way = _fewest(start.pk, end.pk, [link for link in links if link.ratio is not None])
    if way is None:
        return Bridge(start, end, None, refusal=_missing(start, end, outcome, links))
    lots = {lot.pk: lot for link in links for lot in link.trial.feeds}
    spans = []
    for here, there in zip(way, way[1:], strict=False):
        own = [
            link
            for link in links
            if link.ratio and {link.trial.feed_lot_id, link.trial.new_lot_id} == {here, there}
        ]
        onward = [
            (link.blocks, link.ratio if link.trial.feed_lot_id == here else link.ratio.inverse)
            for link in own
        ]
        spans.append(Span(lots[here], lots[there], pooled(onward), own))
    warnings = [
        phrase("Contamination is marked on {lot}: its bridge may carry it over.", lot=lot.code)
        for lot in (lots[pk] for pk in way)
        if lot.is_marked
    ]
    warnings += [
        phrase(
            "The bridging trial “{trial}” ended before its plan was done: read the bridge as weaker than its "
            "figures.",
            trial=link.trial,
        )
        for span in spans
        for link in span.links
        if link.trial.close_reason
    ]
    return Bridge(start, end, combine([(1, span.ratio) for span in spans]), spans, warnings=warnings)


def across(first: Trial, second: Trial, member: Member) -> Across:
    """What each treatment of two closed trials gave, on the footing of the first trial's lot where a bridge leads there."""
    from trials.calc.bridge import SAME

    refusal = _cannot_cross(first, second)
    bridge = None if refusal else bridge_between(first.feed_lot, second.feed_lot, first.outcome)
    over = bridge.ratio if bridge else None
    arms = _arms(first, None if over is None else SAME, _runs_of([first])[first.pk])
    arms += _arms(second, over, _runs_of([second])[second.pk])
    controls = [arm for arm in arms if arm.treatment.is_control]
    sentence, differ = _controls_agree(*controls) if len(controls) == 2 else ("", False)
    return Across(
        first=first,
        second=second,
        bridge=bridge,
        refusal=refusal or bridge.refusal,
        controls=sentence,
        controls_differ=differ,
        rows=[_row(arm, controls[0], member) for arm in arms],
        picture=_picture(arms, controls[0], over),
        warnings=[*(bridge.warnings if bridge else []), *_unlike(first, second)],
        working=_working(bridge) if over is not None else None,
    )


def _cannot_cross(first: Trial, second: Trial) -> str:
    if first.is_bridge or second.is_bridge:
        return phrase(
            "A bridging trial is the bridge itself: its runs cannot be carried over it as well. Choose other trials."
        )
    if Trial.Outcome.PLACES in (first.outcome, second.outcome):
        return phrase(
            "A trial judged by place says which pan shows more, not how much: it has no measure to be carried over."
        )
    if first.outcome != second.outcome:
        return phrase("One is judged by weight, the other by colours: the two have no common measure.")
    return ""


def _links(outcome: str) -> list[Link]:
    """Every closed bridging trial judged so, with its ratio or why it has none; three queries."""
    trials = list(
        Trial.objects.filter(new_lot__isnull=False, state=Trial.State.CLOSED, outcome=outcome)
        .select_related("feed_lot", "new_lot")
        .order_by("pk")
    )
    runs = _runs_of(trials)
    return [_link(trial, runs[trial.pk]) for trial in trials]


def _link(trial: Trial, runs: Sequence[PlannedRun]) -> Link:
    from trials.calc.bridge import LogRatio
    from trials.calc.verdict import FEWEST_DF, FEWEST_RUNS

    found, why = _compared(trial, runs)
    if found is None:
        return Link(trial, None, 0, why)
    entry = found.treatments[0]
    if found.runs_below_scale:
        why = phrase(
            "{runs} of its runs came out below the scale, which leaves no ratio to carry over",
            runs=found.runs_below_scale,
        )
    elif min(entry.runs, found.control_runs) < FEWEST_RUNS or not found.df or found.df < FEWEST_DF:
        why = phrase("too few of its runs count")
    elif not entry.ratio or not entry.se_log:
        why = entry.note or phrase("its runs show no spread to judge chance by")
    else:
        return Link(trial, LogRatio.of(entry.ratio, entry.se_log, found.df), found.blocks)
    return Link(trial, None, found.blocks, why)


def _runs_of(trials: Collection[Trial]) -> dict[int, list[PlannedRun]]:
    planned = (
        PlannedRun.objects.filter(trial__in=trials)
        .select_related("treatment", "block", "run__step")
        .prefetch_related("run__colours")
    )
    found: dict[int, list[PlannedRun]] = defaultdict(list)
    for each in planned:
        found[each.trial_id].append(each)
    return found


def _run(planned: PlannedRun) -> Run | None:
    """The run, if it is in and counts."""
    run = getattr(planned, "run", None)
    return None if run is None or run.failed or run.is_void else run


def _compared(trial: Trial, runs: Sequence[PlannedRun]) -> "tuple[ControlComparison | None, str]":
    from trials.calc.comparison import compare_counts, compare_gold

    steps = [run.scale_step_mg for run in map(_run, runs) if run and run.scale_step_mg]
    step = max(steps, default=trial.scale_step_mg)
    columns = (
        [value_of(run, trial.outcome) if (run := _run(planned)) else None for planned in runs],
        [planned.treatment.name for planned in runs],
        [planned.block.number for planned in runs],
        next((planned.treatment.name for planned in runs if planned.treatment.is_control), ""),
    )
    try:
        if trial.outcome == Trial.Outcome.COLOURS:
            return compare_counts(*columns), ""
        return compare_gold(*columns, scale_step_mg=float(step) if step else None), ""
    except ValueError as refusal:
        return None, str(refusal)


def _fewest(start: int, end: int, links: Iterable[Link]) -> list[int] | None:
    """The lots on the way with the fewest stretches, both ends included; None when there is no way."""
    beside: dict[int, list[int]] = defaultdict(list)
    for link in links:
        beside[link.trial.feed_lot_id].append(link.trial.new_lot_id)
        beside[link.trial.new_lot_id].append(link.trial.feed_lot_id)
    ways = [[start]]
    seen = {start}
    for way in ways:
        if way[-1] == end:
            return way
        for there in beside[way[-1]]:
            if there not in seen:
                seen.add(there)
                ways.append([*way, there])
    return None


def _missing(start: Lot, end: Lot, outcome: str, links: Iterable[Link]) -> str:
    """Why no bridge leads over, and what would help."""
    ends = {start.pk, end.pk}
    said = phrase(
        "No bridge leads from {old} to {new}, so what was panned on the one cannot be set beside the other.",
        old=start.code,
        new=end.code,
    )
    for link in links:
        if link.ratio is None and {link.trial.feed_lot_id, link.trial.new_lot_id} == ends:
            return phrase(
                "{said} Its bridging trial “{trial}” is closed, but {why}.",
                said=said,
                trial=link.trial,
                why=link.why_not.rstrip("."),
            )
    waiting = (
        Trial.objects.exclude(state=Trial.State.CLOSED)
        .filter(feed_lot__in=ends, new_lot__in=ends)
        .annotate(planned=Count("planned_runs"), logged=Count("planned_runs__run"))
        .first()
    )
    if waiting is not None:
        if waiting.state == Trial.State.DRAFT:
            return phrase(
                "{said} The bridging trial “{trial}” is still being planned.", said=said, trial=waiting
            )
        return phrase(
            "{said} The bridging trial “{trial}” has {done} of {planned} runs in.",
            said=said,
            trial=waiting,
            done=waiting.logged,
            planned=waiting.planned,
        )
    what = phrase("colours") if outcome == Trial.Outcome.COLOURS else phrase("weight")
    return phrase(
        "{said} It takes bridging runs, judged by {what}: equal portions of both lots, untreated, drawn blind.",
        said=said,
        what=what,
    )


def _arms(trial: Trial, over: "LogRatio | None", runs: Sequence[PlannedRun]) -> list[Arm]:
    """The trial's treatments, the control first; `over` is what its lot gives over the footing's."""
    from trials.calc.bridge import combine

    comparison, _ = _compared(trial, runs)
    arms = []
    for treatment in trial.treatments.all():
        values = _values(trial, [planned for planned in runs if planned.treatment_id == treatment.pk])
        level = _level(values)
        arms.append(
            Arm(
                trial=trial,
                treatment=treatment,
                values=values,
                level=level,
                on_footing=combine([(1, level), (-1, over)]) if level and over else None,
                entry=comparison.of(treatment.name) if comparison and not treatment.is_control else None,
            )
        )
    return arms


def _values(trial: Trial, runs: Iterable[PlannedRun]) -> list[float]:
    """What each run that counts gave per mass of ore; none at all when one lies below the scale: a mean without it misleads."""
    values = []
    for planned in runs:
        run = _run(planned)
        value = value_of(run, trial.outcome) if run else None
        if value == -math.inf:
            return []
        if value is not None:
            values.append(float(grade_g_per_t(value, float(run.portion_mass_g))))
    return values


def _level(values: Sequence[float]) -> "LogRatio | None":
    from trials.calc.bridge import level_of

    try:
        return level_of(values)
    except ValueError:
        return None


def _row(arm: Arm, first_control: Arm, member: Member) -> AcrossRow:
    from trials.calc.bridge import combine

    footing = arm.on_footing
    base = first_control.on_footing
    return AcrossRow(
        treatment=arm.treatment,
        trial=arm.trial,
        runs=len(arm.values),
        own=_amount(arm.level.ratio, arm.trial, member) if arm.level else "",
        footing=_amount(footing.ratio, arm.trial, member) if footing else "",
        footing_interval=_amounts(footing.interval(), arm.trial, member) if footing else "",
        to_first_control=with_interval(combine([(1, footing), (-1, base)]))
        if footing and base and arm.trial.pk != first_control.trial.pk
        else "",
        to_own_control=_to_own_control(arm),
    )


def _to_own_control(arm: Arm) -> str:
    from trials.calc.ratio_words import between
    from trials.calc.working import figure

    entry = arm.entry
    if entry is None or entry.ratio is None or entry.lower is None or entry.upper is None:
        return ""
    return f"{figure(entry.ratio)} ({between(entry.lower, entry.upper)})"


def _controls_agree(first: Arm, second: Arm) -> tuple[str, bool]:
    """Whether the untreated runs of both trials tell the same once the ore is allowed for, and whether they clearly do not."""
    from trials.calc.bridge import combine

    if first.on_footing is None or second.on_footing is None:
        return "", False
    between = combine([(1, second.on_footing), (-1, first.on_footing)])
    said = phrase(
        "The two controls, on one footing: the second trial's gave {ratio} times the first one's (95 % interval).",
        ratio=with_interval(between),
    )
    if between.leaves_out_one:
        return (
            phrase(
                "{said} So something other than the ore changed between the trials (water, panner, pan, scale, "
                "season): their treatments are not to be compared across.",
                said=said,
            ),
            True,
        )
    return (
        phrase(
            "{said} That is no sign of a change in anything but the ore, though what lies within that "
            "interval is not ruled out.",
            said=said,
        ),
        False,
    )


def _picture(arms: Sequence[Arm], first_control: Arm, over: "LogRatio | None") -> list[dict]:
    """Rows of the chart, as multiples of the first trial's control; none while something for it is missing."""
    from trials.calc.bridge import combine
    from trials.calc.spread import as_multiples

    base = first_control.on_footing
    if base is None:
        return []
    rows = []
    for arm in arms:
        if arm.on_footing is None:
            continue
        per_own = combine([(1, base), (1, over)]) if arm.trial.pk != first_control.trial.pk else base
        centre, lower, upper = as_multiples([arm.on_footing.ratio, *arm.on_footing.interval()], base.ratio)
        rows.append(
            {
                "label": phrase(
                    "{treatment}, on {lot}, trial {trial}",
                    treatment=arm.treatment,
                    lot=arm.trial.feed_lot.code,
                    trial=arm.trial.pk,
                ),
                "values": as_multiples([value for value in arm.values if value > 0], per_own.ratio),
                "below": sum(1 for value in arm.values if value == 0),
                "centre": centre,
                "lower": lower,
                "upper": upper,
            }
        )
    return rows


def _unlike(first: Trial, second: Trial) -> list[str]:
    """What else differs between the trials and is in no interval."""
    found = []
    if not weigh_alike([first.portion_mass_g, second.portion_mass_g]):
        found.append(
            phrase(
                "Portions of {first} and of {second}: a pan may treat large and small ones unlike.",
                first=first.portion_typed,
                second=second.portion_typed,
            )
        )
    if first.feed_lot.is_dry != second.feed_lot.is_dry:
        found.append(phrase("One lot is dried, the other not: per mass of ore the undried one reads low."))
    if first.water_ml != second.water_ml or first.soak_min != second.soak_min:
        found.append(phrase("Water in the tub or soak were not the same in both trials."))
    return found


def _working(bridge: Bridge) -> "Working":
    from trials.calc.working import Working, WorkingRow, figure, given

    rows = [
        WorkingRow(
            phrase("{new} over {old}", new=span.end.code, old=span.start.code),
            phrase("mean of ln ratio of its bridging trials, weighted by their blocks"),
            tuple(
                given(
                    phrase(
                        "{new} over {old}, {blocks} blocks, standard error of ln {error}",
                        new=link.trial.new_lot.code,
                        old=link.trial.feed_lot.code,
                        blocks=link.blocks,
                        error=figure(link.ratio.se),
                    ),
                    link.ratio.ratio,
                    phrase("times"),
                    link.trial.get_absolute_url(),
                )
                for link in span.links
            ),
            with_interval(span.ratio),
            phrase("times (95 % interval)"),
        )
        for span in bridge.spans
    ]
    if bridge.spans:
        rows.append(
            WorkingRow(
                phrase("Bridge, {new} over {old}", new=bridge.end.code, old=bridge.start.code),
                phrase("product of the stretches; standard errors of ln add in squares"),
                (
                    given(phrase("standard error of ln ratio"), bridge.ratio.se),
                    given(phrase("degrees of freedom"), bridge.ratio.df),
                ),
                with_interval(bridge.ratio),
                phrase("times (95 % interval)"),
                phrase("Welch 1947 and Satterthwaite 1946; JCGM 100:2008, annex G.4"),
            )
        )
    rows.append(
        WorkingRow(
            phrase("A treatment on the footing of {lot}", lot=bridge.start.code),
            phrase(
                "mean of its runs / bridge; standard error of ln: root of (sd^2 / (runs x mean^2) + that of the bridge^2)"
            ),
        )
    )
    return Working(
        tuple(rows),
        (
            phrase(
                "The bridge was measured on untreated portions: a treatment is taken to act alike on both ores."
            ),
            phrase(
                "The spread of a treatment's runs includes what differs from block to block within its trial, not what differs "
                "between the trials."
            ),
            phrase("The intervals are for each line alone, not for all lines together."),
        ),
    )


def with_interval(ratio: "LogRatio") -> str:
    from trials.calc.ratio_words import between
    from trials.calc.working import figure

    return f"{figure(ratio.ratio)} ({between(*ratio.interval())})"


def _amounts(limits: tuple[float, float], trial: Trial, member: Member) -> str:
    low, high = (_amount(limit, trial, member) for limit in limits)
    return phrase("{low} to {high}", low=low, high=high)


def _amount(value: float, trial: Trial, member: Member) -> str:
    from trials.calc.working import figure

    if trial.outcome == Trial.Outcome.COLOURS:
        return phrase("{figure} a kg", figure=figure(value))
    return units.format_grade(value, member.grade_unit)
