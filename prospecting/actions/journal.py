"""The journal: each action adds its line in the same transaction as the change itself."""

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

from django.db.models import Model

from prospecting.models.journal import JournalEntry

_device: ContextVar[str] = ContextVar("device", default="")


@contextmanager
def on_device(name: str) -> Iterator[None]:
    """Every journal line written inside names this device (what the browser calls itself)."""
    token = _device.set(name[:200])
    try:
        yield
    finally:
        _device.reset(token)


def write_journal(
    *, member, about: Model, what: str, why: str = "", changes: dict | None = None
) -> JournalEntry:
    """Add one line about a record. `changes` maps a field to [before, after], already as text."""
    path = about.get_absolute_url() if hasattr(about, "get_absolute_url") else ""
    return JournalEntry.objects.create(
        member=member,
        device=_device.get(),
        subject_kind=about._meta.model_name,
        subject_id=about.pk,
        subject_label=str(about)[:120],
        subject_path=path,
        what=what,
        why=why,
        changes=changes or {},
    )


def write_event(*, member, kind: str, label: str, what: str, why: str = "") -> JournalEntry:
    """Add one line about no record: a sign-in, a refusal, a look at a key, an export. `member` may be nobody."""
    return JournalEntry.objects.create(
        member=member,
        device=_device.get(),
        subject_kind=kind,
        subject_id=0,
        subject_label=label[:120],
        what=what,
        why=why,
    )


def changed_fields(*, record: Model, values: dict) -> dict[str, list[str]]:
    """What setting `values` on `record` would change, as journal `changes`."""
    changes = {}
    for name, after in values.items():
        before = getattr(record, name)
        if before != after:
            changes[name] = ["" if before is None else str(before), "" if after is None else str(after)]
    return changes
