from prospecting.filters.base import ChoiceFilter, ListFilter, TickFilter
from prospecting.models import Lot


class GroundLotFilter(ListFilter):
    kind = ChoiceFilter("Kind", choices=Lot.Kind.choices, every="every kind")
    on_hand = TickFilter("Only lots with mass on hand", by=lambda lots, _: lots.in_stock())

    noun = ("lot", "lots")
