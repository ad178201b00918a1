"""What a step's numbers are made of: its balance, and the working behind its loss and its shares, as rows to be shown."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from django.utils.translation import gettext_lazy

from prospecting.calc import lineage, mass_balance, units
from prospecting.calc.language import phrase
from prospecting.models import Draw, Lot, Origin, Step

# What the mass that did not come out again is called, by kind of step.
LOSS_WORDS = {
    Step.Kind.DRY: gettext_lazy("Water driven off"),
    Step.Kind.RECOVER: gettext_lazy("Not kept as a lot"),
    Step.Kind.REWEIGH: gettext_lazy("Missing mass booked"),
    Step.Kind.DISCARD: gettext_lazy("Thrown away"),
}
# Whatever these draw is gone by intent: a share of it would always read 100 %.
ALL_OF_IT = {Step.Kind.REWEIGH, Step.Kind.DISCARD}
WELL_MIXED = gettext_lazy(
    "Each lot is taken as well mixed: whatever is drawn from it holds its digs in the same shares as the whole."
)


@dataclass(frozen=True)
class WorkingRow:
    """One figure: its formula, the inputs as (name, value, unit, address or None), what it gives and where that is from."""

    label: str
    formula: str
    inputs: Sequence[tuple[str, str, str, str | None]]
    value: str
    unit: str = ""
    source: str = ""


@dataclass(frozen=True)
class Working:
    rows: Sequence[WorkingRow]
    assumptions: Sequence[str] = field(default_factory=list)


@dataclass(frozen=True)
class Balance:
    """What went into a step, what came out, and what is between them. `loss_share` is a fraction of what went in."""

    drawn_g: Decimal
    made_g: Decimal
    loss_g: Decimal
    loss_share: Decimal | None
    loss_word: str


def step_balance(step: Step, draws: Sequence[Draw], made: Sequence[Lot]) -> Balance:
    drawn_g = mass_balance.total_mass_g(draw.mass_g for draw in draws)
    return Balance(
        drawn_g=drawn_g,
        made_g=mass_balance.total_mass_g(lot.mass_g for lot in made),
        loss_g=step.loss_g,
        loss_share=None if step.kind in ALL_OF_IT else mass_balance.loss_share(step.loss_g, drawn_g),
        loss_word=LOSS_WORDS.get(step.kind, phrase("Loss")),
    )


def loss_working(step: Step, draws: Sequence[Draw], made: Sequence[Lot], mass_unit: str) -> Working | None:
    """How the loss follows from the masses; None for a dig, which draws on the ground."""
    if not draws:
        return None
    balance = step_balance(step, draws, made)
    inputs = [
        (phrase("drawn from {code}", code=draw.lot.code), *_mass(draw.mass_g, mass_unit, draw.lot))
        for draw in draws
    ]
    inputs += [(phrase("made {code}", code=lot.code), *_mass(lot.mass_g, mass_unit, lot)) for lot in made]
    share = units.format_share(balance.loss_share)
    rows = [
        WorkingRow(
            label=balance.loss_word,
            formula=phrase("what went in − what came out"),
            inputs=inputs,
            value=units.format_mass(balance.loss_g, mass_unit),
        )
    ]
    if step.kind == Step.Kind.DRY:
        rows.append(
            WorkingRow(
                label=phrase("Moisture, on the wet basis"),
                formula=phrase("water ÷ wet mass"),
                inputs=[
                    (phrase("water"), *_mass(balance.loss_g, mass_unit)),
                    (phrase("wet mass"), *_mass(balance.drawn_g, mass_unit)),
                ],
                value=share,
            )
        )
        given = [
            phrase("All that was lost in drying is taken as water: dust or a spill would be counted with it.")
        ]
    elif balance.loss_share is None:
        given = [phrase("The whole mass drawn is what left the books; nothing came out of this step.")]
    else:
        rows.append(
            WorkingRow(
                label=phrase("{loss} as a share", loss=balance.loss_word),
                formula=phrase("that mass ÷ what went in"),
                inputs=[
                    (phrase("that mass"), *_mass(balance.loss_g, mass_unit)),
                    (phrase("what went in"), *_mass(balance.drawn_g, mass_unit)),
                ],
                value=share,
            )
        )
        given = [phrase("Masses are as weighed, wet or dry; the scale's own error is not in this figure.")]
    return Working(rows=rows, assumptions=given)


def shares_working(
    draws: Sequence[Draw], drawn_origins: Sequence[Origin], made_origins: Sequence[Origin], mass_unit: str
) -> Working | None:
    """How each dig's share in what was made follows from the lots it was made of.

    `drawn_origins` are the origins of the lots drawn from, `made_origins` those stored for one lot that was made.
    """
    if not draws or not made_origins:
        return None
    by_lot: dict[int, dict[int, Decimal]] = {draw.lot_id: {} for draw in draws}
    for origin in drawn_origins:
        by_lot[origin.lot_id][origin.dig_id] = origin.share
    worked = lineage.blend_shares([(draw.mass_g, by_lot[draw.lot_id]) for draw in draws])
    went_in_g = mass_balance.total_mass_g(draw.mass_g for draw in draws)
    rows = []
    for origin in made_origins:
        inputs = []
        for draw in draws:
            share = by_lot[draw.lot_id].get(origin.dig_id)
            if share is not None:
                mass, _, url = _mass(draw.mass_g, mass_unit, draw.lot)
                inputs.append(
                    (
                        phrase("{code}: mass × share of this dig", code=draw.lot.code),
                        f"{mass} × {units.format_share(share)}",
                        "",
                        url,
                    )
                )
        inputs.append((phrase("all that went in"), *_mass(went_in_g, mass_unit)))
        rows.append(
            WorkingRow(
                label=str(origin.dig),
                formula=phrase("sum of (mass drawn × share of the dig in that lot) ÷ all that went in"),
                inputs=inputs,
                value=units.format_share(worked[origin.dig_id]),
            )
        )
    return Working(
        rows=rows,
        assumptions=[
            WELL_MIXED,
            phrase(
                "Shares are fixed when a step is recorded, and reckoned anew when one of its masses is corrected."
            ),
        ],
    )


@dataclass(frozen=True)
class ShareRow:
    """One bar of _shares.html; `percent` is the bar's length, 0 to 100."""

    label: str
    url: str
    share: Decimal
    percent: Decimal
    stripe: str


def share_rows(origins: Sequence[Origin]) -> list[ShareRow]:
    """A bar for each dig, largest first."""
    return [
        ShareRow(
            label=f"{origin.dig.zone.name}, {origin.dig}",
            url=origin.dig.get_absolute_url(),
            share=origin.share,
            percent=origin.share * 100,
            stripe=origin.dig.zone.stripe,
        )
        for origin in origins
    ]


def _mass(mass_g: Decimal, mass_unit: str, lot: Lot | None = None) -> tuple[str, str, str | None]:
    return units.format_mass(mass_g, mass_unit), "", lot.get_absolute_url() if lot else None
