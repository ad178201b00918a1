"""What needs somebody today, read in a few queries."""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.utils import timezone

from prospecting.calc.mass_balance import PortionsNeed, equal_portions, portions_need
from prospecting.frames.phone import waiting_entries
from prospecting.models import Claim, Dig, Dispatch, JournalEntry, Lot, Member, Zone
from trials.frames.stock import Stock, stocks_to_renew
from trials.models import Block, Run, Trial

CLAIM_DATE_DAYS = 60
# A feed lot that keeps less than this many portions after the planned runs is nearly used up.
SPARE_PORTIONS = 2
LATEST = 8


@dataclass(frozen=True)
class Running:
    """A running trial, its full block waiting to be closed, and what its open runs take of the feed lot.

    `need` is None when no run is open, or the portions are cut already.
    """

    trial: Trial
    full_block: Block | None
    open_runs: int
    need: PortionsNeed | None

    @property
    def short_g(self) -> Decimal | None:
        """What is missing for the planned runs; None when nothing is."""
        return self.need.short_g if self.need else None

    @property
    def nearly_used_up(self) -> bool:
        return (
            self.need is not None
            and not self.need.short_g
            and equal_portions(self.need.left_g, self.trial.portion_mass_g) < SPARE_PORTIONS
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
    # Test lots that run short or should be renewed, beside those the running trials above tell of.
    stocks: Sequence[Stock]
    # Entries from phones that wait for a keeper's decision.
    held: int

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
            or self.stocks
            or self.held
        )


def today_for(member: Member) -> Today:
    """What this member needs to see; claim dates, drafts and the journal are for those who record."""
    finished = list(
        Trial.objects.filter(state=Trial.State.CLOSED).select_related("feed_lot").order_by("-closed_at")[:3]
    )
    running = _running()
    told = {each.trial.feed_lot_id for each in running if each.short_g is not None or each.nearly_used_up}
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
        latest=_latest() if writes else [],
        first_steps=[] if finished else _first_steps(any_planned=bool(running)),
        stocks=[stock for stock in stocks_to_renew() if stock.lot.pk not in told]
        if running or finished
        else [],
        held=waiting_entries() if member.is_keeper else 0,
    )


def _latest() -> list[JournalEntry]:
    """The newest lines, without the steps of bridging runs whose key is hidden: they name the lot that was drawn from."""
    hidden = Run.objects.blind_bridges().values("step")
    lines = JournalEntry.objects.exclude(subject_kind="step", subject_id__in=hidden)
    return list(lines.select_related("member")[:LATEST])


def _running() -> list[Running]:
    trials = list(Trial.objects.for_list().filter(state=Trial.State.RUNNING).order_by("-pk"))
    full = {}
    for block in Block.objects.waiting_to_close().filter(trial__in=[trial.pk for trial in trials]):
        full.setdefault(block.trial_id, block)
    return [_one_running(trial, full.get(trial.pk)) for trial in trials]


def _one_running(trial: Trial, full_block: Block | None) -> Running:
    open_runs = trial.planned - trial.logged
    measured = trial.portions_from == Trial.PortionsFrom.MEASURED
    need = (
        portions_need(trial.feed_lot.on_hand_g, trial.runs_on_each(open_runs), trial.portion_mass_g)
        if measured and open_runs
        else None
    )
    return Running(trial=trial, full_block=full_block, open_runs=open_runs, need=need)


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
