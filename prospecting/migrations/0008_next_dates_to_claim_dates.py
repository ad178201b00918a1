"""Each claim's one next date becomes a claim date of its own; no date is lost."""

from django.db import migrations


def to_claim_dates(apps, schema_editor):
    Claim = apps.get_model("prospecting", "Claim")
    ClaimDate = apps.get_model("prospecting", "ClaimDate")
    Member = apps.get_model("prospecting", "Member")
    keepers = Member.objects.filter(role="keeper").order_by("pk")
    # Who typed it in, the old field did not keep: the first keeper stands for it, who could have.
    recorded_by = keepers.first() or Member.objects.order_by("pk").first()
    for claim in Claim.objects.filter(next_date__isnull=False):
        what = claim.next_date_what or "date to keep"
        if recorded_by is None:
            # Nobody is there a date could be recorded by: it is kept in the claim's note.
            claim.note = f"{claim.note}\nNext date: {claim.next_date}, {what}".strip()
            claim.save(update_fields=["note"])
            continue
        ClaimDate.objects.get_or_create(
            claim=claim, what=what, due_on=claim.next_date, voided_at=None, defaults={"recorded_by": recorded_by}
        )


def to_next_dates(apps, schema_editor):
    """Back: the nearest date not kept yet; the others stay where they are."""
    ClaimDate = apps.get_model("prospecting", "ClaimDate")
    still_open = ClaimDate.objects.filter(done_on__isnull=True, voided_at__isnull=True)
    for date in still_open.order_by("-due_on", "-pk").select_related("claim"):
        date.claim.next_date, date.claim.next_date_what = date.due_on, date.what
        date.claim.save(update_fields=["next_date", "next_date_what"])


class Migration(migrations.Migration):
    dependencies = [("prospecting", "0007_sample_value_or_limit")]

    operations = [migrations.RunPython(to_claim_dates, to_next_dates)]
