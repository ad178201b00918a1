"""Who may open what, over every address of the site: one mechanism, and nothing beside it."""

from collections.abc import Iterator

import pytest
from django.http import HttpResponse
from django.test import RequestFactory
from django.urls import URLPattern, URLResolver, get_resolver

from prospecting.access import ANYONE, GUEST, KEEPER, MEMBER, RoleMiddleware, page
from tests import make
from tests.prospecting.make_token import make_token

# Every address with its least role, written down by hand: a page that opens wider than it should fails here.
ANYONES = {
    "sign-in",
    "sign-in-code",
    "join",
    "health",
    "worker",
    "manifest",
    "phone-session",
    "calendar-feed",
}
KEEPERS = {
    "member-list",
    "member-add",
    "member-edit",
    "member-password",
    "member-codes-off",
    "member-sign-out",
    "invitation-list",
    "invitation-add",
    "invitation-withdraw",
    "claim-add",
    "claim-edit",
    "held-list",
    "held-set-aside",
    "keeping",
    "trial-import",
    "old-sheet-list",
    "old-sheet-add",
    "old-sheet-read",
    "old-sheet-try",
    "old-sheet-detail",
    "old-sheet-take-back",
    "whole-books",
    "return-accept",
    "api-token-all",
}
GUESTS = {
    "home",
    "help-list",
    "help-task",
    "sign-out",
    "own-settings",
    "own-password",
    "own-codes",
    "own-codes-begin",
    "own-codes-on",
    "own-codes-renew",
    "own-codes-off",
    "own-devices",
    "own-device-end",
    "own-devices-end",
    "own-data",
    "zone-list",
    "zone-detail",
    "zone-compare",
    "claim-detail",
    "dig-list",
    "dig-detail",
    "lot-list",
    "lot-find",
    "lot-detail",
    "lot-scan",
    "lot-from-tag",
    "lot-lineage",
    "dig-lots",
    "zone-lots",
    "lot-sampling",
    "lot-uniform",
    "bucket-compare",
    "lot-recovery",
    "lot-left",
    "step-detail",
    "laboratory-list",
    "dispatch-list",
    "reading-list",
    "dispatch-detail",
    "material-list",
    "material-detail",
    "assay-charges",
    "return-detail",
    "return-checks",
    "sample-detail",
    "laboratory-compare",
    "laboratory-detail",
    "additive-list",
    "additive-detail",
    "additive-compare",
    "additive-clearing",
    "clearing-list",
    "clearing-detail",
    "trial-list",
    "trial-detail",
    "trial-verdict",
    "trial-figure",
    "trial-effects",
    "trial-doses",
    "trial-outcomes",
    "trial-runs-csv",
    "trial-columns-csv",
    "trial-runs-xlsx",
    "trial-across",
    "finding-list",
    "finding-detail",
    "house-method",
    "next-trials",
    "field-against-laboratory",
    "assay-next",
    "run-list",
    "run-detail",
    "api-page",
    "api-file",
    "api-token-list",
    "api-token-end",
    # Of programs, by a token: see prospecting/api/gate.py.
    "api-token",
    "api-openapi",
    "api-nothing",
    "api-claims",
    "api-claim",
    "api-zones",
    "api-zone",
    "api-digs",
    "api-dig",
    "api-lots",
    "api-lot",
    "api-samples",
    "api-sample",
    "api-trials",
    "api-trial",
    "api-runs",
    "api-run",
}
# A guest writes only about the guest's own account.
GUESTS_POST = {
    "sign-out",
    "own-settings",
    "own-password",
    "own-codes-begin",
    "own-codes-on",
    "own-codes-renew",
    "own-codes-off",
    "own-device-end",
    "own-devices-end",
    "own-data",
    "api-token-list",
    "api-token-end",
}


def patterns(resolver: URLResolver | None = None) -> Iterator[URLPattern]:
    for entry in (resolver or get_resolver()).url_patterns:
        if isinstance(entry, URLResolver):
            yield from patterns(entry)
        else:
            yield entry


def least_role_of(name: str) -> str:
    if name in ANYONES:
        return ANYONE
    if name in KEEPERS:
        return KEEPER
    return GUEST if name in GUESTS else MEMBER


def test_every_address_opens_to_whom_it_should():
    found = {pattern.name: getattr(pattern.callback, "least_role", "not said") for pattern in patterns()}
    assert found == {name: least_role_of(name) for name in found}


def test_a_guest_posts_only_about_the_own_account():
    posts = {
        p.name for p in patterns() if "POST" in p.callback.allowed_methods and least_role_of(p.name) == GUEST
    }
    assert posts == GUESTS_POST


@pytest.mark.django_db
@pytest.mark.parametrize("role", [None, GUEST, MEMBER, KEEPER])
def test_the_gate_holds_for_every_address_role_and_method(role):
    """The gate itself is asked, not the page, so that no page's own state can hide a hole."""
    from django.contrib.auth.models import AnonymousUser

    rank = {None: 0, GUEST: 1, MEMBER: 2, KEEPER: 3}
    user = make.make_member(role) if role else AnonymousUser()
    gate = RoleMiddleware(lambda request: HttpResponse())
    # A program is known by its member's token, a browser by its sign-in.
    token = {"Authorization": f"Bearer {make_token(user, may_record=role != GUEST)}"} if role else {}
    for pattern in patterns():
        for method in ("GET", "POST", "PUT", "DELETE", "PATCH"):
            request = RequestFactory().generic(method, "/", headers=token)
            request.user = user
            try:
                answer = gate.process_view(request, pattern.callback, (), {})
                opened = answer is None
            except Exception as refusal:
                assert type(refusal).__name__ == "PermissionDenied"
                opened = False
            least = least_role_of(pattern.name)
            may = method in pattern.callback.allowed_methods and (
                least == ANYONE or rank[role] >= rank[least]
            )
            assert opened == may, f"{role} {method} {pattern.name}"


def test_a_view_that_says_nothing_is_refused():
    request = RequestFactory().get("/")
    with pytest.raises(Exception, match="does not say who may open it"):
        RoleMiddleware(lambda r: HttpResponse()).process_view(request, lambda r: HttpResponse(), (), {})


def test_a_writing_page_is_never_a_guests():
    with pytest.raises(ValueError, match="a guest only reads"):
        page(role=GUEST, methods=("GET", "POST"))
