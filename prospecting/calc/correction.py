"""What a corrected mass changes further down: draws that took all there was, losses, masses on hand and shares."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from prospecting.calc.lineage import blend_shares
from prospecting.calc.mass_balance import mass_left_g, total_mass_g

GAIN, OVERDRAWN, NOTHING_LEFT = "gain", "overdrawn", "nothing_left"


@dataclass(frozen=True)
class Taken:
    """`mass_g` drawn from `lot`. It `follows` when nobody weighed it: what it took is what the lot held just then."""

    lot: int
    mass_g: Decimal
    follows: bool = False


@dataclass(frozen=True)
class BookedStep:
    """One standing step. With `one_weighing` what was taken was never weighed but is what the made lots weigh together."""

    pk: int
    draws: Sequence[Taken]
    makes: Sequence[int]
    one_weighing: bool = False


@dataclass(frozen=True)
class Books:
    """The part of the books a correction can reach: masses in g by lot, shares by lot and dig, and the steps among them.

    `steps` holds the corrected step and every later one on the way onward; `masses_g`, `on_hand_g` and `shares` hold every
    lot one of them draws from or makes.
    """

    masses_g: Mapping[int, Decimal]
    on_hand_g: Mapping[int, Decimal]
    shares: Mapping[int, Mapping[int, Decimal]]
    steps: Sequence[BookedStep]


@dataclass(frozen=True)
class Corrected:
    """Every figure that is another one now, in g; shares by lot and dig, draws by (step, lot)."""

    masses_g: dict[int, Decimal] = field(default_factory=dict)
    draws_g: dict[tuple[int, int], Decimal] = field(default_factory=dict)
    losses_g: dict[int, Decimal] = field(default_factory=dict)
    on_hand_g: dict[int, Decimal] = field(default_factory=dict)
    shares: dict[int, dict[int, Decimal]] = field(default_factory=dict)


class Unbalanced(ValueError):
    """The corrected books would not close. `why` is GAIN, OVERDRAWN or NOTHING_LEFT; `step` or `lot` says where.

    GAIN: `there_g` went into the step, `wanted_g` came out. OVERDRAWN: the lot weighs `there_g`, `wanted_g` was taken.
    NOTHING_LEFT: the step took all of the lot, and that would be `there_g`, which is not above zero.
    """

    def __init__(
        self,
        why: str,
        *,
        there_g: Decimal,
        wanted_g: Decimal = Decimal(0),
        step: int | None = None,
        lot: int | None = None,
    ) -> None:
        super().__init__(f"{why}: {wanted_g} g of {there_g} g (step {step}, lot {lot})")
        self.why, self.step, self.lot, self.there_g, self.wanted_g = why, step, lot, there_g, wanted_g


def corrected(
    books: Books, step: int, *, draws: Mapping[int, Decimal], makes: Mapping[int, Decimal]
) -> Corrected:
    """Return what changes when lots `makes` of this step weighed these masses and `draws` of it took these, all in g.

    Steps are walked in the order they were recorded, since a step draws only from lots that earlier ones made (else
    ValueError). A draw that follows takes up whatever of the change is not taken up before it; what no draw takes up is on
    hand. Losses and shares are reckoned anew where what goes into them changed, every lot taken as well mixed. Raises
    Unbalanced where more would come out of a step than went in or more be drawn from a lot than it weighs.

    >>> books = Books({1: Decimal(10), 2: Decimal(9)}, {1: Decimal(0), 2: Decimal(9)}, {1: {7: Decimal(1)}, 2: {7: Decimal(1)}},
    ...               [BookedStep(1, [], [1]), BookedStep(2, [Taken(1, Decimal(10), follows=True)], [2])])
    >>> corrected(books, 1, draws={}, makes={1: Decimal(11)}).losses_g
    {1: Decimal('0'), 2: Decimal('2')}
    """
    found = Corrected()
    shares = dict(books.shares)
    # What each lot weighs more (or less, below zero) than the books said and no draw has taken up yet.
    open_g = {lot: Decimal(0) for lot in books.masses_g}
    made_so_far: set[int] = set()
    makers = {lot: booked.pk for booked in books.steps for lot in booked.makes}
    for booked in sorted(books.steps, key=lambda each: each.pk):
        for taken in booked.draws:
            if taken.lot in makers and taken.lot not in made_so_far:
                raise ValueError(f"step {booked.pk} draws from lot {taken.lot}, which a later step made")
        made_so_far.update(booked.makes)
        own_makes = dict(makes) if booked.pk == step else {}
        own_draws = dict(draws) if booked.pk == step else {}
        if booked.one_weighing:
            _weigh_once(booked, books, own_draws, own_makes, open_g)
        drawn_g = [_draw(booked.pk, taken, own_draws, open_g, found) for taken in booked.draws]
        made_g = []
        for lot in booked.makes:
            mass_g = own_makes.get(lot, books.masses_g[lot])
            if mass_g != books.masses_g[lot]:
                found.masses_g[lot] = mass_g
                open_g[lot] += mass_g - books.masses_g[lot]
            made_g.append(mass_g)
        _balance(booked, drawn_g, made_g, found)
        _share(booked, drawn_g, shares, found)
    for lot, more_g in open_g.items():
        if not more_g:
            continue
        held_g = books.on_hand_g[lot] + more_g
        if held_g < 0:
            weighs_g = found.masses_g.get(lot, books.masses_g[lot])
            raise Unbalanced(OVERDRAWN, lot=lot, there_g=weighs_g, wanted_g=mass_left_g(weighs_g, [held_g]))
        found.on_hand_g[lot] = held_g
    return found


def _weigh_once(
    booked: BookedStep,
    books: Books,
    draws: dict[int, Decimal],
    makes: dict[int, Decimal],
    open_g: Mapping[int, Decimal],
) -> None:
    """Let the draw follow what was made, or the one made lot follow the draw: the scale was read once for both."""
    (taken,) = booked.draws
    # Where all there was is taken, what came out less is a loss: nothing is left behind for the lot to hold.
    if makes and taken.lot not in draws and not taken.follows:
        draws[taken.lot] = total_mass_g(makes.get(lot, books.masses_g[lot]) for lot in booked.makes)
    elif not makes and len(booked.makes) == 1:
        if taken.lot in draws:
            makes[booked.makes[0]] = draws[taken.lot]
        elif taken.follows and open_g[taken.lot]:
            makes[booked.makes[0]] = taken.mass_g + open_g[taken.lot]


def _draw(
    step: int,
    taken: Taken,
    own: Mapping[int, Decimal],
    open_g: dict[int, Decimal],
    found: Corrected,
) -> Decimal:
    mass_g = own.get(taken.lot, taken.mass_g + open_g[taken.lot] if taken.follows else taken.mass_g)
    if mass_g <= 0:
        raise Unbalanced(NOTHING_LEFT, step=step, lot=taken.lot, there_g=mass_g)
    if mass_g != taken.mass_g:
        open_g[taken.lot] -= mass_g - taken.mass_g
        found.draws_g[step, taken.lot] = mass_g
    return mass_g


def _balance(
    booked: BookedStep, drawn_g: Sequence[Decimal], made_g: Sequence[Decimal], found: Corrected
) -> None:
    changed = any((booked.pk, taken.lot) in found.draws_g for taken in booked.draws)
    if not changed and not any(lot in found.masses_g for lot in booked.makes):
        return
    # The ground has no balance: a step without draws is a dig.
    lost_g = mass_left_g(total_mass_g(drawn_g), made_g) if booked.draws else Decimal(0)
    if lost_g < 0:
        raise Unbalanced(GAIN, step=booked.pk, there_g=total_mass_g(drawn_g), wanted_g=total_mass_g(made_g))
    found.losses_g[booked.pk] = lost_g


def _share(
    booked: BookedStep,
    drawn_g: Sequence[Decimal],
    shares: dict[int, Mapping[int, Decimal]],
    found: Corrected,
) -> None:
    reweighed = len(booked.draws) > 1 and any(
        (booked.pk, taken.lot) in found.draws_g for taken in booked.draws
    )
    if not booked.makes or not (reweighed or any(taken.lot in found.shares for taken in booked.draws)):
        return
    parts = [(mass_g, shares[taken.lot]) for mass_g, taken in zip(drawn_g, booked.draws, strict=True)]
    blended = blend_shares(parts)
    for lot in booked.makes:
        if blended != shares[lot]:
            shares[lot] = found.shares[lot] = blended
