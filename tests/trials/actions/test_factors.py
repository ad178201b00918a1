"""Treatments made many at a time, and taken out as a whole."""

from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied, ValidationError

from prospecting.models import JournalEntry
from tests.trials.make_trial import make_additive, make_bridge, make_draft, make_running
from trials.actions import factors, planning
from trials.actions.factors import FactorOf, LevelOf, RungOf
from trials.models import Dose, Factor, Level, Treatment, Trial

pytestmark = pytest.mark.django_db


def refuses(code: str):
    return pytest.raises(ValidationError, check=lambda error: error.code == code)


def rinse(*doses: str) -> FactorOf:
    levels = [LevelOf("none"), *(LevelOf(f"{dose} mL/L", Decimal(dose)) for dose in doses)]
    return FactorOf("rinse", Factor.Kind.DOSE, levels, make_additive())


def soak(*minutes: str) -> FactorOf:
    return FactorOf("soak", Factor.Kind.SOAK, [LevelOf(f"{each} min") for each in minutes])


def make(trial: Trial, *given: FactorOf) -> Trial:
    return factors.make_factorial(trial=trial, factors=given, recorded_by=trial.recorded_by)


def stored() -> tuple[int, ...]:
    return tuple(model.objects.count() for model in (Factor, Level, Treatment, Dose))


def test_makes_every_combination_with_its_doses_technique_and_levels():
    trial = make(make_draft(names=()), rinse("0.1", "0.2"), soak("0", "20"))
    found = {
        (t.name, t.is_control, t.technique, tuple(str(d.ml_per_l) for d in t.doses.all()), t.levels.count())
        for t in trial.treatments.all()
    }
    assert found == {
        ("rinse none, soak 0 min", True, "soak: 0 min", (), 2),
        ("rinse none, soak 20 min", False, "soak: 20 min", (), 2),
        ("rinse 0.1 mL/L, soak 0 min", False, "soak: 0 min", ("0.100000",), 2),
        ("rinse 0.1 mL/L, soak 20 min", False, "soak: 20 min", ("0.100000",), 2),
        ("rinse 0.2 mL/L, soak 0 min", False, "soak: 0 min", ("0.200000",), 2),
        ("rinse 0.2 mL/L, soak 20 min", False, "soak: 20 min", ("0.200000",), 2),
    }
    assert [factor.name for factor in trial.factors.all()] == ["rinse", "soak"]
    assert "6 treatments of all combinations" in JournalEntry.objects.about(trial).latest("pk").what


def test_the_plan_of_a_factorial_holds_every_combination_once_in_every_block():
    trial = make(make_draft(names=(), blocks=3), rinse("0.1"), soak("0", "20"))
    fixed = planning.fix_plan(trial=trial, planned_by=trial.recorded_by)
    for block in fixed.blocks.all():
        assert block.planned_runs.values("treatment").distinct().count() == 4


def test_is_removed_as_a_whole():
    trial = make(make_draft(names=()), rinse("0.1"), soak("0", "20"))
    factors.remove_factorial(trial=trial, recorded_by=trial.recorded_by)
    assert stored() == (0, 0, 0, 0)
    assert "removed all combinations of rinse, soak" in JournalEntry.objects.about(trial).latest("pk").what
    make(trial, soak("0", "20"))
    assert trial.treatments.count() == 2


def test_no_combination_changes_or_goes_alone():
    trial = make(make_draft(names=()), rinse("0.1"), soak("0", "20"))
    one = trial.treatments.last()
    who = {"recorded_by": trial.recorded_by}
    with refuses("of_factorial"):
        planning.remove_treatment(treatment=one, **who)
    with refuses("of_factorial"):
        planning.add_treatment(trial=trial, name="x", is_control=False, technique="x", doses=[], **who)
    with refuses("of_factorial"):
        make(trial, soak("0", "20"))
    with refuses("of_factorial"):
        factors.add_ladder(trial=trial, rungs=[], **who)
    assert trial.treatments.count() == 4


@pytest.mark.parametrize(
    ("given", "code"),
    [
        ((), "factor_number"),
        ((soak("0"),), "level_number"),
        ((soak("0", "1", "2", "3", "4"),), "level_number"),
        ((soak("0", "20", "20"),), "level_twice"),
        ((soak("0", "20"), soak("0", "10")), "factor_twice"),
        (
            tuple(FactorOf(f"pan {n}", "gear", [LevelOf("a"), LevelOf("b")]) for n in range(4)),
            "factor_number",
        ),
        ((FactorOf("x" * 40, "gear", [LevelOf("a" * 50), LevelOf("b" * 50)]),), "name_too_long"),
    ],
)
def test_refuses_what_is_no_factorial_and_stores_nothing(given, code):
    trial = make_draft(names=())
    with refuses(code):
        make(trial, *given)
    assert stored() == (0, 0, 0, 0)


def test_refuses_two_doses_alike_however_written():
    with refuses("level_twice"):
        make(
            make_draft(names=()),
            FactorOf(
                "rinse",
                "dose",
                [LevelOf("0.1 mL/L", Decimal("0.1")), LevelOf("100 ppm", Decimal("0.1"))],
                make_additive(),
            ),
        )


def test_refuses_one_additive_in_two_factors():
    other = FactorOf(
        "second rinse", "dose", [LevelOf("none"), LevelOf("1 mL/L", Decimal(1))], make_additive()
    )
    with refuses("additive_twice"):
        make(make_draft(names=()), rinse("0.1"), other)


def test_refuses_more_runs_than_a_plan_takes():
    trial = make_draft(names=(), blocks=9)
    four = [FactorOf(f"pan {n}", "gear", [LevelOf(each) for each in "abcd"]) for n in range(3)]
    with refuses("too_many_runs"):
        make(trial, *four)
    assert stored() == (0, 0, 0, 0)


def test_refuses_where_treatments_stand_already():
    with refuses("has_treatments"):
        make(make_draft(), soak("0", "20"))


def test_a_fixed_plan_a_bridge_and_a_guest_get_none():
    from tests.make import make_lot, make_member

    with refuses("plan_stands"):
        make(make_running(), soak("0", "20"))
    with refuses("bridge_treatments"):
        make(make_bridge(make_lot("9000"), make_lot("9000")), soak("0", "20"))
    trial = make_draft(names=())
    guest = make_member("guest")
    with pytest.raises(PermissionDenied):
        factors.make_factorial(trial=trial, factors=[soak("0", "20")], recorded_by=guest)
    with pytest.raises(PermissionDenied):
        factors.remove_factorial(trial=trial, recorded_by=guest)
    with pytest.raises(PermissionDenied):
        factors.add_ladder(trial=trial, rungs=[], recorded_by=guest)


def test_nothing_to_remove_is_said():
    with refuses("no_factors"):
        trial = make_draft()
        factors.remove_factorial(trial=trial, recorded_by=trial.recorded_by)


def rungs(*doses: str) -> list[RungOf]:
    additive = make_additive()
    dosed = [RungOf(f"Rinse {d}", planning.DoseOf(additive, Decimal(d), f"{d} mL/L")) for d in doses]
    return [RungOf("plain water", None), *dosed]


def test_a_ladder_brings_its_control_where_there_is_none():
    trial = make_draft(names=())
    factors.add_ladder(trial=trial, rungs=rungs("0.1", "0.2"), recorded_by=trial.recorded_by)
    assert [(t.name, t.is_control) for t in trial.treatments.all()] == [
        ("plain water", True),
        ("Rinse 0.1", False),
        ("Rinse 0.2", False),
    ]


def test_a_ladder_keeps_the_control_that_is_there():
    trial = make_draft(names=("tap water",))
    factors.add_ladder(trial=trial, rungs=rungs("0.1", "0.2"), recorded_by=trial.recorded_by)
    assert [t.name for t in trial.treatments.filter(is_control=True)] == ["tap water"]
    assert trial.treatments.count() == 3


def test_a_ladder_too_long_stores_nothing():
    trial = make_draft(names=(), blocks=60)
    with refuses("too_many_runs"):
        factors.add_ladder(
            trial=trial, rungs=rungs("0.1", "0.2", "0.4", "0.8"), recorded_by=trial.recorded_by
        )
    assert not trial.treatments.exists()


def test_a_name_taken_stores_nothing_of_the_ladder():
    trial = make_draft(names=("plain water", "Rinse 0.2"))
    with refuses("name_taken"):
        factors.add_ladder(trial=trial, rungs=rungs("0.1", "0.2"), recorded_by=trial.recorded_by)
    assert trial.treatments.count() == 2
