"""Trials and runs as the API tells them. Of an open block it knows no treatment: the key is not even read.

In a bridging trial the lot is the key, so an open block's runs tell no lot there, nor are found by one.
"""

from django.db.models import Case, Exists, F, OuterRef, Prefetch, QuerySet, Value, When

from prospecting.api.kinds import CODE, DAY, DECIMAL, ID, MOMENT, TEXT, WHOLE, YES_NO, Kind, list_of, one_of
from prospecting.api.listing import Filter, Listing, same
from prospecting.api.material import RECORDED_AT, since
from prospecting.api.records import Field, Record, parts_of
from prospecting.calc.number_words import as_written
from prospecting.models import Origin
from trials.models import ColourCount, PlannedRun, Run, Treatment, Trial


def _hides_lot(planned: PlannedRun) -> bool:
    return planned.trial.is_bridge and planned.block.closed_at is None


DOSE = Record(
    "Dose",
    "So much of one additive in the water.",
    (
        Field("additive", TEXT, "The additive.", lambda dose: dose.additive),
        Field("ml_per_l", DECIMAL, "mL of product per litre of water."),
        Field("typed", TEXT, "As typed."),
    ),
)
TREATMENT = Record(
    "Treatment",
    "What is done to a portion. One treatment of a trial is the one the others are compared with.",
    (
        Field("name", TEXT, "What it is called."),
        Field("is_control", YES_NO, "The one the others are compared with."),
        Field("technique", TEXT, "Technique or gear."),
        Field("doses", parts_of(DOSE), "What is put into the water.", lambda it: it.doses.all()),
    ),
)
PLANNED_RUN = Record(
    "PlannedRun",
    "One line of a plan. Its treatment is told once its block is closed.",
    (
        Field("run_order", WHOLE, "Its place in the order drawn by lot."),
        Field("block", WHOLE, "Its block.", lambda planned: planned.block.number),
        Field("blind_code", CODE, "The code on its tub."),
        Field(
            "portion",
            CODE,
            "Code of the portion cut for it. Null where it is measured at the run, or would tell the key.",
            lambda planned: planned.portion.code if planned.portion and not _hides_lot(planned) else None,
            may_be_null=True,
        ),
        Field(
            "treatment",
            TEXT,
            "Its treatment; null until its block is closed.",
            lambda planned: planned.told,
            may_be_null=True,
        ),
        Field(
            "run",
            ID,
            "Number of its run; null until it is logged.",
            lambda planned: planned.logged,
            may_be_null=True,
        ),
    ),
)
TRIAL_FIELDS = (
    Field("id", ID, "Number of the trial."),
    Field("question", TEXT, "What it asks."),
    Field("state", one_of(Trial.State), "How far it is."),
    Field("outcome", one_of(Trial.Outcome), "What it is judged by."),
    Field("design", one_of(Trial.Design), "How the order of its runs was drawn."),
    Field("lot", CODE, "Code of the lot its portions come from.", lambda trial: trial.feed_lot.code),
    Field(
        "new_lot",
        CODE,
        "Only of a bridging trial: code of the lot that is to take over.",
        lambda trial: trial.new_lot and trial.new_lot.code,
        may_be_null=True,
    ),
    Field(
        "blocks",
        WHOLE,
        "Blocks planned; of a trial without blocks, runs of each treatment.",
        lambda trial: trial.blocks_planned,
    ),
    Field("smallest_ratio", DECIMAL, "Smallest gain that matters, as a ratio to the control."),
    Field("portion_g", DECIMAL, "Mass of one portion, g.", lambda trial: trial.portion_mass_g),
    Field("portions_from", one_of(Trial.PortionsFrom), "Cut beforehand, or measured at each run."),
    Field("water_ml", DECIMAL, "Water in a tub, mL."),
    Field("soak_min", DECIMAL, "Soak, minutes."),
    Field("scale_step_mg", DECIMAL, "Smallest step of the scale, mg.", may_be_null=True),
    Field("runs_planned", WHOLE, "Runs in its plan.", lambda trial: trial.planned),
    Field("runs_logged", WHOLE, "Runs that are in, failed ones too.", lambda trial: trial.logged),
    Field(
        "is_typed_in_afterwards",
        YES_NO,
        "It was not planned or drawn on this site.",
        lambda trial: trial.typed_in_afterwards,
    ),
    Field("note", TEXT, "Note."),
    Field("planned_at", MOMENT, "When its plan was fixed.", may_be_null=True),
    Field("closed_at", MOMENT, "When it was closed.", may_be_null=True),
    Field("close_reason", TEXT, "Why it was closed before the plan was done."),
    Field("recorded_at", MOMENT, RECORDED_AT),
)


def _trials() -> QuerySet:
    return Trial.objects.for_list().select_related("new_lot")


def _with_plan() -> QuerySet:
    """Trials with their plan and, from closed blocks only, with treatments."""
    plan = (
        PlannedRun.objects.defer("treatment")
        .select_related("block", "portion")
        .annotate(
            told=_when_closed("block", "treatment__name"),
            logged=F("run__pk"),
        )
        .order_by("run_order")
    )
    shown = Treatment.objects.filter(
        Exists(PlannedRun.objects.filter(treatment=OuterRef("pk"), block__closed_at__isnull=False))
    ).prefetch_related("doses__additive")
    return _trials().prefetch_related(
        Prefetch("planned_runs", plan, to_attr="plan"), Prefetch("treatments", shown, to_attr="shown")
    )


def _when_closed(block: str, column: str) -> Case:
    return Case(When(**{f"{block}__closed_at__isnull": False}, then=F(column)), default=Value(None))


TRIALS = Listing(
    name="trials",
    one="trial",
    says="Questions put to equal portions of one lot.",
    record=Record("Trial", "A trial without its plan: how the list tells it.", TRIAL_FIELDS),
    rows=_trials,
    whole=Record(
        "TrialWithPlan",
        "A trial with its plan. What is hidden from the panner is hidden here, whoever asks.",
        (
            *TRIAL_FIELDS,
            Field(
                "treatments",
                parts_of(TREATMENT),
                "What was compared; told once a block is closed, empty before.",
                lambda trial: trial.shown,
            ),
            Field("plan", parts_of(PLANNED_RUN), "Its runs in order.", lambda trial: trial.plan),
        ),
    ),
    whole_rows=_with_plan,
    filters=(
        Filter("state", one_of(Trial.State), "Only trials in this state.", same("state")),
        Filter("lot", CODE, "Only trials of the lot with this code.", same("feed_lot__code")),
        since("recorded_at"),
    ),
)


@as_written()
def _size_in_words(size: ColourCount.SizeClass) -> str:
    return str(size.label)


# Of one size class, as the run page takes it.
MOST_COLOURS = 9999
COLOURS = Kind(
    {
        "type": "object",
        "properties": {
            size.value: WHOLE.schema | {"maximum": MOST_COLOURS, "description": _size_in_words(size)}
            for size in ColourCount.SizeClass
        },
        "additionalProperties": False,
    },
    f"counts by size: {', '.join(ColourCount.SizeClass.values)}",
    lambda counts: {each.size_class: each.count for each in counts},
    lambda value: _read_colours(value),
)


def _read_colours(value) -> dict[str, int]:
    if not isinstance(value, dict) or value.keys() - set(ColourCount.SizeClass.values):
        raise ValueError(f"Give counts by size: {', '.join(ColourCount.SizeClass.values)}.")
    counts = {size: WHOLE.read(count) for size, count in value.items()}
    if any(count > MOST_COLOURS for count in counts.values()):
        raise ValueError(f"A count is a whole number from 0 to {MOST_COLOURS}.")
    return counts


def _of_plan(name: str):
    return lambda run: getattr(run.planned, name) if run.planned_id else None


RUN = Record(
    "Run",
    "One measured portion panned once: of a trial, or alone (a test pan).",
    (
        Field("id", ID, "Number of the run."),
        Field(
            "trial", ID, "Number of its trial; null for a test pan.", _of_plan("trial_id"), may_be_null=True
        ),
        Field(
            "blind_code",
            CODE,
            "Its code in the trial's plan; null for a test pan.",
            _of_plan("blind_code"),
            may_be_null=True,
        ),
        Field(
            "block",
            WHOLE,
            "Its block; null for a test pan.",
            lambda run: run.planned.block.number if run.planned_id else None,
            may_be_null=True,
        ),
        Field(
            "is_key_hidden",
            YES_NO,
            "Its block is open: nobody is told its treatment yet.",
            lambda run: run.key_hidden,
        ),
        Field(
            "treatment",
            TEXT,
            "Its treatment; null for a test pan, and until its block is closed.",
            lambda run: run.told,
            may_be_null=True,
        ),
        Field(
            "lot",
            CODE,
            "Code of the lot it drew from; null where that would tell the key.",
            lambda run: None if run.lot_hidden else run.lot.code,
            may_be_null=True,
        ),
        Field("portion_g", DECIMAL, "Mass put through, g.", lambda run: run.portion_mass_g),
        Field("panned_on", DAY, "Day it was panned."),
        Field("panner", TEXT, "Who panned.", lambda run: run.panner),
        Field("gold_mg", DECIMAL, "Gold, mg: mean of the weighings less the dish.", may_be_null=True),
        Field(
            "weighings_mg",
            list_of(DECIMAL),
            "What the scale showed each time, mg.",
            lambda run: [weighing.reading_mg for weighing in run.weighings.all()],
        ),
        Field("tare_mg", DECIMAL, "The empty dish, mg.", may_be_null=True),
        Field(
            "is_below_scale",
            YES_NO,
            "Nothing showed: less than one step of the scale, not nought.",
            lambda run: run.below_scale,
        ),
        Field("scale_step_mg", DECIMAL, "Smallest step of the scale, mg.", may_be_null=True),
        Field(
            "colours",
            COLOURS,
            "Visible gold grains counted; null where none were looked for.",
            lambda run: run.colours.all() or None,
            may_be_null=True,
        ),
        Field("is_failed", YES_NO, "It went wrong and does not count.", lambda run: run.failed),
        Field("fail_kind", TEXT, "How: spilled, mixed_up, other; else empty."),
        Field("fail_reason", TEXT, "What happened."),
        Field("is_void", YES_NO, "Taken back: it counts no longer."),
        Field("began_at", MOMENT, "When it began, by the clock of what timed it.", may_be_null=True),
        Field("ended_at", MOMENT, "When it ended, by the same clock.", may_be_null=True),
        Field("soak_min", DECIMAL, "Soak, minutes.", may_be_null=True),
        Field("pan_min", DECIMAL, "Panning, minutes.", may_be_null=True),
        Field("pan", TEXT, "Pan or gear."),
        Field("water", TEXT, "Where the water is from."),
        Field("water_batch", TEXT, "The water's name or barrel."),
        Field("water_uses", WHOLE, "How often the water was used before.", may_be_null=True),
        Field("water_temp_c", DECIMAL, "Temperature of the water, °C.", may_be_null=True),
        Field(
            "water_hardness_mg_per_l",
            DECIMAL,
            "Hardness of the water, mg/L as calcium carbonate.",
            may_be_null=True,
        ),
        Field("light", TEXT, "sun, shade or lamp; empty where not said."),
        Field("note", TEXT, "Note."),
        Field("recorded_by", TEXT, "Who recorded it.", lambda run: run.recorded_by),
        Field("recorded_at", MOMENT, RECORDED_AT),
    ),
)


def _runs() -> QuerySet:
    return (
        Run.objects.for_list()
        .select_related("recorded_by")
        .prefetch_related("weighings")
        .annotate(told=_when_closed("planned__block", "planned__treatment__name"))
    )


def _told_lots(runs: QuerySet) -> QuerySet:
    return runs.exclude(pk__in=Run.objects.blind_bridges().values("pk"))


def _of_lot(runs: QuerySet, code: str) -> QuerySet:
    return _told_lots(runs).filter(lot__code=code)


def _of_zone(runs: QuerySet, zone: int) -> QuerySet:
    held = Origin.objects.filter(lot=OuterRef("lot_id"), dig__zone_id=zone)
    return _told_lots(runs).filter(Exists(held))


RUNS = Listing(
    name="runs",
    one="run",
    says="Pans: of trials, and test pans.",
    record=RUN,
    rows=_runs,
    filters=(
        Filter("trial", ID, "Only runs of the trial with this number.", same("planned__trial_id")),
        Filter("lot", CODE, "Only runs that drew from the lot with this code.", _of_lot),
        Filter("zone", ID, "Only runs of lots that hold material of this zone.", _of_zone),
        since("recorded_at"),
    ),
)
