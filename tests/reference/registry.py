"""One door to every calculation that has an outside check value: a case's topic and inputs in, its outputs out.

Two registries stand behind it, one per app. Each maps a key to a function from a case's inputs to its outputs: a file whose
cases name their method is keyed by (topic, method), the other by (topic, names of the inputs).
"""

from collections.abc import Callable, Mapping

from tests.reference import material_cases, trial_cases

Solver = Callable[[dict], Mapping]

SOLVERS: dict[tuple, Solver] = {**material_cases.SOLVERS, **trial_cases.SOLVERS}


def solver_for(topic: str, inputs: Mapping, method: str | None = None) -> Solver | None:
    """The function that answers cases of this form; None when there is none."""
    if (topic, method) in SOLVERS:
        return SOLVERS[topic, method]
    return SOLVERS.get((topic, frozenset(inputs)))


def solve(topic: str, inputs: dict, method: str | None = None) -> Mapping:
    """What our code answers to a case. Raises LookupError for a form of case nobody solves."""
    solver = solver_for(topic, inputs, method)
    if solver is None:
        raise LookupError(f"No solver for topic {topic!r}, method {method!r}, inputs {sorted(inputs)}.")
    return solver(inputs)


def solved_topics() -> set[str]:
    """The topics at least one solver is registered for."""
    return {key[0] for key in SOLVERS}
