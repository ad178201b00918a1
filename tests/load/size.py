"""How every page takes it when the books are large. From the project's top folder, in its environment:

    python -m tests.load.size

Makes a database of its own (SQLite; PostgreSQL where DATABASE_URL names one whose account may make databases), plays the scene
of the tests in it, and copies its rows inside the database until there are 200,000 lots or more, 1,000,000 runs and 200,000
readings;
at a tenth of that it stops to measure. Each page is opened as a keeper, for records of the scene: `page` is the best of three
openings, `bare` what its own queries take when they are asked again without the site, rows fetched and thrown away. Wanted:
a page in 3 times its bare queries and 30 ms, a record's page in 1.3 times what it took at a tenth. Pages that reckon once and
keep it are measured when they read that back; `first` is the opening that reckons. Ends with 1 when a limit is missed.
`--lots 20000` gives a quick look, `--only lot-` the pages whose names begin so.

Times are of the processor on SQLite, of the clock on PostgreSQL. Ground, laboratories, members and products grow 20-fold and
trials 100-fold at most: a group has few of them, and many results of each. At a tenth of the size it is a tenth of these, and
what comes later is of new ground and new trials: so a zone or a laboratory of the scene holds as much at both sizes, and its page
may grow only by what it asks of the rest. The pans lie over 20 years, those of the tenth within the last two.
"""

import argparse
import sys
import time
from dataclasses import dataclass, field

from tests.benchmarks.lineage import own_database

LOTS, RUNS, READINGS = 200_000, 1_000_000, 200_000
MOST_TIMES_BARE, PLUS_SECONDS, MOST_GROWTH = 3.0, 0.030, 1.3
# A difference smaller than this is the machine's own.
GRAIN_SECONDS = 0.004
GOES = 3
GROUND = {
    "additive",
    "claim",
    "claimdate",
    "claimpaper",
    "columnreading",
    "laboratory",
    "member",
    "referencematerial",
    "zone",
}
GROUND_FOLD, TRIALS_FOLD, YEARS = 20, 100, 20
# Of the machine and of single persons, or each made for one thing that is not copied.
ALONE = {
    "journalseal",
    "delivery",
    "heldentry",
    "photo",
    "invitation",
    "signin",
    "apitoken",
    "calendarlink",
    "oldsheet",
}
# More copies of the scene than there will ever be.
BEYOND = 10_000
# What belongs to a run is copied with the material; the rest of `trials` with the trials.
OF_RUNS = {"run", "colourcount", "weighing", "tailspan"}


@dataclass
class Page:
    name: str
    address: str
    seconds: float = 0.0
    first: float = 0.0
    bare: float = 0.0
    queries: int = 0
    small: "Page | None" = field(default=None, repr=False)

    @property
    def too_slow(self) -> bool:
        return self.seconds > MOST_TIMES_BARE * self.bare + PLUS_SECONDS

    @property
    def growth(self) -> float | None:
        return self.seconds / self.small.seconds if self.small else None

    @property
    def grows(self) -> bool:
        of_a_record = self.name.endswith("-detail")
        return bool(
            of_a_record
            and self.small
            and self.seconds - self.small.seconds > GRAIN_SECONDS
            and self.growth > MOST_GROWTH
        )


class Copies:
    """The rows of the scene, copied inside the database with new numbers: copy k of row 7 of a table of 100 is 7 + 100 k."""

    def __init__(self) -> None:
        from django.apps import apps
        from django.db.models import Max

        self.models = [
            model
            for model in apps.get_models(include_auto_created=True)
            if model._meta.app_label in ("prospecting", "trials")
        ]
        self.span = {
            model: model._base_manager.aggregate(most=Max("pk"))["most"] or 0 for model in self.models
        }
        self.scene = counts()
        self.copied = self.panned = self.ground = self.trials = 0

    def kind_of(self, model) -> str:
        name = model._meta.model_name
        if name in ALONE or name.startswith("member_") or not self.span.get(model):
            return "alone"
        if name in GROUND:
            return "ground"
        return "trials" if model._meta.app_label == "trials" and name not in OF_RUNS else "material"

    def grow_to(self, folds: int, *, ground: int, trials: int, a_year: int) -> None:
        """Copies until there are so many times the rows of the scene, and so many times its ground and its trials.

        `a_year` copies are the pans of one year.
        """
        from django.db import connection, transaction

        # What is copied now is of the ground that is new, and its first copies are of the trials that are.
        self.new_ground = range(self.ground, ground)
        self.new_trials = range(self.copied, min(folds, self.copied + trials - self.trials))
        self.a_year = a_year
        new = {"ground": self.new_ground, "trials": self.new_trials, "material": range(self.copied, folds)}
        with transaction.atomic(), connection.cursor() as cursor:
            if connection.vendor == "sqlite":
                cursor.execute("PRAGMA defer_foreign_keys = ON")
            for model in self.models:
                copies = new.get(self.kind_of(model), range(0))
                # Copy 0 is the scene itself.
                if first := [k for k in copies[:2] if k]:
                    cursor.execute(self._copy(model, first[0], copies[-1]))
        self.copied, self.ground, self.trials = folds, ground, trials
        self._settle()

    def more_pans(self, times: int) -> None:
        """Each pan that stands alone so many times more, from the same lot, with its step and its draw."""
        from django.db import connection, transaction

        from prospecting.models import Draw, Step
        from trials.models import ColourCount, Run, Weighing

        # Those copied since the last time; their numbers begin where no copy of the scene ever gets to.
        run = self.span[Run]
        pans = f"planned_id IS NULL AND id > {run * self.panned} AND id <= {run * self.copied}"
        of_pans = {
            Step: f"t.id IN (SELECT step_id FROM trials_run WHERE {pans})",  # noqa: S608
            Draw: f"t.step_id IN (SELECT step_id FROM trials_run WHERE {pans})",  # noqa: S608
            Run: pans,
            ColourCount: f"t.run_id IN (SELECT id FROM trials_run WHERE {pans})",  # noqa: S608
            Weighing: f"t.run_id IN (SELECT id FROM trials_run WHERE {pans})",  # noqa: S608
        }
        with transaction.atomic(), connection.cursor() as cursor:
            if connection.vendor == "sqlite":
                cursor.execute("PRAGMA defer_foreign_keys = ON")
            for model, where in of_pans.items():
                moved = {
                    one: f't."{one.column}" + ks.k * {BEYOND * self.span[model if one.primary_key else one.related_model]}'
                    for one in model._meta.local_concrete_fields
                    if one.primary_key or one.related_model in (Step, Run)
                }
                cursor.execute(self._insert(model, moved, first=1, last=times, where=where))
        self.panned = self.copied
        self._settle()

    def _copy(self, model, first: int, last: int) -> str:
        changed = {one: self._value(model, one) for one in model._meta.local_concrete_fields}
        return self._insert(model, changed, first=first, last=last, where=f"t.id <= {self.span[model]}")

    def _insert(self, model, changed: dict, *, first: int, last: int, where: str) -> str:
        """Copies k = first to last of the rows `where`; the names are those of the models themselves."""
        fields = model._meta.local_concrete_fields
        names = ", ".join(f'"{one.column}"' for one in fields)
        values = ", ".join(changed.get(one, f't."{one.column}"') for one in fields)
        return (
            f"WITH RECURSIVE ks(k) AS (SELECT {first} UNION ALL SELECT k + 1 FROM ks WHERE k < {last}) "  # noqa: S608
            f'INSERT INTO "{model._meta.db_table}" ({names}) SELECT {values} '
            f'FROM "{model._meta.db_table}" t CROSS JOIN ks WHERE {where}'
        )

    def _value(self, model, one) -> str:
        name = f't."{one.column}"'
        new_pk = f"(t.id + ks.k * {self.span[model]})"
        if one.primary_key:
            return new_pk
        if one.is_relation:
            target = one.related_model
            kind = self.kind_of(target)
            if kind == "alone":
                return "NULL" if one.unique else name
            if kind == "ground":
                first, number = self.new_ground.start, len(self.new_ground)
                return f"{name} + ({first} + ks.k % {number}) * {self.span[target]}"
            if kind == "trials" and self.kind_of(model) == "material":
                return f"CASE WHEN ks.k < {self.new_trials.stop} THEN {name} + ks.k * {self.span[target]} END"
            return f"{name} + ks.k * {self.span[target]}"
        if one.unique:
            return f"substr('N' || {new_pk} || '-' || {name}, 1, {one.max_length})"
        if model._meta.model_name == "journalentry" and one.name == "subject_id":
            return f"{name} + ks.k * 100000"
        if model._meta.model_name == "run" and one.name == "panned_on":
            return self._years_before(name)
        return name

    def _years_before(self, name: str) -> str:
        from django.db import connection

        if connection.vendor == "sqlite":
            return f"date({name}, '-' || (ks.k / {self.a_year}) || ' years')"
        return f"({name} - make_interval(years => ks.k / {self.a_year}))::date"

    def _settle(self) -> None:
        """What the database does by itself on a running site, sooner or later."""
        from django.core.management.color import no_style
        from django.db import connection

        with connection.cursor() as cursor:
            for statement in connection.ops.sequence_reset_sql(no_style(), self.models):
                cursor.execute(statement)
            if connection.vendor == "postgresql":
                cursor.execute("VACUUM ANALYZE")


def counts() -> dict[str, int]:
    from prospecting.models import JournalEntry, Lot, Reading
    from trials.models import Run

    return {
        "lots": Lot.objects.count(),
        "runs": Run.objects.count(),
        "readings": Reading.objects.count(),
        "journal lines": JournalEntry.objects.count(),
    }


def grow(copies: Copies, part: float, lots: int) -> None:
    """To this part of the wanted size."""
    share = part * lots / LOTS
    folds = max(2, round(share * max(LOTS / copies.scene["lots"], READINGS / copies.scene["readings"])))
    copies.grow_to(
        folds,
        ground=min(folds, round(part * GROUND_FOLD)),
        trials=min(folds, round(part * TRIALS_FOLD)),
        a_year=max(1, round(folds / part / YEARS)),
    )
    now = counts()
    if (times := round(share * RUNS / now["runs"])) > 1:
        copies.more_pans(times - 1)


def measure(client, addresses: list[tuple[str, str]]) -> list[Page]:
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    clock = time.process_time if connection.vendor == "sqlite" else time.perf_counter

    def open_once(address: str) -> float:
        start = clock()
        answer = client.get(address)
        # What streams is made when it is read.
        b"".join(answer.streaming_content) if answer.streaming else answer.content
        assert answer.status_code in (200, 302), f"{address} answers {answer.status_code}"
        return clock() - start

    found = []
    for name, address in addresses:
        page = Page(name, address)
        page.first = open_once(address)
        asked: list[tuple] = []

        def note(execute, sql, params, many, context, asked=asked):
            if sql.lstrip("( ")[:6].upper() in ("SELECT", "WITH R"):
                asked.append((sql, params))
            return execute(sql, params, many, context)

        with connection.execute_wrapper(note), CaptureQueriesContext(connection) as queries:
            open_once(address)
        page.queries = len(queries)
        goes = 1 if page.first > 5 else GOES
        page.seconds = min(open_once(address) for _ in range(goes))
        page.bare = min(bare_seconds(asked, clock) for _ in range(goes))
        found.append(page)
        print(".", end="", flush=True)
    print()
    return found


def bare_seconds(asked: list[tuple], clock) -> float:
    from django.db import connection

    start = clock()
    with connection.cursor() as cursor:
        for sql, params in asked:
            cursor.execute(sql, params)
            cursor.fetchall()
    return clock() - start


def printed(pages: list[Page]) -> str:
    lines = [
        f"{'page':<22} {'address':<40} {'queries':>7} {'first':>9} {'page':>9} {'bare':>9} {'ratio':>6} {'growth':>6}"
    ]
    for page in sorted(pages, key=lambda page: -page.seconds):
        ratio = page.seconds / page.bare if page.bare else float("nan")
        growth = f"{page.growth:6.2f}" if page.small else "     -"
        said = " SLOW" * page.too_slow + " GROWS" * page.grows
        lines.append(
            f"{page.name:<22} {page.address[:40]:<40} {page.queries:7} {page.first * 1000:7.0f}ms {page.seconds * 1000:7.1f}ms "
            f"{page.bare * 1000:7.1f}ms {ratio:6.1f} {growth}{said}"
        )
    return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.load.size")
    parser.add_argument("--lots", type=int, default=LOTS)
    parser.add_argument("--only", default="", help="pages whose names begin so")
    parser.add_argument("--small-only", action="store_true", help="a tenth of the size, no growth")
    told = parser.parse_args()
    with own_database():
        from django.db import connection
        from django.test import Client

        from prospecting.models import Member
        from tests.test_attack import play_scene, real_addresses

        start = time.monotonic()
        play_scene()
        copies = Copies()
        print(f"{connection.vendor}: the scene has {copies.scene} ({time.monotonic() - start:.0f} s)")
        client = Client()
        client.force_login(Member.objects.get(username="keeper"))
        addresses = [
            (pattern.name, address)
            for pattern, address in real_addresses()
            if pattern.name.startswith(told.only)
        ]
        grow(copies, 0.1, told.lots)
        print(f"a tenth: {counts()} ({time.monotonic() - start:.0f} s)")
        pages = small = measure(client, addresses)
        if not told.small_only:
            grow(copies, 1.0, told.lots)
            print(f"in full: {counts()} ({time.monotonic() - start:.0f} s)")
            pages = measure(client, addresses)
            for page, before in zip(pages, small, strict=True):
                page.small = before
        print(printed(pages))
        slow, grows = sum(page.too_slow for page in pages), sum(page.grows for page in pages)
        print(f"{len(pages)} pages; {slow} too slow for their queries, {grows} grow with the books.")
        return 1 if slow or grows else 0


if __name__ == "__main__":
    sys.exit(main())
