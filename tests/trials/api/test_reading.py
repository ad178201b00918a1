"""What the lists tell, to whom, in which order and at what cost."""

from datetime import timedelta
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from prospecting.models import Claim, Dig, Lot, Reading, Sample, Zone
from tests import make
from tests.prospecting.make_token import problem_of, program_as
from tests.trials.make_trial import log, make_running
from trials.api.description import LISTINGS

pytestmark = pytest.mark.django_db

LATITUDE, LONGITUDE = Decimal("41.123457"), Decimal("-106.765432")
LISTS = [listing.name for listing in LISTINGS]


def items(program, name: str, **asked) -> list[dict]:
    answer = program.get(reverse(f"api-{name}"), asked)
    assert answer.status_code == 200, answer.json()
    return answer.json()["items"]


def make_something() -> Lot:
    """One of everything: a dig with a position, a sample with readings, a trial with a run."""
    lot = make.make_lot("40000")
    Dig.objects.filter(step=lot.made_by).update(latitude=LATITUDE, longitude=LONGITUDE)
    Claim.objects.update(
        serial_number="LEGAL-77", holder="Tarn", legal_description="section 14", note="by the oak"
    )
    parcel = make.make_parcel(2)
    sample = parcel.samples.first()
    certificate = parcel.returns.create(
        certificate_number="C-1", reported_on=make.DAY, recorded_by=parcel.recorded_by
    )
    for order, grade in enumerate(("3.25", "3.5")):
        Reading.objects.create(
            assay_return=certificate, sample=sample, order=order, unit="g/t", symbol="value",
            raw_text=grade, grade_g_per_t=Decimal(grade),
        )  # fmt: skip
    trial = make_running(lot=lot)
    log(trial.planned_runs.first(), make.make_member(), "8.0")
    return lot


def test_every_list_and_record_is_told_to_each_role():
    make_something()
    for role in ("guest", "member", "keeper"):
        program = program_as(role)
        for listing in LISTINGS:
            told = items(program, listing.name)
            assert told, listing.name
            key = told[0]["code" if listing.key == "code" else "id"]
            one = program.get(reverse(f"api-{listing.one}", args=[key]))
            assert one.status_code == 200
            assert {name: one.json()[name] for name in told[0]} == told[0]


def test_positions_and_papers_are_for_members():
    make_something()
    hidden = [str(LATITUDE), str(LONGITUDE), "LEGAL-77", "Tarn", "section 14", "by the oak"]
    for name, role, is_told in [("digs", "member", True), ("claims", "member", True)]:
        told = program_as(role).get(reverse(f"api-{name}")).content.decode()
        assert any(text in told for text in hidden) is is_told
    guest = program_as("guest")
    everything = "".join(guest.get(reverse(f"api-{name}")).content.decode() for name in LISTS)
    assert [text for text in hidden if text in everything] == []
    assert all(dig["latitude"] is None and dig["longitude"] is None for dig in items(guest, "digs"))


def test_a_figure_is_told_to_the_last_digit_in_its_unit():
    lot = make_something()
    program = program_as()
    [told] = items(program, "lots", code=lot.code.lower())
    assert (told["mass_g"], told["on_hand_g"], told["origins"][0]["share"]) == ("40000", "39546", "1")
    [sample] = [each for each in items(program, "samples") if each["readings"]]
    assert [reading["grade_g_per_t"] for reading in sample["readings"]] == ["3.25", "3.5"]
    [run] = items(program, "runs")
    assert (run["gold_mg"], run["portion_g"], run["colours"]) == ("8", "454", None)
    assert run["recorded_at"].endswith("Z")


def test_what_a_sample_counts_with_is_told_beside_its_limits():
    make_something()
    Sample.objects.filter(readings__isnull=False).update(
        in_use_symbol="below",
        in_use_limit_g_per_t=Decimal("0.01"),
        reading_in_use=Reading.objects.first(),
    )
    [told] = [each for each in items(program_as(), "samples") if each["readings"]]
    assert (told["value_symbol"], told["value_g_per_t"], told["value_limit_g_per_t"]) == (
        "below",
        None,
        "0.01",
    )


def test_filters_leave_what_answers_to_them():
    first, second = make.make_lot("1000"), make.make_lot("2000")
    program = program_as()
    zones = {lot.code: lot.origins.get().dig.zone for lot in (first, second)}
    for lot in (first, second):
        zone = zones[lot.code]
        for asked in ({"zone": zone.pk}, {"dig": lot.origins.get().dig_id}, {"code": lot.code}):
            assert [each["code"] for each in items(program, "lots", **asked)] == [lot.code]
        assert [each["zone"] for each in items(program, "digs", zone=zone.pk)] == [zone.pk]
        assert [each["zone"] for each in items(program, "digs", claim=zone.claim_id)] == [zone.pk]
        assert [each["id"] for each in items(program, "zones", claim=zone.claim_id)] == [zone.pk]
    assert items(program, "lots", zone=2**63 - 1) == []
    assert items(program, "lots", in_stock="false") == []
    assert len(items(program, "lots", in_stock="true", kind="bucket")) == 2
    later = (timezone.now() + timedelta(minutes=1)).isoformat()
    before = (timezone.now() - timedelta(minutes=1)).isoformat()
    assert len(items(program, "lots", since=before)) == 2
    assert items(program, "lots", since=later) == items(program, "digs", since=later) == []


def test_runs_and_samples_are_found_by_lot_zone_and_day():
    lot = make_something()
    program, zone = program_as(), lot.origins.get().dig.zone_id
    sample = Sample.objects.filter(readings__isnull=False).first()
    before, later = (timezone.now() + timedelta(minutes=sign) for sign in (-1, 1))
    found = [
        ("runs", {"lot": lot.code}, 1),
        ("runs", {"zone": zone}, 1),
        ("runs", {"since": later.isoformat()}, 0),
        ("trials", {"lot": lot.code, "state": "running"}, 1),
        ("trials", {"state": "closed"}, 0),
        ("samples", {"lot": sample.lot.code}, 1),
        ("samples", {"tag": sample.tag}, 1),
        ("samples", {"dispatch": sample.dispatch_id}, 2),
        ("samples", {"zone": sample.lot.origins.get().dig.zone_id}, 1),
        ("samples", {"since": before.isoformat()}, 1),
        ("samples", {"since": later.isoformat()}, 0),
    ]
    assert [(name, asked, len(items(program, name, **asked))) for name, asked, _ in found] == found


@pytest.mark.parametrize(
    "asked",
    [
        {"zone": "x"},
        {"zone": "9" * 30},
        {"zon": "1"},
        {"limit": "0"},
        {"limit": "201"},
        {"after": "-1"},
        {"since": "yesterday"},
        {"kind": "gold"},
        {"code": "\0"},
        {"zone": ["1", "2"]},
    ],
)
def test_what_cannot_be_asked_is_refused_beside_its_name(asked):
    [name] = asked
    told = problem_of(program_as().get(reverse("api-lots"), asked), 422, "not_valid")
    assert told["field"] == name


def test_a_list_is_read_page_by_page_while_it_grows():
    codes = [make.make_lot().code for _ in range(5)]
    program, address, seen = program_as("guest"), f"{reverse('api-lots')}?limit=2&kind=bucket", []
    while address:
        told = program.get(address).json()
        seen += [lot["code"] for lot in told["items"]]
        address = told["next"]
        if len(seen) == 2:
            codes.append(make.make_lot().code)
    assert seen == codes


def test_nothing_is_at_other_addresses():
    program = program_as()
    for name, key in [("lot", "ABC-23-X"), ("run", 1), ("trial", 10**30), ("claim", 0), ("sample", 7)]:
        problem_of(program.get(reverse(f"api-{name}", args=[key])), 404, "not_found")


def test_a_list_costs_the_same_however_long():
    make_something()
    program = program_as()
    program.get(reverse("api-token"))

    def asked() -> dict[str, int]:
        counts = {}
        for name in LISTS:
            with CaptureQueriesContext(connection) as queries:
                assert program.get(reverse(f"api-{name}")).status_code == 200
            counts[name] = len(queries)
        return counts

    few = asked()
    make_something()
    make.make_zone(Zone.objects.first().claim)
    assert asked() == few
    # The token with its member, the list, and what each row brings along.
    assert max(few.values()) <= 4
