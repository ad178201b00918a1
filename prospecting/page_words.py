"""What the pages say, in the reader's language: the text of a template is its own key, with nothing marked in the template.

Each run of words between two blocks of a page (a paragraph, a cell, a heading, the label in an attribute) is one sentence to
translate. What stands in it of the books is a part with its name, an element within the line a pair of marks:

    <p>Weigh <b>{{ lot.code }}</b> {% if wet %}wet{% endif %}.</p>      Weigh <b>{lot.code}</b> {if}.

and what a part itself says (`wet`) is a sentence of its own. Where `pluralize` ends a word, the sentence has a form for one and
one for many, as gettext counts them. `translate="no"` on an element keeps its words as they are. A
translation that does not have the same parts is passed over. A site without another language reads its templates as they
are: `SpokenFiles` and `SpokenApps` are its loaders only where a catalogue is installed (settings.py).
"""

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

from django import template
from django.template.base import FilterExpression, Lexer, Node, NodeList, Origin, Parser, Token, TokenType
from django.template.context import Context
from django.template.loaders import app_directories, filesystem
from django.utils.safestring import SafeString
from django.utils.translation import gettext, ngettext

# Elements that stand within a line of text; every other one ends a sentence.
INLINE = frozenset(
    (
        "a",
        "abbr",
        "b",
        "bdi",
        "br",
        "cite",
        "code",
        "em",
        "i",
        "kbd",
        "mark",
        "q",
        "s",
        "samp",
        "small",
        "span",
    )
    + ("strong", "sub", "sup", "time", "tspan", "u", "var", "wbr")
)
EMPTY = frozenset(("br", "wbr"))
# What stands in these is no text for a reader.
SILENT = frozenset(("script", "style", "pre", "textarea"))
ENDS = {
    name: f"end{name}"
    for name in ("autoescape", "block", "comment", "filter", "for", "if", "ifchanged", "localize", "with")
}
MIDDLES = frozenset(("else", "elif", "empty"))
# These may stand within a sentence, as the words they choose between do.
CHOICES = frozenset(("if", "for", "with", "ifchanged", "localize"))
# These write something that is no part of a sentence.
APART = frozenset(("csrf_token", "extends", "include", "load", "render_table", "script_words", "trail"))
# What these are handed is no text for a reader, or is looked up by themselves.
AS_IT_STANDS = frozenset(("counted", "elif", "if", "load", "static", "url"))
LABELS = "alt|aria-label|aria-description|data-label|data-say-[a-z-]+|placeholder|title"
# Of words handed to a tag or a filter: those that are meant for a reader.
HANDED = re.compile(r'(?<=([=: ]))(?<!pluralize:)(?<!date:)"([^"]*[a-z] [^"]*|[A-Z][a-z][^"]*)"')
_TAG = re.compile(r"<!--.*?-->|<!\w[^>]*>|</?([a-zA-Z][a-zA-Z0-9]*)[^<>]*>", re.DOTALL)
_LABEL = re.compile(rf'(?<=\s)((?:{LABELS})=")([^"]*)(?=")')
_LETTER = re.compile(r"[^\W\d_]{2}")
_MARK = re.compile(r"\{[^{}]*\}|</?[a-z0-9]+>")
_SPACE = re.compile(r"\s+")
_PLURAL = re.compile(r"^(.*?)(?:\|length)?\|pluralize(?::\"([^\"]*)\")?$")
# Stands between what is counted, the sentence for one and the sentence for many.
FORMS = " ¦ "
# One character of the private planes stands for each part while its line is read.
_FIRST = 0xF0000

register = template.Library()


@dataclass
class Part:
    """Something of a template that is no plain text: a value, a tag, or a tag with what stands between it and its end."""

    name: str
    source: str
    branches: list[tuple[str, list["str | Part"]]] = field(default_factory=list)
    end: str = ""

    @property
    def plural(self) -> tuple[str, str, str] | None:
        """What is counted, the end of a word for one, and for many; None of any other part."""
        found = _PLURAL.match(self.source[2:-2].strip()) if self.source.startswith("{{") else None
        if not found:
            return None
        one, _, many = (found[2] or "s").rpartition(",")
        return found[1], one, many


def spoken(source: str) -> str:
    """The source of a template, each sentence of it put into a tag that says it in the reader's language."""
    return _written(_tree(Lexer(source).tokenize()))


def sentences(source: str) -> list[str | tuple[str, str]]:
    """Every sentence there is to translate in a template; of a count, both."""
    told = spoken(source)
    said = re.findall(r"\{% said(?:_label)? (.*?) %\}", told)
    return [
        *(tuple(each.split(FORMS)[1:]) if FORMS in each else each for each in said),
        *re.findall(r'(?<=:)_\("([^"]*)"\)', told),
        *re.findall(r'(?<=[= ])"([^"]*)"\|said\b', told),
        *re.findall(r'\{% counted [^"%]*"([^"]*)" "([^"]*)"', told),
    ]


class SpokenFiles(filesystem.Loader):
    def get_contents(self, origin: Origin) -> str:
        return spoken(super().get_contents(origin))


class SpokenApps(app_directories.Loader):
    def get_contents(self, origin: Origin) -> str:
        return spoken(super().get_contents(origin))


# Reading a template.


def _tree(tokens: list[Token]) -> list[str | Part]:
    """The tokens of a template, each tag with an end as one part that holds what stands before its end."""
    top: list[str | Part] = []
    open_parts: list[Part] = []
    for token in tokens:
        here = open_parts[-1].branches[-1][1] if open_parts else top
        if token.token_type == TokenType.TEXT:
            here.append(token.contents)
            continue
        if token.token_type == TokenType.COMMENT:
            continue
        if token.token_type == TokenType.VAR:
            here.append(
                Part(token.contents.split("|")[0].strip("\"'"), _handed(f"{{{{ {token.contents} }}}}"))
            )
            continue
        name, raw = token.contents.split()[0], f"{{% {token.contents} %}}"
        if name in MIDDLES:
            open_parts[-1].branches.append((raw, []))
        elif open_parts and name == ENDS[open_parts[-1].name]:
            open_parts.pop().end = raw
        else:
            part = Part(name, _handed(raw) if name not in AS_IT_STANDS else raw)
            here.append(part)
            if name in ENDS:
                part.branches.append((part.source, []))
                open_parts.append(part)
    return top


def _handed(raw: str) -> str:
    """Words handed to a filter as Django marks them; those handed to a tag by a filter, for there Django doubles each %."""
    return HANDED.sub(lambda found: f'_("{found[2]}")' if found[1] == ":" else f'"{found[2]}"|said', raw)


# Writing it anew.


def _written(items: list[str | Part], quoted: bool = False) -> str:
    """What stands side by side at one level of a template; `quoted` within the value of an attribute."""
    text, parts = _marked(items)
    return _Level(parts, quoted).written(text)


def _marked(items: list[str | Part]) -> tuple[str, dict[str, Part]]:
    """The text of one level, a character in it for each part, and the part of each character."""
    parts = {chr(_FIRST + number): item for number, item in enumerate(items) if isinstance(item, Part)}
    return "".join(
        chr(_FIRST + number) if isinstance(item, Part) else item for number, item in enumerate(items)
    ), parts


class _Level:
    """One level of a template: its text, in which a character stands for each part."""

    def __init__(self, parts: dict[str, Part], quoted: bool) -> None:
        self.parts, self.quoted = parts, quoted

    def written(self, text: str) -> str:
        done, run, silent = "", [], []
        for piece in self._pieces(text):
            name = _element(piece)
            if silent or self._ends_sentence(piece, name):
                done += self._said(run) + (self._raw(piece) if silent else self._as_it_is(piece))
                run = []
                self._note_silence(silent, piece, name)
            else:
                run.append(piece)
        return done + self._said(run)

    def _pieces(self, text: str) -> Iterator[str]:
        """Tags, parts and the words between them."""
        at = 0
        for found in _TAG.finditer(text):
            yield from self._words_and_parts(text[at : found.start()])
            yield found[0]
            at = found.end()
        yield from self._words_and_parts(text[at:])

    def _words_and_parts(self, text: str) -> Iterator[str]:
        yield from filter(None, re.split(f"([{chr(_FIRST)}-{chr(_FIRST + 0xFFFD)}])", text))

    def _ends_sentence(self, piece: str, name: str) -> bool:
        if piece in self.parts:
            return not _stands_in_line(self.parts[piece])
        if piece.startswith("<!"):
            return True
        return bool(name) and (name not in INLINE or 'translate="no"' in piece)

    def _note_silence(self, silent: list[str], piece: str, name: str) -> None:
        if not name:
            return
        if silent:
            if name == silent[-1]:
                silent.pop() if piece.startswith("</") else silent.append(name)
        elif not piece.startswith("</") and (name in SILENT or 'translate="no"' in piece):
            silent.append(name)

    def _raw(self, piece: str) -> str:
        return "".join(_as_written(self.parts[each]) if each in self.parts else each for each in piece)

    def _as_it_is(self, piece: str) -> str:
        """A piece that is no words: a part with what it says itself, a tag with its labels."""
        if piece in self.parts:
            return _part_written(self.parts[piece], self.quoted)
        return self.labelled(piece) if _element(piece) else piece

    def labelled(self, text: str) -> str:
        """What stands within a tag, its labels said, also those that a part of it may hold."""
        return "".join(
            _labels_written(self.parts[each]) if each in self.parts else each
            for each in _LABEL.sub(self._label, text)
        )

    def _label(self, found: re.Match) -> str:
        # What is said by now holds no mark of a part any more.
        return found[1] + _Level(self.parts, quoted=True).written(found[2])

    def _said(self, run: list[str]) -> str:
        """A run of words with their parts, as one sentence; without a word of its own, as it stands."""
        if alone := self._without_partner(run):
            # Its other end lies beyond an icon or a block: it bounds a sentence, as these do.
            at = alone[0]
            return self._said(run[:at]) + self._as_it_is(run[at]) + self._said(run[at + 1 :])
        before, run, after = self._peeled(run)
        if len(apart := self._side_by_side(run)) > 1:
            return before + "".join(self._said(each) for each in apart) + after
        if not any(_LETTER.search(piece) for piece in run if piece not in self.parts and not _element(piece)):
            return before + "".join(self._as_it_is(piece) for piece in run) + after
        taken: Counter[str] = Counter()
        opened: dict[str, list[str]] = {}
        one = many = parts = ""
        plurals = {piece: self.parts[piece].plural for piece in run if piece in self.parts}
        counted = next((plural[0] for plural in plurals.values() if plural), "")
        for piece in run:
            name = _element(piece)
            if (plural := plurals.get(piece)) and plural[0] == counted:
                one, many = one + plural[1], many + plural[2]
                continue
            if piece in self.parts:
                mark = "{" + _numbered(taken, self.parts[piece].name) + "}"
            elif name and piece.startswith("</"):
                mark = f"</{opened[name].pop() if opened.get(name) else _numbered(taken, name)}>"
            elif name:
                numbered = _numbered(taken, name)
                if name not in EMPTY:
                    opened.setdefault(name, []).append(numbered)
                mark = f"<{numbered}>"
            else:
                one, many = one + piece, many + piece
                continue
            one, many = one + mark, many + mark
            parts += f"{{% part {mark} %}}" + self._as_it_is(piece)
        tag = "said_label" if self.quoted else "said"
        forms = [_SPACE.sub(" ", form).strip() for form in (one, many)]
        sentence = FORMS.join([counted, *forms]) if counted else forms[0]
        return f"{before}{{% {tag} {sentence} %}}{parts}{{% end{tag} %}}{after}"

    def _without_partner(self, run: list[str]) -> list[int]:
        """Where in a run an element opens that does not close in it, or closes that did not open."""
        opened: list[tuple[str, int]] = []
        alone: list[int] = []
        for at, piece in enumerate(run):
            name = _element(piece)
            if not name or name in EMPTY:
                continue
            if not piece.startswith("</"):
                opened.append((name, at))
            elif opened and opened[-1][0] == name:
                opened.pop()
            else:
                alone.append(at)
        return sorted(alone + [at for _, at in opened])

    def _side_by_side(self, run: list[str]) -> list[list[str]]:
        """The elements of a run that has words only within them, as links in a row have: each says its own."""
        groups: list[list[str]] = [[]]
        depth = 0
        for piece in run:
            name = _element(piece)
            if not depth and not name and (piece in self.parts or _LETTER.search(piece)):
                return [run]
            closes = piece.startswith("</")
            if name and name not in EMPTY:
                depth += -1 if closes else 1
            groups[-1].append(piece)
            if name and closes and not depth:
                groups.append([])
        return [group for group in groups if group] if not depth else [run]

    def _peeled(self, run: list[str]) -> tuple[str, list[str], str]:
        """A run without the space and the elements all around it: what goes before, the rest, what goes after."""
        before, after = "", ""
        while run:
            first, last = run[0], run[-1]
            if not first.strip() or (first in self.parts and self.parts[first].name in APART):
                before += self._as_it_is(first)
                run = run[1:]
            elif not last.strip() or (last in self.parts and self.parts[last].name in APART):
                after = self._as_it_is(last) + after
                run = run[:-1]
            elif _is_around(run):
                before, after = before + self._as_it_is(first), self._as_it_is(last) + after
                run = run[1:-1]
            else:
                break
        if run and not _element(run[0]) and run[0] not in self.parts:
            stripped = run[0].lstrip()
            before, run = before + run[0][: len(run[0]) - len(stripped)], [stripped, *run[1:]]
        if run and not _element(run[-1]) and run[-1] not in self.parts:
            stripped = run[-1].rstrip()
            after, run = run[-1][len(stripped) :] + after, [*run[:-1], stripped]
        return before, run, after


def _element(piece: str) -> str:
    found = re.match(r"</?([a-zA-Z][a-zA-Z0-9]*)", piece)
    return found[1].lower() if found and piece.endswith(">") else ""


def _is_around(run: list[str]) -> bool:
    """Whether the first piece opens an element that the last one closes."""
    name = _element(run[0])
    if (
        len(run) < 2
        or not name
        or run[0].startswith("</")
        or name in EMPTY
        or not run[-1].startswith(f"</{name}")
    ):
        return False
    depth = 0
    for piece in run[:-1]:
        if _element(piece) == name:
            depth += -1 if piece.startswith("</") else 1
            if not depth:
                return False
    return depth == 1


def _numbered(taken: Counter[str], name: str) -> str:
    taken[name] += 1
    return name if taken[name] == 1 else f"{name}{taken[name]}"


def _stands_in_line(part: Part) -> bool:
    """Whether a part may stand within a sentence: a value, or a choice between words without an element that ends a line."""
    if not part.branches:
        return part.name not in APART
    return part.name in CHOICES and all(_is_line(items) for _, items in part.branches)


def _is_line(items: list[str | Part]) -> bool:
    return all(
        _stands_in_line(item)
        if isinstance(item, Part)
        else all(name.lower() in INLINE for name in re.findall(r"</?([a-zA-Z][a-zA-Z0-9]*)", item))
        for item in items
    )


def _as_written(part: Part) -> str:
    """A part just as its template has it."""
    if not part.branches:
        return part.source
    inner = "".join(
        opening + "".join(_as_written(item) if isinstance(item, Part) else item for item in items)
        for opening, items in part.branches
    )
    return inner + part.end


def _labels_written(part: Part) -> str:
    """A part that stands within a tag: attributes, or the choice between some."""
    if not part.branches:
        return part.source
    done = ""
    for opening, items in part.branches:
        text, parts = _marked(items)
        done += opening + _Level(parts, quoted=False).labelled(text)
    return done + part.end


def _part_written(part: Part, quoted: bool) -> str:
    if not part.branches or part.name == "comment":
        return _as_written(part)
    return "".join(opening + _written(items, quoted) for opening, items in part.branches) + part.end


# Saying it.


class SaidNode(Node):
    """A sentence of a page, said in the reader's language with its parts where the translation has them.

    `forms` is the sentence, or what it says of one and of many; `counted` is what decides then.
    """

    def __init__(
        self, forms: list[str], parts: dict[str, NodeList], quoted: bool, counted: FilterExpression | None
    ) -> None:
        self.forms, self.parts, self.quoted, self.counted = forms, parts, quoted, counted
        self.laid_out: dict[str, list[str | NodeList]] = {}

    def get_nodes_by_type(self, nodetype: type) -> list[Node]:
        inner = [node for nodes in self.parts.values() for node in nodes.get_nodes_by_type(nodetype)]
        return ([self] if isinstance(self, nodetype) else []) + inner

    def render(self, context: Context) -> SafeString:
        if self.counted:
            number = _number(self.counted.resolve(context, ignore_failures=True))
            english, told = self.forms[number != 1], ngettext(*self.forms, number)
        else:
            english, told = self.forms[0], gettext(self.forms[0])
        if told not in self.laid_out:
            self.laid_out[told] = self._lay_out(told, english)
        return SafeString(
            "".join(
                piece if isinstance(piece, str) else piece.render(context) for piece in self.laid_out[told]
            )
        )

    def _lay_out(self, told: str, english: str) -> list[str | NodeList]:
        given, wanted = [mark for mark in _MARK.findall(told) if mark in self.parts], set(self.parts)
        if self.counted:
            # "One lot" has no need of the count.
            wanted -= {mark for mark in wanted if mark.startswith("{")} - set(given)
        if len(given) != len(set(given)) or set(given) != wanted:
            told = english
        pieces: list[str | NodeList] = []
        at = 0
        for found in _MARK.finditer(told):
            if found[0] in self.parts:
                pieces += [self._words(told[at : found.start()]), self.parts[found[0]]]
                at = found.end()
        return [*pieces, self._words(told[at:])]

    def _words(self, words: str) -> str:
        return words.replace('"', "&quot;") if self.quoted else words


@register.filter(name="said")
def said_text(words: str) -> str:
    """Words handed to a tag, as `spoken` marks them."""
    return gettext(words)


@register.tag("said")
@register.tag("said_label")
def said(parser: Parser, token: Token) -> SaidNode:
    """A sentence and the parts in it, as `spoken` writes them; no template is written so by hand."""
    name, sentence = token.contents.split(" ", 1)
    parts: dict[str, NodeList] = {}
    mark = ""
    while True:
        nodes = parser.parse(("part", f"end{name}"))
        if mark:
            parts[mark] = nodes
        token = parser.next_token()
        if token.contents == f"end{name}":
            counted, *forms = sentence.split(FORMS) if FORMS in sentence else ["", sentence]
            return SaidNode(
                forms, parts, name == "said_label", parser.compile_filter(counted) if counted else None
            )
        mark = token.contents.split(" ", 1)[1]


def _number(value: object) -> int:
    """How many a count says, or a list holds, as `pluralize` takes it."""
    try:
        return int(value)
    except (TypeError, ValueError):
        return len(value) if hasattr(value, "__len__") else 0
