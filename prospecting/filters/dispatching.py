from prospecting.filters.base import ChoiceFilter, ListFilter, RecordFilter
from prospecting.models import Dispatch, Laboratory
from prospecting.models.assays import DispatchQuerySet

# As `state` of the list's query says it, besides those that are late.
STATES = {
    "packing": "being packed",
    "waiting": "waiting for return",
    "part": "returned in part",
    "returned": "returned",
}
LATE = "late"


def in_state(dispatches: DispatchQuerySet, state: str) -> DispatchQuerySet:
    if state == LATE:
        return dispatches.filter(is_overdue=True)
    return dispatches.filter(state=STATES[state])


class DispatchFilter(ListFilter):
    """Of dispatches with_state()."""

    laboratory = RecordFilter("Laboratory", queryset=Laboratory.objects.all(), every="every laboratory")
    state = ChoiceFilter(
        "Return",
        by=in_state,
        choices=[*STATES.items(), (LATE, "not all back by the day expected")],
        every="whatever it is",
    )
    method = ChoiceFilter("Method", choices=Dispatch.Method.choices, every="every method")

    noun = ("dispatch", "dispatches")
