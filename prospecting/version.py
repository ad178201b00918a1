"""Which version of the site this is: phones that keep its pages and scripts ask, and fetch them anew when it has changed."""

import hashlib
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
SHAPES_A_PAGE = {".py", ".html", ".js", ".css", ".svg", ".png"}


@cache
def site_version() -> str:
    """Twelve signs that change with anything a page is made of; the same in every process that serves the same files."""
    read = hashlib.sha256()
    folders = sorted(apps.parent for apps in ROOT.glob("*/apps.py"))
    for path in sorted(path for folder in folders for path in folder.rglob("*")):
        if path.suffix in SHAPES_A_PAGE:
            read.update(f"{path.relative_to(ROOT)}\n".encode())
            read.update(path.read_bytes())
    return read.hexdigest()[:12]
