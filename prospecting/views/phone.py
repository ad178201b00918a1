"""The site on a phone without a signal: its start page and queue, the worker that keeps pages, and what installs it."""

import json
from pathlib import Path

from django.apps import apps
from django.conf import settings
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.templatetags.static import static
from django.urls import reverse
from django.utils.translation import get_language
from django.views.decorators.cache import never_cache

from prospecting.access import ANYONE, MEMBER, keep_on_phone, page
from prospecting.calc.language import phrase
from prospecting.version import site_version

WORKER = Path(__file__).resolve().parents[1] / "static" / "prospecting" / "worker.js"
# Of use only with a printer, a camera on the network, or as the worker itself.
NOT_KEPT = {"print.js", "scan.js", "worker.js"}


def shell() -> list[str]:
    """Addresses of what every kept page is dressed in: the style sheet, the scripts and the icon."""
    own = [Path(app.path) for app in apps.get_app_configs() if Path(app.path).parent == settings.BASE_DIR]
    names = [
        str(path.relative_to(root))
        for root in [folder / "static" for folder in own]
        for path in sorted(root.glob("*/*"))
        if path.suffix == ".js" and path.name not in NOT_KEPT
    ]
    return [static(name) for name in ["prospecting/site.css", "prospecting/icon.svg", *names]]


@page(role=ANYONE)
@never_cache
def worker(request: HttpRequest) -> HttpResponse:
    """The worker with what it has to know in front: another version of the site is another worker."""
    known = {
        "version": site_version(),
        "shell": shell(),
        "language": get_language(),
        "nothingKept": {
            "title": phrase("No signal"),
            "says": phrase("This page has not been kept on this phone. Entries that wait are safe."),
            "onward": phrase("What waits on this phone"),
        },
    }
    script = f"const SITE = {json.dumps(known)};\n{WORKER.read_text()}"
    return HttpResponse(
        script, content_type="text/javascript; charset=utf-8", headers={"Service-Worker-Allowed": "/"}
    )


@page(role=ANYONE)
def manifest(request: HttpRequest) -> JsonResponse:
    icons = [
        ("icon.svg", "any", "any"),
        ("icon-192.png", "192x192", "any"),
        ("icon-512.png", "512x512", "any"),
    ]
    icons.append(("icon-maskable-512.png", "512x512", "maskable"))
    return JsonResponse(
        {
            "id": "/",
            "name": phrase("Gold prospecting log"),
            "short_name": phrase("Gold log"),
            "description": phrase("What was dug, what became of it, and what the pans showed."),
            "lang": get_language(),
            "start_url": reverse("phone-home"),
            "scope": "/",
            "display": "standalone",
            "background_color": "#f7f3e9",
            "theme_color": "#0f4c37",
            "icons": [
                {
                    "src": static(f"prospecting/{name}"),
                    "sizes": sizes,
                    "purpose": purpose,
                    "type": "image/svg+xml" if name.endswith("svg") else "image/png",
                }
                for name, sizes, purpose in icons
            ],
        },
        content_type="application/manifest+json",
    )


@page(role=MEMBER)
@keep_on_phone
def phone_home(request: HttpRequest) -> HttpResponse:
    """Where a phone starts: what waits to be sent, and what can be done without a signal."""
    return render(request, "prospecting/phone_home.html")
