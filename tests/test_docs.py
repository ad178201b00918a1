"""README.md and DEVELOPERS.md say what is there."""

import ast
import re
import shlex
import subprocess
from pathlib import Path

import pytest

from prospecting.calc.accepted_files import ACCEPTED
from tests.test_top_level import ALLOWED

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()
CI = (ROOT / ".ci" / "run").read_text()

SETTING = re.compile(r"(?:PROSPECTING_[A-Z_]+|DATABASE_URL)")


def names_read_in(*folders: str) -> set[str]:
    """Names of the environment that stand as whole strings in the Python files of these folders."""
    files = (path for folder in folders for path in (ROOT / folder).rglob("*.py"))
    nodes = (node for path in files for node in ast.walk(ast.parse(path.read_text())))
    texts = (node.value for node in nodes if isinstance(node, ast.Constant) and isinstance(node.value, str))
    return {text for text in texts if SETTING.fullmatch(text)}


def listed_settings() -> set[str]:
    return set(re.findall(r"^\| `([A-Z_]+)` \|", README, re.MULTILINE))


def commands() -> list[str]:
    return re.findall(r"^```sh\n(.*?)\n```$", README, re.MULTILINE | re.DOTALL)


def test_readme_lists_each_setting_and_no_other():
    assert listed_settings() == names_read_in("prospecting", "trials")


def test_developers_names_what_steers_the_tests():
    steering = names_read_in("tests") - listed_settings()
    assert steering
    assert {name for name in steering if name not in DEVELOPERS} == set()


def test_readme_opens_with_the_job_in_one_paragraph():
    opening, _, _ = README.partition("\n## ")
    title, *paragraphs = opening.strip().split("\n\n")
    assert title.startswith("# ")
    assert len(paragraphs) == 1
    assert not paragraphs[0].startswith(("#", "-", "|", "`", "!"))


def test_readme_shows_two_commands_of_one_line():
    demo, tests = commands()
    assert demo.endswith(" manage.py demo")
    assert " -m pytest " in tests
    assert "\n" not in demo + tests


@pytest.mark.parametrize("variable, position", [("demo_command", 0), ("test_command", 1)])
def test_ci_runs_the_command_of_readme(variable: str, position: int):
    """The line of .ci/run that looks the command up finds it, and the script runs what was found as it stands."""
    look_up = re.search(rf"^{variable}=\$\((grep .*) README\.md\)$", CI, re.MULTILINE)
    found = subprocess.run(
        [*shlex.split(look_up[1]), "README.md"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert found.stdout.rstrip("\n") == commands()[position]
    assert f'bash -c "${variable}"' in CI


def test_ci_is_executable():
    assert (ROOT / ".ci" / "run").stat().st_mode & 0o111


def test_developers_shows_everything_at_top_level():
    tree = DEVELOPERS.partition("\n## Layout\n")[2].partition("\n## ")[0]
    assert {name for name in ALLOWED if name not in tree} == set()


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README.md", "DEVELOPERS.md"])
def test_files_named_in_the_documents_exist(text: str):
    """Paths in backquotes that say where something stands, like `tests/make.py`."""
    named = set(re.findall(r"`((?:prospecting|trials|tests|fixtures|\.ci)/[\w./-]*)`", text))
    assert named
    assert {name for name in named if not (ROOT / name).exists()} == set()


def test_every_package_is_pinned_to_one_version():
    for name in ("requirements.txt", "tests/requirements.txt"):
        lines = [
            line
            for line in (ROOT / name).read_text().splitlines()
            if line and not line.startswith(("#", "-r "))
        ]
        assert lines
        assert [line for line in lines if not re.fullmatch(r"[\w.-]+(\[\w+\])?==[\w.]+", line)] == []


def test_a_service_that_may_write_almost_nowhere_has_a_folder_for_uploads():
    units = [unit for unit in README.split("```") if "ProtectSystem=strict" in unit]
    assert units
    assert all("\nPrivateTmp=yes\n" in unit for unit in units)


def test_readme_lists_every_file_that_is_taken():
    """ASVS 5.0, v5.0.0-5.1.1: kinds and sizes in writing, the same that forms and actions go by."""
    assert {f"| {each.what} | {each.in_words()} |" for each in ACCEPTED} <= set(README.splitlines())
