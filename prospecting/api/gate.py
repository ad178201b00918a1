"""Who may ask the API, by token alone, and the one shape of every refusal.

`by_token` is the twin of `access.page`: it marks a view with its least role and its methods. RoleMiddleware hands a request
for such a view to `ask_for_token`, which knows the member by the token and by nothing else: a cookie counts for nothing here,
so that no other site can make a member's browser act, and no answer may be read by another site's script.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from functools import wraps

from django.core.exceptions import PermissionDenied, RequestDataTooBig
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.utils import timezone

from prospecting.access import GUEST, RANK
from prospecting.actions.api_tokens import note_use
from prospecting.actions.calendar_link import hash_of_key
from prospecting.actions.journal import on_device
from prospecting.actions.throttle import Count, caller_of, count_wrong, minutes_to_wait
from prospecting.models import ApiToken
from prospecting.models.journal import TOKEN_DEVICE

# 32 random bytes in the letters of an address; nothing else is looked for in the books.
KEY = re.compile(r"[A-Za-z0-9_-]{43}")
MOST_WRONG = 50


class Answer(JsonResponse):
    """What a program is told. No cache may keep it."""

    def __init__(self, told: dict, *, status: int = 200, headers: Mapping[str, str] | None = None) -> None:
        super().__init__(
            told,
            status=status,
            headers={"Cache-Control": "no-store", "X-Robots-Tag": "noindex"} | dict(headers or {}),
        )


class Problem(Exception):
    """Why something is not done. `refusals` are (field or None, code, sentence); `asks` what has to be confirmed first."""

    def __init__(
        self,
        status: int,
        code: str,
        sentence: str,
        *,
        refusals: Sequence[tuple[str | None, str, str]] = (),
        asks: Sequence[str] = (),
        headers: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(sentence)
        self.status, self.code, self.sentence = status, code, sentence
        self.refusals = refusals or [(None, code, sentence)]
        self.asks, self.headers = asks, headers

    def answer(self) -> Answer:
        names = ("field", "code", "sentence")
        told = {
            "code": self.code,
            "sentence": self.sentence,
            "field": self.refusals[0][0],
            "refusals": [dict(zip(names, refusal, strict=True)) for refusal in self.refusals],
            "asks": list(self.asks),
        }
        return Answer(told, status=self.status, headers=self.headers)


def from_program(request: HttpRequest) -> bool:
    """Whether the address asked for is one of the API."""
    return hasattr(getattr(request.resolver_match, "func", None), "token_gate")


def not_valid(refusals: Sequence[tuple[str | None, str, str]], *, asks: Sequence[str] = ()) -> Problem:
    """422: what was asked or sent can't be taken as it stands. The first refusal speaks for all."""
    _, code, sentence = refusals[0]
    return Problem(422, code, sentence, refusals=refusals, asks=asks)


def by_token(*, role: str, methods: Sequence[str] = ("GET",)) -> Callable:
    """Mark a view of the API with the least role that may ask it and the methods it answers."""
    if role not in RANK or (role == GUEST and set(methods) != {"GET"}):
        raise ValueError("say which role may ask; a guest's token only reads")

    def mark(view: Callable) -> Callable:
        @wraps(view)
        def answered(request: HttpRequest, *args, **kwargs) -> HttpResponse:
            with on_device(f"{TOKEN_DEVICE}{request.api_token.name}"):
                try:
                    return view(request, *args, **kwargs)
                except Problem as problem:
                    return problem.answer()
                except Http404:
                    return Problem(404, "not_found", "Nothing in the books is at this address.").answer()
                except PermissionDenied as refusal:
                    return Problem(403, "not_allowed", str(refusal)).answer()
                except RequestDataTooBig:
                    return Problem(413, "too_big", "That is more than the site takes at once.").answer()

        answered.least_role = role
        answered.allowed_methods = (*methods, "HEAD") if "GET" in methods else tuple(methods)
        answered.token_gate = ask_for_token
        # No cookie is looked at, so there is nothing a forged form could ride on.
        answered.csrf_exempt = True
        return answered

    return mark


def ask_for_token(request: HttpRequest, view: Callable) -> Answer | None:
    """None, with `request.user` the token's member, where the token opens this view; the refusal otherwise."""
    try:
        if request.method not in view.allowed_methods:
            sentence = f"This address answers {' and '.join(view.allowed_methods)}."
            allow = {"Allow": ", ".join(view.allowed_methods)}
            raise Problem(405, "method_not_allowed", sentence, headers=allow)
        token = _token_of(request)
        if RANK[token.member.role] < RANK[view.least_role]:
            raise Problem(403, "not_allowed", f"This is for {view.least_role}s.")
        if request.method not in ("GET", "HEAD") and not token.may_record:
            raise Problem(403, "only_reads", "This token only reads. Make one that may also record.")
    except Problem as problem:
        return problem.answer()
    note_use(token)
    request.user, request.api_token = token.member, token
    return None


def _token_of(request: HttpRequest) -> ApiToken:
    scheme, _, key = request.headers.get("Authorization", "").partition(" ")
    if scheme.lower() != "bearer":
        raise _unknown("token_missing", "Send your token in the header: Authorization: Bearer and the token.")
    if KEY.fullmatch(key):
        live = ApiToken.objects.filter(ended_at=None, expires_at__gt=timezone.now(), member__is_active=True)
        if token := live.select_related("member").filter(key_sha256=hash_of_key(key)).first():
            return token
    # Looked up all the same when an address sends many wrong ones: a right one from behind the same address always opens.
    counts = [Count("api token", caller_of(request).address, MOST_WRONG)]
    if wait := minutes_to_wait(counts) or count_wrong(counts, what="a wrong API token"):
        sentence = f"Too many wrong tokens came from this address. Wait {wait} minutes."
        raise Problem(429, "too_many", sentence, headers={"Retry-After": str(wait * 60)})
    raise _unknown("token_wrong", "This token opens nothing: it is misspelt, ended or too old.")


def _unknown(code: str, sentence: str) -> Problem:
    return Problem(401, code, sentence, headers={"WWW-Authenticate": "Bearer"})
