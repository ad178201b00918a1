"""Every sentence the site says to a reader, and catalogues of them in other languages.

A catalogue is a pair of gettext files in `locale/<language>/LC_MESSAGES/`: `django.po` for pages and sentences, `djangojs.po`
for what scripts say. What is marked: the text of every template (page_words.py); `phrase`, `phrase_counted`, `to_phrase`,
`count_phrase` and `gettext_lazy` in the sources; `say` and `sayCounted` in the scripts.
"""

import gettext as gettext_files
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from django.apps import apps
from django.conf import settings
from django.utils import translation

from prospecting.calc.language import Speech, speak_by
from prospecting.page_words import sentences

# What each function says first is a sentence; of a count, the second too.
MARKS = {
    "phrase": None,
    "to_phrase": None,
    "gettext_lazy": None,
    "phrase_counted": (1, 2),
    "count_phrase": (1, 2),
}
SCRIPT_MARKS = {"say": None, "sayCounted": (1, 2)}
PAGES, SCRIPTS = "django", "djangojs"


def speak_every_language() -> None:
    """Say sentences in the language that is chosen for a request."""
    speak_by(
        Speech(
            translation.gettext, translation.ngettext, lambda: translation.override(settings.LANGUAGE_CODE)
        )
    )


def script_sentences() -> dict[str, str]:
    """What the scripts say in the language chosen now; empty for English."""
    language = translation.get_language()
    return {} if language in (None, settings.LANGUAGE_CODE) else _of_scripts(translation.to_locale(language))


@cache
def _of_scripts(locale: str) -> dict[str, str]:
    told: dict[str, str] = {}
    for folder in reversed(settings.LOCALE_PATHS):
        if gettext_files.find(SCRIPTS, folder, [locale]):
            catalogue = gettext_files.translation(SCRIPTS, folder, [locale])._catalog
            told |= {
                sentence: text
                for sentence, text in catalogue.items()
                if isinstance(sentence, str) and sentence
            }
    return told


def said_on_pages() -> Iterator[tuple[str, int, str | tuple[str, str]]]:
    """(file, line, sentence) of all that pages and the sources behind them say; two sentences where a count decides."""
    from babel.messages.extract import extract_from_file

    for folder in _own_apps():
        for path in sorted(folder.rglob("*.html")):
            yield from ((_told(path), 1, sentence) for sentence in sentences(path.read_text()))
        for path in sorted(folder.rglob("*.py")):
            for line, sentence, _comments, _context in extract_from_file("python", path, keywords=MARKS):
                yield _told(path), line, sentence
    # What a kind of record is called stands in no source but as the name of its class.
    for config in apps.get_app_configs():
        if Path(config.path).parent == settings.BASE_DIR:
            for model in config.get_models():
                yield f"{config.name}/models", 1, str(model._meta.verbose_name)


def said_by_scripts() -> Iterator[tuple[str, int, str]]:
    """The same of the scripts."""
    from babel.messages.extract import extract_from_file

    for folder in _own_apps():
        for path in sorted((folder / "static").rglob("*.js")):
            if "vendor" in path.parts:
                continue
            for line, sentence, _comments, _context in extract_from_file("javascript", path, SCRIPT_MARKS):
                for each in (sentence,) if isinstance(sentence, str) else sentence:
                    yield _told(path), line, each


def _own_apps() -> list[Path]:
    folders = [Path(config.path) for config in apps.get_app_configs()]
    return [folder for folder in folders if folder.parent == settings.BASE_DIR]


def _told(path: Path) -> str:
    return str(path.relative_to(settings.BASE_DIR))
