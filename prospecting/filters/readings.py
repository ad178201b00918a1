from django.db.models import Q
from django.utils.translation import gettext_lazy

from prospecting.calc.codes import read_tag
from prospecting.filters.base import ListFilter, RecordFilter, TextFilter, TickFilter
from prospecting.models import AssayReturn, Laboratory
from prospecting.models.assays import ReadingQuerySet


def of_tag(readings: ReadingQuerySet, text: str) -> ReadingQuerySet:
    """Those of the sample with this tag, its look-alike signs mended where it is one of ours."""
    try:
        tag = read_tag(text)
    except ValueError:
        tag = text
    return readings.filter(sample__tag__in=[tag, text])


def not_as_it_stands(readings: ReadingQuerySet, _: bool) -> ReadingQuerySet:
    """Those that carry a mark in the list (tables/readings.py)."""
    failed = (AssayReturn.Checks.FAILED, AssayReturn.Checks.ACCEPTED)
    return readings.filter(
        Q(assay_return__checks_state__in=failed) | Q(assay_return__replaced_by__isnull=False)
    )


class ReadingFilter(ListFilter):
    tag = TextFilter(gettext_lazy("Tag"), by=of_tag)
    laboratory = RecordFilter(
        gettext_lazy("Laboratory"),
        by=lambda readings, laboratory: readings.filter(assay_return__dispatch__laboratory=laboratory),
        queryset=Laboratory.objects.all(),
        every=gettext_lazy("every laboratory"),
    )
    certificate = TextFilter(
        gettext_lazy("In the certificate's number"),
        by=lambda readings, text: readings.filter(assay_return__certificate_number__icontains=text),
    )
    method = TextFilter(gettext_lazy("In the title of its column"))
    marked = TickFilter(
        gettext_lazy("Only of returns in which a check failed, and of replaced ones"), by=not_as_it_stands
    )

    noun = (gettext_lazy("reading"), gettext_lazy("readings"))
