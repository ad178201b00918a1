"""Pictures made to do harm, sent to the real server: what each costs the process that answers, in memory and time.

The bar is our own: refused within 2 s, and no process more than 200 MB larger at its worst moment.
"""

import time
import uuid
from pathlib import Path

import pytest

from tests.load.server import Client, Served, served
from tests.load.test_exactly_once import Entry, multipart
from tests.make_pictures import HOSTILE, drawn, noise

pytestmark = pytest.mark.long
MOST_SECONDS, MOST_GROWN_MB = 2, 200
PREPARE = """
from tests.make import make_member, make_zone
make_member(username="runner")
print(make_zone().pk)
"""
# Allowed, and as costly as may be: 40 million pixels each, or as many as the memory lent to it holds.
DEAR = {
    "plain.jpg": lambda: noise("JPEG", (8000, 5000), quality=80),
    "65,500 wide.jpg": lambda: drawn("JPEG", (65_500, 600)),
    "progressive.jpg": lambda: noise("JPEG", (8000, 5000), progressive=True, subsampling=0, quality=70),
    "colours.png": lambda: drawn("PNG", (8000, 5000), compress_level=1),
    "large.webp": lambda: drawn("WEBP", (5000, 4000), method=0),
    "large.avif": lambda: drawn("AVIF", (8000, 5000), speed=10),
}


class Worker:
    """One process of the server: how large it is, and how large it was at its worst since last asked."""

    def __init__(self, pid: int) -> None:
        self.folder = Path(f"/proc/{pid}")

    def mb(self, line: str) -> float:
        [found] = [
            text for text in (self.folder / "status").read_text().splitlines() if text.startswith(line)
        ]
        return int(found.split()[1]) / 1024

    def begin(self) -> None:
        # Five: the highest mark starts anew from what is held now (proc(5)).
        (self.folder / "clear_refs").write_text("5")
        self.before = self.mb("VmRSS:")

    def grown_mb(self) -> float:
        return self.mb("VmHWM:") - self.before


def workers_of(site: Served) -> list[Worker]:
    folder = Path(f"/proc/{site.server.pid}/task/{site.server.pid}/children")
    return [Worker(int(pid)) for pid in folder.read_text().split()]


class Sender:
    def __init__(self, site: Served) -> None:
        self.site, self.zone = site, site.printed.strip()
        self.client = Client(site.port)
        self.client.sign_in("runner")

    def send(self, data: bytes) -> tuple[int, str, float, float]:
        """Status and page of a dig sent with this picture; how long it took, and by how many MB a worker grew at most."""
        fields = {
            "zone": self.zone,
            "station": f"S{uuid.uuid4().hex[:6]}",
            "done_on": "2026-05-04",
            "digger": "A. Digger",
        }
        fields |= {"sample_kind": "bulk", "is_dry": "wet", "mass_1": "10 kg"}
        fields["csrfmiddlewaretoken"] = self.client.cookies["csrftoken"]
        body, kind = multipart(Entry("dig", "/digs/add/", fields, data))
        workers = workers_of(self.site)
        for worker in workers:
            worker.begin()
        began = time.monotonic()
        status, page = self.client.ask("POST", "/digs/add/", body=body, content_type=kind)
        took_s = time.monotonic() - began
        return status, page, took_s, max(worker.grown_mb() for worker in workers)


def test_no_picture_costs_a_process_much(tmp_path):
    pictures = {name: make() for name, make in HOSTILE.items()}
    allowed = {name: make() for name, make in DEAR.items()}
    with served(tmp_path / "site", PREPARE) as site:
        assert len(workers_of(site)) == 3
        sender = Sender(site)
        # Each process has loaded what reads pictures before it is measured.
        for _ in range(6):
            assert sender.send(drawn("JPEG"))[0] == 302
        measured = {}
        for name, data in pictures.items():
            status, page, took_s, grown_mb = sender.send(data)
            measured[name] = (took_s, grown_mb)
            assert status == 200 and 'id="id_photo_error"' in page, name
        for name, data in allowed.items():
            status, page, _, grown_mb = sender.send(data)
            measured[name] = (0, grown_mb)
            assert status == 302 or 'id="id_photo_error"' in page, name
        print("\n".join(f"{name}: {took_s:.2f} s, +{mb:.0f} MB" for name, (took_s, mb) in measured.items()))
        assert not {
            name: cost for name, cost in measured.items() if cost[0] > MOST_SECONDS or cost[1] > MOST_GROWN_MB
        }
        # What is larger than anything taken is answered in words, not cut off; long lines above it end there.
        status, page, took_s, grown_mb = sender.send(b"\xff\xd8\xff" + bytes(30_000_000))
        assert status == 413
        assert "That was too large" in page and "at most 12 MB" in page
        assert took_s < 10 and grown_mb < 60
        connection = sender.client.connection
        connection.request("GET", "/health/", headers={"X-Long": "x" * 20_000})
        assert connection.getresponse().status in (400, 431)
        connection.close()
        # The site still answers.
        assert sender.client.ask("GET", "/health/")[0] == 200
