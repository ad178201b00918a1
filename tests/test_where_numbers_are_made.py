"""Masses, grades, gold, money and statistics are reckoned in `calc` and nowhere else.

Looked at are the layers between the books and the screen. Left alone is what makes no figure of the trade: joining texts, lists
and sets, stepping by one, counting with `len`, days between dates, bytes known beforehand, and a fraction times 100 for the
screen. A plus or minus between two names of which nothing tells that they are numbers passes too; `*`, `/`, `//`, `%` and `**`
never do. Charts are not looked at: places on paper are their trade.
"""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
LAYERS = ("views", "forms", "filters", "tables", "frames", "templatetags", "actions")
# What ends the name of a quantity: a unit, or a word that only a figure has.
QUANTITY = re.compile(
    r"(^|_)(g|mg|kg|lb|um|mm|cm|ml|l|per_\w+|share|ratio|mean|sd|grade|mass|gold|price|cost)$"
)
# What is called so is a path: / joins to it.
FOLDER = re.compile(r"(^|_)(folder|dir|path|backup)$", re.IGNORECASE)
# Functions that make a figure out of several.
REDUCES = {
    "fsum",
    "prod",
    "mean",
    "fmean",
    "median",
    "stdev",
    "variance",
    "pstdev",
    "quantiles",
    "sqrt",
    "log",
}
ALLOWED = {
    (
        "prospecting/forms/tags.py",
        "self.label_sheet.columns * self.label_sheet.rows",
    ): "labels on a sheet counted",
}


def name_of(node: ast.expr) -> str:
    """The last word of a name, an attribute, a call or a key; blank for anything else."""
    match node:
        case ast.Name(id=name) | ast.Attribute(attr=name):
            return name
        case ast.Call(func=called):
            return name_of(called)
        case ast.Subscript(slice=ast.Constant(value=str(key))):
            return key
    return ""


def is_joined(node: ast.expr) -> bool:
    """Whether a text, a list or a set: what + joins, * repeats and / makes a path of."""
    joins = (ast.JoinedStr, ast.List, ast.ListComp, ast.Tuple, ast.Set, ast.SetComp, ast.Dict)
    return (
        isinstance(node, joins)
        or (isinstance(node, ast.Constant) and isinstance(node.value, str))
        or (isinstance(node, ast.IfExp) and is_joined(node.body))
        or (isinstance(node, ast.BinOp) and (is_joined(node.left) or is_joined(node.right)))
    )


def is_known(node: ast.expr) -> bool:
    """Whether a number, a NAME IN CAPITALS, or made of these."""
    match node:
        case ast.Constant(value=int() | float()):
            return True
        case ast.Name(id=name):
            return name.isupper()
        case ast.UnaryOp(operand=inner):
            return is_known(inner)
        case ast.BinOp(left=left, right=right):
            return is_known(left) and is_known(right)
    return False


def is_quantity(node: ast.expr) -> bool:
    """Whether something tells that this is a figure: its name, a decimal, or that it was reckoned."""
    match node:
        case ast.Constant(value=float()) | ast.BinOp(op=ast.Mult() | ast.Div() | ast.Pow()):
            return True
        case ast.UnaryOp(operand=inner):
            return is_quantity(inner)
        case ast.BinOp(left=left, right=right):
            return is_quantity(left) or is_quantity(right)
        case ast.Call(args=[first, *_]) if name_of(node) in (
            "abs",
            "min",
            "max",
            "round",
            "float",
            "Decimal",
        ):
            return name_of(node) in ("float", "Decimal") or is_quantity(first)
    return bool(QUANTITY.search(name_of(node)))


def makes_figure(left: ast.expr, op: ast.operator, right: ast.expr) -> bool:
    sides = (left, right)
    if any(map(is_joined, sides)) or all(map(is_known, sides)):
        return False
    if isinstance(op, ast.Div) and FOLDER.search(name_of(left)):
        return False
    if isinstance(op, ast.Add | ast.Sub):
        return any(map(is_quantity, sides))
    if isinstance(op, ast.Mult):
        if any(isinstance(side, ast.Constant) and side.value == 100 for side in sides):
            return False
        if any(name_of(side) == "len" for side in sides):
            return any(map(is_quantity, sides))
    return isinstance(op, ast.Mult | ast.Div | ast.FloorDiv | ast.Mod | ast.Pow)


def adds_up(call: ast.Call) -> bool:
    """Whether a call makes one figure of several: a sum of quantities, a mean, a root."""
    name = name_of(call.func)
    if name in REDUCES:
        return isinstance(call.func, ast.Name) or name_of(call.func.value) in ("math", "statistics", "np")
    if name != "sum" or not isinstance(call.func, ast.Name):
        return False
    [summed, *_] = call.args
    return is_quantity(summed.elt if isinstance(summed, ast.GeneratorExp | ast.ListComp) else summed)


def figures_made(source: str) -> Iterator[tuple[int, str]]:
    """Line and text of every expression that makes a figure, the widest only."""
    inside: set[ast.AST] = set()
    for node in ast.walk(ast.parse(source)):
        match node:
            case ast.BinOp(left=left, op=op, right=right):
                found = makes_figure(left, op, right)
            case ast.AugAssign(target=left, op=op, value=right):
                found = makes_figure(left, op, right)
            case ast.Call():
                found = adds_up(node)
            case _:
                found = False
        if found and node not in inside:
            inside.update(ast.walk(node))
            yield node.lineno, ast.unparse(node)


def test_no_figure_is_made_outside_calc():
    found = []
    for app in ("prospecting", "trials"):
        for path in sorted(path for layer in LAYERS for path in (ROOT / app / layer).rglob("*.py")):
            short = path.relative_to(ROOT).as_posix()
            made = figures_made(path.read_text(encoding="utf-8"))
            found += [f"{short}:{line}: {text}" for line, text in made if (short, text) not in ALLOWED]
    assert not found, "give these a function with a name of the trade in calc:\n" + "\n".join(found)


def test_every_exception_is_still_needed():
    stale = [
        (path, text)
        for path, text in ALLOWED
        if text not in [made for _, made in figures_made((ROOT / path).read_text(encoding="utf-8"))]
    ]
    assert not stale


@pytest.mark.parametrize(
    "source",
    [
        "loss_g / drawn_g",
        "on_hand_g - runs * trial.portion_mass_g",
        "lot.on_hand_g -= draw.mass_g",
        "float(value) / 100",
        "1 - 0.05 / comparison.judged_together",
        "sum((draw['mass_g'] for draw in draws), Decimal(0))",
        "statistics.median(masses)",
        "values[0] / len(values)",
        "len(runs) * portion_g",
        "entry.mean - comparison.control_mean",
    ],
)
def test_sees_a_figure_made(source):
    assert len(list(figures_made(source))) == 1


@pytest.mark.parametrize(
    "source",
    [
        "rows += comparison.working.rows",
        "len(runs) - len(graded)",
        "settings.DATA_DIR / 'incoming' / name",
        "24 * 60 * 60",
        "[portion] * number",
        "f'{100 * level:g} %'",
        "today + datetime.timedelta(days=DAYS)",
        "sum(1 for line in lines if line.value <= 0)",
        "'read from ' + file_name",
        "MOST_RUNS + 1",
        "len(treatments) * trial.blocks_planned",
        "{row.tag for row in rows} - set(samples)",
    ],
)
def test_leaves_counting_and_joining_alone(source):
    assert not list(figures_made(source))
