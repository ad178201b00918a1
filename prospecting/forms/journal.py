"""Which lines of the journal to show."""

import datetime

from django import forms
from django.apps import apps
from django.utils import timezone
from django.utils.formats import date_format

from prospecting.forms.base import DayField
from prospecting.models import JournalEntry, Member
from prospecting.models.journal import JournalEntryQuerySet

# Lines about no record, by what they are about.
EVENTS = {
    "sign-in": "signing in",
    "refusal": "refused pages",
    "export": "positions, whole books and own data that left",
    "keeping": "keeping of the books",
}
LOOKS = "peek"
LATEST_DAY = datetime.date(2999, 12, 31)


def kind_choices() -> list[tuple[str, list[tuple[str, str]]]]:
    """The kinds of record, and of other lines, that the journal speaks of so far, in words, from A to Z."""
    words = {model._meta.model_name: str(model._meta.verbose_name) for model in apps.get_models()} | EVENTS
    kinds = JournalEntry.objects.all().kinds()
    records = [(kind, words.get(kind, kind)) for kind in kinds if kind not in EVENTS and kind != LOOKS]
    events = [(kind, EVENTS[kind]) for kind in kinds if kind in EVENTS]
    return [
        ("Records", sorted(records, key=lambda choice: choice[1])),
        ("Other lines", [*events, (LOOKS, "looks at a key")]),
    ]


class JournalFilterForm(forms.Form):
    """Whose lines, about what and of which days; what cannot be read filters nothing and is said beside its field."""

    member = forms.ModelChoiceField(
        label="Who", queryset=Member.objects.all(), required=False, empty_label="everyone"
    )
    kind = forms.ChoiceField(label="About", required=False)
    since = DayField(label="From", required=False, initial=None)
    until = DayField(label="To", required=False, initial=None)
    # From links alone: one record of the kind above, and where in the list the page begins.
    record = forms.IntegerField(required=False, min_value=1, max_value=2**63 - 1, widget=forms.HiddenInput)
    before = forms.IntegerField(required=False, min_value=0, max_value=2**63 - 1, widget=forms.HiddenInput)
    after = forms.IntegerField(required=False, min_value=0, max_value=2**63 - 1, widget=forms.HiddenInput)

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["kind"].choices = [("", "everything"), *kind_choices()]

    def clean(self) -> dict:
        data = super().clean()
        since, until = data.get("since"), data.get("until")
        for name in ("since", "until"):
            if data.get(name) and data[name] > LATEST_DAY:
                self.add_error(name, "That is too far ahead.")
        if since and until and since > until:
            self.add_error("until", "This day is before the one above, so no line can be between them.")
        return data

    def narrowed(self, entries: JournalEntryQuerySet) -> JournalEntryQuerySet:
        """`entries` less what the filters leave out."""
        data = self._read()
        if data.get("member"):
            entries = entries.filter(member=data["member"])
        if data.get("kind") == LOOKS:
            entries = entries.looks_at_keys()
        elif data.get("kind"):
            entries = entries.filter(subject_kind=data["kind"])
            if data.get("record"):
                entries = entries.filter(subject_id=data["record"])
        return entries.between(_begin_of(data.get("since")), _begin_of(data.get("until"), days=1))

    def place(self) -> dict[str, int | None]:
        """Where in the list the page begins: `before` or `after` a line, or at the newest."""
        data = self._read()
        return {"before": data.get("before"), "after": data.get("after")}

    def record_label(self) -> str:
        """What the one record is called that all lines are about; blank while they are about several."""
        data = self._read()
        if not (data.get("kind") and data.get("record")):
            return ""
        about = JournalEntry.objects.filter(subject_kind=data["kind"], subject_id=data["record"])
        return about.values_list("subject_label", flat=True).first() or ""

    def said(self) -> str:
        """What the list is narrowed to, by the labels of the fields; blank where it is not."""
        data = self._read()
        kinds = {kind: words for _, group in self.fields["kind"].choices[1:] for kind, words in group}
        about = kinds.get(data.get("kind"), "")
        told = {
            "who": data.get("member"),
            "about": f"this {about}" if about and data.get("record") else about,
            "from": data.get("since") and date_format(data["since"], "j M Y"),
            "to": data.get("until") and date_format(data["until"], "j M Y"),
        }
        return ", ".join(f"{label}: {value}" for label, value in told.items() if value)

    def _read(self) -> dict:
        self.is_valid()
        return getattr(self, "cleaned_data", {})


def _begin_of(day: datetime.date | None, days: int = 0) -> datetime.datetime | None:
    """When a day of the site's zone begins, or so many days after it."""
    if day is None:
        return None
    return timezone.make_aware(
        datetime.datetime.combine(day + datetime.timedelta(days=days), datetime.time())
    )
