"""Walk the journal's chain and name the first link that does not hold; ends with 1 when one does not."""

import sys

from django.core.management import BaseCommand, CommandError

from prospecting.actions.journal import seal_unsealed
from prospecting.actions.journal_check import keep_check, keep_failed_check
from prospecting.calc.journal_chain import Fault
from prospecting.frames.journal_chain import check_file, last_check, walked
from prospecting.frames.one_moment import books_as_of_now


class Command(BaseCommand):
    help = (
        "Walk the journal's chain from its first entry to its last and say whether every entry still fits its seal. Ends with 1 "
        "and names the first that does not. Prints the chain's head: write it down away from this machine, and give it to a "
        "later check with --count and --head, which then also finds a chain that was cut at its end or made anew."
    )

    def add_arguments(self, parser) -> None:
        parser.add_argument("--head", metavar="HASH", help="a head that was written down earlier")
        parser.add_argument("--count", type=int, metavar="N", help="how many links there were then")

    def handle(self, *args, head: str | None, count: int | None, **options) -> None:
        written_down = _written_down(head, count)
        last = last_check()
        kept = ({last.count: last.sha256} if last else {}) | written_down
        late = seal_unsealed()
        for pk in late:
            self.stderr.write(
                f"Entry {pk} had no seal: it was written past the site, or the site stopped over it. It is sealed now."
            )
        with books_as_of_now():
            found = walked(kept)
        if found.broken:
            self.stderr.write(found.broken.sentence)
            self.stderr.write(f"{found.count:,} links before it hold.")
            if last and found.broken.fault in (Fault.CUT, Fault.ANEW):
                self.stderr.write(
                    f"The last good check was on {last.at:%d %b %Y} with {last.count:,} links. If the books were restored from "
                    f"an older backup since, delete {check_file()} and check again."
                )
            keep_failed_check(found.broken.sentence, check_file())
            sys.exit(1)
        keep_check(found, check_file())
        self.stdout.write(f"All {found.count:,} links of the journal's chain hold.")
        self.stdout.write(f"Its head, to write down elsewhere:\n  --count {found.count} --head {found.head}")
        if late:
            sys.exit(1)


def _written_down(head: str | None, count: int | None) -> dict[int, str]:
    if head is None and count is None:
        return {}
    if head is None or count is None:
        raise CommandError("Give --head and --count together: a head belongs to the number of links it had.")
    head = head.strip().lower()
    if count < 1 or len(head) != 64 or set(head) - set("0123456789abcdef"):
        raise CommandError(
            "--count is a whole number from 1, --head the 64 digits that were printed with it."
        )
    return {count: head}
