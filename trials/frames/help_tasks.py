"""What a newcomer may have to do, in the order of a season: one help page for each task, and the pages it is done on.

The words of a page stand in `templates/trials/help/<name>.html`; its picture is made by tests/browser/test_help_pictures.py.
"""

import json
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

from django.utils.translation import gettext_lazy

PICTURES = Path(__file__).resolve().parents[1] / "static" / "trials" / "help"


@dataclass(frozen=True)
class Task:
    """One thing to be done: its name in the address, its title, one line on what it is for, and the pages it is done on."""

    name: str
    title: str
    line: str
    part: str
    # Names of addresses.
    pages: tuple[str, ...]
    for_keepers: bool = False
    # What is asked outdoors is kept on the phone, without its picture.
    outdoors: bool = False
    template: str = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "template", f"trials/help/{self.name}.html")


BEGIN, GROUND, TRIAL = (
    gettext_lazy("Before the first dig"),
    gettext_lazy("At the ground and in the shed"),
    gettext_lazy("The trial"),
)
LABORATORY, MEND, KEEP = (
    gettext_lazy("The laboratory and the ground"),
    gettext_lazy("Mending and moving"),
    gettext_lazy("Looking after the books"),
)

TASKS = (
    Task(
        "first-day",
        gettext_lazy("The first day: claim, zones, members"),
        gettext_lazy("Put in what everything else hangs on, and let the others in."),
        BEGIN,
        ("zone-list", "claim-add", "claim-edit", "claim-detail", "zone-add", "zone-edit"),
        for_keepers=True,
    ),
    Task(
        "phone",
        gettext_lazy("Make your phone ready before you go out"),
        gettext_lazy("Have the pages you need, and lose nothing, where there is no signal."),
        BEGIN,
        ("phone-home", "pocket-lots", "pocket-doses"),
        outdoors=True,
    ),
    Task(
        "dig",
        gettext_lazy("Record a dig and its buckets"),
        gettext_lazy("Give every bucket of rock its place, day, weight and code."),
        GROUND,
        ("dig-add", "dig-list", "dig-detail"),
        outdoors=True,
    ),
    Task(
        "tags",
        gettext_lazy("Tags: print them, scan them, find a lot"),
        gettext_lazy("Know each bucket and bag again when the marker has washed off."),
        GROUND,
        (
            "lot-list",
            "lot-tag",
            "lot-tags",
            "lot-scan",
            "lot-find",
            "lots-move",
            "lots-hand-over",
            "lot-move",
            "lot-hand-over",
        ),
        outdoors=True,
    ),
    Task(
        "prepare",
        gettext_lazy("Dry, crush, screen, split"),
        gettext_lazy("Make rock into material that can be divided fairly, with every gram accounted for."),
        GROUND,
        (
            "lot-detail",
            "lot-dry",
            "lot-crush",
            "lot-screen",
            "lot-split",
            "lot-cut",
            "step-again",
            "pocket-dry",
            "pocket-crush",
            "pocket-screen",
            "pocket-split",
        ),
        outdoors=True,
    ),
    Task(
        "blend",
        gettext_lazy("Blend a test lot, and see whether it is uniform"),
        gettext_lazy(
            "Make one lot whose portions are alike, so that a trial compares treatments and not rock."
        ),
        GROUND,
        ("lot-blend", "lot-uniform", "bucket-compare", "lot-reserve", "lots-reserve", "lot-lineage"),
    ),
    Task(
        "portions",
        gettext_lazy("How large a portion, and how many"),
        gettext_lazy("See what chance does to equal portions before you pan any."),
        GROUND,
        ("lot-sampling", "lot-recovery"),
    ),
    Task(
        "plan",
        gettext_lazy("Plan a trial that can answer"),
        gettext_lazy("Ask one question so that the pans can answer it."),
        TRIAL,
        (
            "trial-list",
            "trial-add",
            "trial-edit",
            "trial-plan",
            "treatment-add",
            "treatment-edit",
            "ladder-add",
            "factorial-add",
            "additive-list",
            "additive-add",
            "additive-edit",
        ),
    ),
    Task(
        "blind",
        gettext_lazy("Mix and pan blind"),
        gettext_lazy("Keep hope out of the pan: whoever pans does not know what is in the tub."),
        TRIAL,
        (
            "trial-detail",
            "mixing-sheet",
            "tub-labels",
            "run-sheet",
            "pocket-trials",
            "pocket-trial",
            "run-next",
        ),
        outdoors=True,
    ),
    Task(
        "judge",
        gettext_lazy("Judge a pan: by weight, colours or places"),
        gettext_lazy("Write down what a pan held, in a way that two people would agree on."),
        TRIAL,
        (
            "run-log",
            "run-add",
            "run-list",
            "run-detail",
            "run-tails",
            "run-keep",
            "block-judge",
            "block-photos",
            "photo-scale",
            "pocket-pan",
        ),
        outdoors=True,
    ),
    Task(
        "verdict",
        gettext_lazy("What the verdict says, and what it doesn't"),
        gettext_lazy("Read a trial without hearing more in it than it can say."),
        TRIAL,
        (
            "trial-verdict",
            "trial-outcomes",
            "trial-doses",
            "trial-effects",
            "trial-across",
            "trial-close",
            "additive-detail",
            "additive-compare",
        ),
    ),
    Task(
        "findings",
        gettext_lazy("Findings and the method"),
        gettext_lazy("Settle what the group does from now on, and on what evidence."),
        TRIAL,
        ("finding-list", "finding-add", "finding-detail", "finding-replace", "house-method", "next-trials"),
    ),
    Task(
        "clearing",
        gettext_lazy("Time how fast muddy water clears"),
        gettext_lazy("See whether something added clears the tubs sooner, and whether it costs gold."),
        TRIAL,
        (
            "clearing-list",
            "clearing-add",
            "clearing-detail",
            "clearing-read",
            "clearing-edit",
            "clearing-begin",
            "clearing-end",
            "tub-begin",
            "tub-read",
            "tub-reading-void",
            "tub-mud",
            "run-mud",
            "additive-clearing",
        ),
        outdoors=True,
    ),
    Task(
        "send",
        gettext_lazy("Send splits to a laboratory"),
        gettext_lazy("Send samples that tell nothing by their tags, with checks among them."),
        LABORATORY,
        (
            "dispatch-list",
            "dispatch-add",
            "dispatch-detail",
            "dispatch-edit",
            "dispatch-splits",
            "dispatch-take",
            "dispatch-checks",
            "dispatch-labels",
            "dispatch-sent",
            "assay-charges",
            "lot-take-for-assay",
            "laboratory-add",
            "laboratory-list",
            "material-list",
            "material-add",
        ),
    ),
    Task(
        "returned",
        gettext_lazy("What came back, and whether to believe it"),
        gettext_lazy("Take the laboratory's certificate in and look at its checks before its grades."),
        LABORATORY,
        (
            "reading-list",
            "return-read",
            "return-type",
            "return-detail",
            "return-checks",
            "return-accept",
            "return-judge",
            "dispatch-rule",
            "sample-detail",
            "sample-rule",
            "reading-choose",
            "laboratory-detail",
            "laboratory-compare",
        ),
    ),
    Task(
        "beside",
        gettext_lazy("The field's estimate beside the laboratory's"),
        gettext_lazy("See what share of the assayed gold the pans brought out, and where to assay next."),
        LABORATORY,
        ("field-against-laboratory", "assay-next"),
    ),
    Task(
        "zone",
        gettext_lazy("The grade of a zone"),
        gettext_lazy("See what all digs of a zone say together, and which zone to dig."),
        LABORATORY,
        ("zone-detail", "zone-compare", "claim-map", "zone-lots", "dig-lots"),
    ),
    Task(
        "renew",
        gettext_lazy("When the test lot runs out"),
        gettext_lazy("Go on with a new lot without losing what the old one taught."),
        LABORATORY,
        ("lot-left", "lot-renew", "lot-bridge"),
    ),
    Task(
        "mistakes",
        gettext_lazy("Mistakes: correct, reweigh, void"),
        gettext_lazy("Mend what was recorded wrong, so that everybody sees what it was before."),
        MEND,
        (
            "lot-reweigh",
            "lot-correct",
            "lot-discard",
            "lot-mark",
            "mark-lift",
            "step-detail",
            "step-correct",
            "step-void",
            "correction-detail",
            "run-correct",
            "run-void",
            "judging-correct",
            "tails-correct",
            "mud-correct",
            "journal",
            "pocket-reweigh",
            "pocket-discard",
        ),
        outdoors=True,
    ),
    Task(
        "held",
        gettext_lazy("Entries that came too late"),
        gettext_lazy("Decide about an entry whose lot was used up when it arrived."),
        MEND,
        ("held-list", "held-detail", "held-set-aside"),
        for_keepers=True,
    ),
    Task(
        "claim-dates",
        gettext_lazy("Claim dates and papers"),
        gettext_lazy("Be reminded of the days a claim hangs on, and have its papers at hand."),
        MEND,
        (
            "claim-date-list",
            "claim-date-add",
            "claim-date-edit",
            "claim-date-keep",
            "claim-paper-add",
            "calendar-link",
        ),
    ),
    Task(
        "old-list",
        gettext_lazy("Take in an old list of buckets and pans"),
        gettext_lazy("Bring in what the group kept before this site, with every doubtful line shown first."),
        MEND,
        (
            "old-sheet-list",
            "old-sheet-add",
            "old-sheet-read",
            "old-sheet-try",
            "old-sheet-detail",
            "old-sheet-take-back",
        ),
        for_keepers=True,
    ),
    Task(
        "files",
        gettext_lazy("Files out and in"),
        gettext_lazy("Take lists, runs, positions or everything along, and bring in what other places keep."),
        MEND,
        ("positions-read", "trial-import", "whole-books"),
    ),
    Task(
        "keeping",
        gettext_lazy("Backup, restore, upgrade"),
        gettext_lazy("Lose nothing when a disk, a machine or a building is lost."),
        KEEP,
        ("keeping",),
        for_keepers=True,
    ),
    Task(
        "members",
        gettext_lazy("Members, one-time codes, a lost phone"),
        gettext_lazy("Let in whom the group wants, and nobody else."),
        KEEP,
        (
            "member-list",
            "member-add",
            "member-edit",
            "member-password",
            "member-codes-off",
            "invitation-list",
            "invitation-add",
            "own-settings",
            "own-password",
            "own-codes",
            "own-devices",
            "own-data",
        ),
    ),
    Task(
        "programs",
        gettext_lazy("Programs: spreadsheets, balances, scripts"),
        gettext_lazy("Let a program read the books, or record runs, as one member."),
        KEEP,
        ("api-page", "api-token-list", "api-token-all"),
    ),
)
BY_NAME = {task.name: task for task in TASKS}
BY_PAGE = {page: task for task in TASKS for page in task.pages}


def parts() -> list[tuple[str, list[Task]]]:
    """The tasks under the headings of the season, in order."""
    return [
        (part, [task for task in TASKS if task.part == part])
        for part in dict.fromkeys(task.part for task in TASKS)
    ]


def next_after(task: Task) -> Task | None:
    place = TASKS.index(task) + 1
    return TASKS[place] if place < len(TASKS) else None


@dataclass(frozen=True)
class Picture:
    file: str
    width: int
    height: int


@cache
def pictures() -> dict[str, Picture]:
    """By its task's name, the picture of each task that has one, with its measures on the page in px."""
    made = json.loads((PICTURES / "pictures.json").read_text())
    return {
        name: Picture(f"trials/help/{name}.webp", told["width"], told["height"])
        for name, told in made.items()
    }
