"""The pictures of the help pages are made here, from the demo, and are held to what their pages say now.

Made anew, after looking at what changed, by

    HELP_PICTURES=anew .venv/bin/python -m pytest -c tests/pytest.ini --rootdir . tests/browser/test_help_pictures.py

`pictures.json` beside them keeps for each the address, who looks, how many blocks of the page it shows and their words, with
codes, numbers and days taken out. A word more or less on that part of the page fails the test, and names the picture.
"""

import difflib
import io
import json
import os
import re
from collections.abc import Callable
from dataclasses import dataclass

import pytest
from django.urls import reverse

from prospecting.models import AssayReturn, Dispatch, Lot, Member, Step, Zone
from tests.test_attack import hold_discard
from tests.trials.make_trial import make_draft
from trials.frames.help_tasks import BY_NAME, PICTURES
from trials.models import ClearingTest, Trial
from trials.scenario import load_scenario

pytestmark = pytest.mark.django_db(transaction=True)

ANEW = os.environ.get("HELP_PICTURES") == "anew"
BOOK = PICTURES / "pictures.json"
MOST_BYTES = 40_000


@dataclass(frozen=True)
class Shot:
    """A page as one of the demo's people sees it; from the strip down, or from the first block with these words."""

    who: str
    address: Callable[[], str]
    begins: str = ""
    # About half a phone or so: what a step speaks of, and not the whole page. Higher where a chart is to be seen whole.
    highest_px: int = 640


def of_lot(page: str, title: str = "rinse test lot") -> Callable[[], str]:
    return lambda: reverse(page, args=[Lot.objects.get(title=title).code])


def of_bucket(page: str) -> Callable[[], str]:
    return lambda: reverse(
        page, args=[Lot.objects.in_stock().of_kind(Lot.Kind.BUCKET).latest("on_hand_g").code]
    )


def of_first(page: str, queryset: Callable) -> Callable[[], str]:
    return lambda: reverse(page, args=[queryset().earliest("pk").pk])


def plain(page: str) -> Callable[[], str]:
    return lambda: reverse(page)


def open_run() -> str:
    trial = Trial.objects.get(state=Trial.State.RUNNING)
    return reverse(
        "run-log", args=[trial.pk, trial.planned_runs.filter(run=None).order_by("run_order")[0].blind_code]
    )


def checked_returns():
    return AssayReturn.objects.exclude(checks_state="none")


def crushings():
    return Step.objects.filter(kind="crush")


SHOTS = {
    "first-day": Shot("keeper", plain("zone-list")),
    "phone": Shot("panner", plain("phone-home")),
    "dig": Shot("panner", plain("dig-add"), begins="Zone"),
    "tags": Shot("panner", of_bucket("lot-detail")),
    "prepare": Shot("panner", of_bucket("lot-crush"), begins="Mass put in"),
    "blend": Shot("panner", of_lot("lot-uniform"), highest_px=1100),
    "portions": Shot("panner", of_lot("lot-sampling")),
    "plan": Shot(
        "panner",
        of_first("trial-detail", lambda: Trial.objects.filter(state=Trial.State.DRAFT)),
        highest_px=900,
    ),
    "blind": Shot("panner", open_run),
    "judge": Shot("panner", of_bucket("run-add"), begins="Colours seen, by size"),
    "verdict": Shot(
        "panner",
        of_first("trial-verdict", lambda: Trial.objects.filter(state=Trial.State.CLOSED)),
        highest_px=1000,
    ),
    "findings": Shot("panner", plain("house-method")),
    "clearing": Shot("panner", of_first("clearing-read", lambda: ClearingTest.objects.all())),
    "send": Shot("panner", of_first("dispatch-detail", lambda: Dispatch.objects.all())),
    "returned": Shot(
        "panner",
        of_first("return-checks", lambda: AssayReturn.objects.exclude(checks_state="none")),
        highest_px=900,
    ),
    "beside": Shot("panner", plain("field-against-laboratory")),
    "zone": Shot("panner", of_first("zone-detail", lambda: Zone.objects.all())),
    "renew": Shot("panner", of_lot("lot-left")),
    "mistakes": Shot("keeper", of_first("step-detail", crushings), begins="How it was done", highest_px=900),
    "held": Shot("keeper", plain("held-list")),
    "claim-dates": Shot("panner", plain("claim-date-list"), highest_px=900),
    "old-list": Shot("keeper", plain("old-sheet-add")),
    "files": Shot("keeper", plain("whole-books"), highest_px=900),
    "keeping": Shot("keeper", plain("keeping")),
    "members": Shot("keeper", plain("member-list")),
    "programs": Shot("panner", plain("api-token-list")),
}
# Looked at in every run: what is read outdoors. The rest in the long ones.
OUTDOORS = [name for name in SHOTS if BY_NAME[name].outdoors]
INDOORS = [name for name in SHOTS if not BY_NAME[name].outdoors]

# Blocks are what a picture is made of: it ends below the last whole one, and its words are theirs.
BLOCKS = """([begins, number]) => {
  const kinds = "h1, h2, h3, p, li, dt, dd, figure, table, label, legend, button, summary, strong, .act, .tag";
  const all = [...document.querySelectorAll(`main :is(${kinds})`)]
    .filter((block) => block.getClientRects().length && !block.closest(".vh, .thumb")
      && !(block.matches("li") && block.querySelector("p, h2, .act, button")));
  const from = begins ? all.findIndex((block) => block.textContent.trim().startsWith(begins)) : 0;
"""
MEASURE = (
    BLOCKS
    + """
  const top = begins ? all[from].getBoundingClientRect().top + scrollY - 12 : 0;
  const bottoms = all.map((block) => block.getBoundingClientRect().bottom + scrollY - top);
  let blocks = 0;
  while (from + blocks < all.length && (blocks < 2 || bottoms[from + blocks] <= number)) blocks += 1;
  return {top, blocks, height: Math.ceil(Math.max(...bottoms.slice(from, from + blocks)) + 12)};
}"""
)
WORDS = (
    BLOCKS
    + """
  const range = document.createRange();
  if (begins) range.setStartBefore(all[from]); else range.setStartBefore(document.querySelector("header.strip"));
  range.setEndAfter(all[Math.min(from + number, all.length) - 1]);
  const part = range.cloneContents();
  const differs = "script, template, option, nav, [hidden], [data-queue-strip], [data-queue-says], [role=timer]";
  part.querySelectorAll(differs).forEach((each) => each.remove());
  part.querySelectorAll("*").forEach((each) => each.append(" "));
  return part.textContent;
}"""
)


def without_what_differs(words: str) -> str:
    """The words without codes, numbers, months, digests and the s of several."""
    words = re.sub(r"\b[A-Z]{3}-\d{2}-[A-Z]\b", "CODE", words)
    words = re.sub(r"\b(?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)[a-z]*\b", "MONTH", words)
    words = re.sub(r"\w*\d[\w.,:\u202f]*", "#", words)
    return " ".join(re.sub(r"# ([a-z]+?)s\b", r"# \1", words).split())


@pytest.fixture
def looked_at(transactional_db, open_page, signed_in) -> Callable:
    """The page of one picture, opened by whoever looks."""
    load_scenario(password="a long enough password")
    panner, mixer = (Member.objects.get(username=name) for name in ("panner", "mixer"))
    make_draft(
        lot=Lot.objects.get(title="rinse test lot"),
        names=("plain water", "rinse, one drop", "rinse, two drops"),
        blocks=4,
        mixer=mixer,
        member=panner,
        question="Do two drops of a rinse keep more gold than one?",
    )
    hold_discard(panner)
    pages = {}

    def look(shot: Shot):
        if shot.who not in pages:
            pages[shot.who] = open_page(
                signed_in_as=signed_in(shot.who), color_scheme="light", device_scale_factor=1.5
            )
        page = pages[shot.who]
        page.goto(shot.address(), wait_until="networkidle")
        return page

    return look


def make_picture(name: str, page) -> dict:
    """The picture in its file, and what is written down of it."""
    from PIL import Image

    shot = SHOTS[name]
    part = page.evaluate(MEASURE, [shot.begins, shot.highest_px])
    clip = {"x": 0, "y": part["top"], "width": 390, "height": part["height"]}
    page.set_viewport_size({"width": 390, "height": int(part["top"] + part["height"] + 200)})
    drawn = Image.open(io.BytesIO(page.screenshot(clip=clip, animations="disabled"))).convert("RGB")
    page.set_viewport_size({"width": 390, "height": 844})
    for quality in (70, 55, 40, 25):
        drawn.save(PICTURES / f"{name}.webp", quality=quality, method=6)
        if (PICTURES / f"{name}.webp").stat().st_size <= MOST_BYTES:
            break
    return {
        "address": without_what_differs(shot.address()),
        "who": shot.who,
        "blocks": part["blocks"],
        "width": 390,
        "height": part["height"],
        "words": without_what_differs(page.evaluate(WORDS, [shot.begins, part["blocks"]])),
    }


def what_changed(name: str, told: dict, page) -> str:
    words = without_what_differs(page.evaluate(WORDS, [SHOTS[name].begins, told["blocks"]]))
    if words == told["words"]:
        return ""
    lines = difflib.ndiff(told["words"].split(), words.split())
    changed = " ".join(line for line in lines if line[0] in "+-")
    return f"The picture of help page {name} shows {told['address']} as it was: {changed[:300]}"


@pytest.mark.parametrize(
    "names",
    [OUTDOORS, pytest.param(INDOORS, marks=[] if ANEW else pytest.mark.long)],
    ids=["outdoors", "indoors"],
)
def test_pictures_show_what_their_pages_say(names, looked_at):
    book = json.loads(BOOK.read_text())
    changed = []
    for name in names:
        page = looked_at(SHOTS[name])
        if ANEW:
            book[name] = make_picture(name, page)
        else:
            changed.append(what_changed(name, book[name], page))
    if ANEW:
        BOOK.write_text(json.dumps({name: book[name] for name in SHOTS if name in book}, indent=1) + "\n")
    told = "Look at them, then make them anew as tests/browser/test_help_pictures.py says."
    assert not any(changed), "\n".join([*filter(None, changed), told])


def test_every_task_has_a_shot():
    assert set(SHOTS) == set(BY_NAME)
