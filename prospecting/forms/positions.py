"""A file of positions, and the word that stations may move."""

from django import forms
from django.utils.translation import gettext_lazy

from prospecting.calc.accepted_files import POSITIONS
from prospecting.calc.named_places import PositionFile
from prospecting.forms.base import SiteForm
from prospecting.forms.files import AcceptedFileField
from prospecting.readers.positions import read_positions


class PositionFileForm(SiteForm):
    upload = AcceptedFileField(
        POSITIONS,
        label=gettext_lazy("File of positions"),
        help_text=gettext_lazy(
            "Points named as the stations are. Nothing is recorded before you have seen what it would change."
        ),
    )


class ReadPositions:
    """What was read from an uploaded file of positions; `refusal` where nothing could be."""

    def __init__(self, data: bytes) -> None:
        self.refusal = ""
        self.file: PositionFile | None = None
        try:
            self.file = read_positions(data)
        except ValueError as refusal:
            self.refusal = str(refusal)


class PositionsForm(SiteForm):
    may_move = forms.BooleanField(
        label=gettext_lazy("Yes, move stations that have another position"),
        required=False,
        help_text=gettext_lazy("The old position stays in the journal."),
    )

    def __init__(self, *args, moves: int, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        if not moves:
            del self.fields["may_move"]

    @property
    def lets_move(self) -> bool:
        return bool(self.cleaned_data.get("may_move"))
