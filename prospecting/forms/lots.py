"""Finding lots, and saying what a lot is and where it stands."""

from django import forms
from django.core.exceptions import ValidationError
from django.utils.functional import cached_property

from prospecting.calc import codes
from prospecting.forms.base import SiteForm
from prospecting.models import Lot, Zone
from prospecting.models.lots import LotQuerySet


class FindForm(forms.Form):
    """The code as it stands on a tag, however it is typed."""

    code = forms.CharField(
        label="Code on the tag",
        max_length=60,
        error_messages={"required": "Type the code from the tag, like BRK-47-T."},
        widget=forms.TextInput(
            attrs={"autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"}
        ),
    )

    def clean_code(self) -> str:
        try:
            return codes.read_code(self.cleaned_data["code"])
        except ValueError as error:
            raise ValidationError(str(error), code="code") from None

    def lot(self) -> Lot | None:
        """The lot with this code; when there is none, the form says so beside the field."""
        if not self.is_valid():
            return None
        found = Lot.objects.filter(code=self.cleaned_data["code"]).first()
        if found is None:
            self.add_error(
                "code",
                f"No lot {self.cleaned_data['code']} is in the books. The code itself is sound: was the lot recorded?",
            )
        return found


class LotFilterForm(forms.Form):
    """Which lots the list shows; what cannot be read filters nothing and is said beside its field."""

    text = forms.CharField(label="In the code or in what it is", max_length=60, required=False)
    kind = forms.ChoiceField(label="Kind", choices=[("", "every kind"), *Lot.Kind.choices], required=False)
    zone = forms.ModelChoiceField(
        label="Holds material of zone",
        queryset=Zone.objects.select_related("claim"),
        required=False,
        empty_label="every zone",
    )
    on_hand = forms.BooleanField(label="Only lots with mass on hand", required=False)

    def narrowed(self, lots: LotQuerySet) -> LotQuerySet:
        """`lots` less what the filters leave out."""
        self.is_valid()
        data = getattr(self, "cleaned_data", {})
        if data.get("kind"):
            lots = lots.of_kind(data["kind"])
        if data.get("zone"):
            lots = lots.from_zone(data["zone"])
        if data.get("on_hand"):
            lots = lots.in_stock()
        if data.get("text"):
            lots = lots.named(data["text"])
        return lots

    def is_narrowing(self) -> bool:
        return self.is_bound and any(self.data.get(name) for name in self.fields)


class BlendChoiceForm:
    """Which lots go into a blend: those ticked so far, and those a search offers. Made of plain ticks in the address."""

    most = 20
    offered_at_once = 30

    def __init__(self, data) -> None:
        # PostgreSQL takes no text with a nought byte in it; no code has one.
        self.codes = [code for code in dict.fromkeys(data.getlist("lot")) if "\0" not in code]
        self.text = data.get("text", "").replace("\0", "").strip()[:60]
        self.asked_to_go_on = "masses" in data
        self.searching = "search" in data

    @cached_property
    def lots(self) -> list[Lot]:
        """The ticked lots, in the order they were ticked; a code no lot has is left out."""
        # Voided and used-up ones too: the action refuses them beside their field, where leaving one out would record another
        # blend than the one that was typed.
        by_code = Lot.objects.in_bulk(self.codes[: self.most + 1], field_name="code")
        return [by_code[code] for code in self.codes if code in by_code]

    def is_made(self) -> bool:
        return not self.searching and 2 <= len(self.lots) <= self.most

    def refusal(self) -> str:
        """Why the masses cannot be asked for yet; blank while nobody asked for them."""
        if len(self.lots) > self.most:
            return f"A blend takes at most {self.most} lots at once: untick some."
        if self.asked_to_go_on and len(self.lots) < 2:
            return "Tick at least two lots."
        return ""

    @cached_property
    def offered(self) -> list[Lot]:
        """Lots with mass on hand that fit the search, newest first, without those ticked already."""
        lots = Lot.objects.in_stock().exclude(pk__in=[lot.pk for lot in self.lots])
        return list((lots.named(self.text) if self.text else lots)[: self.offered_at_once + 1])

    def shown(self) -> list[Lot]:
        return self.offered[: self.offered_at_once]

    def more(self) -> bool:
        """Whether the search fits more lots than are shown."""
        return len(self.offered) > self.offered_at_once


class LotNoteForm(SiteForm):
    title = forms.CharField(
        label="What it is", max_length=120, required=False, help_text="Stands on the tag under the code."
    )
    place = forms.CharField(label="Where it stands", max_length=120, required=False)
    note = forms.CharField(
        label="Note", max_length=2000, required=False, widget=forms.Textarea(attrs={"rows": 4})
    )

    def values(self) -> dict:
        return {name: self.cleaned_data[name] for name in ("title", "place", "note")}
