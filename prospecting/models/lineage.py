"""Where a lot came from and what became of it: one recursive query each way, however many steps lie between."""

from django.db import connection

from prospecting.calc.ancestry import Edge
from prospecting.models.lots import Draw, Lot, Step

# UNION (not UNION ALL) lets a lot that is reached on many ways be followed once. Both engines speak this SQL.
_UP = """
    WITH RECURSIVE line(lot_id) AS (
        SELECT id FROM {lot} WHERE id = %s
        UNION
        SELECT draw.lot_id
        FROM line JOIN {lot} made ON made.id = line.lot_id
        JOIN {draw} draw ON draw.step_id = made.made_by_id
    )
    SELECT draw.lot_id, draw.step_id, made.id, draw.mass_g
    FROM line JOIN {lot} made ON made.id = line.lot_id
    JOIN {draw} draw ON draw.step_id = made.made_by_id
    ORDER BY draw.step_id, draw.id
"""
_DOWN = """
    WITH RECURSIVE line(lot_id) AS (
        SELECT id FROM {lot} WHERE id = %s
        UNION
        SELECT made.id
        FROM line JOIN {draw} draw ON draw.lot_id = line.lot_id
        JOIN {step} step ON step.id = draw.step_id AND step.voided_at IS NULL
        JOIN {lot} made ON made.made_by_id = draw.step_id
    )
    SELECT draw.lot_id, draw.step_id, made.id, draw.mass_g
    FROM line JOIN {draw} draw ON draw.lot_id = line.lot_id
    JOIN {step} step ON step.id = draw.step_id AND step.voided_at IS NULL
    LEFT JOIN {lot} made ON made.made_by_id = draw.step_id
    ORDER BY draw.step_id, made.id
"""


def edges_up(lot: Lot) -> list[Edge]:
    """Every (parent lot, step, child lot, mass drawn) on the way from the ground to this lot."""
    return _edges(_UP, lot)


def edges_down(lot: Lot) -> list[Edge]:
    """Every (parent lot, step, child lot, mass drawn) on the way from this lot onward, voided steps left out."""
    return _edges(_DOWN, lot)


def _edges(sql: str, lot: Lot) -> list[Edge]:
    tables = {"lot": Lot._meta.db_table, "draw": Draw._meta.db_table, "step": Step._meta.db_table}
    mass_field = Draw._meta.get_field("mass_g")
    with connection.cursor() as cursor:
        cursor.execute(sql.format(**tables), [lot.pk])
        return [
            # SQLite hands a stored decimal back as a number; to_python makes it the Decimal it was.
            Edge(parent=parent, step=step, child=child, mass_g=mass_field.to_python(mass_g))
            for parent, step, child, mass_g in cursor.fetchall()
        ]
