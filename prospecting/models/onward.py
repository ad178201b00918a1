"""What a change of a lot's books can reach."""

from collections.abc import Collection

from django.db import connection

from prospecting.models.lots import Draw, Lot, Step

_STEPS_ONWARD = """
    WITH RECURSIVE line(lot_id) AS (
        SELECT id FROM {lot} WHERE id IN ({lots})
        UNION
        SELECT made.id
        FROM line JOIN {draw} draw ON draw.lot_id = line.lot_id
        JOIN {step} step ON step.id = draw.step_id AND step.voided_at IS NULL AND step.id > %s
        JOIN {lot} made ON made.made_by_id = draw.step_id
    )
    SELECT DISTINCT step.id
    FROM line JOIN {draw} draw ON draw.lot_id = line.lot_id
    JOIN {step} step ON step.id = draw.step_id AND step.voided_at IS NULL AND step.id > %s
"""


def steps_onward(lots: Collection[int], *, after: Step) -> set[int]:
    """The standing steps recorded after this one that drew from these lots (ids) or from anything made of them."""
    tables = {"lot": Lot._meta.db_table, "draw": Draw._meta.db_table, "step": Step._meta.db_table}
    sql = _STEPS_ONWARD.format(lots=", ".join(["%s"] * len(lots)) or "NULL", **tables)
    with connection.cursor() as cursor:
        cursor.execute(sql, [*lots, after.pk, after.pk])
        return {step for (step,) in cursor.fetchall()}
