"""The addresses of the API, and the page that explains it."""

import json
from urllib.parse import quote

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.urls import URLPattern, path, reverse

from prospecting.access import GUEST, page
from prospecting.api.gate import Answer, Problem, by_token
from prospecting.api.listing import Listing, list_view, one_view
from prospecting.calc.language import phrase
from trials.api.description import ENDPOINTS, LISTINGS, REFUSALS, TOKEN, TOLD, openapi
from trials.api.recording import EXAMPLE, SENT, lot_run_record, trial_run_record

ROOT = "api/1/"


@page(role=GUEST)
def api_page(request: HttpRequest) -> HttpResponse:
    return render(
        request,
        "trials/api_page.html",
        {
            "endpoints": ENDPOINTS,
            "records": TOLD,
            "sent": SENT,
            "refusals": REFUSALS,
            "example": json.dumps(EXAMPLE, indent=1),
            "site": request.build_absolute_uri("/").rstrip("/"),
            "crumbs": [(phrase("My settings"), reverse("own-settings")), (phrase("For programs"), "")],
        },
    )


@page(role=GUEST)
def api_file(request: HttpRequest) -> JsonResponse:
    """The OpenAPI document for whoever is signed in; programs ask for it by token."""
    return JsonResponse(openapi(request.build_absolute_uri("/").rstrip("/")))


@by_token(role=GUEST)
def api_openapi(request: HttpRequest) -> Answer:
    return Answer(openapi(request.build_absolute_uri("/").rstrip("/")))


@by_token(role=GUEST)
def api_token(request: HttpRequest) -> Answer:
    return Answer(TOKEN.write(request.api_token, for_guest=False))


@by_token(role=GUEST, methods=("GET",))
def api_nothing(request: HttpRequest, rest: str) -> Answer:
    raise Problem(404, "not_found", f"No address of the API: /{ROOT}{quote(rest)}. Each ends with a slash.")


def _of_listing(listing: Listing) -> list[URLPattern]:
    key = "<code:code>" if listing.key == "code" else "<int:pk>"
    return [
        path(f"{ROOT}{listing.name}/", list_view(listing), name=f"api-{listing.name}"),
        path(f"{ROOT}{listing.name}/{key}/", one_view(listing), name=f"api-{listing.one}"),
    ]


def addresses() -> list[URLPattern]:
    """Every address of the API with its page, for urls.py."""
    return [
        path("api/", api_page, name="api-page"),
        path("api/openapi.json", api_file, name="api-file"),
        path(ROOT, api_token, name="api-token"),
        path(f"{ROOT}openapi.json", api_openapi, name="api-openapi"),
        *(pattern for listing in LISTINGS for pattern in _of_listing(listing)),
        path(f"{ROOT}lots/<code:code>/runs/", lot_run_record, name="api-lot-run-record"),
        path(f"{ROOT}trials/<int:pk>/runs/<code:blind_code>/", trial_run_record, name="api-trial-run-record"),
        # Whatever else stands below it is answered in the shape of the API, and to nobody without a token.
        path(f"{ROOT}<path:rest>", api_nothing, name="api-nothing"),
    ]
