"""The runner's pages on a phone: two runners with two phones, one without a signal; lots named by muddy codes; size and weight.

Measures of targets, contrast, width and text size are those of WCAG 2.2 as in test_pages.py.
"""

import gzip
import http.client
import random
import re

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from prospecting.calc import codes
from prospecting.models import Step
from tests import make
from tests.browser.test_pages import MEASURE, MOST_BYTES, TOO_WIDE
from tests.browser.test_phone_queue import (  # noqa: F401 (fixtures)
    ARE_KEPT,
    Handset,
    a_phone,
    gate,
    handset,
    lasting_handset,
    sent,
)
from tests.load.server import Client, served
from tests.trials.make_trial import log, make_running
from trials.models import Run, Trial
from trials.views.pocket import STEPS

pytestmark = pytest.mark.django_db(transaction=True)

# Every target of the run page, lines of text excepted: a link in a sentence is inline (WCAG 2.5.8).
SMALL_TARGETS = """() => [...document.querySelectorAll("a[href], button, input:not([type=hidden]), select, textarea, summary")]
  .filter((tap) => tap.checkVisibility({ visibilityProperty: true }) && tap.getClientRects().length && !tap.closest(".vh, .skip"))
  .filter((tap) => !(tap.tagName === "A" && getComputedStyle(tap).display === "inline"))
  .map((tap) => {
    const isTick = ["checkbox", "radio"].includes(tap.type) && tap.labels.length;
    const box = (isTick ? tap.labels[0] : tap).getBoundingClientRect();
    return [box.width, box.height, tap.outerHTML.replace(/\\s+/g, " ").slice(0, 120)];
  })
  .filter(([width, height]) => height < 47.5 || width < 47.5)"""


def make_trial(**fields) -> Trial:
    lot = make.make_lot("40000")
    make.make_portions(lot, 8)
    fields = {"blocks": 2, "names": ("plain water", "rinse", "more rinse", "most rinse")} | fields
    return make_running(lot=lot, portions_from=Trial.PortionsFrom.CUT, question="Rinse trial", **fields)


def page_of(trial: Trial) -> str:
    return reverse("pocket-trial", args=[trial.pk])


def order_of(trial: Trial, block: int) -> list[str]:
    return list(trial.planned_runs.filter(block__number=block).values_list("blind_code", flat=True))


def keep(phone: Handset, *addresses: str) -> None:
    """Opened once with a signal, each stays on the phone."""
    for address in addresses:
        phone.page.goto(address, wait_until="networkidle")
    assert phone.page.evaluate(ARE_KEPT, list(addresses))


def in_hand(page) -> str:
    return page.locator("[data-next] [data-code]").inner_text()


def wait_for_code(page, code: str) -> None:
    page.locator("[data-next] [data-code]", has_text=re.compile(f"^{code}$")).wait_for(timeout=30_000)


def log_here(page, gold: str = "8") -> None:
    page.get_by_label("Gold, dried and weighed").fill(gold)
    page.get_by_role("button", name="Keep and show the next portion").click()


@pytest.mark.long
def test_two_runners_take_a_block_each_and_one_has_no_signal(lasting_handset, client_as):  # noqa: F811
    phone = lasting_handset
    trial = make_trial()
    first, second = order_of(trial, 1), order_of(trial, 2)
    keep(phone, page_of(trial))
    phone.gate.set("shut")
    page = phone.page
    page.goto(page_of(trial))
    wait_for_code(page, first[0])
    page.get_by_role("navigation", name="I pan block").get_by_role("link", name="2").click()
    wait_for_code(page, second[0])
    page.get_by_text("Water, pan, light").click()
    page.get_by_label("Pan or gear").fill("green pan")
    log_here(page)
    wait_for_code(page, second[1])
    assert page.get_by_label("Gold, dried and weighed").input_value() == ""
    assert page.locator("[name=pan]").input_value() == "green pan"
    assert page.locator("main").inner_text().count("0 of 8 in") == 1
    page.get_by_text(", 1 on this phone").wait_for()

    other = client_as("member")
    for planned in trial.planned_runs.filter(block__number=1):
        log(planned, other.member)

    phone.kill()
    phone.start()
    page = phone.page
    page.goto(page_of(trial))
    wait_for_code(page, second[1])
    for code in second[1:]:
        wait_for_code(page, code)
        log_here(page)
    page.get_by_role("heading", name="Block 2 is panned").wait_for()
    assert not page.locator("[data-run-form]").is_visible()
    page.get_by_role("link", name="Go on with block 1").click()
    wait_for_code(page, first[0])

    assert [entry["title"] for entry in phone.waiting()] == [f"{code}, Rinse trial" for code in second]
    assert len({entry["identity"] for entry in phone.waiting()}) == 4
    assert Run.objects.count() == 4
    phone.gate.set("open")
    page.goto(page_of(trial))
    assert sent(phone)
    logged = list(Run.objects.order_by("pk").values_list("planned__blind_code", flat=True))
    assert sorted(logged[:4]) == sorted(first) and logged[4:] == second
    assert set(Run.objects.filter(planned__block__number=2).values_list("pan", flat=True)) == {"green pan"}
    page.goto(page_of(trial))
    page.get_by_text("Block 1, Block 2: every portion is in").wait_for()
    assert page.get_by_role("heading", name="Every planned portion is in").is_visible()


@pytest.mark.long
def test_a_page_kept_before_the_entry_went_out_does_not_offer_its_portion_again(handset):  # noqa: F811
    trial = make_trial()
    codes_of_block = order_of(trial, 1)
    keep(handset, page_of(trial))
    page = handset.page
    page.goto(page_of(trial))
    handset.gate.set("shut")
    log_here(page)
    wait_for_code(page, codes_of_block[1])
    # Sent by another page of this phone, whose kept pages stay those of before.
    handset.gate.set("open")
    page.evaluate("phoneQueue.flush()")
    assert sent(handset) and Run.objects.count() == 1
    page.wait_for_load_state("networkidle")
    handset.gate.set("shut")
    page.goto(page_of(trial))
    wait_for_code(page, codes_of_block[1])


@pytest.mark.long
def test_a_run_that_came_back_is_mended(handset, client_as):  # noqa: F811
    trial = make_trial()
    first, second, *_ = order_of(trial, 1)
    keep(handset, page_of(trial))
    handset.gate.set("shut")
    page = handset.page
    page.goto(page_of(trial))
    wait_for_code(page, first)
    log_here(page, "eight")
    wait_for_code(page, second)
    handset.gate.set("open")
    page.goto(page_of(trial))
    page.get_by_role("link", name=f"{first} came back: mend it").click()
    page.get_by_text("You are mending what waits on this phone").wait_for()
    wait_for_code(page, first)
    gold = page.get_by_label("Gold, dried and weighed")
    assert gold.input_value() == "eight"
    log_here(page, "8.5")
    wait_for_code(page, second)
    assert sent(handset)
    assert Run.objects.get().planned.blind_code == first and Run.objects.get().gold_typed == "8.5 mg"


@pytest.mark.long
def test_another_portion_is_taken_on_purpose_and_keeps_its_own_draft(handset):  # noqa: F811
    trial = make_trial()
    first, second, third, _ = order_of(trial, 1)
    keep(handset, page_of(trial))
    handset.gate.set("shut")
    page = handset.page
    page.goto(page_of(trial))
    wait_for_code(page, first)
    page.locator("[name=note]").evaluate("note => { note.closest('details').open = true; }")
    page.locator("[name=note]").fill("half typed")
    page.get_by_text("Another portion of this block").click()
    page.get_by_text("The order was drawn by lot").wait_for()
    page.get_by_role("link", name=third, exact=True).click()
    wait_for_code(page, third)
    assert page.locator("[name=note]").input_value() == ""
    portion = trial.planned_runs.get(blind_code=third).portion
    assert page.locator("[data-portion]").inner_text() == portion.code
    log_here(page)
    wait_for_code(page, first)
    expect(page.locator("[name=note]")).to_have_value("half typed")
    assert [entry["action"] for entry in handset.waiting()] == [reverse("run-log", args=[trial.pk, third])]


def test_the_addresses_of_a_run_lead_to_the_kept_page_without_a_signal(handset):  # noqa: F811
    trial = make_trial()
    keep(handset, page_of(trial))
    handset.gate.set("shut")
    page = handset.page
    code = order_of(trial, 2)[2]
    page.goto(reverse("run-log", args=[trial.pk, code]))
    wait_for_code(page, code)
    page.goto(trial.get_next_url())
    wait_for_code(page, order_of(trial, 1)[0])
    assert "No signal: this page is as it stood" in page.locator("main").inner_text()


@pytest.mark.long
def test_a_lot_is_crushed_and_split_without_a_signal(handset):  # noqa: F811
    lot, newer = make.make_lot("10200", title="ledge"), None
    keep(handset, reverse("pocket-lots"), reverse("pocket-crush"), reverse("pocket-split"))
    newer = make.make_lot("9000")
    handset.gate.set("shut")
    page = handset.page
    page.goto(reverse("pocket-lots"))
    typed = lot.code.replace("-", " ").lower()
    page.get_by_label("Code on the tag, or what it is").fill(typed[:5])
    page.locator("[data-found] summary", has_text=lot.code).wait_for()
    assert "10.2 kg" in page.locator("[data-found]").inner_text()
    page.locator("[data-found]").get_by_role("link", name="Crush").click()
    said = page.locator("#lot-says")
    said.get_by_text(re.compile(r"Bucket, ledge: 10\.2 kg on hand as of")).wait_for()
    page.get_by_label("Mass that came out").fill("10.1 kg")
    page.get_by_label("Crusher, mill or mortar").fill("jaw")
    page.get_by_label("Crushed to").fill("850 um")
    page.get_by_role("button", name="Record it").click()
    page.wait_for_url(re.compile("/phone/$"))

    # Three pieces of a lot that is newer than the page; its own address leads here as well.
    page.goto(reverse("lot-split", args=[newer.code]))
    said.get_by_text(f"{newer.code} is not among the lots this phone knows").wait_for()
    page.get_by_label("Into how many pieces?").select_option("3")
    for number in (1, 2, 3):
        page.get_by_label(f"Piece {number}").fill("3 kg")
    assert not page.get_by_label("Piece 4").is_visible()
    page.get_by_label("Riffle splitter").check()
    page.get_by_role("button", name="Record it").click()
    page.wait_for_url(re.compile("/phone/$"))
    assert [entry["title"] for entry in handset.waiting()] == [f"Crush {lot.code}", f"Split {newer.code}"]

    page.goto(reverse("pocket-crush") + f"?lot={lot.code}")
    said.get_by_text("1 not yet sent about it.").wait_for()
    handset.gate.set("open")
    page.goto("/phone/")
    assert sent(handset)
    assert Step.objects.filter(kind=Step.Kind.CRUSH, draws__lot=lot).count() == 1
    assert Step.objects.get(kind=Step.Kind.SPLIT, draws__lot=newer).made.count() == 3


@pytest.mark.long
def test_a_split_that_came_back_keeps_its_three_pieces(handset):  # noqa: F811
    lot = make.make_lot("9000")
    keep(handset, reverse("pocket-split"))
    handset.gate.set("shut")
    page = handset.page
    page.goto(reverse("pocket-split") + f"?lot={lot.code}")
    page.get_by_label("Into how many pieces?").select_option("3")
    for number, mass in enumerate(("3 kg", "3 kg", "three"), start=1):
        page.get_by_label(f"Piece {number}").fill(mass)
    page.get_by_label("Riffle splitter").check()
    page.get_by_role("button", name="Record it").click()
    page.wait_for_url(re.compile("/phone/$"))
    [entry] = handset.waiting()
    page.goto(f"{entry['form_path']}#entry={entry['identity']}")
    page.get_by_text("You are mending what waits on this phone").wait_for()
    assert page.locator("#lot").input_value() == lot.code
    assert page.get_by_label("Piece 3").input_value() == "three"
    page.get_by_label("Piece 3").fill("3 kg")
    handset.gate.set("open")
    page.get_by_role("button", name="Record it").click()
    page.wait_for_url(re.compile("/phone/$"))
    assert sent(handset)
    assert Step.objects.get(kind=Step.Kind.SPLIT).made.count() == 3


def test_a_wrong_sign_of_a_code_is_told_before_anything_is_kept(phone_as):
    page = phone_as("member")
    lot = make.make_lot()
    page.goto(reverse("pocket-crush"))
    field, said = page.locator("#lot"), page.locator("#lot-says")
    swapped = lot.code[1] + lot.code[0] + lot.code[2:]
    wrong = swapped if swapped != lot.code else lot.code[:-1] + ("A" if lot.code[-1] != "A" else "C")
    field.fill(wrong)
    said.get_by_text("the check letter does not fit").wait_for()
    page.get_by_label("Mass that came out").fill("1 kg")
    page.get_by_label("Crusher, mill or mortar").fill("jaw")
    page.get_by_label("Crushed to").fill("850 um")
    page.get_by_role("button", name="Record it").click()
    assert not page.evaluate("document.querySelector('[data-step-form]').checkValidity()")
    assert page.evaluate("phoneQueue.count()") == 0
    page.goto(reverse("pocket-lots"))
    page.get_by_label("Code on the tag, or what it is").fill(wrong)
    page.locator("#look-up-says").get_by_text("the check letter does not fit").wait_for()


def spoilt(rng: random.Random) -> str:
    """A code as it is typed with cold fingers: right, with look-alikes, odd blanks, a wrong sign, two swapped, too short."""
    signs = list(
        codes.draw_code(rng, rng.choice((2, 3))).replace("-", rng.choice(("-", " ", "", "\u2013", ".", "_")))
    )
    for _ in range(rng.choice((0, 0, 1, 2))):
        at = rng.randrange(len(signs))
        signs[at] = rng.choice("BCDFGHJKMNPQRSTVWXYZ23456789OoIl015sz8\u0663\u00e9\u00df \u00a0\ufb01")
    if rng.random() < 0.2:
        at = rng.randrange(len(signs) - 1)
        signs[at], signs[at + 1] = signs[at + 1], signs[at]
    text = "".join(signs)[: rng.choice((None, None, None, 5))]
    return rng.choice((text, text.lower(), f"  {text} ", text * rng.choice((1, 1, 6))))


def read_here(text: str) -> str:
    try:
        return codes.read_code(text)
    except ValueError as refusal:
        return f"refused: {refusal}"


@pytest.mark.long
def test_the_phone_reads_a_code_as_the_site_does(phone_as):
    page = phone_as("member")
    page.goto(reverse("pocket-lots"))
    rng = random.Random(4)
    texts = [spoilt(rng) for _ in range(4000)]
    there = page.evaluate(
        """(texts) => texts.map((text) => {
          try { return lotCodes.read(text); } catch (error) { return `refused: ${error.message}`; }
        })""",
        texts,
    )
    here = [read_here(text) for text in texts]
    assert sum(not each.startswith("refused") for each in here) > 1000
    assert sum("check letter does not fit" in each for each in here) > 100
    assert there == here


def test_a_run_is_logged_with_the_script_off(open_page, client_as):
    trial = make_trial()
    client = client_as("member")
    page = open_page(signed_in_as=client, java_script_enabled=False)
    first, second, third, _ = order_of(trial, 1)
    page.goto(page_of(trial))
    assert in_hand(page) == first
    log_here(page)
    assert Run.objects.get().planned.blind_code == first
    page.goto(page_of(trial))
    assert in_hand(page) == second
    page.get_by_text("Another portion of this block").click()
    page.get_by_role("link", name=third, exact=True).click()
    assert in_hand(page) == third
    page.get_by_role("link", name=re.compile(r"block\s+2")).click()
    assert in_hand(page) == order_of(trial, 2)[0]


@pytest.mark.long
def test_lots_are_found_with_the_script_off(open_page, client_as):
    lot = make.make_lot()
    page = open_page(signed_in_as=client_as("member"), java_script_enabled=False)
    page.goto(reverse("pocket-lots"))
    assert page.get_by_role("link", name=lot.code).is_visible()
    page.goto(reverse("pocket-reweigh"))
    assert page.locator("main form").count() == 2 and not page.locator("[data-step-form]").is_visible()
    page.get_by_label("Code on the tag").first.fill(lot.code.lower())
    page.get_by_role("button", name="Open its form").click()
    page.wait_for_url(re.compile(reverse("lot-reweigh", args=[lot.code])))


def pocket_pages(trial: Trial) -> list[str]:
    names = ["pocket-trials", "pocket-lots", "pocket-doses", *(f"pocket-{kind}" for kind in STEPS)]
    return [reverse(name) for name in names] + [page_of(trial)]


def open_everything(page) -> None:
    page.evaluate("document.querySelectorAll('main details').forEach((fold) => { fold.open = true; })")


@pytest.mark.parametrize("scheme", ["light", pytest.param("dark", marks=pytest.mark.long)])
def test_they_hold_on_a_narrow_phone_at_twice_the_text_in_sun_and_shed(open_page, client_as, scheme):
    trial = make_trial()
    page = open_page(
        signed_in_as=client_as("member"), viewport={"width": 360, "height": 740}, color_scheme=scheme
    )
    problems = []
    for address in pocket_pages(trial):
        page.goto(address)
        open_everything(page)
        problems += [(address, found) for found in page.evaluate(MEASURE, True)]
        problems += [(address, found) for found in page.evaluate(SMALL_TARGETS)]
        for scale in ("", "200%"):
            width, wide = page.evaluate(TOO_WIDE, scale)
            if width > 360:
                problems.append((address, scale, width, wide))
    # Twice the size by the browser's own zoom: half as many pixels across.
    page.set_viewport_size({"width": 180, "height": 370})
    for address in pocket_pages(trial):
        page.goto(address)
        width, wide = page.evaluate(TOO_WIDE, "")
        if width > 180:
            problems.append((address, "zoomed", width, wide))
    assert problems == []


BOOKS = """
from prospecting.models import Member
from tests import make
from tests.browser.test_pocket_pages import make_trial
from tests.trials.make_trial import make_running
member = make.make_member(username="panner")
for _ in range(300):
    make.make_lot(member=member)
trial = make_trial()
print(trial.pk)
"""


def fetched(client: Client, path: str) -> tuple[int, str]:
    """Bytes on the wire of one answer, head and body, as a browser asks for it; and its text."""
    cookies = "; ".join(f"{name}={value}" for name, value in client.cookies.items())
    connection = http.client.HTTPConnection("127.0.0.1", client.port, timeout=60)
    connection.request("GET", path, headers={"Cookie": cookies, "Accept-Encoding": "gzip, deflate, br"})
    answer = connection.getresponse()
    body = answer.read()
    head = sum(len(name) + len(value) + 4 for name, value in answer.getheaders()) + 17
    connection.close()
    assert answer.status == 200, path
    how = answer.headers.get("Content-Encoding", "")
    return len(body) + head, (gzip.decompress(body) if how == "gzip" else body).decode("utf-8", "replace")


@pytest.mark.long
def test_a_first_visit_weighs_little_on_the_wire(tmp_path):
    """From the real server: the page, its style sheet, scripts and icon, compressed as they travel."""
    with served(tmp_path, BOOKS) as site:
        client = Client(site.port)
        client.sign_in("panner")
        weights = {}
        for path in [page_of_number(site.printed), "/phone/lots/", "/phone/lots/crush/", "/phone/doses/"]:
            page_bytes, text = fetched(client, path)
            parts = set(re.findall(r'(?:src|href)="(/static/[^"]+)"', text))
            parts = {part for part in parts if "apple-touch" not in part and not part.endswith(".png")}
            assert any(part.endswith(".css") for part in parts) and len(parts) > 5
            weights[path] = page_bytes + sum(fetched(client, part)[0] for part in parts)
        print(f"first visit on the wire, bytes: {weights}")
        assert max(weights.values()) <= MOST_BYTES, weights


def page_of_number(printed: str) -> str:
    return reverse("pocket-trial", args=[int(printed)])
