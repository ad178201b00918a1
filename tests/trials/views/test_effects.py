"""The page of factors, pace and hands: closed trials of every sort, played once, and what the page says of each."""

import functools
import math
import re
from decimal import Decimal

import pytest
from django.db import connection, transaction
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from prospecting.models import Member, Step
from tests import make
from tests.trials.make_judging import judge
from tests.trials.make_trial import make_additive, make_draft, make_running
from trials.actions import planning
from trials.actions.factors import FactorOf, LevelOf, make_factorial
from trials.calc.verdict import written
from trials.frames.effects import TrialEffects, effects_of
from trials.models import ColourCount, PlannedRun, Run, TailsPan, Trial

# Scatter of runs, by block: everything else in these trials is exact to the tenth of a milligram.
WOBBLE = [1.03, 0.98, 1.01, 0.97, 1.02, 0.99, 1.0, 1.04, 0.96, 1.01, 0.99, 1.02, 0.98]
EYE = {"rinse": 1, "both": 2, "neither": 3, "floc": 4}
FACTOR_OF = {"neither": 1.0, "rinse": 1.6, "floc": 1.0, "both": 1.05}


def dose(name: str, *doses: str) -> FactorOf:
    levels = [LevelOf("none"), *(LevelOf(f"{mark} mL/L", Decimal(mark)) for mark in doses)]
    return FactorOf(name=name, kind="dose", levels=levels, additive=make_additive(name))


def way(name: str, *levels: str) -> FactorOf:
    return FactorOf(name=name, kind="gear", levels=[LevelOf(level) for level in levels])


def planned_factorial(factors, *, blocks: int, **fields) -> Trial:
    trial = make_draft(names=(), blocks=blocks, lot=make.make_lot("90000", is_dry=True), **fields)
    trial = make_factorial(trial=trial, factors=factors, recorded_by=trial.recorded_by)
    return planning.fix_plan(trial=trial, planned_by=trial.recorded_by)


def planned_gear(blocks: int) -> Trial:
    trial = make_draft(names=(), blocks=blocks)
    for name, technique in (("steel pan", ""), ("riffled pan", "riffled, quick shake")):
        planning.add_treatment(
            trial=trial,
            name=name,
            is_control=not technique,
            technique=technique,
            doses=[],
            recorded_by=trial.recorded_by,
        )
    return planning.fix_plan(trial=trial, planned_by=trial.recorded_by)


def cell_of(planned: PlannedRun) -> str:
    name = planned.treatment.name
    rinse, floc = "Rinse none" not in name, "Floc none" not in name
    return {(0, 0): "neither", (1, 0): "rinse", (0, 1): "floc", (1, 1): "both"}[int(rinse), int(floc)]


def turn(planned: PlannedRun) -> int:
    """A number that hangs on the plan alone, not on the order its seed drew."""
    return 5 * planned.treatment.position + 3 * planned.block.number


def wobble(planned: PlannedRun) -> float:
    return WOBBLE[turn(planned) % len(WOBBLE)] * (1 + planned.block.number / 10)


def play(trial: Trial, panners, gold, **of_run) -> Trial:
    """Enter every run and close the trial."""
    enter(trial, panners, gold, **of_run)
    return closed(trial)


def closed(trial: Trial) -> Trial:
    by = trial.recorded_by
    trial.blocks.update(closed_at=timezone.now(), closed_by=by)
    Trial.objects.filter(pk=trial.pk).update(state="closed", closed_at=timezone.now(), closed_by=by)
    return Trial.objects.for_detail().get(pk=trial.pk)


def enter(trial: Trial, panners, gold, **of_run) -> None:
    """Enter every run straight into the books: what a run's form asks is tested elsewhere.

    `gold` gives mg, whole colours, or fields of a run without either; `of_run` gives further fields.
    """
    plan = list(trial.planned_runs.select_related("treatment", "block"))
    by = trial.recorded_by
    steps = Step.objects.bulk_create(
        Step(kind=Step.Kind.RECOVER, done_on=make.DAY, recorded_by=by) for _ in plan
    )
    runs, colours = [], []
    for planned, step in zip(plan, steps, strict=True):
        given = gold(planned)
        fields = {name: of(planned) for name, of in of_run.items()}
        if isinstance(given, dict):
            fields |= given
        elif isinstance(given, float):
            fields |= {"gold_mg": Decimal(f"{given:.1f}"), "scale_step_mg": Decimal("0.1")}
        run = Run(
            planned=planned,
            lot=trial.feed_lot,
            step=step,
            portion_mass_g=Decimal(454),
            portion_typed="454 g",
            panned_on=make.DAY,
            panner=panners(planned),
            recorded_by=by,
            **fields,
        )
        runs.append(run)
        if isinstance(given, int):
            colours.append(ColourCount(run=run, size_class="fine", count=given))
    Run.objects.bulk_create(runs)
    ColourCount.objects.bulk_create(colours)


class Story:
    """One trial of each sort."""

    def __init__(self) -> None:
        one, two = (make.make_member(first_name=name) for name in ("Ash", "Birch"))
        self.one, self.two = one, two
        one_pans = lambda planned: one  # noqa: E731
        turns = lambda planned: (one, two)[turn(planned) % 2]  # noqa: E731
        by_block = lambda planned: (one, two)[planned.block.number % 2]  # noqa: E731
        by_pan = lambda planned: one if planned.treatment.is_control else two  # noqa: E731

        def gold(planned):
            return 10 * FACTOR_OF[cell_of(planned)] * wobble(planned)

        self.hinder = play(
            planned_factorial([dose("Rinse", "0.1"), dose("Floc", "0.05")], blocks=6),
            turns,
            gold,
            pan_min=lambda planned: Decimal(12 + turn(planned) % 3),
        )
        for planned in self.hinder.planned_runs.select_related("treatment", "block", "run"):
            lost = {"neither": 0.4, "rinse": 0.2, "floc": 0.3, "both": 0.17}[cell_of(planned)]
            mg = float(planned.run.gold_mg) * lost / (1 - lost) * (0.97 + 0.02 * (turn(planned) % 4))
            TailsPan.objects.create(
                run=planned.run,
                panned_on=make.DAY,
                panner=one,
                gold_mg=Decimal(f"{mg:.1f}"),
                scale_step_mg=Decimal("0.1"),
                recorded_by=one,
            )

        def odd(planned):
            if planned.block.number == 1 and planned.treatment.is_control:
                return {"failed": True, "fail_reason": "tub tipped over"}
            if planned.block.number == 2 and cell_of(planned) == "both" and "0.2" in planned.treatment.name:
                return {"below_scale": True, "scale_step_mg": Decimal("0.1")}
            # Scatters so widely that nothing can be shown.
            return 4 * wobble(planned) * (0.5 + turn(planned) % 7 / 4)

        self.odd = play(
            planned_factorial([dose("Rinse", "0.1", "0.2"), dose("Floc", "0.05")], blocks=5), one_pans, odd
        )
        self.three = play(
            planned_factorial(
                [dose("Rinse", "0.1"), way("pan", "steel", "riffled"), way("riffle", "low", "high")], blocks=3
            ),
            one_pans,
            lambda planned: 9 * (1.5 if "Rinse none" not in planned.treatment.name else 1) * wobble(planned),
        )
        self.below = play(
            planned_factorial([dose("Rinse", "0.1"), dose("Floc", "0.05")], blocks=2),
            one_pans,
            lambda planned: {"below_scale": True, "scale_step_mg": Decimal("0.1")},
        )
        self.colours = play(
            planned_factorial(
                [dose("Rinse", "0.1"), dose("Floc", "0.05")], blocks=4, outcome=Trial.Outcome.COLOURS
            ),
            one_pans,
            lambda planned: round(90 * FACTOR_OF[cell_of(planned)] * wobble(planned)),
        )
        self.gear = play(
            planned_gear(6),
            by_block,
            lambda planned: 10 * (1.0 if planned.treatment.is_control else 0.75) * wobble(planned),
            pan_min=lambda planned: Decimal(20 if planned.treatment.is_control else 9),
        )
        self.each_his_own = play(planned_gear(3), by_pan, lambda planned: 10 * wobble(planned))
        rows = planned_factorial(
            [dose("Rinse", "0.1"), dose("Floc", "0.05")], blocks=3, outcome=Trial.Outcome.PLACES
        )
        enter(rows, one_pans, lambda planned: {})
        for block in rows.blocks.all():
            judge(block, lambda row: {planned: EYE[cell_of(planned)] for planned in row}, member=one)
        self.places = closed(rows)
        self.running = make_running(blocks=2)
        self.draft = make_draft(blocks=2)


@pytest.fixture(scope="module")
def story(django_db_setup, django_db_blocker):
    """Played once for this module, and taken back at its end."""
    with django_db_blocker.unblock(), transaction.atomic():
        yield Story()
        transaction.set_rollback(True)


@functools.cache
def found_in(trial: Trial) -> TrialEffects:
    return effects_of(trial, "g_per_t")


def totals(trial: Trial) -> dict[str, float]:
    sums = dict.fromkeys(FACTOR_OF, 0.0)
    for planned in trial.planned_runs.select_related("treatment", "run"):
        sums[cell_of(planned)] += float(planned.run.gold_mg)
    return sums


def words(html: str) -> str:
    main = html.partition("<main")[2].partition(">")[2].partition("<footer")[0]
    return " ".join(re.sub(r"<[^>]+>", " ", main).split())


def read(member: Member, trial: Trial) -> str:
    client = Client()
    client.force_login(member)
    answer = client.get(reverse("trial-effects", args=[trial.pk]))
    assert answer.status_code == 200
    return answer.content.decode()


@pytest.mark.django_db
def test_additives_that_hinder_each_other_are_said_to_and_their_averages_are_not_the_answer(story):
    factors = found_in(story.hinder).factors
    # In complete blocks the expected gold of a combination goes as its total.
    sums = totals(story.hinder)
    together = sums["both"] * sums["neither"] / sums["rinse"] / sums["floc"]
    [pair] = factors.cards
    assert pair.headline == "Rinse and Floc together recover less than each alone would lead one to expect."
    assert pair.explanation.startswith(f"{together:.2g} times (")
    assert "95 % interval" in pair.explanation
    assert f"Rinse gave {sums['rinse'] / sums['neither']:.2g} times" in pair.explanation
    [both] = factors.both_cards
    assert both.headline == "Rinse with Floc recovers less than the better one alone."
    assert both.explanation.startswith(f"{sums['both'] / sums['rinse']:.2g} times as much as Rinse alone")
    rinse, floc = factors.main_cards
    assert rinse.headline == "Rinse recovers more than doing without it, averaged over Floc."
    assert rinse.careful.startswith("Not the answer by itself, for it hangs on Floc: ")
    assert f"{written(sums['both'] / sums['floc'])} times with Floc" in rinse.careful
    assert floc.careful.startswith("Not the answer by itself, for it hangs on Rinse: ")
    effect = {row.name: float(row.ratio) for row in factors.effects}
    assert effect["Rinse with Floc, beyond each"] == pytest.approx(together, rel=0.005)
    average = math.sqrt(sums["rinse"] / sums["neither"] * sums["both"] / sums["floc"])
    assert effect["Rinse against no Rinse"] == pytest.approx(average, rel=0.005)
    [row] = factors.together
    assert float(row.seen.split()[0]) == pytest.approx(sums["both"] / 6, rel=0.005)
    expected = sums["rinse"] * sums["floc"] / sums["neither"] / 6
    assert float(row.multiplied.split()[0]) == pytest.approx(expected, rel=0.005)
    assert float(row.added) == pytest.approx((sums["rinse"] + sums["floc"] - sums["neither"]) / 6, rel=0.005)
    assert {(row.counted, row.planned) for row in factors.cells} == {(6, 6)}
    assert factors.notes == []


@pytest.mark.django_db
def test_shares_of_the_gold_otherwise_lost_need_tails_of_every_run(story):
    lost = " ".join(found_in(story.hinder).factors.losses)
    assert "Without either, 40 % of the gold found was left in the tails" in lost
    # Independent chances: 1 - (0.2 / 0.4) (0.3 / 0.4) = 62.5 %, the better one alone saves 50 %.
    assert re.search(r"\(independent chances, Bliss\), they would have saved 6[123] %", lost)
    assert re.search(r"The better one alone saved (49|50|51) %", lost)
    assert "95 % interval" in lost
    colours = found_in(story.colours).factors
    assert colours.losses == []
    assert "no tails of these runs were panned again, so there is no ceiling" in colours.no_losses


@pytest.mark.django_db
def test_failed_and_unweighable_runs_are_said_and_least_squares_named(story):
    found = found_in(story.odd)
    factors, notes = found.factors, " ".join(found.factors.notes)
    assert "from 4 to 5 runs that count: effects are least-squares ones" in notes
    assert "1 of 29 runs came out below the scale. They count as anything from nothing to 0.1 mg" in notes
    assert [line.left_out for line in found.left_out] == ["tub tipped over"]
    assert "1 run is left out" in " ".join(found.cautions)
    # Two doses against none, judged together, and two combinations with floc.
    assert [card.headline.partition(" against")[0] for card in factors.main_cards[:2]] == [
        "Rinse 0.1 mL/L",
        "Rinse 0.2 mL/L",
    ]
    assert len(factors.both_cards) == len(factors.together) == 2
    [pair] = factors.cards
    assert pair.headline == "Not shown that Rinse and Floc help or hinder each other."
    assert "could have seen them help or hinder each other by" in pair.explanation
    assert re.search(r"more blocks? would see 1\.25 times", pair.explanation)
    [plot] = factors.plots
    assert sum(len(point.values) + point.below for _, points in plot.series for point in points) == 29


@pytest.mark.django_db
def test_three_factors_say_of_all_three_only_that_they_check(story):
    factors = found_in(story.three).factors
    assert [card.kind for card in factors.main_cards] == ["more", "within", "within"]
    assert len(factors.cards) == len(factors.plots) == 3
    assert "averaged over riffle" in factors.cards[0].headline
    assert "only a check for mistakes" in factors.three
    assert factors.both_cards == factors.together == []
    assert len(factors.parts) == 12


@pytest.mark.django_db
def test_colours_are_spoken_of_as_colours(story):
    factors = found_in(story.colours).factors
    assert factors.cards[0].headline == (
        "Rinse and Floc together show fewer colours than each alone would lead one to expect."
    )
    assert "More colours is not the same as more gold" in " ".join(factors.notes)
    assert factors.unit == "colours"
    assert {row.grade for row in factors.cells} == {""}


@pytest.mark.django_db
def test_places_give_mean_places_by_level_and_no_claim(story):
    found = found_in(story.places)
    factors = found.factors
    assert "they give the order of pans, not how much gold" in factors.refused
    # Rinse alone and with floc: (1 + 2) / 2; floc alone and with the rinse: (4 + 2) / 2.
    places = {(row.factor, row.level): row.mean_place for row in factors.places}
    assert places["Rinse", "0.1 mL/L"] == "1.5"
    assert places["Rinse", "none"] == "3.5"
    assert places["Floc", "0.05 mL/L"] == "3"
    assert {row.pans for row in factors.places} == {6}
    assert factors.cards == factors.main_cards == factors.plots == []
    assert found.hour is None


@pytest.mark.django_db
def test_nothing_on_the_scale_gives_a_sentence_and_no_picture(story):
    factors = found_in(story.below).factors
    assert "8 of 8 runs came out below the scale: too many for a ratio" in factors.refused
    assert factors.cards == factors.plots == factors.bars == []
    assert {row.mean for row in factors.cells} == {"below the scale"}


@pytest.mark.django_db
def test_faster_but_less_from_each_portion_is_said_with_both_ratios(story):
    hour = found_in(story.gear).hour
    [card] = hour.cards
    sums = {True: 0.0, False: 0.0}
    for planned in story.gear.planned_runs.select_related("treatment", "run"):
        sums[planned.treatment.is_control] += float(planned.run.gold_mg)
    portion = sums[False] / sums[True]
    assert card.headline == (
        f"riffled pan: {portion:.2g} times the gold of a portion, {portion * 20 / 9:.2g} times the gold of an hour."
    )
    assert "Faster, but less gold from each portion" in card.explanation
    assert card.explanation.count("95 % interval") == 2
    control, riffled = hour.rows
    assert (control.minutes, riffled.minutes, riffled.timed) == ("20", "9", "6 of 6")
    assert "planned to be judged by gold of a portion" in " ".join(hour.notes)
    assert "can't be said" in found_in(story.each_his_own).hour.refused
    by_factor = found_in(story.hinder).hour
    assert [card.headline.partition(":")[0] for card in by_factor.cards] == [
        "Rinse against no Rinse",
        "Floc against no Floc",
    ]
    assert {row.hour_ratio for row in by_factor.rows} == {""}
    assert all(row.hour and row.minutes for row in by_factor.rows)
    assert found_in(story.colours).hour is None


@pytest.mark.django_db
def test_a_hand_that_is_one_with_a_treatment_is_an_alarm_and_one_with_a_block_a_sentence(story):
    own = found_in(story.each_his_own).panners
    assert "can't be told apart" in own.alarm
    assert own.rows == []
    by_block = found_in(story.gear).panners
    assert by_block.alarm == ""
    assert any("not to be known from these runs" in sentence for sentence in by_block.sentences)
    assert by_block.rows == []
    # Within blocks each hand still compares the pans: three blocks each.
    [row] = by_block.differences
    assert (row.runs, row.word) == ("3", "within the margin")
    assert re.search(
        r"A difference of 1\.\d+ times or more could have been seen", " ".join(by_block.sentences)
    )
    assert found_in(story.colours).panners is None


@pytest.mark.django_db
def test_hands_are_compared_by_name_with_treatment_and_block_taken_out(story):
    panners = found_in(story.hinder).panners
    assert {panners.against, *(row.name for row in panners.rows)} == {str(story.one), str(story.two)}
    [row] = panners.rows
    low, high = map(float, row.interval.split(" to "))
    # Nobody's hand does anything in this trial.
    assert low < 1 < high
    assert "within the stated margin" in " ".join(panners.sentences)


@pytest.mark.django_db
def test_the_page_says_first_draws_then_and_shows_its_working(story):
    page = read(make.make_member("guest"), story.hinder)
    text = words(page)
    order = [
        "What the factors do together",
        "together recover less",
        "Does it pay to do both?",
        "both, had their ratios multiplied",
        "Both together, mg a portion",
        "Each factor, averaged over the other",
        "Of the gold otherwise lost",
        "Show the working",
        "Gold by the hour",
        "One panner and another",
        "The 24 runs all this is made from",
        "Where this gold came from",
    ]
    places = [text.find(part) for part in order]
    assert -1 not in places
    assert places == sorted(places)
    assert page.count('<figure class="figure">') == 3
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    assert "style=" not in page.partition("<main")[2]
    run = story.hinder.planned_runs.first().run
    assert f'href="{run.get_absolute_url()}"' in page


@pytest.mark.django_db
def test_no_page_holds_a_nonsense_figure_and_each_costs_few_queries(story, client):
    member = make.make_member("guest")
    client.force_login(member)
    trials = [
        story.hinder,
        story.odd,
        story.three,
        story.below,
        story.colours,
        story.gear,
        story.each_his_own,
    ]
    for trial in [*trials, story.places, story.running]:
        with CaptureQueriesContext(connection) as queries:
            text = words(client.get(reverse("trial-effects", args=[trial.pk])).content.decode())
        assert len(queries) <= 20, trial
        assert not re.search(r"\bnan\b|\binf\b|\bNone\b(?! of the)", text), text


@pytest.mark.django_db
def test_what_was_reckoned_is_kept_until_a_record_changes(story, client):
    client.force_login(make.make_member("guest"))
    url = reverse("trial-effects", args=[story.gear.pk])
    client.get(url)
    with CaptureQueriesContext(connection) as queries:
        before = client.get(url).content.decode()
    assert len(queries) <= 14
    assert "riffled pan: 0.75 times" in words(before)
    story.gear.treatments.filter(name="riffled pan").update(name="ridged pan")
    assert "ridged pan: 0.75 times" in words(client.get(url).content.decode())


@pytest.mark.django_db
def test_a_running_trial_says_only_how_many_runs_are_in(story):
    page = words(read(make.make_member(), story.running))
    assert "0 of 4 runs are in." in page
    assert "rinse" not in page


@pytest.mark.django_db
def test_a_draft_leads_back_and_nobody_posts(story, client):
    client.force_login(make.make_member())
    answer = client.get(reverse("trial-effects", args=[story.draft.pk]))
    assert (answer.status_code, answer["Location"]) == (302, story.draft.get_absolute_url())
    assert client.post(reverse("trial-effects", args=[story.hinder.pk])).status_code == 405
    assert Client().get(reverse("trial-effects", args=[story.hinder.pk])).status_code == 302
