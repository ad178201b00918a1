"""A picture as every form takes it, and the scale of one."""

from decimal import Decimal

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext_lazy

from prospecting.calc import photo_scale, units
from prospecting.calc.accepted_files import PHOTO
from prospecting.calc.language import phrase
from prospecting.forms.base import NumberField, QuantityField, SiteForm
from prospecting.forms.files import AcceptedFileField
from prospecting.models import Photo

ENDS = ("x1", "y1", "x2", "y2")


class PhotoField(AcceptedFileField):
    """A picture; static/prospecting/shrink-photo.js makes it small on the phone, and the site redraws it in any case."""

    def __init__(self, *, from_camera: bool = True, **kwargs) -> None:
        attrs = {"data-shrink": ""}
        # Straight to the camera; without it a phone offers its kept pictures too.
        attrs |= {"capture": "environment"} if from_camera else {}
        kwargs.setdefault("label", gettext_lazy("Photo"))
        kwargs.setdefault("required", False)
        kwargs.setdefault(
            "help_text",
            gettext_lazy(
                "Gold and a scale bar in one picture, the code beside it. Position data is removed."
            ),
        )
        super().__init__(PHOTO, attrs=attrs, **kwargs)


class LengthField(QuantityField):
    """A length; millimetres where no unit is typed. Cleans to µm, as all lengths do."""

    def __init__(self, **kwargs) -> None:
        kwargs.setdefault("help_text", gettext_lazy("In mm, or with its unit: 5 cm, 1/2 inch"))
        super().__init__(read=units.parse_length, unit="mm", **kwargs)


class ScaleForm(SiteForm):
    """How long the scale bar is, and where it ends in the picture: two taps, or its length in pixels."""

    length = LengthField(label=gettext_lazy("Length of the scale bar"))
    pixels = NumberField(
        label=gettext_lazy("Its length in the picture"),
        unit_label=gettext_lazy("pixels"),
        least=1,
        most=10_000,
        places=1,
        required=False,
        help_text=gettext_lazy("Filled in by tapping both ends of the bar in the picture."),
    )
    x1, y1, x2, y2 = (
        NumberField(least=0, most=10_000, places=1, required=False, widget=forms.HiddenInput) for _ in ENDS
    )

    def __init__(self, *args, photo: Photo, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.photo = photo

    def clean(self) -> dict:
        cleaned = super().clean()
        length_px = self._length_px(cleaned)
        length = cleaned.get("length")
        if length is None or length_px is None:
            return cleaned
        try:
            scale = photo_scale.px_per_mm(length_px, units.convert_length(length.canonical, "um", "mm"))
        except ValueError as error:
            self.add_error("length", ValidationError(str(error), code="scale"))
            return cleaned
        told = photo_scale.scale_guard(length_px, scale, self.photo.width_px)
        self.fields["length"].says = told.sentence
        self.ask(told.ask)
        self.px_per_mm = scale
        return cleaned

    def _length_px(self, cleaned: dict) -> Decimal | None:
        ends = [cleaned.get(name) for name in ENDS]
        if None not in ends and not any(name in self.errors for name in ENDS):
            length_px = photo_scale.distance_px(*ends)
            if length_px < 1:
                self.add_error(
                    "pixels",
                    ValidationError(phrase("Both taps fell on one place. Tap the two ends."), code="ends"),
                )
                return None
            return length_px
        if cleaned.get("pixels") is None and "pixels" not in self.errors:
            self.add_error(
                "pixels",
                ValidationError(
                    phrase(
                        "Tap both ends of the scale bar in the picture, or type how many pixels long it is."
                    ),
                    code="ends_missing",
                ),
            )
        return cleaned.get("pixels")
