"""The books of trials gone through anew: plans that are whole, runs that agree with the steps they drew by."""

from collections import Counter, defaultdict
from collections.abc import Iterator

from prospecting.calc import mass_balance
from prospecting.frames.books import Fault
from prospecting.models import Draw, Step
from trials.models import PlannedRun, Run, Trial


def faults_of_plans() -> Iterator[Fault]:
    """Fixed plans in which a treatment is missing from a block, stands there twice, or the control is not one."""
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
        if set(places) != wanted or any(number > 1 for number in places.values()):
            yield Fault(where, "not every block of its plan holds every treatment once.")
        orders = sorted(order for *_, order in planned[trial.pk])
        if orders != list(range(1, len(orders) + 1)) or len(blocks) != trial.blocks_planned:
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
