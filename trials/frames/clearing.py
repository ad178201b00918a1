"""What a clearing test says, tub by tub and against its control, read in a few queries; and how its tubs stand now."""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase, phrase_counted
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
    Measure.CLEAR_MM: gettext_lazy("How high did clear water stand above the cloud?"),
    Measure.SIGHT_CM: gettext_lazy("How deep could one see?"),
    Measure.TURBIDITY: gettext_lazy("How cloudy was each tub?"),
    Measure.PHOTO: "",
}
SOURCES = {
    "steps": gettext_lazy(
        "Looks are steps: a tub clear at one look got clear some time since the look before."
    ),
    "first_order": gettext_lazy(
        "First-order clearing, ln(turbidity) on time by least squares; with a floor where readings show one."
    ),
    "log_rank": gettext_lazy(
        "Log-rank test (Mantel 1966; Peto and Peto 1972, from memory), counted over all ways to deal the tubs out."
    ),
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
    against: Mapping[str, AgainstControl]
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
        against=against,
        verdicts=[_verdict(name, found) for name, found in against.items()],
        cautions=cautions_of(test, tubs),
        chart_title=str(CHART_TITLES[test.measure]),
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
        Measure.CLEAR_MM: phrase("{target} mm of clear water", target=target),
        Measure.SIGHT_CM: phrase("{target} cm of sight", target=target),
        Measure.TURBIDITY: f"{target} NTU",
    }[test.measure]


def _headline(test: ClearingTest, tubs: Sequence[TubResult], judged: Sequence[TubResult]) -> str:
    if not any(tub.readings for tub in tubs):
        return phrase("Nothing has been read yet.")
    if test.measure == Measure.PHOTO:
        return phrase("Read by photo only: look at the pictures below. There is no figure to compare.")
    if test.target is None:
        return phrase("No target was set, so no tub can be called clear enough. The readings stand below.")
    there = [tub for tub in judged if tub.reached.reached]
    short = [tub for tub in judged if not tub.reached.reached]
    said = phrase_counted(
        "{number} of {tubs} tubs was seen at {target}",
        "{number} of {tubs} tubs were seen at {target}",
        len(there),
        tubs=len(judged),
        target=target_words(test),
    )
    if there:
        fastest = min(there, key=lambda tub: tub.reached.by_min)
        said = phrase(
            "{said}, {tub} first ({holds}), at the look at {minutes} min",
            said=said,
            tub=fastest.label,
            holds=fastest.tub.holds,
            minutes=numeral(fastest.reached.by_min, "g"),
        )
    if short:
        said = phrase(
            "{said}; not within the {minutes} min watched: {tubs}",
            said=said,
            minutes=numeral(max(tub.reached.watched_min for tub in short), "g"),
            tubs=", ".join(f"{tub.label} ({tub.tub.holds})" for tub in short),
        )
    return f"{said}."


def _sentence(test: ClearingTest, tub: Tub, looks: Sequence[Look], reached: Reached | None) -> str:
    if not looks:
        return phrase("Not read.") if test.measure != Measure.PHOTO else ""
    if reached is None:
        return phrase(
            "Last read {value} {unit} at {minutes} min.",
            value=_value(looks[-1]),
            unit=test.unit,
            minutes=numeral(looks[-1].minutes, "g"),
        )
    if reached.reached:
        said = phrase(
            "Seen at {target} by {minutes} min, {since}.",
            target=target_words(test),
            minutes=numeral(reached.by_min, "g"),
            since=phrase("already at the first look")
            if reached.after_min is None
            else phrase("after the look at {minutes} min", minutes=numeral(reached.after_min, "g")),
        )
        later = phrase("A later look fell short of it again.")
        return said if reached.stayed else f"{said} {later}"
    said = phrase(
        "Not seen at {target} within the {minutes} min watched: it takes longer than that.",
        target=target_words(test),
        minutes=numeral(reached.watched_min, "g"),
    )
    untold = phrase("The scale ended too early to tell at some looks.")
    return f"{said} {untold}" if reached.untold else said


def _value(look: Look) -> str:
    value = numeral(look.value, "g")
    return phrase("more than {value}", value=value) if look.beyond else value


def _curve_sentence(test: ClearingTest, reached: Reached | None, curve: Curve | None) -> str:
    """How fast it cleared where a rate fits, and whether it would ever get to the target."""
    short = reached is not None and not reached.reached
    unknown = phrase("Whether it ever gets there this test does not say.") if short else ""
    if curve is None or curve.rate_per_min is None:
        return " ".join(filter(None, [curve.why_not if curve else "", unknown]))
    said = phrase(
        "Half of what clears is gone every {minutes} min (rate {rate} per minute, 95 % interval {low} to {high})",
        minutes=figure(curve.half_life_min),
        rate=figure(curve.rate_per_min),
        low=figure(curve.rate_lower),
        high=figure(curve.rate_upper),
    )
    if curve.floor_ntu is not None:
        said = phrase(
            "{said}, and it flattens at about {floor} NTU", said=said, floor=figure(curve.floor_ntu)
        )
        if short and float(test.target) <= curve.floor_lower_ntu:
            return phrase(
                "{said}: if it goes on so, it never comes down to {target}.",
                said=said,
                target=target_words(test),
            )
    return " ".join(filter(None, [f"{said}.", unknown]))


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
    tubs = phrase_counted(
        "{number} tub against {control} of the control",
        "{number} tubs against {control} of the control",
        found.tubs,
        control=found.control_tubs,
    )
    needed = phrase(
        "With {tubs} tubs of each, filled with the same water, a difference could show at this level.",
        tubs=found.tubs_needed,
    )
    if found.kind == "better":
        return Verdict(
            "better",
            phrase("{dose} clears faster than the control", dose=name),
            f"{tubs}. {_chance_words(found)}",
        )
    if found.kind == "worse":
        return Verdict(
            "worse",
            phrase("{dose} clears slower than the control", dose=name),
            f"{tubs}. {_chance_words(found)}",
        )
    headline = phrase("Whether {dose} clears faster than the control is not shown", dose=name)
    if min(found.tubs, found.control_tubs) < 2:
        alone = phrase(
            "{tubs}: one tub tells nothing of how much two tubs treated alike differ, so no claim is made.",
            tubs=tubs,
        )
        return Verdict("not_shown", headline, f"{alone} {needed}")
    if found.chance is None:
        none = phrase("{tubs}; none got there while others were watched.", tubs=tubs)
        return Verdict("not_shown", headline, f"{none} {needed}")
    return Verdict("not_shown", headline, f"{tubs}. {_chance_words(found)} {needed}")


def _chance_words(found: AgainstControl) -> str:
    return phrase(
        "Dealt out by lot alone, tubs would part at least so far in {deals} of 100 deals; a difference is called shown below "
        "{level}.",
        deals=figure(found.chance * 100, 2),
        level=figure(found.level * 100, 2),
    )


def cautions_of(test: ClearingTest, tubs: Sequence[TubResult]) -> list[str]:
    """What to mind when this test is read."""
    said = []
    if not any(tub.is_control for tub in tubs):
        said.append(
            phrase(
                "No tub stands without additive: what clears here may have cleared by itself. Nothing is claimed of any additive."
            )
        )
    unread = [tub.label for tub in tubs if not tub.readings]
    if unread and len(unread) < len(tubs):
        said.append(phrase("Left out, for nobody has read it: {tubs}.", tubs=", ".join(unread)))
    if test.ended_at is None and any(tub.readings for tub in tubs):
        said.append(phrase("The test is still being watched; this is how it stands so far."))
    return said


def _working(test: ClearingTest, judged: Sequence[TubResult], against: dict[str, AgainstControl]) -> Working:
    target = target_words(test)
    rows = [
        WorkingRow(
            label=f"{tub.label}: {tub.tub.holds}",
            formula=phrase("first look at or above {target}", target=target)
            if test.rises
            else phrase("first look at or below {target}", target=target),
            inputs=tuple(
                (
                    phrase("at {minutes} min", minutes=numeral(look.minutes, "g")),
                    _value(look),
                    test.unit,
                    tub.tub.get_absolute_url(),
                )
                for look in tub.looks
            ),
            value=phrase("by {minutes}", minutes=numeral(tub.reached.by_min, "g"))
            if tub.reached.reached
            else phrase("over {minutes}", minutes=numeral(tub.reached.watched_min, "g")),
            unit="min",
            source=SOURCES["steps"],
        )
        for tub in judged
    ]
    rows += [
        WorkingRow(
            label=phrase("{tub}: how fast it cleared", tub=tub.label),
            formula=phrase("NTU = floor + a exp(-k t)") if tub.curve.floor_ntu else "ln NTU = ln A - k t",
            inputs=((phrase("readings"), str(tub.curve.readings), "", ""),),
            value=figure(tub.curve.rate_per_min),
            unit=phrase("per minute"),
            source=SOURCES["first_order"],
        )
        for tub in judged
        if tub.curve is not None and tub.curve.rate_per_min is not None
    ]
    rows += [
        WorkingRow(
            label=phrase("{dose} against the control", dose=name),
            formula=phrase_counted(
                "{level} shared out over {number} comparison",
                "{level} shared out over {number} comparisons",
                len(against),
                level=numeral(LEVEL, "g"),
            ),
            inputs=(
                (phrase("tubs"), str(found.tubs), "", ""),
                (phrase("control tubs"), str(found.control_tubs), "", ""),
            ),
            value=figure(found.chance, 2) if found.chance is not None else "",
            source=SOURCES["log_rank"],
        )
        for name, found in against.items()
        if found.chance is not None
    ]
    assumptions = (
        phrase(
            "All tubs hold the same well-stirred water, to the same depth, at one temperature, and are read at the same place."
        ),
        phrase("Minutes count from the moment each tub was stirred last, by the phone's clock."),
        phrase("A tub short of the target at its last look is counted as taking longer than that."),
    )
    if test.measure != Measure.TURBIDITY:
        assumptions += (
            phrase(
                "No rate is given: height of clear water and depth of sight do not fall off by halves as turbidity does."
            ),
        )
    return Working(tuple(rows), assumptions)
