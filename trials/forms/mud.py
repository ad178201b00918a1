"""Forms of settled mud: what the mud of a run's tub, or of a tub of a clearing test, gave when it was panned."""

from django import forms
from django.utils.translation import gettext_lazy

from prospecting.calc import guard, units
from prospecting.calc.language import phrase, to_phrase
from trials.forms.runs import PannedAgainForm
from trials.models import Run, SettledMud, Tub


class MudForm(PannedAgainForm):
    """Gold out of settled mud. Of a clearing test's tub only the gold of its other tubs is there to compare with."""

    gold_label = to_phrase("Gold from the mud, dried and weighed")
    colours_label = to_phrase("Colours in the mud")
    more_than_run = to_phrase(
        "{gold} from the mud is more than the run itself gave ({of_run}). Is the number right?"
    )

    def __init__(self, *args, run: Run | None = None, tub: Tub | None = None, **kwargs) -> None:
        super().__init__(*args, run=run, **kwargs)
        self.tub = tub
        if run is not None and run.key_hidden:
            self.fields["note"].help_text = phrase(
                "Nothing that tells what was in the tub: the key is still hidden."
            )

    def clean(self) -> dict:
        cleaned = super().clean()
        gold = cleaned.get("gold")
        if gold is not None and self.tub is not None:
            self._ask_about_tub(gold)
        return cleaned

    def _ask_about_tub(self, gold: units.Quantity) -> None:
        others = SettledMud.objects.filter(tub__test=self.tub.test_id).exclude(tub=self.tub)
        weighed = others.filter(gold_mg__isnull=False).values_list("gold_mg", flat=True)
        told = guard.gold_alone_guard(gold.canonical, self.step_mg(), list(weighed))
        self.fields["gold"].says = told.sentence
        self.ask(told.ask)


class CorrectMudForm(MudForm):
    reason = forms.CharField(label=gettext_lazy("Why it is corrected"), max_length=200)


def tub_mud_start(tub: Tub) -> dict:
    """What the form of a tub's mud starts with: the scale and the panner of the mud logged last in this test."""
    last = SettledMud.objects.filter(tub__test=tub.test_id).order_by("-pk").first()
    if last is None:
        return {}
    return {"panner": last.panner_id, "scale_step": units.format_gold_mg(last.scale_step_mg)}
