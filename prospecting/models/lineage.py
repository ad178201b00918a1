"""Where a lot came from and what became of it: one recursive query each way, however many steps lie between."""

from django.db import connection
from django.db.models.expressions import RawSQL

from prospecting.calc.ancestry import Link
from prospecting.models.lots import Draw, Lot, Step

# UNION (not UNION ALL) lets a lot that is reached on many ways be followed once. CROSS JOIN says the order of the joins, from the
# few lots found to the many in the books: SQLite keeps to it, and left to itself reads every draw there is. Both engines speak
# this SQL. Numbers only: of ten thousand ancestors a page shows a few dozen, and asks for their words and masses itself.
_BACK = """
    WITH RECURSIVE line(lot_id) AS (
        SELECT id FROM {lot} WHERE id = %s
        UNION
        SELECT draw.lot_id
        FROM line CROSS JOIN {lot} made CROSS JOIN {draw} draw
        WHERE made.id = line.lot_id AND draw.step_id = made.made_by_id
    )
    SELECT draw.id, made.id, draw.step_id, draw.lot_id
    FROM line CROSS JOIN {lot} made CROSS JOIN {draw} draw
    WHERE made.id = line.lot_id AND draw.step_id = made.made_by_id
"""
_ONWARD = """
    WITH RECURSIVE line(lot_id) AS (
        SELECT id FROM {lot} WHERE id = %s
        UNION
        SELECT made.id
        FROM line CROSS JOIN {draw} draw CROSS JOIN {step} step CROSS JOIN {lot} made
        WHERE draw.lot_id = line.lot_id AND step.id = draw.step_id AND step.voided_at IS NULL
        AND made.made_by_id = draw.step_id
    )
    SELECT draw.id, draw.lot_id, draw.step_id, made.id
    FROM line CROSS JOIN {draw} draw CROSS JOIN {step} step LEFT JOIN {lot} made ON made.made_by_id = draw.step_id
    WHERE draw.lot_id = line.lot_id AND step.id = draw.step_id AND step.voided_at IS NULL
"""
# The same for a few generations. A lot reached on ways of different length is met once for each length: cheap for few only.
_NEAR_BACK = """
    WITH RECURSIVE line(lot_id, generation) AS (
        SELECT id, 1 FROM {lot} WHERE id = %s
        UNION
        SELECT draw.lot_id, line.generation + 1
        FROM line CROSS JOIN {lot} made CROSS JOIN {draw} draw
        WHERE made.id = line.lot_id AND draw.step_id = made.made_by_id AND line.generation < %s
    )
    SELECT draw.id, made.id, draw.step_id, draw.lot_id
    FROM line CROSS JOIN {lot} made CROSS JOIN {draw} draw
    WHERE made.id = line.lot_id AND draw.step_id = made.made_by_id
    ORDER BY line.generation, draw.step_id, draw.id
    LIMIT %s
"""
_NEAR_ONWARD = """
    WITH RECURSIVE line(lot_id, generation) AS (
        SELECT id, 1 FROM {lot} WHERE id = %s
        UNION
        SELECT made.id, line.generation + 1
        FROM line CROSS JOIN {draw} draw CROSS JOIN {step} step CROSS JOIN {lot} made
        WHERE draw.lot_id = line.lot_id AND step.id = draw.step_id AND step.voided_at IS NULL
        AND made.made_by_id = draw.step_id AND line.generation < %s
    )
    SELECT draw.id, draw.lot_id, draw.step_id, made.id
    FROM line CROSS JOIN {draw} draw CROSS JOIN {step} step LEFT JOIN {lot} made ON made.made_by_id = draw.step_id
    WHERE draw.lot_id = line.lot_id AND step.id = draw.step_id AND step.voided_at IS NULL
    ORDER BY line.generation, draw.step_id, made.id
    LIMIT %s
"""
# Followed only through steps that leave the material what it was.
_ALIKE = """
    WITH RECURSIVE line(lot_id) AS (
        SELECT id FROM {lot} WHERE id = %s
        UNION
        SELECT made.id
        FROM line CROSS JOIN {draw} draw CROSS JOIN {step} step CROSS JOIN {lot} made
        WHERE draw.lot_id = line.lot_id AND step.id = draw.step_id AND step.voided_at IS NULL
        AND step.kind IN ({kinds}) AND made.made_by_id = draw.step_id
    )
    SELECT lot_id FROM line
"""


def links_back(lot: Lot) -> list[Link]:
    """Every draw on the way from the ground to this lot, seen from it: (draw, lot made, step, lot drawn from)."""
    return _fetched(_BACK, [lot.pk])


def links_onward(lot: Lot) -> list[Link]:
    """Every draw on the way from this lot onward, voided steps left out: (draw, lot drawn from, step, lot made or None)."""
    return _fetched(_ONWARD, [lot.pk])


def near_links_back(lot: Lot, *, generations: int, most: int) -> list[Link]:
    """The same as links_back for the nearest generations, nearest first, at most so many."""
    return _fetched(_NEAR_BACK, [lot.pk, generations, most])


def near_links_onward(lot: Lot, *, generations: int, most: int) -> list[Link]:
    """The same as links_onward for the nearest generations, nearest first, at most so many."""
    return _fetched(_NEAR_ONWARD, [lot.pk, generations, most])


def lots_alike(lot: Lot, kinds: tuple[str, ...]) -> RawSQL:
    """The ids of this lot and of all made from it by standing steps of these kinds, for `lot__in=`: read where it is used."""
    marks = ", ".join(["%s"] * len(kinds))
    return RawSQL(_ALIKE.format(kinds=marks, **_TABLES), [lot.pk, *kinds])


_TABLES = {"lot": Lot._meta.db_table, "draw": Draw._meta.db_table, "step": Step._meta.db_table}


def _fetched(sql: str, values: list[int]) -> list[Link]:
    with connection.cursor() as cursor:
        cursor.execute(sql.format(**_TABLES), values)
        return cursor.fetchall()
