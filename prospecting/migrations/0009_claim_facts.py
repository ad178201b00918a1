from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("prospecting", "0008_next_dates_to_claim_dates")]

    operations = [
        migrations.RemoveField(model_name="claim", name="next_date"),
        migrations.RemoveField(model_name="claim", name="next_date_what"),
        migrations.AddField(
            model_name="claim",
            name="located_on",
            field=models.DateField(blank=True, null=True, verbose_name="day of location on the ground"),
        ),
        migrations.AddField(
            model_name="claim",
            name="acreage",
            field=models.CharField(blank=True, max_length=40),
        ),
        migrations.AddField(
            model_name="claim",
            name="legal_description",
            field=models.TextField(blank=True),
        ),
        migrations.AddField(
            model_name="claim",
            name="county_record",
            field=models.CharField(blank=True, max_length=120, verbose_name="county book, page and day recorded"),
        ),
    ]
