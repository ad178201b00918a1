from prospecting.filters.base import ChoiceFilter, ListFilter, TextFilter
from trials.models import Additive


class AdditiveFilter(ListFilter):
    name = TextFilter("In its name")
    kind = ChoiceFilter("Kind", choices=Additive.Kind.choices, every="every kind")

    noun = ("additive", "additives")
