"""The real server on a disk of its own that fills up: reading goes on, writing is refused in words, and all is well after.

Needs the right to mount a file system in memory (root, as a rule); skipped where that is not given, and on PostgreSQL, whose
files lie elsewhere.
"""

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.load.server import Client, served
from tests.load.test_backup_under_load import PREPARE

PAGES = ("/", "/lots/", "/journal/", "/health/")


@contextmanager
def small_disk(folder: Path) -> Iterator[Path]:
    folder.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=32m", "tmpfs", str(folder)], capture_output=True, text=True
    )
    if done.returncode:
        pytest.skip(f"no disk of its own can be mounted here: {done.stderr.strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)


def fill(disk: Path) -> Path:
    filler = disk / "filler"
    with filler.open("wb", buffering=0) as file:
        for size in (2**20, 4096):
            try:
                while True:
                    file.write(b"x" * size)
            except OSError:
                continue
    assert os.statvfs(disk).f_bavail == 0
    return filler


@pytest.mark.long
@pytest.mark.skipif("DATABASE_URL" in os.environ, reason="fills the disk of the SQLite file")
def test_a_full_disk_stops_only_what_is_written(tmp_path):
    with small_disk(tmp_path / "disk") as disk, served(disk, PREPARE) as site:
        client = Client(site.port)
        client.sign_in("runner")
        code = site.printed.split()[0]

        def discard() -> tuple[int, str]:
            fields = {"mass": "1 g", "done_on": "2026-05-04", "people": "A. Digger", "loss_reason": "barren"}
            return client.send(f"/lots/{code}/discard/", **fields)

        assert discard()[0] == 302
        filler = fill(disk)
        # What SQLite keeps beside the books has some room in it still, and gives it out to the end.
        recorded = 1
        while (status := discard()[0]) == 302:
            recorded += 1
            assert recorded < 2000
        assert status == 507
        for path in PAGES:
            assert client.ask("GET", path)[0] == 200, path
        filler.unlink()
        assert discard()[0] == 302
        left = site.ask_books(
            f"from prospecting.models import Lot\nprint(int(Lot.objects.get(code={code!r}).on_hand_g))"
        )
        assert int(left) == 1_000_000 - recorded - 1
        assert site.what_is_off() == []
        print(f"{recorded} entries until the disk was full")
