from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("prospecting", "0002_acts_and_marks")]

    operations = [
        migrations.AddIndex(
            model_name="origin", index=models.Index(fields=["dig", "-lot"], name="origin_by_dig")
        ),
    ]
