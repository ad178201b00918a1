"""The hash of what the page of laboratories side by side reads: whatever the page shows changes it."""

import datetime

import pytest

from prospecting.frames.laboratory_rows import sha256_of_laboratories
from prospecting.models import AssayReturn, Dispatch, Laboratory, Reading, ReferenceMaterial, Sample
from tests.prospecting.actions.test_assays import make_dispatch
from tests.prospecting.actions.test_checks import a_return, add_check, make_material

pytestmark = pytest.mark.django_db


def told() -> str:
    return sha256_of_laboratories(Laboratory.objects.order_by("name"))


@pytest.fixture
def books():
    dispatch = make_dispatch(1)
    [lot] = dispatch.samples.all()
    material = make_material(certified_g_per_t="5", plus_minus_g_per_t="0.5")
    reference = add_check(dispatch, "reference", material=material)
    duplicate = add_check(dispatch, "duplicate", duplicate_of=lot, duplicate_stage="pulp")
    a_return(dispatch, (lot, "4.1"), (reference, "5.2"), (duplicate, "<0.01"))
    return lot


def test_the_same_books_are_told_alike(books):
    assert told() == told()


@pytest.mark.parametrize(
    "change",
    [
        lambda: Laboratory.objects.update(name="Another name"),
        lambda: Laboratory.objects.update(turnaround_days=99),
        lambda: Dispatch.objects.update(expected_on=datetime.date(2027, 1, 1)),
        lambda: Dispatch.objects.update(method="aqua_regia"),
        lambda: AssayReturn.objects.update(reported_on=datetime.date(2027, 1, 1)),
        lambda: AssayReturn.objects.update(checks_state="passed" if told_state() == "failed" else "failed"),
        lambda: Sample.objects.filter(kind="duplicate").update(duplicate_stage="coarse"),
        lambda: ReferenceMaterial.objects.update(certified_g_per_t="5.5"),
        lambda: ReferenceMaterial.objects.update(name="Renamed"),
        lambda: Reading.objects.filter(sample__kind="reference").update(grade_g_per_t="5.3"),
        # What the duplicate is the second half of: a sample of a lot, no check itself.
        lambda: Reading.objects.filter(sample__kind="lot").update(grade_g_per_t="4.2"),
        lambda: Reading.objects.filter(symbol="below").update(limit_g_per_t="0.02"),
    ],
)
def test_whatever_the_page_reads_changes_it(books, change):
    before = told()
    change()
    assert told() != before


def test_what_the_page_does_not_read_leaves_it(books):
    before = told()
    Sample.objects.update(in_use_reason="looked at again")
    assert told() == before


def told_state() -> str:
    return AssayReturn.objects.get().checks_state
