"""The digs of a claim that have a position, with what their pans or their assays say: for members only."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.language import phrase
from prospecting.calc.local_map import FlatMap, flat_map, length_text
from prospecting.calc.zone_digs import DigValue
from prospecting.calc.zone_grade import ASSAY, PAN
from prospecting.models import Claim, Dig, Zone
from trials.frames.zone_results import results_from, values_by_dig
from trials.frames.zone_rows import ZoneRows, rows_of_zones

# What the symbols can stand for.
PANS, SHOWN = PAN, {PAN: gettext_lazy("Pans"), ASSAY: gettext_lazy("Assays")}
# A smaller error is not worth a figure.
LEAST_ERROR_M = 0.01
# By zone what `own_values` says of its rows; the page keeps it, so that reading it back loads no statistics.
ValuesOf = Callable[[Mapping[int, ZoneRows], str], Mapping[int, Mapping[int, DigValue]]]


@dataclass(frozen=True)
class MappedDig:
    """A dig on the sketch; `grade_text` is blank where it has no result of its own, `g_per_t` what its symbol stands for."""

    dig: Dig
    g_per_t: float | None
    is_below: bool
    grade_text: str

    @property
    def kind(self) -> str:
        """The kind of sample without its explanation."""
        return self.dig.get_sample_kind_display().partition(" (")[0].lower()

    @property
    def position(self) -> tuple[float, float]:
        return float(self.dig.latitude), float(self.dig.longitude)


@dataclass(frozen=True)
class ClaimMap:
    digs: Sequence[MappedDig]
    flat: FlatMap | None
    without_position: int
    in_feet: bool

    @property
    def width_text(self) -> str:
        return length_text(self.flat.width_m, in_feet=self.in_feet)

    @property
    def height_text(self) -> str:
        return length_text(self.flat.height_m, in_feet=self.in_feet)

    @property
    def error_text(self) -> str:
        return length_text(max(self.flat.error_m, LEAST_ERROR_M), in_feet=self.in_feet)


def map_of(
    claim: Claim, zone: Zone | None, kind: str, grade_unit: str, *, in_feet: bool, values_of: ValuesOf
) -> ClaimMap:
    """Standing digs of the claim, or of one zone, with a position, station by station, and what `kind` (pan, assay) says."""
    of_claim = Dig.objects.with_ground().standing().filter(zone__claim=claim)
    of_ground = of_claim if zone is None else of_claim.filter(zone=zone)
    digs = list(of_ground.order_by("station", "dug_on", "pk"))
    placed = [dig for dig in digs if dig.latitude is not None]
    zones = {dig.zone for dig in placed}
    found = values_of(rows_of_zones(zones), kind) if zones else {}
    values = {pk: value for of_zone in found.values() for pk, value in of_zone.items()}
    mapped = [_mapped(dig, values.get(dig.pk), grade_unit) for dig in placed]
    return ClaimMap(
        digs=mapped,
        flat=flat_map([each.position for each in mapped]) if mapped else None,
        without_position=len(digs) - len(placed),
        in_feet=in_feet,
    )


def own_values(rows: ZoneRows, kind: str) -> dict[int, DigValue]:
    """What each dig's own results say, picked pieces and dumps too: the list beside the sketch names the kind of sample."""
    values = values_by_dig(results_from(rows), kind, lambda dig: True)
    return {min(value.digs): value for value in values if len(value.digs) == 1}


def _mapped(dig: Dig, value: DigValue | None, grade_unit: str) -> MappedDig:
    if value is None:
        return MappedDig(dig, None, False, "")
    if value.is_below:
        grade = units.format_grade(value.high_g_per_t, grade_unit)
        return MappedDig(dig, value.high_g_per_t, True, phrase("below {limit}", limit=grade))
    grade = units.format_grade(value.middle_g_per_t, grade_unit)
    if value.is_above:
        grade = phrase("at least {low}", low=grade)
    return MappedDig(dig, value.middle_g_per_t, False, grade)
