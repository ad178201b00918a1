"""Ready for another language: every word of every page is said by the catalogue, and nothing is said before a reader is known.

The pages are walked with a catalogue that sets each sentence in brackets (tests/pseudo_language.py): what stands outside was said
past it.
"""

import ast
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
# Says what was marked: its first argument is looked up, so the catalogue must hold it.
SAYS = {"phrase": 1, "phrase_counted": 2, "count_phrase": 2, "to_phrase": 1, "gettext_lazy": 1}
# These say at once: never while a module is being read, when no reader is known.
AT_ONCE = {"phrase", "phrase_counted", "count_phrase"}
OWN = {
    "prospecting/calc/language.py",
    "prospecting/calc/number_words.py",
    "prospecting/templatetags/words.py",
}

Faults = Iterator[str]


def faults_in(name: str, source: str) -> Faults:
    """Where a sentence is no plain text, or is said while the module is being read."""
    tree = ast.parse(source)
    for call, inside in _calls(tree, False):
        called = call.func.id if isinstance(call.func, ast.Name) else ""
        if called not in SAYS:
            continue
        for argument in call.args[: SAYS[called]]:
            plain = isinstance(argument, ast.Constant) and isinstance(argument.value, str)
            # What was marked by to_phrase is said by a name, an attribute, a key, or a choice between these.
            kept = called == "phrase" and isinstance(
                argument, ast.Name | ast.Attribute | ast.Subscript | ast.IfExp | ast.Call
            )
            if not plain and not kept:
                yield f"{name}:{call.lineno}: {called}() of what is no plain text"
        if called in AT_ONCE and not inside:
            yield f"{name}:{call.lineno}: {called}() while the module is being read"


def _calls(node: ast.AST, inside: bool) -> Iterator[tuple[ast.Call, bool]]:
    if isinstance(node, ast.Call):
        yield node, inside
    if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
        defaults = [
            *node.args.defaults,
            *filter(None, node.args.kw_defaults),
            *getattr(node, "decorator_list", []),
        ]
        for each in defaults:
            yield from _calls(each, inside)
        for each in node.body if isinstance(node.body, list) else [node.body]:
            yield from _calls(each, True)
        return
    for child in ast.iter_child_nodes(node):
        yield from _calls(child, inside)


def test_every_sentence_is_plain_text_and_said_only_once_there_is_a_reader():
    found = []
    for app in ("prospecting", "trials"):
        for path in sorted((ROOT / app).rglob("*.py")):
            name = path.relative_to(ROOT).as_posix()
            if name not in OWN:
                found += faults_in(name, path.read_text())
    assert found == []


@pytest.mark.parametrize(
    ("source", "fault"),
    [
        ("X = phrase('Dry it.')", "while the module"),
        ("class A:\n    label = phrase('Dry it.')", "while the module"),
        ("def f(x=phrase('Dry it.')):\n    pass", "while the module"),
        ("def f(lot):\n    return phrase(f'Dry {lot}.')", "no plain text"),
        ("def f(n):\n    return phrase_counted('one', MANY, n)", "no plain text"),
        ("LABEL = gettext_lazy('Dry ' + what)", "no plain text"),
    ],
)
def test_the_reading_of_sources_finds(source, fault):
    assert fault in " ".join(faults_in("x.py", source))


def test_no_sentence_is_said_inside_an_f_string():
    """The catalogue is read from the source by a library that sees no call within an f-string on Python 3.11."""
    found = []
    for app in ("prospecting", "trials"):
        for path in sorted((ROOT / app).rglob("*.py")):
            for text in ast.walk(ast.parse(path.read_text())):
                calls = (
                    [node for node in ast.walk(text) if isinstance(node, ast.Call)]
                    if isinstance(text, ast.JoinedStr)
                    else []
                )
                found += [
                    f"{path.name}:{text.lineno}: {ast.unparse(call)}"
                    for call in calls
                    if isinstance(call.func, ast.Name)
                    and call.func.id in SAYS
                    and isinstance(call.args[0], ast.Constant)
                ]
    assert found == []


def test_scripts_say_plain_text():
    found = []
    for path in sorted(ROOT.glob("*/static/**/*.js")):
        if "vendor" not in path.parts and path.name != "say.js":
            found += [
                f"{path.name}: {match[0]}"
                for match in re.finditer(r"(?<![\w.])say(?:Counted)?\((?!\")[^)]*", path.read_text())
            ]
    assert found == []


def test_every_word_of_every_page_is_said_by_the_catalogue(tmp_path):
    names = {name: value for name, value in os.environ.items() if name != "DATABASE_URL"}
    done = subprocess.run(
        [sys.executable, "-m", "tests.pseudo_language"],
        cwd=ROOT,
        env=names | {"PROSPECTING_DATA_DIR": str(tmp_path)},
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-2000:]
