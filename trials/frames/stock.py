"""Enough left? What a lot still gives in portions, what running trials and drafts take of it, and when it should be renewed."""

import datetime
from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import F, OuterRef, Q
from django.utils import timezone

from prospecting.calc import units
from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.mass_balance import equal_band_g, equal_portions, portions_need
from prospecting.calc.renewal import days_left, portions_in
from prospecting.models import Draw, Lot, Step
from trials.calc.bridge import FEWEST_BLOCKS
from trials.frames.lineage import count_of
from trials.models import PlannedRun, Run, Treatment, Trial

# A test lot is renewed while what is free still feeds one bridge and as many portions again.
RENEW_BELOW = 14
# The rate of use looks back so far; a lot counts as a test lot so long after a trial on it was planned or closed.
LOOK_BACK_DAYS = 90
TEST_LOT_DAYS = 180
# Where neither a trial nor a cut says how large a portion is.
USUAL_PORTION = {"lb": "1 lb", "kg": "500 g"}


@dataclass(frozen=True)
class Claim:
    """What a running trial or a draft still takes of the lot."""

    trial: Trial
    portions: int
    is_draft: bool
    # Cut portions that are in a fixed plan stand aside already; they are not among those still to be had.
    set_aside: bool


@dataclass(frozen=True)
class Stock:
    """What a lot still gives in portions of `portion_g`; `usual_from` says where that mass is from.

    `uncut` can still be measured out, `cut` stand untouched, in no plan and not held back; `held_cut` are held back,
    `other_cut` are of another mass. `renewed_by` are the bridging trials to a newer lot, `renews` those from an older one.
    """

    lot: Lot
    portion_g: Decimal
    usual_from: str
    uncut: int
    cut: int
    held_cut: int
    other_cut: int
    claims: list[Claim]
    renewed_by: list[Trial]
    renews: list[Trial]
    is_test_lot: bool

    @property
    def portions(self) -> int:
        """Portions still to be had, before anybody's claim."""
        return self.uncut + self.cut

    @property
    def needed(self) -> int:
        return sum(claim.portions for claim in self.claims if not claim.set_aside)

    @property
    def free(self) -> int:
        """What is left for something new; below zero when running trials and drafts need more than there is."""
        return self.portions - self.needed

    @property
    def short(self) -> int:
        return max(0, -self.free)

    @property
    def set_aside(self) -> int:
        return sum(claim.portions for claim in self.claims if claim.set_aside)

    @property
    def is_used_up(self) -> bool:
        return self.portions == 0 and not self.set_aside

    @property
    def has_bridge(self) -> bool:
        """Whether bridging runs to a new lot are done, running, or planned with the portions they take counted above."""
        return bool(self.renewed_by)

    @property
    def bridge_fits(self) -> bool:
        return self.free >= FEWEST_BLOCKS

    @property
    def needs_renewing(self) -> bool:
        """Whether to renew it now: before it runs out, and not after."""
        return self.is_test_lot and not self.has_bridge and not self.is_used_up and self.free < RENEW_BELOW

    @property
    def warning(self) -> str:
        """One sentence where something should be done, else blank."""
        what, why = self.alarm
        return f"{what}: {why}" if what else ""

    @property
    def alarm(self) -> tuple[str, str]:
        """What is the matter with it, and why, where something should be done; else both blank."""
        lot = self.lot.code
        if self.lot.is_void or self.is_used_up:
            return "", ""
        if self.short:
            return phrase("{lot} is short", lot=lot), phrase_counted(
                "running trials and drafts need {number} portion, it gives {portions}.",
                "running trials and drafts need {number} portions, it gives {portions}.",
                self.needed,
                portions=self.portions,
            )
        if not self.needs_renewing:
            return "", ""
        return phrase("{lot} is nearly used up", lot=lot), self._left_in_words()

    def _left_in_words(self) -> str:
        if self.bridge_fits:
            return phrase_counted(
                "{number} portion free, and bridging runs to a new lot take at least {least} of them. Blend the new lot now "
                "and bridge to it before anything else.",
                "{number} portions free, and bridging runs to a new lot take at least {least} of them. Blend the new lot now "
                "and bridge to it before anything else.",
                self.free,
                least=FEWEST_BLOCKS,
            )
        return phrase_counted(
            "{number} portion free, fewer than the {least} that bridging runs to a new lot take at least. Keep what is left "
            "for the bridge, in smaller portions or with a wider interval: without one, results on it stand alone.",
            "{number} portions free, fewer than the {least} that bridging runs to a new lot take at least. Keep what is left "
            "for the bridge, in smaller portions or with a wider interval: without one, results on it stand alone.",
            self.free,
            least=FEWEST_BLOCKS,
        )


@dataclass(frozen=True)
class Rate:
    """How many portions were used lately, and about when the rest is used up at that rate (None: none was used)."""

    used: int
    over_days: int
    days: int | None
    used_up_on: datetime.date | None


def stock_of(lot: Lot, mass_unit: str) -> Stock:
    return stocks_of([lot], mass_unit)[0]


def stocks_of(lots: Collection[Lot], mass_unit: str = "lb") -> list[Stock]:
    """The stock of each of these lots, in four queries however many they are."""
    trials = _trials_on(lots)
    cuts = _cut_portions(lots)
    return [_stock(lot, trials[lot.pk], cuts[lot.pk], mass_unit) for lot in lots]


def stocks_to_renew() -> list[Stock]:
    """The test lots of running trials, drafts and the last months that something should be done about."""
    return [stock for stock in stocks_of(test_lots()) if stock.warning]


def test_lots() -> list[Lot]:
    """The lots of running trials, drafts and the last months."""
    since = timezone.now() - datetime.timedelta(days=TEST_LOT_DAYS)
    recent = Trial.objects.exclude(state=Trial.State.CLOSED) | Trial.objects.filter(
        Q(closed_at__gte=since) | Q(planned_at__gte=since)
    )
    # By their numbers: asked by joins, the database goes through all lots there are.
    tested = recent.order_by().values("feed_lot").union(recent.order_by().values("new_lot"))
    return list(Lot.objects.standing().filter(pk__in=tested))


def rate_of(stock: Stock) -> Rate:
    """How fast the lot was used in the last months, by the runs on it and on portions cut from it."""
    today = timezone.localdate()
    since = today - datetime.timedelta(days=LOOK_BACK_DAYS)
    runs = Run.objects.filter(step__voided_at__isnull=True, panned_on__gt=since)
    # Counted without regard to a hidden key: which of two lots an open block's runs took stays hidden.
    used = runs.of_feed(stock.lot).exclude(pk__in=Run.objects.blind_bridges().values("pk")).distinct().count()
    days = days_left(stock.portions + stock.set_aside, used, LOOK_BACK_DAYS)
    # Beyond ten years a day would be a pretence.
    on = today + datetime.timedelta(days=days) if days is not None and days < 3650 else None
    return Rate(used=used, over_days=LOOK_BACK_DAYS, days=days, used_up_on=on)


def _trials_on(lots: Iterable[Lot]) -> dict[int, list[Trial]]:
    """Every trial on these lots, newest first, with how many treatments and how many open runs it has."""
    on_them = Trial.objects.filter(Q(feed_lot__in=lots) | Q(new_lot__in=lots)).select_related(
        "feed_lot", "new_lot"
    )
    # Each counted by itself: joined together they would be as many rows as treatments times runs.
    counted = on_them.annotate(
        arms=count_of(Treatment.objects.filter(trial=OuterRef("pk")), "trial"),
        open_runs=count_of(PlannedRun.objects.open().filter(trial=OuterRef("pk")), "trial"),
    ).order_by("-pk")
    found: dict[int, list[Trial]] = defaultdict(list)
    for trial in counted:
        for lot in trial.feeds:
            found[lot.pk].append(trial)
    return found


def _cut_portions(lots: Iterable[Lot]) -> dict[int, list[tuple[Decimal, bool]]]:
    """(mass in g, whether it is held back) of every untouched portion of these lots that is in no plan."""
    cut = Draw.objects.filter(
        lot__in=lots,
        step__kind=Step.Kind.CUT,
        step__voided_at__isnull=True,
        step__made__is_void=False,
        step__made__planned_run__isnull=True,
        step__made__on_hand_g=F("step__made__mass_g"),
    ).order_by()
    columns = ("pk", "kind", "mass_g", "reserve_reason")
    rows = cut.values_list(*(f"step__made__{name}" for name in columns), "lot")
    found: dict[int, list[tuple[Decimal, bool]]] = defaultdict(list)
    # Told apart and sorted here: asked for either, SQLite goes through all portions there are.
    for _, kind, mass_g, held, lot_id in sorted(rows, reverse=True):
        if kind == Lot.Kind.PORTION:
            found[lot_id].append((mass_g, bool(held)))
    return found


def _stock(lot: Lot, trials: list[Trial], cut: list[tuple[Decimal, bool]], mass_unit: str) -> Stock:
    portion_g, usual_from = _usual_portion(lot, trials, cut, mass_unit)
    low_g, high_g = equal_band_g(portion_g)
    alike = [held for mass_g, held in cut if low_g <= mass_g <= high_g]
    claims = [claim for trial in trials if (claim := _claim(lot, trial, portion_g)) is not None]
    since = timezone.now() - datetime.timedelta(days=TEST_LOT_DAYS)
    return Stock(
        lot=lot,
        portion_g=portion_g,
        usual_from=usual_from,
        uncut=0 if lot.reserve_reason else equal_portions(lot.on_hand_g, portion_g),
        cut=alike.count(False),
        held_cut=alike.count(True),
        other_cut=len(cut) - len(alike),
        claims=claims,
        renewed_by=[trial for trial in trials if trial.is_bridge and trial.feed_lot_id == lot.pk],
        renews=[trial for trial in trials if trial.new_lot_id == lot.pk],
        is_test_lot=any(
            trial.state != Trial.State.CLOSED or trial.closed_at >= since or trial.planned_at >= since
            for trial in trials
        ),
    )


def _usual_portion(
    lot: Lot, trials: list[Trial], cut: list[tuple[Decimal, bool]], mass_unit: str
) -> tuple[Decimal, str]:
    if trials:
        return trials[0].portion_mass_g, phrase("as in its latest trial")
    if cut:
        return cut[0][0], phrase("as it was last cut")
    return units.parse_mass(USUAL_PORTION[mass_unit], mass_unit).canonical, phrase(
        "a usual mass: nothing was cut from it yet"
    )


def _claim(lot: Lot, trial: Trial, portion_g: Decimal) -> Claim | None:
    """What this trial still takes of the lot, in portions of the usual mass; None when nothing."""
    is_draft = trial.state == Trial.State.DRAFT
    runs = trial.runs_of(trial.arms) if is_draft else trial.open_runs
    portions = trial.runs_on_each(runs)
    if trial.state == Trial.State.CLOSED or not portions:
        return None
    measured = trial.portions_from == Trial.PortionsFrom.MEASURED
    need = portions_need(lot.on_hand_g, portions, trial.portion_mass_g)
    return Claim(
        trial=trial,
        # Portions of another size are told in portions of the usual one, rounded up.
        portions=portions_in(need.needed_g, portion_g) if measured else portions,
        is_draft=is_draft,
        set_aside=not measured and not is_draft,
    )
