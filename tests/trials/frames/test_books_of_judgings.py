import pytest

from tests.trials.make_judging import in_order, judge, make_rows
from trials.frames.books import faults_of_judgings
from trials.models import PanPlace

pytestmark = pytest.mark.django_db


@pytest.fixture
def kept():
    trial = make_rows(blocks=2)
    return judge(trial.blocks.first(), in_order("rinse", "plain water"))


def test_a_judging_as_it_was_kept_has_no_fault(kept):
    assert list(faults_of_judgings()) == []


def test_a_gap_in_its_places_is_named(kept):
    PanPlace.objects.filter(judging=kept, place=2).update(place=3)
    [fault] = faults_of_judgings()
    assert "gap" in str(fault)


def test_a_pan_of_another_row_is_named(kept):
    stranger = kept.block.trial.blocks.last().planned_runs.first()
    PanPlace.objects.filter(judging=kept, place=2).update(planned=stranger)
    [fault] = faults_of_judgings()
    assert "another block" in str(fault)
