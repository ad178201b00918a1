"""Every worked example in a docstring under calc/ and readers/ comes out as written."""

import doctest
import importlib
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


def modules_with_examples() -> list[str]:
    folders = [ROOT / app / kind for app in ("prospecting", "trials") for kind in ("calc", "readers")]
    files = sorted(path for folder in folders for path in folder.rglob("*.py"))
    return [
        ".".join(path.relative_to(ROOT).with_suffix("").parts) for path in files if ">>> " in path.read_text()
    ]


@pytest.mark.parametrize("name", modules_with_examples())
def test_examples_come_out_as_written(name: str):
    # An ellipsis stands for the last digits of a float, which no source prints.
    outcome = doctest.testmod(importlib.import_module(name), optionflags=doctest.ELLIPSIS)
    assert outcome.attempted > 0
    assert outcome.failed == 0, "the differences are printed above"


def test_there_are_examples_to_run():
    assert modules_with_examples()
