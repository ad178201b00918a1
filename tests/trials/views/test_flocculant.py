"""The page of an additive's clearing and gold, over one story: two clearing tests, a closed trial, a running one, mud."""

import math
import re
from decimal import Decimal

import pytest
from django.db import connection, transaction
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from tests import make
from tests.trials.actions.test_clearing import TEN
from tests.trials.actions.test_mud import found
from tests.trials.make_trial import log, make_additive, make_draft
from trials.actions import clearing, mud, planning, running
from trials.actions.clearing import TubOf
from trials.frames.flocculant import ClearingPage, page_of
from trials.frames.flocculant_books import books_of
from trials.models import Additive, Run, Trial
from trials.views.flocculant import drawn

LOOKS = (10, 20, 40, 60)
# Millimetres of clear water at these looks; the target is 150.
CLEARED = {
    None: (10, 40, 100, 155),
    "0.05": (10, 60, 155, 180),
    "0.1": (50, 160, 180, 190),
    "0.2": (155, 170, 180, 190),
}
NEVER = (5, 20, 60, 100)
# Gold of six blocks in mg: 0.1 mL/L as the control but for chance, 0.2 a third less, 0.4 half.
GOLD = {
    "water": "9.6 10.4 9.9 10.2 10.8 9.3",
    "floc 0.1": "9.5 10.2 10.1 10.0 10.5 9.6",
    "floc 0.2": "6.6 7.1 6.5 7.0 7.3 6.3",
    "floc 0.4": "5.1 5.3 4.8 5.2 5.5 4.6",
}


def cleared(additive: Additive, question: str, tubs: list[tuple], member, *, target="150", **fields):
    """A test whose tubs are (dose or None, millimetres at the looks)."""
    test = clearing.add_clearing_test(
        question=question,
        measure="clear_mm",
        target=target and Decimal(target),
        tubs=[
            TubOf(str(number), additive, Decimal(dose), f"{dose} mL/L") if dose else TubOf(str(number))
            for number, (dose, _) in enumerate(tubs, start=1)
        ],
        recorded_by=member,
        **fields,
    )
    clearing.begin_tubs(tubs=list(test.tubs.all()), began_at=TEN, recorded_by=member)
    for tub, (_, heights) in zip(test.tubs.all(), tubs, strict=True):
        for minutes, height in zip(LOOKS, heights, strict=True):
            clearing.read_tub(tub=tub, minutes=Decimal(minutes), value=Decimal(height), recorded_by=member)
    return test


def planned(additive: Additive, doses: dict[str, str], member, **fields) -> Trial:
    """A running trial of water and these doses of the additive."""
    trial = make_draft(names=("water",), member=member, **fields)
    for name, dose in doses.items():
        of = planning.DoseOf(additive=additive, ml_per_l=Decimal(dose), typed=f"{dose} mL/L")
        planning.add_treatment(
            trial=trial, name=name, is_control=False, technique="", doses=[of], recorded_by=member
        )
    return planning.fix_plan(trial=trial, planned_by=member)


def panned(trial: Trial, gold: dict[str, str], member) -> Trial:
    """All runs logged, "below" for nothing on the scale, and the trial closed."""
    for run in trial.planned_runs.select_related("treatment", "block"):
        weight = gold[run.treatment.name].split()[run.block.number - 1]
        if weight == "below":
            log(run, member, None, below_scale=True)
        else:
            log(run, member, weight)
    for block in trial.blocks.all():
        running.close_block(block=block, closed_by=member)
    trial.refresh_from_db()
    return trial


class Story:
    def __init__(self) -> None:
        self.member = make.make_member()
        self.additive = make_additive("Settle", "flocculant", self.member)
        lot = make.make_lot("60000", member=self.member)
        doses = {"floc 0.1": "0.1", "floc 0.2": "0.2", "floc 0.4": "0.4"}
        self.test = cleared(
            self.additive, "How little clears it?", list(CLEARED.items()), self.member, lot=lot
        )
        self.again = cleared(
            self.additive,
            "The same with the second barrel",
            [(None, NEVER), ("0.2", CLEARED["0.2"]), ("0.1", CLEARED["0.1"])],
            self.member,
        )
        self.trial = panned(
            planned(self.additive, doses, self.member, lot=lot, blocks=6, question="What does it cost?"),
            GOLD,
            self.member,
        )
        for name, weights in {"water": ("0.2", None), "floc 0.2": ("1.1", "1.3")}.items():
            for run, weight in zip(self.runs(name), weights, strict=False):
                told = found(self.member, weight, below_scale=weight is None)
                mud.log_run_mud(run=run, mud=told, recorded_by=self.member)
        tub = self.test.tubs.get(label="4")
        mud.log_tub_mud(tub=tub, mud=found(self.member, "0.7"), recorded_by=self.member)
        self.open_trial = planned(
            self.additive, {"floc 0.3": "0.3"}, self.member, lot=lot, blocks=2, question="And between?"
        )
        self.open_run = log(
            self.open_trial.planned_runs.filter(treatment__is_control=False).first(), self.member, "77.7"
        )
        mud.log_run_mud(run=self.open_run, mud=found(self.member, "55.5"), recorded_by=self.member)

    def runs(self, name: str):
        return Run.objects.filter(planned__trial=self.trial, planned__treatment__name=name).order_by("pk")

    def page(self) -> ClearingPage:
        return page_of(books_of(self.additive))

    @property
    def url(self) -> str:
        return reverse("additive-clearing", args=[self.additive.pk])


@pytest.fixture(scope="module")
def story(django_db_setup, django_db_blocker):
    """Played once for this module, and taken back at its end."""
    with django_db_blocker.unblock(), transaction.atomic():
        yield Story()
        transaction.set_rollback(True)


def at(page: ClearingPage, dose: str):
    return next(line for line in page.lines if line.ml_per_l == Decimal(dose))


def read(member, url: str) -> str:
    client = Client()
    client.force_login(member)
    answer = client.get(url)
    assert answer.status_code == 200
    return answer.content.decode()


def no_nonsense(text: str) -> None:
    assert not re.search(r"\b(nan|inf|None)\b", text)


@pytest.mark.django_db
def test_the_page_opens_to_guests_in_few_queries_and_says_both(story, client):
    client.force_login(make.make_member("guest"))
    for _ in range(2):
        with CaptureQueriesContext(connection) as queries:
            answer = client.get(story.url)
        assert answer.status_code == 200
        assert len(queries) <= 20
    page = answer.content.decode()
    no_nonsense(page)
    assert (
        "Settle at 0.1 mL/L clears the tub at least 40 min sooner; it gives as much gold as the tub without"
        in page
    )
    assert "At 0.2 mL/L it clears the tub at least 50 min sooner and costs" in page
    for each in (story.trial, story.test, story.again, *story.runs("floc 0.2")[:2]):
        assert each.get_absolute_url() in page
    assert reverse("trial-verdict", args=[story.trial.pk]) in page
    assert "never goes into a stream or drain" in page


@pytest.mark.django_db
def test_nothing_of_an_open_trial_is_read(story):
    page = read(story.member, story.url)
    assert "And between?" in page
    assert "77.7" not in page
    assert "55.5" not in page
    assert "0.3 mL/L" not in page


@pytest.mark.django_db
def test_minutes_are_the_middle_of_tests_each_against_its_own_tub_without(story):
    """0.1 mL/L: 60 - 20 in the first test, and in the second clear at 20 while the tub without was not at 60."""
    page = story.page()
    assert at(page, "0.1").sooner.ends == (40, math.inf)
    assert (at(page, "0.1").sooner.low, at(page, "0.1").sooner.high) == (30, None)
    assert [(test.pk, gain.ends) for test, gain in at(page, "0.1").sooner_each] == [
        (story.again.pk, (40, math.inf)),
        (story.test.pk, (40, 40)),
    ]
    assert at(page, "0.05").sooner_text == "about 20 min sooner (from look to look 0 to 40)"
    assert page.without.times == "60 min or longer, middle of 2 tubs in 2 tests (60 to longer than 60 min)"


@pytest.mark.django_db
def test_gold_is_the_trials_own_verdict_turned_into_a_loss(story):
    """Against what the trial's own page is made of."""
    from trials.calc.verdict import judge
    from trials.frames.trial_lines import TrialLines

    lines = TrialLines(story.trial)
    comparison, _ = lines.compare()
    page = story.page()
    for name, dose in [("floc 0.1", "0.1"), ("floc 0.2", "0.2"), ("floc 0.4", "0.4")]:
        verdict, gold = judge(comparison, name, 1.25), at(page, dose).gold
        assert (gold.kind, gold.ratio) == (verdict.kind, comparison.of(name).ratio)
    gold = at(page, "0.2").gold
    assert gold.kind == "worse"
    assert (gold.loss.least, gold.loss.most) == pytest.approx((1 - gold.upper, 1 - gold.lower))
    assert gold.words == (
        f"costs {math.floor(100 * (1 - gold.upper))} to {math.ceil(100 * (1 - gold.lower))} % of the gold (95 % interval)"
    )


@pytest.mark.django_db
def test_only_doses_with_both_known_are_drawn_and_the_others_listed(story):
    page = story.page()
    assert [line.label for line in page.drawn] == ["0.1 mL/L", "0.2 mL/L"]
    assert [line.label for line in page.only_time] == ["0.05 mL/L"]
    assert [line.label for line in page.only_gold] == ["0.4 mL/L"]
    chart = drawn(page)
    assert [point.label for point in chart.points] == ["without", "0.1 mL/L", "0.2 mL/L"]
    assert {line.label: line.mark for line in page.drawn} == {"0.1 mL/L": "best", "0.2 mL/L": "costly"}
    assert "no other dose, nor the tub without, beats 0.1 mL/L and 0.2 mL/L" in page.not_beaten
    assert "0.2 mL/L is shown to cost gold" in page.not_beaten
    assert "what was seen; no test alone shows" in page.not_beaten


@pytest.mark.django_db
def test_gold_in_the_mud_is_counted_below_the_scale_as_bounds(story):
    page = story.page()
    dosed, bare = at(page, "0.2").mud, page.without.mud
    assert (dosed.of_runs.as_gold, dosed.runs, dosed.of_tubs.as_gold) == ("1.2 mg", 2, "0.7 mg")
    # 0.2 mg, and less than a step of 0.1 mg.
    assert bare.of_runs.as_gold == "0.1 to 0.15 mg"
    gold = [run.gold_mg for run in story.runs("floc 0.2")[:2]]
    share = Decimal("2.4") / (sum(gold) + Decimal("2.4"))
    assert dosed.share.low == dosed.share.high
    assert float(dosed.share.low) == pytest.approx(float(share))
    assert any(
        sentence.startswith("Of the ") and "lost from the pan at 0.2 mL/L" in sentence
        for sentence in page.mud
    )


@pytest.mark.django_db
def test_what_is_kept_is_made_anew_when_a_record_changes(story):
    before = books_of(story.additive).all_read()
    assert books_of(story.additive).all_read() == before
    with transaction.atomic():
        reading = story.test.tubs.first().readings.last()
        clearing.void_reading(reading=reading, reason="wrong tub", voided_by=story.member)
        after = books_of(story.additive).all_read()
        assert after != before
        assert "at least" in read(story.member, story.url)
        assert "wrong tub" not in str(before)
        transaction.set_rollback(True)
    run = story.runs("floc 0.2").first()
    with transaction.atomic():
        keeper = make.make_member("keeper")
        mud.correct_mud(
            kept=run.settled_mud, mud=found(keeper, "3.3"), reason="read wrongly", recorded_by=keeper
        )
        assert books_of(story.additive).all_read() != before
        assert "3.3 mg" in read(story.member, story.url)
        transaction.set_rollback(True)


@pytest.mark.django_db
def test_the_same_dose_typed_otherwise_is_joined_and_another_never(story):
    additive, member = make_additive("Other", "flocculant", story.member), story.member
    rows = [(None, CLEARED[None]), ("0.066667", CLEARED["0.1"]), ("0.066668", CLEARED["0.2"])]
    test = cleared(additive, "Drops", rows, member)
    test.tubs.filter(label="2").update(dose_typed="12 drops in 9 L")
    panned(
        planned(additive, {"drops": "0.066667"}, member, blocks=3),
        {"water": "9 10 11", "drops": "7 12 8"},
        member,
    )
    page = page_of(books_of(additive))
    assert [line.label for line in page.lines] == ["0.066667 mL/L", "0.066668 mL/L"]
    assert page.lines[0].named == "0.066667 mL/L (12 drops in 9 L)"
    assert [line.ml_per_l for line in page.drawn] == [Decimal("0.066667")]
    # Three runs of each: nothing is shown, and what could have been seen is said.
    assert page.drawn[0].gold.kind == "not shown"
    assert re.search(
        r"no loss of gold is shown, and a loss of \d+ % or more could have been seen", page.headline
    )


@pytest.mark.django_db
def test_several_trials_of_a_dose_count_by_their_own_ratios(story):
    additive, member = make_additive("Twice", "flocculant", story.member), story.member
    cleared(additive, "Once", [(None, CLEARED[None]), ("0.2", CLEARED["0.2"])], member)
    for scale in (1, 3):
        golds = {"water": "9.6 10.4 9.9 10.2", "dosed": "6.6 7.1 6.5 7.0"}
        golds = {
            name: " ".join(str(Decimal(each) * scale) for each in text.split())
            for name, text in golds.items()
        }
        panned(planned(additive, {"dosed": "0.2"}, member, blocks=4), golds, member)
    with CaptureQueriesContext(connection) as queries:
        books = books_of(additive)
    with CaptureQueriesContext(connection) as of_one:
        books_of(story.additive)
    assert len(queries) == len(of_one) <= 12
    page = page_of(books)
    gold = page.drawn[0].gold
    assert gold.kind == "worse"
    assert gold.ratio == pytest.approx(27.2 / 40.1, rel=0.02)
    assert "2 trials, each against its own control" in gold.explanation
    assert len(page.trials) == 2


@pytest.mark.django_db
def test_a_treatment_with_something_else_in_it_tells_nothing_of_this_additive(story):
    additive, member = make_additive("Mixed", "flocculant", story.member), story.member
    trial = make_draft(names=("water",), member=member, blocks=3)
    doses = [
        planning.DoseOf(additive=each, ml_per_l=Decimal("0.1"), typed="0.1 mL/L")
        for each in (additive, make_additive("Rinse"))
    ]
    planning.add_treatment(
        trial=trial, name="both", is_control=False, technique="", doses=doses, recorded_by=member
    )
    panned(planning.fix_plan(trial=trial, planned_by=member), {"water": "9 10 11", "both": "5 6 7"}, member)
    page = page_of(books_of(additive))
    assert not page.lines
    assert page.others[0][1] == "no treatment of it differs from its control in Mixed alone"
    text = read(member, reverse("additive-clearing", args=[additive.pk]))
    no_nonsense(text)
    assert "No closed trial tells what Mixed alone does" in text


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("name", "kind", "tubs", "gold", "says"),
    [
        ("Unused", "flocculant", None, None, "Begin with a clearing test"),
        ("Soap", "wetting", None, None, "is no flocculant (wetting agent)"),
        ("Soap tried", "wetting", [None, "0.1"], None, "whether it costs gold no closed trial says"),
        ("No tub without", "flocculant", ["0.1", "0.2"], None, "tell no time yet"),
        ("Below", "flocculant", [None, "0.1"], "below below below", "whether it costs gold is not shown"),
        ("One left", "flocculant", [None, "0.1"], "8.0 below below", "whether it costs gold is not shown"),
    ],
)
def test_every_edge_ends_in_a_plain_sentence(story, name, kind, tubs, gold, says):
    additive, member = make_additive(name, kind, story.member), story.member
    if tubs:
        rows = [(dose, CLEARED["0.1" if dose else None]) for dose in tubs]
        cleared(additive, f"Test of {name}", rows, member)
    if gold:
        both = {"water": "below below below", "dosed": gold}
        panned(planned(additive, {"dosed": "0.1"}, member, blocks=3), both, member)
    text = read(member, reverse("additive-clearing", args=[additive.pk]))
    no_nonsense(text)
    assert says in text
    assert 'id="flocculant-title"' not in text
    assert reverse("clearing-add") in text
