from django.db.models import Q
from django.utils.translation import gettext_lazy

from prospecting.filters.base import ChoiceFilter, CodeFilter, ListFilter, RecordFilter, TextFilter
from trials.models import Additive, Trial
from trials.models.trials import TrialQuerySet


def of_lot(trials: TrialQuerySet, code: str) -> TrialQuerySet:
    """On this lot, a bridge on either of its two."""
    return trials.filter(Q(feed_lot__code=code) | Q(new_lot__code=code))


def with_additive(trials: TrialQuerySet, additive: Additive) -> TrialQuerySet:
    """Not by a join: the list counts runs, and would count them once for every dose."""
    tried = Trial.objects.filter(treatments__doses__additive=additive).order_by().values("pk")
    return trials.filter(pk__in=tried)


class TrialFilter(ListFilter):
    question = TextFilter(gettext_lazy("In the question"))
    state = ChoiceFilter(
        gettext_lazy("State"), choices=Trial.State.choices, every=gettext_lazy("every state")
    )
    outcome = ChoiceFilter(
        gettext_lazy("Judged by"), choices=Trial.Outcome.choices, every=gettext_lazy("whatever it is")
    )
    additive = RecordFilter(
        gettext_lazy("Additive tried"),
        by=with_additive,
        queryset=Additive.objects.all(),
        every=gettext_lazy("every additive"),
    )
    lot = CodeFilter(gettext_lazy("Lot, by the code on its tag"), of_lot, said=gettext_lazy("Lot"))

    noun = (gettext_lazy("trial"), gettext_lazy("trials"))
