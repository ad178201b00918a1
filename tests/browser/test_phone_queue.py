"""The queue of the phone: entered without a signal, closed, killed, signed out, and delivered all the same, each entry once.

The signal is a gate in front of the running site: shut, nobody answers, neither the page nor its worker. PHONE_ENTRIES=50 in
front of the command enters the whole offline day (50 entries, 20 photos, 3 restarts) instead of the short one of every run.
"""

import io
import json
import os
import random
import re
import signal
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from decimal import Decimal
from pathlib import Path

import pytest
from django.conf import settings
from django.contrib.sessions.models import Session
from django.contrib.staticfiles import finders
from django.urls import reverse
from PIL import Image

from prospecting.models import Delivery, Dig, Photo
from tests import make
from tests.browser.conftest import ARE_KEPT, PHONE, QUIET, REPORT_BREACHES, chromium

pytestmark = pytest.mark.django_db(transaction=True)

ENTRIES = int(os.environ.get("PHONE_ENTRIES", "6"))
PHOTOS = ENTRIES * 4 // 10 if ENTRIES >= 50 else ENTRIES // 3
RESTARTS = 3 if ENTRIES >= 50 else 2
SLOW_MS = 30_000

ALL_ENTRIES = (
    "phoneStore.all().then((all) => all.map(({ files, ...entry }) => ({ ...entry, photos: files.length })))"
)


class Gate:
    """A door in front of the site with an address of its own.

    open; shut: nobody answers; stuck: it takes calls and is silent; mute: calls reach the site, its answers reach nobody.
    """

    def __init__(self, site: str) -> None:
        self.site_address = (socket.gethostbyname("localhost"), int(site.rsplit(":", 1)[1]))
        self.door = socket.socket()
        self.door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self.door.bind(("127.0.0.1", 0))
        self.port = self.door.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"
        self.state = "open"
        self.callers: set[socket.socket] = set()
        self.door.listen(64)
        threading.Thread(target=self._answer, daemon=True).start()

    def _answer(self) -> None:
        while True:
            try:
                caller, _ = self.door.accept()
            except OSError:
                return
            self.callers.add(caller)
            if self.state == "shut":
                self._hang_up(caller)
            elif self.state != "stuck":
                threading.Thread(target=self._connect, args=(caller,), daemon=True).start()

    def _connect(self, caller: socket.socket) -> None:
        with suppress(OSError), socket.create_connection(self.site_address) as site:
            self.callers.add(site)
            threading.Thread(target=self._carry, args=(site, caller), daemon=True).start()
            self._carry(caller, site)
        self._hang_up(caller)

    def _carry(self, one: socket.socket, other: socket.socket) -> None:
        with suppress(OSError):
            while data := one.recv(65536):
                if self.state == "mute" and one.getpeername() == self.site_address:
                    break
                other.sendall(data)
        with suppress(OSError):
            other.shutdown(socket.SHUT_WR)

    def _hang_up(self, *callers: socket.socket) -> None:
        for caller in callers:
            with suppress(OSError):
                caller.shutdown(socket.SHUT_RDWR)
            caller.close()
            self.callers.discard(caller)

    def set(self, state: str) -> None:
        self.state = state
        self._hang_up(*self.callers)

    def close(self) -> None:
        self.set("shut")
        self.door.close()


class Handset:
    """A member's phone: a browser profile of its own; with a folder, it can be killed and started again."""

    def __init__(self, browser, gate: Gate, client, folder: Path | None = None) -> None:
        self.browser, self.gate, self.folder, self.client = browser, gate, folder, client
        self.session = session_of(client)
        self.problems: list[str] = []
        self.start()

    def start(self) -> None:
        options = PHONE | {"base_url": self.gate.url}
        self.context = (
            self.browser.browser_type.launch_persistent_context(
                self.folder, executable_path=chromium(), args=QUIET, **options
            )
            if self.folder
            else self.browser.new_context(**options)
        )
        self.context.set_default_timeout(SLOW_MS)
        self.context.add_init_script(REPORT_BREACHES)
        self.context.on("console", self._watch)
        self.context.on("weberror", lambda error: self.problems.append(str(error.error)))
        self.sign_in(self.session)
        self.page = self.context.pages[0] if self.folder else self.context.new_page()

    def _watch(self, message) -> None:
        # That something did not load is what these tests are about.
        if message.type == "error" and "Failed to load resource" not in message.text:
            self.problems.append(message.text)

    def sign_in(self, session: str) -> None:
        self.session = session
        cookie = {"name": settings.SESSION_COOKIE_NAME, "value": session, "url": self.gate.url}
        self.context.add_cookies([cookie])

    def close(self) -> None:
        with suppress(Exception):
            self.context.close()

    def kill(self) -> None:
        """As a phone does that runs out of memory or power: no browser process gets to say goodbye."""
        mark = f"--user-data-dir={self.folder}".encode()
        for entry in Path("/proc").iterdir():
            with suppress(OSError):
                if entry.name.isdigit() and mark in (entry / "cmdline").read_bytes().split(b"\0"):
                    os.kill(int(entry.name), signal.SIGKILL)
        self.close()
        (self.folder / "SingletonLock").unlink(missing_ok=True)

    def visit(self, *addresses: str) -> None:
        """Once with a signal: the worker starts and the pages are kept."""
        self.page.goto("/phone/")
        assert self.page.evaluate(ARE_KEPT, ["/phone/", *addresses])

    def waiting(self) -> list[dict]:
        return self.page.evaluate(ALL_ENTRIES)

    def strip(self):
        return self.page.locator("[data-queue-strip]")


@pytest.fixture
def gate(live_server) -> Iterator[Gate]:
    door = Gate(live_server.url)
    yield door
    door.close()


@pytest.fixture
def a_phone(browser, gate: Gate, client_as: Callable) -> Iterator[Callable]:
    """Make a phone of `client`'s (or of a member of its own) that has been on the site once with a signal."""
    phones = []
    zone = make.make_zone(name="North bench")

    def make_phone(folder: Path | None = None, client=None) -> Handset:
        client = client or client_as("member", mass_unit="kg", first_name="Ann")
        phones.append(Handset(browser, gate, client, folder))
        phones[-1].zone = zone
        phones[-1].visit("/digs/add/")
        return phones[-1]

    yield make_phone
    for phone in phones:
        phone.close()
    assert [phone.problems for phone in phones] == [[]] * len(phones)


@pytest.fixture
def handset(a_phone: Callable) -> Handset:
    return a_phone()


@pytest.fixture
def lasting_handset(a_phone: Callable, tmp_path: Path) -> Handset:
    return a_phone(tmp_path / "phone")


def session_of(client) -> str:
    return client.cookies[settings.SESSION_COOKIE_NAME].value


def picture(number: int) -> dict:
    """Grain that doesn't shrink to nothing, as a phone's camera gives it."""
    grain = Image.frombytes("L", (400, 300), random.Random(number).randbytes(120_000)).resize((1600, 1200))
    written = io.BytesIO()
    grain.save(written, "JPEG", quality=80)
    return {"name": f"pan-{number}.jpg", "mimeType": "image/jpeg", "buffer": written.getvalue()}


def fill_dig(
    phone: Handset, station: str, *, mass: str = "12", depth: str = "", photo: dict | None = None
) -> None:
    page = phone.page
    page.goto("/digs/add/")
    page.locator("[name=zone]").select_option(str(phone.zone.pk))
    page.locator("[name=station]").fill(station)
    page.locator("[name=sample_kind]").select_option("bulk")
    page.locator("[name=mass_1]").fill(mass)
    page.locator("[name=depth]").fill(depth)
    if photo:
        page.locator("[name=photo]").set_input_files(photo)
        page.get_by_text("Nothing hidden is left in it").wait_for()


def dig(
    phone: Handset, station: str, *, mass: str = "12", depth: str = "", photo: dict | None = None
) -> None:
    fill_dig(phone, station, mass=mass, depth=depth, photo=photo)
    page = phone.page
    page.get_by_role("button", name="Record the dig").click()
    page.wait_for_url(re.compile(r"/phone/|/digs/\d+/"))


def stations() -> list[str]:
    """In the order they came in."""
    return list(Dig.objects.order_by("pk").values_list("station", flat=True))


def until(true: Callable[[], bool], seconds: float = 60) -> bool:
    end = time.monotonic() + seconds
    while not (done := true()) and time.monotonic() < end:
        time.sleep(0.2)
    return done


def sent(phone: Handset) -> bool:
    return until(lambda: not phone.waiting())


def card(phone: Handset, title: str):
    return phone.page.locator(".card", has_text=title)


def sign_in_by_hand(phone: Handset, member) -> None:
    phone.page.goto("/sign-in/")
    phone.page.get_by_label("User name").fill(member.username)
    phone.page.locator("[name=password]").fill("a long enough password")
    phone.page.get_by_role("button", name="Sign in").click()
    phone.page.locator(f"body[data-member='{member.pk}']").wait_for()


def sign_out(phone: Handset):
    phone.page.get_by_text("Menu", exact=True).click()
    return phone.page.locator(".thumb form[data-sign-out] button")


def makers() -> list[int]:
    return list(Delivery.objects.order_by("pk").values_list("member_id", flat=True))


def test_a_day_without_a_signal_arrives_whole_and_in_order(lasting_handset):
    names = [f"S{number}" for number in range(1, ENTRIES + 1)]
    with_photo = set(random.Random(7).sample(range(ENTRIES), PHOTOS))
    part = -(-ENTRIES // (RESTARTS + 1))
    lasting_handset.gate.set("shut")
    for number, name in enumerate(names):
        if number and number % part == 0:
            lasting_handset.kill()
            lasting_handset.start()
        dig(
            lasting_handset,
            name,
            depth="6 ft" if number == 0 else "",
            photo=picture(number) if number in with_photo else None,
        )
    assert [entry["title"] for entry in lasting_handset.waiting()] == [f"Dig at {name}" for name in names]
    assert lasting_handset.strip().inner_text().startswith(f"{ENTRIES} not yet sent, oldest ")
    assert Delivery.objects.count() == 0

    lasting_handset.kill()
    lasting_handset.gate.set("open")
    began = time.monotonic()
    lasting_handset.start()
    lasting_handset.page.goto("/phone/")
    assert until(lambda: Delivery.objects.count() == ENTRIES, 120) and sent(lasting_handset)
    print(f"{ENTRIES} entries, {PHOTOS} photos delivered in {time.monotonic() - began:.1f} s")
    assert stations() == names
    depths = Dig.objects.exclude(depth_m=None).values_list("station", "depth_m", "depth_typed")
    assert list(depths) == [("S1", Decimal("1.83"), "6 ft")]
    assert Photo.objects.count() == PHOTOS
    assert set(Delivery.objects.values_list("member", flat=True)) == {lasting_handset.client.member.pk}
    born = list(Delivery.objects.order_by("pk").values_list("born_at", flat=True))
    assert born == sorted(born)
    lasting_handset.page.get_by_text("Nothing waits").wait_for()
    assert lasting_handset.strip().inner_text() == ""


def test_a_session_that_ended_meanwhile_loses_nothing_and_changes_no_maker(handset):
    names = [f"S{number}" for number in range(1, (ENTRIES if ENTRIES >= 50 else 3) + 1)]
    handset.gate.set("shut")
    for name in names:
        dig(handset, name)
    Session.objects.all().delete()
    handset.gate.set("open")
    handset.page.get_by_role("button", name="Send now").click()
    handset.page.get_by_text("You are signed out: sign in to send.").wait_for()
    assert handset.strip().inner_text().endswith("sign in to send")
    assert len(handset.waiting()) == len(names) and Delivery.objects.count() == 0
    handset.page.goto("/sign-in/")
    handset.strip().get_by_text(f"{len(names)} not yet sent, oldest 0 min; sign in to send").wait_for()
    sign_in_by_hand(handset, handset.client.member)
    assert sent(handset)
    assert stations() == names and makers() == [handset.client.member.pk] * len(names)


def test_what_one_member_entered_is_never_sent_as_another_ones(handset, client_as):
    ann, ben = handset.client.member, client_as("member", mass_unit="kg", first_name="Ben").member
    handset.gate.set("shut")
    dig(handset, "of Ann")
    # Without a signal nobody is signed out: the session would go on.
    sign_out(handset).click()
    handset.page.get_by_text(
        "1 entry is not yet sent; it stays on this phone until you sign in again."
    ).wait_for()
    handset.page.get_by_role("button", name="Sign out all the same").click()
    handset.page.get_by_role("button", name="No signal: sign out later").wait_for()

    Session.objects.all().delete()
    handset.gate.set("open")
    sign_in_by_hand(handset, ben)
    handset.strip().get_by_text("some wait for Ann to sign in here").wait_for()
    assert handset.page.evaluate(ARE_KEPT, ["/digs/add/"])
    dig(handset, "of Ben")
    handset.page.goto("/phone/")
    handset.page.get_by_text("Waits for Ann to sign in here.").wait_for()
    assert not card(handset, "Dig at of Ann").get_by_role("button", name="Delete").is_visible()
    assert stations() == ["of Ben"] and makers() == [ben.pk]

    sign_out(handset).click()
    handset.page.wait_for_url("**/sign-in/")
    sign_in_by_hand(handset, ann)
    assert sent(handset)
    assert stations() == ["of Ben", "of Ann"] and makers() == [ben.pk, ann.pk]


@pytest.mark.long
def test_pages_of_a_member_leave_the_phone_with_the_member(handset, client_as):
    kept = (
        "caches.open('pages').then((pages) => pages.match('/phone/')).then((page) => page ? page.text() : '')"
    )
    assert 'data-member-name="Ann"' in handset.page.evaluate(kept)
    sign_out(handset).click()
    handset.page.wait_for_url("**/sign-in/")
    assert handset.page.evaluate(kept) == ""
    # A session that began without signing out first (in another tab, say) drops them as well.
    handset.client.force_login(handset.client.member)
    handset.sign_in(session_of(handset.client))
    handset.visit()
    handset.sign_in(session_of(client_as("member", first_name="Ben")))
    handset.page.goto("/lots/")
    assert until(lambda: "Ann" not in handset.page.evaluate(kept))


DRAFTS = "JSON.stringify(Object.entries(localStorage).filter(([key]) => key.startsWith('draft/')))"
DRAFTS_BACK = "(drafts) => JSON.parse(drafts).forEach(([key, text]) => localStorage.setItem(key, text))"


@pytest.mark.long
def test_a_draft_that_a_killed_browser_brings_back_pushes_no_entry_out(handset):
    """A browser writes localStorage to its disk late: a draft taken away just before the end is there again afterwards."""
    handset.gate.set("shut")
    fill_dig(handset, "first")
    before = handset.page.evaluate(DRAFTS)
    handset.page.get_by_role("button", name="Record the dig").click()
    handset.page.wait_for_url("**/phone/")
    assert handset.page.evaluate(DRAFTS) == "[]" != before
    handset.page.evaluate(DRAFTS_BACK, before)
    handset.page.goto("/digs/add/")
    assert until(lambda: handset.page.evaluate(DRAFTS) == "[]", 10)
    assert handset.page.locator("[name=station]").input_value() == ""
    # The same draft in two tabs, sent with two stations: none pushes the other out.
    other = re.sub(r"-4\w{3}-", "-4abc-", before)
    handset.page.evaluate(DRAFTS_BACK, other)
    second = handset.context.new_page()
    for page, station in ((handset.page, "second"), (second, "third")):
        page.goto("/digs/add/")
        page.get_by_text("What you typed here before is back").wait_for()
        page.locator("[name=station]").fill(station)
    for page in (handset.page, second):
        page.get_by_role("button", name="Record the dig").click()
        page.wait_for_url("**/phone/")
    assert [entry["title"] for entry in handset.waiting()] == [
        "Dig at first",
        "Dig at second",
        "Dig at third",
    ]


@pytest.mark.parametrize("days", [-3, pytest.param(1, marks=pytest.mark.long)])
def test_a_wrong_clock_is_evidence_and_changes_no_order(handset, days):
    handset.page.clock.set_system_time(time.time() + days * 86400)
    handset.gate.set("shut")
    dig(handset, "first")
    today = handset.page.evaluate("phoneStore.phoneTime().slice(0, 10)")
    handset.page.clock.set_system_time(time.time())
    dig(handset, "second")
    handset.page.clock.set_system_time(time.time() + days * 86400)
    handset.gate.set("open")
    handset.page.goto("/phone/")
    assert sent(handset)
    assert stations() == ["first", "second"]
    first = Delivery.objects.earliest("pk")
    assert first.clock_flagged and abs(first.clock_ahead_s - days * 86400) < 300
    # The day of a page kept on the phone is the phone's own, not that of the page.
    assert Dig.objects.get(station="first").step.done_on.isoformat() == today


def test_what_was_refused_comes_back_and_is_mended(handset):
    handset.gate.set("shut")
    dig(handset, "first", mass="a lot", photo=picture(1))
    dig(handset, "second", mass="600")
    dig(handset, "third")
    handset.gate.set("open")
    handset.page.get_by_role("button", name="Send now").click()
    handset.strip().get_by_text("2 not yet sent, oldest 0 min; 2 to mend").wait_for()
    assert stations() == ["third"]

    # The guard's question is answered without opening the form again.
    card(handset, "Dig at second").get_by_text("heavier than a bucket one can carry").wait_for()
    assert not card(handset, "Dig at first").get_by_role("button", name="Keep it as typed").is_visible()
    card(handset, "Dig at second").get_by_role("button", name="Keep it as typed").click()
    assert until(lambda: stations() == ["third", "second"])

    handset.page.locator(".card .errors li").first.wait_for()
    card(handset, "Dig at first").get_by_role("link", name="Mend it").click()
    handset.page.get_by_text("The photo of this entry is kept").wait_for()
    assert handset.page.locator("[name=station]").input_value() == "first"
    assert handset.page.locator("[name=mass_1]").input_value() == "a lot"
    assert handset.page.locator(".field:has([name=mass_1]) .errors li").count() == 1
    handset.page.locator("[name=mass_1]").fill("12")
    handset.page.get_by_role("button", name="Record the dig").click()
    handset.page.wait_for_url(re.compile(r"/digs/\d+/"))
    assert sent(handset)
    assert stations() == ["third", "second", "first"]
    assert Dig.objects.get(station="first").photo_id == Photo.objects.get().pk


@pytest.mark.long
@pytest.mark.parametrize(
    "limit, most, said",
    [
        ("MEMBER_QUOTA_BYTES", 100, "your pictures and files take nothing"),
        # What is typed fits in, the picture does not.
        ("REQUEST_MAX_BYTES", 8000, "It is too large for the site: take its picture off."),
    ],
)
def test_an_entry_whose_photo_is_not_taken_goes_without_it(handset, settings, limit, most, said):
    """No room left (422) or too large a request (413): it comes back to be mended, and nothing of it is lost."""
    setattr(settings, limit, most)
    handset.gate.set("shut")
    dig(handset, "first", photo=picture(1))
    dig(handset, "second")
    handset.gate.set("open")
    handset.page.get_by_role("button", name="Send now").click()
    card(handset, "Dig at first").get_by_text(said).wait_for()
    assert until(lambda: stations() == ["second"])
    card(handset, "Dig at first").get_by_role("link", name="Mend it").click()
    handset.page.get_by_text("Send it without this photo").click()
    handset.page.get_by_role("button", name="Record the dig").click()
    handset.page.wait_for_url(re.compile(r"/digs/\d+/"))
    assert sent(handset)
    assert stations() == ["second", "first"]
    assert Dig.objects.get(station="first").photo is None and not Photo.objects.exists()


@pytest.mark.long
def test_a_refusal_on_the_spot_is_the_sites_own_page(handset):
    fill_dig(handset, "here", mass="a lot")
    handset.page.get_by_role("button", name="Record the dig").click()
    handset.page.locator("form [data-bound]").wait_for(state="attached")
    assert handset.page.locator("[name=mass_1]").input_value() == "a lot"
    assert handset.waiting() == []
    handset.page.locator("[name=mass_1]").fill("12")
    handset.page.get_by_role("button", name="Record the dig").click()
    handset.page.wait_for_url(re.compile(r"/digs/\d+/"))
    assert stations() == ["here"] and Delivery.objects.count() == 1


@pytest.mark.long
def test_an_entry_is_changed_or_deleted_while_it_waits(handset):
    handset.gate.set("shut")
    dig(handset, "first")
    dig(handset, "second")
    card(handset, "Dig at first").get_by_role("link", name="Change it").click()
    handset.page.get_by_text("You are mending what waits").wait_for()
    handset.page.locator("[name=station]").fill("changed")
    handset.page.get_by_role("button", name="Record the dig").click()
    handset.page.wait_for_url("**/phone/")
    assert [entry["title"] for entry in handset.waiting()] == ["Dig at changed", "Dig at second"]
    second = card(handset, "Dig at second")
    second.get_by_role("button", name="Delete").click()
    second.get_by_text("It is recorded nowhere else.").wait_for()
    assert len(handset.waiting()) == 2
    second.get_by_role("button", name="Delete it for good").click()
    second.wait_for(state="detached")
    handset.gate.set("open")
    handset.page.get_by_role("button", name="Send now").click()
    assert sent(handset) and stations() == ["changed"]


@pytest.mark.parametrize("door", ["open", pytest.param("shut", marks=pytest.mark.long)])
def test_two_taps_are_one_entry(handset, door):
    fill_dig(handset, "tapped")
    handset.gate.set(door)
    handset.page.evaluate("""() => {
      const form = document.querySelector("form[data-queue]");
      const button = form.querySelector("button[type=submit]");
      button.click(); button.click(); form.requestSubmit(); setTimeout(() => form.requestSubmit(), 50);
    }""")
    handset.page.wait_for_url(re.compile(r"/phone/|/digs/\d+/"))
    if door == "shut":
        assert len(handset.waiting()) == 1
        handset.gate.set("open")
        handset.page.goto("/phone/")
    assert sent(handset) and stations() == ["tapped"] and Delivery.objects.count() == 1


@pytest.mark.parametrize("door", ["mute", pytest.param("stuck", marks=pytest.mark.long)])
def test_an_answer_lost_on_the_way_is_no_second_entry(handset, door):
    fill_dig(handset, "once")
    # Lost is the answer to the entry itself, not to the question who is signed in.
    handset.page.route("**/digs/add/", lambda route: (handset.gate.set(door), route.continue_()))
    began = time.monotonic()
    handset.page.get_by_role("button", name="Record the dig").click()
    # The runner waits six seconds at most for the site, and three for the next page.
    handset.page.wait_for_url("**/phone/")
    assert time.monotonic() - began < 15
    handset.page.unroute_all()
    assert len(handset.waiting()) == 1
    assert until(lambda: Delivery.objects.count() == 1, 5) == (door == "mute")
    handset.gate.set("open")
    handset.page.goto("/phone/")
    assert sent(handset) and stations() == ["once"] and Delivery.objects.count() == 1


FULL = """() => {
  const put = IDBObjectStore.prototype.put;
  IDBObjectStore.prototype.put = function (...given) {
    if (this.name === "entries") throw new DOMException("no room", "QuotaExceededError");
    return put.apply(this, given);
  };
}"""


@pytest.mark.long
def test_a_full_phone_says_so_and_leaves_the_form_as_it_is(handset):
    handset.gate.set("shut")
    fill_dig(handset, "no room")
    handset.page.evaluate(FULL)
    handset.page.get_by_role("button", name="Record the dig").click()
    handset.page.get_by_text("This phone's storage for the site is full").wait_for()
    assert handset.page.url.endswith("/digs/add/") and handset.waiting() == []
    assert handset.page.locator("[name=station]").input_value() == "no room"
    # With a signal the site takes it as if there were no queue.
    handset.gate.set("open")
    handset.page.get_by_role("button", name="Record the dig").click()
    handset.page.wait_for_url(re.compile(r"/digs/\d+/"))
    assert stations() == ["no room"] and Delivery.objects.count() == 1


# The queue as the first version of this site would have left it: entries alone, without their order, words and state.
EARLIER_QUEUE = """async ({ member, entries }) => {
  await new Promise((done, failed) => {
    const dropped = indexedDB.deleteDatabase("prospecting-phone");
    dropped.onsuccess = done; dropped.onerror = failed;
  });
  const database = await new Promise((done, failed) => {
    const request = indexedDB.open("prospecting-phone", 1);
    request.onupgradeneeded = () => request.result.createObjectStore("entries", { keyPath: "identity" });
    request.onsuccess = () => done(request.result); request.onerror = failed;
  });
  const store = database.transaction("entries", "readwrite").objectStore("entries");
  for (const entry of entries) store.put({ ...entry, member, fields: Object.entries(entry.fields) });
  await new Promise((done) => { store.transaction.oncomplete = done; });
  database.close();
}"""


def test_a_new_version_of_the_site_sends_an_old_queue(handset):
    number = ENTRIES if ENTRIES >= 50 else 5
    old = [
        {
            # The last identity comes first in the store: the order is that in which the entries were born.
            "identity": f"{number - at:08x}-0000-4000-8000-000000000000",
            "born_at": f"2026-05-03T10:{at:02}:00.000+00:00",
            "action": "/digs/add/",
            "fields": {
                "zone": str(handset.zone.pk),
                "station": f"S{at}",
                "done_on": "2026-05-03",
                "digger": "Ann",
                "sample_kind": "bulk",
                "is_dry": "wet",
                "mass_1": "12",
            },
        }
        for at in range(number)
    ]
    handset.page.goto("/worker.js")
    handset.page.evaluate(EARLIER_QUEUE, {"member": handset.client.member.pk, "entries": old})
    handset.gate.set("shut")
    handset.page.goto("/phone/")
    assert [entry["seq"] for entry in handset.waiting()] == list(range(1, number + 1))
    handset.gate.set("open")
    handset.page.get_by_role("button", name="Send now").click()
    assert sent(handset) and stations() == [f"S{at}" for at in range(number)]


@pytest.mark.long
def test_a_new_worker_takes_over_and_drops_what_the_old_one_kept(handset):
    with_old_shell = """caches.open("shell-of-an-earlier-version").then((shell) => shell.put("/old.js", new Response("")))"""
    handset.page.evaluate(with_old_shell)
    handset.page.evaluate("navigator.serviceWorker.getRegistration().then((worker) => worker.unregister())")
    handset.page.goto("/phone/")
    names = "caches.keys().then((names) => names.filter((name) => name.startsWith('shell-')).length)"
    assert until(lambda: handset.page.evaluate(names) == 1)
    assert handset.page.evaluate("caches.has('shell-of-an-earlier-version')") is False


@pytest.mark.long
def test_the_queue_goes_through_a_file_to_another_phone(handset, a_phone, tmp_path):
    handset.gate.set("shut")
    dig(handset, "carried", photo=picture(1))
    handset.page.get_by_text("What this phone keeps").click()
    with handset.page.expect_download() as saved:
        handset.page.get_by_role("button", name="Save the queue as a file").click()
    file = tmp_path / "queue.json"
    saved.value.save_as(file)
    written = json.loads(file.read_text())
    assert [entry["title"] for entry in written["entries"]] == ["Dig at carried"]

    # As somebody who opens the site on it later, with the first phone still in the gully.
    handset.page.goto("about:blank")
    handset.gate.set("open")
    other = a_phone(client=handset.client)
    other.gate.set("shut")
    other.page.get_by_text("What this phone keeps").click()
    other.page.get_by_label("Load a queue file").set_input_files(file)
    other.page.get_by_text("1 of 1 loaded").wait_for()
    other.page.get_by_label("Load a queue file").set_input_files(file)
    other.page.get_by_text("0 of 1 loaded").wait_for()
    [entry] = other.waiting()
    assert entry["identity"] == written["entries"][0]["identity"]
    assert entry["member"] == str(handset.client.member.pk)
    nonsense = {
        "name": "q.json",
        "mimeType": "application/json",
        "buffer": b'{"kind": "prospecting-queue", "entries": [{}]}',
    }
    other.page.get_by_label("Load a queue file").set_input_files(nonsense)
    other.page.get_by_text("That is not a file of a queue saved here.").wait_for()

    other.gate.set("open")
    other.page.get_by_role("button", name="Send now").click()
    assert sent(other) and Photo.objects.count() == 1
    # The phone it came from hears that it is there already.
    handset.page.goto("/phone/")
    assert sent(handset) and stations() == ["carried"] and Delivery.objects.count() == 1


@pytest.mark.long
def test_where_no_page_can_be_kept_the_queue_sends_from_the_open_one(handset):
    """As over plain http, or before the worker has started."""
    handset.page.evaluate(
        "navigator.serviceWorker.getRegistration().then((worker) => worker.unregister()).then(() => caches.delete('pages'))"
    )
    handset.context.add_init_script("delete Navigator.prototype.serviceWorker; delete window.caches")
    fill_dig(handset, "first")
    handset.gate.set("shut")
    handset.page.get_by_role("button", name="Record the dig").click()
    handset.page.get_by_text("Dig at first: kept on this phone, not yet sent.").wait_for()
    handset.strip().get_by_text("1 not yet sent, oldest 0 min").wait_for()
    handset.page.get_by_role("button", name="Enter another one").click()
    assert handset.page.locator("[name=station]").input_value() == ""
    handset.gate.set("open")
    handset.page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    assert sent(handset) and stations() == ["first"]


@pytest.mark.long
@pytest.mark.parametrize("days", [0, 4])
def test_the_strip_warns_of_what_has_waited_for_days(handset, days):
    handset.gate.set("shut")
    dig(handset, "old")
    handset.page.clock.set_system_time(time.time() + days * 86400)
    handset.page.goto("/digs/add/")
    warns = "send or save them" in handset.strip().get_by_role("link").inner_text()
    assert warns == (days == 4)
    handset.page.goto("/phone/")
    assert handset.page.get_by_text("Some have waited for days").is_visible() == (days == 4)


@pytest.mark.long
@pytest.mark.parametrize("locks", ["locks", "no locks"])
def test_of_two_tabs_one_sends(handset, locks):
    if locks == "no locks":
        # As over plain http.
        handset.context.add_init_script("Object.defineProperty(navigator, 'locks', { value: undefined })")
    names = [f"S{number}" for number in range(1, 6)]
    handset.gate.set("shut")
    for name in names:
        dig(handset, name)
    second = handset.context.new_page()
    second.goto("/phone/")
    posts = []
    handset.context.on("request", lambda each: posts.append(each.url) if each.method == "POST" else None)
    handset.gate.set("open")
    for page in (handset.page, second):
        page.evaluate("void phoneQueue.flush()")
    assert sent(handset) and stations() == names
    assert len(posts) == len(names)


@pytest.mark.long
def test_it_is_sent_when_the_signal_comes_back_by_itself(handset):
    handset.context.set_offline(True)
    dig(handset, "in the gully")
    assert len(handset.waiting()) == 1
    handset.context.set_offline(False)
    assert sent(handset) and stations() == ["in the gully"]


def test_a_cold_start_without_a_signal_takes_less_than_a_second(lasting_handset):
    lasting_handset.close()
    lasting_handset.gate.set("shut")
    lasting_handset.start()
    for address in ("/phone/", "/digs/add/"):
        took = []
        for _ in range(3):
            lasting_handset.page.goto("about:blank")
            began = time.monotonic()
            lasting_handset.page.goto(address)
            lasting_handset.page.get_by_role("heading", level=1).wait_for()
            took.append(time.monotonic() - began)
        assert min(took) < 1, f"{address} took {took}"
        assert "as it stood" in lasting_handset.page.locator("main").inner_text()
        # Dressed as ever, with all its scripts.
        assert lasting_handset.page.evaluate("getComputedStyle(document.body).display") == "flex"
    lasting_handset.page.goto("/journal/")
    lasting_handset.page.get_by_text("The page you asked for needs a signal").wait_for()


@pytest.mark.long
def test_a_signal_that_leads_nowhere_holds_nobody_up(handset):
    handset.gate.set("stuck")
    began = time.monotonic()
    handset.page.goto("/digs/add/")
    assert 2 < time.monotonic() - began < 8
    assert handset.page.locator("html[data-kept]").count() == 1


KEPT_PAGES = """async () => {
  const found = {};
  for (const request of await (await caches.open("pages")).keys())
    found[new URL(request.url).pathname] = await (await caches.match(request)).text();
  return found;
}"""


@pytest.mark.long
def test_only_what_says_so_is_kept_and_nothing_said_once_is_in_it(handset):
    earlier = handset.page.evaluate(KEPT_PAGES)["/phone/"]
    fill_dig(handset, "said")
    handset.page.evaluate("document.querySelector('form[data-queue]').dataset.queueNext = '/phone/'")
    handset.page.get_by_role("button", name="Record the dig").click()
    # The worker's own fetches have not swallowed what is said to the runner.
    handset.page.get_by_text("Recorded. Write each code on its bucket").wait_for()
    handset.page.goto("/lots/")
    # The page with the words was kept anew, without them.
    assert until(lambda: handset.page.evaluate(KEPT_PAGES)["/phone/"] != earlier)
    kept = handset.page.evaluate(KEPT_PAGES)
    assert "/digs/add/" in kept and "/phone/" in kept
    assert not [path for path in kept if path != "/digs/add/" and not path.startswith("/phone/")]
    assert not [path for path, text in kept.items() if "data-said" in text]


def test_the_site_can_be_put_on_the_home_screen(client):
    manifest = client.get(reverse("manifest")).json()
    assert manifest["start_url"] == "/phone/" and manifest["display"] == "standalone"
    sizes = {icon["sizes"]: icon for icon in manifest["icons"] if icon["purpose"] == "any"}
    for size in (192, 512):
        file = finders.find(sizes[f"{size}x{size}"]["src"].removeprefix("/static/"))
        assert Image.open(file).size == (size, size)
    assert "maskable" in {icon["purpose"] for icon in manifest["icons"]}
    worker = client.get(reverse("worker"))
    assert worker["Service-Worker-Allowed"] == "/" and "no-cache" in worker["Cache-Control"]
    known = json.loads(
        worker.content.decode().partition("\n")[0].removeprefix("const SITE = ").removesuffix(";")
    )
    assert "/static/prospecting/queue-forms.js" in known["shell"]
    assert all(finders.find(address.removeprefix("/static/")) for address in known["shell"])
    assert not [address for address in known["shell"] if "vendor" in address or "plotly" in address]
