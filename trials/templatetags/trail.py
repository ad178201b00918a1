"""Where a page stands: the list it belongs to, the record, and what is done there."""

from django import template
from django.db.models import Model
from django.urls import reverse
from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase, to_phrase
from trials.models import Additive, ClearingTest, Run, Trial

register = template.Library()

LISTS = {
    "additive-list": gettext_lazy("Additives"),
    "clearing-list": gettext_lazy("Clearing tests"),
    "finding-list": gettext_lazy("Findings"),
    "help-list": gettext_lazy("Help"),
    "house-method": gettext_lazy("Method"),
    "run-list": gettext_lazy("Pans"),
    "trial-list": gettext_lazy("Trials"),
}
SHORT = {
    ClearingTest: to_phrase("Clearing test {number}"),
    Run: to_phrase("Run {number}"),
    Trial: to_phrase("Trial {number}"),
}
LIST_OF = {Additive: "additive-list", ClearingTest: "clearing-list", Run: "run-list", Trial: "trial-list"}


@register.inclusion_tag("prospecting/_crumbs.html")
def trail(*stations) -> dict:
    """Each station is a record, the name of a list's address, or words; the last is the page itself."""
    crumbs = []
    for station in stations:
        if isinstance(station, Model):
            crumbs.append(_list(LIST_OF[type(station)]))
            crumbs.append((_short(station), station.get_absolute_url()))
        elif station in LISTS:
            crumbs.append(_list(station))
        else:
            crumbs.append((station, ""))
    return {"crumbs": [*crumbs[:-1], (crumbs[-1][0], "")]}


def _list(name: str) -> tuple[str, str]:
    return LISTS[name], reverse(name)


def _short(record: Model) -> str:
    """A question is too long to stand in a row of links."""
    return str(record) if isinstance(record, Additive) else phrase(SHORT[type(record)], number=record.pk)
