"""Is every word of every page said in the reader's language? From the project's top folder, in its environment:

    PROSPECTING_DATA_DIR=a-folder-of-its-own python -m tests.pseudo_language

Loads the demo into that folder (or takes what is there), makes a catalogue that sets each sentence in brackets, opens every
page in it, and prints the words that stand outside brackets and are no words of the books: they are said past the catalogue.
Without the brackets each page must read as it does in English. `--only trial-` takes the pages whose names begin so, `--role
guest` reads as one.
"""

import argparse
import json
import os
import re
import sys
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

LANGUAGE, LOCALE = "en-gb", "en_GB"
OPEN, CLOSE = "⟦", "⟧"
LABELS = ("alt", "aria-label", "aria-description", "data-label", "placeholder", "title")
# Alike in every language here: units, kinds of files, what an open standard spells so; months are in Django's own catalogue.
ALIKE = re.compile(
    r"g|kg|mg|lb|oz|mL|ml|L|gal|gr|mm|cm|m|µm|ppm|ppb|dwt|min|s|h|°C|°F|Au|CSV|GPX|GeoJSON|KML|JSON|HTML|PDF|JPEG|PNG|HEIC|"
    r"Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec|UTC|xlsx|csv|[A-Z]{1,4}-?\d*|[IVX]+|px|MB|kB|kPa|rpm|pH"
)
WITHOUT_END = {
    "br",
    "circle",
    "hr",
    "img",
    "input",
    "line",
    "link",
    "meta",
    "path",
    "polygon",
    "polyline",
    "rect",
    "use",
    "wbr",
}
_WORD = re.compile(r"[A-Za-z][A-Za-z’']+")


class Page(HTMLParser):
    """The words of a page that stand outside brackets."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.outside: list[str] = []
        self.depth, self.silent = 0, []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = dict(attrs)
        for name in LABELS:
            if names.get(name) and names.get("translate") != "no" and not self.silent:
                depth, self.depth = self.depth, 0
                self._read(names[name])
                self.depth = depth
        kept = tag in ("script", "style", "pre", "textarea", "code") or names.get("translate") == "no"
        if (kept or self.silent) and tag not in WITHOUT_END:
            self.silent.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if self.silent and tag == self.silent[-1]:
            self.silent.pop()

    def handle_data(self, data: str) -> None:
        if not self.silent:
            self._read(data)

    def _read(self, text: str) -> None:
        plain = ""
        for sign in text:
            self.depth += (sign == OPEN) - (sign == CLOSE)
            plain += sign if not self.depth and sign not in (OPEN, CLOSE) else "\n"
        self.outside += [
            chunk.strip()
            for chunk in re.split(r"\n+|[\d()\[\],.:;=±×·/|“”\"]+", plain)
            if _WORD.search(chunk)
        ]


def of_books() -> str:
    """Every word somebody wrote into the books, in one text."""
    from django.apps import apps
    from django.db import models

    texts: set[str] = set()
    for model in apps.get_models():
        fields = [
            field.attname
            for field in model._meta.concrete_fields
            if isinstance(field, models.CharField | models.TextField | models.JSONField) and not field.choices
        ]
        for row in model._default_manager.values_list(*fields) if fields else []:
            texts |= {value if isinstance(value, str) else json.dumps(value) for value in row if value}
    return "\n".join(texts)


def unsaid(text: str, books: str) -> Iterator[str]:
    for chunk in Page(text).outside:
        words = [word for word in _WORD.findall(chunk) if not ALIKE.fullmatch(word)]
        if words and chunk not in books and " ".join(words) not in books:
            yield chunk


def without_brackets(text: str) -> str:
    """A page as it compares: one space for any, no brackets, nothing that is made anew for each answer.

    Case does not count: a bracket at the head of a sentence has no capital.
    """
    for bracket in (OPEN, CLOSE):
        text = text.replace(bracket, "").replace(json.dumps(bracket)[1:-1], "")
    text = text.replace("&quot;", '"').replace('lang="en-gb"', 'lang="en"')
    # How long a label is decides where it stands in a picture.
    text = re.sub(r"<svg.*?</svg>", "", text, flags=re.DOTALL)
    text = re.sub(r'"made": "[^"]*"', "", text)
    text = re.sub(r'<script id="words".*?</script>', "", text)
    text = re.sub(r'(name="(?:csrfmiddlewaretoken|identity)" value=)"[^"]*"', r"\1", text)
    text = re.sub(r'datetime="[^"]*"', "", text)
    text = re.sub(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}", "", text)
    return re.sub(r"\s+", " ", re.sub(r"\s*(<[^>]*>)\s*", r" \1 ", text)).lower()


def in_brackets(sentence: str) -> str:
    """A sentence in brackets that leave its first letter and its last stop where the site looks for them."""
    first, rest, last = re.fullmatch(r"(\s*[^\W_]?)(.*?)([.:;,!?\s]*)", sentence, re.DOTALL).groups()
    return f"{first}{OPEN}{rest}{CLOSE}{last}"


def write_catalogue(folder: Path) -> None:
    """A catalogue in which each sentence stands in brackets."""
    from babel.messages.catalog import Catalog
    from babel.messages.mofile import write_mo

    from prospecting.catalogue import PAGES, SCRIPTS, said_by_scripts, said_on_pages

    place = folder / LOCALE / "LC_MESSAGES"
    place.mkdir(parents=True, exist_ok=True)
    for name, said in [(PAGES, said_on_pages()), (SCRIPTS, said_by_scripts())]:
        catalogue = Catalog(locale=LOCALE)
        for _file, _line, sentence in said:
            forms = (sentence,) if isinstance(sentence, str) else sentence
            bracketed = tuple(map(in_brackets, forms))
            catalogue.add(sentence, bracketed[0] if isinstance(sentence, str) else bracketed)
        with (place / f"{name}.mo").open("wb") as file:
            write_mo(file, catalogue)


def walk(only: str, role: str) -> tuple[dict[str, list[str]], dict[str, str]]:
    """(page: words said past the catalogue), (page: where it reads otherwise than in English)."""
    from django.conf import settings
    from django.test import Client

    from prospecting.models import Member
    from tests.test_pages_cost import pages

    settings.ALLOWED_HOSTS.append("testserver")
    client = Client()
    client.force_login(Member.objects.get(username=role))
    books = of_books()
    past: dict[str, list[str]] = {}
    other: dict[str, str] = {}
    for name, url in sorted(set(pages())):
        if not name.startswith(only):
            continue
        told = [client.get(url, headers={"Accept-Language": language}) for language in ("en", LANGUAGE)]
        if told[0].status_code != 200 or "text/html" not in told[0].headers["Content-Type"]:
            continue
        english, bracketed = (answer.content.decode() for answer in told)
        if found := sorted(set(unsaid(bracketed, books))):
            past[f"{name} {url}"] = found
        if difference := first_difference(without_brackets(english), without_brackets(bracketed)):
            other[f"{name} {url}"] = difference
    return past, other


def first_difference(one: str, other: str) -> str:
    at = next(
        (n for n, pair in enumerate(zip(one, other, strict=False)) if pair[0] != pair[1]),
        min(len(one), len(other)),
    )
    return (
        ""
        if one == other
        else f"{one[max(0, at - 60) : at + 60]!r} against {other[max(0, at - 60) : at + 60]!r}"
    )


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.pseudo_language")
    parser.add_argument("--only", default="", help="pages whose names begin so")
    parser.add_argument("--role", default="keeper", help="which member of the demo reads")
    told = parser.parse_args()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "prospecting.settings")
    folder = Path(os.environ["PROSPECTING_DATA_DIR"])
    if not (folder / "locale").exists() or "--only" not in sys.argv:
        _prepare(folder)
        os.execv(
            sys.executable,
            [sys.executable, "-m", "tests.pseudo_language", *sys.argv[1:], "--only", told.only],
        )
    import django

    django.setup()
    write_catalogue(folder / "locale")
    past, other = walk(told.only, told.role)
    for page, words in past.items():
        print(page, *words, sep="\n    ")
    for page, difference in other.items():
        print(f"{page} READS OTHERWISE: {difference}")
    print(
        f"{sum(map(len, past.values()))} said past the catalogue on {len(past)} pages; {len(other)} read otherwise."
    )
    return 1 if past or other else 0


def _prepare(folder: Path) -> None:
    import subprocess

    if not (folder / "books.sqlite3").exists():
        subprocess.run([sys.executable, "manage.py", "demo", "--load-only"], check=True, capture_output=True)
        subprocess.run(
            [sys.executable, "manage.py", "collectstatic", "--no-input"], check=True, capture_output=True
        )
    place = folder / "locale" / LOCALE / "LC_MESSAGES"
    place.mkdir(parents=True, exist_ok=True)
    if not (place / "django.mo").exists():
        # An empty catalogue: that there is one is what makes the site speak by it.
        from babel.messages.catalog import Catalog
        from babel.messages.mofile import write_mo

        with (place / "django.mo").open("wb") as file:
            write_mo(file, Catalog(locale=LOCALE))


if __name__ == "__main__":
    sys.exit(main())
