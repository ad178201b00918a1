"""Tokens for tests, and programs that ask with them."""

from django.test import Client

from prospecting.actions.api_tokens import make_api_token
from prospecting.models import Member
from tests import make


def make_token(member: Member | None = None, **fields) -> str:
    """The key of a new token of this member."""
    fields = {"name": "shed balance", "days": 90, "may_record": False} | fields
    _, key = make_api_token(member=member or make.make_member(), **fields)
    return key


def program_of(key: str | None, **headers) -> Client:
    """A program: no cookie, only what it is told to send."""
    return Client(headers={"Authorization": f"Bearer {key}"} | headers if key else headers)


def program_as(role: str = "member", *, may_record: bool = False, **fields) -> Client:
    program = program_of(make_token(member := make.make_member(role, **fields), may_record=may_record))
    program.member = member
    return program


def problem_of(response, status: int, code: str) -> dict:
    """The refusal, which has one shape whatever the reason."""
    told = response.json()
    assert (response.status_code, told["code"]) == (status, code), told
    assert told.keys() == {"code", "sentence", "field", "refusals", "asks"}
    assert all(each.keys() == {"field", "code", "sentence"} for each in told["refusals"])
    assert told["sentence"] and response.headers["Cache-Control"] == "no-store"
    return told
