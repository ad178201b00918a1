"""What pages cost: queries with the demo's books, and no heavy library where none of its results is shown."""

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from prospecting.models import AssayReturn, Claim, Dig, Dispatch, Member, Step, Zone
from trials.models import Additive, Run, Trial
from trials.scenario import load_scenario

MOST_QUERIES = 20
# These show what scipy reckoned: the verdict, and what a draft could see (there is no draft in the demo).
WITH_STATISTICS = {"trial-verdict", "lot-uniform", "lot-renew"}
PLAIN = [
    "home",
    "phone-home",
    "own-settings",
    "member-list",
    "member-add",
    "zone-list",
    "claim-add",
    "dig-list",
    "dig-add",
    "lot-list",
    "lot-blend",
    "bucket-compare",
    "lot-tags",
    "lot-scan",
    "lots-move",
    "lots-hand-over",
    "lots-reserve",
    "lots-release",
    "journal",
    "laboratory-list",
    "dispatch-list",
    "dispatch-add",
    "additive-list",
    "clearing-list",
    "clearing-add",
    "trial-list",
    "trial-add",
    "trial-across",
    "run-list",
    "pocket-trials",
    "pocket-lots",
    "pocket-doses",
    "pocket-pages",
    "pocket-crush",
    "pocket-pan",
    "held-list",
]
LOT_PAGES = [
    "lot-detail",
    "lot-left",
    "lot-renew",
    "lot-bridge",
    "lot-lineage",
    "lot-uniform",
    "lot-sampling",
    "lot-recovery",
    "lot-tag",
    "lot-dry",
    "lot-crush",
    "lot-screen",
    "lot-split",
    "lot-cut",
    "lot-take-for-assay",
    "lot-reweigh",
    "lot-discard",
    "lot-correct",
    "lot-mark",
    "lot-move",
    "lot-hand-over",
    "lot-reserve",
    "lot-release",
    "run-add",
]


def pages() -> Iterator[tuple[str, str]]:
    """(name, address) of every page a keeper reads, on the demo record with the most behind it."""
    running = Trial.objects.get(state="running")
    lot = Trial.objects.get(state="closed").feed_lot
    yield from ((name, reverse(name)) for name in PLAIN)
    yield from ((name, reverse(name, args=[lot.code])) for name in LOT_PAGES)
    for name, record in [
        ("claim-detail", Claim.objects.first()),
        ("zone-detail", Zone.objects.get(name="Gouge seam")),
        ("dig-detail", Dig.objects.first()),
        ("dig-lots", Dig.objects.first()),
        ("zone-lots", Zone.objects.get(name="Gouge seam")),
        ("step-detail", Step.objects.get(kind="cut")),
        ("step-detail", lot.made_by),
        ("step-correct", lot.made_by),
        ("step-correct", Step.objects.get(kind="cut")),
        ("dispatch-detail", Dispatch.objects.last()),
        ("return-detail", AssayReturn.objects.get()),
        ("additive-edit", Additive.objects.first()),
        ("trial-detail", running),
        ("trial-detail", Trial.objects.get(state="closed")),
        ("pocket-trial", running),
        ("run-sheet", running),
        ("mixing-sheet", running),
        ("tub-labels", running),
        ("trial-verdict", Trial.objects.get(state="closed")),
        ("run-detail", Run.objects.filter(planned__isnull=False).first()),
        ("run-keep", Run.objects.first()),
    ]:
        yield name, reverse(name, args=[record.pk])
    yield "run-log", reverse("run-log", args=[running.pk, running.planned_runs.open().first().blind_code])


@pytest.mark.django_db
def test_no_page_asks_the_database_more_than_twenty_times():
    load_scenario(password="a long enough password")
    client = Client()
    client.force_login(Member.objects.get(username="keeper"))
    asked = {}
    for name, url in pages():
        with CaptureQueriesContext(
            connection,
        ) as queries:
            assert client.get(url).status_code == 200, url
        asked[name, url] = len(queries)
    assert {page: number for page, number in asked.items() if number > MOST_QUERIES} == {}


HEAVY = ["numpy", "scipy", "pandas", "statsmodels", "plotly", "openpyxl"]
SCRIPT = """
import sys
import django
django.setup()
from django.core.management import call_command
from django.test import Client
from django.conf import settings
settings.ALLOWED_HOSTS.append("testserver")
call_command("migrate", verbosity=0)
call_command("collectstatic", interactive=False, verbosity=0)
from tests.test_pages_cost import HEAVY, WITH_STATISTICS, pages
from trials.scenario import load_scenario
from prospecting.models import Member
load_scenario(password="a long enough password")
client = Client()
client.force_login(Member.objects.get(username="keeper"))
for name, url in pages():
    if name in WITH_STATISTICS:
        continue
    assert client.get(url).status_code == 200, url
    loaded = [library for library in HEAVY if library in sys.modules]
    assert not loaded, f"{url} loaded {loaded}"
print("light")
"""


def test_no_page_without_statistics_loads_a_heavy_library(tmp_path):
    names = {name: value for name, value in os.environ.items() if name not in ("DATABASE_URL",)}
    names |= {"PROSPECTING_DATA_DIR": str(tmp_path), "DJANGO_SETTINGS_MODULE": "prospecting.settings"}
    root = Path(__file__).parent.parent
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT],
        cwd=root,
        env=names,
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )
    assert done.stdout.strip().endswith("light"), done.stderr[-2000:]
