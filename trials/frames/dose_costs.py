"""What the least dose shown costs: per litre, per pan, per season's water; and a cheaper product only where one is shown."""

import datetime
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from decimal import Decimal

from django.utils import dateformat

from prospecting.calc import units
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from trials.calc.cost import DoseCost, cost_per_extra_gold, dose_cost
from trials.calc.season_cost import bottles, format_money, litres, season_cost, season_water_ml
from trials.frames.ladders import DoseToCost
from trials.models import Additive, Run

YEAR = datetime.timedelta(days=365)


@dataclass(frozen=True)
class Season:
    """The runs of the last 365 days of the books, and their water at one tub each."""

    runs: int
    water_ml: Decimal

    @property
    def typed(self) -> str:
        return f"{numeral(litres(self.water_ml).normalize(), 'f')} L"


@dataclass(frozen=True)
class CostReading:
    """Costs of one additive at its least dose shown; `refusal` says why there are none."""

    additive: Additive
    refusal: str = ""
    heading: str = ""
    price: str = ""
    rows: list[tuple[str, str]] = field(default_factory=list)
    extra: str = ""
    others: list[str] = field(default_factory=list)


def last_season(water_per_run_ml: Decimal) -> Season:
    """Runs logged in the 365 days up to the last one in the books, voided ones left out; two queries."""
    standing = Run.objects.filter(step__voided_at__isnull=True)
    last = standing.order_by("-panned_on").values_list("panned_on", flat=True).first()
    runs = standing.filter(panned_on__gt=last - YEAR).count() if last else 0
    return Season(runs, season_water_ml(water_per_run_ml, runs))


def additives_to_cost(doses: Collection[DoseToCost]) -> dict[int, Additive]:
    """The additives themselves, as priced now, and those they are compared with."""
    wanted = {dose.additive_id for dose in doses}
    wanted |= {other.additive_id for dose in doses for other in dose.others}
    return Additive.objects.in_bulk(wanted)


def cost_reading(
    dose: DoseToCost, additives: Mapping[int, Additive], water_per_run_ml: Decimal, season_ml: Decimal
) -> CostReading:
    """What this dose costs; `season_ml` is the water of a season."""
    additive = additives[dose.additive_id]
    if dose.ml_per_l is None:
        if dose.shown_apart:
            return CostReading(
                additive,
                refusal=phrase(
                    "No dose of {additive} is shown to help over all its trials together, so no cost is put to it "
                    "here; the pages of single trials cost what each showed.",
                    additive=additive,
                ),
            )
        return CostReading(
            additive,
            refusal=phrase(
                "No dose of {additive} is shown to help, so no cost is put to it.", additive=additive
            ),
        )
    if additive.price is None or not additive.bottle_ml:
        return CostReading(
            additive,
            refusal=phrase(
                "The price of {additive} is not on record, so its cost is not known.", additive=additive
            )
            if additive.price is None
            else phrase(
                "The size of its bottle of {additive} is not on record, so its cost is not known.",
                additive=additive,
            ),
        )
    cost = _cost(additive, dose.ml_per_l, water_per_run_ml)

    def money(amount: Decimal) -> str:
        return format_money(amount, additive.currency)

    taken = bottles(additive.bottle_ml, dose.ml_per_l, season_ml)
    rows = [
        (phrase("A litre of water"), money(cost.cost_per_litre_of_water)),
        (phrase("A pan, with a tub of {water}", water=_litres(water_per_run_ml)), money(cost.cost_per_run)),
        (
            phrase("A season's water, {water}", water=_litres(season_ml)),
            phrase(
                "{cost}, {number} bottles",
                cost=money(season_cost(cost, season_ml)),
                number=_figures(taken, 2),
            ),
        ),
    ]
    return CostReading(
        additive,
        heading=phrase("{additive} at {dose}", additive=additive, dose=dose.dose),
        price=_price(additive),
        rows=rows,
        extra=_extra(dose, cost, additive.currency),
        others=_others(dose, additives, cost, water_per_run_ml),
    )


def _cost(additive: Additive, ml_per_l: Decimal, water_ml: Decimal) -> DoseCost:
    return dose_cost(additive.price, additive.bottle_ml, ml_per_l, litres(water_ml))


def _price(additive: Additive) -> str:
    price = {"price": format_money(additive.price, additive.currency), "bottle": additive.bottle_typed}
    if additive.priced_on is None:
        return phrase("{price} for {bottle}, day not on record", **price)
    return phrase(
        "{price} for {bottle} on {day}", day=dateformat.format(additive.priced_on, "d M Y"), **price
    )


def _extra(dose: DoseToCost, cost: DoseCost, currency: str) -> str:
    if dose.extra_mg is None:
        return phrase("Cost per extra mg of gold: not said, since the gain was not weighed.")
    where = phrase(" in {trial}", trial=dose.trial) if dose.trial else ""
    gain, least, most = (Decimal(str(round(mg, 6))) for mg in dose.extra_mg)
    found = cost_per_extra_gold(cost.cost_per_run, gain, least, most)
    if not found.may_be_reported:
        return phrase(
            "Cost per extra mg of gold: not said, since the interval of the gain ({low} to {high} a portion) does not lie "
            "wholly above 0.",
            low=units.format_gold_mg(least),
            high=units.format_gold_mg(most),
        )
    return phrase(
        "Each extra mg of gold costs {cost} in additive ({low} to {high}, from the 95 % interval of the gain{where}; work and "
        "water not counted).",
        cost=format_money(found.cost_per_extra_mg, currency),
        low=format_money(found.cost_per_extra_mg_low, currency),
        high=format_money(found.cost_per_extra_mg_high, currency),
        where=where,
    )


def _others(
    dose: DoseToCost, additives: Mapping[int, Additive], cost: DoseCost, water_ml: Decimal
) -> list[str]:
    """About every other additive that was dosed in the same trial, the cheapest dose shown not worse first."""
    own, found = additives[dose.additive_id], []
    for pk in dict.fromkeys(other.additive_id for other in dose.others):
        additive = additives[pk]
        if additive.price is None or not additive.bottle_ml:
            found.append(
                phrase(
                    "{additive} was tried beside it, but its price or bottle is not on record.",
                    additive=additive,
                )
            )
            continue
        if additive.currency != own.currency:
            found.append(
                phrase(
                    "{additive} is priced in {currency}: the site does not change one money into another, so which "
                    "is cheaper is not said.",
                    additive=additive,
                    currency=additive.currency,
                )
            )
            continue
        costed = [
            (_cost(additive, other.ml_per_l, water_ml).cost_per_litre_of_water, other)
            for other in dose.others
            if other.additive_id == pk
        ]
        cheaper = [each for each in costed if each[0] < cost.cost_per_litre_of_water]
        passed = [each for each in cheaper if each[1].not_worse]
        if not cheaper:
            found.append(phrase("{additive} is not cheaper at any dose tried beside it.", additive=additive))
        elif passed:
            price, other = min(passed, key=lambda each: each[0])
            found.append(
                phrase(
                    "Cheaper: {additive}, {treatment}, at {cost} a litre of water: shown to come within the margin of {other} "
                    "at {dose}, both against the same {control}.",
                    additive=additive,
                    treatment=other.name,
                    cost=format_money(price, additive.currency),
                    other=own,
                    dose=dose.dose,
                    control=dose.control,
                )
            )
        else:
            found.append(
                phrase(
                    "{additive} is cheaper at a dose tried beside it, but there it is not shown to come within the "
                    "margin of {other} at {dose}: cheaper, not shown to do as well.",
                    additive=additive,
                    other=own,
                    dose=dose.dose,
                )
            )
    return found


def _litres(water_ml: Decimal) -> str:
    return f"{_figures(litres(water_ml))} L"


def _figures(number: Decimal, digits: int = 3) -> str:
    from trials.calc.working import figure

    return figure(float(number), digits)
