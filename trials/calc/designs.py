"""Plans of trials: who is run when, under which blind code. Plain Python, so ordinary pages may use it."""

import itertools
import math
import random
from collections import Counter
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from prospecting.calc.codes import draw_blind_codes
from prospecting.calc.language import phrase
from prospecting.calc.units import TubAmounts, convert_volume, tub_amounts

# Five factors already make 32 runs in every block.
MOST_FACTORS = 5
MOST_DOSES = 12
# What one plan takes: a season's work (our own limits).
MOST_ROWS, MOST_RUNS = 60, 240
# Measured by drops: twenty of them, 1 mL, are counted well.
LEAST_STOCK_ML = Decimal(1)
# From here on an amount is measured, below it drops are counted: as `TubAmounts.as_poured` writes it.
MEASURED_FROM_ML = Decimal("2.5")
# As fine as the books keep a dose, in mL/L.
DOSE_STEP = Decimal("0.000001")

Kind = Literal["blocks", "latin", "williams", "random"]


@dataclass(frozen=True)
class Place:
    """One line of the plan: the run, its block, its place in the block, its treatment and its blind code."""

    run_order: int
    block: int
    position: int
    treatment: Hashable
    blind_code: str


@dataclass(frozen=True)
class PlanSummary:
    """What can be said of a plan before its first run."""

    runs: int
    blocks: int
    treatments: tuple[Hashable, ...]
    # treatment -> how often it stands first, second, ... in a block
    position_counts: dict[Hashable, tuple[int, ...]]
    # of any treatment: its commonest place less its rarest
    largest_position_imbalance: int
    each_treatment_once_per_block: bool
    blocks_with_same_order_as_first: int
    blocks_with_control_first: int | None
    error_df: int


@dataclass(frozen=True)
class DesignSize:
    """Runs and degrees of freedom of a plan in blocks."""

    runs: int
    df_treatments: int
    df_blocks: int
    df_error: int
    # log10 of the number of orders the plan is drawn from
    arrangements_log10: float


@dataclass(frozen=True)
class SquareCheck:
    """Whether a square is Latin, or a stack of whole squares, and whether every treatment follows every other equally often.

    A stack of whole squares (more rows than columns) is no Latin square itself, but it may be balanced for follow-on: every
    row complete, every treatment equally often at each place, and each of its pairs of neighbours equally often.
    """

    is_latin_square: bool
    is_whole_squares: bool
    follow_on_counts_min: int
    follow_on_counts_max: int
    balanced_for_follow_on: bool


@dataclass(frozen=True)
class GuessCheck:
    """How far a panner's guesses go beyond luck."""

    chance_of_this_many_or_more: float
    expected_by_chance: float
    chance_of_all: float


@dataclass(frozen=True)
class Cell:
    """One treatment of a factorial: its name, and which of its two levels each factor is at (True: the second)."""

    name: str
    at_second: tuple[bool, ...]


@dataclass(frozen=True)
class Factorial:
    """Every combination of two levels of each factor. `effects` are the single factors, then pairs, then more of them."""

    factors: tuple[str, ...]
    cells: tuple[Cell, ...]
    effects: tuple[tuple[str, ...], ...]

    def signs(self, effect: Sequence[str]) -> tuple[int, ...]:
        """+1 or -1 for each cell: the mean of the + cells less that of the - cells is the effect."""
        places = [self.factors.index(name) for name in effect]
        return tuple(math.prod(1 if cell.at_second[place] else -1 for place in places) for cell in self.cells)


@dataclass(frozen=True)
class Rung:
    """One dose of a ladder, and what to pour of it into one tub."""

    ml_per_l: Decimal
    kind: Literal["zero", "ladder", "overdose"]
    tub: TubAmounts

    @property
    def poured(self) -> str:
        return self.tub.as_poured()

    @property
    def stock(self) -> "Stock | None":
        """What to pour of a thinned additive where the dose is less than one drop of it; None where it can be poured."""
        return stock_for(self.tub)


@dataclass(frozen=True)
class Stock:
    """One part of additive made up with water to so many parts, and what to pour of that instead."""

    parts: int
    pour: TubAmounts

    @property
    def sentence(self) -> str:
        return phrase(
            "Thin it: 1 mL made up with water to {parts} mL; pour {amount} of that.",
            parts=self.parts,
            amount=self.pour.as_poured(),
        )


def draw_plan(kind: Kind, treatments: Sequence[Hashable], rows: int, seed: int) -> list[Place]:
    """Return a plan of this kind; the same kind, treatments, rows and seed give the same plan.

    Parameters
    ----------
    kind : "blocks", "latin", "williams" or "random"
    treatments : as in the function of that kind
    rows : int
        Blocks, rows of all squares together, or runs of each treatment. Rows that make no whole squares raise ValueError.
    seed : int

    >>> [len(draw_plan(kind, ["water", "rinse", "soap"], 6, seed=7)) for kind in ("blocks", "latin", "williams", "random")]
    [18, 18, 18, 18]
    """
    if kind == "random":
        return completely_randomised(treatments, rows, seed)
    if kind == "blocks":
        return randomised_blocks(treatments, rows, seed)
    _check_treatments(treatments)
    each = rows_of_square(kind, len(treatments))
    if rows % each or rows < each:
        fit = ", ".join(map(str, whole_squares(kind, len(treatments))))
        raise ValueError(
            phrase(
                "{rows} rows make no whole square: {treatments} treatments take {fitting} rows and so on.",
                rows=rows,
                treatments=len(treatments),
                fitting=fit,
            )
        )
    square = latin_square if kind == "latin" else williams_square
    return square(treatments, seed, squares=rows // each)


def rows_of_square(kind: Kind, treatments: int) -> int:
    """Return the rows of one whole square: as many as treatments, twice as many for a Williams square of an odd number.

    A plan that is no square takes any number of blocks: 1.

    >>> rows_of_square("latin", 3), rows_of_square("williams", 3), rows_of_square("williams", 4), rows_of_square("blocks", 4)
    (3, 6, 4, 1)
    """
    if kind not in ("latin", "williams"):
        return 1
    return 2 * treatments if kind == "williams" and treatments % 2 else treatments


def whole_squares(kind: Kind, treatments: int) -> list[int]:
    """Return the first three numbers of rows that make whole squares.

    >>> whole_squares("williams", 3)
    [6, 12, 18]
    """
    each = rows_of_square(kind, treatments)
    return [each, 2 * each, 3 * each]


def randomised_blocks(treatments: Sequence[Hashable], blocks: int, seed: int) -> list[Place]:
    """Return a plan in which each treatment is run once in every block, each block in an order of its own.

    Parameters
    ----------
    treatments : sequence of str or int, 2 or more
        Names or ids, each once. A name given twice raises ValueError.
    blocks : int, 1 or more
    seed : int
        The same seed gives the same plan, but keep the plan as a list: a later Python may draw differently.

    Returns
    -------
    list of Place, in run order. Blind codes are unique in the whole trial and say nothing of order or treatment.

    Notes
    -----
    Randomised complete blocks; each block is shuffled anew. A plan that happens to put the control first in every block
    is lawful and is not drawn again.

    >>> [place.treatment for place in randomised_blocks(["water", "rinse"], 2, seed=7)].count("rinse")
    2
    """
    _check_treatments(treatments)
    if blocks < 1:
        raise ValueError(f"{blocks} blocks: a plan needs at least 1 block.")
    dice = random.Random(f"randomised blocks {seed}")
    orders = []
    for _ in range(blocks):
        order = list(treatments)
        dice.shuffle(order)
        orders.append(order)
    return _planned(orders, seed)


def completely_randomised(treatments: Sequence[Hashable], replicates: int, seed: int) -> list[Place]:
    """Return a plan of one block in which each treatment is run `replicates` times, all runs in one random order.

    Use it only where nothing changes from the first run to the last; blocks guard against tiredness and dirty water.

    >>> len(completely_randomised(["water", "rinse"], 3, seed=7))
    6
    """
    _check_treatments(treatments)
    if replicates < 1:
        raise ValueError(f"{replicates} runs of each: a plan needs at least 1 run of each treatment.")
    dice = random.Random(f"completely randomised {seed}")
    order = [treatment for treatment in treatments for _ in range(replicates)]
    dice.shuffle(order)
    return _with_codes([(1, position, treatment) for position, treatment in enumerate(order, start=1)], seed)


def latin_square(treatments: Sequence[Hashable], seed: int, squares: int = 1) -> list[Place]:
    """Return a plan in which each treatment is once in every row and once at every place of a row: two nuisances at once.

    Parameters
    ----------
    treatments : sequence of str or int, 3 or more
        Two leave no degree of freedom for the error and raise ValueError.
    seed : int
    squares : int, 1 or more
        Squares one below the other, each drawn anew. One of 3 x 3 leaves 2 degrees of freedom for the error and shows almost
        nothing alone; t - 1 more and t - 1 for the squares come with each further one.

    Returns
    -------
    list of Place, in run order; `block` is the row (a day, a panner), `position` the column (the order within it).

    Notes
    -----
    The cyclic square with its rows, columns and names shuffled. Not every Latin square can come out of that, but each
    treatment is equally likely at each place, which is what the analysis asks for.

    >>> check_square(orders_of(latin_square(["water", "rinse", "soap"], seed=7))).is_latin_square
    True
    """
    _check_square_plan(treatments, squares, at_least=3)
    dice = random.Random(f"latin square {seed}")
    size = len(treatments)
    orders = []
    for _ in range(squares):
        names = dice.sample(list(treatments), size)
        starts, columns = dice.sample(range(size), size), dice.sample(range(size), size)
        orders += [[names[(start + column) % size] for column in columns] for start in starts]
    return _planned(orders, seed)


def williams_square(treatments: Sequence[Hashable], seed: int, squares: int = 1) -> list[Place]:
    """Return a plan in which, besides, every treatment follows every other equally often: dirty water, a tired panner.

    Parameters
    ----------
    treatments : sequence of str or int, 2 or more
    seed : int
    squares : int, 1 or more
        How often the whole plan is repeated, each time drawn anew.

    Returns
    -------
    list of Place, in run order; `block` is the row, `position` the place in it. An even number of treatments takes as many rows,
    an odd number twice as many: a square and its mirror image.

    Notes
    -----
    E. J. Williams 1949, Aust. J. Sci. Res. A 2, 149-168 (from memory): first row 0, 1, t-1, 2, t-2, ..., whose neighbours
    differ by every amount once (with the mirror image twice); each further row adds 1 to every entry, modulo t.

    >>> plan = williams_square(["water", "rinse", "soap"], seed=7)
    >>> check_square(orders_of(plan)).balanced_for_follow_on, len(plan)
    (True, 18)
    """
    _check_square_plan(treatments, squares, at_least=2)
    dice = random.Random(f"williams square {seed}")
    size = len(treatments)
    first = _zigzag(size)
    starts = [first] if size % 2 == 0 else [first, first[::-1]]
    orders = []
    for _ in range(squares):
        names = dice.sample(list(treatments), size)
        rows = [[names[(entry + add) % size] for entry in start] for start in starts for add in range(size)]
        dice.shuffle(rows)
        orders += rows
    return _planned(orders, seed)


def two_level_factorial(factors: Mapping[str, tuple[str, str]]) -> Factorial:
    """Return every combination of two levels of two factors or more, named, in standard order (the first factor changes fastest).

    Parameters
    ----------
    factors : mapping of factor to (first level, second level)
        For example {"rinse": ("no rinse", "rinse"), "soak": ("no soak", "soak 10 min")}; two additives, or an additive and a
        technique. Fewer than 2 factors or more than MOST_FACTORS, blank names and two like names raise ValueError.

    Returns
    -------
    Factorial
        Its cells are the treatments of a plan in blocks. All of them are there, so no effect is mixed up with another
        (`aliases` of its cells is empty) as long as every cell gets its runs.

    >>> plan = two_level_factorial({"rinse": ("no rinse", "rinse"), "soak": ("no soak", "soak")})
    >>> [cell.name for cell in plan.cells]
    ['no rinse, no soak', 'rinse, no soak', 'no rinse, soak', 'rinse, soak']
    """
    if not 2 <= len(factors) <= MOST_FACTORS:
        raise ValueError(f"{len(factors)} factors: a factorial takes 2 to {MOST_FACTORS}.")
    names = [*factors, *(level for levels in factors.values() for level in levels)]
    if not all(name.strip() for name in names):
        raise ValueError("A factor or a level has no name.")
    for levels in factors.values():
        if len(levels) != 2 or levels[0] == levels[1]:
            raise ValueError(f"{levels}: a factor has two levels that differ.")
    cells = []
    for reversed_levels in itertools.product((False, True), repeat=len(factors)):
        chosen = reversed_levels[::-1]
        name = ", ".join(levels[second] for levels, second in zip(factors.values(), chosen, strict=True))
        cells.append(Cell(name, chosen))
    effects = [some for size in range(1, len(factors) + 1) for some in itertools.combinations(factors, size)]
    _check_treatments([cell.name for cell in cells])
    return Factorial(tuple(factors), tuple(cells), tuple(effects))


def aliases(plan: Factorial, kept: Sequence[str] | None = None) -> list[tuple[str, str]]:
    """Return the pairs of effects that the cells cannot tell apart, the mean among them; none when every cell was run.

    Parameters
    ----------
    plan : Factorial
    kept : sequence of cell names, or None for all
        The cells that were run. Pairs whose signs are alike, or opposite, in all of them are aliases. A name that is no cell
        raises ValueError.

    >>> plan = two_level_factorial({"a": ("-", "a"), "b": ("-", "b")})
    >>> aliases(plan), aliases(plan, ["a, -", "-, b"])
    ([], [('mean', 'a x b'), ('a', 'b')])
    """
    names = [cell.name for cell in plan.cells]
    for name in kept or ():
        if name not in names:
            raise ValueError(f"{name} is no combination of this plan: {'; '.join(names)}.")
    rows = [place for place, name in enumerate(names) if kept is None or name in kept]
    columns = {"mean": (1,) * len(rows)}
    for effect in plan.effects:
        signs = plan.signs(effect)
        columns[" x ".join(effect)] = tuple(signs[row] for row in rows)
    return [
        (one, other)
        for one, other in itertools.combinations(columns, 2)
        if abs(sum(a * b for a, b in zip(columns[one], columns[other], strict=True))) == len(rows)
    ]


def dose_ladder(
    lowest_ml_per_l: Decimal,
    doses: int,
    water_ml: Decimal,
    *,
    factor: Decimal = Decimal(2),
    overdose_factor: Decimal = Decimal(4),
) -> list[Rung]:
    """Return a ladder of doses: zero, `doses` rising ones each `factor` times the one before, and a deliberate overdose.

    Parameters
    ----------
    lowest_ml_per_l : Decimal, above 0
    doses : int, 2 to MOST_DOSES
    water_ml : Decimal, above 0
        Water of one tub, for what to pour.
    factor : Decimal, above 1
    overdose_factor : Decimal, above 1
        Times the highest dose of the ladder. Both too little and too much lose gold, so a ladder without a dose that is surely
        too much cannot show the upper end (common practice, no source).

    Raises
    ------
    ValueError
        For input outside these, and when the overdose would be more additive than water.

    >>> [rung.poured for rung in dose_ladder(Decimal("0.05"), 3, Decimal(1000))]
    ['none', '1 drop', '2 drops', '4 drops', '16 drops']
    """
    if not 2 <= doses <= MOST_DOSES:
        raise ValueError(
            phrase(
                "{doses} doses: a ladder takes 2 to {most} between zero and the overdose.",
                doses=doses,
                most=MOST_DOSES,
            )
        )
    for name, value in ((phrase("lowest dose"), lowest_ml_per_l), (phrase("water"), water_ml)):
        if not (value.is_finite() and value > 0):
            raise ValueError(phrase("{name} {value}: it must be above 0.", name=name, value=value))
    for name, value in ((phrase("factor"), factor), (phrase("overdose factor"), overdose_factor)):
        if not (value.is_finite() and value > 1):
            raise ValueError(phrase("{name} {value}: it must be above 1.", name=name, value=value))
    rising = [lowest_ml_per_l * factor**step for step in range(doses)]
    overdose = rising[-1] * overdose_factor
    if overdose > 1000:
        raise ValueError(
            phrase(
                "An overdose of {dose} mL/L is more additive than water: start lower or take fewer doses.",
                dose=overdose,
            )
        )
    kinds = [(Decimal(0), "zero"), *((dose, "ladder") for dose in rising), (overdose, "overdose")]
    return [Rung(dose, kind, tub_amounts(dose, water_ml)) for dose, kind in kinds]


def ladder_factor(lowest_ml_per_l: Decimal, highest_ml_per_l: Decimal, doses: int) -> Decimal:
    """Return the factor from each dose to the next that leads from the lowest to the highest in `doses` doses.

    The highest not above the lowest, or fewer than 2 doses, raise ValueError.

    >>> ladder_factor(Decimal("0.1"), Decimal("0.8"), 4)
    Decimal('2.000000')
    """
    if doses < 2:
        raise ValueError(
            phrase("{doses} doses: from a lowest to a highest dose there are at least 2.", doses=doses)
        )
    if not 0 < lowest_ml_per_l < highest_ml_per_l:
        raise ValueError(phrase("The highest dose has to be above the lowest one, and both above zero."))
    return Decimal((highest_ml_per_l / lowest_ml_per_l) ** (Decimal(1) / (doses - 1))).quantize(
        Decimal("0.000001")
    )


def pourable_ladder(rungs: Sequence[Rung], water_ml: Decimal) -> list[Rung]:
    """Return the ladder with each dose that is counted in drops moved to the nearest whole drop in so much water.

    Doses under one drop and those poured in mL stay as they are, to three figures. Two doses that come to the same number
    of drops raise ValueError.

    >>> ladder = dose_ladder(Decimal("0.05"), 3, Decimal(1000), factor=Decimal("1.7"))
    >>> [rung.poured for rung in pourable_ladder(ladder, Decimal(1000))]
    ['none', '1 drop', '2 drops', '3 drops', '12 drops']
    """
    moved = []
    for rung in rungs:
        drops = whole_drops(rung.tub)
        poured_ml = convert_volume(drops, "drop", "mL") if drops else None
        dose = poured_ml * 1000 / water_ml if poured_ml else _three_figures(rung.ml_per_l)
        dose = dose.quantize(DOSE_STEP)
        moved.append(Rung(dose, rung.kind, tub_amounts(dose, water_ml)))
    for one, next_one in itertools.pairwise(moved):
        if one.ml_per_l >= next_one.ml_per_l:
            raise ValueError(
                phrase(
                    "Two doses come to the same {amount} in this tub: take fewer doses, or a tub with more water.",
                    amount=next_one.poured,
                )
            )
    return moved


def whole_drops(tub: TubAmounts) -> int | None:
    """Return the drops to count out, 0 where it is less than half of one; None where it is so much that it is measured in mL.

    >>> whole_drops(tub_amounts(Decimal("0.1"), Decimal(9000))), whole_drops(tub_amounts(Decimal(1), Decimal(9000)))
    (18, None)
    """
    return None if tub.ml >= MEASURED_FROM_ML else int(tub.drops.to_integral_value())


def stock_for(tub: TubAmounts) -> Stock | None:
    """Return how to thin an additive of which less than a drop is wanted, in tens, until 1 mL or more is poured; else None.

    >>> stock_for(tub_amounts(Decimal("0.002"), Decimal(9000))).sentence
    'Thin it: 1 mL made up with water to 100 mL; pour 36 drops of that.'
    """
    if tub.ml == 0 or whole_drops(tub) != 0:
        return None
    parts = 10
    while tub.ml * parts < LEAST_STOCK_ML:
        parts *= 10
    return Stock(parts, tub_amounts(tub.ml * parts, Decimal(1000)))


def draw_portions(portion_ids: Sequence[Hashable], places: Sequence[Place], seed: int) -> dict[int, Hashable]:
    """Return run order -> portion, the portions drawn by lot; portions left over are a random choice too.

    Raises ValueError when there are fewer portions than runs, or a portion is named twice.

    >>> plan = randomised_blocks(["water", "rinse"], 1, seed=7)
    >>> sorted(draw_portions(["a", "b"], plan, seed=7).values())
    ['a', 'b']
    """
    if len(set(portion_ids)) < len(portion_ids):
        raise ValueError("A portion is named twice: each portion serves one run.")
    if len(portion_ids) < len(places):
        raise ValueError(f"{len(portion_ids)} portions for {len(places)} runs: each run needs a portion.")
    drawn = random.Random(f"portions {seed}").sample(list(portion_ids), len(places))
    return {place.run_order: portion for place, portion in zip(places, drawn, strict=True)}


def error_df(treatments: int, blocks: int, replicates_per_block: int = 1) -> int:
    """Return the degrees of freedom left for the error of a plan in complete blocks.

    (t - 1)(b - 1) with one run of each treatment per block; runs - t - b + 1 in general (additive model).

    >>> error_df(3, 5)
    8
    """
    return treatments * blocks * replicates_per_block - treatments - blocks + 1


def design_size(treatments: int, blocks: int, replicates_per_block: int = 1) -> DesignSize:
    """Return runs, degrees of freedom and the number of lawful orders: (tr)!/(r!)^t in each block.

    >>> design_size(3, 5).df_error
    8
    """
    per_block = treatments * replicates_per_block
    one_block = math.lgamma(per_block + 1) - treatments * math.lgamma(replicates_per_block + 1)
    return DesignSize(
        runs=per_block * blocks,
        df_treatments=treatments - 1,
        df_blocks=blocks - 1,
        df_error=error_df(treatments, blocks, replicates_per_block),
        arrangements_log10=blocks * one_block / math.log(10),
    )


def plan_summary(places: Sequence[Place], control: Hashable | None = None) -> PlanSummary:
    """Return how often each treatment stands at each place of a block, and the other checks of a plan.

    >>> plan_summary(randomised_blocks(["water", "rinse", "soap"], 4, seed=7), control="water").error_df
    6
    """
    orders = orders_of(places)
    treatments = list(dict.fromkeys(treatment for order in orders for treatment in order))
    return check_orders(orders, treatments, control)


def orders_of(places: Sequence[Place]) -> list[list[Hashable]]:
    """Return the treatments of a plan in run order, one list for each block."""
    rows: dict[int, list[Place]] = {}
    for place in places:
        rows.setdefault(place.block, []).append(place)
    return [
        [place.treatment for place in sorted(rows[block], key=lambda place: place.position)]
        for block in sorted(rows)
    ]


def check_orders(
    orders: Sequence[Sequence[Hashable]], treatments: Sequence[Hashable], control: Hashable | None = None
) -> PlanSummary:
    """Return the checks of a plan given as one list of treatments in run order for each block.

    Parameters
    ----------
    orders : one sequence per block
    treatments : every treatment that each block should hold once
    control : a treatment, or None to leave the count of blocks that start with it out
    """
    longest = max((len(order) for order in orders), default=0)
    counts = {
        treatment: tuple(
            sum(place < len(order) and order[place] == treatment for order in orders)
            for place in range(longest)
        )
        for treatment in treatments
    }
    runs = sum(len(order) for order in orders)
    return PlanSummary(
        runs=runs,
        blocks=len(orders),
        treatments=tuple(treatments),
        position_counts=counts,
        largest_position_imbalance=max((max(row) - min(row) for row in counts.values() if row), default=0),
        each_treatment_once_per_block=all(Counter(order) == Counter(treatments) for order in orders),
        blocks_with_same_order_as_first=sum(list(order) == list(orders[0]) for order in orders[1:]),
        blocks_with_control_first=None
        if control is None
        else sum(bool(order) and order[0] == control for order in orders),
        error_df=max(0, runs - len(treatments) - len(orders) + 1),
    )


def check_square(square: Sequence[Sequence[Hashable]]) -> SquareCheck:
    """Return whether rows and columns each hold every treatment once, and how often each follows each other one.

    No rows, and rows of different lengths, raise ValueError.

    >>> check_square([["A", "B"], ["B", "A"]]).balanced_for_follow_on
    True
    """
    if len({len(row) for row in square}) != 1:
        raise ValueError("A square has rows, and all of one length.")
    treatments = {name for row in square for name in row}
    size = len(treatments)
    lines = [*square, *zip(*square, strict=True)]
    latin = len(square) == size and all(len(line) == size and set(line) == treatments for line in lines)
    whole = all(len(row) == size and set(row) == treatments for row in square) and all(
        len({column.count(name) for name in treatments}) == 1 for column in zip(*square, strict=True)
    )
    follows = Counter(pair for row in square for pair in zip(row, row[1:], strict=False))
    counts = [follows[(a, b)] for a in treatments for b in treatments if a != b]
    return SquareCheck(
        is_latin_square=latin,
        is_whole_squares=whole,
        follow_on_counts_min=min(counts, default=0),
        follow_on_counts_max=max(counts, default=0),
        balanced_for_follow_on=whole and min(counts, default=0) == max(counts, default=0),
    )


def guess_check(guesses: int, right: int, choices: int) -> GuessCheck:
    """Return the chance that a panner guessing blindly among `choices` is right this often or more (binomial tail).

    >>> round(guess_check(guesses=12, right=9, choices=2).chance_of_this_many_or_more, 3)
    0.073
    """
    if choices < 2 or not 0 <= right <= guesses:
        raise ValueError(
            f"{right} right of {guesses} guesses among {choices}: needs 2 choices and no more right than guesses."
        )
    luck = 1 / choices
    tail = sum(
        math.comb(guesses, hits) * luck**hits * (1 - luck) ** (guesses - hits)
        for hits in range(right, guesses + 1)
    )
    return GuessCheck(min(1.0, tail), guesses * luck, luck**guesses)


def matching_check(pans: int, right: int) -> GuessCheck:
    """Return the chance of naming `right` or more of a row of pans by luck, each treatment named once.

    The matching problem: comb(n, k) D(n - k) of the n! namings hit exactly k, D being the number of namings without a hit.

    >>> matching_check(pans=4, right=4).chance_of_all == 1 / 24
    True
    """
    if pans < 1 or not 0 <= right <= pans:
        raise ValueError(f"{right} right of {pans} pans: needs at least 1 pan and no more right than pans.")
    no_hit = [1, 0]
    for size in range(2, pans + 1):
        no_hit.append((size - 1) * (no_hit[size - 1] + no_hit[size - 2]))
    ways = sum(math.comb(pans, hits) * no_hit[pans - hits] for hits in range(right, pans + 1))
    return GuessCheck(ways / math.factorial(pans), 1.0, 1 / math.factorial(pans))


def _check_treatments(treatments: Sequence[Hashable]) -> None:
    if len(treatments) < 2:
        raise ValueError(
            phrase(
                "{treatments} treatments: a trial compares at least 2, one of them the control.",
                treatments=len(treatments),
            )
        )
    twice = [name for name, count in Counter(treatments).items() if count > 1]
    if twice:
        raise ValueError(
            phrase("{name} is named twice: each treatment stands once in the list.", name=twice[0])
        )


def _check_square_plan(treatments: Sequence[Hashable], squares: int, at_least: int) -> None:
    _check_treatments(treatments)
    if len(treatments) < at_least:
        raise ValueError(
            phrase(
                "{treatments} treatments: this square takes at least {least}, or nothing shows the spread.",
                treatments=len(treatments),
                least=at_least,
            )
        )
    if squares < 1:
        raise ValueError(phrase("{squares} squares: a plan needs at least 1.", squares=squares))


def _three_figures(number: Decimal) -> Decimal:
    return Decimal(f"{number:.3g}") if number else number


def _zigzag(size: int) -> list[int]:
    """0, 1, size - 1, 2, size - 2, ...: each step from one to the next is another one, modulo an even size."""
    ends = [end for step in range(1, size) for end in (step, size - step)]
    return [0, *ends[: size - 1]]


def _planned(orders: Sequence[Sequence[Hashable]], seed: int) -> list[Place]:
    rows = [
        (block, position, treatment)
        for block, order in enumerate(orders, start=1)
        for position, treatment in enumerate(order, start=1)
    ]
    return _with_codes(rows, seed)


def _with_codes(rows: Sequence[tuple[int, int, Hashable]], seed: int) -> list[Place]:
    codes = draw_blind_codes(random.Random(f"blind codes {seed}"), len(rows))
    return [
        Place(run_order, block, position, treatment, code)
        for run_order, ((block, position, treatment), code) in enumerate(
            zip(rows, codes, strict=True), start=1
        )
    ]
