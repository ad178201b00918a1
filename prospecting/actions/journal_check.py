"""The last checks of the journal's chain, kept beside the books for the next check and for the journal's page."""

import json
import os
from pathlib import Path

from django.utils import timezone

from prospecting.calc.journal_chain import Walk


def keep_check(held: Walk, path: Path) -> None:
    """Keep in a file how long the chain was when all of it held, in place of the checks before."""
    _write(path, {"at": timezone.now().isoformat(), "count": held.count, "sha256": held.head})


def keep_failed_check(sentence: str, path: Path) -> None:
    """Keep beside the last good check that one failed since, and over what; the next good one takes it away."""
    try:
        told = dict(json.loads(path.read_text()))
    except (OSError, ValueError, TypeError):
        told = {}
    _write(path, told | {"broken": {"at": timezone.now().isoformat(), "sentence": sentence}})


def _write(path: Path, told: dict) -> None:
    # Written beside and moved over it: whoever reads meanwhile sees the old one or the new one, whole.
    beside = path.with_name(f"{path.name}.{os.getpid()}")
    beside.write_text(json.dumps(told))
    beside.replace(path)
