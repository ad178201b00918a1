"""The form of a judge before a row of pans: a place for each code, and who, when, in what light."""

from collections.abc import Sequence

from django import forms
from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase
from prospecting.forms.base import DayField, SiteForm
from prospecting.forms.photos import PhotoField
from prospecting.models import Member, Photo
from trials.actions.judging import Look
from trials.calc.judging import ordinal
from trials.models import Judging, Run


class JudgingForm(SiteForm):
    """`codes` are the pans in the row, in the order this judge is shown them."""

    judge = forms.ModelChoiceField(
        label=gettext_lazy("Judged by"),
        queryset=Member.objects.none(),
        help_text=gettext_lazy(
            "Someone beside you without a phone? Choose them and hand this one over, each out of the other's sight."
        ),
    )
    judged_on = DayField(done=True)
    light = forms.ChoiceField(
        label=gettext_lazy("Light"),
        choices=[("", gettext_lazy("not said")), *Run.Light.choices],
        required=False,
    )
    photo = PhotoField(
        help_text=gettext_lazy(
            "The whole row in one picture, the codes beside the pans. Position data is removed."
        )
    )
    note = forms.CharField(
        label=gettext_lazy("Note"), required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 2})
    )

    def __init__(self, *args, codes: Sequence[str], judged: Sequence[int] = (), **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.codes = list(codes)
        choices = [("", phrase("not placed"))] + [
            (number, ordinal(number)) for number in range(1, len(self.codes) + 1)
        ]
        for code in self.codes:
            self.fields[place_of(code)] = forms.TypedChoiceField(
                label=phrase("Place of {pan}", pan=code),
                choices=choices,
                coerce=int,
                error_messages={
                    "required": phrase("Give {pan} a place.", pan=code),
                    "invalid_choice": phrase("Places go from 1 to {last}.", last=len(self.codes)),
                },
                widget=forms.Select(attrs={"data-field": ""}),
            )
        if "judge" in self.fields:
            members = Member.objects.filter(is_active=True).exclude(role=Member.Role.GUEST)
            # What was sent once may come again: then its judge has judged, and that is no mistake of the form.
            self.fields["judge"].queryset = members if self.is_bound else members.exclude(pk__in=judged)
            self.fields["judge"].initial = None if self.member.pk in judged else self.member.pk

    def place_fields(self) -> list[tuple[str, forms.BoundField]]:
        """(code, field) of each pan, in the order it is shown."""
        return [(code, self[place_of(code)]) for code in self.codes]

    def look(self, photo: Photo | None) -> Look:
        values = self.cleaned_data
        return Look(
            places={code: values[place_of(code)] for code in self.codes},
            judged_on=values["judged_on"],
            light=values["light"],
            note=values["note"],
            photo=photo,
        )


class CorrectJudgingForm(JudgingForm):
    """The judge stays who it was."""

    judge = None
    reason = forms.CharField(label=gettext_lazy("Why it is corrected"), max_length=200)


def judged_before(judging: Judging) -> dict:
    """A judging's values as initial values of its correction."""
    values = {"judged_on": judging.judged_on, "light": judging.light, "note": judging.note}
    return values | {place_of(pan.planned.blind_code): pan.place for pan in judging.places.all()}


def place_of(code: str) -> str:
    return f"place_{code}"
