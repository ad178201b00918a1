"""A run sent by a program: the same rules as the page, once however often, and never half."""

import json
import threading
import uuid

import pytest
from django.db import connection
from django.urls import reverse

from prospecting.models import Delivery, JournalEntry, Lot, Step
from tests import make
from tests.prospecting.make_token import make_token, problem_of, program_as, program_of
from tests.trials.make_trial import make_bridge, make_running
from trials.actions import planning
from trials.api.recording import EXAMPLE, SENT
from trials.models import Run, Trial

pytestmark = pytest.mark.django_db


def pan_address(lot: Lot) -> str:
    return reverse("api-lot-run-record", args=[lot.code])


def planned_address(planned) -> str:
    return reverse("api-trial-run-record", args=[planned.trial_id, planned.blind_code])


def run_sent(**fields) -> dict:
    """A pan that gave 1.1 g/t, and what it was weighed by."""
    plain = {"identity": str(uuid.uuid4()), "panned_on": "2026-05-03", "portion_g": "454"}
    plain |= {"weighings_mg": ["0.5"], "scale_step_mg": "0.1"} | fields
    return {name: value for name, value in plain.items() if value is not None}


def send(program, address: str, sent, **headers):
    body = sent if isinstance(sent, str | bytes) else json.dumps(sent)
    return program.post(address, body, content_type="application/json", headers=headers)


def test_the_example_of_the_page_is_taken():
    lot, program = make.make_lot(), program_as(may_record=True)
    answer = send(program, pan_address(lot), EXAMPLE | {"sure": True})
    assert answer.status_code == 201, answer.json()
    everything = {each.name: each.example for each in SENT} | {
        "identity": str(uuid.uuid4()),
        "panner_id": program.member.pk,
        "weighings_mg": ["812.4"],
        "sure": True,
    }
    del everything["fail_kind"], everything["fail_reason"]
    told = send(program, pan_address(lot), everything)
    assert told.status_code == 201, told.json()
    # 812.4 mg less a dish of 800.1 mg.
    assert told.json()["gold_mg"] == "12.3"
    same = everything.keys() & told.json().keys() - {"id"}
    assert {name: told.json()[name] for name in same} == {name: everything[name] for name in same}


def test_a_test_pan_is_recorded_as_from_the_page():
    lot = make.make_lot()
    token = make_token(member := make.make_member(), may_record=True, name="shed balance")
    sent = run_sent(colours={"fine": 3, "flour": 0}, note="dull day")
    answer = send(program_of(token), pan_address(lot), sent)
    assert answer.status_code == 201, answer.json()
    run = Run.objects.get()
    told = answer.json()
    assert answer.headers["Location"] == reverse("api-run", args=[run.pk])
    assert (told["lot"], told["gold_mg"], told["weighings_mg"]) == (lot.code, "0.5", ["0.5"])
    assert told["colours"] == {"fine": 3, "flour": 0}
    assert (run.portion_typed, run.gold_typed, run.recorded_by) == ("454 g", "0.5 mg", member)
    lot.refresh_from_db()
    assert lot.on_hand_g == 10000 - 454
    entry = JournalEntry.objects.about(run).get()
    assert (entry.member, entry.device) == (member, "API token: shed balance")


def test_a_planned_run_is_recorded_blind():
    trial = make_running(names=("Quartzmoor plain", "Zebrafish rinse"))
    planned = trial.planned_runs.select_related("treatment")[0]
    answer = send(program_as(may_record=True), planned_address(planned), run_sent())
    assert answer.status_code == 201, answer.json()
    told = answer.json()
    assert (told["trial"], told["blind_code"]) == (trial.pk, planned.blind_code)
    assert (told["treatment"], told["is_key_hidden"]) == (None, True)
    assert "Quartzmoor" not in answer.content.decode() and "Zebrafish" not in answer.content.decode()
    again = send(program_as(may_record=True), planned_address(planned), run_sent())
    problem_of(again, 409, "logged_already")


def test_a_portion_cut_beforehand_goes_through_whole():
    lot = make.make_lot("40000")
    make.make_portions(lot, 6)
    trial = make_running(lot=lot, portions_from=Trial.PortionsFrom.CUT)
    planned, program = trial.planned_runs.first(), program_as(may_record=True)
    told = problem_of(send(program, planned_address(planned), run_sent()), 422, "portion_known")
    assert told["field"] == "portion_g"
    answer = send(program, planned_address(planned), run_sent(portion_g=None))
    assert (answer.status_code, answer.json()["portion_g"]) == (201, "454")


def test_the_refusal_of_an_open_bridge_does_not_name_its_lot():
    old, new = make.make_lot("40000"), make.make_lot("40000")
    trial = make_bridge(old, new, blocks=2)
    planning.fix_plan(trial=trial, planned_by=trial.recorded_by)
    answer = send(
        program_as(may_record=True),
        planned_address(trial.planned_runs.first()),
        run_sent(portion_g="39999999", sure=True),
    )
    problem_of(answer, 409, "too_little_on_hand")
    assert old.code not in answer.content.decode() and new.code not in answer.content.decode()


# Once


def test_the_same_sent_again_is_known_and_anything_else_refused():
    lot, other, program = make.make_lot(), make.make_lot(), program_as(may_record=True)
    sent = run_sent()
    first = send(program, pan_address(lot), sent)
    again = send(program, pan_address(lot), dict(reversed(sent.items())) | {"sure": True})
    assert (first.status_code, again.status_code) == (201, 200)
    assert again.json() == first.json()
    for address, changed in [
        (pan_address(lot), sent | {"weighings_mg": ["0.6"]}),
        (pan_address(lot), sent | {"note": "x"}),
        # Another lot, with the same figures, is another run.
        (pan_address(other), sent),
    ]:
        problem_of(send(program, address, changed), 422, "sent_before_with_other_values")
    stranger = program_as(may_record=True)
    problem_of(send(stranger, pan_address(lot), sent), 422, "sent_before_with_other_values")
    assert Run.objects.count() == 1


def test_it_is_known_again_after_the_books_have_moved_on():
    """A program that never got the answer asks again when the lot is used up: it is told that its run is in."""
    trial, program = make_running(blocks=2), program_as(may_record=True)
    planned, sent = trial.planned_runs.first(), run_sent()
    assert send(program, planned_address(planned), sent).status_code == 201
    planning.close_trial(trial=trial, reason="snow", closed_by=make.make_member("keeper"))
    assert send(program, planned_address(planned), sent).status_code == 200
    late = send(program, planned_address(trial.planned_runs.last()), run_sent())
    problem_of(late, 409, "trial_closed")
    # Also where its address would not be found any more.
    lot, pan = make.make_lot(), run_sent()
    assert send(program, pan_address(lot), pan).status_code == 201
    Lot.objects.filter(pk=lot.pk).update(is_void=True)
    assert send(program, pan_address(lot), pan).status_code == 200


@pytest.mark.django_db(transaction=True)
def test_of_two_at_once_one_is_recorded():
    lot, key = make.make_lot(), make_token(may_record=True)
    sent, answers, start = run_sent(), [], threading.Barrier(2)

    def go() -> None:
        start.wait()
        answers.append(send(program_of(key), pan_address(lot), sent))
        connection.close()

    threads = [threading.Thread(target=go) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(answer.status_code for answer in answers) == [200, 201]
    assert Run.objects.count() == Delivery.objects.count() == 1
    lot.refresh_from_db()
    assert lot.on_hand_g == 10000 - 454


# Refused


def test_the_site_asks_whether_a_figure_ten_times_off_is_right():
    lot, program = make.make_lot(), program_as(may_record=True)
    sent = run_sent(weighings_mg=["4000"])
    told = problem_of(send(program, pan_address(lot), sent), 422, "guard")
    assert told["asks"]
    assert not Run.objects.exists()
    assert send(program, pan_address(lot), sent | {"sure": False}).status_code == 422
    assert send(program, pan_address(lot), sent | {"sure": True}).status_code == 201


@pytest.mark.parametrize(
    "change, code, field",
    [
        ({"identity": None}, "required", "identity"),
        ({"panned_on": None}, "required", "panned_on"),
        ({"portion_g": None}, "required", "portion_g"),
        ({"portion_g": 454}, "not_valid", "portion_g"),
        ({"portion_g": "1 lb"}, "not_valid", "portion_g"),
        ({"portion_g": "0"}, None, "portion_g"),
        ({"gold_mg": "8.0"}, "unknown_field", "gold_mg"),
        ({"weighings_mg": ["1", "2", "3", "4"]}, "not_valid", "weighings_mg"),
        ({"weighings_mg": ["8.0"], "tare_mg": "9.0"}, "not_above_dish", "weighings_mg"),
        ({"weighings_mg": ["0.01"], "sure": True}, "below_step", "weighings_mg"),
        ({"weighings_mg": None}, "nothing_seen", "weighings_mg"),
        ({"weighings_mg": None, "is_below_scale": True, "scale_step_mg": None}, "step_missing", "scale_step_mg"),
        ({"is_below_scale": True}, "weighed_and_below", "is_below_scale"),
        ({"colours": {"huge": 1}}, "not_valid", "colours"),
        ({"colours": {"fine": 1.5}}, "not_valid", "colours"),
        ({"panned_on": "2999-01-01"}, "in_future", "panned_on"),
        ({"panner_id": 10**12}, "invalid_choice", "panner_id"),
        ({"fail_kind": "spilled"}, "reason_missing", "fail_reason"),
        ({"note": "a\0b"}, "not_valid", "note"),
        ({"note": "\ud800"}, "not_valid", "note"),
        ({"\ud800": 1}, "unknown_field", "\ud800"),
        ({"water_uses": 1000}, "out_of_range", "water_uses"),
    ],
)  # fmt: skip
def test_what_does_not_hold_is_refused_beside_its_field(change, code, field):
    lot, program = make.make_lot(), program_as(may_record=True)
    answer = send(program, pan_address(lot), run_sent(**change))
    told = answer.json()
    assert (answer.status_code, told["field"]) == (422, field), told
    assert code in (None, told["code"])
    assert not Run.objects.exists() and not Step.objects.filter(kind="recover").exists()


@pytest.mark.parametrize(
    "body, status, code",
    [
        (" ", 400, "not_json"),
        ("{", 400, "not_json"),
        (b"\xff", 400, "not_json"),
        ('{"soak_min": NaN}', 400, "not_json"),
        ("[" * 100_000, 400, "not_json"),
        ('{"water_uses": ' + "9" * 5000 + "}", 400, "not_json"),
        ("[]", 422, "not_valid"),
        ("null", 422, "not_valid"),
        ('"x"', 422, "not_valid"),
        ('{"note": "' + "x" * 4_000_000 + '"}', 413, "too_big"),
    ],
    ids=lambda value: str(value)[:12],
)
def test_what_is_no_run_at_all_is_refused(body, status, code):
    problem_of(send(program_as(may_record=True), pan_address(make.make_lot()), body), status, code)


def test_a_form_is_no_json():
    program, lot = program_as(may_record=True), make.make_lot()
    problem_of(program.post(pan_address(lot), run_sent()), 415, "not_json")


def test_a_lot_that_no_longer_holds_it_is_a_conflict_and_kept_nowhere():
    lot, program = make.make_lot("300"), program_as(may_record=True)
    told = problem_of(send(program, pan_address(lot), run_sent(sure=True)), 409, "too_little_on_hand")
    assert told["field"] == "portion_g"
    assert not Delivery.objects.exists() and not Run.objects.exists()


def test_who_may_only_read_records_nothing():
    lot = make.make_lot()
    problem_of(send(program_as(), pan_address(lot), run_sent()), 403, "only_reads")
    problem_of(send(program_as("guest"), pan_address(lot), run_sent()), 403, "not_allowed")
    demoted = program_as(may_record=True)
    make.Member.objects.filter(pk=demoted.member.pk).update(role="guest")
    problem_of(send(demoted, pan_address(lot), run_sent()), 403, "not_allowed")
    problem_of(send(program_of(None), pan_address(lot), run_sent()), 401, "token_missing")
    assert not Run.objects.exists()


def test_what_is_not_there_is_not_found():
    program, trial = program_as(may_record=True), make_running()
    void = make.make_lot()
    Lot.objects.filter(pk=void.pk).update(is_void=True)
    for address in (
        reverse("api-lot-run-record", args=["ABC-23-X"]),
        pan_address(void),
        reverse("api-trial-run-record", args=[trial.pk, "Z99"]),
        reverse("api-trial-run-record", args=[10**30, "Z99"]),
    ):
        problem_of(send(program, address, run_sent()), 404, "not_found")


def test_a_failed_run_stays_with_its_reason():
    sent = run_sent(weighings_mg=None, fail_kind="spilled", fail_reason="the pan slipped")
    told = send(program_as(may_record=True), pan_address(make.make_lot()), sent).json()
    assert (told["is_failed"], told["fail_kind"], told["gold_mg"]) == (True, "spilled", None)
