"""Sessions begun before devices were kept stand on no member's list, so "Sign out everywhere" misses them: all end once."""

from django.db import migrations


def end_sessions(apps, schema_editor) -> None:
    apps.get_model("sessions", "Session").objects.all().delete()


class Migration(migrations.Migration):
    dependencies = [("prospecting", "0013_journal_only_added_to"), ("sessions", "0001_initial")]

    operations = [migrations.RunPython(end_sessions, migrations.RunPython.noop)]
