"""Starting the site loads none of the heavy libraries: on a small computer each costs seconds and tens of megabytes."""

import json
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent

# What a web process does before its first answer: settings, models, middleware, template tags, every view and form.
START_UP = """
import os
os.environ["DJANGO_SETTINGS_MODULE"] = "prospecting.settings"
from prospecting.wsgi import application
from django.template import engines
from django.urls import get_resolver
engines.all()

def load(resolver):
    for pattern in resolver.url_patterns:
        if hasattr(pattern, "url_patterns"):
            load(pattern)

load(get_resolver())
"""
REPORT = """
import json, sys
heavy = ["numpy", "scipy", "pandas", "statsmodels", "plotly", "openpyxl"]
print(json.dumps([name for name in heavy if name in sys.modules]))
"""


def loaded_after(script: str, data_dir: Path) -> list[str]:
    done = subprocess.run(
        [sys.executable, "-c", script + REPORT],
        cwd=ROOT,
        env=os.environ | {"PROSPECTING_DATA_DIR": str(data_dir)},
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout.splitlines()[-1])


def test_start_up_loads_no_heavy_library(tmp_path: Path):
    (tmp_path / "static").mkdir()
    assert loaded_after(START_UP, tmp_path) == []


def test_the_report_sees_what_was_loaded(tmp_path: Path):
    assert loaded_after("import numpy", tmp_path) == ["numpy"]
