"""Who may open what, over every address of the site: one mechanism, and nothing beside it."""

from collections.abc import Iterator

import pytest
from django.http import HttpResponse
from django.test import RequestFactory
from django.urls import URLPattern, URLResolver, get_resolver

from prospecting.access import ANYONE, GUEST, KEEPER, MEMBER, RoleMiddleware, page
from tests import make

# Every address with its least role, written down by hand: a page that opens wider than it should fails here.
ANYONES = {"sign-in", "health", "worker", "manifest", "phone-session", "calendar-feed"}
KEEPERS = {
    "member-list",
    "member-add",
    "member-edit",
    "member-password",
    "claim-add",
    "claim-edit",
    "held-list",
    "held-set-aside",
    "trial-import",
    "return-accept",
}
GUESTS = {
    "home",
    "sign-out",
    "own-settings",
    "own-password",
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
}
# A guest writes only about the guest's own account.
GUESTS_POST = {"sign-out", "own-settings", "own-password"}


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
    for pattern in patterns():
        for method in ("GET", "POST", "PUT", "DELETE", "PATCH"):
            request = RequestFactory().generic(method, "/")
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
