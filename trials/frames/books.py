"""The books of trials gone through anew: plans that are whole, runs that agree with the steps they drew by."""

from collections import Counter, defaultdict
from collections.abc import Iterator

from prospecting.calc import mass_balance
from prospecting.calc.weighing import weighed_gold_mg
from prospecting.frames.books import Fault
from prospecting.models import Draw, Step
from trials.calc.judging import in_steps
from trials.models import Judging, PlannedRun, Run, Trial, Weighing


def faults_of_plans() -> Iterator[Fault]:
    """Fixed plans in which a block holds a treatment too seldom or too often, or the control is not one."""
    treatments: dict[int, list[tuple[int, bool]]] = defaultdict(list)
    planned: dict[int, list[tuple[int, int, int]]] = defaultdict(list)
    fixed = Trial.objects.exclude(state=Trial.State.DRAFT)
    for trial_id, pk, is_control in fixed.values_list(
        "pk", "treatments__pk", "treatments__is_control"
    ).iterator():
        treatments[trial_id].append((pk, is_control))
    lines = PlannedRun.objects.values_list("trial_id", "block_id", "treatment_id", "run_order")
    for trial_id, block_id, treatment_id, run_order in lines.iterator():
        planned[trial_id].append((block_id, treatment_id, run_order))
    for trial in fixed.order_by("pk").iterator():
        where = f"Trial {trial.pk} ({trial.question})"
        names = {pk for pk, _ in treatments[trial.pk]}
        if sum(is_control for _, is_control in treatments[trial.pk]) != 1:
            yield Fault(where, "it does not have one control.")
        places = Counter((block, treatment) for block, treatment, _ in planned[trial.pk])
        blocks = {block for block, _ in places}
        wanted = {(block, treatment) for block in blocks for treatment in names}
        each = 1 if trial.in_blocks else trial.blocks_planned
        if set(places) != wanted or any(number != each for number in places.values()):
            often = "once" if trial.in_blocks else f"{each} times"
            yield Fault(where, f"not every block of its plan holds every treatment {often}.")
        orders = sorted(order for *_, order in planned[trial.pk])
        if orders != list(range(1, len(orders) + 1)) or len(blocks) != trial.blocks_drawn:
            yield Fault(where, "its plan does not hold the runs it was fixed with.")


def faults_of_runs() -> Iterator[Fault]:
    """Runs whose portion is not what their step drew, whose step is no recovery, or that used another portion than planned."""
    drawn: dict[int, list[tuple[int, object]]] = defaultdict(list)
    for step_id, lot_id, mass_g in (
        Draw.objects.filter(step__run__isnull=False).values_list("step_id", "lot_id", "mass_g").iterator()
    ):
        drawn[step_id].append((lot_id, mass_g))
    runs = Run.objects.select_related("step", "planned")
    for run in runs.order_by("pk").iterator():
        where = f"Run {run.pk}"
        taken = drawn.pop(run.step_id, [])
        if run.step.kind != Step.Kind.RECOVER:
            yield Fault(where, "its step is no recovery.")
        if [lot for lot, _ in taken] != [run.lot_id]:
            yield Fault(where, "its step took from another lot than the one it names.")
        elif mass_balance.total_mass_g(mass_g for _, mass_g in taken) != run.portion_mass_g:
            yield Fault(
                where, f"it names a portion of {run.portion_mass_g} g, and its step took another mass."
            )
        if run.planned_id and run.planned.portion_id not in (None, run.lot_id):
            yield Fault(where, "it used another portion than the one planned for it.")


def faults_of_weighings() -> Iterator[Fault]:
    """Runs whose gold is not the mean of their weighings less the dish."""
    readings: dict[int, list] = defaultdict(list)
    for run_id, reading_mg in Weighing.objects.values_list("run_id", "reading_mg").iterator():
        readings[run_id].append(reading_mg)
    # A run logged before its weighings were kept one by one has none, and nothing to add up.
    runs = Run.objects.filter(weighings__isnull=False).distinct().order_by("pk")
    for pk, gold_mg, tare_mg in runs.values_list("pk", "gold_mg", "tare_mg").iterator():
        try:
            weighed_mg = weighed_gold_mg(readings[pk], tare_mg)
        except ValueError:
            yield Fault(f"Run {pk}", "its weighings do not outweigh its dish.")
            continue
        if weighed_mg != gold_mg:
            said = "no gold by weight" if gold_mg is None else f"{gold_mg} mg of gold"
            yield Fault(f"Run {pk}", f"it names {said}, and its weighings make {weighed_mg} mg.")


def faults_of_judgings() -> Iterator[Fault]:
    """Judgings that hold a pan of another row, or places with a gap, which no form can have sent."""
    judgings = Judging.objects.order_by("pk").prefetch_related("places__planned")
    for judging in judgings.iterator(chunk_size=500):
        where = f"Judging {judging.pk} of block {judging.block_id}"
        pans = list(judging.places.all())
        if any(pan.planned.block_id != judging.block_id for pan in pans):
            yield Fault(where, "it places a pan of another block.")
        places = {pan.planned_id: pan.place for pan in pans}
        if in_steps(places) != places:
            yield Fault(where, "its places have a gap.")
