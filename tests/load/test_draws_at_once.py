"""Many phones drawing from the same lots in the same instant, on the real server with several processes.

`FIRE_LOTS` sets how many lots: 200 take a minute of two processors, so every run of the tests takes fewer.
"""

import os
import threading
from collections import Counter

import pytest

from tests.load.server import Client, served

# SQLite takes one writer at a time by itself: there it runs with the long ones.
pytestmark = [] if os.environ.get("DATABASE_URL") else [pytest.mark.long]
LOTS, CLIENTS = int(os.environ.get("FIRE_LOTS", "6")), 20

PREPARE = f"""
from decimal import Decimal
from prospecting.actions import steps
from prospecting.actions.material import NewLot
from tests.make import DAY, make_member, make_zone
member = make_member(username="runner", mass_unit="kg")
buckets = [NewLot(kind="bucket", mass_g=Decimal(10000), typed="10 kg")] * {LOTS}
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


def test_of_twenty_who_draw_sixty_percent_of_each_lot_exactly_one_gets_it(tmp_path):
    with served(tmp_path, PREPARE) as site:
        codes = site.printed.split()
        assert len(codes) == LOTS
        barrier = threading.Barrier(CLIENTS)
        answers: list[list[tuple[int, str]]] = [[] for _ in range(CLIENTS)]
        clients = [Client(site.port) for _ in range(CLIENTS)]
        clients[0].sign_in("runner")
        for client in clients[1:]:
            # Twenty phones of one member: hashing a password takes longer than the draws.
            client.cookies = dict(clients[0].cookies)

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

        threads = [threading.Thread(target=draw, args=(number,)) for number in range(CLIENTS)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(timeout=300)

        every = [answer for row in answers for answer in row]
        assert len(every) == LOTS * CLIENTS
        # 302: recorded. 200: the form again, with the reason beside it. Nothing else, and nothing of the 500s.
        assert Counter(status for status, _ in every) == {302: LOTS, 200: LOTS * (CLIENTS - 1)}
        refusals = {said for status, said in every if status == 200}
        assert all("only 4 kg (8.82 lb) is on hand" in said for said in refusals), refusals
        assert site.ask_books(LEFT) == f"{{4000}} {{4000}} {LOTS}"
