from prospecting.filters.base import ChoiceFilter, ListFilter, TextFilter, TickFilter, ZoneFilter
from prospecting.models import Lot
from prospecting.models.lots import LotQuerySet


class LotFilter(ListFilter):
    text = TextFilter(
        "In the code, in what it is, where it stands or who has it", LotQuerySet.mentioning, said="With"
    )
    kind = ChoiceFilter("Kind", choices=Lot.Kind.choices, every="every kind")
    zone = ZoneFilter("Holds material of zone", by=LotQuerySet.from_zone)
    on_hand = TickFilter("Only lots with mass on hand", by=lambda lots, _: lots.in_stock())
    marked = TickFilter("Only lots marked for contamination", by=lambda lots, _: lots.filter(is_marked=True))

    noun = ("lot", "lots")
