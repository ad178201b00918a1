"""Imports go one way (DEVELOPERS.md, "The arrows"), and heavy libraries are imported where they are used."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path, PurePosixPath

import pytest

ROOT = Path(__file__).parent.parent
APPS = ("prospecting", "trials")

# views -> forms, tables, charts, frames, actions -> models; actions, charts, frames -> calc.
# Forms, tables and template tags also reach calc, where every conversion of units lives; models reach it for the walk through
# lineage, one query for the pairs and calc/ancestry.py for the rest. A form gives an action the values it takes, so it may
# import their classes (`only_classes`), never a function that writes. What is missing here has no place in the layout yet.
MAY_IMPORT = {
    "calc": {"calc"},
    "readers": {"readers", "calc"},
    "models": {"models", "calc"},
    "actions": {"actions", "models", "calc", "readers"},
    "frames": {"frames", "models", "calc", "version"},
    "charts": {"charts", "models", "calc"},
    "forms": {"forms", "models", "calc", "readers"},
    "filters": {"filters", "forms", "models", "calc"},
    "tables": {"tables", "models", "calc"},
    "templatetags": {"templatetags", "models", "calc", "catalogue"},
    # A phone's entry is known by what was typed, which the forms read.
    "access": {"actions", "models", "forms", "calc"},
    "version": set(),
    "log_line": set(),
    "kept_results": {"version", "calc"},
    "request_limits": set(),
    "page_words": set(),
    # What is said and in which language: the one place that joins Django's catalogues to what calc says.
    "catalogue": {"calc", "page_words"},
    # What programs are told and may send: the same forms and actions as the pages.
    "api": {"api", "access", "actions", "forms", "models", "calc"},
    "views": {
        "views",
        "api",
        "forms",
        "filters",
        "tables",
        "charts",
        "frames",
        "actions",
        "models",
        "access",
        "kept_results",
        "version",
    },
    "urls": {"urls", "views"},
    # The invented books of the demo, entered through the same actions as the pages.
    "scenario": {"actions", "frames", "models", "calc", "readers"},
    # A command that brings books elsewhere reads the address of a database as the settings do.
    "management": {
        "management",
        "scenario",
        "frames",
        "actions",
        "models",
        "readers",
        "calc",
        "version",
        "settings",
        "catalogue",
    },
    "migrations": {"migrations", "models", "calc"},
    "settings": set(),
    "wsgi": set(),
    "apps": {"catalogue"},
}
# Every layer may say a sentence and write a figure for whoever reads.
FOR_ALL = {"prospecting.calc.language", "prospecting.calc.number_words"}
FRAMEWORK = {"django", "django_tables2", "django_filters", "csp", "whitenoise", "psycopg", "gunicorn"}
HEAVY = {"numpy", "scipy", "pandas", "statsmodels", "plotly", "openpyxl"}
# The two modules that may name trials, and only as text: INSTALLED_APPS and include().
MAY_NAME_TRIALS = {"prospecting/settings.py", "prospecting/urls.py"}

Sources = dict[str, str]


def sources_on_disk() -> Sources:
    files = (path for app in APPS for path in (ROOT / app).rglob("*.py"))
    return {path.relative_to(ROOT).as_posix(): path.read_text() for path in files}


def module_name(path: str) -> str:
    return ".".join(PurePosixPath(path).with_suffix("").parts).removesuffix(".__init__")


def layer_of(module: str) -> str:
    """`prospecting.calc.units` is of the layer `calc`; the bare package of an app has the layer ""."""
    return (module.split(".") + [""])[1]


def imported_names(node: ast.AST, path: str, known: set[str]) -> Iterator[str]:
    """The modules one statement imports; `from package import module` gives the module where there is one."""
    if isinstance(node, ast.Import):
        yield from (alias.name for alias in node.names)
    elif isinstance(node, ast.ImportFrom):
        base = node.module or ""
        if node.level:
            package = PurePosixPath(path).parent.parts
            above = package[: len(package) - node.level + 1]
            base = ".".join([*above, *filter(None, [node.module])])
        for alias in node.names:
            inner = f"{base}.{alias.name}"
            yield inner if inner in known else base


def import_nodes(tree: ast.AST, *, at_start: bool) -> Iterator[ast.Import | ast.ImportFrom]:
    """All imports, or only those that run when the module is loaded: not in functions, not for type checkers."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.Import | ast.ImportFrom):
            yield node
            continue
        if at_start and isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            continue
        if at_start and isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            for branch in node.orelse:
                yield from import_nodes(ast.Module([branch], []), at_start=True)
            continue
        yield from import_nodes(node, at_start=at_start)


def only_classes(node: ast.Import | ast.ImportFrom) -> bool:
    """True for `from prospecting.actions.material import NewLot`: the values an action takes, not the writing itself."""
    return isinstance(node, ast.ImportFrom) and all(alias.name[0].isupper() for alias in node.names)


def back_arrows(sources: Sources) -> list[str]:
    """A sentence for each import against the arrows."""
    known = {module_name(path) for path in sources}
    found = []
    for path, source in sorted(sources.items()):
        own = module_name(path)
        layer = layer_of(own)
        if layer and layer not in MAY_IMPORT:
            found.append(f"{path}: {layer} has no place in the layout")
            continue
        for node in import_nodes(ast.parse(source), at_start=False):
            for name in dict.fromkeys(imported_names(node, path, known)):
                where = f"{path}:{node.lineno}"
                app, *_ = name.split(".")
                if app not in APPS:
                    if layer in ("calc", "readers") and app in FRAMEWORK:
                        found.append(f"{where}: {layer} imports {name}")
                elif own.startswith("prospecting") and app == "trials":
                    found.append(f"{where}: prospecting imports {name}")
                elif name in FOR_ALL or (
                    layer == "forms" and layer_of(name) == "actions" and only_classes(node)
                ):
                    continue
                elif layer_of(name) not in MAY_IMPORT.get(layer, set()):
                    found.append(f"{where}: {layer or 'the package'} imports {name}")
    return found


def trials_named(sources: Sources) -> list[str]:
    """Where prospecting reaches for trials by a string: get_model("trials", ...), reverse("trials:...")."""
    found = []
    for path, source in sorted(sources.items()):
        if not path.startswith("prospecting/") or path in MAY_NAME_TRIALS:
            continue
        for node in ast.walk(ast.parse(source)):
            is_text = isinstance(node, ast.Constant) and isinstance(node.value, str)
            if is_text and re.match(r"trials([.:/]|$)", node.value):
                found.append(f"{path}:{node.lineno}: names {node.value!r}")
    return found


def heavy_at_start(sources: Sources) -> list[str]:
    """Modules outside calc and readers whose loading alone loads a heavy library, itself or through others."""
    known = {module_name(path) for path in sources}
    loads: dict[str, set[str]] = {}
    for path, source in sources.items():
        names = set()
        for node in import_nodes(ast.parse(source), at_start=True):
            for name in imported_names(node, path, known):
                parts = name.split(".")
                # Loading a.b.c loads a and a.b first.
                names |= {".".join(parts[: n + 1]) for n in range(len(parts))}
        loads[module_name(path)] = names
    heavy = set(HEAVY)
    while more := {module for module, names in loads.items() if module not in heavy and names & heavy}:
        heavy |= more
    return [
        f"{module} loads {', '.join(sorted(loads[module] & heavy))}"
        for module in sorted(heavy - HEAVY)
        if layer_of(module) not in ("calc", "readers")
    ]


def test_imports_follow_the_arrows():
    assert back_arrows(sources_on_disk()) == []


def test_prospecting_does_not_reach_for_trials_by_name():
    assert trials_named(sources_on_disk()) == []


def test_heavy_libraries_wait_until_they_are_needed():
    assert heavy_at_start(sources_on_disk()) == []


def test_pages_of_prospecting_stand_without_templates_of_trials():
    folder = ROOT / "prospecting" / "templates"
    reaching = re.compile(r"""\{%\s*(?:include|extends)\s+["']trials/""")
    assert [path.name for path in sorted(folder.rglob("*.html")) if reaching.search(path.read_text())] == []


# What the three checks must catch: each planted source breaks one rule, and only the first module named is at fault.
BACK = {
    "a model that knows its pages": {"prospecting/models/lots.py": "from prospecting.views import lots"},
    "an action that knows its form": {"trials/actions/runs.py": "from trials.forms.runs import RunForm"},
    "a view that reckons": {"prospecting/views/lots.py": "import prospecting.calc.units"},
    "a form that writes": {"prospecting/forms/lots.py": "from prospecting.actions import splitting"},
    "a form that writes, by name": {
        "trials/forms/runs.py": "from prospecting.actions.photos import keep_photo"
    },
    "prospecting leaning on trials": {"prospecting/actions/lots.py": "from trials.models import Run"},
    "the same, inside a function": {"prospecting/views/lots.py": "def f():\n    import trials.models"},
    "the same, for a type checker": {
        "prospecting/views/lots.py": "if TYPE_CHECKING:\n    from trials.models import Run"
    },
    "a relative way up": {"prospecting/calc/units.py": "from ..models import Lot"},
    "a relative way out of the package": {"prospecting/models/__init__.py": "from ..views import lots"},
    "Django in calc": {"trials/calc/power.py": "from django.conf import settings"},
    "Django in readers": {"prospecting/readers/certificate_csv.py": "import django.utils.timezone"},
    "a model in readers": {"prospecting/readers/certificate_csv.py": "from prospecting import models"},
    "calc reading files": {"prospecting/calc/units.py": "from prospecting.readers import certificate_csv"},
    "a layer nobody agreed on": {"prospecting/helpers.py": ""},
}
PACKAGES = {
    f"{app}/{name}": "" for app in APPS for name in ("__init__.py", "models/__init__.py", "views/__init__.py")
}


@pytest.mark.parametrize("planted", BACK.values(), ids=BACK.keys())
def test_the_check_catches(planted: Sources):
    assert len(back_arrows(PACKAGES | planted)) == 1


@pytest.mark.parametrize(
    "planted",
    [
        {"prospecting/views/lots.py": "from prospecting.actions.splitting import split\nimport json"},
        {"trials/views/runs.py": "from prospecting.models import Lot\nfrom trials.frames import runs_frame"},
        {"trials/forms/runs.py": "from prospecting.actions.material import DrawFrom, NewLot"},
        {"trials/calc/power.py": "import scipy.stats\nfrom . import units", "trials/calc/units.py": ""},
        {"prospecting/models/__init__.py": "from .lots import Lot", "prospecting/models/lots.py": ""},
    ],
)
def test_the_check_lets_pass(planted: Sources):
    assert back_arrows(PACKAGES | planted) == []


@pytest.mark.parametrize(
    "planted",
    [
        {"prospecting/views/lots.py": "import pandas as pd"},
        {"trials/frames.py": "from numpy.random import default_rng"},
        {"trials/charts/doses.py": "try:\n    import plotly.graph_objects\nexcept ImportError:\n    raise"},
        {"trials/models/runs.py": "class Run:\n    import scipy"},
        {"trials/views/runs.py": "if DEBUG:\n    import openpyxl"},
        {"trials/frames.py": "from trials.calc import power", "trials/calc/power.py": "import scipy.stats"},
        {
            "trials/frames.py": "from trials.calc.doses import x",
            "trials/calc/__init__.py": "import statsmodels",
        },
    ],
)
def test_the_check_catches_a_heavy_start(planted: Sources):
    assert len(heavy_at_start(PACKAGES | {"trials/calc/__init__.py": ""} | planted)) == 1


@pytest.mark.parametrize(
    "planted",
    [
        {"trials/calc/power.py": "import scipy.stats"},
        {"trials/frames.py": "def runs_frame():\n    import pandas as pd\n    return pd"},
        {"trials/frames.py": "if TYPE_CHECKING:\n    import pandas as pd"},
        {
            "trials/frames.py": "def f():\n    from trials.calc import power",
            "trials/calc/power.py": "import numpy",
        },
    ],
)
def test_the_check_lets_a_late_import_pass(planted: Sources):
    assert heavy_at_start(PACKAGES | {"trials/calc/__init__.py": ""} | planted) == []


def test_the_check_catches_trials_named_in_text():
    planted = {
        "prospecting/views/lots.py": 'Run = apps.get_model("trials", "Run")',
        "prospecting/actions/lots.py": 'import_module("trials.models")',
        "prospecting/views/zones.py": '"""Trials are linked from the partial."""\nwords = "no trials yet"',
        "prospecting/urls.py": 'include("trials.urls")',
    }
    assert [line.split(":")[0] for line in trials_named(planted)] == [
        "prospecting/actions/lots.py",
        "prospecting/views/lots.py",
    ]
