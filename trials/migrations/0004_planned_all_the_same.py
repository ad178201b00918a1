from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("trials", "0003_phone_log"),
    ]

    operations = [
        migrations.AddField(
            model_name="trial",
            name="wishful_reason",
            field=models.CharField(
                blank=True, max_length=200, verbose_name="why it was planned all the same"
            ),
        ),
    ]
