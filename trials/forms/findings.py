"""Forms of findings: what the group concludes, on which evidence; and why a finding is taken back."""

from collections.abc import Callable, Iterable
from decimal import Decimal

from django import forms
from django.core.exceptions import ValidationError
from django.utils import dateformat, timezone
from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase
from prospecting.forms.base import DayField, SiteForm
from prospecting.models import Member
from trials.forms.planning import read_dose, stored_dose, too_strong
from trials.models import Additive, ClearingTest, Finding, Trial

# More at once nobody weighs against each other at a meeting, and each has to be read whole.
MOST_EVIDENCE = 6
# Older ones are reached from their own page.
MOST_LISTED = 30

# Trials and tests, and about, stand, additive and ml_per_l: what they did not show of it, in a sentence, or blank.
Doubt = Callable[..., str]


class EvidenceField(forms.ModelMultipleChoiceField):
    """Several records by their numbers; one longer than the database holds is no record's, and never asked for."""

    def clean(self, value):
        for pk in value or ():
            if not is_number(str(pk)):
                raise ValidationError(phrase("This is not one of the choices."), code="invalid_choice")
        return super().clean(value)


class TrialEvidenceField(EvidenceField):
    def label_from_instance(self, trial: Trial) -> str:
        return phrase(
            "{trial} (lot {lot}, closed {day})",
            trial=trial,
            lot=trial.feed_lot.code,
            day=_day(trial.closed_at),
        )


class ClearingEvidenceField(EvidenceField):
    def label_from_instance(self, test: ClearingTest) -> str:
        return phrase("{test} (ended {day})", test=test, day=_day(test.ended_at))


class FindingForm(SiteForm):
    """What the group concludes. `doubt` reads the chosen evidence; what it did not show is asked about, never forbidden."""

    sentence = forms.CharField(
        label=gettext_lazy("What you conclude"),
        max_length=240,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text=gettext_lazy(
            "One sentence that says what to do, as you would tell it to somebody new: 12 drops of rinse A in 9 L."
        ),
    )
    stand = forms.ChoiceField(
        label=gettext_lazy("What follows"), choices=Finding.Stand, widget=forms.RadioSelect
    )
    about = forms.ChoiceField(label=gettext_lazy("What it is about"), choices=Finding.About)
    additive = forms.ModelChoiceField(
        label=gettext_lazy("Additive"),
        queryset=Additive.objects.all(),
        required=False,
        empty_label=gettext_lazy("none"),
    )
    dose = forms.CharField(
        label=gettext_lazy("Dose"),
        max_length=40,
        required=False,
        help_text=gettext_lazy(
            "As you measure it: 12 drops in 9 L, 1/4 tsp per gal, 0.4 mL/L. Gal is the US gallon."
        ),
    )
    why = forms.CharField(
        label=gettext_lazy("Why"),
        required=False,
        max_length=4000,
        widget=forms.Textarea(attrs={"rows": 4}),
        help_text=gettext_lazy("What decided it, what it costs, what spoke against it."),
    )
    concluded_by = forms.CharField(
        label=gettext_lazy("Who concluded it"),
        max_length=200,
        help_text=gettext_lazy("Everybody who sat together. They need not be members."),
    )
    concluded_on = DayField(done=True)
    trials = TrialEvidenceField(
        label=gettext_lazy("Trials it rests on"),
        queryset=Trial.objects.none(),
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text=gettext_lazy("Closed trials only. What they show is kept as it stands today."),
    )
    clearing_tests = ClearingEvidenceField(
        label=gettext_lazy("Clearing tests it rests on"),
        queryset=ClearingTest.objects.none(),
        required=False,
        widget=forms.CheckboxSelectMultiple,
    )
    # What its member had on the screen of the evidence: kind, number and sign, pair by pair.
    seen = forms.CharField(required=False, max_length=400, widget=forms.HiddenInput)

    def __init__(self, *args, member: Member, doubt: Doubt, **kwargs) -> None:
        super().__init__(*args, member=member, **kwargs)
        self.doubt = doubt
        closed = Trial.objects.filter(state=Trial.State.CLOSED).select_related("feed_lot")
        self._offer("trials", closed)
        self._offer("clearing_tests", ClearingTest.objects.filter(ended_at__isnull=False))

    def _offer(self, name: str, records) -> None:
        """All of these may be chosen; listed are the newest, and those chosen already."""
        field = self.fields[name]
        field.queryset = records
        listed = list(records.order_by("-pk")[:MOST_LISTED])
        chosen = {pk for pk in map(str, self[name].value() or []) if is_number(pk)}
        missing = sorted(chosen - {str(record.pk) for record in listed})[:MOST_EVIDENCE]
        if missing:
            listed += records.filter(pk__in=missing)
        if not listed:
            del self.fields[name]
            return
        field.choices = [(record.pk, field.label_from_instance(record)) for record in listed]

    @staticmethod
    def starting_with(trial: Trial | None, test: ClearingTest | None) -> dict:
        """Initial values of a new finding on this trial or clearing test."""
        values = {"about": Finding.About.ADDITIVE}
        if test is not None:
            tubs = [tub for tub in test.tubs.all() if tub.additive_id]
            values |= {"about": Finding.About.FLOCCULANT, "clearing_tests": [test.pk]}
            return values | _only([(tub.additive_id, tub.dose_typed) for tub in tubs])
        if trial is None:
            return values
        values["trials"] = [trial.pk]
        doses = [dose for treatment in trial.treatments.all() for dose in treatment.doses.all()]
        if not doses:
            return values | {"about": Finding.About.TECHNIQUE}
        if all(dose.additive.kind == Additive.Kind.FLOCCULANT for dose in doses):
            values["about"] = Finding.About.FLOCCULANT
        return values | _only([(dose.additive_id, dose.typed) for dose in doses])

    @staticmethod
    def standing_as(finding: Finding) -> dict:
        """A finding's values as initial values of the one that is to replace it; who and when are new."""
        evidence = finding.evidence.all()
        return {
            "sentence": finding.sentence,
            "stand": finding.stand,
            "about": finding.about,
            "additive": finding.additive_id,
            "dose": finding.dose_typed,
            "why": finding.why,
            "trials": [piece.trial_id for piece in evidence if piece.trial_id],
            "clearing_tests": [piece.clearing_test_id for piece in evidence if piece.clearing_test_id],
        }

    def clean(self) -> dict:
        cleaned = super().clean()
        trials, tests = self.chosen()
        if len(trials) + len(tests) > MOST_EVIDENCE:
            self.add_error(
                None,
                ValidationError(
                    phrase(
                        "Choose at most {most} trials and tests: those that decided it.",
                        most=MOST_EVIDENCE,
                    ),
                    code="too_many",
                ),
            )
            return cleaned
        self.ml_per_l = self._dose(cleaned)
        if not self.errors:
            said = {name: cleaned[name] for name in ("about", "stand", "additive")}
            self.ask(self.doubt([*trials, *tests], **said, ml_per_l=self.ml_per_l))
        return cleaned

    def _dose(self, cleaned: dict) -> Decimal | None:
        typed, additive = cleaned.get("dose"), cleaned.get("additive")
        if not typed:
            return None
        if additive is None:
            if "additive" not in self.errors:
                self.add_error(
                    "additive", ValidationError(phrase("Of which additive?"), code="additive_missing")
                )
            return None
        try:
            typed, dose = read_dose(typed, self.member)
        except ValueError as error:
            self.add_error("dose", ValidationError(str(error), code="dose"))
            return None
        cleaned["dose"] = typed
        self.fields["dose"].says = dose.sentence
        self.ask(too_strong(typed, stored_dose(dose)))
        return stored_dose(dose)

    def chosen(self) -> tuple[list[Trial], list[ClearingTest]]:
        """The evidence chosen in a form that was sent, as far as it can be read."""
        cleaned = getattr(self, "cleaned_data", {})
        return list(cleaned.get("trials") or []), list(cleaned.get("clearing_tests") or [])

    def show(self, signs: Iterable[tuple[str, int, str]]) -> None:
        """Put into the page what it shows of the evidence, so that a change meanwhile is noticed."""
        told = " ".join(f"{kind}-{pk}-{sign}" for kind, pk, sign in signs)
        if self.is_bound and "seen" not in self.errors:
            self.data = self.data.copy()
            self.data["seen"] = told
        self.initial["seen"] = told

    def signs_seen(self) -> dict[tuple[str, int], str]:
        """What the member had read of each record, by ("trial" or "clearing", number)."""
        found = {}
        for told in self.cleaned_data["seen"].split():
            kind, _, rest = told.partition("-")
            pk, _, sign = rest.partition("-")
            if sign and is_number(pk):
                found[kind, int(pk)] = sign
        return found

    def fields_typed(self) -> dict:
        names = ("sentence", "stand", "about", "additive", "why", "concluded_by", "concluded_on")
        own = {name: self.cleaned_data[name] for name in names}
        own["sentence"] = " ".join(own["sentence"].split())
        return own | {"ml_per_l": self.ml_per_l, "dose_typed": self.cleaned_data["dose"]}


class TakeBackForm(SiteForm):
    reason = forms.CharField(
        label=gettext_lazy("Why it is taken back"),
        max_length=200,
        help_text=gettext_lazy("It stays readable, with this reason beside it, and is out of the method."),
    )


def is_number(text: str) -> bool:
    """Whether a text can be a record's number: digits, and no more than the database holds."""
    return text.isascii() and text.isdecimal() and len(text) < 19


def _only(dosed: list[tuple[int, str]]) -> dict:
    """The additive where there is one only, its dose where that is one only too: more would put words into a mouth."""
    additives, doses = {additive for additive, _ in dosed}, {typed for _, typed in dosed}
    if len(additives) != 1:
        return {}
    return {"additive": additives.pop()} | ({"dose": doses.pop()} if len(doses) == 1 else {})


def _day(moment) -> str:
    return dateformat.format(timezone.localtime(moment), "j M Y")
