from decimal import Decimal

import pytest
from django.db.models import Sum

from prospecting.actions.material import recomputed_on_hand_g
from prospecting.models import AssayReturn, Claim, Dig, Dispatch, Lot, Member, Zone
from tests import make
from trials.frames.additive_doses import additive_readings, trials_read
from trials.frames.doses import ladder_readings
from trials.frames.field_against_laboratory import Asked, field_against_laboratory
from trials.frames.field_pairs import read_books
from trials.frames.ladders import LadderLines
from trials.frames.verdicts import verdict_of
from trials.models import Additive, Finding, Judging, Run, SettledMud, Trial
from trials.scenario import load_scenario

pytestmark = pytest.mark.django_db


@pytest.fixture
def scenario() -> None:
    load_scenario(password="a long enough password")


def test_it_tells_a_whole_story(scenario):
    assert (Claim.objects.count(), Zone.objects.count(), Dig.objects.count()) == (2, 4, 24)
    assert Lot.objects.standing().filter(on_hand_g=0).exists()
    assert Trial.objects.filter(state="closed").count() == 5
    running = Trial.objects.get(state="running")
    assert running.planned_runs.open().count() == 9
    # One that was lost, and one that was weighed all the same.
    assert sorted(run.gold_mg is None for run in Run.objects.filter(failed=True)) == [False, True]
    assert (Dispatch.objects.count(), AssayReturn.objects.count()) == (4, 4)
    assert [each.checks_state for each in AssayReturn.objects.order_by("pk")] == [
        "none",
        "passed",
        "passed",
        "failed",
    ]
    assert AssayReturn.objects.get(replaces__isnull=False).certificate_number == "INV-0984-R1"
    assert (Judging.objects.count(), SettledMud.objects.count()) == (16, 14)
    assert {finding.stand for finding in Finding.objects.standing()} == {"do", "open"}
    # Planted in fixtures/demo/invent.py: pans catch 60 % of what the assays count.
    read = field_against_laboratory(read_books().books(), Asked(), grade_unit="g_per_t")
    assert read.counted >= 20
    assert read.over_all.interval.low < 0.60 < read.over_all.interval.high


def test_what_was_planted_in_its_second_rinse_trial_is_told(scenario):
    """See fixtures/README.md: the rinse helps, too much of it harms, and the panner was still learning."""
    trial = Trial.objects.get(question__contains="does more do harm")
    reader = Member.objects.get(username="keeper")
    found = verdict_of(trial, reader)
    assert [verdict.kind for verdict in found.verdicts] == ["better", "better", "worse"]
    cautions = " ".join(map(str, found.warnings))
    assert "Later blocks gave more gold" in cautions
    assert "Hands were still learning" in cautions
    [ladder] = ladder_readings(LadderLines(trial), reader)
    assert "1 tsp per gal recovers less than plain water (shown)" in " ".join(dict(ladder.facts)["Too much"])
    # Both trials of it meet on its own page, each dose against the water of its own trial.
    rinse = Additive.objects.get(name__startswith="Rinse aid A")
    [over_trials] = additive_readings([rinse], trials_read(rinse), reader)
    assert {dose.said: len(dose.with_ratio) for dose in over_trials.doses}[
        "1/4 tsp per gal (0.326 mL/L)"
    ] == 2
    assert [read.trial for read in over_trials.worse] == [trial]


def test_its_books_balance(scenario):
    for lot in Lot.objects.prefetch_related("draws__step"):
        assert lot.on_hand_g == recomputed_on_hand_g(lot), lot.code
    for lot in Lot.objects.annotate(total=Sum("origins__share")):
        assert abs(lot.total - 1) < Decimal("1e-9"), lot.code
    for step in {lot.made_by for lot in Lot.objects.select_related("made_by")}:
        drawn = sum((draw.mass_g for draw in step.draws.all()), Decimal(0))
        made = sum((lot.mass_g for lot in step.made.all()), Decimal(0))
        assert step.kind == "dig" or drawn - made == step.loss_g, step


def test_it_is_loaded_into_an_empty_site_only():
    make.make_member()
    with pytest.raises(ValueError, match="into an empty site only"):
        load_scenario(password="a long enough password")
