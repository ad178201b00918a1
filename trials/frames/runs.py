"""One run's figures with their working: the gold from its weighings, its grade, what its tails and its mud still held."""

from prospecting.calc import units
from prospecting.calc.grade import grade_g_per_t
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.calc.weighing import LeftInTails, left_in_tails
from prospecting.models import Member
from trials.calc.flocculant import Bounds, gold_bounds, share_found
from trials.calc.working import Working, WorkingRow
from trials.models import Run, SettledMud, TailsPan


def left_in_tails_of(run: Run) -> LeftInTails | None:
    """The tails' share of the gold of both; None where the tails were not panned again, or one of the two was not weighed."""
    tails = _tails_of(run)
    if tails is None or run.failed or run.is_void:
        return None
    return left_in_tails(
        run.gold_mg,
        tails.gold_mg,
        gold_step_mg=run.scale_step_mg if run.below_scale else None,
        tails_step_mg=tails.scale_step_mg if tails.below_scale else None,
    )


def weighed(record: Run | TailsPan | SettledMud | None) -> Bounds | None:
    """What the scale said of its gold, in mg; None where there is no record, or nothing was weighed."""
    if record is None:
        return None
    return gold_bounds(record.gold_mg, below_scale=record.below_scale, scale_step_mg=record.scale_step_mg)


def found_beside_mud(run: Run) -> list[Bounds]:
    """Gold of the run, and of its tails where these were panned again; none where the run itself was not weighed."""
    if run.failed or run.is_void or (of_run := weighed(run)) is None:
        return []
    of_tails = weighed(_tails_of(run))
    return [of_run] if of_tails is None else [of_run, of_tails]


def found_in_mud_of(run: Run) -> Bounds | None:
    """The share of the gold found in all that the mud of its tub held; None where mud or run was not weighed."""
    mud, others = weighed(_mud_of(run)), found_beside_mud(run)
    return share_found(mud, others) if mud and others else None


def working_of(run: Run, member: Member) -> Working | None:
    """How the figures of a weighed run come about; None where nothing was weighed."""
    rows = []
    if run.gold_mg is not None:
        rows.append(_gold_row(run))
        if not run.failed:
            rows.append(_grade_row(run, member))
    left = left_in_tails_of(run)
    if left is not None:
        rows.append(_tails_row(run, left))
    in_mud = found_in_mud_of(run)
    if in_mud is not None:
        rows.append(_mud_row(run, in_mud))
    return Working(tuple(rows)) if rows else None


def _tails_of(run: Run) -> TailsPan | None:
    return getattr(run, "tails_pan", None)


def _mud_of(run: Run) -> SettledMud | None:
    return getattr(run, "settled_mud", None)


def _gold_row(run: Run) -> WorkingRow:
    inputs = [
        (phrase("weighing {number}", number=weighing.position), weighing.typed, "", "")
        for weighing in run.weighings.all()
    ]
    if not inputs:
        inputs = [(phrase("as logged, in one figure"), run.gold_typed, "", "")]
    if run.tare_mg is not None:
        inputs.append((phrase("empty dish"), run.tare_typed, "", ""))
    formula = (
        phrase("mean of the weighings")
        if run.tare_mg is None
        else phrase("mean of the weighings - empty dish")
    )
    return WorkingRow(phrase("Gold"), formula, tuple(inputs), numeral(run.gold_mg.normalize(), "f"), "mg")


def _grade_row(run: Run, member: Member) -> WorkingRow:
    return WorkingRow(
        phrase("Recovered grade"),
        phrase("mg of gold / g of ore x 1000 = g/t"),
        (
            (phrase("gold"), numeral(run.gold_mg.normalize(), "f"), "mg", ""),
            (phrase("portion"), numeral(run.portion_mass_g.normalize(), "f"), "g", ""),
        ),
        units.format_grade(grade_g_per_t(run.gold_mg, run.portion_mass_g), member.grade_unit),
        source=phrase("recovered by panning, indication only"),
    )


def _tails_row(run: Run, left: LeftInTails) -> WorkingRow:
    return WorkingRow(
        phrase("Left in the tails"),
        phrase("gold of the tails / (gold of the run + gold of the tails)"),
        (
            (phrase("gold of the run"), _mass_text(run), "", ""),
            (phrase("gold of the tails, panned again"), _mass_text(run.tails_pan), "", ""),
        ),
        str(left),
        source=phrase("of the gold found in both: gold too fine for the pan is in neither"),
    )


def _mud_row(run: Run, share: Bounds) -> WorkingRow:
    records = [(phrase("gold of the run"), run), (phrase("gold of the tails, panned again"), _tails_of(run))]
    records.append((phrase("gold of the mud"), run.settled_mud))
    return WorkingRow(
        phrase("In the settled mud"),
        phrase(
            "gold of the mud / (gold of the run + gold of the tails where these were panned again + gold of the mud)"
        ),
        tuple((name, _mass_text(record), "", "") for name, record in records if weighed(record)),
        share.as_share or phrase("anything from nothing to all"),
        source=phrase("of the gold found: gold too fine for the pan is in none of them"),
    )


def _mass_text(record: Run | TailsPan | SettledMud) -> str:
    if record.gold_mg is not None:
        return f"{numeral(record.gold_mg.normalize(), 'f')} mg"
    return phrase(
        "below one scale step ({mass}), taken as nothing up to the step",
        mass=units.format_gold_mg(record.scale_step_mg),
    )
