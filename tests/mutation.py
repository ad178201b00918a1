"""Would the tests notice a slip in a formula? From the project's top folder, in its environment, with cosmic-ray 8.7 installed:

    python -m tests.mutation

Takes so many places of `calc/` at random (`--mutants 200`, `--seed 1`), spoils each in turn in a copy of the tree (a sign, a
comparison, a number, an `and`), runs the tests that import the module, and says which slips none of them noticed. Ends with 1
when fewer than 80 % were noticed. Some ten seconds a slip; `--only trials/calc/power` takes the modules whose paths begin so.
"""

import argparse
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path

ROOT = Path(__file__).parents[1]
WANTED = 0.80
# A test that hangs has noticed: so many times as long as the tests take without a slip, and a while for a busy machine.
HANGS, AND_SECONDS = 4, 120
# Besides those that import it: what holds all of `calc/` to laws, to outside values and to its own examples.
FURTHER = ("tests/laws", "tests/reference")
# Slips somebody might make. Left out: what only a typing error of another kind would do (another variable, a lost decorator), and
# signs between bits, which no formula here uses.
KINDS = (
    "ReplaceBinaryOperator_(Add|Sub|Mul|Div|FloorDiv|Mod|Pow)_(Add|Sub|Mul|Div|FloorDiv|Mod|Pow)",
    "ReplaceComparisonOperator_(Eq|NotEq|Lt|LtE|Gt|GtE)_(Eq|NotEq|Lt|LtE|Gt|GtE)",
    "ReplaceUnaryOperator_USub_UAdd",
    "ReplaceUnaryOperator_Delete_Not",
    "AddNot",
    "ReplaceTrueWithFalse",
    "ReplaceFalseWithTrue",
    "ReplaceAndWithOr",
    "ReplaceOrWithAnd",
    "ReplaceBreakWithContinue",
    "ReplaceContinueWithBreak",
    "NumberReplacer",
    "ZeroIterationForLoop",
)


def places(path: Path) -> list[list[tuple[str, int]]]:
    """The places of a module where a slip can be made, each with the slips (operator, occurrence) that can be made there."""
    from cosmic_ray.ast import ast_nodes, get_ast
    from cosmic_ray.plugins import get_operator, operator_names

    found = defaultdict(list)
    text = path.read_text()
    # Whether a row of values can be written to changes no figure.
    left_out = {number for number, line in enumerate(text.splitlines(), 1) if line.startswith("@dataclass")}
    nodes = list(ast_nodes(get_ast(text)))
    for name in operator_names():
        if not any(re.fullmatch(f"core/{kind}", name) for kind in KINDS):
            continue
        operator, occurrence = get_operator(name)(), 0
        for node in nodes:
            for position in operator.mutation_positions(node):
                if position[0][0] not in left_out:
                    found[position].append((name, occurrence))
                occurrence += 1
    return list(found.values())


def spoilt(path: Path, name: str, occurrence: int) -> str:
    from cosmic_ray.mutating import mutate_code
    from cosmic_ray.plugins import get_operator

    return mutate_code(path.read_text(), get_operator(name)(), occurrence)


def tests_of(module: str) -> list[str]:
    """The test files that import the module, its own first."""
    package, name = module.removesuffix(".py").replace("/", ".").rsplit(".", 1)
    says = re.compile(rf"{re.escape(package)}\.{name}\b|from {re.escape(package)} import [^\n]*\b{name}\b")
    own = f"tests/{module.rsplit('/', 1)[0]}/test_{name}.py"
    naming = [
        str(path.relative_to(ROOT))
        for path in sorted((ROOT / "tests").rglob("test_*.py"))
        if "browser" not in path.parts and "load" not in path.parts and says.search(path.read_text())
    ]
    return sorted(naming, key=lambda path: path != own)


def is_noticed(tree: Path, module: str, most_seconds: float | None) -> bool:
    files = [*tests_of(module), *FURTHER, "tests/test_calc_examples.py"]
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-c",
        "tests/pytest.ini",
        "--rootdir",
        ".",
        "-n",
        "0",
        "-x",
        "-q",
        *files,
    ]
    try:
        done = subprocess.run(command, cwd=tree, capture_output=True, timeout=most_seconds, check=False)
    except subprocess.TimeoutExpired:
        return True
    return done.returncode == 1 or b"error" in done.stdout.lower()[-400:]


def line_of(before: str, after: str) -> str:
    """The line that was spoilt, as it was and as it became."""
    number, (was, now) = next(
        (number, pair)
        for number, pair in enumerate(zip(before.splitlines(), after.splitlines(), strict=False), 1)
        if pair[0] != pair[1]
    )
    return f"{number}: {was.strip()}  ->  {now.strip()}"


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.mutation")
    parser.add_argument("--mutants", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="modules whose paths begin so")
    told = parser.parse_args()
    modules = [
        path
        for app in ("prospecting", "trials")
        for path in sorted((ROOT / app / "calc").glob("*.py"))
        if str(path.relative_to(ROOT)).startswith(told.only)
    ]
    every = [(path, slips) for path in modules for slips in places(path)]
    dice = random.Random(told.seed)
    drawn = dice.sample(every, min(told.mutants, len(every)))
    print(f"{len(every)} places in {len(modules)} modules; {len(drawn)} are spoilt.", flush=True)
    missed = 0
    with tempfile.TemporaryDirectory() as folder:
        tree = Path(folder) / "tree"
        left_out = shutil.ignore_patterns(
            ".git", ".venv", "__pycache__", ".pytest_cache", ".ruff_cache", "data"
        )
        shutil.copytree(ROOT, tree, ignore=left_out)
        began = time.monotonic()
        if drawn and is_noticed(tree, str(drawn[0][0].relative_to(ROOT)), None):
            print("The tests fail before anything is spoilt: mend that first.")
            return 2
        most_seconds = HANGS * (time.monotonic() - began) + AND_SECONDS
        for number, (path, slips) in enumerate(drawn, 1):
            module = str(path.relative_to(ROOT))
            name, occurrence = dice.choice(slips)
            before, after = path.read_text(), spoilt(path, name, occurrence)
            (tree / module).write_text(after)
            if not is_noticed(tree, module, most_seconds):
                missed += 1
                print(f"{number}: NOT NOTICED {module}:{line_of(before, after)}", flush=True)
            (tree / module).write_text(before)
    share = 1 - missed / len(drawn)
    print(f"{len(drawn) - missed} of {len(drawn)} noticed, {100 * share:.0f} %.")
    return 0 if share >= WANTED else 1


if __name__ == "__main__":
    sys.exit(main())
