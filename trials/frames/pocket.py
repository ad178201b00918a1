"""What the runner's pages keep on the phone: plain rows, small, and nothing that pairs a code with its treatment."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import chain

from django.db.models import Count, prefetch_related_objects
from django.urls import reverse

from prospecting.calc import units
from prospecting.calc.language import phrase, to_phrase
from prospecting.models import Draw, HeldEntry, Lot, Member
from prospecting.models.lots import LotQuerySet
from trials.models import Block, ClearingTest, PlannedRun, Treatment, Trial

# Pages have to stay small enough for a weak signal and an old phone.
MOST_LOTS, LATEST_DRAWS, MOST_TRIALS, MOST_CLEARING = 300, 100, 20, 20
USUAL_MEASURES = (
    (to_phrase("1 drop"), "drop"),
    (to_phrase("1 teaspoon (US)"), "tsp"),
    (to_phrase("1 tablespoon (US)"), "tbsp"),
    (to_phrase("1 fluid ounce (US)"), "fl_oz"),
    (to_phrase("1 cup (US)"), "cup"),
    (to_phrase("1 quart (US)"), "quart"),
    (to_phrase("1 gallon (US)"), "gal"),
    (to_phrase("1 gallon (imperial)"), "imp_gal"),
)
KINDS = dict(Lot.Kind.choices)
COUNTED_IN_DROPS = ("drop", "tsp", "tbsp")


@dataclass(frozen=True)
class PocketTrial:
    """A trial as the panner may know it: its blocks, and its open runs by their codes.

    `open_runs` are neither logged nor held for the keeper, in the planned order.
    """

    trial: Trial
    blocks: Sequence[Block]
    open_runs: Sequence[PlannedRun]

    @property
    def planned(self) -> int:
        return sum(block.planned for block in self.blocks)

    @property
    def logged(self) -> int:
        return sum(block.logged for block in self.blocks)

    @property
    def open_blocks(self) -> list[Block]:
        """Blocks with a portion left to pan."""
        left = {planned.block_id for planned in self.open_runs}
        return [block for block in self.blocks if block.pk in left]

    @property
    def full_blocks(self) -> list[Block]:
        """Blocks whose runs are all in and whose key is still hidden."""
        return [block for block in self.blocks if block.closed_at is None and block.planned == block.logged]

    @property
    def portions_are_cut(self) -> bool:
        return self.trial.portions_from == Trial.PortionsFrom.CUT

    def chosen(self, *, code: str = "", block: str = "") -> PlannedRun | None:
        """The open run with this code, else the next one of this block, else the next one at all."""
        by_code = (planned for planned in self.open_runs if planned.blind_code == code.upper())
        of_block = (planned for planned in self.open_runs if str(planned.block.number) == block)
        return next(chain(by_code, of_block, self.open_runs), None)

    def beside(self, chosen: PlannedRun) -> list[PlannedRun]:
        """The other open runs of the same block."""
        return [
            planned
            for planned in self.open_runs
            if planned.block_id == chosen.block_id and planned.pk != chosen.pk
        ]

    def kept(self, made: str) -> dict:
        """What the page's script needs, and all it may know; `made` says when the page was made."""
        return {
            "trial": self.trial.pk,
            "question": self.trial.question,
            "made": made,
            "page": reverse("pocket-trial", args=[self.trial.pk]),
            "log": reverse("run-log", args=[self.trial.pk, "CODE"]).removesuffix("CODE/"),
            "blocks": [
                {"number": block.number, "planned": block.planned, "logged": block.logged}
                for block in self.open_blocks
            ],
            "runs": [self._kept_run(planned) for planned in self.open_runs],
        }

    def _kept_run(self, planned: PlannedRun) -> dict:
        run = {"code": planned.blind_code, "order": planned.run_order, "block": planned.block.number}
        # In a bridging trial the lot of a portion is its treatment.
        if planned.portion is not None and not self.trial.is_bridge:
            run |= {
                "portion": planned.portion.code,
                "number": planned.portion.portion_number,
                "mass": planned.portion.mass_typed,
            }
        return run


def kept_trials() -> list[Trial]:
    """The running trials a phone keeps: the newest."""
    running = Trial.objects.filter(state=Trial.State.RUNNING).select_related("feed_lot")
    return list(running.order_by("-pk")[:MOST_TRIALS])


def running_trials() -> list[PocketTrial]:
    """The kept trials with their blocks, for the list; two queries."""
    trials = kept_trials()
    blocks: dict[int, list[Block]] = {}
    for block in _blocks_of(trials):
        blocks.setdefault(block.trial_id, []).append(block)
    return [PocketTrial(trial, blocks.get(trial.pk, []), []) for trial in trials]


def addresses_that_come_and_go() -> list[str]:
    """Pages of what is running just now: trials, rows of pans to be judged, tubs to be read; three queries."""
    running = kept_trials()
    judged = Block.objects.filter(
        closed_at__isnull=True,
        trial__in=[trial.pk for trial in running if trial.outcome == Trial.Outcome.PLACES],
    )
    return [
        *(reverse("pocket-trial", args=[trial.pk]) for trial in running),
        *(reverse("block-judge", args=place) for place in judged.values_list("trial", "number")),
        *(test.get_tubs_url() for test in ClearingTest.objects.running()[:MOST_CLEARING]),
    ]


def trial_for_phone(trial: Trial) -> PocketTrial:
    held = set(_held_codes(trial))
    open_runs = [planned for planned in trial.planned_runs.open().blind() if planned.blind_code not in held]
    return PocketTrial(trial, list(_blocks_of([trial])), open_runs)


def _blocks_of(trials: Iterable[Trial]):
    """The blocks of these trials, each with how many runs are `planned` and `logged`."""
    counted = Block.objects.filter(trial__in=trials).annotate(
        planned=Count("planned_runs"), logged=Count("planned_runs__run")
    )
    # Grouping drops the model's own order.
    return counted.order_by("number")


def _held_codes(trial: Trial) -> Iterable[str]:
    """The codes whose run was panned and waits for the keeper: nobody is to pan them again."""
    log = reverse("run-log", args=[trial.pk, "CODE"]).removesuffix("CODE/")
    paths = HeldEntry.objects.filter(outcome="", form_path__startswith=log).values_list(
        "form_path", flat=True
    )
    return (path.removeprefix(log).partition("/")[0].upper() for path in paths)


def lots_for_phone(member: Member) -> list[dict]:
    """The newest lots in stock, and older ones of running trials or drawn from lately, in this member's unit; four queries."""
    lots = list(_in_stock()[:MOST_LOTS])
    if len(lots) == MOST_LOTS:
        lots += _older_in_use({lot["pk"] for lot in lots})
    return [
        {
            "code": lot["code"],
            "kind": str(KINDS[lot["kind"]]),
            "title": lot["title"],
            "stripe": lot["stripe"],
            "place": lot["place"],
            "holds": units.format_mass(lot["on_hand_g"], member.mass_unit),
        }
        for lot in lots
    ]


def _in_stock() -> LotQuerySet:
    """Newest first, as plain rows: there are hundreds on each of these pages."""
    names = ("pk", "code", "kind", "title", "stripe", "place", "on_hand_g")
    return Lot.objects.in_stock().order_by("-pk").values(*names)


def _older_in_use(newest: set[int]) -> list[dict]:
    """Lots in stock besides these that the day is likely to need: a test lot is older than the portions cut from it."""
    running = Trial.objects.filter(state=Trial.State.RUNNING).order_by("-pk")[:MOST_TRIALS]
    feeds = chain.from_iterable(running.values_list("feed_lot", "new_lot"))
    drawn = Draw.objects.order_by("-pk").values_list("lot", flat=True)[:LATEST_DRAWS]
    return list(_in_stock().filter(pk__in={*feeds, *drawn} - {None, *newest}))


@dataclass(frozen=True)
class Recipe:
    """A treatment and what goes into one of the trial's tubs: (additive, dose as typed, amount to pour)."""

    treatment: Treatment
    pours: list[tuple[str, str, str]]


@dataclass(frozen=True)
class DoseTable:
    trial: Trial
    recipes: list[Recipe]


def dose_tables() -> list[DoseTable]:
    """The treatments of the kept trials; a bridging trial has none, its tubs hold plain water."""
    trials = [trial for trial in kept_trials() if not trial.is_bridge]
    prefetch_related_objects(trials, "treatments__doses__additive")
    return [
        DoseTable(trial, [_recipe(treatment, trial) for treatment in trial.treatments.all()])
        for trial in trials
    ]


def _recipe(treatment: Treatment, trial: Trial) -> Recipe:
    return Recipe(
        treatment,
        [
            (
                dose.additive.name,
                dose.typed,
                units.tub_amounts(dose.ml_per_l, trial.water_ml).as_poured(),
            )
            for dose in treatment.doses.all()
        ],
    )


def usual_measures() -> list[dict]:
    """What a spoon or a gallon holds, in mL, and what a spoon holds in drops of 0.05 mL."""
    return [
        {
            "name": phrase(name),
            "ml": units.convert_volume(1, unit, "mL"),
            "drops": units.convert_volume(1, unit, "drop") if unit in COUNTED_IN_DROPS else None,
        }
        for name, unit in USUAL_MEASURES
    ]
