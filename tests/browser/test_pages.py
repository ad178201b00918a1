"""Every page of the site in a browser, over the demo: nothing breaks, nothing is too wide, too small, too faint or too heavy.

The measures are those of WCAG 2.2 (w3.org/TR/WCAG22): reflow (1.4.10, at 360 px here), text at twice its size (1.4.4), contrast
(1.4.3 at AA; 1.4.6 at AAA for what a runner reads in the sun), target size (2.5.8), labels and names (3.3.2, 4.1.2, 1.1.1).
"""

import gzip
import os
import re

import pytest
from django.urls import resolve, reverse

from prospecting.models import Lot
from tests.test_attack import play_scene, real_addresses, second_pages
from trials.models import Trial

pytestmark = pytest.mark.django_db(transaction=True)

# What a runner has in a wet hand: pages held to 48 px and to AAA contrast.
RUNNERS = {"run-log", "run-add", "dig-add", "run-next", "lot-crush", "lot-screen", "lot-split", "lot-cut", "lot-dry",
           "lot-reweigh", "lot-move", "lot-hand-over", "lot-reserve", "lot-release", "lot-scan",
           "lot-discard", "lot-take-for-assay", "pocket-trials", "pocket-trial", "pocket-lots", "pocket-doses",
           "pocket-crush", "pocket-dry", "pocket-screen", "pocket-split", "pocket-reweigh", "pocket-discard", "pocket-pan",
           "phone-home", "home", "lot-detail", "trial-detail"}  # fmt: skip
# Answers that are no page, or lead elsewhere.
NO_PAGES = {"health", "worker", "manifest", "phone-session", "pocket-pages", "photo", "photo-thumb", "return-file",
            "trial-figure", "claim-paper-file", "calendar-feed", "positions-geojson", "positions-gpx",
            "run-next", "sign-in", "sign-in-code", "api-file"}  # fmt: skip
MANY_SIDED = {"lot-detail", "step-detail", "trial-detail", "run-detail"}
# First visit: page, style sheet, scripts and icon, compressed.
MOST_BYTES = 60_000

MEASURE = """(runners) => {
  const found = [];
  const say = (what, element) => found.push(`${what}: ${(element?.outerHTML || "").replace(/\\s+/g, " ").slice(0, 140)}`);
  const shown = (element) => element.checkVisibility({ visibilityProperty: true }) && element.getClientRects().length > 0
    && !element.closest(".vh, .skip");
  const root = document.documentElement;

  if (root.lang !== "en") say("no language", root);
  const titles = [...document.querySelectorAll("h1")].filter((heading) => heading.getClientRects().length);
  if (titles.length !== 1) say(`${titles.length} h1`);
  if (!document.title.trim()) say("no title");
  let level = 1;
  for (const heading of document.querySelectorAll("main :is(h1, h2, h3, h4)")) {
    const now = Number(heading.tagName[1]);
    if (now > level + 1) say(`heading skips from ${level} to ${now}`, heading);
    level = now;
  }
  const ids = [...document.querySelectorAll("[id]")].map((element) => element.id);
  for (const id of new Set(ids.filter((id, at) => ids.indexOf(id) !== at))) say(`id twice: ${id}`);
  for (const image of document.images) if (!image.hasAttribute("alt")) say("picture without words", image);
  for (const drawing of document.querySelectorAll("svg"))
    if (!drawing.closest("[aria-hidden=true]") && !drawing.querySelector("title") && !drawing.hasAttribute("aria-label")
        && !drawing.hasAttribute("aria-labelledby")) say("drawing without words", drawing);
  for (const control of document.querySelectorAll("input:not([type=hidden], [hidden]), select, textarea"))
    if (!(control.labels?.length) && !control.hasAttribute("aria-label") && !control.hasAttribute("aria-labelledby"))
      say("no label", control);
  for (const name of ["aria-describedby", "aria-labelledby"])
    for (const pointer of document.querySelectorAll(`[${name}]`))
      for (const id of pointer.getAttribute(name).trim().split(/\\s+/))
        if (!document.getElementById(id)) say(`${name} points to no ${id}`, pointer);
  for (const tap of document.querySelectorAll("a, button, summary")) if (shown(tap) && !(tap.innerText ?? tap.textContent).trim()
      && !tap.hasAttribute("aria-label") && !tap.querySelector("title, .vh, img[alt]:not([alt=''])")) say("no name", tap);

  for (const tap of document.querySelectorAll("a[href], button, input:not([type=hidden]), select, textarea, summary")) {
    if (!shown(tap)) continue;
    // A link in a line of text is exempt (2.5.8, inline); a tick's label is part of its target.
    if (tap.tagName === "A" && getComputedStyle(tap).display === "inline") continue;
    let box = tap.getBoundingClientRect();
    if (["checkbox", "radio"].includes(tap.type) && tap.labels.length) box = tap.labels[0].getBoundingClientRect();
    const least = runners && tap.matches(".act, input, select, textarea") ? 47.5 : 23.5;
    if (box.height < least || box.width < 23.5) say(`target of ${box.width.toFixed(0)} x ${box.height.toFixed(0)} px`, tap);
  }

  const numbers = (colour) => colour.match(/[\\d.]+/g).map(Number);
  const light = ([r, g, b]) => [r, g, b].map((part) => part / 255)
    .map((part) => (part <= 0.04045 ? part / 12.92 : ((part + 0.055) / 1.055) ** 2.4))
    .reduce((sum, part, at) => sum + part * [0.2126, 0.7152, 0.0722][at], 0);
  const behind = (element) => {
    for (let up = element; up; up = up.parentElement) {
      const colour = numbers(getComputedStyle(up).backgroundColor);
      if (colour.length === 3 || colour[3] === 1) return colour;
    }
    return [255, 255, 255];
  };
  for (const element of document.body.querySelectorAll("*")) {
    if (element.closest("svg, [disabled]") || !shown(element)) continue;
    if (![...element.childNodes].some((node) => node.nodeType === 3 && node.data.trim())) continue;
    const style = getComputedStyle(element);
    const pair = [light(numbers(style.color)), light(behind(element))].sort((a, b) => b - a);
    const ratio = (pair[0] + 0.05) / (pair[1] + 0.05);
    const large = parseFloat(style.fontSize) >= 24 || (parseFloat(style.fontSize) >= 18.66 && Number(style.fontWeight) >= 700);
    const least = runners ? (large ? 4.5 : 7) : (large ? 3 : 4.5);
    if (ratio < least) say(`contrast ${ratio.toFixed(2)} of ${least}`, element);
  }
  return found;
}"""
TOO_WIDE = """(scale) => {
  const root = document.documentElement;
  root.style.fontSize = scale;
  const width = root.scrollWidth;
  const wide = width <= root.clientWidth ? "" : [...document.querySelectorAll("body *")]
    .filter((element) => element.getBoundingClientRect().right > root.clientWidth + 1
      && !element.closest(".table-wrap"))
    .slice(0, 2).map((element) => element.outerHTML.replace(/\\s+/g, " ").slice(0, 120)).join(" | ");
  root.style.fontSize = "";
  return [width, wide];
}"""


def addresses_for(role: str) -> list[str]:
    """One address of each page, of pages that look different for every kind of record a few."""
    found: dict[str, list[str]] = {}
    for pattern, address in real_addresses():
        if pattern.name not in NO_PAGES and (role == "keeper" or pattern.callback.least_role != "keeper"):
            found.setdefault(pattern.name, []).append(address)
    chosen = [address for name, some in found.items() for address in some[: 3 if name in MANY_SIDED else 1]]
    return chosen + (list(second_pages().values()) if role == "keeper" else [])


def watched(page) -> list[str]:
    heard: list[str] = []
    # The worker is kept out of these pages (see conftest.py).
    page.on(
        "console",
        lambda message: (
            heard.append(f"{message.type}: {message.text}")
            if "Service Worker registration blocked" not in message.text
            else None
        ),
    )
    page.on("dialog", lambda dialog: heard.append(f"dialog: {dialog.message}"))
    return heard


def is_runners(address: str) -> bool:
    return resolve(address.partition("?")[0]).url_name in RUNNERS


@pytest.mark.parametrize("role", ["keeper", pytest.param("panner", marks=pytest.mark.long)])
def test_every_page_holds_on_a_phone_and_on_a_desk(role, transactional_db, open_page, signed_in):
    play_scene()
    page = open_page(signed_in_as=signed_in(role), viewport={"width": 360, "height": 740})
    heard = watched(page)
    problems = []
    addresses = addresses_for(role)
    if role == "panner":
        # A member sees what a keeper sees and less; the runner's own pages are looked at as the runner sees them.
        addresses = [address for address in addresses if is_runners(address)]
    elif not os.environ.get("PROSPECTING_LONG_TESTS"):
        # A hundred and seventy pages take long: every second one, and the runner's own, in each run.
        addresses = [address for at, address in enumerate(addresses) if at % 2 == 0 or is_runners(address)]
    for address in addresses:
        page.set_viewport_size({"width": 360, "height": 740})
        answer = page.goto(address)
        runners = is_runners(address)
        here = [] if answer.status == 200 else [f"status {answer.status}"]
        for scale in ("", "212.5%"):
            width, wide = page.evaluate(TOO_WIDE, scale)
            if width > 360:
                here.append(f"{width} px wide at {scale or '100%'}: {wide}")
        here += page.evaluate(MEASURE, runners)
        page.emulate_media(color_scheme="dark")
        here += [f"dark {text}" for text in page.evaluate(MEASURE, runners) if "contrast" in text]
        page.emulate_media(color_scheme="light")
        page.set_viewport_size({"width": 1200, "height": 900})
        width, wide = page.evaluate(TOO_WIDE, "")
        if width > 1200:
            here.append(f"{width} px wide on a desk: {wide}")
        problems += [f"{address} {text}" for text in here + heard]
        heard.clear()
    assert len(addresses) > (60 if role == "keeper" else 4)
    assert not problems, f"{len(problems)} on {len(addresses)} pages:\n" + "\n".join(dict.fromkeys(problems))


def test_a_first_visit_to_a_runners_page_weighs_little(transactional_db, client, signed_in):
    """Page, style sheet, scripts and icon as gzip sends them; the site's own server compresses the same way."""
    play_scene()
    client = signed_in("panner")
    trial = Trial.objects.get(state=Trial.State.RUNNING, outcome=Trial.Outcome.GOLD_MASS)
    lot = Lot.objects.in_stock().of_kind(Lot.Kind.BLEND).latest("pk")
    addresses = [reverse("home"), trial.get_absolute_url(), trial.get_next_url(), reverse("dig-add"), reverse("lot-list"),
                 lot.get_absolute_url(), reverse("run-add", args=[lot.code]), reverse("lot-crush", args=[lot.code]),
                 reverse("lot-cut", args=[lot.code])]  # fmt: skip
    weights = {}
    for address in addresses:
        body = client.get(address, follow=True).content
        files = set(re.findall(rb'(?:href|src)="(/static/[^"]+)"', body))
        assert len(files) >= 3, address
        weights[address] = len(gzip.compress(body, 6)) + sum(
            len(gzip.compress(static_file(path.decode()))) for path in files
        )
    heaviest = max(weights, key=weights.get)
    assert weights[heaviest] < MOST_BYTES, f"{heaviest} weighs {weights[heaviest]} bytes"


def static_file(path: str) -> bytes:
    from pathlib import Path

    from django.contrib.staticfiles import finders

    return Path(finders.find(path.removeprefix("/static/"))).read_bytes()
