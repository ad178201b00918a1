"""Ground and digs: claims and zones as typed from papers, a dig as typed on a phone beside the hole."""

import re
from decimal import Decimal
from functools import partial

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext_lazy

from prospecting.calc import guard, mass_balance, units
from prospecting.calc.language import phrase
from prospecting.forms.base import DayField, MassField, QuantityField, SiteForm, note_field
from prospecting.forms.photos import PhotoField
from prospecting.models import Claim, Dig, Zone

MOST_BUCKETS = 6
# Short enough that the typed text still fits its column with the unit behind it.
MASS_SIGNS = 24
# Wider than this, a vein is a rarity and a slip of the unit is likelier (common practice, no source).
WIDE_VEIN_CM = Decimal(1000)
# A group of prospectors digs no deeper (common practice, no source).
DEEP_HOLE_M = Decimal(30)


def further_bucket(label: str) -> MassField:
    return MassField(label=label, required=False, max_length=MASS_SIGNS, help_text="")


def one_line(text: str) -> str:
    return " ".join(text.split())


class ClaimForm(SiteForm):
    name = forms.CharField(label=gettext_lazy("Name"), max_length=80)
    kind = forms.ChoiceField(label=gettext_lazy("Kind of ground"), choices=Claim.Kind)
    serial_number = forms.CharField(
        label=gettext_lazy("Agency serial number"),
        max_length=60,
        required=False,
        help_text=gettext_lazy("As it stands on the papers. Guests don't see it."),
    )
    holder = forms.CharField(
        label=gettext_lazy("Holder or locator"),
        max_length=120,
        required=False,
        help_text=gettext_lazy("Guests don't see it."),
    )
    permission = note_field(
        gettext_lazy("From whom, until when, how deep, with which tools."),
        label=gettext_lazy("Permission to work here, and its limits"),
    )
    located_on = DayField(
        label=gettext_lazy("Day of location on the ground"),
        initial=None,
        required=False,
        done=True,
        help_text=gettext_lazy("Guests don't see it."),
    )
    acreage = forms.CharField(
        label=gettext_lazy("Acreage"),
        max_length=40,
        required=False,
        help_text=gettext_lazy("With its unit, as the papers say it."),
    )
    legal_description = note_field(
        gettext_lazy("Township, range, section and meridian, or metes and bounds. Guests don't see it."),
        label=gettext_lazy("Legal description"),
    )
    county_record = forms.CharField(
        label=gettext_lazy("County book, page and day recorded"),
        max_length=120,
        required=False,
        help_text=gettext_lazy("Guests don't see it."),
    )
    note = note_field(gettext_lazy("Guests don't see it."))

    def values(self) -> dict:
        """The fields of a Claim."""
        data = self.cleaned_data
        return {
            "name": one_line(data["name"]),
            "kind": data["kind"],
            "serial_number": data["serial_number"],
            "holder": data["holder"],
            "permission": data["permission"],
            "located_on": data["located_on"],
            "acreage": data["acreage"],
            "legal_description": data["legal_description"],
            "county_record": data["county_record"],
            "note": data["note"],
        }


def claim_before(claim: Claim) -> dict:
    return {name: getattr(claim, name) for name in ClaimForm.base_fields if hasattr(claim, name)}


class ZoneForm(SiteForm):
    name = forms.CharField(
        label=gettext_lazy("Name"),
        max_length=80,
        help_text=gettext_lazy("Part of the claim thought to be alike, like North vein."),
    )
    stripe = forms.ChoiceField(
        label=gettext_lazy("Stripe on its tags"), choices=Zone.Stripe, widget=forms.RadioSelect
    )
    note = note_field(gettext_lazy("Rock, width, what is known. Guests read it: no positions here."))

    def __init__(self, *args, zones: list[Zone], **kwargs) -> None:
        """`zones` are the other zones of the group; a stripe nobody uses yet is offered first."""
        super().__init__(*args, **kwargs)
        self.users: dict[str, list[str]] = {}
        for zone in zones:
            self.users.setdefault(zone.stripe, []).append(str(zone))
        free = [stripe for stripe in Zone.Stripe.values if stripe not in self.users]
        self.fields["stripe"].initial = (free or Zone.Stripe.values)[0]

    def stripe_choices(self) -> list[tuple[forms.boundfield.BoundWidget, str, str]]:
        """Each tick with its stripe and the zones that have it."""
        return [
            (tick, str(tick.data["value"]), ", ".join(self.users.get(str(tick.data["value"]), [])))
            for tick in self["stripe"]
        ]

    def values(self) -> dict:
        data = self.cleaned_data
        return {"name": one_line(data["name"]), "stripe": data["stripe"], "note": data["note"]}


def zone_before(zone: Zone) -> dict:
    return {name: getattr(zone, name) for name in ("name", "stripe", "note")}


class DegreesField(forms.CharField):
    """Decimal degrees, with a minus sign or the letter of the half of the globe; cleans to Decimal."""

    def __init__(self, *, plus: str, minus: str, most: int, **kwargs) -> None:
        super().__init__(max_length=24, required=False, **kwargs)
        self.plus, self.minus, self.most = plus, minus, most

    def widget_attrs(self, widget) -> dict:
        # Letters too: a decimal keypad has no minus sign on some phones.
        return super().widget_attrs(widget) | {
            "inputmode": "text",
            "autocomplete": "off",
            "autocapitalize": "characters",
        }

    def clean(self, value: str) -> Decimal | None:
        text = super().clean(value)
        if not text:
            return None
        match = re.fullmatch(
            rf"(?P<number>[^°A-Z]+)°?\s*(?P<half>[{self.plus}{self.minus}])?", text.strip().upper()
        )
        try:
            if not match:
                raise ValueError
            degrees = units.parse_number(match["number"].strip(), allow_negative=True)
        except ValueError:
            raise ValidationError(
                phrase(
                    "Write decimal degrees, like 41.5 {plus} or -41.5, not minutes and seconds.",
                    plus=self.plus,
                ),
                code="degrees",
            ) from None
        if match["half"] and degrees < 0:
            raise ValidationError(
                phrase("Write either the minus sign or the letter, not both."), code="sign_twice"
            )
        if abs(degrees) > self.most:
            raise ValidationError(
                phrase("Degrees go from -{most} to {most} here.", most=self.most), code="out_of_range"
            )
        degrees = degrees.quantize(Decimal("0.000001"))
        return -degrees if match["half"] == self.minus else degrees


class ZoneChoiceField(forms.ModelChoiceField):
    def __init__(self, **kwargs) -> None:
        super().__init__(
            queryset=Zone.objects.select_related("claim"),
            error_messages={"invalid_choice": gettext_lazy("Choose one of the zones in the list.")},
            **kwargs,
        )

    def label_from_instance(self, zone: Zone) -> str:
        return f"{zone.claim.name}: {zone.name}"


class DigForm(SiteForm):
    zone = ZoneChoiceField(label=gettext_lazy("Zone"), empty_label=gettext_lazy("Choose the zone"))
    station = forms.CharField(
        label=gettext_lazy("Station"),
        max_length=40,
        help_text=gettext_lazy("The number on the flagging at the spot."),
        widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "characters"}),
    )
    # Named as the step's field, beside which an action's refusal of the day stands.
    done_on = DayField(label=gettext_lazy("Day dug"))
    digger = forms.CharField(label=gettext_lazy("Who dug"), max_length=120)
    sample_kind = forms.ChoiceField(
        label=gettext_lazy("Kind of sample"),
        choices=[("", gettext_lazy("Choose how it was taken")), *Dig.SampleKind.choices],
    )
    is_dry = forms.ChoiceField(
        label=gettext_lazy("Weighed"),
        choices=[("wet", gettext_lazy("As dug, damp or wet")), ("dry", gettext_lazy("Dried"))],
        initial="wet",
        widget=forms.RadioSelect,
    )
    mass_1 = MassField(label=gettext_lazy("Bucket 1"), max_length=MASS_SIGNS)
    mass_2 = further_bucket(gettext_lazy("Bucket 2"))
    mass_3 = further_bucket(gettext_lazy("Bucket 3"))
    mass_4 = further_bucket(gettext_lazy("Bucket 4"))
    mass_5 = further_bucket(gettext_lazy("Bucket 5"))
    mass_6 = further_bucket(gettext_lazy("Bucket 6"))
    title = forms.CharField(
        label=gettext_lazy("What it is"),
        max_length=120,
        required=False,
        help_text=gettext_lazy("Stands on each tag, like Rusty quartz, hanging wall."),
    )
    width = QuantityField(
        read=units.parse_length,
        unit="cm",
        # The database keeps a tenth of a centimetre: a thousand µm.
        step=Decimal("1E+3"),
        label=gettext_lazy("Width across the vein"),
        required=False,
        help_text=gettext_lazy("Also with its unit: 18 in, 1 ft 6 in, 0.45 m"),
    )
    depth = QuantityField(
        read=partial(units.parse_length, allow_zero=True),
        unit="m",
        # The database keeps a hundredth of a metre: ten thousand µm.
        step=Decimal("1E+4"),
        label=gettext_lazy("Depth below the surface"),
        required=False,
        help_text=gettext_lazy("0 at the surface. Also with its unit: 6 ft, 1.8 m"),
    )
    latitude = DegreesField(
        plus="N",
        minus="S",
        most=90,
        label=gettext_lazy("Latitude"),
        help_text=gettext_lazy("Decimal degrees. Guests never see the position."),
    )
    longitude = DegreesField(
        plus="E",
        minus="W",
        most=180,
        label=gettext_lazy("Longitude"),
        help_text=gettext_lazy("West is minus: -105.5 or 105.5 W."),
    )
    photo = PhotoField(
        from_camera=False,
        help_text=gettext_lazy("The position hidden in a phone's picture is taken out; guests don't see it."),
    )
    note = note_field(gettext_lazy("Guests read notes: no positions here."))

    bucket_names = tuple(f"mass_{number}" for number in range(1, MOST_BUCKETS + 1))

    def __init__(self, *args, zone: Zone | None = None, again: Dig | None = None, **kwargs) -> None:
        """`zone` chosen beforehand, or all that stays the same when one digs `again` at a station."""
        super().__init__(*args, **kwargs)
        if self.member.mass_unit == "lb":
            self.fields["width"].set_unit("inch")
            self.fields["depth"].set_unit("ft")
        first = {"zone": zone.pk if zone else None, "digger": str(self.member)}
        if again is not None:
            first = {
                "zone": again.zone_id,
                "station": again.station,
                "digger": again.digger,
                "sample_kind": again.sample_kind,
                "latitude": again.latitude,
                "longitude": again.longitude,
            }
            bucket = again.step.made.first()
            first["is_dry"] = "dry" if bucket is not None and bucket.is_dry else "wet"
        for name, value in first.items():
            self.fields[name].initial = value

    def has_zone(self) -> bool:
        return self.fields["zone"].queryset.exists()

    def first_buckets(self) -> list[forms.BoundField]:
        return [self[name] for name in self.bucket_names[:2]]

    def more_buckets(self) -> list[forms.BoundField]:
        return [self[name] for name in self.bucket_names[2:]]

    def more_in_use(self) -> bool:
        """Whether a weight was typed for a further bucket, so that it is not folded away."""
        return self.is_bound and any(self.data.get(name) for name in self.bucket_names[2:])

    def position_in_use(self) -> bool:
        return any(self[name].value() for name in ("latitude", "longitude"))

    def clean(self) -> None:
        data = self.cleaned_data
        if self.files.get("photo"):
            # Read only when the form comes back: no browser sends a chosen file a second time by itself.
            self.fields["photo"].says = phrase("Please choose the photo again.")
        for name, other in (("latitude", "longitude"), ("longitude", "latitude")):
            if (
                name not in self.errors
                and other not in self.errors
                and data.get(name) is None
                and data.get(other) is not None
            ):
                self.add_error(
                    name,
                    ValidationError(phrase("A position needs both latitude and longitude."), code="half"),
                )
        weighed = {name: data[name] for name in self.bucket_names if data.get(name)}
        for name, mass in weighed.items():
            others_g = [other.canonical for key, other in weighed.items() if key != name]
            # One other bucket may as well be the odd one; of two or more, the middle one is the usual fill.
            usual_g = mass_balance.usual_mass_g(others_g) if len(others_g) > 1 else None
            seen = guard.mass_guard(
                mass.canonical, usual_g, container="bucket", mass_unit=self.member.mass_unit
            )
            self.fields[name].says = seen.sentence
            self.ask(f"{self.fields[name].label}: {seen.ask}" if seen.ask else None)
        width = data.get("width")
        if width and self._width_cm() > WIDE_VEIN_CM:
            self.ask(
                phrase(
                    "A width of {typed} is more than 10 m. Is the number right, and its unit?",
                    typed=width.typed,
                )
            )

        depth = data.get("depth")
        if depth and self._depth_m() > DEEP_HOLE_M:
            self.ask(
                phrase(
                    "A depth of {typed} is more than 30 m. Is the number right, and its unit?",
                    typed=depth.typed,
                )
            )

    def _depth_m(self) -> Decimal | None:
        depth = self.cleaned_data.get("depth")
        return units.convert_length(depth.canonical, "um", "m").quantize(Decimal("0.01")) if depth else None

    def _width_cm(self) -> Decimal | None:
        width = self.cleaned_data.get("width")
        return units.convert_length(width.canonical, "um", "cm").quantize(Decimal("0.1")) if width else None

    def buckets(self) -> list[dict]:
        """For each bucket the named arguments of actions.material.NewLot, without its kind."""
        data = self.cleaned_data
        return [
            {
                "mass_g": data[name].canonical,
                "typed": data[name].typed,
                "title": data["title"],
                "is_dry": data["is_dry"] == "dry",
                "field": name,
            }
            for name in self.bucket_names
            if data.get(name)
        ]

    def facts(self) -> dict:
        """What actions.steps.record_dig takes besides the buckets and the picture."""
        data = self.cleaned_data
        return {
            "zone": data["zone"],
            "station": one_line(data["station"]),
            "dug_on": data["done_on"],
            "digger": one_line(data["digger"]),
            "sample_kind": data["sample_kind"],
            "width_cm": self._width_cm(),
            "width_typed": self.cleaned_data["width"].typed if self.cleaned_data["width"] else "",
            "depth_m": self._depth_m(),
            "depth_typed": data["depth"].typed if data["depth"] else "",
            "latitude": data["latitude"],
            "longitude": data["longitude"],
            "note": data["note"],
        }
