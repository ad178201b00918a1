from django.utils.translation import gettext_lazy

from prospecting.filters.base import ChoiceFilter, ListFilter, TickFilter
from prospecting.models import Lot


class GroundLotFilter(ListFilter):
    kind = ChoiceFilter(gettext_lazy("Kind"), choices=Lot.Kind.choices, every=gettext_lazy("every kind"))
    on_hand = TickFilter(gettext_lazy("Only lots with mass on hand"), by=lambda lots, _: lots.in_stock())

    noun = (gettext_lazy("lot"), gettext_lazy("lots"))
