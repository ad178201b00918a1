"""The text of a template is its own key: which sentences are found in it, and how they are said in another language."""

from contextlib import contextmanager
from unittest import mock

import pytest
from django.conf import settings
from django.template import Context, Engine

from prospecting import page_words
from prospecting.page_words import sentences, spoken


@contextmanager
def said_as(catalogue: dict):
    """Every sentence as this catalogue has it; of two by a count, the one for one or the one for many."""

    def by_count(one: str, many: str, number: int) -> str:
        return catalogue.get((one, many), (one, many))[number != 1]

    with (
        mock.patch.object(page_words, "gettext", lambda sentence: catalogue.get(sentence, sentence)),
        mock.patch.object(page_words, "ngettext", by_count),
    ):
        yield


def shown(source: str, catalogue: dict | None = None, **context) -> str:
    engine = Engine(
        builtins=["prospecting.page_words"], libraries={"units": "prospecting.templatetags.units"}
    )
    with said_as(catalogue or {}):
        return engine.from_string(spoken(source)).render(Context(context))


@pytest.mark.parametrize(
    ("source", "found"),
    [
        ("<p>Weigh it.</p><p>Then dry it.</p>", ["Weigh it.", "Then dry it."]),
        ("<p>\n  Weigh\n  it. </p>", ["Weigh it."]),
        ("<h1>{{ lot.code }}</h1>", []),
        (
            '<p>Weigh <b>{{ lot.code }}</b> at <a href="/{{ x }}/">the balance</a>.</p>',
            ["Weigh <b>{lot.code}</b> at <a>the balance</a>."],
        ),
        ('<li><a href="/">Home</a></li>', ["Home"]),
        ('<div><a href="/">Today</a> <a href="/d/"><b>Dig</b></a> </div>', ["Today", "Dig"]),
        (
            '<nav><a href="/"><svg><path d="M1"/></svg>Today</a> <a href="/d/"><svg></svg><b>Dig</b> here</a></nav>',
            ["Today", "<b>Dig</b> here"],
        ),
        ("<p><b>Now.</b> Weigh <i>it</i></p>", ["<b>Now.</b> Weigh <i>it</i>"]),
        ("<p>It is {% if wet %}wet{% else %}dry{% endif %}.</p>", ["It is {if}.", "wet", "dry"]),
        ("{% if wet %}<p>Dry it first.</p>{% endif %}", ["Dry it first."]),
        ("<p>Before{% if x %}<ul><li>within</li></ul>{% endif %}after</p>", ["Before", "within", "after"]),
        ("<p>{{ n }} lot{{ n|pluralize }} left</p>", [("{n} lot left", "{n} lots left")]),
        (
            '<p>{{ n|length }} entr{{ n|length|pluralize:"y,ies" }} {{ n|pluralize:"waits,wait" }}</p>',
            [("{n} entry waits", "{n} entries wait")],
        ),
        (
            '<input placeholder="As written" aria-label="Gold of {{ lot }}" value="Not said">',
            ["As written", "Gold of {lot}"],
        ),
        ('<td{% if n %} data-label="Drops"{% endif %}>{{ n }}</td>', ["Drops"]),
        ("<script>const words = 1;</script><pre>as typed</pre><p>Said</p>", ["Said"]),
        ('<p>Write <code translate="no">manage.py backup</code> there.</p>', ["Write", "there."]),
        ('{% include "a.html" with title="Gold per pan" kind="pan" %}', ["Gold per pan"]),
        ('{{ note|default:"None yet" }} {{ day|date:"d M Y" }}', ["None yet"]),
        ("{# not said #}{% comment %}nor this{% endcomment %}<p>Said</p>", ["Said"]),
    ],
)
def test_sentences_of_a_template(source, found):
    assert sorted(map(str, sentences(source))) == sorted(map(str, found))


def test_a_translation_puts_the_parts_where_its_language_has_them():
    source = '<p>Weigh <b>{{ lot }}</b> at <a href="/b/">the balance</a>{% if wet %}, wet{% endif %}.</p>'
    catalogue = {
        "Weigh <b>{lot}</b> at <a>the balance</a>{if}.": "<a>Auf der Waage</a> <b>{lot}</b> wiegen{if}."
    }
    told = shown(source, catalogue | {", wet": ", nass"}, lot="R<1>", wet=True)
    assert told == '<p><a href="/b/">Auf der Waage</a> <b>R&lt;1&gt;</b> wiegen, nass.</p>'


@pytest.mark.parametrize(
    "wrong", ["Wiegen.", "{lot} {lot} wiegen", "<b>{lot} wiegen", "{mass} <b>{lot}</b> wiegen {lot}"]
)
def test_a_translation_that_loses_or_doubles_a_part_is_passed_over(wrong):
    told = shown("<p>Weigh <b>{{ lot }}</b>.</p>", {"Weigh <b>{lot}</b>.": wrong}, lot="R")
    assert told == "<p>Weigh <b>R</b>.</p>"


def test_a_count_decides_between_two_sentences():
    source = "<p>{{ n }} lot{{ n|pluralize }}</p>"
    catalogue = {("{n} lot", "{n} lots"): ("Ein Los", "{n} Lose")}
    assert [shown(source, catalogue, n=n) for n in (1, 0, 7)] == [
        "<p>Ein Los</p>",
        "<p>0 Lose</p>",
        "<p>7 Lose</p>",
    ]
    assert [shown(source, n=n) for n in (1, 0, 7)] == ["<p>1 lot</p>", "<p>0 lots</p>", "<p>7 lots</p>"]
    many = "<p>{{ lots|length }} lot{{ lots|pluralize }}</p>"
    assert [shown(many, lots=lots) for lots in ([1], [], [1, 2])] == [
        "<p>1 lot</p>",
        "<p>0 lots</p>",
        "<p>2 lots</p>",
    ]


def test_a_quotation_mark_of_a_translation_does_not_end_an_attribute():
    told = shown('<p title="The lot {{ lot }}">x</p>', {"The lot {lot}": 'Das "Los" {lot}'}, lot='"')
    assert told == '<p title="Das &quot;Los&quot; &quot;">x</p>'


def test_every_template_of_the_site_still_compiles_when_it_speaks():
    """That it then also reads as before is held by tests/test_languages.py."""
    engine = Engine.get_default()
    folders = [settings.BASE_DIR / app for app in ("prospecting", "trials")]
    paths = [path for folder in folders for path in folder.rglob("templates/**/*.html")]
    assert len(paths) > 300
    speaking = Engine(libraries=engine.libraries, builtins=[*engine.builtins, "prospecting.page_words"])
    for path in paths:
        speaking.from_string(spoken(path.read_text()))
