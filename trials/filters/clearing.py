from prospecting.filters.base import ChoiceFilter, ListFilter, TextFilter
from trials.models import ClearingTest


class ClearingFilter(ListFilter):
    question = TextFilter("In the question")
    state = ChoiceFilter(
        "State",
        by=lambda tests, state: tests.filter(ended_at__isnull=state == "running"),
        choices=[("running", "being watched"), ("ended", "ended")],
        every="every state",
    )
    measure = ChoiceFilter("Read by", choices=ClearingTest.Measure.choices, every="whatever it is")

    noun = ("clearing test", "clearing tests")
