"""Which lines of the journal to show."""

from django import forms
from django.apps import apps

from prospecting.models import JournalEntry, Member
from prospecting.models.journal import JournalEntryQuerySet


def kind_choices() -> list[tuple[str, str]]:
    """The kinds of record the journal speaks of so far, in words, from A to Z."""
    words = {model._meta.model_name: str(model._meta.verbose_name) for model in apps.get_models()}
    kinds = JournalEntry.objects.order_by("subject_kind").values_list("subject_kind", flat=True).distinct()
    return sorted(((kind, words.get(kind, kind)) for kind in kinds), key=lambda choice: choice[1])


class JournalFilterForm(forms.Form):
    """Whose lines, and about what; what cannot be read filters nothing and is said beside its field."""

    member = forms.ModelChoiceField(
        label="Who", queryset=Member.objects.all(), required=False, empty_label="everyone"
    )
    kind = forms.ChoiceField(label="About", required=False)

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["kind"].choices = [("", "everything"), *kind_choices()]

    def narrowed(self, entries: JournalEntryQuerySet) -> JournalEntryQuerySet:
        """`entries` less what the filters leave out."""
        self.is_valid()
        data = getattr(self, "cleaned_data", {})
        if data.get("member"):
            entries = entries.filter(member=data["member"])
        if data.get("kind"):
            entries = entries.filter(subject_kind=data["kind"])
        return entries

    def is_narrowing(self) -> bool:
        return self.is_bound and any(self.data.get(name) for name in self.fields)
