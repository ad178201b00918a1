from django.utils.translation import gettext_lazy

from prospecting.filters.base import ChoiceFilter, ListFilter, TextFilter, TickFilter, ZoneFilter
from prospecting.models import Lot
from prospecting.models.lots import LotQuerySet


class LotFilter(ListFilter):
    text = TextFilter(
        gettext_lazy("In the code, in what it is, where it stands or who has it"),
        LotQuerySet.mentioning,
        said=gettext_lazy("With"),
    )
    kind = ChoiceFilter(gettext_lazy("Kind"), choices=Lot.Kind.choices, every=gettext_lazy("every kind"))
    zone = ZoneFilter(gettext_lazy("Holds material of zone"), by=LotQuerySet.from_zone)
    on_hand = TickFilter(gettext_lazy("Only lots with mass on hand"), by=lambda lots, _: lots.in_stock())
    marked = TickFilter(
        gettext_lazy("Only lots marked for contamination"), by=lambda lots, _: lots.filter(is_marked=True)
    )

    noun = (gettext_lazy("lot"), gettext_lazy("lots"))
