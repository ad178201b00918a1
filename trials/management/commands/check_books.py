"""Add up the whole books anew and say what is off; ends with 1 when anything is."""

import sys
import time

from django.core.management import BaseCommand

from prospecting.frames import books as material
from prospecting.frames.journal_chain import faults_of_journal
from prospecting.frames.one_moment import books_as_of_now
from trials.frames import books as trials

CHECKS = {
    "lots: codes and masses on hand": material.faults_of_lots,
    "steps: losses, shares by dig, tags' stripes": material.faults_of_steps,
    "contamination marks": material.faults_of_marks,
    "photos and their files": material.faults_of_photos,
    "samples and certificates": material.faults_of_assays,
    "values in use, by their rules": material.faults_of_values,
    "dispatches and their checks": material.faults_of_dispatches,
    "the journal's chain": faults_of_journal,
    "held entries": material.faults_of_held,
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
