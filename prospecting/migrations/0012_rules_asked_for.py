"""The rule a member asked for stands by itself, so that it outlives readings it gives no value from."""

from django.db import migrations, models

# How reasons begin that the site wrote itself; every other one is a member's.
OWN_WORDS = (
    "both fractions of a screen fire assay came",
    "a part is below its limit",
    "the reading chosen by hand counts no longer",
    "Some repeats lie",
    "A part lies",
    "A screen fire assay needs",
    "The plus fraction is",
    "The mass of the",
    "The readings of the minus fraction",
    "The same to",
    "What was found;",
    "No reading of the whole",
)
# A screen fire assay had been asked for and gave no value.
NO_SCREEN = (
    "A part lies",
    "A screen fire assay needs",
    "The plus fraction",
    "The mass of the",
    "The readings of the minus",
)
IN_JOURNAL = "asked for earlier; the journal says why"


def keep_what_was_asked(apps, schema_editor) -> None:
    Sample = apps.get_model("prospecting", "Sample")
    with_reason = Sample.objects.exclude(in_use_reason="").exclude(in_use_rule="chosen")
    for sample in with_reason.select_related("dispatch").iterator():
        if not sample.in_use_reason.startswith(OWN_WORDS):
            sample.asked_rule, sample.asked_reason = sample.in_use_rule, sample.in_use_reason
        elif rule := _rule_overwritten(sample):
            sample.asked_rule, sample.asked_reason = rule, IN_JOURNAL
        else:
            continue
        sample.save(update_fields=["asked_rule", "asked_reason"])


def _rule_overwritten(sample) -> str:
    """The rule that held although its own reason is lost: as if asked for, or the value would be another one from now on."""
    by_screen = sample.dispatch.method == "screen_fire"
    reason = sample.in_use_reason
    if sample.in_use_rule == "screen":
        # Once the fractions counted, a charge that came later did not take their place.
        has_whole = sample.readings.filter(fraction="", symbol__in=("value", "below", "above")).exists()
        return "screen" if has_whole and not by_screen else ""
    if sample.in_use_rule != "first":
        return ""
    if "the mean is" in reason:
        return "mean"
    if reason.startswith(NO_SCREEN):
        return "screen"
    return "first" if by_screen and reason.startswith("the reading chosen by hand") else ""


class Migration(migrations.Migration):
    dependencies = [("prospecting", "0011_measure_photos")]

    operations = [
        migrations.AddField(
            model_name="sample",
            name="asked_reason",
            field=models.CharField(blank=True, max_length=200),
        ),
        migrations.AddField(
            model_name="sample",
            name="asked_rule",
            field=models.CharField(
                blank=True,
                choices=[
                    ("first", "first reading of the first return"),
                    ("mean", "mean of all repeats"),
                    ("screen", "screen fire assay over a charge"),
                    ("chosen", "chosen by hand"),
                ],
                max_length=8,
            ),
        ),
        migrations.AlterField(
            model_name="dispatch",
            name="rejects_until",
            field=models.DateField(
                blank=True, null=True, verbose_name="coarse rejects and assay pulps kept until"
            ),
        ),
        migrations.AddConstraint(
            model_name="sample",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("asked_rule", ""),
                    models.Q(
                        ("asked_rule__in", ["first", "mean", "screen"]),
                        models.Q(("asked_reason", ""), _negated=True),
                    ),
                    _connector="OR",
                ),
                name="sample_rule_asked_with_reason",
            ),
        ),
        migrations.RunPython(keep_what_was_asked, migrations.RunPython.noop),
    ]
