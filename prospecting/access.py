"""Who may open which page: one mechanism, fail closed.

Every view says by `@page(role=..., methods=...)` who may open it and how. RoleMiddleware lets nothing through that does
not say so: a view without the mark answers 403. A guest reads; a member also writes; a keeper also manages.
"""

from collections.abc import Callable, Sequence

from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse, HttpResponseNotAllowed

from prospecting.actions.journal import on_device

ANYONE = "anyone"
GUEST, MEMBER, KEEPER = "guest", "member", "keeper"
RANK = {GUEST: 1, MEMBER: 2, KEEPER: 3}


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


class RoleMiddleware:
    """Let a request through only when the view's mark says this member may open it."""

    def __init__(self, get_response: Callable) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        with on_device(request.headers.get("User-Agent", "")):
            return self.get_response(request)

    def process_view(
        self, request: HttpRequest, view: Callable, args: tuple, kwargs: dict
    ) -> HttpResponse | None:
        least_role = getattr(view, "least_role", None)
        if least_role is None:
            raise PermissionDenied("This page does not say who may open it.")
        if request.method not in view.allowed_methods:
            return HttpResponseNotAllowed([m for m in view.allowed_methods if m != "HEAD"])
        if least_role == ANYONE:
            return None
        if not request.user.is_authenticated:
            return redirect_to_login(request.get_full_path())
        if RANK[request.user.role] < RANK[least_role]:
            raise PermissionDenied(f"This page is for {least_role}s.")
        return None
