"""Entries from phones that came too late: their lot no longer holds what they take. Kept whole until a keeper has decided."""

from uuid import UUID

from django.db import transaction
from django.db.models import Model
from django.utils import timezone

from prospecting.actions.journal import write_journal
from prospecting.actions.permission import require_keeper, require_writer
from prospecting.actions.photos import keep_photo
from prospecting.actions.refusal import Refused
from prospecting.calc.language import phrase
from prospecting.calc.number_words import as_written, unmarked
from prospecting.models import HeldEntry, Photo
from prospecting.models.journal import Delivery

# Refusals that say nothing against the entry: somebody else's was delivered first.
CAME_TOO_LATE = frozenset({"too_little_on_hand", "lot_used_up"})


@transaction.atomic
def hold_entry(
    *,
    identity: UUID,
    title: str,
    form_path: str,
    body: dict[str, list[str]],
    as_read: dict[str, str],
    upload,
    refusal: Refused,
    member,
) -> HeldEntry:
    """Keep an entry that was refused for lack of material, with its picture; `identity` names its delivery.

    `body` is what was typed, by the names of the fields, to be sent again; `as_read` is the same for the journal and its
    readers, by their labels.
    """
    require_writer(member)
    if upload is not None:
        # It was read already, by the attempt that was refused.
        upload.seek(0)
    held = HeldEntry.objects.create(
        delivery=Delivery.objects.get(identity=identity),
        title=title[:120],
        form_path=form_path,
        body=body,
        photo=keep_photo(upload=upload, added_by=member) if upload is not None else None,
        code=refusal.code,
        sentence=_as_kept(refusal),
    )
    write_journal(
        member=member,
        about=held,
        what="kept for a keeper to decide",
        why=held.sentence,
        changes={label: ["", said] for label, said in as_read.items()},
    )
    return held


@transaction.atomic
def settle_held(*, pk: int, record: Model, form_path: str, settled_by) -> HeldEntry:
    """Close a held entry by the record that its form, sent again by a keeper, has just become; in one transaction with it."""
    require_keeper(settled_by)
    held = _waiting(pk)
    if held.form_path.partition("?")[0] != form_path:
        raise Refused(
            phrase(
                "This form is not the one the held entry was typed into. Open the held entry and go on from there."
            ),
            code="other_form",
        )
    return _settle(
        held,
        outcome=HeldEntry.Outcome.RECORDED,
        record_path=record.get_absolute_url(),
        settled_by=settled_by,
        what=f"recorded what {held.delivery.member} had typed",
    )


@transaction.atomic
def set_held_aside(*, held: HeldEntry, reason: str, settled_by) -> HeldEntry:
    """Close a held entry without recording anything."""
    require_keeper(settled_by)
    held = _waiting(held.pk)
    reason = reason.strip()
    if not reason:
        raise Refused(phrase("Say why it is set aside."), code="reason_missing", field="reason")
    return _settle(
        held,
        outcome=HeldEntry.Outcome.SET_ASIDE,
        reason=reason,
        settled_by=settled_by,
        what=f"set aside what {held.delivery.member} had typed",
    )


def photo_of_held(pk: int | None) -> Photo | None:
    """The picture that came with a held entry, to go with the record it becomes."""
    if pk is None:
        return None
    held = HeldEntry.objects.select_related("photo").filter(pk=pk, outcome="").first()
    return held and held.photo


def _as_kept(refusal: Refused) -> str:
    """Its sentences as the books have them: what is made when it is read, in English; of any other, the figures at least."""
    with as_written():
        sentences = " ".join(refusal.messages)
    return unmarked(sentences)


def _waiting(pk: int) -> HeldEntry:
    held = HeldEntry.objects.select_for_update().filter(pk=pk).first()
    if held is None or held.outcome:
        raise Refused(
            phrase("This held entry is settled already. Nothing was recorded by this form."),
            code="settled_already",
        )
    return held


def _settle(held: HeldEntry, *, settled_by, what: str, **columns) -> HeldEntry:
    columns |= {"settled_at": timezone.now(), "settled_by": settled_by}
    for name, value in columns.items():
        setattr(held, name, value)
    held.clean_fields(exclude=["delivery", "photo", "settled_by", "body"])
    held.save(update_fields=list(columns))
    write_journal(member=settled_by, about=held, what=what, why=held.reason)
    return held
