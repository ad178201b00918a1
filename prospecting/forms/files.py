"""A file as a form takes it: what is taken and how large, said beside the field."""

from django import forms
from django.core.exceptions import ValidationError
from django.core.files import File
from django.core.files.base import ContentFile
from django.utils.functional import lazy
from django.utils.translation import gettext_lazy

from prospecting.calc.accepted_files import AcceptedFile
from prospecting.calc.language import phrase
from prospecting.forms.base import SiteForm
from prospecting.readers.pdf import ROOM, is_pdf
from prospecting.readers.picture import PictureRefused, redrawn_upload


def _taken(accepted: AcceptedFile, besides: str) -> str:
    return f"{accepted.in_words()} {besides}".strip()


# A field is made before anybody reads it.
_taken_in_words = lazy(_taken, str)


class AcceptedFileField(forms.FileField):
    """`help_text` follows the sentence of what is taken. A picture is read here, other files by the action that takes them."""

    def __init__(
        self, accepted: AcceptedFile, *, help_text: str = "", attrs: dict | None = None, **kwargs
    ) -> None:
        # A phone that can't make a picture small says at once where it is too large; see shrink-photo.js.
        self.accepted = accepted
        attrs = {"accept": accepted.accept, "data-most-bytes": accepted.most_bytes} | (attrs or {})
        kwargs.setdefault("widget", forms.FileInput(attrs=attrs))
        kwargs.setdefault("max_length", 200)
        kwargs["error_messages"] = {
            "required": gettext_lazy("Choose the file."),
            "empty": gettext_lazy("The file is empty."),
            "max_length": gettext_lazy("The file's name is too long."),
        } | kwargs.get("error_messages", {})
        super().__init__(help_text=_taken_in_words(accepted, help_text), **kwargs)

    def clean(self, data, initial=None):
        upload = super().clean(data, initial)
        if not upload:
            return upload
        if sentence := self.accepted.too_large(upload.size):
            raise ValidationError(sentence, code="too_large")
        if self.accepted.longest_px and not self._is_pdf(upload):
            try:
                redrawn_upload(upload, self.accepted)
            except PictureRefused as refusal:
                raise ValidationError(refusal.beside(self.accepted), code=refusal.code) from None
        return upload

    def _is_pdf(self, upload) -> bool:
        upload.seek(0)
        return "PDF" in self.accepted.kinds and is_pdf(upload.read(ROOM))


class PastedField(forms.CharField):
    """A table pasted out of something else, its spaces and line ends kept."""

    def __init__(self, *, most: int, **kwargs) -> None:
        attrs = {"rows": 6, "autocomplete": "off", "spellcheck": "false", "wrap": "off"}
        super().__init__(
            required=False, strip=False, max_length=most, widget=forms.Textarea(attrs=attrs), **kwargs
        )


class FileOrPastedForm(SiteForm):
    """A subclass has the fields `upload` and `pasted`, neither required, and says what is `given` by one of the two."""

    given = gettext_lazy("table")

    def clean(self) -> dict:
        data = super().clean()
        has_pasted = bool(data.get("pasted", "").strip())
        if not data.get("upload") and not has_pasted and not self.errors:
            self.add_error("upload", phrase("Choose the file, or paste the {given} below.", given=self.given))
        elif data.get("upload") and has_pasted:
            self.add_error(
                "pasted", phrase("Give the file or the pasted {given}, not both.", given=self.given)
            )
        return data

    def file(self) -> File:
        """What was given, as a file."""
        pasted = self.cleaned_data["pasted"]
        return self.cleaned_data["upload"] or ContentFile(pasted.encode(), name="pasted.txt")
