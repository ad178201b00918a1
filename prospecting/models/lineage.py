"""Where a lot came from and what became of it: one recursive query each way, however many steps lie between."""

from collections.abc import Collection, Mapping, Sequence

from django.db import connection
from django.db.models.expressions import RawSQL

from prospecting.calc.ancestry import Link
from prospecting.models.lots import Draw, Lot, Step

# Ids a query names one by one at most: SQLite may take no more than 32,766 values.
MOST_WRITTEN_OUT = 5_000

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
# The same for a few generations, both ways in one question. A lot reached on ways of different length is met once for each
# length: cheap for few only.
_NEAR = """
    SELECT 0 AS way, back.* FROM (
        WITH RECURSIVE line(lot_id, generation) AS (
            SELECT id, 1 FROM {lot} WHERE id = %(lot)s
            UNION
            SELECT draw.lot_id, line.generation + 1
            FROM line CROSS JOIN {lot} made CROSS JOIN {draw} draw
            WHERE made.id = line.lot_id AND draw.step_id = made.made_by_id AND line.generation < %(generations)s
        )
        SELECT line.generation, draw.step_id, draw.id AS draw_id, made.id AS near_id, draw.lot_id AS far_id
        FROM line CROSS JOIN {lot} made CROSS JOIN {draw} draw
        WHERE made.id = line.lot_id AND draw.step_id = made.made_by_id
        ORDER BY line.generation, draw.step_id, draw.id
        LIMIT %(most)s
    ) back
    UNION ALL
    SELECT 1 AS way, onward.* FROM (
        WITH RECURSIVE line(lot_id, generation) AS (
            SELECT id, 1 FROM {lot} WHERE id = %(lot)s
            UNION
            SELECT made.id, line.generation + 1
            FROM line CROSS JOIN {draw} draw CROSS JOIN {step} step CROSS JOIN {lot} made
            WHERE draw.lot_id = line.lot_id AND step.id = draw.step_id AND step.voided_at IS NULL
            AND made.made_by_id = draw.step_id AND line.generation < %(generations)s
        )
        SELECT line.generation, draw.step_id, draw.id AS draw_id, draw.lot_id AS near_id, made.id AS far_id
        FROM line CROSS JOIN {draw} draw CROSS JOIN {step} step
        LEFT JOIN {lot} made ON made.made_by_id = draw.step_id
        WHERE draw.lot_id = line.lot_id AND step.id = draw.step_id AND step.voided_at IS NULL
        ORDER BY line.generation, draw.step_id, made.id
        LIMIT %(most)s
    ) onward
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


def near_links(lot: Lot, *, generations: int, most: int) -> tuple[list[Link], list[Link]]:
    """The same back and onward for the nearest generations, nearest first, at most so many each way: one query."""
    rows = _fetched(_NEAR, {"lot": lot.pk, "generations": generations, "most": most})
    # The order of the two halves is not the order of the whole.
    rows.sort(key=lambda row: (row[:4], row[5] or 0))
    links = {0: [], 1: []}
    for way, _, step, draw, near, far in rows:
        links[way].append((draw, near, step, far))
    return links[0], links[1]


def lots_alike(lot: Lot, kinds: Sequence[str]) -> Collection[int] | RawSQL:
    """The ids of this lot and of all made from it by standing steps of these kinds, for `lot__in=`.

    Written out, since PostgreSQL takes a recursive question for a large answer and reads whole tables; so many that they would
    not fit into one query are asked for inside it.
    """
    sql = _ALIKE.format(kinds=", ".join(["%s"] * len(kinds)), **_TABLES)
    values = [lot.pk, *kinds]
    found = [pk for (pk,) in _fetched(f"{sql} LIMIT {MOST_WRITTEN_OUT + 1}", values)]
    return found if len(found) <= MOST_WRITTEN_OUT else RawSQL(sql, values)


_TABLES = {"lot": Lot._meta.db_table, "draw": Draw._meta.db_table, "step": Step._meta.db_table}


def _fetched(sql: str, values: Sequence | Mapping) -> list[tuple]:
    with connection.cursor() as cursor:
        cursor.execute(sql.format(**_TABLES), values)
        return cursor.fetchall()
