"""A trial that was done before the site existed, or elsewhere, typed in from a table of its runs: whole, once, and marked so."""

import datetime
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db import transaction
from django.db.models import F

from prospecting.actions.journal import write_journal
from prospecting.actions.material import lock_lots
from prospecting.actions.permission import require_keeper
from prospecting.actions.refusal import Refused
from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.number_words import as_written
from prospecting.calc.units import format_gold_mg
from prospecting.models import JournalEntry, Lot, Member
from trials.actions import judging, planning, running
from trials.actions.factors import LONGEST_NAME
from trials.actions.mud import log_run_mud
from trials.calc.designs import check_square
from trials.calc.run_columns import FAILED, TYPED_IN, VOID
from trials.models import Additive, ColourCount, PlannedRun, Run, Treatment, Trial
from trials.readers.run_table import Fault, RunRow, RunTable

MOST_FAULTS_SAID = 12


@dataclass(frozen=True)
class ImportedTrial:
    """What the table does not say: the question, the material, how it is judged, who answers for the runs."""

    question: str
    feed_lot: Lot
    outcome: str
    control: str
    smallest_ratio: Decimal
    portion_mass_g: Decimal
    portion_typed: str
    water_ml: Decimal
    water_typed: str
    panned_on: datetime.date
    done_by: Member
    scale_step_mg: Decimal | None = None
    note: str = ""


@transaction.atomic
def import_trial(*, facts: ImportedTrial, table: RunTable, file_name: str, recorded_by) -> Trial:
    """Record a closed trial from its table: plan, runs, re-panned tails, places, all through the actions of a trial of today.

    Each run draws its portion from the feed lot, so the balance of masses stays whole: a lot that does not hold them all is
    refused. Whoever imports opens the key first and whoever answers for the runs is put down as mixer and panner, so that no run
    ever counts as blind. Planned places without a row stand as not done, with the reason.
    """
    require_keeper(recorded_by)
    lot = lock_lots([facts.feed_lot])[facts.feed_lot.pk]
    _check_new(table)
    _check_rows(table, facts)
    rows_of = _rows_by_treatment(table)
    blocks = table.blocks
    trial = planning.plan_trial(
        question=facts.question,
        feed_lot=lot,
        outcome=facts.outcome,
        design=_design_of(table),
        blocks_planned=len(blocks) or max(map(len, rows_of.values())),
        smallest_ratio=facts.smallest_ratio,
        portion_mass_g=facts.portion_mass_g,
        portion_typed=facts.portion_typed,
        portions_from=Trial.PortionsFrom.MEASURED,
        water_ml=facts.water_ml,
        water_typed=facts.water_typed,
        scale_step_mg=facts.scale_step_mg,
        mixer=facts.done_by,
        note=_note(facts, table, file_name),
        typed_in_afterwards=True,
        order_is_known=table.has_order,
        recorded_by=recorded_by,
    )
    _add_treatments(trial, rows_of, facts.control, recorded_by)
    trial = planning.fix_plan(trial=trial, planned_by=recorded_by)
    places = _places_of(trial, rows_of, blocks)
    if table.has_order:
        _put_in_order(trial, places)
    planning.open_key(trial=trial, member=recorded_by, reason="typed the runs in afterwards")
    for row, planned in places:
        if row.was_done:
            _log(row, planned, facts, recorded_by)
    if facts.outcome == Trial.Outcome.PLACES:
        _judge(places, facts, recorded_by)
    trial = _close(trial, recorded_by)
    write_journal(
        member=recorded_by,
        about=trial,
        what=f"typed in afterwards from {file_name[:80]}: {sum(1 for row, _ in places if row.was_done)} runs",
        why=_fingerprint(table),
    )
    return trial


def _design_of(table: RunTable) -> Trial.Design:
    """A table with blocks and the order of its runs is a square, or several, where each treatment stands equally often at every
    place, too. Two treatments make no square worth the name: it would leave nothing to show the spread.
    """
    if not table.blocks:
        return Trial.Design.RANDOM
    rows: dict[str, list[RunRow]] = defaultdict(list)
    for row in table.rows:
        rows[row.block].append(row)
    if not (
        table.has_order and all(row.was_done for row in table.rows) and len(set(map(len, rows.values()))) == 1
    ):
        return Trial.Design.BLOCKS
    square = [[row.treatment for row in sorted(runs, key=lambda row: row.order)] for runs in rows.values()]
    is_square = len(square[0]) > 2 and check_square(square).is_whole_squares
    return Trial.Design.LATIN if is_square else Trial.Design.BLOCKS


def _fingerprint(table: RunTable) -> str:
    """By which the journal knows the same runs again, in whatever file they come."""
    return f"Fingerprint of the runs: {table.fingerprint}"


def _check_new(table: RunTable) -> None:
    known = JournalEntry.objects.filter(subject_kind=Trial._meta.model_name, why=_fingerprint(table)).first()
    if known is not None:
        raise Refused(
            phrase(
                "These very runs are on the books already, as “{trial}” (trial {number}). Nothing was recorded.",
                trial=known.subject_label,
                number=known.subject_id,
            ),
            code="imported_already",
        )


def _check_rows(table: RunTable, facts: ImportedTrial) -> None:
    faults = table.faults_for(facts.outcome)
    if facts.control not in table.treatments:
        raise Refused(
            phrase("The control is none of the treatments of the table."), code="no_control", field="control"
        )
    if not faults:
        return
    told = [phrase("Nothing was recorded."), *map(str, faults[:MOST_FAULTS_SAID])]
    if len(faults) > MOST_FAULTS_SAID:
        told.append(
            phrase_counted("And {number} more.", "And {number} more.", len(faults) - MOST_FAULTS_SAID)
        )
    raise Refused(" ".join(told), code="bad_rows")


def _rows_by_treatment(table: RunTable) -> dict[str, list[RunRow]]:
    rows_of: dict[str, list[RunRow]] = defaultdict(list)
    for row in table.rows:
        rows_of[row.treatment].append(row)
    return dict(rows_of)


def _note(facts: ImportedTrial, table: RunTable, file_name: str) -> str:
    order = (
        "The order of the runs is the one of the table."
        if table.has_order
        else "The order of the runs is not known: the one that stands here was drawn by the site and means nothing."
    )
    if _design_of(table) == Trial.Design.LATIN:
        order += " Each treatment stands equally often at every place, so places are taken out like blocks."
    panners = sorted({row.text("panner") for row in table.rows if row.text("panner")})
    by = f" Panned, as the table says, by {', '.join(panners)}." if panners else ""
    told = (
        f"{TYPED_IN} from {file_name[:80]}: not run on this site, not blind as far as is known. {order} Whether treatments were "
        f"drawn by lot is not known; where they were not, no figure here makes up for it.{by}"
    )
    return f"{told}\n{facts.note}".strip()


def _add_treatments(trial: Trial, rows_of: dict[str, list[RunRow]], control: str, recorded_by) -> None:
    additives = {additive.name.casefold(): additive for additive in Additive.objects.all()}
    # The control first, as on every plan; the others as the table has them.
    for name in sorted(rows_of, key=lambda each: each != control):
        given = rows_of[name][0].doses
        missing = [additive for additive in given if additive.casefold() not in additives]
        if missing:
            raise Refused(
                phrase(
                    "{additive} is none of the additives on the books: add it there first, under this name.",
                    additive=missing[0],
                ),
                code="additive_unknown",
            )
        doses = [
            planning.DoseOf(additives[additive.casefold()], ml_per_l, f"{ml_per_l.normalize():f} mL/L")
            for additive, ml_per_l in given.items()
        ]
        planning.add_treatment(
            trial=trial,
            name=name[:LONGEST_NAME],
            is_control=name == control,
            # The table says no more than its name of what was done.
            technique="" if name == control or doses else name,
            doses=doses,
            recorded_by=recorded_by,
        )


def _places_of(
    trial: Trial, rows_of: dict[str, list[RunRow]], blocks: Sequence[str]
) -> list[tuple[RunRow, PlannedRun]]:
    """Each row with its place of the plan: its treatment in its block, or any one of its treatment where there are no blocks."""
    free: dict[tuple[str, int], list[PlannedRun]] = defaultdict(list)
    for planned in trial.planned_runs.select_related("treatment", "block").order_by("run_order"):
        free[planned.treatment.name, planned.block.number].append(planned)
    number_of = {block: number for number, block in enumerate(blocks, start=1)}
    return [
        (row, free[name[:LONGEST_NAME], number_of.get(row.block, 1)].pop(0))
        for name, rows in rows_of.items()
        for row in rows
    ]


def _put_in_order(trial: Trial, places: Sequence[tuple[RunRow, PlannedRun]]) -> None:
    """Give the plan the order of the table; places without a run come last."""
    done = [planned for row, planned in sorted(places, key=lambda each: each[0].order or 0) if row.was_done]
    taken = {planned.pk for planned in done}
    rest = [planned for planned in trial.planned_runs.order_by("run_order") if planned.pk not in taken]
    # Out of the way first: no two runs of a trial may share a place, not even for a moment.
    trial.planned_runs.update(run_order=F("run_order") + planning.MOST_RUNS)
    within: dict[int, int] = defaultdict(int)
    for order, planned in enumerate([*done, *rest], start=1):
        within[planned.block_id] += 1
        planned.run_order, planned.position = order, within[planned.block_id]
    PlannedRun.objects.bulk_update([*done, *rest], ["run_order", "position"])


def _log(row: RunRow, planned: PlannedRun, facts: ImportedTrial, recorded_by) -> None:
    mass_g = row.number("portion_g") or facts.portion_mass_g
    typed = f"{mass_g.normalize():f} g" if row.number("portion_g") else facts.portion_typed
    try:
        run = running.log_run(
            planned=planned,
            result=_result(row, facts, planned.trial_id),
            recorded_by=recorded_by,
            portion=running.Portion(mass_g=mass_g, typed=typed),
        )
        tails, mud = (_left(row, where, facts) for where in ("tails_", "mud_"))
        if tails is not None:
            running.log_tails(run=run, tails=tails, recorded_by=recorded_by)
        if mud is not None:
            log_run_mud(run=run, mud=mud, recorded_by=recorded_by)
    except Refused as refusal:
        raise Refused(str(Fault(row.line, refusal.message)), code=refusal.code) from None


def _result(row: RunRow, facts: ImportedTrial, trial_id: int) -> running.RunResult:
    gold_mg = row.number("gold_mg")
    guess = row.text("guess")[:80]
    guessed = Treatment.objects.filter(trial=trial_id, name=guess).first() if guess else None
    failed = row.state in (FAILED, VOID)
    light = row.text("light").lower()
    told = [f"{name}: {row.text(name)}" for name in ("panner", "code") if row.text(name)]
    return running.RunResult(
        panned_on=row.day or facts.panned_on,
        panner=facts.done_by,
        gold_mg=None if failed else gold_mg,
        gold_typed="" if failed or gold_mg is None else _typed(gold_mg),
        below_scale=row.is_below() and not failed,
        scale_step_mg=row.number("scale_step_mg") or facts.scale_step_mg,
        colours={size: row.colours[size] for size in ColourCount.SizeClass.values if size in row.colours},
        soak_min=row.number("soak_min"),
        pan_min=row.number("pan_min"),
        pan=row.text("gear")[:80],
        water=row.text("water")[:120],
        light=light if light in Run.Light.values else "",
        guess_treatment=guessed,
        guess="" if guessed else guess,
        failed=failed,
        fail_kind=Run.FailKind.OTHER if failed else "",
        fail_reason=row.text("why") if failed else "",
        note="; ".join(["As the table says", *told]) if told else "",
    )


def _left(row: RunRow, where: str, facts: ImportedTrial) -> running.PannedAgain | None:
    gold_mg = row.number(f"{where}gold_mg")
    if gold_mg is None and not row.is_below(where):
        return None
    return running.PannedAgain(
        panned_on=row.day or facts.panned_on,
        panner=facts.done_by,
        gold_mg=gold_mg,
        gold_typed="" if gold_mg is None else _typed(gold_mg),
        below_scale=row.is_below(where),
        scale_step_mg=row.number(f"{where}scale_step_mg") or facts.scale_step_mg,
    )


def _judge(places: Sequence[tuple[RunRow, PlannedRun]], facts: ImportedTrial, recorded_by) -> None:
    """One judging a block, by who answers for the runs: whose eyes they were the table does not say."""
    rows: dict[int, list[tuple[RunRow, PlannedRun]]] = defaultdict(list)
    for row, planned in places:
        if row.counts:
            rows[planned.block_id].append((row, planned))
    for row_of_pans in rows.values():
        if len(row_of_pans) < 2:
            continue
        judging.keep_judging(
            block=row_of_pans[0][1].block,
            judge=facts.done_by,
            look=judging.Look(
                places={planned.blind_code: int(row.number("place")) for row, planned in row_of_pans},
                judged_on=max((row.day for row, _ in row_of_pans if row.day), default=facts.panned_on),
                note=TYPED_IN,
            ),
            recorded_by=recorded_by,
        )


def _close(trial: Trial, recorded_by) -> Trial:
    if trial.planned_runs.open().exists():
        return planning.close_trial(
            trial=trial,
            closed_by=recorded_by,
            reason=f"{TYPED_IN}: the table has no run in some places of a full plan.",
        )
    for block in trial.blocks.all():
        running.close_block(block=block, closed_by=recorded_by)
    trial.refresh_from_db()
    return trial


@as_written()
def _typed(gold_mg: Decimal) -> str:
    return format_gold_mg(gold_mg)
