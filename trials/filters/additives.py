from django.utils.translation import gettext_lazy

from prospecting.filters.base import ChoiceFilter, ListFilter, TextFilter
from trials.models import Additive


class AdditiveFilter(ListFilter):
    name = TextFilter(gettext_lazy("In its name"))
    kind = ChoiceFilter(gettext_lazy("Kind"), choices=Additive.Kind.choices, every=gettext_lazy("every kind"))

    noun = (gettext_lazy("additive"), gettext_lazy("additives"))
