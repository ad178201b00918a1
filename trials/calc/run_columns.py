"""The columns of a table of runs, written out and read in: what each means, in which unit, how an empty cell is to be read."""

from dataclasses import dataclass, replace
from typing import Literal

from prospecting.calc.language import phrase, to_phrase

Kind = Literal["text", "number", "count", "yes", "day"]
COLOURS = {
    "coarse": to_phrase("Colours (visible gold grains) of the size coarse"),
    "medium": to_phrase("Colours (visible gold grains) of the size medium"),
    "fine": to_phrase("Colours (visible gold grains) of the size fine"),
    "very_fine": to_phrase("Colours (visible gold grains) of the size very fine"),
    "flour": to_phrase("Colours (visible gold grains) of the size flour"),
}
SIZES = tuple(COLOURS)
# Of one additive or one factor each; what follows is its name.
DOSE, FACTOR = "dose ml_per_l: ", "factor: "
# What the note of a trial read in from a table begins with.
TYPED_IN = "Typed in afterwards"
STANDS, FAILED, VOID, NOT_DONE = "stands", "failed", "void", "not done"


@dataclass(frozen=True)
class RunColumn:
    """One column: its name in the first line, its kind, and its lines of the data dictionary, in English as in the file."""

    name: str
    what: str
    empty: str
    unit: str = ""
    kind: Kind = "text"
    is_read: bool = True

    @property
    def said(self) -> "RunColumn":
        """The same as a page tells its reader."""
        return replace(self, what=phrase(self.what), empty=phrase(self.empty), unit=phrase(self.unit))


COLUMNS: tuple[RunColumn, ...] = (
    RunColumn(
        "trial",
        to_phrase("Number of the trial on the site it comes from"),
        to_phrase("never empty"),
        is_read=False,
    ),
    RunColumn(
        "code",
        to_phrase("Blind code of the run in its trial"),
        to_phrase("typed in from elsewhere: not known"),
    ),
    RunColumn(
        "lot", to_phrase("Code of the lot its portion came from"), to_phrase("not done"), is_read=False
    ),
    RunColumn(
        "block",
        to_phrase("Block of the plan; all runs alike where the order had no blocks"),
        to_phrase("no blocks"),
    ),
    RunColumn(
        "order",
        to_phrase("Place in the order of the whole plan, from 1"),
        to_phrase("not known"),
        "",
        "count",
    ),
    RunColumn("treatment", to_phrase("Name of what was done"), to_phrase("never empty")),
    RunColumn(
        "is_control",
        to_phrase("Whether this is the control"),
        to_phrase("never empty"),
        to_phrase("yes or no"),
        "yes",
        is_read=False,
    ),
    RunColumn(
        "portion_g",
        to_phrase("Mass of the portion put through"),
        to_phrase("not done; read in: as said on the form"),
        "g",
        "number",
    ),
    RunColumn(
        "gold_mg",
        to_phrase("Gold of the run by weight"),
        to_phrase("not weighed, or below the scale: see below_scale. Never nought"),
        "mg",
        "number",
    ),
    RunColumn(
        "below_scale",
        to_phrase("Whether the gold did not show on the scale: anything from nothing to scale_step_mg"),
        to_phrase("not done, or failed"),
        to_phrase("yes or no"),
        "yes",
    ),
    RunColumn(
        "scale_step_mg",
        to_phrase("Smallest step of the scale that weighed it"),
        to_phrase("not noted"),
        "mg",
        "number",
    ),
    *(
        RunColumn(
            f"colours_{size}",
            what,
            to_phrase(
                "not typed: where another size of this run was counted, none of this one; else not counted"
            ),
            "",
            "count",
        )
        for size, what in COLOURS.items()
    ),
    RunColumn(
        "colours_total",
        to_phrase("Colours of all sizes together"),
        to_phrase("not counted"),
        "",
        "count",
        is_read=False,
    ),
    RunColumn(
        "place",
        to_phrase("Place of its pan in its block, 1 for most gold; mean of the judges"),
        to_phrase("not judged"),
        "",
        "number",
    ),
    RunColumn("soak_min", to_phrase("Minutes the portion soaked"), to_phrase("not noted"), "min", "number"),
    RunColumn(
        "pan_min", to_phrase("Minutes of panning, without the soak"), to_phrase("not noted"), "min", "number"
    ),
    RunColumn("panner", to_phrase("Who panned it"), to_phrase("not done")),
    RunColumn("gear", to_phrase("Pan or gear"), to_phrase("not noted")),
    RunColumn("water", to_phrase("Water, where from, re-used or not"), to_phrase("not noted")),
    RunColumn("light", to_phrase("Light it was looked at in: sun, shade, lamp"), to_phrase("not noted")),
    RunColumn(
        "tails_gold_mg",
        to_phrase("Gold that the tails still held, panned once more. Never added to gold_mg"),
        to_phrase("the tails not panned again, or below the scale: see tails_below_scale"),
        "mg",
        "number",
    ),
    RunColumn(
        "tails_below_scale",
        to_phrase("Whether the gold of the tails did not show on the scale"),
        to_phrase("the tails not panned again"),
        to_phrase("yes or no"),
        "yes",
    ),
    RunColumn(
        "tails_scale_step_mg",
        to_phrase("Smallest step of the scale that weighed the gold of the tails"),
        to_phrase("not noted"),
        "mg",
        "number",
    ),
    RunColumn(
        "mud_gold_mg",
        to_phrase("Gold that the settled mud still held, panned once more. Never added to gold_mg"),
        to_phrase("the settled mud not panned again, or below the scale: see mud_below_scale"),
        "mg",
        "number",
    ),
    RunColumn(
        "mud_below_scale",
        to_phrase("Whether the gold of the settled mud did not show on the scale"),
        to_phrase("the settled mud not panned again"),
        to_phrase("yes or no"),
        "yes",
    ),
    RunColumn(
        "mud_scale_step_mg",
        to_phrase("Smallest step of the scale that weighed the gold of the settled mud"),
        to_phrase("not noted"),
        "mg",
        "number",
    ),
    RunColumn(
        "state",
        to_phrase(
            "stands: it counts. failed and void: it does not, and why says why. not done: planned, never run"
        ),
        to_phrase("read in: stands"),
    ),
    RunColumn("why", to_phrase("Why it failed or is void"), to_phrase("it stands, or was not done")),
    RunColumn(
        "guess", to_phrase("Treatment the panner guessed, or the words of the guess"), to_phrase("no guess")
    ),
    RunColumn(
        "day",
        to_phrase("Day it was panned"),
        to_phrase("not done; read in: as said on the form"),
        to_phrase("year-month-day"),
        "day",
    ),
)
BY_NAME = {column.name: column for column in COLUMNS}
# What an importing table can't do without: the treatment, and something that the run gave.
RESULTS = ("gold_mg", "below_scale", *(f"colours_{size}" for size in SIZES), "place")
