"""The columns of a table of runs, written out and read in: what each means, in which unit, how an empty cell is to be read."""

from dataclasses import dataclass
from typing import Literal

Kind = Literal["text", "number", "count", "yes", "day"]
SIZES = ("coarse", "medium", "fine", "very_fine", "flour")
# Of one additive or one factor each; what follows is its name.
DOSE, FACTOR = "dose ml_per_l: ", "factor: "
# What the note of a trial read in from a table begins with.
TYPED_IN = "Typed in afterwards"
STANDS, FAILED, VOID, NOT_DONE = "stands", "failed", "void", "not done"


@dataclass(frozen=True)
class RunColumn:
    """One column: its name in the first line, its kind, and its lines of the data dictionary."""

    name: str
    what: str
    empty: str
    unit: str = ""
    kind: Kind = "text"
    is_read: bool = True


def _left(where: str, words: str) -> tuple[RunColumn, ...]:
    return (
        RunColumn(
            f"{where}_gold_mg",
            f"Gold that {words} still held, panned once more. Never added to gold_mg",
            f"{words} not panned again, or below the scale: see {where}_below_scale",
            "mg",
            "number",
        ),
        RunColumn(
            f"{where}_below_scale",
            f"Whether the gold of {words} did not show on the scale",
            f"{words} not panned again",
            "yes or no",
            "yes",
        ),
        RunColumn(
            f"{where}_scale_step_mg",
            f"Smallest step of the scale that weighed the gold of {words}",
            "not noted",
            "mg",
            "number",
        ),
    )


COLUMNS: tuple[RunColumn, ...] = (
    RunColumn("trial", "Number of the trial on the site it comes from", "never empty", is_read=False),
    RunColumn("code", "Blind code of the run in its trial", "typed in from elsewhere: not known"),
    RunColumn("lot", "Code of the lot its portion came from", "not done", is_read=False),
    RunColumn("block", "Block of the plan; all runs alike where the order had no blocks", "no blocks"),
    RunColumn("order", "Place in the order of the whole plan, from 1", "not known", "", "count"),
    RunColumn("treatment", "Name of what was done", "never empty"),
    RunColumn("is_control", "Whether this is the control", "never empty", "yes or no", "yes", is_read=False),
    RunColumn(
        "portion_g",
        "Mass of the portion put through",
        "not done; read in: as said on the form",
        "g",
        "number",
    ),
    RunColumn(
        "gold_mg",
        "Gold of the run by weight",
        "not weighed, or below the scale: see below_scale. Never nought",
        "mg",
        "number",
    ),
    RunColumn(
        "below_scale",
        "Whether the gold did not show on the scale: anything from nothing to scale_step_mg",
        "not done, or failed",
        "yes or no",
        "yes",
    ),
    RunColumn("scale_step_mg", "Smallest step of the scale that weighed it", "not noted", "mg", "number"),
    *(
        RunColumn(
            f"colours_{size}",
            f"Colours (visible gold grains) of the size {size.replace('_', ' ')}",
            "not typed: where another size of this run was counted, none of this one; else not counted",
            "",
            "count",
        )
        for size in SIZES
    ),
    RunColumn("colours_total", "Colours of all sizes together", "not counted", "", "count", is_read=False),
    RunColumn(
        "place",
        "Place of its pan in its block, 1 for most gold; mean of the judges",
        "not judged",
        "",
        "number",
    ),
    RunColumn("soak_min", "Minutes the portion soaked", "not noted", "min", "number"),
    RunColumn("pan_min", "Minutes of panning, without the soak", "not noted", "min", "number"),
    RunColumn("panner", "Who panned it", "not done"),
    RunColumn("gear", "Pan or gear", "not noted"),
    RunColumn("water", "Water, where from, re-used or not", "not noted"),
    RunColumn("light", "Light it was looked at in: sun, shade, lamp", "not noted"),
    *_left("tails", "the tails"),
    *_left("mud", "the settled mud"),
    RunColumn(
        "state",
        f"{STANDS}: it counts. {FAILED} and {VOID}: it does not, and why says why. {NOT_DONE}: planned, never run",
        f"read in: {STANDS}",
    ),
    RunColumn("why", "Why it failed or is void", "it stands, or was not done"),
    RunColumn("guess", "Treatment the panner guessed, or the words of the guess", "no guess"),
    RunColumn("day", "Day it was panned", "not done; read in: as said on the form", "year-month-day", "day"),
)
BY_NAME = {column.name: column for column in COLUMNS}
# What an importing table can't do without: the treatment, and something that the run gave.
RESULTS = ("gold_mg", "below_scale", *(f"colours_{size}" for size in SIZES), "place")
