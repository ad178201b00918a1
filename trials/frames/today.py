"""What needs somebody today, read in a few queries, the most urgent first."""

import datetime
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain

from django.db.models import Count, Exists, OuterRef, Q
from django.urls import reverse
from django.utils import dateformat, timezone
from django.utils.text import capfirst

from prospecting.calc import units
from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.mass_balance import PortionsNeed, equal_portions, portions_need
from prospecting.calc.number_words import count_phrase, listed
from prospecting.frames.claim_dates import due_dates
from prospecting.frames.keeping import overdue_backup
from prospecting.frames.phone import waiting_entries
from prospecting.models import AssayReturn, Claim, Dig, Dispatch, Lot, Member, Sample, Zone
from trials.frames.changes import Changes, latest_changes
from trials.frames.stock import stocks_to_renew
from trials.models import Block, FindingEvidence, Run, Trial

# A feed lot that keeps less than this many portions after the planned runs is nearly used up.
SPARE_PORTIONS = 2
# A return is due when it is expected within so many days; a parcel is long on the bench after so many.
RETURN_DUE_DAYS = 7
PACKED_LONG_DAYS = 3
REJECTS_DUE_DAYS = 14
# The newest trials are looked at for a finding; older ones were let rest.
TRIALS_LOOKED_AT = 100
MOST_UNDECIDED = 3
FINISHED = 3


@dataclass(frozen=True)
class Need:
    """One thing that waits for somebody: `name` leads to where it is settled, `says` goes on from it.

    `mark` is the pressing word beside it ("3 days past"); `act` and `act_url` a button where one tap goes on at once.
    """

    name: str
    url: str
    says: str = ""
    mark: str = ""
    act: str = ""
    act_url: str = ""
    is_claim_date: bool = False


@dataclass(frozen=True)
class FirstStep:
    """One step of the way from bare ground to a first verdict."""

    name: str
    done: bool


@dataclass(frozen=True)
class Today:
    """`now` is late or stops others, `soon` has its day or its end in sight, `later` waits for nobody."""

    now: Sequence[Need]
    soon: Sequence[Need]
    later: Sequence[Need]
    finished: Sequence[Trial]
    first_steps: Sequence[FirstStep]
    changes: Changes | None

    @property
    def bands(self) -> list[tuple[str, str, Sequence[Need]]]:
        """(id, heading, needs) of what is not empty."""
        named = [
            ("now", phrase("Now"), self.now),
            ("soon", phrase("Soon"), self.soon),
            ("later", phrase("When there is time"), self.later),
        ]
        return [band for band in named if band[2]]

    @property
    def opening(self) -> str:
        """How much waits, in words."""
        parts = []
        if self.now:
            parts.append(
                count_phrase(
                    "{number} thing needs somebody now", "{number} things need somebody now", len(self.now)
                )
            )
        if self.soon:
            parts.append(count_phrase("{number} soon", "{number} soon", len(self.soon)))
        if self.later:
            parts.append(count_phrase("{number} can wait", "{number} can wait", len(self.later)))
        return f"{capfirst(listed(parts))}." if parts else ""

    @property
    def any_claim_date(self) -> bool:
        return any(need.is_claim_date for need in chain(self.now, self.soon))

    @property
    def next_step(self) -> str:
        """The first thing a new site still lacks; blank once a verdict can be read."""
        return next((step.name for step in self.first_steps if not step.done), "")

    @property
    def is_new(self) -> bool:
        return any(not step.done for step in self.first_steps)


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
    def is_short(self) -> bool:
        return bool(self.need and self.need.short_g)

    @property
    def nearly_used_up(self) -> bool:
        return (
            self.need is not None
            and not self.need.short_g
            and equal_portions(self.need.left_g, self.trial.portion_mass_g) < SPARE_PORTIONS
        )


def today_for(member: Member) -> Today:
    """What this member needs to see. Guests are told how trials and dispatches stand, and how much material waits."""
    writes = member.can_write
    trials = _closed_trials()
    running = _running()
    dispatches = list(
        Dispatch.objects.with_state()
        .select_related("laboratory")
        .exclude(return_state="returned")
        .order_by("expected_on", "pk")
    )
    now, soon, later = [], [], []
    if writes:
        dates = due_dates()
        now += [*_held(member), *_no_backup(member), *_failed_checks(), *_past(dates)]
        soon += _near(dates)
    now += chain(_late(dispatches), *(_short(each, member) for each in running), _to_pan(running, writes))
    soon += _due(dispatches, writes)
    soon += chain.from_iterable(_used_up(each, member) for each in running)
    if running or trials:
        short, low = _stocks(running)
        now += short
        soon += low
    if writes:
        soon += _above_limit()
        later += [*_undecided(trials), *_drafts(member)]
    later += [*_out(dispatches), *_material(writes)]
    return Today(
        now=now,
        soon=soon,
        later=later,
        finished=trials[:FINISHED],
        first_steps=[] if trials else _first_steps(any_planned=bool(running)),
        changes=latest_changes(member) if writes else None,
    )


# ---- What is late, or stops others.


def _held(member: Member) -> Iterator[Need]:
    held = waiting_entries() if member.is_keeper else 0
    if held:
        entries = count_phrase("{number} entry from a phone", "{number} entries from phones", held)
        says = phrase_counted(
            "came too late: the lot no longer held enough. Decide what becomes of it.",
            "came too late: the lot no longer held enough. Decide what becomes of them.",
            held,
        )
        yield Need(name=capfirst(entries), url=reverse("held-list"), says=says)


def _no_backup(member: Member) -> Iterator[Need]:
    overdue = overdue_backup() if member.is_keeper else ""
    if overdue:
        yield Need(
            name=phrase("Back the books up"), url=reverse("keeping"), says=overdue, mark=phrase("overdue")
        )


def _failed_checks() -> Iterator[Need]:
    failed = AssayReturn.objects.standing().filter(checks_state=AssayReturn.Checks.FAILED).without_file()
    for each in failed.select_related("dispatch__laboratory").annotate(
        value_count=Count("readings__sample__lot", distinct=True)
    ):
        samples = count_phrase("{number} sample", "{number} samples", each.value_count)
        yield Need(
            name=str(each),
            url=each.get_absolute_url(),
            says=phrase(
                "{laboratory}: the values of {samples} stand in doubt until it is accepted or assayed again.",
                laboratory=each.dispatch.laboratory,
                samples=samples,
            ),
            mark=phrase("a check failed"),
        )


def _past(dates) -> Iterator[Need]:
    return (_date_need(row) for row in dates if row.is_past)


def _date_need(row) -> Need:
    date = row.date
    watched = (
        phrase("{member} watches it.", member=date.watched_by)
        if date.watched_by
        else phrase("Nobody watches it.")
    )
    return Need(
        name=f"{date.claim}: {date.what}",
        url=reverse("claim-date-keep", args=[date.pk]),
        says=f"{_day(date.due_on)}. {watched}",
        mark=row.when,
        is_claim_date=True,
    )


def _late(dispatches: Sequence[Dispatch]) -> Iterator[Need]:
    return (
        Need(
            name=_dispatch_name(each),
            url=each.get_absolute_url(),
            says=phrase(
                "return expected {day}, {answered}. Ask the laboratory.",
                day=_day(each.expected_on),
                answered=_answered(each),
            ),
            mark=phrase("overdue"),
        )
        for each in dispatches
        if each.is_overdue
    )


def _short(each: Running, member: Member) -> Iterator[Need]:
    if each.is_short:
        lot, unit = each.trial.feed_lot, member.mass_unit
        yield Need(
            name=phrase("{lot} is short", lot=lot.code),
            url=reverse("lot-left", args=[lot.code]),
            says=phrase(
                "It holds {mass}, and the {runs} runs still open need {missing} more than that.",
                mass=units.format_mass(lot.on_hand_g, unit),
                runs=each.open_runs,
                missing=units.format_mass(each.need.short_g, unit),
            ),
            mark=phrase("short"),
        )


def _to_pan(running: Sequence[Running], writes: bool) -> Iterator[Need]:
    for each in running:
        trial = each.trial
        act = ""
        if writes and each.full_block:
            act = phrase("Close block {number}", number=each.full_block.number)
        elif writes and each.open_runs:
            act = phrase("Next portion")
        yield Need(
            name=str(trial),
            url=trial.get_absolute_url(),
            says=phrase(
                "{logged} of {planned} runs are in, on lot {lot}.",
                logged=trial.logged,
                planned=trial.planned,
                lot=trial.feed_lot.code,
            ),
            mark=phrase("{block} is complete, its key is closed", block=each.full_block)
            if writes and each.full_block
            else "",
            act=act,
            act_url=trial.get_next_url() if act else "",
        )


# ---- What has its day or its end in sight.


def _near(dates) -> Iterator[Need]:
    return (_date_need(row) for row in dates if not row.is_past)


def _due(dispatches: Sequence[Dispatch], writes: bool) -> Iterator[Need]:
    today = timezone.localdate()
    for each in dispatches:
        if writes and each.sent_on is None:
            days = (today - timezone.localtime(each.recorded_at).date()).days
            if days >= PACKED_LONG_DAYS:
                yield Need(
                    name=_dispatch_name(each),
                    url=each.get_absolute_url(),
                    says=phrase(
                        "is being packed since {day}. Send it, or say why it waits.",
                        day=_day(timezone.localtime(each.recorded_at)),
                    ),
                    mark=phrase_counted("{number} day", "{number} days", days),
                )
        elif _is_due(each, today):
            yield Need(
                name=_dispatch_name(each),
                url=each.get_absolute_url(),
                says=phrase(
                    "return expected {day}, {answered}.", day=_day(each.expected_on), answered=_answered(each)
                ),
                mark=phrase("today") if each.expected_on == today else "",
            )
    if writes:
        yield from _rejects(today)


def _rejects(today: datetime.date) -> Iterator[Need]:
    near = Q(rejects_until__gte=today, rejects_until__lte=today + datetime.timedelta(days=REJECTS_DUE_DAYS))
    for each in Dispatch.objects.filter(near, sent_on__isnull=False).select_related("laboratory"):
        yield Need(
            name=_dispatch_name(each),
            url=each.get_absolute_url(),
            says=phrase(
                "its coarse rejects and assay pulps are kept until {day}. Ask for them back if you want them.",
                day=_day(each.rejects_until),
            ),
        )


def _used_up(each: Running, member: Member) -> Iterator[Need]:
    if each.nearly_used_up:
        lot = each.trial.feed_lot
        yield Need(
            name=phrase("{lot} is nearly used up", lot=lot.code),
            url=reverse("lot-left", args=[lot.code]),
            says=phrase(
                "The runs still open leave {mass}: think of the next test lot.",
                mass=units.format_mass(each.need.left_g, member.mass_unit),
            ),
        )


def _stocks(running: Sequence[Running]) -> tuple[list[Need], list[Need]]:
    """Test lots that run short, and those to be renewed, beside those the running trials above tell of."""
    told = {each.trial.feed_lot_id for each in running if each.is_short or each.nearly_used_up}
    short, low = [], []
    for stock in stocks_to_renew():
        if stock.lot.pk in told:
            continue
        what, why = stock.alarm
        need = Need(
            name=what,
            url=reverse("lot-left", args=[stock.lot.code]),
            says=capfirst(why),
            mark=phrase("short") if stock.short else "",
        )
        (short if stock.short else low).append(need)
    return short, low


def _above_limit() -> Iterator[Need]:
    above = Sample.objects.filter(in_use_symbol="above").values_list("dispatch").annotate(count=Count("pk"))
    for dispatch, count in above.order_by("dispatch"):
        values = count_phrase(
            "{number} value lies above the laboratory's upper limit",
            "{number} values lie above the laboratory's upper limit",
            count,
        )
        yield Need(
            name=capfirst(values),
            url=reverse("dispatch-detail", args=[dispatch]),
            says=phrase(
                "Dispatch {dispatch}: the run that gives the figure itself is still to come.",
                dispatch=dispatch,
            ),
        )


# ---- What waits for nobody.


def _closed_trials() -> list[Trial]:
    """The newest closed trials with `is_decided`: whether a finding that was not taken back rests on them."""
    cited = FindingEvidence.objects.filter(trial=OuterRef("pk"), finding__taken_back_at__isnull=True)
    closed = Trial.objects.filter(state=Trial.State.CLOSED).select_related("feed_lot")
    return list(closed.annotate(is_decided=Exists(cited)).order_by("-closed_at", "-pk")[:TRIALS_LOOKED_AT])


def _undecided(trials: Sequence[Trial]) -> Iterator[Need]:
    """Closed trials nobody has concluded anything from. A bridge between two lots answers to the trials around it."""
    open_ones = [trial for trial in trials if not trial.is_decided and not trial.is_bridge]
    for trial in open_ones[:MOST_UNDECIDED]:
        yield Need(
            name=str(trial),
            url=reverse("trial-verdict", args=[trial.pk]),
            says=phrase(
                "closed {day}: read it, and write down what the group concludes.",
                day=_day(timezone.localtime(trial.closed_at)),
            ),
            mark=phrase("no finding yet"),
        )
    more = len(open_ones[MOST_UNDECIDED:])
    if more:
        yield Need(
            name=capfirst(count_phrase("{number} further trial", "{number} further trials", more)),
            url=reverse("trial-list"),
            says=phrase("closed without a finding."),
        )


def _drafts(member: Member) -> Iterator[Need]:
    for trial in Trial.objects.filter(state=Trial.State.DRAFT, recorded_by=member):
        yield Need(name=str(trial), url=trial.get_absolute_url(), mark=phrase("your draft"))


def _out(dispatches: Sequence[Dispatch]) -> Iterator[Need]:
    today = timezone.localdate()
    for each in dispatches:
        if each.sent_on is None or each.is_overdue or _is_due(each, today):
            continue
        parts = {"state": each.state, "answered": _answered(each)}
        yield Need(
            name=_dispatch_name(each),
            url=each.get_absolute_url(),
            says=phrase("{state}, return expected {day}, {answered}.", day=_day(each.expected_on), **parts)
            if each.expected_on
            else phrase("{state}, {answered}.", **parts),
        )


def _material(writes: bool) -> Iterator[Need]:
    waiting = Lot.objects.in_stock().aggregate(
        buckets=Count("pk", filter=Q(kind=Lot.Kind.BUCKET)),
        splits=Count("pk", filter=Q(kind=Lot.Kind.ASSAY_SPLIT, sample__isnull=True)),
    )
    if waiting["buckets"]:
        yield Need(
            name=capfirst(
                count_phrase(
                    "{number} bucket not crushed yet", "{number} buckets not crushed yet", waiting["buckets"]
                )
            ),
            url=f"{reverse('lot-list')}?kind=bucket&on_hand=on",
        )
    if waiting["splits"]:
        yield Need(
            name=capfirst(
                count_phrase(
                    "{number} split for assay not sent yet",
                    "{number} splits for assay not sent yet",
                    waiting["splits"],
                )
            ),
            url=reverse("dispatch-add") if writes else f"{reverse('lot-list')}?kind=assay_split&on_hand=on",
        )


# ---- Shared.


def _is_due(dispatch: Dispatch, today: datetime.date) -> bool:
    within = today + datetime.timedelta(days=RETURN_DUE_DAYS)
    return (
        dispatch.sent_on is not None
        and dispatch.expected_on is not None
        and today <= dispatch.expected_on <= within
    )


def _day(day: datetime.date) -> str:
    return dateformat.format(day, "j M Y")


def _dispatch_name(dispatch: Dispatch) -> str:
    return phrase("Dispatch {number} to {laboratory}", number=dispatch.pk, laboratory=dispatch.laboratory)


def _answered(dispatch: Dispatch) -> str:
    if not dispatch.answered_count:
        return phrase("nothing has come back")
    return phrase(
        "{answered} of {samples} samples are answered",
        answered=dispatch.answered_count,
        samples=dispatch.sample_count,
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
    need = (
        portions_need(trial.feed_lot.on_hand_g, trial.runs_on_each(open_runs), trial.portion_mass_g)
        if measured and open_runs
        else None
    )
    return Running(trial=trial, full_block=full_block, open_runs=open_runs, need=need)


def _first_steps(*, any_planned: bool) -> list[FirstStep]:
    """From an empty site to a verdict, each marked done as soon as there is one of it; in one query."""
    uniform = [Lot.Kind.BLEND, Lot.Kind.SPLIT, Lot.Kind.PORTION]
    crushed = [Lot.Kind.CRUSHED, Lot.Kind.UNDERSIZE, *uniform]
    lots = Lot.objects.standing()
    there = (
        Member.objects.order_by("pk")
        .values(
            claim=Exists(Claim.objects.all()),
            zone=Exists(Zone.objects.all()),
            dig=Exists(Dig.objects.standing()),
            crush=Exists(lots.filter(kind__in=crushed)),
            blend=Exists(lots.filter(kind__in=uniform)),
            trial=Exists(Run.objects.filter(planned__isnull=False)),
        )
        .first()
    )
    there["trial"] = there["trial"] or any_planned
    return [*(FirstStep(name, done) for name, done in there.items()), FirstStep("runs", False)]
