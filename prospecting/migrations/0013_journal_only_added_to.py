"""The database itself refuses to change or remove a line of the journal or its seal; what stands there already is sealed.

On SQLite a table that a later migration makes anew (as Django does for most changes of a column) loses its triggers without a
word: such a migration ends with `guard` once more. tests/prospecting/test_journal_guard.py fails where that was forgotten.
"""

from django.db import migrations, models

from prospecting.calc.journal_chain import BEFORE_FIRST, SEALED_FIELDS, Entry, hash_after

ENTRIES, SEALS = "prospecting_journalentry", "prospecting_journalseal"
REFUSAL = "The journal is only ever added to: no line of it and no seal is changed or removed."
AT_ONCE = 2000

# REPLACE removes a row without firing the trigger on removing, so a row that is there already is refused on the way in.
SQLITE_GUARDS = {
    f"{ENTRIES}_unchanged": f"BEFORE UPDATE ON {ENTRIES}",
    f"{ENTRIES}_kept": f"BEFORE DELETE ON {ENTRIES}",
    f"{ENTRIES}_once": "BEFORE INSERT ON prospecting_journalentry "
    "WHEN NEW.id IN (SELECT id FROM prospecting_journalentry)",
    f"{SEALS}_unchanged": f"BEFORE UPDATE ON {SEALS}",
    f"{SEALS}_kept": f"BEFORE DELETE ON {SEALS}",
    f"{SEALS}_once": "BEFORE INSERT ON prospecting_journalseal "
    "WHEN NEW.number IN (SELECT number FROM prospecting_journalseal) "
    "OR NEW.entry_id IN (SELECT entry_id FROM prospecting_journalseal)",
}
POSTGRESQL_GUARDS = {
    f"{table}_{name}": f"BEFORE {event} ON {table} FOR EACH {each}"
    for table in (ENTRIES, SEALS)
    # By row, so that a statement that meets no row (as loading a file of records makes) passes.
    for name, event, each in (
        ("unchanged", "UPDATE OR DELETE", "ROW"),
        ("kept", "TRUNCATE", "STATEMENT"),
    )
}


def guard(apps, schema_editor) -> None:
    if schema_editor.connection.vendor == "sqlite":
        for name, when in SQLITE_GUARDS.items():
            schema_editor.execute(f"CREATE TRIGGER {name} {when} BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END")
        return
    schema_editor.execute(
        "CREATE FUNCTION prospecting_journal_refuses() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        f"RAISE EXCEPTION '{REFUSAL}' USING ERRCODE = 'restrict_violation'; END $$"
    )
    for name, when in POSTGRESQL_GUARDS.items():
        schema_editor.execute(f"CREATE TRIGGER {name} {when} EXECUTE FUNCTION prospecting_journal_refuses()")


def lift(apps, schema_editor) -> None:
    if schema_editor.connection.vendor == "sqlite":
        for name in SQLITE_GUARDS:
            schema_editor.execute(f"DROP TRIGGER {name}")
        return
    for name, when in POSTGRESQL_GUARDS.items():
        schema_editor.execute(f"DROP TRIGGER {name} ON {when.split(' ON ')[1].split()[0]}")
    schema_editor.execute("DROP FUNCTION prospecting_journal_refuses()")


def seal(apps, schema_editor) -> None:
    """Seal every entry that has no seal, in the order of their ids; those of an earlier going forth keep theirs."""
    JournalEntry = apps.get_model("prospecting", "JournalEntry")
    JournalSeal = apps.get_model("prospecting", "JournalSeal")
    last = JournalSeal.objects.order_by("-number").first()
    number, sha256 = (last.number, last.sha256) if last else (0, BEFORE_FIRST)
    last_pk = 0
    while entries := list(
        JournalEntry.objects.filter(seal=None, pk__gt=last_pk).order_by("pk").values(*SEALED_FIELDS)[:AT_ONCE]
    ):
        seals = []
        for entry in entries:
            number, sha256 = number + 1, hash_after(sha256, Entry(**entry))
            seals.append(JournalSeal(number=number, entry_id=entry["pk"], sha256=sha256))
        JournalSeal.objects.bulk_create(seals)
        last_pk = entries[-1]["pk"]


class Migration(migrations.Migration):
    dependencies = [("prospecting", "0012_rules_asked_for")]

    operations = [
        migrations.AddIndex(
            model_name="journalentry",
            index=models.Index(fields=["subject_kind", "-id"], name="journal_by_kind"),
        ),
        migrations.AddIndex(
            model_name="journalentry",
            index=models.Index(fields=["at", "id"], name="journal_by_time"),
        ),
        # Before the seals: PostgreSQL makes no trigger on a table whose new rows still wait for their checks.
        migrations.RunPython(guard, lift),
        migrations.RunPython(seal, migrations.RunPython.noop),
    ]
