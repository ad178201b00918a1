"""All that the pages of zones read of a zone: plain rows in a few queries, and one hash over them.

Fifty thousand results are not made into records: numbers come as floats, flags as 1 or 0, days only with the digs. Whatever a
page reckons from these rows it keeps by their hash.
"""

import hashlib
import marshal
from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass

from django.db import connection
from django.db.models import Exists, FloatField, IntegerField, OuterRef, Q
from django.db.models.functions import Cast

from prospecting.models import Dig, Draw, Lot, Member, Origin, Sample, Step, Zone
from trials.models import Run

# Lots that came out of a recovery or a screen, or hold some that did, with which of the two it was. What a recovery leaves
# has a grade of its own making, far from the ground's; what passed a screen may be richer or poorer than the whole.
_SORTED_OUT = """
    WITH RECURSIVE line(lot_id, kind) AS (
        SELECT lot.id, step.kind
        FROM {origin} origin JOIN {dig} dig ON dig.id = origin.dig_id AND dig.zone_id IN ({zones})
        JOIN {lot} lot ON lot.id = origin.lot_id
        JOIN {step} step ON step.id = lot.made_by_id AND step.kind IN ('recover', 'screen')
        UNION
        SELECT made.id, line.kind
        FROM line JOIN {draw} draw ON draw.lot_id = line.lot_id
        JOIN {lot} made ON made.made_by_id = draw.step_id
    )
    SELECT lot_id, kind FROM line ORDER BY lot_id, kind
"""


@dataclass(frozen=True)
class ZoneRows:
    """Rows in the order of the columns named at `rows_of_zones`; flags are 1 or 0. The origins of a lot stand together."""

    digs: list[tuple]
    origins: list[tuple]
    sorted_out: list[tuple]
    runs: list[tuple]
    samples: list[tuple]
    panners: list[tuple]

    @property
    def sha256(self) -> str:
        """64 signs that change with anything a page of this zone shows of its digs and results."""
        dated = [(pk, station, day.isoformat(), depth, kind) for pk, station, day, depth, kind in self.digs]
        rows = [dated, self.origins, self.sorted_out, self.runs, self.samples, self.panners]
        # Form 2 of marshal writes equal rows alike, whatever else refers to them, and ten times as fast as JSON.
        return hashlib.sha256(marshal.dumps(rows, 2)).hexdigest()


def rows_of_zone(zone: Zone) -> ZoneRows:
    """The rows of one zone; see `rows_of_zones`."""
    return rows_of_zones([zone])[zone.pk]


def rows_of_zones(zones: Collection[Zone]) -> dict[int, ZoneRows]:
    """By zone its digs (id, station, day, depth in m, kind); of lots with a result the origins in the zone (lot, dig, share);
    those of them that were sorted (lot, kind of step); its runs; its samples; panners (id and names). Six queries in all."""
    digs = _digs(zones)
    zone_of = {row[0]: zone for zone, rows in digs.items() for row in rows}
    origins: dict[int, list[tuple]] = defaultdict(list)
    for row in _origins(zones):
        origins[zone_of[row[1]]].append(row)
    sorted_out, runs, samples = _sorted_out(zones), _runs(zones), _samples(zones)
    panners = _panners({run[8] for run in runs})
    found = {}
    for zone in zones:
        lots = {row[0] for row in origins[zone.pk]}
        own = [run for run in runs if run[1] in lots]
        who = {run[8] for run in own}
        found[zone.pk] = ZoneRows(
            digs=digs[zone.pk],
            origins=origins[zone.pk],
            sorted_out=[row for row in sorted_out if row[0] in lots],
            runs=own,
            samples=[sample for sample in samples if sample[1] in lots],
            panners=[panner for panner in panners if panner[0] in who],
        )
    return found


class _AsItComes(Cast):
    """A number as the database hands it over: for tens of thousands a function each would take longer than the query."""

    def get_db_converters(self, connection) -> list:
        return []


def _float(column: str) -> Cast:
    return _AsItComes(column, FloatField())


def _flag(column: str) -> Cast:
    return _AsItComes(column, IntegerField())


def _lots(zones: Collection[Zone]):
    return Lot.objects.standing().filter(origins__dig__zone__in=zones)


def _digs(zones: Collection[Zone]) -> dict[int, list[tuple]]:
    found: dict[int, list[tuple]] = defaultdict(list)
    rows = Dig.objects.filter(zone__in=zones).order_by("pk")
    for zone, *row in rows.values_list(
        "zone_id", "pk", "station", "dug_on", _float("depth_m"), "sample_kind"
    ):
        found[zone].append(tuple(row))
    return found


def _panners(numbers: Collection[int]) -> list[tuple]:
    if not numbers:
        return []
    members = Member.objects.filter(pk__in=numbers).order_by("pk")
    return list(members.values_list("pk", "first_name", "last_name", "username"))


def _origins(zones: Collection[Zone]) -> list[tuple]:
    used = Q(Exists(Run.objects.filter(lot=OuterRef("lot")))) | Q(
        Exists(Sample.objects.filter(lot=OuterRef("lot")))
    )
    return list(
        Origin.objects.filter(used, dig__zone__in=zones)
        .order_by("lot_id", "dig_id")
        .values_list("lot_id", "dig_id", _float("share"))
    )


def _runs(zones: Collection[Zone]) -> list[tuple]:
    """Untreated runs: id, lot, its code, dry, gold mg, below scale, scale step mg, portion g, panner, pan, blind code."""
    return list(
        Run.objects.standing()
        .untreated()
        .filter(lot__in=_lots(zones))
        .order_by("pk")
        .values_list(
            "pk",
            "lot_id",
            "lot__code",
            _flag("lot__is_dry"),
            _float("gold_mg"),
            _flag("below_scale"),
            _float("scale_step_mg"),
            _float("portion_mass_g"),
            "panner_id",
            "pan",
            "planned__blind_code",
        )
    )


def _samples(zones: Collection[Zone]) -> list[tuple]:
    """Samples: id, lot, its code, dry, mass g, symbol, grade, limit, method, laboratory, return, state of its checks."""
    return list(
        Sample.objects.of_ground()
        .filter(lot__in=_lots(zones))
        .order_by("pk")
        .values_list(
            "pk",
            "lot_id",
            "lot__code",
            _flag("lot__is_dry"),
            _float("lot__mass_g"),
            "in_use_symbol",
            _float("in_use_g_per_t"),
            _float("in_use_limit_g_per_t"),
            "dispatch__method",
            "dispatch__laboratory__name",
            "reading_in_use__assay_return_id",
            "reading_in_use__assay_return__checks_state",
            "reading_in_use__assay_return__accepted_reason",
        )
    )


def _sorted_out(zones: Collection[Zone]) -> list[tuple]:
    models = {"origin": Origin, "dig": Dig, "lot": Lot, "step": Step, "draw": Draw}
    with connection.cursor() as cursor:
        marks = ", ".join(["%s"] * len(zones))
        tables = {name: model._meta.db_table for name, model in models.items()}
        cursor.execute(_SORTED_OUT.format(zones=marks, **tables), [zone.pk for zone in zones])
        return [tuple(row) for row in cursor.fetchall()]


def ways_of(rows: ZoneRows) -> dict[int, set[str]]:
    """Lots that came out of a recovery or a screen: lot id to the kinds of those steps."""
    found: dict[int, set[str]] = defaultdict(set)
    for lot_id, kind in rows.sorted_out:
        found[lot_id].add(kind)
    return found
