from django.utils.translation import gettext_lazy

from prospecting.filters.base import ChoiceFilter, ListFilter, RecordFilter
from prospecting.forms.base import phrase_later
from prospecting.models import Dispatch, Laboratory
from prospecting.models.assays import IN_PART, PACKING, RETURNED, WAITING, DispatchQuerySet

# Besides those that are late.
STATES = {"packing": PACKING, "waiting": WAITING, "part": IN_PART, "returned": RETURNED}
LATE = "late"


def in_state(dispatches: DispatchQuerySet, state: str) -> DispatchQuerySet:
    if state == LATE:
        return dispatches.filter(is_overdue=True)
    return dispatches.filter(return_state=STATES[state])


class DispatchFilter(ListFilter):
    """Of dispatches with_state()."""

    laboratory = RecordFilter(
        gettext_lazy("Laboratory"), queryset=Laboratory.objects.all(), every=gettext_lazy("every laboratory")
    )
    state = ChoiceFilter(
        gettext_lazy("Return"),
        by=in_state,
        choices=[
            *((state, phrase_later(words)) for state, words in STATES.items()),
            (LATE, gettext_lazy("not all back by the day expected")),
        ],
        every=gettext_lazy("whatever it is"),
    )
    method = ChoiceFilter(
        gettext_lazy("Method"), choices=Dispatch.Method.choices, every=gettext_lazy("every method")
    )

    noun = (gettext_lazy("dispatch"), gettext_lazy("dispatches"))
