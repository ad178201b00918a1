"""Every outside check value in fixtures/reference/ comes out of our own functions; each case names its source."""

import json
import math
from pathlib import Path

import pytest

from tests.reference.registry import solve, solved_topics

FILES = sorted((Path(__file__).parents[2] / "fixtures" / "reference").glob("*.json"))
# An expected 0 has no relative tolerance.
FLOOR = 1e-9
# The files print 12 significant digits, which alone is off by up to this much: no closer than this can be asked.
PRINTED = 5e-12
# Topics of the files that nothing in the site computes yet. A topic leaves this set with its first solver, and then every
# case of it must come out.
NOT_YET_SOLVED: set[str] = set()
# Same topic and inputs as i10, yet another outcome is called "reynolds": that of Stokes's law where it no longer holds. The
# file names no method, so no answer to topic and inputs alone can meet both.
METHOD_TOLD_HERE = {"i09": "stokes"}


def cases_on_file() -> list[dict]:
    cases = []
    for path in FILES:
        content = json.loads(path.read_text())
        cases.extend(content["cases"] if isinstance(content, dict) else content)
    return cases


CASES = cases_on_file()
SOLVED = [case for case in CASES if case["topic"] in solved_topics()]


def differences(
    found, expected, *, rel_tol: float | None, abs_tol: float | None, where: str = ""
) -> list[str]:
    """Where what came out differs from what was expected: lists by element, counts and words exactly, floats within tolerance."""
    tolerances = {"rel_tol": rel_tol, "abs_tol": abs_tol}
    if isinstance(expected, dict):
        lost = [f"{where}.{name} is missing" for name in expected if name not in found]
        inner = (
            differences(found[name], value, where=f"{where}.{name}", **tolerances)
            for name, value in expected.items()
            if name in found
        )
        return lost + [line for lines in inner for line in lines]
    if isinstance(expected, list):
        found = list(found)
        if len(found) != len(expected):
            return [f"{where} has {len(found)} entries, not {len(expected)}"]
        inner = (
            differences(f, e, where=f"{where}[{i}]", **tolerances)
            for i, (f, e) in enumerate(zip(found, expected, strict=True))
        )
        return [line for lines in inner for line in lines]
    if isinstance(expected, float) and found is not None and not isinstance(found, str | bool):
        is_close = math.isclose(
            float(found),
            expected,
            rel_tol=max(rel_tol, PRINTED) if rel_tol else 0,
            abs_tol=abs_tol or (0 if expected else FLOOR),
        )
        return [] if is_close else [f"{where} is {float(found)!r}, not {expected!r}"]
    same = found == expected and isinstance(found, bool) == isinstance(expected, bool)
    return [] if same else [f"{where} is {found!r}, not {expected!r}"]


@pytest.mark.parametrize("case", SOLVED, ids=[case["id"] for case in SOLVED])
def test_comes_out_as_published(case: dict):
    found = solve(case["topic"], case["inputs"], case.get("method") or METHOD_TOLD_HERE.get(case["id"]))
    off = differences(found, case["expected"], rel_tol=case.get("rel_tol"), abs_tol=case.get("abs_tol"))
    assert off == [], f"{case['what']} (source: {case['source']})"


def test_says_which_topics_are_not_solved_yet():
    assert {case["topic"] for case in CASES} - solved_topics() == NOT_YET_SOLVED


def test_every_case_names_its_source_and_a_tolerance():
    assert CASES
    assert [case["id"] for case in CASES if not case.get("source") or not case.get("obtained")] == []
    assert [case["id"] for case in CASES if "rel_tol" not in case and "abs_tol" not in case] == []


def test_refuses_a_form_of_case_nobody_solves():
    with pytest.raises(LookupError, match="weight_of_hope"):
        solve("units", {"weight_of_hope": 1})


@pytest.mark.parametrize(
    ("found", "expected"),
    [
        (1.01, 1.0),
        (1e-8, 0.0),
        (math.nan, 1.0),
        (None, 1.0),
        (True, 1),
        (1, True),
        (3, 2),
        ("better", "worse"),
        ([1.0], [1.0, 2.0]),
        ([1.0, 2.1], [1.0, 2.0]),
        ({"a": 1.0}, {"a": 1.0, "b": 2.0}),
        ({"a": {"b": [0, 1]}}, {"a": {"b": [1, 1]}}),
    ],
)
def test_the_comparison_sees_a_difference(found, expected):
    assert differences(found, expected, rel_tol=1e-6, abs_tol=None) != []


def test_the_comparison_lets_equal_within_tolerance_pass():
    expected = {"a": 1.0, "b": [2, True, "x"], "c": 0.0, "d": None}
    found = {"a": 1.0 + 1e-9, "b": [2, True, "x"], "c": 1e-10, "d": None, "more": 5}
    assert differences(found, expected, rel_tol=1e-6, abs_tol=None) == []
