"""Many phones at the same material, and at the same record, in the same instant, on the real server with several processes.

`FIRE_LOTS` sets how many lots twenty draw from: 200 take a minute of two processors, so every run of the tests takes fewer.
`FIRE_DRAWS=100 FIRE_PAIRS=500` takes the long form of the others.
"""

import html
import json
import os
import re
import threading
import time
from collections import Counter
from collections.abc import Callable, Sequence

import pytest

from tests.load.server import Client, served

# SQLite takes one writer at a time by itself: there it runs with the long ones.
pytestmark = [] if os.environ.get("DATABASE_URL") else [pytest.mark.long]
LOTS, CLIENTS = int(os.environ.get("FIRE_LOTS", "6")), 20
DRAWS, PAIRS = int(os.environ.get("FIRE_DRAWS", "6")), int(os.environ.get("FIRE_PAIRS", "10"))
# A write waits for its turn; longer than this a person taps again.
P99_S = 2.0


def prepare(lots: int, mass_g: int) -> str:
    """Lines that dig so many buckets of this mass; they print their codes."""
    return f"""
from decimal import Decimal
from prospecting.actions import steps
from prospecting.actions.material import NewLot
from tests.make import DAY, make_member, make_zone
member = make_member(username="runner", mass_unit="kg")
buckets = [NewLot(kind="bucket", mass_g=Decimal({mass_g}), typed="{mass_g} g")] * {lots}
step = steps.record_dig(zone=make_zone(), station="S1", dug_on=DAY, digger="A. Digger", sample_kind="bulk",
                        buckets=buckets, recorded_by=member)
print(" ".join(step.made.order_by("pk").values_list("code", flat=True)))
"""


LEFT = """
from prospecting.models import Lot, Step
from prospecting.actions.material import recomputed_on_hand_g
lots = Lot.objects.filter(kind="bucket")
print({int(lot.on_hand_g) for lot in lots}, {int(recomputed_on_hand_g(lot)) for lot in lots},
      Step.objects.filter(kind="discard").count())
"""


def phones(port: int, number: int) -> list[Client]:
    """So many phones of one member: hashing a password takes longer than what they do."""
    clients = [Client(port) for _ in range(number)]
    clients[0].sign_in("runner")
    for client in clients[1:]:
        client.cookies = dict(clients[0].cookies)
    return clients


def side_by_side(acts: Sequence[Callable[[], None]]) -> None:
    threads = [threading.Thread(target=act) for act in acts]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=600)
        assert not thread.is_alive()


def test_of_twenty_who_draw_sixty_percent_of_each_lot_exactly_one_gets_it(tmp_path):
    with served(tmp_path, prepare(LOTS, 10_000)) as site:
        codes = site.printed.split()
        assert len(codes) == LOTS
        barrier = threading.Barrier(CLIENTS)
        answers: list[list[tuple[int, str]]] = [[] for _ in range(CLIENTS)]
        clients = phones(site.port, CLIENTS)

        def draw(number: int) -> None:
            for code in codes:
                barrier.wait(timeout=120)
                answers[number].append(
                    clients[number].send(
                        f"/lots/{code}/discard/",
                        mass="6 kg",
                        done_on="2026-05-04",
                        people="A. Digger",
                        loss_reason="barren",
                    )
                )

        side_by_side([lambda number=number: draw(number) for number in range(CLIENTS)])
        every = [answer for row in answers for answer in row]
        assert len(every) == LOTS * CLIENTS
        # 302: recorded. 200: the form again, with the reason beside it. Nothing else, and nothing of the 500s.
        assert Counter(status for status, _ in every) == {302: LOTS, 200: LOTS * (CLIENTS - 1)}
        refusals = {said for status, said in every if status == 200}
        assert all("only 4 kg (8.82 lb) is on hand" in said for said in refusals), refusals
        assert site.ask_books(LEFT) == f"{{4000}} {{4000}} {LOTS}"


def test_a_lot_drawn_to_its_last_gram_by_twenty_gives_no_gram_more(tmp_path):
    """Reliability list E2: half of the draws find nothing left, none fails, and nobody waits long."""
    there = CLIENTS * DRAWS // 2
    with served(tmp_path, prepare(1, there)) as site:
        clients, took, statuses = phones(site.port, CLIENTS), [], Counter()

        def draw(client: Client) -> None:
            for _ in range(DRAWS):
                start = time.monotonic()
                status, _ = client.send(
                    f"/lots/{site.printed}/discard/",
                    mass="1 g",
                    done_on="2026-05-04",
                    people="A. Digger",
                    loss_reason="barren",
                    keep_as_typed="on",
                )
                took.append(time.monotonic() - start)
                statuses[status] += 1

        side_by_side([lambda client=client: draw(client) for client in clients])
        print(f"{len(took)} draws, p99 {sorted(took)[int(0.99 * len(took))]:.2f} s, {statuses}")
        assert statuses == {302: there, 200: CLIENTS * DRAWS - there}
        assert site.ask_books(LEFT) == f"{{0}} {{0}} {there}"
        if DRAWS >= 100:
            assert sorted(took)[int(0.99 * len(took))] < P99_S


def test_blends_of_the_same_lots_in_opposite_order_never_wait_for_each_other(tmp_path):
    """Reliability list E3: no deadlock is shown, and each lot is exact to the last milligram."""
    with served(tmp_path, prepare(2, 10_000)) as site:
        codes, barrier, statuses = site.printed.split(), threading.Barrier(2), Counter()

        def blend(client: Client, first: str, second: str) -> None:
            for _ in range(PAIRS):
                barrier.wait(timeout=120)
                status, said = client.send(
                    "/lots/blend/",
                    lot=[first, second],
                    masses="1",
                    **{f"mass_{first}": "1 g", f"mass_{second}": "1 g"},
                    mass_out="2 g",
                    method="rolled",
                    passes="3",
                    done_on="2026-05-04",
                    people="A. Digger",
                    keep_as_typed="on",
                )
                statuses[status, said] += 1

        one, other = phones(site.port, 2)
        side_by_side([lambda: blend(one, *codes), lambda: blend(other, *codes[::-1])])
        assert statuses == {(302, ""): 2 * PAIRS}
        left = 10_000 - 2 * PAIRS
        assert site.ask_books(LEFT) == f"{{{left}}} {{{left}}} 0"
        assert not site.what_is_off()


def test_of_two_who_change_a_record_in_the_same_instant_one_is_told(tmp_path):
    """Reliability list E12: nothing is overwritten unseen, also where both are sent before either is recorded."""
    with served(tmp_path, prepare(1, 1000)) as site:
        lot, barrier, told = f"/lots/{site.printed}/note/", threading.Barrier(2), []

        def change(client: Client, who: str) -> None:
            for turn in range(PAIRS):
                _, page = client.ask("GET", lot)
                shown = html.unescape(re.search(r'name="as_shown" value="(.*?)"', page)[1])
                assert set(json.loads(shown)) == {"title", "place", "note"}
                barrier.wait(timeout=120)
                answer = client.send(lot, title=f"{turn} of {who}", place="", note="", as_shown=shown)
                told.append((turn, *answer))
                barrier.wait(timeout=120)

        one, other = phones(site.port, 2)
        side_by_side([lambda: change(one, "one"), lambda: change(other, "the other")])
        assert Counter((turn, status) for turn, status, _ in told) == {
            (turn, status): 1 for turn in range(PAIRS) for status in (302, 200)
        }
        assert all("Meanwhile changed to" in said for _, status, said in told if status == 200)
