"""Help: every task has a page, every page that has a task leads to it, and what the steps name stands on a screen."""

import ast
import html
import re
from functools import cache
from pathlib import Path

import pytest
from django.urls import reverse

from tests.test_access import patterns
from trials.frames.help_tasks import BY_NAME, BY_PAGE, PICTURES, TASKS, pictures

pytestmark = pytest.mark.django_db
ROOT = Path(__file__).resolve().parents[3]
TEMPLATES = ROOT / "trials" / "templates" / "trials" / "help"
# Pages that are no task of their own: they lead to tasks, help, end something, or are asked by machines.
NEED_NONE = {
    "home", "help-list", "help-task", "sign-in", "sign-in-code", "join", "sign-out", "health", "worker", "manifest",
    "phone-session", "pocket-pages", "calendar-feed", "photo", "photo-thumb", "claim-paper-file", "return-file",
    "trial-figure", "api-file", "lot-from-tag",
}  # fmt: skip
# Beside their task's own page, one tap away: what they say stands there.
BESIDE = {
    "api-token-end", "claim-date-reopen", "claim-date-void", "claim-paper-void", "dispatch-give-up", "factorial-remove",
    "finding-take-back", "lot-note", "lot-release", "lots-release", "material-detail", "material-edit", "laboratory-edit",
    "sample-take-out", "treatment-remove", "lot-scan",
}  # fmt: skip
LISTS_AS_FILES = ("-csv", "-xlsx", "positions-geojson", "positions-gpx")


def words_of(source: str) -> str:
    """A template's text as it stands on a screen, without tags of either kind."""
    return " ".join(html.unescape(re.sub(r"{%.*?%}|<[^>]+>", " ", source)).split())


def branches(source: str) -> list[str]:
    """A piece of a template with the first branch of each condition, and with the last."""
    condition = re.compile(
        r"{% if [^%]*%}((?:(?!{%).)*)(?:{% el(?:se|if)[^%]*%}((?:(?!{%).)*))*{% endif %}", re.DOTALL
    )
    return [condition.sub(branch, source) for branch in (r"\1", r"\2")]


@cache
def said_on_screens() -> set[str]:
    """What stands on buttons, links, folds, headings and labels anywhere but in the help itself."""
    said = set()
    for path in ROOT.glob("*/templates/**/*.html"):
        if "help" in path.parent.name or path.name.startswith("help_"):
            continue
        source = re.sub(r"<svg.*?</svg>", "", path.read_text(), flags=re.DOTALL)
        for found in re.findall(
            r"<(a|button|summary|h1|h2|label|strong|span)\b[^>]*>(.*?)</\1>", source, re.DOTALL
        ):
            # Where words depend on the state, each of them may stand there.
            said |= {words_of(part) for part in re.split(r"{%.*?%}|{{.*?}}|<[^>]+>", found[1])}
            said |= {words_of(re.sub(r"{{.*?}}", "", branch)) for branch in branches(found[1])}
        said |= set(re.findall(r'submit(?:=|\|default:)"([^"]+)"', source))
    for folder in ("forms", "views", "models", "tables", "frames"):
        for path in ROOT.glob(f"*/{folder}/*.py"):
            if path.name != "help_tasks.py":
                nodes = ast.walk(ast.parse(path.read_text()))
                said |= {
                    node.value
                    for node in nodes
                    if isinstance(node, ast.Constant) and isinstance(node.value, str)
                }
    return {each.strip(" ,:?") for each in said if each}


def named_in(source: str, *tags: str) -> set[str]:
    steps = re.search(r"{% block steps %}(.*?){% endblock %}", source, re.DOTALL)[1]
    wrong = re.search(r"{% block wrong %}(.*?){% endblock %}", source, re.DOTALL)[1]
    found = re.findall(rf"<({'|'.join(tags)})\b([^>]*)>(.*?)</\1>", steps + wrong, re.DOTALL)
    # Other help pages are named by what they are about.
    return {
        html.unescape(text).strip(" ,:?") for _, attributes, text in found if "help-task" not in attributes
    }


def test_each_task_has_its_page_and_no_page_is_left_over():
    assert {path.stem for path in TEMPLATES.glob("*.html")} == set(BY_NAME)
    assert len(BY_PAGE) == sum(len(task.pages) for task in TASKS), "a page stands under two tasks"


def test_every_page_of_the_site_has_a_task_or_needs_none():
    found = {pattern.name: pattern.callback for pattern in patterns()}
    assert set(BY_PAGE) - set(found) == set()
    # What only takes a post has no page, and a program needs no help of this kind.
    pages = {
        name
        for name, view in found.items()
        if "GET" in getattr(view, "allowed_methods", ()) and not getattr(view, "token_gate", None)
    }
    assert {
        name for name in pages - set(BY_PAGE) - NEED_NONE - BESIDE if not name.endswith(LISTS_AS_FILES)
    } == set()


@pytest.mark.parametrize("name", BY_NAME)
def test_what_the_steps_name_stands_on_a_screen(name):
    source = (TEMPLATES / f"{name}.html").read_text()
    named = named_in(source, "b", "a")
    assert named
    assert named - said_on_screens() == set()


@pytest.mark.parametrize("name", BY_NAME)
def test_a_page_is_short_and_warns_where_it_should(name):
    source = (TEMPLATES / f"{name}.html").read_text()
    assert 140 <= len(words_of(source).split()) <= 360
    for ambiguous in (
        r"\b[Bb]atch\b",
        r"\bpulp\b",
        r"\bounces?\b",
        r"\btons?\b",
        r"(?<!coarse )\b[Bb]lank\b",
        r"[Pp]roved?\b",
    ):
        assert not re.search(ambiguous, words_of(source).replace("certificate", "")), ambiguous
    crushes = name in ("dig", "prepare", "blind", "clearing", "judge")
    assert not crushes or "_caution.html" in source


def test_each_picture_is_there_small_and_said_in_words():
    for name, picture in pictures().items():
        size = (PICTURES / f"{name}.webp").stat().st_size
        assert 2_000 < size <= 40_000, f"{name}.webp has {size} bytes"
        assert picture.width == 390
    assert {path.stem for path in PICTURES.glob("*.webp")} == set(pictures()) == set(BY_NAME)
    # All that a phone may come to hold of them.
    assert sum((PICTURES / f"{task.name}.webp").stat().st_size for task in TASKS if task.outdoors) <= 300_000


@pytest.mark.parametrize("role", ["guest", "member", "keeper"])
def test_everyone_signed_in_reads_all_of_it(role, client_as, django_assert_max_num_queries):
    client = client_as(role)
    index = client.get(reverse("help-list")).content.decode()
    for task in TASKS:
        address = reverse("help-task", args=[task.name])
        assert f'href="{address}"' in index
        with django_assert_max_num_queries(4):
            page = client.get(address)
        assert page.status_code == 200
        assert page.headers["X-Keep-On-Phone"] == "1"
        body = page.content.decode()
        alt = re.search(r'<figure class="figure help-picture"><img [^>]*alt="([^"]+)"', body)
        assert alt and len(alt[1]) > 40
        for link in re.findall(r"<main.*</main>", body, re.DOTALL)[0].split('href="')[1:]:
            assert link.startswith(("/", "#")), link


def test_a_page_leads_to_its_help_and_one_without_a_task_does_not(client_as):
    client = client_as("member")
    listed = client.get(reverse("trial-list")).content.decode()
    assert f'class="how no-print" href="{reverse("help-task", args=["plan"])}"' in listed
    assert 'class="how' not in client.get(reverse("home")).content.decode()
    assert f'href="{reverse("help-list")}"' in client.get(reverse("home")).content.decode()


def test_nonsense_is_not_found_and_nobody_unknown_reads(client, client_as):
    assert client_as("guest").get(reverse("help-task", args=["how-to-strike-it-rich"])).status_code == 404
    assert client.get(reverse("help-list")).status_code == 302
    assert "under Help" in client.get(reverse("sign-in")).content.decode()


def test_a_phone_keeps_what_is_done_outdoors(client_as):
    kept = client_as("member").get(reverse("pocket-pages")).json()["pages"]
    outdoors = [reverse("help-task", args=[task.name]) for task in TASKS if task.outdoors]
    assert outdoors
    assert set(outdoors) | {reverse("help-list")} <= set(kept)
