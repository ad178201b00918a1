"""All that the page of laboratories side by side reads, as plain rows with one hash over them: it is reckoned anew only when one
of them changes."""

from collections.abc import Collection

from django.db.models import Min, Q

from prospecting.frames.plain_columns import as_day_text, as_float, rows_sha256
from prospecting.models import AssayReturn, Dispatch, Laboratory, Reading, ReferenceMaterial, Sample


def sha256_of_laboratories(laboratories: Collection[Laboratory]) -> str:
    """64 signs that change with anything the page shows of these laboratories; six queries."""
    asked = [each.pk for each in laboratories]
    told = [[(each.pk, each.name, each.turnaround_days) for each in laboratories]]
    told += [list(rows) for rows in _tables(asked)]
    return rows_sha256(told)


def _tables(laboratories: Collection[int]) -> list:
    checks = Sample.objects.filter(dispatch__laboratory__in=laboratories).exclude(kind=Sample.Kind.LOT)
    printed = Reading.objects.filter(assay_return__replaced_by__isnull=True)
    return [
        Dispatch.objects.filter(laboratory__in=laboratories)
        .order_by("pk")
        .values_list("pk", "laboratory_id", "method", as_day_text("sent_on"), as_day_text("expected_on")),
        AssayReturn.objects.filter(dispatch__laboratory__in=laboratories)
        .order_by("pk")
        .values_list("pk", "dispatch_id", "replaces_id", "checks_state", as_day_text("reported_on")),
        checks.order_by("pk").values_list(
            "pk", "dispatch_id", "kind", "material_id", "duplicate_of_id", "duplicate_stage", "place"
        ),
        ReferenceMaterial.objects.order_by("pk").values_list(
            *("pk", "name", "kind", "plus_minus_kind", "certified_method"),
            *map(as_float, ("certified_g_per_t", "plus_minus_g_per_t", "sd_g_per_t")),
        ),
        # Of the checks themselves, and of what a duplicate is the second half of.
        printed.filter(Q(sample__in=checks.values("pk")) | Q(sample__in=checks.values("duplicate_of")))
        .order_by("pk")
        .values_list(
            *("pk", "assay_return_id", "sample_id", "order", "method", "fraction", "symbol"),
            *map(as_float, ("fraction_mass_g", "grade_g_per_t", "limit_g_per_t")),
        ),
        # The detection limits that the certificates printed.
        printed.filter(
            assay_return__dispatch__laboratory__in=laboratories,
            symbol=Reading.Symbol.BELOW,
            fraction=Reading.Fraction.WHOLE,
        )
        .order_by("assay_return_id", "method")
        .values_list("assay_return_id", "method")
        .annotate(least=Min(as_float("limit_g_per_t"))),
    ]
