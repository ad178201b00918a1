"""Entries of phones over a bad line and a server that is killed: each stored exactly once, and none that was acknowledged lost.

`FIRE_ENTRIES` sets how many entries go through the bad line and `FIRE_KILLS` how often the server is killed: 1,000 and 10 take
some minutes of two processors, so every run of the tests takes fewer.
"""

import datetime
import http.client
import io
import json
import os
import queue
import random
import socket
import sqlite3
import threading
import time
import uuid
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field

import pytest
from PIL import Image

from tests.load.server import Client, Served, served

ENTRIES = int(os.environ.get("FIRE_ENTRIES", "25"))
KILLS = int(os.environ.get("FIRE_KILLS", "1"))
PHONES, LOTS = 10, 8
MOST_SENDS, CUT_SHARE, MOST_TROUBLES = 5, 0.3, 5
LOT_G = 1_000_000

PREPARE = f"""
from decimal import Decimal
from prospecting.actions import steps
from prospecting.actions.material import NewLot
from tests.make import DAY, make_member, make_zone
member = make_member(username="runner", mass_unit="g")
zone = make_zone()
buckets = [NewLot(kind="bucket", mass_g=Decimal({LOT_G}), typed="{LOT_G} g")] * {LOTS}
step = steps.record_dig(zone=zone, station="S1", dug_on=DAY, digger="A. Digger", sample_kind="bulk", buckets=buckets,
                        recorded_by=member)
print(member.pk, zone.pk, *step.made.order_by("pk").values_list("code", flat=True))
"""

STORED = """
import json
from prospecting.models import Delivery, Dig, JournalEntry, Lot, Photo, Step
from trials.models import Run
print(json.dumps({
    "pan": Run.objects.count(),
    "photo": Photo.objects.count(),
    "pan with photo": Run.objects.filter(photo__isnull=False).count(),
    "discard": Step.objects.filter(kind="discard").count(),
    "split": Step.objects.filter(kind="split").count(),
    "dig": Dig.objects.count() - 1,
    "deliveries": {str(delivery.identity): delivery.record_path for delivery in Delivery.objects.all()},
    "journal": JournalEntry.objects.filter(subject_kind="step").count() - 1,
    "left": {lot.code: int(lot.on_hand_g) for lot in Lot.objects.filter(made_by=Step.objects.earliest("pk"))},
}))
"""


@dataclass
class Entry:
    """One entry as a phone keeps it, and what it was told of it."""

    kind: str
    path: str
    fields: dict[str, str]
    photo: bytes | None = None
    code: str = ""
    takes_g: int = 0
    identity: str = field(default_factory=lambda: str(uuid.uuid4()))
    born_at: str = field(default_factory=lambda: datetime.datetime.now(datetime.UTC).isoformat())
    answers: list[tuple[int, str, str]] = field(default_factory=list)

    @property
    def is_acknowledged(self) -> bool:
        return bool(self.answers)


class Phone(Client):
    """Sends entries as the site's own script does, and trusts only an answer that names the entry's own identity."""

    def __init__(self, port: int, cookies: dict[str, str], member: str) -> None:
        super().__init__(port)
        self.cookies, self.member = dict(cookies), member

    def deliver(self, entry: Entry) -> bool:
        """Whether an answer came; the entry keeps it. Anything but a recorded or known entry fails the test.

        Where the site says that it has trouble (on a machine too slow for ten at once), the entry is sent again, as a phone does.
        """
        for _ in range(MOST_TROUBLES):
            heard = self._send(entry)
            if heard is None:
                return False
            status, told = heard
            if told["state"] != "error":
                break
        assert status in (200, 201), told
        assert told["identity"] == entry.identity
        entry.answers.append((status, told["state"], told["path"]))
        return True

    def _send(self, entry: Entry) -> tuple[int, dict] | None:
        body, content_type = multipart(entry)
        headers = {
            "Cookie": "; ".join(f"{name}={value}" for name, value in self.cookies.items()),
            "X-CSRFToken": self.cookies["csrftoken"],
            "X-Phone-Entry": "later",
            "X-Member": self.member,
            "X-Born-At": entry.born_at,
            "X-Sent-At": datetime.datetime.now(datetime.UTC).isoformat(),
            "Content-Type": content_type,
            "Connection": "close",
        }
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=90)
        try:
            connection.request("POST", entry.path, body, headers)
            answer = connection.getresponse()
            return answer.status, json.loads(answer.read())
        except (OSError, http.client.HTTPException):
            return None
        finally:
            connection.close()


def multipart(entry: Entry) -> tuple[bytes, str]:
    edge = uuid.uuid4().hex
    parts = [
        f'--{edge}\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{text}\r\n'.encode()
        for name, text in (entry.fields | {"identity": entry.identity, "keep_as_typed": "on"}).items()
    ]
    if entry.photo is not None:
        head = f'--{edge}\r\nContent-Disposition: form-data; name="photo"; filename="pan.jpg"\r\n'
        parts.append(f"{head}Content-Type: image/jpeg\r\n\r\n".encode() + entry.photo + b"\r\n")
    return b"".join([*parts, f"--{edge}--\r\n".encode()]), f"multipart/form-data; boundary={edge}"


def picture(rng: random.Random) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (64, 48), (rng.randrange(256), rng.randrange(256), rng.randrange(256))).save(out, "JPEG")
    return out.getvalue()


def born(number: int, rng: random.Random, member: str, zone: str, codes: list[str]) -> Entry:
    """An entry of one of the forms that a phone queues; half of them test pans, a quarter of these with a picture."""
    code = rng.choice(codes)
    common = {"done_on": "2026-05-04", "people": "A. Digger"}
    match number % 8:
        case 0 | 1 | 2 | 3:
            pan = {"portion": "454 g", "gold": f"{rng.randrange(20, 90) / 10}", "scale_step": "0.1 mg"}
            pan |= {"panned_on": "2026-05-04", "panner": member}
            photo = picture(rng) if number % 8 == 0 else None
            return Entry("pan", f"/lots/{code}/pan/", pan, photo, code, 454)
        case 4 | 5:
            grams = rng.randrange(100, 300)
            discard = common | {"mass": f"{grams} g", "loss_reason": "barren"}
            return Entry("discard", f"/lots/{code}/discard/", discard, None, code, grams)
        case 6:
            split = common | {
                "mass": "200 g",
                "method": "riffle",
                "passes": "1",
                "piece_1": "100 g",
                "piece_2": "100 g",
            }
            return Entry("split", f"/lots/{code}/split/", split, None, code, 200)
        case _:
            dig = {"zone": zone, "station": f"S{number}", "done_on": "2026-05-04", "digger": "A. Digger"}
            dig |= {"sample_kind": "bulk", "is_dry": "wet", "mass_1": "10 kg"}
            return Entry("dig", "/digs/add/", dig)


class BadLine:
    """A line to the server that brings each request there whole and waits for the whole answer. It cuts a share of the answers
    off; the others are some time on their way, and those on their way when the line is broken never arrive."""

    def __init__(self, port: int, rng: random.Random, *, cut_share: float, way_s: float) -> None:
        self.server_port, self.rng, self.lock = port, rng, threading.Lock()
        self.cut_share, self.way_s, self.breaks = cut_share, way_s, 0
        self.cut, self.passed = 0, 0
        self.ear = socket.create_server(("127.0.0.1", 0), backlog=64)
        self.port = self.ear.getsockname()[1]

    def carry(self) -> None:
        while True:
            try:
                phone, _ = self.ear.accept()
            except OSError:
                return
            threading.Thread(target=self._one, args=(phone,), daemon=True).start()

    def _one(self, phone: socket.socket) -> None:
        # A server that was killed: its end of the line is gone, and so is this phone's.
        with suppress(OSError), phone, self._server() as server:
            server.sendall(whole_request(phone))
            # The phone asks the server to close when it is done: what comes until then is the whole answer.
            answer = b"".join(iter(lambda: server.recv(65536), b""))
            breaks = self.breaks
            time.sleep(self.way_s)
            with self.lock:
                is_cut = self.rng.random() < self.cut_share or breaks != self.breaks
                self.cut, self.passed = self.cut + is_cut, self.passed + (not is_cut)
            if not is_cut:
                phone.sendall(answer)

    def _server(self) -> socket.socket:
        return socket.create_connection(("127.0.0.1", self.server_port), timeout=90)


def whole_request(phone: socket.socket) -> bytes:
    data = b""
    while b"\r\n\r\n" not in data:
        data += more(phone)
    head, _, body = data.partition(b"\r\n\r\n")
    length = next(
        int(line.split(b":")[1]) for line in head.lower().split(b"\r\n") if b"content-length:" in line
    )
    while len(body) < length:
        body += more(phone)
    return head + b"\r\n\r\n" + body


def more(phone: socket.socket) -> bytes:
    data = phone.recv(65536)
    if not data:
        raise ConnectionError("the phone hung up before its request was whole")
    return data


@contextmanager
def bad_line(
    port: int, rng: random.Random, *, cut_share: float = 0.0, way_s: float = 0.0
) -> Iterator[BadLine]:
    line = BadLine(port, rng, cut_share=cut_share, way_s=way_s)
    carrier = threading.Thread(target=line.carry, daemon=True)
    carrier.start()
    try:
        yield line
    finally:
        line.ear.close()


def sign_in(site: Served) -> tuple[dict[str, str], str, str, list[str]]:
    member, zone, *codes = site.printed.split()
    assert len(codes) == LOTS
    client = Client(site.port)
    client.sign_in("runner")
    return client.cookies, member, zone, codes


def at_once(work: list, act) -> list:
    """Do `act` to each of `work`, ten at a time in that order; what went wrong."""
    waiting: queue.SimpleQueue = queue.SimpleQueue()
    for piece in work:
        waiting.put(piece)
    wrong: list[BaseException] = []

    def go_on() -> None:
        while not wrong:
            try:
                act(waiting.get_nowait())
            except queue.Empty:
                return
            except BaseException as error:
                wrong.append(error)

    threads = [threading.Thread(target=go_on) for _ in range(PHONES)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=1200)
    return wrong


def check_counts(stored: dict, entries: list[Entry]) -> None:
    """Exactly those that were born are in the books, and each lot gave exactly what they took."""
    wanted = Counter(entry.kind for entry in entries)
    assert {kind: stored[kind] for kind in wanted} == wanted
    assert stored["photo"] == stored["pan with photo"] == sum(entry.photo is not None for entry in entries)
    assert stored["journal"] == len(entries)
    taken = Counter()
    for entry in entries:
        taken[entry.code] += entry.takes_g
    assert {code: LOT_G - left for code, left in stored["left"].items()} == {
        code: taken[code] for code in stored["left"]
    }


def check_stored(site: Served, entries: list[Entry]) -> None:
    """The books hold each entry once, and each phone was told the truth."""
    stored = json.loads(site.ask_books(STORED))
    check_counts(stored, entries)
    assert stored["deliveries"] == {entry.identity: entry.answers[0][2] for entry in entries}
    for entry in entries:
        assert len({path for _, _, path in entry.answers}) == 1, "one entry, told of two records"
        assert sum(status == 201 for status, _, _ in entry.answers) <= 1, "recorded anew by a second sending"


@pytest.mark.long
def test_a_thousand_entries_over_a_bad_line_are_stored_once_each(tmp_path):
    rng = random.Random(20260504)
    with served(tmp_path, PREPARE) as site, bad_line(site.port, rng, cut_share=CUT_SHARE) as line:
        cookies, member, zone, codes = sign_in(site)
        entries = [born(number, rng, member, zone, codes) for number in range(ENTRIES)]
        sends = [entry for entry in entries for _ in range(rng.randint(1, MOST_SENDS))]
        rng.shuffle(sends)
        started = time.monotonic()
        assert at_once(sends, lambda entry: Phone(line.port, cookies, member).deliver(entry)) == []
        # All are in by now. As a phone does, go on until each is acknowledged; nothing may come of that but the answer.
        before = json.loads(site.ask_books(STORED))
        check_counts(before, entries)
        unheard = [entry for entry in entries if not entry.is_acknowledged]

        def insist(entry: Entry) -> None:
            while not Phone(line.port, cookies, member).deliver(entry):
                pass
            assert {state for _, state, _ in entry.answers} == {"known"}

        assert at_once(unheard, insist) == []
        assert json.loads(site.ask_books(STORED)) == before
        print(
            f"{len(entries)} entries, {line.cut + line.passed} sendings, {line.cut} answers cut, {len(unheard)} entries without "
            f"any answer at first, {time.monotonic() - started:.0f} s"
        )
        assert line.cut > 0.2 * (line.cut + line.passed)
        check_stored(site, entries)
        assert site.what_is_off() == []


def test_no_acknowledged_entry_is_lost_when_the_server_is_killed(tmp_path):
    rng = random.Random(20260505)
    number_of_entries = max(50 * KILLS, ENTRIES)
    with served(tmp_path, PREPARE) as site, bad_line(site.port, rng, way_s=0.3) as line:
        cookies, member, zone, codes = sign_in(site)
        entries = [born(number, rng, member, zone, codes) for number in range(number_of_entries)]
        broken, back_after_s = Counter(), []

        def insist(entry: Entry) -> None:
            """Send until an answer comes, and never again after one: an acknowledged entry that got lost stays lost."""
            while not Phone(line.port, cookies, member).deliver(entry):
                broken[entry.identity] += 1
                time.sleep(0.05)

        wrong: list = []
        phones = threading.Thread(target=lambda: wrong.extend(at_once(entries, insist)))
        phones.start()
        for kill in range(KILLS):
            until = (kill + 0.5) * number_of_entries / KILLS
            while sum(entry.is_acknowledged for entry in entries) < until and phones.is_alive():
                time.sleep(0.005)
            assert phones.is_alive(), wrong
            line.breaks += 1
            site.kill()
            started = time.monotonic()
            site.start()
            back_after_s.append(time.monotonic() - started)
        phones.join(timeout=1200)
        assert wrong == []
        again = sum(entry.answers[0][0] == 200 for entry in entries)
        print(
            f"{KILLS} kills during {len(entries)} entries: {len(broken)} entries lost their answer, of which {again} were in the "
            f"books already; back after {max(back_after_s):.1f} s at most"
        )
        check_stored(site, entries)
        # A picture is written before the entry that names it is in the books: a kill in between leaves the file behind, which
        # the books' own check tells of. Nothing else may be off.
        assert [
            line for line in site.what_is_off() if "among the photos, and no entry knows it" not in line
        ] == []
        assert len(broken) >= KILLS, "no kill met an entry on its way"
        assert again, "no kill met an entry that was in the books and not acknowledged"
        books = tmp_path / "books.sqlite3"
        if books.exists():
            with sqlite3.connect(books) as connection:
                assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
