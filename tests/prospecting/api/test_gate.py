"""Who gets in by a token, and the shape of every refusal."""

import datetime
import errno

import pytest
from django.db import OperationalError
from django.urls import reverse
from django.utils import timezone

from prospecting.actions.throttle import LOCKED_FOR
from prospecting.api import gate
from prospecting.api.gate import by_token
from prospecting.models import ApiToken, JournalEntry
from tests import make
from tests.prospecting.make_token import make_token, problem_of, program_as, program_of

pytestmark = pytest.mark.django_db

ROOT = reverse("api-token")


def test_tells_who_it_is():
    program = program_as("keeper", may_record=True, first_name="Ida")
    told = program.get(ROOT).json()
    assert (told["member"], told["role"], told["may_record"]) == ("Ida", "keeper", True)
    assert program.get(ROOT).json()["last_used_on"] == timezone.localdate().isoformat()


def test_no_token_opens_nothing():
    answer = program_of(None).get(ROOT)
    problem_of(answer, 401, "token_missing")
    # RFC 9110, section 11.6.1: a 401 names the scheme to use.
    assert answer.headers["WWW-Authenticate"] == "Bearer"


@pytest.mark.parametrize("key", ["a" * 43, "a", "a" * 44, "b\0" * 20, "é" * 43, "' or 1=1", ""])
def test_a_wrong_token_opens_nothing(key):
    make_token()
    assert program_of(key).get(ROOT).status_code == 401 if key else True
    assert program_of(None, Authorization=f"Basic {key}").get(ROOT).status_code == 401


def test_a_cookie_counts_for_nothing(client_as):
    client = client_as("keeper")
    problem_of(client.get(ROOT), 401, "token_missing")
    # Nor does it lend its rights to a token of somebody else.
    guest = make_token(make.make_member("guest"))
    assert client.get(ROOT, headers={"Authorization": f"Bearer {guest}"}).json()["role"] == "guest"


@pytest.mark.parametrize("change", [{"ended_at": timezone.now()}, {"expires_at": timezone.now()}])
def test_a_token_that_is_over_opens_nothing(change):
    key = make_token()
    assert program_of(key).get(ROOT).status_code == 200
    ApiToken.objects.update(**change)
    problem_of(program_of(key).get(ROOT), 401, "token_wrong")


def test_it_follows_its_member_at_once():
    program = program_as(may_record=True)
    make.Member.objects.filter(pk=program.member.pk).update(role="guest")
    told = program.get(ROOT).json()
    assert (told["role"], told["may_record"]) == ("guest", False)
    make.Member.objects.filter(pk=program.member.pk).update(is_active=False)
    problem_of(program.get(ROOT), 401, "token_wrong")


def test_other_methods_are_answered_in_the_same_shape():
    program = program_as()
    for method in ("post", "put", "patch", "delete", "options"):
        answer = getattr(program, method)(ROOT)
        problem_of(answer, 405, "method_not_allowed")
        assert answer.headers["Allow"] == "GET, HEAD"
    assert program.head(ROOT).status_code == 200


def test_no_other_site_may_read_or_ride_on_it():
    answer = program_as().get(ROOT, headers={"Origin": "https://elsewhere.example"})
    assert not [name for name in answer.headers if name.lower().startswith("access-control")]
    assert not answer.cookies


def test_many_wrong_tokens_are_stopped_but_a_right_one_still_opens(monkeypatch):
    monkeypatch.setattr(gate, "MOST_WRONG", 3)
    key = make_token()
    answers = [program_of("x" * 43).get(ROOT) for _ in range(5)]
    assert [answer.status_code for answer in answers] == [401, 401, 429, 429, 429]
    told = problem_of(answers[-1], 429, "too_many")
    assert "Wait 15 minutes" in told["sentence"]
    assert int(answers[-1].headers["Retry-After"]) == LOCKED_FOR / datetime.timedelta(seconds=1)
    assert program_of(key).get(ROOT).status_code == 200
    # Another address is not held up by it.
    assert program_of("x" * 43).get(ROOT, REMOTE_ADDR="192.0.2.7").status_code == 401
    said = JournalEntry.objects.filter(subject_kind="refusal").values_list("what", flat=True)
    assert any("wrong API token" in what for what in said)
    assert "x" * 43 not in str(list(JournalEntry.objects.values()))


def test_a_guests_token_never_writes():
    with pytest.raises(ValueError, match="only reads"):
        by_token(role="guest", methods=("GET", "POST"))
    with pytest.raises(ValueError, match="which role"):
        by_token(role="anyone")


def test_an_unknown_address_tells_strangers_nothing():
    lost = f"{ROOT}nothing/here"
    problem_of(program_of(None).get(lost), 401, "token_missing")
    problem_of(program_as().get(lost), 404, "not_found")
    problem_of(program_as().get(f"{ROOT}lots"), 404, "not_found")


def test_reading_goes_on_where_the_day_of_use_cannot_be_kept(monkeypatch, caplog):
    program = program_as()

    def locked(*args, **fields):
        raise OperationalError("database is locked")

    monkeypatch.setattr("django.db.models.query.QuerySet.update", locked)
    assert program.get(ROOT).json()["last_used_on"] is None
    assert "could not be kept" in caplog.text


@pytest.mark.parametrize(
    ("fault", "status", "code"),
    [(ValueError("a fault"), 500, "failed"), (OSError(errno.ENOSPC, "full"), 507, "disk_full")],
)
def test_a_fault_of_the_site_has_the_same_shape(monkeypatch, fault, status, code):
    program = program_as()
    program.raise_request_exception = False

    def fail(token):
        raise fault

    monkeypatch.setattr(gate, "note_use", fail)
    problem_of(program.get(ROOT), status, code)
