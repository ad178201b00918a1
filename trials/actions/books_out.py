"""The whole books leave as a file: on record before they do, with the keys that its reader sees."""

from collections.abc import Sequence

from django.db import transaction
from django.db.models import Exists, OuterRef

from prospecting.actions.journal import write_event
from prospecting.actions.permission import require_keeper
from trials.actions.planning import open_key
from trials.models import Block, Trial

WHY = "took a file of the whole books"


def trials_with_open_keys() -> list[Trial]:
    """Trials of which some code's treatment is still hidden from who pans."""
    is_open = Block.objects.filter(trial=OuterRef("pk"), closed_at__isnull=True)
    return list(Trial.objects.filter(Exists(is_open)).exclude(state=Trial.State.DRAFT).order_by("pk"))


@transaction.atomic
def say_books_leave(*, kind: str, hidden_before: Sequence[Trial], member=None) -> None:
    """Keep in the journal that the whole books leave as a file of this kind, and by whom.

    They hold the keys of open blocks, so whoever takes them counts as having looked at each: at those that were hidden before
    the file was begun (`hidden_before`), for some may have been closed since, and at those that are now. `member` is nobody
    where the site's own computer writes the file.
    """
    if member is not None:
        require_keeper(member)
    hidden = {trial.pk: trial for trial in [*hidden_before, *trials_with_open_keys()]}
    for _, trial in sorted(hidden.items()):
        if member is not None:
            open_key(trial=trial, member=member, reason=WHY)
        else:
            write_event(member=None, kind="peek", label=str(trial), what="its key left the site", why=WHY)
    write_event(member=member, kind="export", label="Whole books", what=f"left the site as a {kind}")
