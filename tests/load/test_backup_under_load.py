"""Backups by the command while the real server takes entries: each sound, none short of what was acknowledged before it began.

`FIRE_BACKUPS` sets how many backups are made and `FIRE_WRITERS` how many write: 20 and 20 take some minutes. A short form,
without a server, runs every time (tests/prospecting/actions/test_keeping.py).
"""

import json
import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from prospecting.actions.keeping import faults_of_backup
from tests.load.server import ROOT, Client, Served, served

BACKUPS = int(os.environ.get("FIRE_BACKUPS", "3"))
WRITERS = int(os.environ.get("FIRE_WRITERS", "8"))
LONGEST_WAIT_S, QUIET_S = 2.0, 10

PREPARE = """
from decimal import Decimal
from prospecting.actions import steps
from prospecting.actions.material import NewLot
from tests.make import DAY, make_member, make_zone
member = make_member(username="runner", mass_unit="g")
buckets = [NewLot(kind="bucket", mass_g=Decimal(1000000), typed="1000000 g")] * 20
step = steps.record_dig(zone=make_zone(), station="S1", dug_on=DAY, digger="A. Digger", sample_kind="bulk", buckets=buckets,
                        recorded_by=member)
print(" ".join(step.made.order_by("pk").values_list("code", flat=True)))
"""


def back_up(site: Served) -> Path:
    done = subprocess.run(
        [sys.executable, "manage.py", "backup"],
        cwd=ROOT,
        env=site.environment,
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert done.returncode == 0, done.stderr
    return Path(done.stdout.split(" ")[1].rstrip(":"))


@pytest.mark.long
def test_every_backup_is_sound_and_misses_nothing_acknowledged_before_it(tmp_path):
    with served(tmp_path, PREPARE) as site:
        codes = site.printed.split()
        first = Client(site.port)
        first.sign_in("runner")
        stop, lock, taken, waits, wrong = threading.Event(), threading.Lock(), [0], [], []

        def write(number: int) -> None:
            client = Client(site.port)
            client.cookies = dict(first.cookies)
            try:
                while not stop.is_set():
                    began = time.monotonic()
                    answer = client.send(
                        f"/lots/{codes[number % len(codes)]}/discard/",
                        mass="1 g",
                        done_on="2026-05-04",
                        people="A. Digger",
                        loss_reason="barren",
                    )
                    assert answer[0] == 302, answer
                    with lock:
                        taken[0] += 1
                        waits.append(time.monotonic() - began)
            except BaseException as error:
                wrong.append(error)

        threads = [threading.Thread(target=write, args=(number,)) for number in range(WRITERS)]
        for thread in threads:
            thread.start()
        seconds = []
        try:
            # The same without a backup, to measure against where the machine is too slow for the bar itself.
            time.sleep(QUIET_S)
            with lock:
                quiet, waits[:] = sorted(waits), []
            for _ in range(BACKUPS):
                acknowledged, began = taken[0], time.monotonic()
                folder = back_up(site)
                seconds.append(time.monotonic() - began)
                # At once: the next one of the day takes its place. One step was there before.
                told = json.loads((folder / "manifest.json").read_text())
                assert told["tables"]["prospecting_step"] - 1 >= acknowledged
                assert faults_of_backup(folder) == []
        finally:
            stop.set()
            for thread in threads:
                thread.join(timeout=120)
        assert wrong == [], (tmp_path / "server.log").read_text()[-3000:]
        waits.sort()
        quiet_s, p99_s = (each[int(0.99 * len(each))] for each in (quiet, waits))
        print(
            f"{BACKUPS} backups (command and all {max(seconds):.1f} s at most) during {len(waits)} entries of {WRITERS} writers: "
            f"half within {waits[len(waits) // 2]:.2f} s, 99 of 100 within {p99_s:.2f} s "
            f"(without a backup {quiet_s:.2f} s), the longest {waits[-1]:.2f} s"
        )
        assert p99_s < max(LONGEST_WAIT_S, 2 * quiet_s)
        assert site.what_is_off() == []
