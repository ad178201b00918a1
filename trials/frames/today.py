"""What needs somebody today, read in a few queries."""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.utils import timezone

from prospecting.models import Claim, Dig, Dispatch, JournalEntry, Lot, Member, Zone
from trials.models import Block, Run, Trial

CLAIM_DATE_DAYS = 60
# A feed lot that keeps less than this many portions after the planned runs is nearly used up.
SPARE_PORTIONS = 2
LATEST = 8


@dataclass(frozen=True)
class Running:
    """A running trial, its full block waiting to be closed, and what its feed lot keeps once the open runs are done.

    `left_after_g` is below zero when the lot cannot feed them; None when the portions are cut already.
    """

    trial: Trial
    full_block: Block | None
    open_runs: int
    left_after_g: Decimal | None

    @property
    def short_g(self) -> Decimal | None:
        """What is missing for the planned runs; None when nothing is."""
        return -self.left_after_g if self.left_after_g is not None and self.left_after_g < 0 else None

    @property
    def nearly_used_up(self) -> bool:
        return (
            self.left_after_g is not None
            and 0 <= self.left_after_g < SPARE_PORTIONS * self.trial.portion_mass_g
        )


@dataclass(frozen=True)
class ClaimDate:
    claim: Claim
    days: int

    @property
    def is_past(self) -> bool:
        return self.days < 0

    @property
    def days_ago(self) -> int:
        return -self.days


@dataclass(frozen=True)
class FirstStep:
    """One step of the way from bare ground to a first verdict."""

    name: str
    done: bool


@dataclass(frozen=True)
class Today:
    running: Sequence[Running]
    drafts: Sequence[Trial]
    dispatches: Sequence[Dispatch]
    claim_dates: Sequence[ClaimDate]
    buckets: int
    splits_to_send: int
    finished: Sequence[Trial]
    latest: Sequence[JournalEntry]
    first_steps: Sequence[FirstStep]

    @property
    def next_step(self) -> str:
        """The first thing a new site still lacks; blank once a verdict can be read."""
        return next((step.name for step in self.first_steps if not step.done), "")

    @property
    def is_new(self) -> bool:
        return any(not step.done for step in self.first_steps)

    @property
    def nothing_waits(self) -> bool:
        return not (
            self.running
            or self.drafts
            or self.dispatches
            or self.claim_dates
            or self.buckets
            or self.splits_to_send
        )


def today_for(member: Member) -> Today:
    """What this member needs to see; claim dates, drafts and the journal are for those who record."""
    finished = list(
        Trial.objects.filter(state=Trial.State.CLOSED).select_related("feed_lot").order_by("-closed_at")[:3]
    )
    running = _running()
    waiting = Dispatch.objects.with_state().select_related("laboratory").exclude(state="returned")
    in_stock = Lot.objects.in_stock()
    writes = member.can_write
    return Today(
        running=running,
        drafts=list(Trial.objects.filter(state=Trial.State.DRAFT, recorded_by=member)) if writes else [],
        dispatches=list(waiting.order_by("-is_overdue", "expected_on", "sent_on")),
        claim_dates=_claim_dates() if writes else [],
        buckets=in_stock.of_kind(Lot.Kind.BUCKET).count(),
        splits_to_send=in_stock.of_kind(Lot.Kind.ASSAY_SPLIT).filter(sample__isnull=True).count(),
        finished=finished,
        latest=list(JournalEntry.objects.select_related("member")[:LATEST]) if writes else [],
        first_steps=[] if finished else _first_steps(any_planned=bool(running)),
    )


def _running() -> list[Running]:
    trials = list(Trial.objects.for_list().filter(state=Trial.State.RUNNING).order_by("-pk"))
    full = {}
    for block in Block.objects.waiting_to_close().filter(trial__in=[trial.pk for trial in trials]):
        full.setdefault(block.trial_id, block)
    return [_one_running(trial, full.get(trial.pk)) for trial in trials]


def _one_running(trial: Trial, full_block: Block | None) -> Running:
    open_runs = trial.planned - trial.logged
    measured = trial.portions_from == Trial.PortionsFrom.MEASURED
    left_after_g = (
        trial.feed_lot.on_hand_g - open_runs * trial.portion_mass_g if measured and open_runs else None
    )
    return Running(trial=trial, full_block=full_block, open_runs=open_runs, left_after_g=left_after_g)


def _claim_dates() -> list[ClaimDate]:
    today = timezone.localdate()
    last = today + datetime.timedelta(days=CLAIM_DATE_DAYS)
    claims = Claim.objects.filter(next_date__lte=last).order_by("next_date")
    return [ClaimDate(claim=claim, days=(claim.next_date - today).days) for claim in claims]


def _first_steps(*, any_planned: bool) -> list[FirstStep]:
    """From an empty site to a verdict, each marked done as soon as there is one of it."""
    lots = Lot.objects.standing()
    kinds = set(lots.order_by().values_list("kind", flat=True).distinct())
    uniform = {Lot.Kind.BLEND, Lot.Kind.SPLIT, Lot.Kind.PORTION}
    crushed = {Lot.Kind.CRUSHED, Lot.Kind.UNDERSIZE} | uniform
    planned = any_planned or Run.objects.filter(planned__isnull=False).exists()
    return [
        FirstStep("claim", Claim.objects.exists()),
        FirstStep("zone", Zone.objects.exists()),
        FirstStep("dig", Dig.objects.standing().exists()),
        FirstStep("crush", bool(kinds & crushed)),
        FirstStep("blend", bool(kinds & uniform)),
        FirstStep("trial", planned),
        FirstStep("runs", False),
    ]
