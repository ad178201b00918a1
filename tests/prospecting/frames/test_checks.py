"""What a member reads of a return's checks, and how its values are marked."""

import pytest

from prospecting.frames.checks import return_checks
from prospecting.models import AssayReturn
from tests.prospecting.actions.test_assays import make_dispatch
from tests.prospecting.actions.test_checks import a_return, add_check, lots_of, make_material, replace_return

pytestmark = pytest.mark.django_db


def said(assay_return):
    fresh = AssayReturn.objects.select_related("dispatch__laboratory", "accepted_by").get(pk=assay_return.pk)
    return return_checks(fresh, grade_unit="g_per_t")


def test_says_of_every_outcome_what_it_rests_on():
    """Figures of f08 and f10 of fixtures/reference: z = 1.8, and a blank of 0.031 g/t at a limit of 0.005."""
    dispatch = make_dispatch(2)
    a, b = lots_of(dispatch)
    blank = add_check(dispatch, "blank", material=make_material("blank"))
    reference = add_check(dispatch, "reference", material=make_material())
    twin = add_check(dispatch, "duplicate", duplicate_of=a, duplicate_stage="pulp")
    found = said(
        a_return(dispatch, (a, "2.1"), (b, "<0.005"), (blank, "0.031"), (reference, "5.12"), (twin, "2.5"))
    )
    assert found.headline == "A check of this return failed."
    failed, passed, open_ = found.lines
    assert "above 5 times the detection limit of 0.005 g/t" in failed.sentence
    assert f"{b.tag} ({b.what}) goes before it, with below 0.005 g/t" in failed.sentence
    assert "z = +1.8: acceptable" in passed.sentence
    assert "one standard deviation between laboratories" in passed.sentence
    assert "1 of 1 pair within 10 %" in open_.sentence
    assert "One pair alone can't fail a laboratory" in open_.sentence
    assert open_.working.rows[0].value == "8.7 %"
    assert not found.stale


def test_no_check_is_said_to_be_no_pass():
    dispatch = make_dispatch(1)
    (a,) = lots_of(dispatch)
    found = said(a_return(dispatch, (a, "2.1")))
    assert found.headline == "No check came back in this return."
    assert "no pass" in found.explanation


def test_a_check_without_a_figure_is_named():
    dispatch = make_dispatch(1)
    blank = add_check(dispatch, "blank", material=make_material("blank"))
    found = said(a_return(dispatch, (blank, "NSS")))
    assert "without a figure" in found.headline
    assert [row.sample for row in found.without_figure] == [blank]


def test_says_when_it_would_be_judged_otherwise_today():
    dispatch = make_dispatch(1)
    material = make_material()
    reference = add_check(dispatch, "reference", material=material)
    came = a_return(dispatch, (reference, "9.9"))
    material.certified_g_per_t = "9.8"
    material.save()
    assert said(came).stale == "checks passed"


def test_a_replaced_return_threatens_with_nothing():
    dispatch = make_dispatch(1)
    reference = add_check(dispatch, "reference", material=make_material())
    came = a_return(dispatch, (reference, "9.9"))
    assert not said(came).is_replaced
    replace_return(came, (reference, "4.8"))
    found = said(came)
    assert found.is_replaced
    assert found.explanation == "A later certificate corrects this one; none of its readings counts."


def test_pairs_with_only_bounds_are_not_said_to_lie_near_the_detection_limit():
    dispatch = make_dispatch(1)
    (a,) = lots_of(dispatch)
    twin = add_check(dispatch, "duplicate", duplicate_of=a, duplicate_stage="pulp")
    (line,) = said(a_return(dispatch, (a, ">10"), (twin, ">10"))).lines
    assert line.sentence == "Of these pairs one side is only a bound, so their difference is not known."
    assert line.outcome == "not judged"


def test_pairs_with_bounds_are_counted_apart_from_those_that_tell():
    dispatch = make_dispatch(2)
    a, b = lots_of(dispatch)
    first, second = (
        add_check(dispatch, "duplicate", duplicate_of=each, duplicate_stage="pulp") for each in (a, b)
    )
    (line,) = said(a_return(dispatch, (a, ">10"), (first, "12"), (b, "2"), (second, "2.1"))).lines
    assert "1 of 1 pair within" in line.sentence
    assert "Of 1 more one side is only a bound" in line.sentence
    assert "near the detection limit" not in line.sentence


def test_a_blank_names_itself_a_coarse_blank_in_its_working():
    dispatch = make_dispatch(1)
    blank = add_check(dispatch, "blank", material=make_material("blank"))
    (line,) = said(a_return(dispatch, (blank, "0.031"))).lines
    assert line.working.rows[0].label == "Coarse blank against the detection limit"
