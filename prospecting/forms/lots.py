"""Finding lots, and saying what a lot is and where it stands."""

import re

from django import forms
from django.core.exceptions import ValidationError
from django.http import HttpRequest
from django.utils.functional import cached_property
from django.utils.translation import gettext_lazy

from prospecting.calc import codes
from prospecting.calc.language import phrase
from prospecting.forms.base import SiteForm
from prospecting.models import Lot, Member
from prospecting.models.lots import LotQuerySet


class FindForm(forms.Form):
    """The code as it stands on a tag, however it is typed."""

    code = forms.CharField(
        label=gettext_lazy("Code on the tag"),
        max_length=60,
        error_messages={"required": gettext_lazy("Type the code from the tag, like BRK-47-T.")},
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
                phrase(
                    "No lot {code} is in the books. The code itself is sound: was the lot recorded?",
                    code=self.cleaned_data["code"],
                ),
            )
        return found


def codes_in(typed: str) -> tuple[list[str], list[str]]:
    """The codes in a text, one to a line or with commas or blanks between; and a sentence for each piece that is none."""
    read, unread = [], []
    for piece in filter(None, map(str.strip, re.split(r"[\n,;]", typed))):
        try:
            read.append(codes.read_code(piece))
            continue
        except ValueError as error:
            whole = str(error)
        try:
            read += [codes.read_code(word) for word in piece.split()]
        except ValueError as error:
            # With one word, or one code spelt with blanks, the sentence about all of it is the one that helps.
            unread.append(f"“{piece[:40]}”: {whole if len(piece) < 15 else error}")
    return read, unread


class LotChoiceForm:
    """Which lots an act is for: those ticked or typed so far, and those a search offers. Made of plain ticks in the address."""

    least, most = 1, 60
    offered_at_once = 30
    # The button that asks to go on with what is ticked.
    go_on = "chosen"
    too_few = gettext_lazy("Tick a lot, or type the code on its tag.")
    too_many = gettext_lazy("At most 60 lots at once: untick some.")

    def __init__(self, data, *, pool: LotQuerySet) -> None:
        """`pool` holds the lots that may be offered."""
        self.pool = pool
        # PostgreSQL takes no text with a nought byte in it; no code has one.
        ticked = [code[:40] for code in data.getlist("lot") if code and "\0" not in code]
        self.typed = data.get("codes", "")[:2000]
        typed, self.unread = codes_in(self.typed)
        self.codes = list(dict.fromkeys([*ticked, *typed]))
        self.text = data.get("text", "").replace("\0", "").strip()[:60]
        self.asked_to_go_on = self.go_on in data
        self.searching = "search" in data

    @classmethod
    def asked_by(cls, request: HttpRequest, *, pool: LotQuerySet) -> "LotChoiceForm":
        """What a request chose. Whoever posts asks to go on, and is told where nothing that was sent is a lot."""
        choice = cls(request.POST if request.method == "POST" else request.GET, pool=pool)
        choice.asked_to_go_on |= request.method == "POST"
        return choice

    @cached_property
    def lots(self) -> list[Lot]:
        """The ticked and typed lots, in that order; a code no lot has is left out (see `unknown`)."""
        # Voided and used-up ones too: the action refuses them beside their field, where leaving one out would record another
        # act than the one that was asked for.
        by_code = Lot.objects.in_bulk(self.codes[: self.most + 1], field_name="code")
        return [by_code[code] for code in self.codes if code in by_code]

    @property
    def unknown(self) -> list[str]:
        """Sound codes that no lot has."""
        found = {lot.code for lot in self.lots}
        return [code for code in self.codes[: self.most + 1] if code not in found]

    def is_made(self) -> bool:
        return not (self.searching or self.unread) and self.least <= len(self.lots) <= self.most

    def refusals(self) -> list[str]:
        """Why the act cannot be asked for yet; nothing while nobody asked for it."""
        said = list(self.unread)
        if self.asked_to_go_on:
            said += [phrase("No lot {code} is in the books.", code=code) for code in self.unknown]
        if len(self.lots) > self.most:
            said.append(str(self.too_many))
        elif self.asked_to_go_on and len(self.lots) < self.least:
            said.append(str(self.too_few))
        return said

    @cached_property
    def offered(self) -> list[Lot]:
        """Lots of the pool that fit the search, newest first, without those ticked already."""
        lots = self.pool.exclude(pk__in=[lot.pk for lot in self.lots])
        return list((lots.named(self.text) if self.text else lots)[: self.offered_at_once + 1])

    def shown(self) -> list[Lot]:
        return self.offered[: self.offered_at_once]

    def more(self) -> bool:
        """Whether the search fits more lots than are shown."""
        return len(self.offered) > self.offered_at_once


class BlendChoiceForm(LotChoiceForm):
    least, most = 2, 20
    go_on = "masses"
    too_few = gettext_lazy("Tick at least two lots.")
    too_many = gettext_lazy("A blend takes at most 20 lots at once: untick some.")


class MoveForm(SiteForm):
    place = forms.CharField(
        label=gettext_lazy("Where it stands now"),
        max_length=120,
        help_text=gettext_lazy("Like: shed, shelf 2. Stands on its page."),
    )

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        # Where the newest lots stand: a look at all of them would grow with the books.
        places = Lot.objects.values_list("place", flat=True)[:300]
        self.suggestions = list(dict.fromkeys(filter(None, places)))[:20]
        self.fields["place"].widget.attrs |= {"list": "suggestions", "autocomplete": "off"}


class HandOverForm(SiteForm):
    holder = forms.CharField(
        label=gettext_lazy("Who has it now"),
        max_length=120,
        required=False,
        help_text=gettext_lazy("A member or anyone else. Left empty: it was handed back, nobody has it."),
    )

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.suggestions = [str(member) for member in Member.objects.filter(is_active=True)]
        self.fields["holder"].widget.attrs |= {"list": "suggestions", "autocomplete": "off"}


class ReserveForm(SiteForm):
    reason = forms.CharField(
        label=gettext_lazy("Held back for"),
        max_length=200,
        help_text=gettext_lazy("Like: spare portions, second assay, next year."),
    )


class ReleaseForm(SiteForm):
    reason = forms.CharField(label=gettext_lazy("Why it is released"), max_length=200)


class LotNoteForm(SiteForm):
    title = forms.CharField(
        label=gettext_lazy("What it is"),
        max_length=120,
        required=False,
        help_text=gettext_lazy("Stands on the tag under the code."),
    )
    place = forms.CharField(label=gettext_lazy("Where it stands"), max_length=120, required=False)
    note = forms.CharField(
        label=gettext_lazy("Note"), max_length=2000, required=False, widget=forms.Textarea(attrs={"rows": 4})
    )

    def values(self) -> dict:
        return {name: self.cleaned_data[name] for name in ("title", "place", "note")}


def lot_note_before(lot: Lot) -> dict:
    return {name: getattr(lot, name) for name in ("title", "place", "note")}
