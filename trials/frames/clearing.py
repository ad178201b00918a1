"""What a clearing test says, tub by tub and against its control, read in a few queries; and how its tubs stand now."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from decimal import Decimal

from prospecting.calc.number_words import numeral
from trials.calc.clearing import (
    LEVEL,
    AgainstControl,
    Curve,
    Look,
    Reached,
    compare_with_control,
    first_reached,
    turbidity_curve,
)
from trials.calc.working import Working, WorkingRow, figure
from trials.models import Additive, ClearingTest, Tub, TubReading

Measure = ClearingTest.Measure
CHART_TITLES = {
    Measure.CLEAR_MM: "How high did clear water stand above the cloud?",
    Measure.SIGHT_CM: "How deep could one see?",
    Measure.TURBIDITY: "How cloudy was each tub?",
    Measure.PHOTO: "",
}
SOURCES = {
    "steps": "Looks are steps: a tub clear at one look got clear some time since the look before.",
    "first_order": "First-order clearing, ln(turbidity) on time by least squares; with a floor where readings show one.",
    "log_rank": "Log-rank test (Mantel 1966; Peto and Peto 1972, from memory), counted over all ways to deal the tubs out.",
}


@dataclass(frozen=True)
class TubResult:
    """One tub: its standing looks, all its readings for the table, when it was clear, and that in a sentence."""

    tub: Tub
    label: str
    is_control: bool
    looks: Sequence[Look]
    readings: Sequence[TubReading]
    reached: Reached | None
    curve: Curve | None
    sentence: str
    curve_sentence: str


@dataclass(frozen=True)
class Verdict:
    """A set of tubs treated alike against the control's, in the words of templates/prospecting/_verdict.html."""

    kind: str
    headline: str
    explanation: str


@dataclass(frozen=True)
class TestResult:
    """Everything the page shows of a test."""

    headline: str
    tubs: Sequence[TubResult]
    verdicts: Sequence[Verdict]
    cautions: Sequence[str]
    chart_title: str
    working: Working | None


@dataclass(frozen=True)
class TubNow:
    """A tub as the reading page shows it."""

    tub: Tub
    readings: int
    last: TubReading | None
    last_value: Decimal | None


def tubs_now(test: ClearingTest) -> list[TubNow]:
    """The tubs in their order, each with its last standing reading."""
    found = []
    for tub in _tubs_of([test])[test.pk]:
        standing = [reading for reading in tub.readings.all() if reading.voided_at is None]
        values = [reading.value for reading in standing if reading.value is not None]
        found.append(
            TubNow(tub, len(standing), standing[-1] if standing else None, values[-1] if values else None)
        )
    return found


def test_result(test: ClearingTest) -> TestResult:
    """What the test says so far; without a target or a figure it tells what was read and claims nothing."""
    return test_results([test])[0]


def test_results(tests: Collection[ClearingTest]) -> list[TestResult]:
    """The same of each of these tests, their tubs and readings read together."""
    tubs_of = _tubs_of(tests)
    return [_result(test, [tub_result(test, tub) for tub in tubs_of[test.pk]]) for test in tests]


def _result(test: ClearingTest, tubs: list[TubResult]) -> TestResult:
    judged = [tub for tub in tubs if tub.reached is not None]
    against = against_control(judged)
    return TestResult(
        headline=_headline(test, tubs, judged),
        tubs=tubs,
        verdicts=[_verdict(name, found) for name, found in against.items()],
        cautions=cautions_of(test, tubs),
        chart_title=CHART_TITLES[test.measure],
        working=_working(test, judged, against) if judged else None,
    )


def additives_of(test: ClearingTest) -> list[Additive]:
    """What is put to the test, each additive once."""
    return list(Additive.objects.filter(pk__in=test.tubs.values("additive")))


def _tubs_of(tests: Collection[ClearingTest]) -> dict[int, list[Tub]]:
    tubs = Tub.objects.filter(test__in=tests).select_related("test", "additive", "settled_mud__panner")
    found: dict[int, list[Tub]] = defaultdict(list)
    for tub in tubs.prefetch_related("readings__photo"):
        found[tub.test_id].append(tub)
    return found


def tub_result(test: ClearingTest, tub: Tub) -> TubResult:
    """What was seen of one tub of this test."""
    readings = list(tub.readings.all())
    looks = [
        Look(float(reading.minutes), float(reading.value), reading.beyond)
        for reading in readings
        if reading.voided_at is None and reading.value is not None
    ]
    reached = None
    if looks and test.target is not None:
        reached = first_reached(looks, float(test.target), rises=test.rises)
    curve = turbidity_curve(looks) if looks and test.measure == Measure.TURBIDITY else None
    return TubResult(
        tub=tub,
        label=str(tub),
        is_control=tub.is_control,
        looks=looks,
        readings=readings,
        reached=reached,
        curve=curve,
        sentence=_sentence(test, tub, looks, reached),
        curve_sentence=_curve_sentence(test, reached, curve),
    )


def target_words(test: ClearingTest) -> str:
    """The target of a test that has one, in words."""
    target = numeral(test.target.normalize(), "f")
    return {
        Measure.CLEAR_MM: f"{target} mm of clear water",
        Measure.SIGHT_CM: f"{target} cm of sight",
        Measure.TURBIDITY: f"{target} NTU",
    }[test.measure]


def _headline(test: ClearingTest, tubs: Sequence[TubResult], judged: Sequence[TubResult]) -> str:
    if not any(tub.readings for tub in tubs):
        return "Nothing has been read yet."
    if test.measure == Measure.PHOTO:
        return "Read by photo only: look at the pictures below. There is no figure to compare."
    if test.target is None:
        return "No target was set, so no tub can be called clear enough. The readings stand below."
    there = [tub for tub in judged if tub.reached.reached]
    short = [tub for tub in judged if not tub.reached.reached]
    said = f"{len(there)} of {len(judged)} tubs {'was' if len(there) == 1 else 'were'} seen at {target_words(test)}"
    if there:
        fastest = min(there, key=lambda tub: tub.reached.by_min)
        said += f", {fastest.label} first ({fastest.tub.holds}), at the look at {numeral(fastest.reached.by_min, 'g')} min"
    if short:
        watched = max(tub.reached.watched_min for tub in short)
        names = ", ".join(f"{tub.label} ({tub.tub.holds})" for tub in short)
        said += f"; not within the {numeral(watched, 'g')} min watched: {names}"
    return f"{said}."


def _sentence(test: ClearingTest, tub: Tub, looks: Sequence[Look], reached: Reached | None) -> str:
    if not looks:
        return "Not read." if test.measure != Measure.PHOTO else ""
    if reached is None:
        more = "more than " if looks[-1].beyond else ""
        return f"Last read {more}{numeral(looks[-1].value, 'g')} {test.unit} at {numeral(looks[-1].minutes, 'g')} min."
    if reached.reached:
        since = (
            "already at the first look"
            if reached.after_min is None
            else f"after the look at {numeral(reached.after_min, 'g')} min"
        )
        said = f"Seen at {target_words(test)} by {numeral(reached.by_min, 'g')} min, {since}."
        return said if reached.stayed else f"{said} A later look fell short of it again."
    untold = " The scale ended too early to tell at some looks." if reached.untold else ""
    return (
        f"Not seen at {target_words(test)} within the {numeral(reached.watched_min, 'g')} min watched: it takes "
        f"longer than that.{untold}"
    )


def _curve_sentence(test: ClearingTest, reached: Reached | None, curve: Curve | None) -> str:
    """How fast it cleared where a rate fits, and whether it would ever get to the target."""
    short = reached is not None and not reached.reached
    unknown = " Whether it ever gets there this test does not say." if short else ""
    if curve is None or curve.rate_per_min is None:
        return f"{curve.why_not if curve else ''}{unknown}".strip()
    said = (
        f"Half of what clears is gone every {figure(curve.half_life_min)} min "
        f"(rate {figure(curve.rate_per_min)} per minute, 95 % interval {figure(curve.rate_lower)} to "
        f"{figure(curve.rate_upper)})"
    )
    if curve.floor_ntu is None:
        return f"{said}.{unknown}"
    said += f", and it flattens at about {figure(curve.floor_ntu)} NTU"
    if short and float(test.target) <= curve.floor_lower_ntu:
        return f"{said}: if it goes on so, it never comes down to {target_words(test)}."
    return f"{said}.{unknown}"


def _sets(judged: Sequence[TubResult]) -> dict[str, list[TubResult]]:
    """Tubs treated alike: by additive and dose as poured, not by how it was typed."""
    sets: dict[tuple, list[TubResult]] = {}
    for tub in judged:
        sets.setdefault((tub.tub.additive_id, tub.tub.ml_per_l), []).append(tub)
    return {tubs[0].tub.holds: tubs for tubs in sets.values()}


def against_control(judged: Sequence[TubResult]) -> dict[str, AgainstControl]:
    """Each set of a test's tubs treated alike, by what they hold, against those without additive; empty without either."""
    sets = _sets(judged)
    control = next((name for name, tubs in sets.items() if tubs[0].is_control), None)
    if control is None or len(sets) < 2:
        return {}
    return compare_with_control({name: [tub.reached for tub in tubs] for name, tubs in sets.items()}, control)


def _verdict(name: str, found: AgainstControl) -> Verdict:
    tubs = f"{found.tubs} tub{'' if found.tubs == 1 else 's'} against {found.control_tubs} of the control"
    needed = f"With {found.tubs_needed} tubs of each, filled with the same water, a difference could show at this level."
    if found.kind == "better":
        return Verdict("better", f"{name} clears faster than the control", f"{tubs}. {_chance_words(found)}")
    if found.kind == "worse":
        return Verdict("worse", f"{name} clears slower than the control", f"{tubs}. {_chance_words(found)}")
    headline = f"Whether {name} clears faster than the control is not shown"
    if min(found.tubs, found.control_tubs) < 2:
        return Verdict(
            "not_shown",
            headline,
            f"{tubs}: one tub tells nothing of how much two tubs treated alike differ, so no claim is made. {needed}",
        )
    if found.chance is None:
        return Verdict("not_shown", headline, f"{tubs}; none got there while others were watched. {needed}")
    return Verdict("not_shown", headline, f"{tubs}. {_chance_words(found)} {needed}")


def _chance_words(found: AgainstControl) -> str:
    return (
        f"Dealt out by lot alone, tubs would part at least so far in {figure(found.chance * 100, 2)} of 100 deals; "
        f"a difference is called shown below {figure(found.level * 100, 2)}."
    )


def cautions_of(test: ClearingTest, tubs: Sequence[TubResult]) -> list[str]:
    """What to mind when this test is read."""
    said = []
    if not any(tub.is_control for tub in tubs):
        said.append(
            "No tub stands without additive: what clears here may have cleared by itself. Nothing is claimed of any additive."
        )
    unread = [tub.label for tub in tubs if not tub.readings]
    if unread and len(unread) < len(tubs):
        said.append(f"Left out, for nobody has read it: {', '.join(unread)}.")
    if test.ended_at is None and any(tub.readings for tub in tubs):
        said.append("The test is still being watched; this is how it stands so far.")
    return said


def _working(test: ClearingTest, judged: Sequence[TubResult], against: dict[str, AgainstControl]) -> Working:
    rows = [
        WorkingRow(
            label=f"{tub.label}: {tub.tub.holds}",
            formula=f"first look {'at or above' if test.rises else 'at or below'} {target_words(test)}",
            inputs=tuple(
                (
                    f"at {numeral(look.minutes, 'g')} min",
                    f"{'more than ' if look.beyond else ''}{numeral(look.value, 'g')}",
                    test.unit,
                    tub.tub.get_absolute_url(),
                )
                for look in tub.looks
            ),
            value=f"by {numeral(tub.reached.by_min, 'g')}"
            if tub.reached.reached
            else f"over {numeral(tub.reached.watched_min, 'g')}",
            unit="min",
            source=SOURCES["steps"],
        )
        for tub in judged
    ]
    rows += [
        WorkingRow(
            label=f"{tub.label}: how fast it cleared",
            formula="NTU = floor + a exp(-k t)" if tub.curve.floor_ntu else "ln NTU = ln A - k t",
            inputs=(("readings", str(tub.curve.readings), "", ""),),
            value=figure(tub.curve.rate_per_min),
            unit="per minute",
            source=SOURCES["first_order"],
        )
        for tub in judged
        if tub.curve is not None and tub.curve.rate_per_min is not None
    ]
    rows += [
        WorkingRow(
            label=f"{name} against the control",
            formula=f"{numeral(LEVEL, 'g')} shared out over {len(against)} comparison{'' if len(against) == 1 else 's'}",
            inputs=(
                ("tubs", str(found.tubs), "", ""),
                ("control tubs", str(found.control_tubs), "", ""),
            ),
            value=figure(found.chance, 2) if found.chance is not None else "",
            source=SOURCES["log_rank"],
        )
        for name, found in against.items()
        if found.chance is not None
    ]
    assumptions = (
        "All tubs hold the same well-stirred water, to the same depth, at one temperature, and are read at the same place.",
        "Minutes count from the moment each tub was stirred last, by the phone's clock.",
        "A tub short of the target at its last look is counted as taking longer than that.",
    )
    if test.measure != Measure.TURBIDITY:
        assumptions += (
            "No rate is given: height of clear water and depth of sight do not fall off by halves as turbidity does.",
        )
    return Working(tuple(rows), assumptions)
