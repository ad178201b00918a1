"""Masses of a step set right afterwards, with all that follows from them, in one transaction."""

import hashlib
import json
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal

from django.db import transaction
from django.utils.formats import date_format

from prospecting.actions.journal import write_journal
from prospecting.actions.material import lock_lots
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.calc import correction, mass_balance, units
from prospecting.calc.correction import BookedStep, Books, Corrected, Taken, Unbalanced
from prospecting.calc.language import phrase
from prospecting.calc.number_words import as_written
from prospecting.models import Dig, Draw, JournalEntry, Lot, Origin, Step
from prospecting.models.onward import steps_onward

Kind = Step.Kind


@dataclass(frozen=True)
class Weight:
    """A mass as it should have been recorded; `field` names the form field a refusal stands beside."""

    mass_g: Decimal
    typed: str
    field: str | None = "mass"


@dataclass(frozen=True)
class Change:
    """One figure that is another one now, in words: what, and its value before and after."""

    what: str
    before: str
    after: str


@dataclass(frozen=True)
class Correction:
    """What a correction changed: every figure in words, and the journal's entry that keeps them."""

    step: Step
    entry: JournalEntry
    changes: list[Change]

    @property
    def fingerprint(self) -> str:
        return fingerprint_of(self.changes)


def fingerprint_of(changes: Iterable[Change]) -> str:
    """The same for the same changes: what somebody agreed to is what is done, or nothing is."""
    lines = [[change.what, change.before, change.after] for change in changes]
    return hashlib.sha256(json.dumps(lines, ensure_ascii=False).encode()).hexdigest()


def nothing_follows(draws: list[Draw]) -> list[Change]:
    return []


@transaction.atomic
def correct_masses(
    *,
    step: Step,
    draws: Mapping[int, Weight],
    makes: Mapping[int, Weight],
    reason: str,
    corrected_by,
    agreed: str | None = None,
    follow: Callable[[list[Draw]], list[Change]] = nothing_follows,
) -> Correction:
    """Give draws and made lots of one step (by lot id) another mass, and reckon anew whatever hangs on them.

    Draws that took all of a lot follow its mass; losses, masses on hand and shares are recomputed on the whole way onward.
    `follow` is given the draws that changed, writes what repeats their masses elsewhere and returns those changes. With
    `agreed`, the fingerprint of an earlier answer, anything else is refused. Raises Refused when the books would not close;
    then nothing is stored. Who recorded the step corrects it, or a keeper.
    """
    require_writer(corrected_by)
    reason = reason.strip()
    part = _locked_part(step, with_drawn=bool(draws))
    step = part.steps[step.pk]
    if not reason:
        raise Refused(phrase("Say why it is corrected."), code="reason_missing", field="reason")
    if step.is_void:
        raise Refused(phrase("This step is void: its masses no longer count."), code="step_void")
    if step.recorded_by_id != corrected_by.pk and not corrected_by.is_keeper:
        raise Refused(phrase("Only who recorded a step, or a keeper, corrects its masses."), code="not_yours")
    draws = part.really_other(draws, {draw.lot_id: draw.mass_g for draw in part.draws_of(step.pk)})
    makes = part.really_other(makes, {lot.pk: lot.mass_g for lot in part.made_by(step.pk)})
    if not draws and not makes:
        raise Refused(phrase("These are the masses the books hold: nothing to correct."), code="no_change")
    try:
        found = correction.corrected(
            part.books(),
            step.pk,
            draws={lot: weight.mass_g for lot, weight in draws.items()},
            makes={lot: weight.mass_g for lot, weight in makes.items()},
        )
    except Unbalanced as unbalanced:
        blamed = draws.get(unbalanced.lot) or [*draws.values(), *makes.values()][-1]
        raise _refusal(unbalanced, part, corrected_by.mass_unit, blamed.field) from None
    changes = part.store(found, draws=draws, makes=makes, reason=reason, unit=corrected_by.mass_unit)
    changed_draws = [draw for draw in part.draws if (draw.step_id, draw.lot_id) in found.draws_g]
    # In an order of their own, for not every database hands the journal's changes back in the order they were written.
    changes = sorted([*changes, *follow(changed_draws)], key=lambda change: change.what)
    if agreed is not None and agreed != fingerprint_of(changes):
        raise Refused(
            phrase(
                "Something else would change than what you were shown: the books or your figures are others now. "
                "Nothing was corrected; look at the list again."
            ),
            code="outcome_changed",
        )
    entry = write_journal(
        member=corrected_by,
        about=step,
        what="corrected masses",
        why=reason,
        changes={change.what: [change.before, change.after] for change in changes},
    )
    for other in sorted(part.touched(found) - {step.pk}):
        with as_written():
            what = f"reckoned anew after the masses of {_name(step)} were corrected"
        write_journal(member=corrected_by, about=part.steps[other], what=what, why=reason)
    return Correction(step=step, entry=entry, changes=changes)


@dataclass(frozen=True)
class _Part:
    """The rows a correction can reach, locked: the corrected step, every later one on the way onward, and their lots."""

    corrected: int
    steps: dict[int, Step]
    draws: list[Draw]
    lots: dict[int, Lot]
    shares: dict[int, dict[int, Decimal]]

    def draws_of(self, step: int) -> list[Draw]:
        return [draw for draw in self.draws if draw.step_id == step]

    def made_by(self, step: int) -> list[Lot]:
        return [lot for lot in self.lots.values() if lot.made_by_id == step]

    def really_other(
        self, weights: Mapping[int, Weight], booked_g: Mapping[int, Decimal]
    ) -> dict[int, Weight]:
        """The weights that differ from what is booked; one of a lot that has no part in the step is refused."""
        for lot, weight in weights.items():
            if lot not in booked_g:
                raise Refused(
                    phrase("That lot has no part in this step."), code="not_of_step", field=weight.field
                )
            if weight.mass_g <= 0:
                raise Refused(
                    phrase("A mass is more than nothing."), code="mass_not_positive", field=weight.field
                )
        return {lot: weight for lot, weight in weights.items() if weight.mass_g != booked_g[lot]}

    def books(self) -> Books:
        draws, makes = defaultdict(list), defaultdict(list)
        for draw in self.draws:
            # What a reweighing books as missing is what the books held less what the scale said: it follows, too.
            follows = draw.takes_all or self.steps[draw.step_id].kind == Kind.REWEIGH
            draws[draw.step_id].append(Taken(lot=draw.lot_id, mass_g=draw.mass_g, follows=follows))
        for lot in self.lots.values():
            if lot.made_by_id in self.steps:
                makes[lot.made_by_id].append(lot.pk)
        booked = [
            BookedStep(
                pk=pk,
                draws=draws[pk],
                makes=sorted(makes[pk]),
                one_weighing=self._one_weighing(step, draws[pk], makes[pk]),
            )
            for pk, step in self.steps.items()
        ]
        return Books(
            masses_g={pk: lot.mass_g for pk, lot in self.lots.items()},
            on_hand_g={pk: lot.on_hand_g for pk, lot in self.lots.items()},
            shares=self.shares,
            steps=booked,
        )

    def _one_weighing(self, step: Step, draws: list[Taken], makes: list[int]) -> bool:
        """Whether what was taken was booked as what the portions, or the split for assay, weigh together."""
        if len(draws) != 1 or draws[0].mass_g != mass_balance.total_mass_g(
            self.lots[pk].mass_g for pk in makes
        ):
            return False
        return step.kind == Kind.ASSAY or (step.kind == Kind.CUT and not draws[0].follows)

    def touched(self, found: Corrected) -> set[int]:
        """The steps of which a figure changed."""
        return set(found.losses_g) | {self.lots[pk].made_by_id for pk in found.shares}

    @as_written()
    def store(
        self,
        found: Corrected,
        *,
        draws: Mapping[int, Weight],
        makes: Mapping[int, Weight],
        reason: str,
        unit: str,
    ) -> list[Change]:
        """Write every figure that changed, and say it in the words of the journal."""
        changes = []
        for pk, mass_g in found.masses_g.items():
            lot = self.lots[pk]
            changes.append(Change(f"{lot.code} when made", *_masses(lot.mass_g, mass_g, unit)))
            lot.mass_g = mass_g
            lot.mass_typed = makes[pk].typed if pk in makes else units.format_mass(mass_g, unit)
        for pk, held_g in found.on_hand_g.items():
            lot = self.lots[pk]
            changes.append(Change(f"{lot.code} on hand", *_masses(lot.on_hand_g, held_g, unit)))
            lot.on_hand_g = held_g
        changed_lots = [self.lots[pk] for pk in found.masses_g | found.on_hand_g]
        for lot in changed_lots:
            lot.clean_fields(exclude=["made_by"])
        Lot.objects.bulk_update(changed_lots, ["mass_g", "mass_typed", "on_hand_g"], batch_size=200)
        changes += self._store_draws(found, draws, unit)
        changes += self._store_losses(found, reason, unit)
        return changes + self._store_shares(found)

    def _store_draws(self, found: Corrected, typed: Mapping[int, Weight], unit: str) -> list[Change]:
        changes, rows = [], []
        for draw in self.draws:
            mass_g = found.draws_g.get((draw.step_id, draw.lot_id))
            if mass_g is None:
                continue
            step, lot = self.steps[draw.step_id], self.lots[draw.lot_id]
            what = f"{_name(step, capital=True)}: taken from {lot.code}"
            changes.append(Change(what, *_masses(draw.mass_g, mass_g, unit)))
            draw.mass_g = mass_g
            shown = units.format_mass(mass_g, unit)
            if draw.step_id == self.corrected and draw.lot_id in typed:
                # Weighed now, so it no longer follows.
                draw.takes_all, draw.mass_typed = False, typed[draw.lot_id].typed
            elif step.kind != Kind.REWEIGH:
                whole = draw.takes_all and mass_g == lot.mass_g and 0 < len(lot.mass_typed) <= 35
                draw.mass_typed = f"all, {lot.mass_typed if whole else shown}" if draw.takes_all else shown
            rows.append(draw)
        for draw in rows:
            draw.clean_fields(exclude=["step", "lot"])
        Draw.objects.bulk_update(rows, ["mass_g", "mass_typed", "takes_all"], batch_size=200)
        return changes

    def _store_losses(self, found: Corrected, reason: str, unit: str) -> list[Change]:
        changes = []
        for pk, lost_g in found.losses_g.items():
            step = self.steps[pk]
            what = _name(step, capital=True)
            drawn_g = mass_balance.total_mass_g(draw.mass_g for draw in self.draws_of(pk))
            much = mass_balance.loss_needs_reason(step.kind, drawn_g, lost_g)
            before, after = _masses(step.loss_g, lost_g, unit)
            if step.loss_g != lost_g:
                more = ", more than such a step usually loses" if much else ""
                changes.append(Change(f"{what}: lost", before, after + more))
            if much and not step.loss_reason:
                step.loss_reason = f"after a correction: {reason}"[:200]
                changes.append(Change(f"{what}: where it went", "", step.loss_reason))
            step.loss_g = lost_g
        rows = [self.steps[pk] for pk in found.losses_g]
        for step in rows:
            step.clean_fields(exclude=["recorded_by", "voided_by"])
        Step.objects.bulk_update(rows, ["loss_g", "loss_reason"], batch_size=200)
        return changes

    def _store_shares(self, found: Corrected) -> list[Change]:
        digs = Dig.objects.in_bulk({dig for shares in found.shares.values() for dig in shares})
        # Whatever is of one material changes alike: said once, however many portions were cut of it.
        alike: dict[tuple, list[int]] = defaultdict(list)
        for pk in sorted(found.shares):
            alike[_key(self.shares[pk]), _key(found.shares[pk])].append(pk)
        changes = []
        for first, *others in alike.values():
            also = f", and in {len(others)} more of the same material" if others else ""
            for dig, share in found.shares[first].items():
                if share != self.shares[first][dig]:
                    what = f"{self.lots[first].code}: share of {digs[dig]}{also}"
                    changes.append(Change(what, *_shares(self.shares[first][dig], share)))
        # The same digs as before, for no mass falls to nothing: so the lot's stripe stays what it is, too.
        Origin.objects.filter(lot__in=found.shares).delete()
        Origin.objects.bulk_create(
            [
                Origin(lot_id=pk, dig_id=dig, share=share)
                for pk, shares in found.shares.items()
                for dig, share in shares.items()
            ],
            batch_size=1000,
        )
        return changes


def _locked_part(step: Step, *, with_drawn: bool) -> _Part:
    """Lock the steps, then the lots, each in the order of their keys, as voiding and keeping products do."""
    start = set(Lot.objects.filter(made_by=step).values_list("pk", flat=True))
    # A step whose own draws change also moves what later steps took of the same lots. That of a cut or a split for assay may
    # change with what it made.
    if with_drawn or step.kind in (Kind.CUT, Kind.ASSAY):
        start |= set(step.draws.values_list("lot_id", flat=True))
    wanted = {step.pk, *steps_onward(start, after=step)}
    steps = {each.pk: each for each in Step.objects.select_for_update().filter(pk__in=wanted).order_by("pk")}
    drawn = set(Draw.objects.filter(step__in=wanted).values_list("lot_id", flat=True))
    made = set(Lot.objects.filter(made_by__in=wanted).values_list("pk", flat=True))
    lots = lock_lots(Lot(pk=pk) for pk in drawn | made | start)
    moved = {pk for pk, each in steps.items() if each.is_void and pk != step.pk}
    if moved or wanted != {step.pk, *steps_onward(start, after=step)}:
        raise Refused(
            phrase(
                "Someone recorded something on this material at the same moment. Nothing was corrected; send it once more."
            ),
            code="books_moved",
        )
    shares: dict[int, dict[int, Decimal]] = {pk: {} for pk in lots}
    for lot, dig, share in Origin.objects.filter(lot__in=lots).values_list("lot_id", "dig_id", "share"):
        shares[lot][dig] = share
    draws = list(Draw.objects.filter(step__in=wanted).order_by("step_id", "pk"))
    return _Part(corrected=step.pk, steps=steps, draws=draws, lots=lots, shares=shares)


def _refusal(unbalanced: Unbalanced, part: _Part, unit: str, field: str | None) -> Refused:
    there = units.format_mass(unbalanced.there_g, unit)
    wanted = units.format_mass(unbalanced.wanted_g, unit)
    if unbalanced.why == correction.OVERDRAWN:
        code = part.lots[unbalanced.lot].code
        return Refused(
            phrase(
                "By these figures {lot} weighed {there} when it was made, but {taken} of it was taken. Check the weight; if "
                "it is right, the other figure was wrong, too: correct that first.",
                lot=code,
                there=there,
                taken=wanted,
            ),
            code="overdrawn",
            field=field,
        )
    where = part.steps[unbalanced.step]
    if unbalanced.why == correction.NOTHING_LEFT:
        code = part.lots[unbalanced.lot].code
        said = {"lot": code, "step": _name(where)}
        return Refused(
            phrase(
                "Nothing of {lot} would have been left for {step}, which is booked with the rest of it: void it first.",
                **said,
            )
            if where.kind == Kind.REWEIGH
            else phrase(
                "Nothing of {lot} would have been left for {step}, which is booked with the rest of it: check the weight.",
                **said,
            ),
            code="nothing_left",
            field=field,
        )
    made = ", ".join(lot.code for lot in part.made_by(where.pk))
    if where.pk == part.corrected:
        return Refused(
            phrase(
                "{came_out} would have come out of {put_in} put in, and material doesn't grow. Check the weight; if it is "
                "right, what went in was wrong, too: correct all masses of the step together.",
                came_out=wanted,
                put_in=there,
            ),
            code="gain",
            field=field,
        )
    return Refused(
        phrase(
            "Only {put_in} would have gone into {step}, and {came_out} came out of it as {lots}. If this weight is right, "
            "correct {lots} first.",
            put_in=there,
            step=_name(where),
            came_out=wanted,
            lots=made,
        ),
        code="gain_later",
        field=field,
    )


def _name(step: Step, *, capital: bool = False) -> str:
    said = {
        "number": step.pk,
        "kind": step.get_kind_display().lower(),
        "day": date_format(step.done_on, "d M Y"),
    }
    if capital:
        return phrase("Step {number} ({kind}, {day})", **said)
    return phrase("step {number} ({kind}, {day})", **said)


def _masses(before_g: Decimal, after_g: Decimal, unit: str) -> tuple[str, str]:
    """Both as the member reads masses; in exact grams where those would look alike."""
    shown = units.format_mass(before_g, unit), units.format_mass(after_g, unit)
    return shown if shown[0] != shown[1] else (f"{_exact(before_g)} g", f"{_exact(after_g)} g")


def _shares(before: Decimal, after: Decimal) -> tuple[str, str]:
    shown = units.format_share(before), units.format_share(after)
    return shown if shown[0] != shown[1] else (_exact(before), _exact(after))


def _key(shares: Mapping[int, Decimal]) -> tuple:
    return tuple(sorted(shares.items()))


def _exact(number: Decimal) -> str:
    return f"{number.normalize():f}"
