"""What pages cost: queries with the demo's books, and no heavy library where none of its results is shown."""

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

from django.urls import reverse

from prospecting.models import AssayReturn, Claim, ClaimDate, Dig, Dispatch, Laboratory, Sample, Step, Zone
from trials.models import Additive, ClearingTest, Run, Trial, Tub

MOST_QUERIES = 20
# Reckoned at the first opening after the records changed, and read back at every later one.
KEPT = {
    "laboratory-detail",
    "laboratory-compare",
    "additive-compare",
    "trial-verdict",
    "trial-figure",
    "trial-doses",
    "additive-detail",
    "trial-effects",
    "next-trials",
    "field-against-laboratory",
    "assay-next",
    "zone-detail",
    "zone-compare",
    "claim-map",
}
# These show what scipy reckoned: the verdict, and what a draft could see (there is no draft in the demo).
WITH_STATISTICS = {
    "zone-detail",
    "zone-compare",
    "field-against-laboratory",
    "assay-next",
    "additive-clearing",
    "clearing-detail",
    "trial-verdict",
    "trial-doses",
    "additive-detail",
    "additive-compare",
    "trial-effects",
    "next-trials",
    "trial-outcomes",
    "trial-runs-xlsx",
    "lot-uniform",
    "lot-renew",
}
PLAIN = [
    "home",
    "help-list",
    "phone-home",
    "own-settings",
    "member-list",
    "member-add",
    "invitation-list",
    "invitation-add",
    "own-codes",
    "own-devices",
    "own-data",
    "zone-list",
    "zone-compare",
    "claim-add",
    "claim-date-list",
    "calendar-link",
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
    "laboratory-compare",
    "dispatch-list",
    "reading-list",
    "dispatch-add",
    "field-against-laboratory",
    "assay-next",
    "material-list",
    "material-add",
    "assay-charges",
    "additive-list",
    "additive-compare",
    "clearing-list",
    "clearing-add",
    "trial-list",
    "trial-add",
    "trial-import",
    "old-sheet-list",
    "old-sheet-add",
    "whole-books",
    "finding-list",
    "finding-add",
    "house-method",
    "next-trials",
    "trial-across",
    "run-list",
    "pocket-trials",
    "pocket-lots",
    "pocket-doses",
    "pocket-pages",
    "pocket-crush",
    "pocket-pan",
    "held-list",
    "keeping",
    "api-page",
    "api-file",
    "api-token-list",
    "api-token-all",
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
    lot = Trial.objects.filter(state="closed").earliest("pk").feed_lot
    yield from ((name, reverse(name)) for name in PLAIN)
    yield from ((name, reverse(name, args=[lot.code])) for name in LOT_PAGES)
    for name, record in [
        ("claim-detail", Claim.objects.first()),
        ("claim-date-add", Claim.objects.first()),
        ("claim-date-edit", ClaimDate.objects.first()),
        ("claim-date-keep", ClaimDate.objects.first()),
        ("claim-date-void", ClaimDate.objects.first()),
        ("claim-date-reopen", ClaimDate.objects.first()),
        ("claim-paper-add", Claim.objects.first()),
        ("zone-detail", Zone.objects.get(name="Gouge seam")),
        ("claim-map", Claim.objects.first()),
        ("positions-read", Claim.objects.first()),
        ("dig-detail", Dig.objects.first()),
        ("dig-lots", Dig.objects.first()),
        ("zone-lots", Zone.objects.get(name="Gouge seam")),
        ("step-detail", Step.objects.get(kind="cut")),
        ("step-detail", lot.made_by),
        ("step-correct", lot.made_by),
        ("step-correct", Step.objects.get(kind="cut")),
        ("dispatch-detail", Dispatch.objects.last()),
        ("return-detail", AssayReturn.objects.earliest("pk")),
        *(("return-checks", each) for each in AssayReturn.objects.all()),
        *(("laboratory-detail", each) for each in Laboratory.objects.all()),
        ("sample-detail", Sample.objects.answered().first()),
        ("sample-rule", Sample.objects.answered().first()),
        ("dispatch-rule", Dispatch.objects.last()),
        ("additive-edit", Additive.objects.first()),
        ("trial-detail", running),
        ("trial-detail", Trial.objects.filter(state="closed").earliest("pk")),
        ("pocket-trial", running),
        ("run-sheet", running),
        ("mixing-sheet", running),
        ("tub-labels", running),
        *(("trial-verdict", trial) for trial in Trial.objects.filter(state="closed")),
        *(("trial-figure", trial) for trial in Trial.objects.filter(state="closed")),
        *(("trial-effects", trial) for trial in Trial.objects.filter(state="closed")),
        ("trial-doses", Trial.objects.filter(state="closed").earliest("pk")),
        ("additive-detail", Additive.objects.get(name__startswith="Rinse aid A")),
        ("trial-outcomes", Trial.objects.filter(state="closed").earliest("pk")),
        ("trial-runs-csv", Trial.objects.filter(state="closed").earliest("pk")),
        ("trial-runs-xlsx", Trial.objects.filter(state="closed").earliest("pk")),
        ("run-detail", Run.objects.filter(planned__isnull=False).first()),
        ("run-keep", Run.objects.first()),
        ("run-mud", Run.objects.filter(settled_mud__isnull=True).first()),
        ("additive-clearing", Additive.objects.filter(kind="flocculant").earliest("pk")),
        ("clearing-detail", ClearingTest.objects.earliest("pk")),
        ("clearing-edit", ClearingTest.objects.earliest("pk")),
        ("tub-mud", Tub.objects.filter(settled_mud__isnull=True).earliest("pk")),
    ]:
        yield name, reverse(name, args=[record.pk])
    yield "run-log", reverse("run-log", args=[running.pk, running.planned_runs.open().first().blind_code])


HEAVY = ["numpy", "scipy", "pandas", "statsmodels", "plotly", "openpyxl"]
SCRIPT = """
import json
import sys
import django
django.setup()
from django.conf import settings
from django.core.management import call_command
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
settings.ALLOWED_HOSTS.append("testserver")
call_command("collectstatic", interactive=False, verbosity=0)
from tests.test_pages_cost import HEAVY, KEPT, WITH_STATISTICS, pages
from prospecting.models import Member
client = Client()
client.force_login(Member.objects.get(username="keeper"))
visited, may_load = list(pages()), WITH_STATISTICS - KEPT
if sys.argv[1:] == ["reckon"]:
    visited, may_load = [page for page in visited if page[0] in KEPT], KEPT
asked, loaded = {}, {}
# What may load a library comes last: after it the library is there for all.
for name, url in sorted(visited, key=lambda page: page[0] in may_load):
    with CaptureQueriesContext(connection) as queries:
        assert client.get(url).status_code == 200, url
    asked[url] = len(queries)
    if name not in may_load and (found := [library for library in HEAVY if library in sys.modules]):
        loaded.setdefault(url, found)
print(json.dumps({"asked": asked, "loaded": loaded}))
"""


def test_no_page_costs_more_than_it_shows(tmp_path):
    """On the demo's books: at most so many queries, and no heavy library where none of its results is shown."""
    names = {name: value for name, value in os.environ.items() if name not in ("DATABASE_URL",)}
    names |= {"PROSPECTING_DATA_DIR": str(tmp_path), "DJANGO_SETTINGS_MODULE": "prospecting.settings"}
    # The demo's findings hold verdicts, so loading it reckons: by a process of its own.
    run_in(names, "manage.py", "demo", "--load-only")
    # What is kept is reckoned by one process and read back by another.
    for more, pages_asked in [(["reckon"], 10), ([], 90)]:
        done = run_in(names, "-c", SCRIPT, *more)
        assert done.returncode == 0, done.stderr[-2000:]
        told = json.loads(done.stdout.splitlines()[-1])
        assert told["loaded"] == {}
        assert len(told["asked"]) > pages_asked
        assert {url: number for url, number in told["asked"].items() if number > MOST_QUERIES} == {}


def run_in(names: dict[str, str], *arguments: str) -> subprocess.CompletedProcess:
    return subprocess.run(
        [sys.executable, *arguments],
        cwd=Path(__file__).parent.parent,
        env=names,
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )
