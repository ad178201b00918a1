from django.db import migrations


def measure(apps, schema_editor) -> None:
    """Say of each picture how much room it takes; a file that is missing stays unmeasured (check_books names it)."""
    for photo in apps.get_model("prospecting", "Photo").objects.filter(size_bytes=None).iterator():
        try:
            photo.size_bytes = photo.file.size + (photo.thumb.size if photo.thumb else 0)
        except OSError:
            continue
        photo.save(update_fields=["size_bytes"])


class Migration(migrations.Migration):
    dependencies = [("prospecting", "0010_members_seals_and_sizes")]

    operations = [migrations.RunPython(measure, migrations.RunPython.noop)]
