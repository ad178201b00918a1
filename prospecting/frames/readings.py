"""Every figure that came back from laboratories."""

from django.db.models import QuerySet

from prospecting.models import Reading


def readings_newest_first() -> QuerySet[Reading]:
    """Readings with their sample, what lies under its tag, laboratory, return and what replaced that; one query, no files."""
    with_all = Reading.objects.select_related(
        "assay_return__replaced_by",
        "sample__lot",
        "sample__material",
        "sample__duplicate_of",
        "sample__dispatch__laboratory",
    )
    without_files = with_all.defer("assay_return__file_bytes", "assay_return__replaced_by__file_bytes")
    return without_files.order_by("-assay_return__reported_on", "-assay_return_id", "order", "pk")
