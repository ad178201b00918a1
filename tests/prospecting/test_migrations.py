"""What migrations do to books that hold something."""

import datetime

import pytest
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

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
