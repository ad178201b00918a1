"""The top of the project stays a short list."""

from pathlib import Path

ROOT = Path(__file__).parent.parent

ALLOWED = {
    "README.md",
    "DEVELOPERS.md",
    "manage.py",
    "requirements.txt",
    "prospecting",
    "trials",
    "tests",
    "fixtures",
}


def test_nothing_else_stands_at_top_level():
    # Dot-files are settings of tools and what git ignores; Python writes __pycache__ where it pleases.
    present = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")} - {"__pycache__"}
    assert present == ALLOWED
