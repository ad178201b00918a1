from django.db import migrations
from django.db.models import OuterRef, Subquery


def fill_value_in_use(apps, schema_editor):
    """So far a sample counted with the reading in use; from now on it says itself which value that is."""
    reading = apps.get_model("prospecting", "Reading").objects.filter(pk=OuterRef("reading_in_use_id"))
    apps.get_model("prospecting", "Sample").objects.filter(reading_in_use__isnull=False).update(
        in_use_symbol=Subquery(reading.values("symbol")[:1]),
        in_use_g_per_t=Subquery(reading.values("grade_g_per_t")[:1]),
        in_use_limit_g_per_t=Subquery(reading.values("limit_g_per_t")[:1]),
    )


class Migration(migrations.Migration):
    dependencies = [("prospecting", "0005_assay_checks_and_claim_dates")]

    operations = [migrations.RunPython(fill_value_in_use, migrations.RunPython.noop)]
