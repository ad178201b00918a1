"""What every way into the site shares: the session that begins, and what is asked and counted before."""

import secrets
from collections.abc import Callable
from datetime import timedelta

from django.conf import settings
from django.contrib.auth import login
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone

from prospecting.actions.one_time_codes import check_code
from prospecting.actions.sign_ins import LONGEST, begin_sign_in
from prospecting.actions.throttle import (
    DEVICE_AGE,
    DEVICE_COOKIE,
    Count,
    caller_of,
    code_counts,
    count_wrong,
    device_mark,
    forget_wrong,
    minutes_to_wait,
    own_password_counts,
    sign_in_counts,
)
from prospecting.calc.language import phrase
from prospecting.forms.members import wait_sentence
from prospecting.models import Member

BACKEND = "django.contrib.auth.backends.ModelBackend"
# Where a lock alone decides the answer the status says so too, and a header how many seconds; beside a field of a longer form
# the sentence does.
TOO_MANY = 429


def begin_session(request: HttpRequest, member: Member, target: str) -> HttpResponse:
    """Sign the member in on this device and go on to `target`."""
    caller = caller_of(request)
    login(request, member, backend=BACKEND)
    # A moment, not an age: using the site does not put it off.
    request.session.set_expiry(timezone.now() + LONGEST)
    begin_sign_in(
        member=member,
        session_key=request.session.session_key,
        device=request.headers.get("User-Agent", ""),
    )
    forget_wrong([*sign_in_counts(member.username, caller), *code_counts(member, caller)])
    response = redirect(target)
    response.set_signed_cookie(
        DEVICE_COOKIE,
        device_mark(member, caller, secrets.token_urlsafe(16)),
        max_age=DEVICE_AGE,
        secure=settings.HTTPS,
        httponly=True,
        samesite="Lax",
    )
    return response


def too_many(response: HttpResponse, minutes: int) -> HttpResponse:
    """The page as it is, with the status and the header that say when to come again."""
    response.status_code = TOO_MANY
    response.headers["Retry-After"] = f"{timedelta(minutes=minutes).total_seconds():.0f}"
    return response


def asked_password(request: HttpRequest) -> Callable[[str], str]:
    """What a form asks about the password of whoever is signed in: why it won't do, or nothing."""
    member = request.user

    def ask(password: str) -> str:
        return _asked(
            own_password_counts(member),
            lambda: member.check_password(password),
            wrong=phrase("This is not your password."),
            what="a wrong password, asked once more",
            label=str(member),
        )

    return ask


def asked_code(request: HttpRequest, member: Member) -> Callable[[str], str]:
    """The same about a one-time code of `member`, who may not be signed in yet."""

    def ask(code: str) -> str:
        return _asked(
            code_counts(member, caller_of(request)),
            lambda: check_code(member=member, code=code),
            wrong=phrase("This is no code of now. Each one works once; wait for the next."),
            what="a wrong one-time code",
            label=str(member),
        )

    return ask


def _asked(counts: list[Count], is_right: Callable[[], bool], *, wrong: str, what: str, label: str) -> str:
    if wait := minutes_to_wait(counts):
        return wait_sentence(wait)
    if is_right():
        forget_wrong(counts)
        return ""
    wait = count_wrong(counts, what=what, label=label)
    return f"{wrong} {wait_sentence(wait)}" if wait else wrong
