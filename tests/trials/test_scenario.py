from decimal import Decimal

import pytest
from django.db.models import Sum

from prospecting.actions.material import recomputed_on_hand_g
from prospecting.models import AssayReturn, Claim, Dig, Dispatch, Lot, Zone
from tests import make
from trials.models import Finding, Judging, Run, SettledMud, Trial
from trials.scenario import load_scenario

pytestmark = pytest.mark.django_db


@pytest.fixture
def scenario() -> None:
    load_scenario(password="a long enough password")


def test_it_tells_a_whole_story(scenario):
    assert (Claim.objects.count(), Zone.objects.count(), Dig.objects.count()) == (2, 4, 24)
    assert Lot.objects.standing().filter(on_hand_g=0).exists()
    assert Trial.objects.filter(state="closed").count() == 4
    running = Trial.objects.get(state="running")
    assert running.planned_runs.open().count() == 9
    assert Run.objects.filter(failed=True).count() == 1
    assert (Dispatch.objects.count(), AssayReturn.objects.count()) == (2, 1)
    assert (Judging.objects.count(), SettledMud.objects.count()) == (16, 14)
    assert {finding.stand for finding in Finding.objects.standing()} == {"do", "open"}


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
