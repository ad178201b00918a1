"""Every figure on a page has its reader's decimal mark; what is stored or leaves as a file has points, whoever reads.

Which mark is right where: ISO 80000-1 (7.3.2) takes a comma or a point on the line, digits in threes apart by a small space
(7.3.1); from memory.
"""

import ast
import json
import re
from collections.abc import Iterator
from decimal import Decimal
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import urlencode

import pytest
from django.apps import apps
from django.db import models
from django.http import QueryDict
from django.urls import reverse

from prospecting.actions.refusal import Refused
from prospecting.calc import units
from prospecting.calc.number_words import APART, COMMA, POINT, decimal_mark, marked
from prospecting.forms.base import NumberField, SiteForm
from prospecting.models import Dig, JournalEntry, Lot, Member
from tests import make
from tests.prospecting.actions.test_held import make_held
from tests.prospecting.views.test_ground import dig_form
from tests.prospecting.views.test_steps import typed
from tests.test_pages_cost import pages
from tests.trials.frames.test_verdicts import LIKE_WATER, WATER, make_trial
from trials.frames.findings import changed_of, figures_of, frozen_of, shown_in_a_line
from trials.models import FindingEvidence, Run

ROOT = Path(__file__).parent.parent
LAYERS = ("actions", "calc", "charts", "forms", "frames", "models", "tables", "templatetags", "views")
# Formats that may bring a point, or commas between thousands. Whole figures (.0f, d) look alike for every reader.
WITH_MARK = re.compile(r"(^|[^.])(\.[1-9{])|[ge%]$|^,|,\.|^[+]?f$")
# A place on paper, in the drawing's own units.
PLACE = re.compile(r"^\.[12]f$")
# Only files that hold one of these are parsed.
MAY_FORMAT = re.compile(r":[^\s{}'\"]*([gef,]|\.[0-9{][^\s'\"]*)\}|\bformat\(|['\"] % ")
# What is kept or leaves: points whoever reads. And what is read again by the site itself.
AS_WRITTEN = {
    ("prospecting/actions/correction.py", "number.normalize()"): "the journal's words",
    ("prospecting/actions/moving.py", "count"): "told by a command",
    ("prospecting/actions/values.py", "number.normalize()"): "the journal's words",
    ("prospecting/calc/book_cells.py", "value.quantize(Decimal(1).scaleb(-places)) + 0"): "a cell of a file",
    ("prospecting/calc/cells.py", "plain"): "a cell of a file",
    ("prospecting/calc/row_digest.py", "value.normalize()"): "what a hash is made of",
    ("prospecting/calc/units.py", "number.quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_EVEN)"): (
        "gets its mark three lines on"
    ),
    ("prospecting/calc/working.py", "value"): "gets its mark in the same function",
    ("prospecting/charts/precision.py", "value"): "rounds, and is written by numeral",
    ("prospecting/frames/checks.py", "z"): "gets its mark in the next line",
    ("prospecting/frames/positions.py", "dig.latitude"): "an attribute of a file",
    ("prospecting/frames/positions.py", "dig.longitude"): "an attribute of a file",
    ("trials/actions/importing.py", "mass_g.normalize()"): "kept as typed",
    ("trials/actions/importing.py", "ml_per_l.normalize()"): "kept as typed",
    ("trials/calc/old_sheets.py", "panned_g.normalize()"): "kept as typed",
    ("trials/calc/designs.py", "number"): "rounds to a Decimal",
    ("trials/calc/verdict.py", "ratio"): "gets its mark in the same function",
    ("trials/charts/grade.py", "step.normalize()"): "rounds to a Decimal",
    ("trials/charts/grade.py", "(step * steps).normalize()"): "rounds to a Decimal",
    ("trials/frames/findings.py", "value.normalize()"): "frozen with the finding",
    ("trials/frames/renewal.py", "mass_g.normalize()"): "a part of an address",
    ("trials/frames/sampling_plan.py", "grains"): "thousands apart by a space for everybody",
    ("trials/models/clearing.py", "self.minutes.normalize()"): "the journal's name of a reading",
}
# Told by commands, or kept in the health file.
OF_COMMANDS = {"prospecting/frames/books.py", "prospecting/frames/books_out.py"}


def figures_past_it(source: str, *, is_chart: bool = False) -> Iterator[tuple[int, str]]:
    """Line and text of each value that an f-string, format() or str.format writes with decimals of its own."""
    for node in ast.walk(ast.parse(source)):
        match node:
            case ast.FormattedValue(value=value, format_spec=ast.JoinedStr(values=parts)):
                spec = "".join(part.value if isinstance(part, ast.Constant) else "{}" for part in parts)
            case ast.Call(func=ast.Name(id="format"), args=[value, ast.Constant(value=str(spec))]):
                pass
            case ast.BinOp(left=ast.Constant(value=str(spec)) as value, op=ast.Mod()) if "%" in spec:
                spec = ".1f"
            case _:
                continue
        if WITH_MARK.search(spec) and not (is_chart and PLACE.match(spec)) and "%" not in spec[:-1]:
            yield node.lineno, ast.unparse(value)


@cache
def written_past_it() -> dict[tuple[str, str], int]:
    """(file, value) to its line, for all the layers that make something to be read."""
    found = {}
    for app in ("prospecting", "trials"):
        for path in sorted(path for layer in LAYERS for path in (ROOT / app / layer).rglob("*.py")):
            short = path.relative_to(ROOT).as_posix()
            if short not in OF_COMMANDS:
                source = path.read_text(encoding="utf-8")
                past = (
                    figures_past_it(source, is_chart="/charts/" in short) if MAY_FORMAT.search(source) else ()
                )
                found |= {(short, text): line for line, text in past}
    return found


def test_every_figure_is_written_by_one_mechanism():
    past = [
        f"{short}:{line}: {text}"
        for (short, text), line in written_past_it().items()
        if (short, text) not in AS_WRITTEN
    ]
    assert not past, "write these by numeral() of calc/number_words.py, or say why not:\n" + "\n".join(past)


def test_every_exception_is_still_needed():
    assert set(AS_WRITTEN) <= set(written_past_it())


@pytest.mark.parametrize(
    "source",
    [
        "f'{x:.2f}'",
        "f'{x:.{n}g}'",
        "f'{x:g}'",
        "f'{x:,}'",
        "f'{x:+.1f}'",
        "f'{x:f}'",
        "f'{x:.3e}'",
        "format(x, '.1f')",
        "'%.1f' % x",
    ],
)
def test_sees_a_figure_written_past_it(source):
    assert len(list(figures_past_it(source))) == 1


@pytest.mark.parametrize(
    "source", ["f'{x:.0f}'", "f'{x}'", "f'{day:%d %b %Y}'", "f'{x:d}'", "numeral(x, '.1f')", "a % b"]
)
def test_leaves_whole_figures_and_days_alone(source):
    assert not list(figures_past_it(source))


# What a template writes itself: tags and comments aside.
TAGS = re.compile(r"{%.*?%}|{{.*?}}|{#.*?#}|<[^>]*>", re.DOTALL)
# Read sign by sign off a laboratory's paper, or a number of a version.
TEMPLATES_AS_WRITTEN = {"return_type.html", "returned.html", "api_page.html"}


def test_no_template_writes_a_figure_past_it():
    found = []
    for app in ("prospecting", "trials"):
        for path in sorted((ROOT / app / "templates").rglob("*.html")):
            source = path.read_text(encoding="utf-8")
            bare = (
                re.findall(r"[0-9][.][0-9]", TAGS.sub(" ", source))
                if path.name not in TEMPLATES_AS_WRITTEN
                else []
            )
            if bare or re.search(r"\|(floatformat|stringformat:\"[^\"]*[fge]\"|intcomma)", source):
                found.append(path.name)
    assert not found, "give these figures |numeral or |places"


# ---- Pages.


class Shown(HTMLParser):
    """What a page shows as text, with the elements it stands in; and what its inputs begin with."""

    NO_END = {"meta", "link", "input", "br", "hr", "img"}
    TOLD = ("aria-label", "title", "placeholder", "alt", "data-label")
    NO_PART = (*TOLD, "data-decimal")

    def __init__(self, page: str) -> None:
        super().__init__()
        self.inside: list[str] = []
        self.texts: list[tuple[str, str]] = []
        # What a program reads: addresses, places in a drawing, bounds of inputs.
        self.for_programs: list[tuple[str, str]] = []
        self.feed(page)

    def handle_starttag(self, tag, attrs) -> None:
        has = dict(attrs)
        self.texts += [(name, has[name]) for name in self.TOLD if has.get(name)]
        if tag == "input" and has.get("type", "text") == "text" and has.get("value") and "name" in has:
            self.texts.append((f"input {has['name']}", has["value"]))
            del has["value"]
        self.for_programs += [(f"{tag} {name}", has[name] or "") for name in has if name not in self.NO_PART]
        if tag not in self.NO_END:
            self.inside.append(tag)

    def handle_startendtag(self, tag, attrs) -> None:
        self.for_programs += [
            (f"{tag} {name}", value or "") for name, value in attrs if name not in self.NO_PART
        ]

    def handle_endtag(self, tag) -> None:
        while self.inside and self.inside.pop() != tag:
            pass

    def handle_data(self, text) -> None:
        if text.strip() and not {"script", "style"} & set(self.inside):
            self.texts.append((" ".join(self.inside[-2:]), text.strip()))


def test_sees_a_comma_where_a_program_reads():
    with_point, comma = (
        Shown(f'<a href="?mass=1{mark}5" title="1.5"></a><rect x="1{mark}5"/>') for mark in (POINT, COMMA)
    )
    assert comma.for_programs == [(where, with_comma(text)) for where, text in with_point.for_programs]
    assert len(comma.for_programs) == 2


def with_comma(text: str) -> str:
    """What a reader with the comma should see for what one with the point sees; by rules of this test alone."""
    apart = re.sub(r"(?<=[0-9]),(?=[0-9]{3}(?![0-9]))", APART, text)
    return re.sub(r"(?<=[0-9])[.](?=[0-9])", COMMA, apart)


def read_both(client, url: str) -> dict[str, str]:
    """The page as each of the two readers has it."""
    read = {}
    for mark in (POINT, COMMA):
        Member.objects.filter(pk=client.member.pk).update(decimal_mark=mark)
        answer = client.get(url)
        assert answer.status_code == 200, url
        read[mark] = answer.getvalue().decode()
    return read


def unlike(client, url: str, written: set[str]) -> list[str]:
    """What the reader with the comma is shown otherwise than it should be; `written` stays as somebody wrote it."""
    read = read_both(client, url)
    with_point, comma = Shown(read[POINT]), Shown(read[COMMA])
    assert len(with_point.texts) == len(comma.texts), url
    wrong = []
    for (_, before), (place, after) in zip(with_point.texts, comma.texts, strict=True):
        if after == with_comma(before):
            continue
        # The longest first: a sentence somebody wrote may hold a figure that stands in the books alone, too.
        for each in sorted(written, key=len, reverse=True):
            if each in before and each in after:
                before, after = before.replace(each, "as written"), after.replace(each, "as written")
        if after != with_comma(before):
            wrong.append(f"{url} {place}: {after[:200]}")
    for (_, before), (place, after) in zip(with_point.for_programs, comma.for_programs, strict=True):
        if before != after and after == with_comma(before):
            wrong.append(f"{url} for a program, {place}: {after[:200]}")
    return wrong


@pytest.fixture
def trial(db):
    return make_trial({"plain water": WATER, "rinse": [round(2.1 * mg, 1) for mg in LIKE_WATER]})


def typed_in_books() -> set[str]:
    """Texts of the books that hold a point between digits: somebody wrote them."""
    found = set()
    for model in (
        each for app in ("prospecting", "trials") for each in apps.get_app_config(app).get_models()
    ):
        texts = [
            field.name
            for field in model._meta.fields
            if isinstance(field, models.CharField | models.TextField)
        ]
        for row in model._base_manager.values_list(*texts):
            found.update(str(text) for text in row if text and re.search(r"[0-9][.][0-9]", str(text)))
    for figures in FindingEvidence.objects.values_list("figures", flat=True):
        found.update(shown_in_a_line(row) for row in figures["verdicts"])
    # Positions stand as receivers and maps have them.
    for dig in Dig.objects.filter(latitude__isnull=False):
        found.add(f"{dig.latitude}, {dig.longitude}")
    return found


def test_pages_read_alike_with_their_readers_mark(client_as, trial):
    client = client_as("keeper", grade_unit="g_per_t")
    lot, run = trial.feed_lot, Run.objects.filter(gold_mg__isnull=False).first()
    addresses = [
        reverse(name, args=args)
        for name, args in [
            ("trial-detail", [trial.pk]),
            ("trial-verdict", [trial.pk]),
            ("trial-outcomes", [trial.pk]),
            ("run-detail", [run.pk]),
            ("lot-detail", [lot.code]),
            ("lot-left", [lot.code]),
            ("lot-cut", [lot.code]),
            ("lot-list", []),
            ("run-list", []),
            ("dig-add", []),
            ("trial-add", []),
            ("pocket-doses", []),
            ("zone-detail", [Lot.objects.get(pk=lot.pk).origins.first().dig.zone_id]),
        ]
    ]
    written = typed_in_books()
    wrong = [each for url in addresses for each in unlike(client, url, written)]
    assert not wrong, "\n".join(wrong)
    verdict = read_both(client, reverse("trial-verdict", args=[trial.pk]))
    assert re.search(r"About [0-9],[0-9]+ times as much", verdict[COMMA])
    assert re.search(r"About [0-9][.][0-9]+ times as much", verdict[POINT])
    assert 'data-decimal=","' in verdict[COMMA]
    assert "data-decimal" not in verdict[POINT]


def test_a_guest_who_never_chose_has_the_point(client_as, trial):
    page = client_as("guest").get(reverse("trial-verdict", args=[trial.pk])).content.decode()
    assert re.search(r"About [0-9][.][0-9]+ times as much", page)


def test_the_interactive_figure_is_the_readers_too(client_as, trial):
    client = client_as("guest", decimal_mark=COMMA)
    page = client.get(reverse("trial-verdict", args=[trial.pk])).content.decode()
    figure = client.get(re.search(r'data-figure="([^"]+)"', page)[1].replace("&amp;", "&")).json()
    assert figure["layout"]["separators"] == COMMA + APART
    assert not re.search(
        r"[0-9][.][0-9]+ (mg|times)", json.dumps([each.get("text") for each in figure["data"]])
    )


def test_files_have_points_whoever_asks(client_as, trial):
    client = client_as("keeper")
    for url in [
        *(reverse(name) + "?file=csv" for name in ("lot-list", "run-list", "trial-list", "dig-list")),
        reverse("trial-runs-csv", args=[trial.pk]),
    ]:
        read = read_both(client, url)
        assert read[POINT] == read[COMMA]


def test_what_a_finding_freezes_is_the_same_for_every_reader(trial):
    member = make.make_member()
    with marked(POINT):
        before = figures_of(trial, member)
    with marked(COMMA):
        assert figures_of(trial, member) == before
        assert frozen_of(trial, member).figures == before
        assert changed_of([]) == set()


# ---- Typing.


def test_what_a_reader_with_the_comma_types_is_kept_so_that_all_read_it_alike(client_as):
    zone, client = make.make_zone(), client_as("member", decimal_mark=COMMA)
    answer = client.post(reverse("dig-add"), dig_form(zone, mass_1="1,234"))
    assert answer.status_code == 302, answer.content.decode()
    lot = Lot.objects.get()
    assert (lot.mass_g, lot.mass_typed) == (Decimal(1234), "1,2340 kg")
    told = JournalEntry.objects.latest("pk")
    assert not re.search(r"[0-9],[0-9]{1,3}(?![0-9])", f"{told.what} {told.changes}")


def test_who_has_the_point_is_asked_about_the_same(client_as):
    answer = client_as("member").post(reverse("dig-add"), dig_form(make.make_zone(), mass_1="1,234"))
    assert "can be read two ways" in answer.content.decode()
    assert not Lot.objects.exists()


def test_a_refusal_is_told_with_the_readers_mark_and_no_later_reader_gets_it(client_as):
    lot, client = make.make_lot("12300"), client_as("member", decimal_mark=COMMA)
    page = client.post(
        reverse("lot-reweigh", args=[lot.code]), typed("lot-reweigh", mass="15")
    ).content.decode()
    assert "12,3 kg" in page
    assert decimal_mark() == POINT
    assert "12.3 kg" in client_as("member").get(reverse("lot-detail", args=[lot.code])).content.decode()


def test_a_number_an_input_begins_with_comes_back_as_it_was():
    field = NumberField(most=100, places=3)
    for mark, shown in ((POINT, "1.125"), (COMMA, "1,125")):
        with marked(mark):
            assert field.prepare_value(Decimal("1.125")) == shown
            assert field.clean(shown) == Decimal("1.125")
            # As somebody typed it.
            assert field.prepare_value("1.5 ") == "1.5 "


@pytest.mark.parametrize(("shown_with", "sent_with"), [(POINT, COMMA), (COMMA, POINT)])
def test_a_form_kept_while_its_reader_chose_another_mark_was_overtaken_by_nobody(shown_with, sent_with, db):
    class TryForm(SiteForm):
        minutes = NumberField(most=100, places=3)

    member, stands = make.make_member(), {"minutes": Decimal("1.5")}
    with marked(shown_with):
        page = TryForm(member=member, initial=stands)
        page.note_as_shown()
        sent = {SiteForm.SHOWN: page[SiteForm.SHOWN].value(), "minutes": page["minutes"].value()}
    with marked(sent_with):
        form = TryForm(QueryDict(urlencode(sent)), member=member)
        assert form.overtaken_by(stands) == {}
        assert set(form.overtaken_by({"minutes": Decimal("2.5")})) == {"minutes"}


def test_a_held_entry_keeps_its_refusal_with_points(db):
    with marked(COMMA):
        sentence = f"Only {units.format_mass(Decimal(4500), 'kg')} is on hand."
        held = make_held(refusal=Refused(sentence, code="too_little_on_hand", field="mass"))
    assert sentence == "Only 4,5 kg is on hand."
    assert held.sentence == JournalEntry.objects.about(held).get().why == "Only 4.5 kg is on hand."


# ---- The demo, whole.

# Parts of sources, which are named as they name themselves.
SOURCES = ("JCGM 100, 4.3.7", "10.62178/sst.005.002", "b = 1.5 for gold", "19,999 times (Barnard 1963")


@pytest.mark.long
def test_every_page_of_the_demo_reads_alike(client_as, db):
    from trials.scenario import load_scenario

    load_scenario(password="a long enough password")
    client = client_as("keeper", mass_unit="lb")
    written = typed_in_books() | set(SOURCES) | {"OpenAPI 3.1", "a point: 1,234.5", "Only 1,234 could"}
    wrong = []
    for name, url in pages():
        if not url.endswith((".csv", ".xlsx")) and name not in ("trial-figure", "api-page", "api-file"):
            wrong += unlike(client, url, written)
    assert not wrong, "\n".join(wrong)


@pytest.mark.long
def test_the_demo_entered_by_a_reader_with_the_comma_keeps_no_comma(db):
    from trials.scenario import load_scenario

    with marked(COMMA):
        load_scenario(password="a long enough password")
    kept = (
        {f"{each.what} {each.why} {json.dumps(each.changes)}" for each in JournalEntry.objects.all()}
        | set(Run.objects.values_list("gold_typed", flat=True))
        | set(Lot.objects.values_list("mass_typed", flat=True))
    )
    assert [each for each in kept if re.search(r"[0-9],[0-9]", each)] == []
