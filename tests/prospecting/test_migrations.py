"""What migrations do to books that hold something."""

import datetime
from importlib import import_module

import pytest
from django.apps import apps
from django.contrib.sessions.models import Session
from django.db import connection
from django.db.migrations.executor import MigrationExecutor
from django.utils import timezone

from prospecting.models import Sample
from tests.prospecting.actions.test_assays import make_dispatch, store, tags_of

BEFORE, AFTER = ("prospecting", "0007_sample_value_or_limit"), ("prospecting", "0009_claim_facts")


@pytest.fixture
def books_before(transactional_db):
    executor = MigrationExecutor(connection)
    leaves = executor.loader.graph.leaf_nodes()
    executor.migrate([BEFORE])
    yield executor.loader.project_state([BEFORE]).apps
    executor = MigrationExecutor(connection)
    executor.migrate(leaves)


def migrate(target):
    executor = MigrationExecutor(connection)
    executor.migrate([target])
    return executor.loader.project_state([target]).apps


@pytest.mark.parametrize("with_member", [True, False])
def test_no_next_date_of_a_claim_is_lost(books_before, with_member):
    Claim = books_before.get_model("prospecting", "Claim")
    if with_member:
        Member = books_before.get_model("prospecting", "Member")
        Member.objects.create(username="a guest", role="guest")
        Member.objects.create(username="the keeper", role="keeper")
    due = datetime.date(2027, 9, 1)
    Claim.objects.create(name="Both", next_date=due, next_date_what="yearly fee", note="by the creek")
    Claim.objects.create(name="Unsaid", next_date=due)
    Claim.objects.create(name="None")
    apps = migrate(AFTER)
    dates = apps.get_model("prospecting", "ClaimDate").objects
    notes = dict(apps.get_model("prospecting", "Claim").objects.values_list("name", "note"))
    if with_member:
        told = dates.values_list("claim__name", "what", "due_on", "recorded_by__username")
        assert set(told) == {
            ("Both", "yearly fee", due, "the keeper"),
            ("Unsaid", "date to keep", due, "the keeper"),
        }
        assert notes == {"Both": "by the creek", "Unsaid": "", "None": ""}
        # Back and forth again: nothing is doubled.
        assert migrate(BEFORE).get_model("prospecting", "Claim").objects.get(name="Both").next_date == due
        assert migrate(AFTER).get_model("prospecting", "ClaimDate").objects.count() == 2
        migrate(AFTER).get_model("prospecting", "ClaimDate").objects.all().delete()
    else:
        assert not dates.exists()
        assert notes == {
            "Both": "by the creek\nNext date: 2027-09-01, yearly fee",
            "Unsaid": "Next date: 2027-09-01, date to keep",
            "None": "",
        }


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("rule", "reason", "asked"),
    [
        ("first", "", ("", "")),
        ("first", "the plus fraction was spilt", ("first", "the plus fraction was spilt")),
        ("mean", "repeats were asked for", ("mean", "repeats were asked for")),
        ("screen", "coarse gold", ("screen", "coarse gold")),
        ("screen", "both fractions of a screen fire assay came", ("", "")),
        ("first", "the reading chosen by hand counts no longer", ("", "")),
        ("chosen", "the first was spilt", ("", "")),
        (
            "first",
            "Some repeats lie below the detection limit, so the mean is no single figure",
            ("mean", "asked for earlier; the journal says why"),
        ),
    ],
)
def test_a_rule_set_by_a_member_stays_asked_for(rule, reason, asked):
    """The step of migration 0012 that reads old reasons; the tables themselves are those of today."""
    sample = make_dispatch(1).samples.get()
    Sample.objects.filter(pk=sample.pk).update(in_use_rule=rule, in_use_reason=reason)
    import_module("prospecting.migrations.0012_rules_asked_for").keep_what_was_asked(apps, None)
    sample.refresh_from_db()
    assert (sample.asked_rule, sample.asked_reason) == asked
    assert (sample.in_use_rule, sample.in_use_reason) == (rule, reason)


@pytest.mark.django_db
def test_sessions_that_stand_on_no_list_end():
    Session.objects.create(session_key="begun before", session_data="", expire_date=timezone.now())
    import_module("prospecting.migrations.0014_sign_in_anew").end_sessions(apps, None)
    assert not Session.objects.exists()


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("method", "rule", "reason", "asked"),
    [
        # A charge came after the fractions: they go on counting.
        ("fire_30", "screen", "both fractions of a screen fire assay came", "screen"),
        ("screen_fire", "screen", "both fractions of a screen fire assay came", ""),
        # The choice fell, and the first reading counted though a screen fire assay was what the laboratory was asked for.
        ("screen_fire", "first", "the reading chosen by hand counts no longer", "first"),
        # The fractions had been asked for and gave no value.
        (
            "fire_30",
            "first",
            "A part lies below the detection limit, so the grade is no single figure",
            "screen",
        ),
        (
            "fire_30",
            "first",
            "A screen fire assay needs both fractions; no reading of the plus fraction came",
            "screen",
        ),
        ("fire_30", "first", "The plus fraction is assayed whole, once, but 2 readings of it came", "screen"),
        (
            "fire_30",
            "first",
            "The mass of the minus fraction is not known, so its share isn't either",
            "screen",
        ),
        ("fire_30", "first", "The readings of the minus fraction give it different masses", "screen"),
        ("fire_30", "first", "No reading of the whole sample says anything of its grade", ""),
    ],
)
def test_a_rule_whose_reason_was_overwritten_goes_on_holding(method, rule, reason, asked):
    dispatch = make_dispatch(1, method=method)
    (tag,) = tags_of(dispatch)
    store(dispatch, f"Sample,Au 30 g charge g/t\n{tag},4.1\n")
    Sample.objects.filter(tag=tag).update(
        in_use_rule=rule, in_use_reason=reason, asked_rule="", asked_reason=""
    )
    import_module("prospecting.migrations.0012_rules_asked_for").keep_what_was_asked(apps, None)
    words = "asked for earlier; the journal says why" if asked else ""
    assert Sample.objects.values_list("asked_rule", "asked_reason").get(tag=tag) == (asked, words)
