"""What the books let one expect of a lot before its assay: by assays and pans of the same material, its parents, its zone.

Good for an order of richness only: free gold of small pans stands beside whole assays. Read for many lots at once.
"""

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cache, cached_property

from django.db import connection
from django.db.models import Q, QuerySet, Sum

from prospecting.calc import colours, sampling, units
from prospecting.calc.grade import pooled_grade_g_per_t
from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.lineage import weighted_mean
from prospecting.calc.packing import Expectation
from prospecting.frames.certificates import Panned
from prospecting.models import Draw, Lot, Origin, Sample, Step
from trials.frames.lineage import ALIKE
from trials.models import ColourCount, Run

# The lots a lot came from, by any step but a recovery: what that leaves has a grade of its own making. `alike` says whether
# nothing on the way blended or screened.
_BACK = """
    WITH RECURSIVE line(lot_id, far_id, alike) AS (
        SELECT id, id, 1 FROM {lot} WHERE id IN ({lots})
        UNION
        SELECT line.lot_id, draw.lot_id, CASE WHEN step.kind IN ({alike}) THEN line.alike ELSE 0 END
        FROM line
        JOIN {lot} made ON made.id = line.far_id
        JOIN {step} step ON step.id = made.made_by_id AND step.kind <> 'recover'
        JOIN {draw} draw ON draw.step_id = step.id
    )
    SELECT lot_id, far_id, alike FROM line
"""
_ONWARD = """
    WITH RECURSIVE line(root_id, far_id) AS (
        SELECT id, id FROM {lot} WHERE id IN ({lots})
        UNION
        SELECT line.root_id, made.id
        FROM line
        JOIN {draw} draw ON draw.lot_id = line.far_id
        JOIN {step} step ON step.id = draw.step_id AND step.voided_at IS NULL AND step.kind IN ({alike})
        JOIN {lot} made ON made.made_by_id = step.id
    )
    SELECT root_id, far_id FROM line
"""


# The newest lots whose results are read: an old test lot may have been cut into more portions than a query takes.
MOST_LOTS = 20_000
# The newest lots of a zone that speak for it where nothing nearer does.
MOST_OF_ZONE = 500


@dataclass
class Found:
    """Pans (mg of gold, g of ore) and assays (g/t, g of sample) of some material, the lots they stand in, and its colours."""

    pans: list[tuple[Decimal, Decimal]] = field(default_factory=list)
    assays: list[tuple[Decimal, Decimal]] = field(default_factory=list)
    counted: list[tuple[Decimal, int]] = field(default_factory=list)
    classes: set[str] = field(default_factory=set)

    @cached_property
    def panned_g_per_t(self) -> Decimal:
        """What its pans gave together; to be read when they are all in."""
        return pooled_grade_g_per_t(*_columns(self.pans))


# Reads what lots of these ids showed.
ReadLots = Callable[[Collection[int]], dict[int, Found]]


@dataclass(frozen=True)
class Foreseen:
    """What is expected of one lot: its grade, and the diameter of its usual gold grain with where that comes from."""

    grade: Expectation | None
    grain_um: float | None
    grain_where: str


# The least diameter of each class that has one, by the limits colours are counted with.
_CLASS_LEAST_UM = dict(
    zip(
        (ColourCount.SizeClass.COARSE, ColourCount.SizeClass.MEDIUM, ColourCount.SizeClass.FINE),
        (float(units.convert_length(mm, "mm", "um")) for mm in colours.SIZE_LIMITS_MM),
        strict=True,
    )
)


def expected_grades(lots: Sequence[Lot]) -> dict[int, Expectation]:
    """The grade to expect of each of these lots, by its id; lots of which nothing is known are left out."""
    return {pk: seen.grade for pk, seen in foreseen(lots).items() if seen.grade}


def foreseen(lots: Sequence[Lot]) -> dict[int, Foreseen]:
    """Grade and gold size to expect of each of these lots, by its id, in a handful of queries however many they are."""
    ids = sorted({lot.pk for lot in lots})
    if not ids:
        return {}
    seen = {pk: _foreseen(same, behind) for pk, (same, behind) in _of_material(ids, _results).items()}
    unknown = [pk for pk in ids if seen[pk].grade is None or seen[pk].grain_um is None]
    for pk, of_zone in _of_zones(unknown, _results).items():
        known = seen[pk]
        grain_um, where = known.grain_um, known.grain_where
        if grain_um is None:
            grain_um, where = _grain(of_zone, phrase("pans of its zone"))
        seen[pk] = Foreseen(known.grade or _grade(of_zone, phrase("of its zone")), grain_um, where)
    return seen


def panned_grades(lots: Sequence[Lot]) -> dict[int, Panned]:
    """What pans gave of each of these lots, by its id: of the same material, or else of what it was made from and its zone."""
    ids = sorted({lot.pk for lot in lots})
    if not ids:
        return {}
    told = {}
    for pk, (same, behind) in _of_material(ids, _pans).items():
        if same.pans or behind.pans:
            told[pk] = Panned((same if same.pans else behind).panned_g_per_t, is_same=bool(same.pans))
    for pk, of_zone in _of_zones([pk for pk in ids if pk not in told], _pans).items():
        if of_zone.pans:
            told[pk] = Panned(of_zone.panned_g_per_t, is_same=False)
    return told


def _of_material(ids: Sequence[int], read: ReadLots) -> dict[int, tuple[Found, Found]]:
    """What each of these lots showed as the same material, and what else showed that it was blended or screened from."""
    same: dict[int, set[int]] = defaultdict(set)
    behind: dict[int, set[int]] = defaultdict(set)
    for lot_id, far_id, alike in _asked(_BACK, ids):
        (same if alike else behind)[lot_id].add(far_id)
    onward: dict[int, set[int]] = defaultdict(set)
    for root_id, far_id in _asked(_ONWARD, sorted(set().union(*same.values(), *behind.values()))):
        onward[root_id].add(far_id)
    for material in (same, behind):
        for lot_id, roots in material.items():
            material[lot_id] = set().union(*(onward[root] for root in roots))
    everything = set().union(*same.values(), *behind.values())
    joined = _joined_once(read(sorted(everything)[-MOST_LOTS:]))
    return {pk: (joined(same[pk]), joined(behind[pk] - same[pk])) for pk in ids}


def _foreseen(same: Found, behind: Found) -> Foreseen:
    grade = _grade(same, phrase("of the same material")) or _grade(
        behind, phrase("of what it was blended or screened from")
    )
    grain_um, where = _grain(same, phrase("its pans"))
    if grain_um is None:
        grain_um, where = _grain(behind, phrase("the pans of what it was made from"))
    return Foreseen(grade, grain_um, where)


def _of_zones(lot_ids: Sequence[int], read: ReadLots) -> dict[int, Found]:
    """What other lots of the zones of each of these lots showed; never concentrates or tails, whose grade is not the ground's."""
    if not lot_ids:
        return {}
    zones: dict[int, set[int]] = defaultdict(set)
    for lot_id, zone_id in Origin.objects.filter(lot__in=lot_ids).values_list("lot_id", "dig__zone_id"):
        zones[zone_id].add(lot_id)
    told = Q(lot__runs__isnull=False) | Q(lot__sample__reading_in_use__isnull=False)
    origins = Origin.objects.filter(told, dig__zone__in=zones, lot__is_void=False)
    ground = origins.exclude(lot__kind__in=(Lot.Kind.CONCENTRATE, Lot.Kind.TAILS)).order_by("-lot_id")
    pairs = ground.values_list("lot_id", "dig__zone_id").distinct()[: MOST_OF_ZONE * len(zones)]
    lots_of: dict[int, set[int]] = defaultdict(set)
    for lot_id, zone_id in pairs:
        for asked in zones[zone_id]:
            lots_of[asked].add(lot_id)
    joined = _joined_once(read(sorted(set().union(*lots_of.values()))))
    return {asked: joined(lots) for asked, lots in lots_of.items()}


def _grade(found: Found, whose: str) -> Expectation | None:
    if found.assays:
        mean = weighted_mean(*_columns(found.assays))
        where = phrase_counted(
            "mean of {number} assay {whose}",
            "mean of {number} assays {whose}",
            len(found.assays),
            whose=whose,
        )
        return Expectation(mean, where)
    if found.pans:
        where = phrase_counted(
            "mean of {number} pan {whose}", "mean of {number} pans {whose}", len(found.pans), whose=whose
        )
        return Expectation(pooled_grade_g_per_t(*_columns(found.pans)), where)
    return None


def _grain(found: Found, whose: str) -> tuple[float | None, str]:
    """The ball of a colour's mean mass; else the least size of the coarsest class that was seen."""
    if found.counted:
        mean_mg = colours.mean_colour_of_pans_mg(*_columns(found.counted))
        return sampling.grain_diameter_um(mean_mg), phrase(
            "balls of the mean mass of a colour in {pans}", pans=whose
        )
    for name, least_um in _CLASS_LEAST_UM.items():
        if name in found.classes:
            return least_um, phrase(
                "{size} colours were seen in {pans}",
                size=ColourCount.SizeClass(name).label.lower(),
                pans=whose,
            )
    return None, ""


def _columns(pairs: Iterable[tuple]) -> tuple[list, list]:
    first, second = zip(*pairs, strict=True)
    return list(first), list(second)


def _joined_once(found: Mapping[int, Found]) -> Callable[[Collection[int]], Found]:
    """Joins what some lots showed. Thousands of splits share their ground: what the same lots showed is joined once for all."""
    joined = cache(lambda lot_ids: _joined(found, lot_ids))
    return lambda lot_ids: joined(frozenset(lot_ids))


def _joined(found: Mapping[int, Found], lot_ids: Collection[int]) -> Found:
    joined = Found()
    for lot_id in sorted(lot_ids & found.keys()):
        one = found[lot_id]
        joined.pans += one.pans
        joined.assays += one.assays
        joined.counted += one.counted
        joined.classes |= one.classes
    return joined


def _pans(lot_ids: Collection[int]) -> dict[int, Found]:
    """What pans of these lots say. Below a scale counts as nothing here."""
    found: dict[int, Found] = defaultdict(Found)
    runs = _runs(lot_ids).annotate(colour_count=Sum("colours__count"))
    for lot_id, gold_mg, below, ore_g, count in runs.values_list(
        "lot_id", "gold_mg", "below_scale", "portion_mass_g", "colour_count"
    ):
        if gold_mg is None and not below:
            continue
        found[lot_id].pans.append((gold_mg or Decimal(0), ore_g))
        if gold_mg and count:
            found[lot_id].counted.append((gold_mg, count))
    return found


def _runs(lot_ids: Collection[int]) -> QuerySet[Run]:
    return Run.objects.standing().untreated().filter(lot__in=lot_ids)


def _results(lot_ids: Collection[int]) -> dict[int, Found]:
    """What pans and assays of these lots say. Below a scale or a limit counts as nothing here: it only ranks."""
    found = _pans(lot_ids)
    seen = ColourCount.objects.filter(run__in=_runs(lot_ids).values("pk"), count__gt=0)
    for lot_id, size_class in seen.values_list("run__lot_id", "size_class").distinct():
        found[lot_id].classes.add(size_class)
    samples = Sample.objects.of_lots(lot_ids).answered()
    for lot_id, grade, limit, symbol, mass_g in samples.values_list(
        "lot_id", "in_use_g_per_t", "in_use_limit_g_per_t", "in_use_symbol", "lot__mass_g"
    ):
        least = limit if symbol == "above" else grade
        found[lot_id].assays.append((least or Decimal(0), mass_g))
    return found


def _asked(sql: str, ids: Sequence[int]) -> list[tuple]:
    marks, kinds = ", ".join(["%s"] * len(ids)), ", ".join(["%s"] * len(ALIKE))
    tables = {name: model._meta.db_table for name, model in (("lot", Lot), ("draw", Draw), ("step", Step))}
    with connection.cursor() as cursor:
        cursor.execute(sql.format(lots=marks, alike=kinds, **tables), [*ids, *ALIKE])
        return cursor.fetchall()
