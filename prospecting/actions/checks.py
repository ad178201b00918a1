"""Whether an assay return is believed: its checks judged by the named rules, and a failed one accepted with a reason."""

from django.db import transaction
from django.utils import timezone

from prospecting.actions.journal import write_journal
from prospecting.actions.permission import require_keeper, require_writer
from prospecting.actions.refusal import Refused
from prospecting.actions.values import apply_rules
from prospecting.calc.language import phrase
from prospecting.calc.number_words import as_written
from prospecting.models import AssayReturn, Dispatch
from prospecting.models.check_evidence import CheckBook

LONGEST_REASON = AssayReturn._meta.get_field("accepted_reason").max_length
CHECKS = AssayReturn.Checks


@transaction.atomic
def judge_return(*, assay_return: AssayReturn, recorded_by) -> AssayReturn:
    """Judge the blanks, reference materials and duplicates of a return; what fails marks every value in it.

    Values are put in use anew where the state changed: a return that failed stands behind one that assayed its samples again.
    An acceptance holds as long as the checks fail; checks that now pass need none.
    """
    require_writer(recorded_by)
    assay_return = _locked(assay_return)
    before = assay_return.checks_state
    state = CheckBook([assay_return.dispatch.laboratory_id], also=assay_return).judged(assay_return).state
    if state == CHECKS.FAILED and before == CHECKS.ACCEPTED:
        return assay_return
    if state == before:
        return assay_return
    assay_return.checks_state = state
    assay_return.accepted_by, assay_return.accepted_at, assay_return.accepted_reason = None, None, ""
    _save(assay_return)
    with as_written():
        now = assay_return.get_checks_state_display()
    write_journal(
        member=recorded_by,
        about=assay_return,
        what=f"checks judged: {now}",
        changes={"checks": [CHECKS(before).label, now]},
    )
    apply_rules(assay_return, recorded_by=recorded_by)
    return assay_return


@transaction.atomic
def judge_again(*, assay_return: AssayReturn, recorded_by) -> AssayReturn:
    """Judge the checks of a return that stands by what is recorded now."""
    if AssayReturn.objects.filter(replaces=assay_return).exists():
        raise Refused(
            phrase(
                "A later certificate corrects this one; none of its readings counts, so there is nothing to judge."
            ),
            code="replaced",
        )
    return judge_return(assay_return=assay_return, recorded_by=recorded_by)


@transaction.atomic
def accept_return(*, assay_return: AssayReturn, reason: str, accepted_by) -> AssayReturn:
    """Let the values of a return count although a check failed; the reason stays beside them."""
    require_keeper(accepted_by)
    assay_return = _locked(assay_return)
    reason = " ".join(reason.split())
    if AssayReturn.objects.filter(replaces=assay_return).exists():
        raise Refused(
            phrase(
                "A later certificate corrects this one; none of its readings counts, so there is nothing to accept."
            ),
            code="replaced",
        )
    if assay_return.checks_state != CHECKS.FAILED:
        raise Refused(
            phrase(
                "Only a return with a failed check is accepted; of this one it says: {state}.",
                state=assay_return.get_checks_state_display(),
            ),
            code="not_failed",
        )
    if not reason:
        raise Refused(
            phrase("Say why the values may be used although a check failed."),
            code="reason_missing",
            field="reason",
        )
    if len(reason) > LONGEST_REASON:
        raise Refused(
            phrase("Keep the reason to {most} signs.", most=LONGEST_REASON),
            code="reason_too_long",
            field="reason",
        )
    assay_return.checks_state = CHECKS.ACCEPTED
    assay_return.accepted_by = accepted_by
    assay_return.accepted_at = timezone.now()
    assay_return.accepted_reason = reason
    _save(assay_return)
    write_journal(
        member=accepted_by,
        about=assay_return,
        what="accepted although a check failed",
        why=reason,
        changes={"checks": [CHECKS.FAILED.label, CHECKS.ACCEPTED.label]},
    )
    apply_rules(assay_return, recorded_by=accepted_by)
    return assay_return


def _locked(assay_return: AssayReturn) -> AssayReturn:
    # The dispatch first, as whoever stores a return does: two at once then wait instead of blocking each other.
    Dispatch.objects.select_for_update().get(pk=assay_return.dispatch_id)
    return (
        AssayReturn.objects.select_for_update(of=("self",))
        .without_file()
        .select_related("dispatch")
        .get(pk=assay_return.pk)
    )


def _save(assay_return: AssayReturn) -> None:
    assay_return.save(update_fields=["checks_state", "accepted_by", "accepted_at", "accepted_reason"])
