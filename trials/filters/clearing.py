from django.utils.translation import gettext_lazy

from prospecting.filters.base import ChoiceFilter, ListFilter, TextFilter
from trials.models import ClearingTest


class ClearingFilter(ListFilter):
    question = TextFilter(gettext_lazy("In the question"))
    state = ChoiceFilter(
        gettext_lazy("State"),
        by=lambda tests, state: tests.filter(ended_at__isnull=state == "running"),
        choices=[("running", gettext_lazy("being watched")), ("ended", gettext_lazy("ended"))],
        every=gettext_lazy("every state"),
    )
    measure = ChoiceFilter(
        gettext_lazy("Read by"), choices=ClearingTest.Measure.choices, every=gettext_lazy("whatever it is")
    )

    noun = (gettext_lazy("clearing test"), gettext_lazy("clearing tests"))
