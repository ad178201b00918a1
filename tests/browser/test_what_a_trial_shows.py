"""Each page that says what trials show, read over the demo as a tired member reads it: on a narrow phone, by keyboard, on paper.

A picture is measured against the table below it: its bars, read off its own axis, are the intervals the table writes.
"""

import math
import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass

import pytest
from django.test import Client
from django.urls import reverse

from prospecting.models import Member
from tests.browser.pdf_text import words_of
from trials.models import Additive, ClearingTest, Finding, Trial
from trials.scenario import load_scenario

pytestmark = pytest.mark.django_db(transaction=True)

# What no sentence, figure or cell may hold.
NO_FIGURE = re.compile(r"\b(?:nan|inf|infinity|None|undefined)\b|\d[eE][+-]\d|\{\{|\{%")
# A table writes three figures, a picture is drawn to a tenth of a unit.
READ_OFF = 0.02


@dataclass(frozen=True)
class Shown:
    """A page: the sentence it begins with, how many pictures it has at least, whether its figures show their working.

    `dots` is whether its first picture has one for each run that counts; `is_another` is one more of a kind shown before.
    """

    address: str
    says: str
    pictures: int = 0
    has_working: bool = False
    dots: bool = False
    is_another: bool = False


def shown_pages() -> Iterator[tuple[str, Shown]]:
    dose, combination, technique, places, overdose = Trial.objects.filter(state="closed").order_by("pk")
    rinse = Additive.objects.get(name__startswith="Rinse aid A")
    flocculant = Additive.objects.get(kind="flocculant")
    better = r"rinse 1/8 recovers more than plain water\."
    for name, trial, says in [
        ("verdict", overdose, better),
        ("verdict of doses", dose, better),
        ("verdict of a combination", combination, r"Rinse none, Flocculant 2 drops in 9 L: not shown\."),
    ]:
        yield (
            name,
            Shown(
                reverse("trial-verdict", args=[trial.pk]),
                says,
                1,
                has_working=True,
                dots=True,
                is_another=trial != overdose,
            ),
        )
    yield (
        "verdict by places",
        Shown(reverse("trial-verdict", args=[places.pk]), r"rinse A: not shown\.", 1, has_working=True),
    )
    for name, trial in [("doses with harm", overdose), ("doses", dose)]:
        yield (
            name,
            Shown(
                reverse("trial-doses", args=[trial.pk]),
                r"The least dose shown to recover more than plain water is 1/8 tsp per gal",
                1,
                has_working=True,
                dots=True,
                is_another=trial != overdose,
            ),
        )
    for name, trial, says in [
        ("effects of a combination", combination, r"Not shown that Rinse and Flocculant help or hinder each"),
        (
            "effects of a technique",
            technique,
            r"Not shown that Swirl slow and Pan riffled help or hinder each other\.",
        ),
    ]:
        yield (
            name,
            Shown(
                reverse("trial-effects", args=[trial.pk]),
                says,
                2,
                has_working=True,
                is_another=trial != combination,
            ),
        )
    yield (
        "outcomes",
        Shown(
            reverse("trial-outcomes", args=[combination.pk]),
            r"This trial was planned to be judged by weighed gold\.",
            4,
            has_working=True,
        ),
    )
    yield (
        "additive",
        Shown(
            rinse.get_absolute_url(),
            r"Shown to recover more than plain water in 2 of 4 trials; over all of them together no dose of Rinse aid A "
            r"\(invented\) is shown to do so\.",
            1,
            has_working=True,
        ),
    )
    yield (
        "compare",
        Shown(
            reverse("additive-compare"),
            r"Of 3 additives in closed trials, 1 has been shown to beat plain water in at least one\.",
            1,
        ),
    )
    yield (
        "clearing",
        Shown(
            reverse("additive-clearing", args=[flocculant.pk]),
            r"Flocculant F \(invented\) at 0\.0111 mL/L \(2 drops in 9 L\) clears the tub at least \d+ min sooner",
            2,
            has_working=True,
        ),
    )
    yield (
        "clearing test",
        Shown(
            ClearingTest.objects.get().get_absolute_url(),
            r"3 of 4 tubs were seen at 150 mm of clear water",
            1,
            has_working=True,
        ),
    )
    yield (
        "findings",
        Shown(reverse("finding-list"), r"What the group concluded, by whom and on what evidence\."),
    )
    yield (
        "finding",
        Shown(
            Finding.objects.earliest("pk").get_absolute_url(),
            r"We do it so from now on|goes into every tub\.",
        ),
    )
    yield "method", Shown(reverse("house-method"), r"As it stands on \d+ \w+ \d{4}\.")
    yield (
        "next trials",
        Shown(
            reverse("next-trials"), r"In the order of what an hour of panning would settle", has_working=True
        ),
    )
    yield (
        "import",
        Shown(reverse("trial-import"), r"For runs that were done before this site, or away from it\."),
    )


# The pictures, each with what is drawn in it in its own units, and whatever of it lies outside.
PICTURES = """() => [...document.querySelectorAll("main svg[viewBox]")]
  .filter((drawing) => drawing.getBoundingClientRect().width > 100)
  .map((drawing) => {
    const frame = drawing.getBoundingClientRect();
    const marks = [...drawing.querySelectorAll("circle, rect, line, polyline, polygon, path, text")];
    const number = (mark, name) => Number(mark.getAttribute(name));
    return {
      title: drawing.querySelector(":scope > title")?.textContent ?? drawing.getAttribute("aria-label"),
      marks: marks.filter((mark) => mark.matches("circle, .bar, .dot, .diamond")).length,
      dots: drawing.querySelectorAll("circle.dot").length,
      outside: marks.filter((mark) => {
        const box = mark.getBoundingClientRect();
        return box.left < frame.left - 1 || box.right > frame.right + 1
          || box.top < frame.top - 1 || box.bottom > frame.bottom + 1;
      }).map((mark) => mark.outerHTML),
      ticks: [...drawing.querySelectorAll("text.quiet")].filter((text) => /^[\\d.]+$/.test(text.textContent.trim()))
        .map((text) => [Number(text.textContent), number(text, "x"), number(text, "y")]),
      bars: [...drawing.querySelectorAll("line.bar")]
        .map((bar) => ["x1", "x2", "y1", "y2"].map((name) => number(bar, name))),
      arrows: drawing.querySelectorAll("polyline.one").length,
      lines: [...drawing.querySelectorAll("line.axis")].map((line) => [number(line, "x1"), number(line, "y1")]),
      table: [...document.querySelectorAll("main table")]
        .filter((table) => drawing.compareDocumentPosition(table) & Node.DOCUMENT_POSITION_FOLLOWING)
        .map((table) => [...table.rows].map((row) => [...row.cells].map((cell) => cell.innerHTML.replace(/<[^>]*>|&nbsp;/g, " "))
          .join(" | ")).join("\\n")),
    };
  })"""
CUT_OFF = """() => [...document.querySelectorAll("main *")].filter((element) => {
  if (!element.checkVisibility() || element.closest("svg, .vh, .table-wrap")) return false;
  const style = getComputedStyle(element);
  const hides = style.overflowX !== "visible" && style.overflowX !== "auto" && style.overflowX !== "scroll";
  const box = element.getBoundingClientRect();
  return (hides && element.scrollWidth > element.clientWidth + 1) || box.right > innerWidth + 1 || box.left < -1;
}).map((element) => element.outerHTML.slice(0, 120))"""
ACTS = """() => [...document.querySelectorAll("button, input[type=submit], main .act")]
  .map((act) => (act.innerText || act.value || "").trim()).filter((text) => /\\s/.test(text))"""


@pytest.fixture
def reader(transactional_db, open_page):
    """A keeper's page on a narrow phone, over the demo."""
    load_scenario(password="a long enough password")
    client = Client()
    client.force_login(Member.objects.get(username="keeper"))
    return open_page(signed_in_as=client, viewport={"width": 360, "height": 740})


@pytest.mark.parametrize("is_another", [False, pytest.param(True, marks=pytest.mark.long)])
def test_each_page_reads_whole_on_a_phone_and_on_paper(is_another, reader):
    problems = []
    for name, shown in shown_pages():
        if shown.is_another != is_another:
            continue
        answer = reader.goto(shown.address)
        here = [f"status {answer.status}"] if answer.status != 200 else [*read(reader, shown)]
        problems += [f"{name} ({shown.address}): {text}" for text in here]
    assert not problems, "\n".join(problems)


def read(page, shown: Shown) -> Iterator[str]:
    said = " ".join(page.locator("main").inner_text().split())
    begin = re.search(shown.says, said)
    if begin is None:
        yield f"it does not say {shown.says!r}: {said[:300]}"
    pictures = page.evaluate(PICTURES)
    if begin is not None and (first := page.locator("main figure").first).count() and shown.pictures:
        before = " ".join(page.locator("main").inner_text().partition(first.inner_text()[:20])[0].split())
        if not re.search(shown.says, before):
            yield "its sentence does not stand above its picture"
    yield from looked_at(pictures, shown)
    yield from worked(page, shown)
    everything = " ".join(page.locator("main").evaluate("(main) => main.textContent").split())
    yield from (f"it writes {found.group()!r}" for found in NO_FIGURE.finditer(everything))
    if page.evaluate("document.documentElement.scrollWidth") > 360:
        yield "it is wider than 360 px"
    yield from (f"cut off: {element}" for element in page.evaluate(CUT_OFF))
    yield from printed(page, shown)


def looked_at(pictures: list[dict], shown: Shown) -> Iterator[str]:
    if len(pictures) < shown.pictures:
        yield f"{len(pictures)} pictures, not {shown.pictures}"
    for picture in pictures:
        title = picture["title"]
        if not picture["marks"]:
            yield f"{title}: nothing is drawn"
        if picture["outside"]:
            yield f"{title}: outside of its frame: {picture['outside'][:2]}"
        if not picture["table"]:
            yield f"{title}: no table below"
        yield from (f"{title}: {text}" for text in off_the_table(picture))
        # “7 of 8” in a row of the table are the runs that count: as many dots as there are of them.
        counted = sum(int(runs) for runs, _ in re.findall(r"(\d+)\s+of\s+(\d+)", picture["table"][0]))
        if shown.dots and picture["dots"] != counted:
            yield f"{title}: {picture['dots']} dots for {counted} runs that count"


def off_the_table(picture: dict) -> Iterator[str]:
    """Bars whose ends, read off the axis, are no interval that the table writes."""
    written = [
        (float(low), float(high))
        for table in picture["table"]
        for low, high in re.findall(r"(\d[\d.]*) to (\d[\d.]*)", table)
    ]
    for x1, x2, y1, y2 in picture["bars"]:
        across = y1 == y2
        ends = sorted(read_off(picture, across, place) for place in ((x1, x2) if across else (y1, y2)))
        # At an arrow the interval goes on beyond the picture: there one end is enough.
        needed = any if picture["arrows"] else all
        if not any(
            needed(math.isclose(*both, rel_tol=READ_OFF) for both in zip(ends, interval, strict=True))
            for interval in written
        ):
            yield f"a bar from {ends[0]:.3g} to {ends[1]:.3g} is no interval of its table {written}"


def read_off(picture: dict, across: bool, place: float) -> float:
    """The ratio at this place of the picture's logarithmic axis, by the numbers written along it, each at its mark."""
    at, beside = (1, 2) if across else (2, 1)
    lines: dict[float, list[tuple[float, float]]] = {}
    for tick in picture["ticks"]:
        mark = min((line[at - 1] for line in picture["lines"]), key=lambda mark: abs(mark - tick[at]))
        lines.setdefault(tick[beside], []).append((mark, math.log(tick[0] or 1)))
    axis = sorted(max(lines.values(), key=len))
    (one, low), (other, high) = axis[0], axis[-1]
    return math.exp(low + (place - one) / (other - one) * (high - low))


def worked(page, shown: Shown) -> Iterator[str]:
    """The working opens by keyboard, and holds formulas, inputs and sources."""
    workings = page.locator("main details.working")
    if not shown.has_working:
        return
    if not workings.count():
        yield "it shows no working"
        return
    first = workings.first
    first.locator("summary").focus()
    page.keyboard.press("Enter")
    if not first.evaluate("(working) => working.open"):
        yield "its working does not open by keyboard"
    for what, where in [
        ("formula", ".formula"),
        ("input", "dd"),
        ("source", "dt:text-is('source') + dd"),
    ]:
        if not any(text.strip() for text in workings.locator(where).all_text_contents()):
            yield f"its working holds no {what}"


def printed(page, shown: Shown) -> Iterator[str]:
    acts = page.evaluate(ACTS)
    paper = unicodedata.normalize("NFKC", words_of(page.pdf()))
    title = "".join(page.locator("h1").first.inner_text().split())
    if unicodedata.normalize("NFKC", title) not in paper:
        yield "its title does not stand on the paper"
    if not re.search(re.sub(r" ", "", shown.says), paper):
        yield f"its sentence does not stand on the paper: {paper[:300]}"
    yield from (f"the paper has the button {act!r}" for act in acts if "".join(act.split()) in paper)
