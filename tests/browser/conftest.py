"""A real browser for the tests in this folder: a phone held upright, on a site running in this process.

Every page made here is watched. A message on its error console, a breach of the content security policy, an exception in
a script or a request to another origin fails the test, unless the test said beforehand that it was coming
(`expect_problem`). Playwright's `wait_for_function` breaches the policy itself: wait for a locator instead.
"""

import importlib.util
import os
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest

# Playwright's synchronous calls keep an event loop in this thread, and Django would refuse every query beside it.
os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "1"

HERE = Path(__file__).parent
PHONE = {
    "viewport": {"width": 390, "height": 844},
    "device_scale_factor": 2,
    "has_touch": True,
    "is_mobile": True,
}
QUIET = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    # No name but this machine's own resolves, so nothing the browser does by itself leaves it either.
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE localhost, EXCLUDE 127.0.0.1",
]
# The console tells of a breach as well; this says it in words of our own, whatever a later Chromium prints.
REPORT_BREACHES = """
addEventListener("securitypolicyviolation", (event) =>
  console.error(`policy breach: ${event.effectiveDirective} ${event.blockedURI}`));
"""

# Whether the phone keeps these pages for when there is no signal; waits half a minute for it.
ARE_KEPT = """async (addresses) => {
  for (let tries = 0; tries < 300; tries++) {
    const pages = await caches.open("pages");
    const kept = await Promise.all(addresses.map((address) => pages.match(address)));
    if (kept.every(Boolean)) return true;
    await new Promise((done) => setTimeout(done, 100));
  }
  return false;
}"""


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if HERE in item.path.parents:
            item.add_marker(pytest.mark.browser)


def chromium() -> str | None:
    return (
        os.environ.get("PROSPECTING_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    )


def skip_or_fail(reason: str) -> None:
    """Where browser tests are required, a missing browser is a failure: a skip is not a pass."""
    if os.environ.get("PROSPECTING_BROWSER_TESTS") == "required":
        pytest.fail(f"browser tests are required here, but {reason}")
    pytest.skip(reason)


@pytest.fixture(scope="session")
def browser() -> Iterator:
    if importlib.util.find_spec("playwright") is None:
        skip_or_fail("playwright is not installed (see tests/requirements.txt)")
    executable = chromium()
    if executable is None:
        skip_or_fail("no chromium was found; install it or name it in PROSPECTING_CHROMIUM")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=executable, args=QUIET)
        yield running
        running.close()


@pytest.fixture
def launch_browser(browser) -> Iterator[Callable]:
    """Start one more browser with switches of its own: `launch_browser("--use-fake-ui-for-media-stream")`."""
    running = []

    def launch(*switches: str):
        running.append(browser.browser_type.launch(executable_path=chromium(), args=[*QUIET, *switches]))
        return running[-1]

    yield launch
    for started in running:
        started.close()


class Problems:
    """What went wrong on the watched pages, and what a test said would."""

    def __init__(self) -> None:
        self.seen: list[str] = []
        self.expected: list[re.Pattern] = []

    def verdict(self) -> str:
        unexpected = [
            text for text in self.seen if not any(pattern.search(text) for pattern in self.expected)
        ]
        missing = [
            pattern.pattern
            for pattern in self.expected
            if not any(pattern.search(text) for text in self.seen)
        ]
        lines = [f"unexpected: {text}" for text in unexpected]
        return "\n".join(lines + [f"expected, but did not come: {text}" for text in missing])


@pytest.fixture
def problems() -> Iterator[Problems]:
    """The problems so far; the test fails at its end over any it did not expect."""
    watched = Problems()
    yield watched
    if verdict := watched.verdict():
        pytest.fail(verdict, pytrace=False)


@pytest.fixture
def expect_problem(problems: Problems) -> Callable[[str], None]:
    """Say beforehand what the page will complain of: `expect_problem("status of 403")`. It must then happen."""
    return lambda pattern: problems.expected.append(re.compile(pattern))


@pytest.fixture
def open_page(browser, live_server, problems: Problems) -> Iterator[Callable]:
    """Make a watched page with a browser profile of its own: `open_page()`, `open_page(java_script_enabled=False)`.

    `signed_in_as` takes a client of `client_as` and gives the page that member's session; `in_browser` is one made by
    `launch_browser`, and `base_url` another name of this same site.
    """
    from django.conf import settings

    contexts = []

    def watch_request(request, site: str) -> None:
        parts = urlsplit(request.url)
        inside = parts.scheme in ("data", "blob", "about")
        if not inside and f"{parts.scheme}://{parts.netloc}" != site:
            problems.seen.append(f"request to another origin: {request.url}")

    def watch_console(message) -> None:
        if message.type == "error":
            problems.seen.append(
                f"console: {message.text} ({message.page.url if message.page else 'worker'})"
            )

    def make(*, signed_in_as=None, in_browser=None, base_url=live_server.url, **options):
        # The worker fetches a dozen pages for each new phone: only tests of it wait for that.
        options = {"service_workers": "block"} | options
        context = (in_browser or browser).new_context(base_url=base_url, **(PHONE | options))
        contexts.append(context)
        context.set_default_timeout(10_000)
        context.add_init_script(REPORT_BREACHES)
        context.on("request", lambda request: watch_request(request, base_url))
        context.on("console", watch_console)
        context.on("weberror", lambda error: problems.seen.append(f"script: {error.error}"))
        if signed_in_as is not None:
            session = signed_in_as.cookies[settings.SESSION_COOKIE_NAME].value
            context.add_cookies([{"name": settings.SESSION_COOKIE_NAME, "value": session, "url": base_url}])
        return context.new_page()

    yield make
    for context in contexts:
        context.close()


@pytest.fixture
def phone(open_page: Callable):
    """A page on a phone, signed out."""
    return open_page()


@pytest.fixture
def phone_as(open_page: Callable, client_as: Callable) -> Callable:
    """A signed-in page on a phone: `phone_as("member")`, with the fields of a member as `client_as` takes them."""

    def sign_in(role: str = "member", **fields):
        client = client_as(role, **fields)
        page = open_page(signed_in_as=client)
        page.member = client.member
        return page

    return sign_in


@pytest.fixture
def signed_in(db) -> Callable:
    """A client signed in as one of the demo's people."""
    from django.test import Client

    from prospecting.models import Member

    def sign_in(username: str) -> Client:
        client = Client()
        client.force_login(Member.objects.get(username=username))
        return client

    return sign_in
