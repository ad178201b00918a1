"""Add up the whole books anew and say what is off; ends with 1 when anything is."""

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

from django.core.management import BaseCommand
from django.db import connection, transaction

from prospecting.frames import books as material
from trials.frames import books as trials

CHECKS = {
    "lots: codes and masses on hand": material.faults_of_lots,
    "steps: losses, shares by dig, tags' stripes": material.faults_of_steps,
    "contamination marks": material.faults_of_marks,
    "photos and their files": material.faults_of_photos,
    "samples, certificates and values in use": material.faults_of_assays,
    "dispatches and their checks": material.faults_of_dispatches,
    "plans of trials": trials.faults_of_plans,
    "runs and what they drew": trials.faults_of_runs,
    "weighings of runs": trials.faults_of_weighings,
    "judgings of rows of pans": trials.faults_of_judgings,
}


class Command(BaseCommand):
    help = (
        "Add up every balance, share, code, photo, certificate, plan and run anew, and say in words what is off. "
        "Changes nothing. Ends with 1 when something is off."
    )

    def handle(self, *args, **options) -> None:
        found = 0
        with books_as_of_now():
            for name, check in CHECKS.items():
                start = time.monotonic()
                faults = 0
                for fault in check():
                    self.stdout.write(f"OFF  {fault}")
                    faults += 1
                found += faults
                said = "fine" if not faults else f"{faults} off"
                self.stdout.write(f"{name}: {said} ({time.monotonic() - start:.1f} s)")
        if found:
            self.stderr.write(f"{found} things are off. Nothing was changed.")
            sys.exit(1)
        self.stdout.write("The books add up.")


@contextmanager
def books_as_of_now() -> Iterator[None]:
    """Read everything as it stood at one moment, so that what is entered meanwhile is not taken for a fault."""
    if connection.in_atomic_block:
        yield
    elif connection.vendor == "sqlite":
        # Not atomic(): that takes the write lock, and nobody could enter anything while the books are read.
        with connection.cursor() as cursor:
            cursor.execute("BEGIN DEFERRED")
        try:
            yield
        finally:
            with connection.cursor() as cursor:
                cursor.execute("ROLLBACK")
    else:
        with transaction.atomic():
            with connection.cursor() as cursor:
                cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
            yield
