"""Which lines of the journal to show."""

import datetime

from django import forms
from django.apps import apps
from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.functional import cached_property
from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase
from prospecting.filters.base import ChoiceFilter, DayFilter, ListFilter, Narrowing, RecordFilter
from prospecting.models import JournalEntry, Member
from prospecting.models.journal import JournalEntryQuerySet

# Lines about no record, by what they are about.
EVENTS = {
    "sign-in": gettext_lazy("signing in"),
    "refusal": gettext_lazy("refused pages"),
    "export": gettext_lazy("what left as a file"),
    "keeping": gettext_lazy("keeping of the books"),
}
LOOKS = "peek"
LARGEST_NUMBER = 2**63 - 1
PLACE = forms.IntegerField(required=False, min_value=0, max_value=LARGEST_NUMBER)


def kind_choices() -> list[tuple[str, list[tuple[str, str]]]]:
    """The kinds of record, and of other lines, that the journal speaks of so far, in words, from A to Z."""
    # Django makes these names out of the names of classes: there is no text to mark.
    words = {model._meta.model_name: phrase(model._meta.verbose_name) for model in apps.get_models()} | EVENTS
    kinds = JournalEntry.objects.all().kinds()
    records = [(kind, words.get(kind, kind)) for kind in kinds if kind not in EVENTS and kind != LOOKS]
    events = [(kind, EVENTS[kind]) for kind in kinds if kind in EVENTS]
    return [
        (phrase("Records"), sorted(records, key=lambda choice: _letters(choice[1]))),
        (phrase("Other lines"), [*events, (LOOKS, phrase("looks at a key"))]),
    ]


def _letters(word: str) -> str:
    """What a word is sorted by, as in a dictionary: its letters alone."""
    return "".join(filter(str.isalpha, word)).casefold()


def about(entries: JournalEntryQuerySet, kind: str) -> JournalEntryQuerySet:
    return entries.looks_at_keys() if kind == LOOKS else entries.filter(subject_kind=kind)


class RecordNumberFilter(Narrowing):
    """From links alone: one record of the kind asked for."""

    field_class = forms.IntegerField

    def __init__(self) -> None:
        super().__init__(
            "Record", min_value=1, max_value=LARGEST_NUMBER, widget=forms.HiddenInput, field_name="subject_id"
        )


class JournalFilter(ListFilter):
    """Whose lines, about what and of which days."""

    member = RecordFilter(gettext_lazy("Who"), queryset=Member.objects.all(), every=gettext_lazy("everyone"))
    kind = ChoiceFilter(gettext_lazy("About"), by=about, choices=[], every=gettext_lazy("everything"))
    since = DayFilter(gettext_lazy("From"), by=lambda entries, day: entries.between(begin_of(day), None))
    until = DayFilter(
        gettext_lazy("To"), by=lambda entries, day: entries.between(None, begin_of(day, days=1))
    )
    record = RecordNumberFilter()

    noun = (gettext_lazy("line"), gettext_lazy("lines"))

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.kinds = kind_choices()
        self.filters["kind"].extra["choices"] = [*self.filters["kind"].extra["choices"], *self.kinds]

    @cached_property
    def asked(self) -> dict[str, object]:
        """A record counts only beside its kind: numbers are given anew in each."""
        asked = super().asked
        if asked.get("kind") in (None, LOOKS):
            asked.pop("record", None)
        return asked

    def told(self) -> dict[str, str]:
        """The record is told with its kind, and goes with it."""
        told = {
            name: self.filters[name].told(value)
            for name, value in self.asked.items()
            if name not in ("kind", "record")
        }
        if kind := self.asked.get("kind"):
            words = {kind: word for _, group in self.kinds for kind, word in group}[kind]
            told["kind"] = (
                phrase("About: this {kind}", kind=words)
                if self.asked.get("record")
                else phrase("About: {kind}", kind=words)
            )
        return told

    def place(self) -> dict[str, int | None]:
        """Where in the list the page begins: `before` or `after` a line, or at the newest."""
        return {name: self._number(name) for name in ("before", "after")}

    def record_label(self) -> str:
        """What the one record is called that all lines are about; blank while they are about several."""
        if not self.asked.get("record"):
            return ""
        lines = JournalEntry.objects.filter(subject_kind=self.asked["kind"], subject_id=self.asked["record"])
        return lines.values_list("subject_label", flat=True).first() or ""

    def _number(self, name: str) -> int | None:
        try:
            return PLACE.clean(self.data.get(name))
        except ValidationError:
            return None


def begin_of(day: datetime.date, days: int = 0) -> datetime.datetime:
    """When a day of the site's zone begins, or so many days after it."""
    begin = datetime.datetime.combine(day + datetime.timedelta(days=days), datetime.time())
    return timezone.make_aware(begin)
