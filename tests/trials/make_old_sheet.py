"""An old list as taken in, without its file."""

import datetime
from decimal import Decimal

from prospecting.models import OldSheet, Zone
from tests import make
from trials.actions.old_sheets import OldSheetFacts, take_in_old_sheet
from trials.calc.old_sheets import OldGold, OldLine, OldRules, plan_old_lines

# Two buckets of one dig, one of them panned: in the list's own words.
LINES = (
    OldLine(
        number=2,
        text="A1 20 kg",
        bucket="A1",
        mass_g=Decimal(20000),
        mass_typed="20 kg",
        portion_g=Decimal(2500),
        portion_typed="2.5 kg",
        gold=OldGold(kind="weight", gold_mg=Decimal("1.5"), typed="1.5 mg", words="1.5"),
    ),
    OldLine(number=3, text="A2 18 kg", bucket="A2", mass_g=Decimal(18000), mass_typed="18 kg"),
)


def rules(**fields) -> OldRules:
    given = {
        "today": datetime.date(2026, 5, 3),
        "zone_else": "here",
        "day_else": datetime.date(2019, 7, 1),
        "mass_unit": "kg",
    }
    return OldRules(**(given | fields))


def make_old_sheet(
    *, member, zone: Zone | None = None, lines=LINES, choices=None, the_rules=None, **facts
) -> OldSheet:
    given = {
        "file_name": "list.csv",
        "sha256": "f" * 64,
        "columns": {"titles": ["bucket", "kg"], "settled": {}},
        "zones": {"here": zone or make.make_zone()},
        "sample_kind": "bulk",
        "done_by": member,
    }
    return take_in_old_sheet(
        facts=OldSheetFacts(**(given | facts)),
        plan=plan_old_lines(lines, the_rules or rules(), choices or {}),
        recorded_by=member,
    )
