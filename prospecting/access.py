"""Who may open which page: one mechanism, fail closed.

Every view says by `@page(role=..., methods=...)` who may open it and how. RoleMiddleware lets nothing through that does
not say so: a view without the mark answers 403. A guest reads; a member also writes; a keeper also manages.

An entry sent by a phone (a form's fields with the header X-Phone-Entry) is answered in JSON, whatever happens to it: what
comes back as a page or leads on to one would look to the phone as if it had been recorded.
"""

import uuid
from collections.abc import Callable, Sequence
from functools import wraps

from django.conf import settings
from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse, HttpResponseNotAllowed, JsonResponse
from django.utils import translation
from django.utils.cache import patch_vary_headers
from django.utils.translation import gettext_lazy

from prospecting.actions.delivery import known_delivery
from prospecting.actions.journal import on_device
from prospecting.calc import number_words
from prospecting.calc.language import phrase
from prospecting.forms.base import SiteForm

ANYONE = "anyone"
GUEST, MEMBER, KEEPER = "guest", "member", "keeper"
RANK = {GUEST: 1, MEMBER: 2, KEEPER: 3}
ONLY_FOR = {
    GUEST: gettext_lazy("This page is for guests."),
    MEMBER: gettext_lazy("This page is for members."),
    KEEPER: gettext_lazy("This page is for keepers."),
}


def page(*, role: str, methods: Sequence[str] = ("GET",), own: bool = False) -> Callable:
    """Mark a view with the least role that may open it and the methods it answers.

    A guest never posts, unless the page is about the guest's own account (`own=True`: sign out, own settings).
    """
    if role not in (ANYONE, *RANK):
        raise ValueError(f"role is {role!r}; it is one of anyone, guest, member, keeper")
    if role == GUEST and not own and set(methods) - {"GET"}:
        raise ValueError("a guest only reads: give role=MEMBER to a page that writes")

    def mark(view: Callable) -> Callable:
        view.least_role = role
        view.allowed_methods = tuple(methods) + (("HEAD",) if "GET" in methods else ())
        return view

    return mark


def keep_on_phone(view: Callable) -> Callable:
    """Mark a page that may lie on a phone to be opened without signal; never one that holds the key of a trial."""

    @wraps(view)
    def marked(request: HttpRequest, *args, **kwargs) -> HttpResponse:
        response = view(request, *args, **kwargs)
        if request.method == "GET" and response.status_code == 200:
            response.headers["X-Keep-On-Phone"] = "1"
        return response

    return marked


class PhoneAnswer(JsonResponse):
    """What a phone is told of its entry: its state, and whatever belongs to it. No cache may keep it."""

    def __init__(self, status: int, state: str, **told) -> None:
        super().__init__({"state": state} | told, status=status, headers={"Cache-Control": "no-store"})


def from_phone(request: HttpRequest) -> bool:
    return "X-Phone-Entry" in request.headers


def identity_of(request: HttpRequest) -> str:
    """The identity an entry says it has, as it was sent: the phone trusts only an answer that names it."""
    return request.POST.get("identity", "")[:36]


def _known(request: HttpRequest) -> PhoneAnswer | None:
    """The answer to an entry that was delivered before. Its page may refuse it by now (its lot is used up: by itself)."""
    try:
        identity = uuid.UUID(identity_of(request))
    except ValueError:
        return None
    body = SiteForm.body_of(request.POST, request.FILES)
    known = known_delivery(identity=identity, body=body, member=request.user)
    return known and PhoneAnswer(200, "known", identity=identity_of(request), path=known.record_path)


def _speak_to(request: HttpRequest) -> None:
    """Say what follows in the language the reader's browser asks for, where there is a catalogue of it."""
    if len(settings.LANGUAGES) > 1:
        translation.activate(translation.get_language_from_request(request))
    request.LANGUAGE_CODE = translation.get_language()


class RoleMiddleware:
    """Let a request through only when the view's mark says this member may open it."""

    def __init__(self, get_response: Callable) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        with on_device(request.headers.get("User-Agent", "")), number_words.as_written():
            _speak_to(request)
            response = self.get_response(request)
            if from_phone(request) and not isinstance(response, PhoneAnswer):
                response = self._not_recorded(request, response)
        if len(settings.LANGUAGES) > 1:
            patch_vary_headers(response, ["Accept-Language"])
        return response

    def _not_recorded(self, request: HttpRequest, response: HttpResponse) -> HttpResponse:
        """A page answered an entry without saying that it was recorded."""
        if response.status_code >= 400:
            return PhoneAnswer(
                response.status_code, "error", sentence=phrase("The site could not take this entry.")
            )
        sentence = phrase(
            "The page of this entry did not take it as it stands. Open the page, look whether it is there already, and "
            "enter it anew if not."
        )
        return PhoneAnswer(
            422,
            "refused",
            identity=identity_of(request),
            code="not_taken",
            sentences=[sentence],
            fields={},
            asks=[],
        )

    def process_view(
        self, request: HttpRequest, view: Callable, args: tuple, kwargs: dict
    ) -> HttpResponse | None:
        if ask_for_token := getattr(view, "token_gate", None):
            # A program is known by its token alone and answered in JSON: api/gate.py.
            translation.activate(settings.LANGUAGE_CODE)
            return ask_for_token(request, view)
        least_role = getattr(view, "least_role", None)
        if least_role is None:
            raise PermissionDenied("This page does not say who may open it.")
        if request.method not in view.allowed_methods:
            return HttpResponseNotAllowed([m for m in view.allowed_methods if m != "HEAD"])
        if least_role == ANYONE:
            return None
        if from_phone(request):
            if not request.user.is_authenticated:
                return PhoneAnswer(
                    401, "signed_out", sentence=phrase("Sign in again; the entry waits on this phone.")
                )
            if request.headers.get("X-Member") != str(request.user.pk):
                sentence = phrase(
                    "This entry is not {member}'s. It waits for the member who made it to sign in.",
                    member=request.user,
                )
                return PhoneAnswer(409, "other_member", sentence=sentence)
            if answer := _known(request):
                return answer
        if not request.user.is_authenticated:
            return redirect_to_login(request.get_full_path())
        if RANK[request.user.role] < RANK[least_role]:
            raise PermissionDenied(ONLY_FOR[least_role])
        number_words.write_with(request.user.decimal_mark)
        return None
