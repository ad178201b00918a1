from django.db.models import Q

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
    question = TextFilter("In the question")
    state = ChoiceFilter("State", choices=Trial.State.choices, every="every state")
    outcome = ChoiceFilter("Judged by", choices=Trial.Outcome.choices, every="whatever it is")
    additive = RecordFilter(
        "Additive tried", by=with_additive, queryset=Additive.objects.all(), every="every additive"
    )
    lot = CodeFilter("Lot, by the code on its tag", of_lot, said="Lot")

    noun = ("trial", "trials")
