"""manage.py catalogue de: the site's sentences as a gettext catalogue, to be translated; and what is translated, put to use."""

from argparse import ArgumentParser
from collections.abc import Iterable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.utils.translation import to_locale

from prospecting.catalogue import PAGES, SCRIPTS, said_by_scripts, said_on_pages

if TYPE_CHECKING:
    from babel.messages.catalog import Message


class Command(BaseCommand):
    help = (
        "Write every sentence of the site into a gettext catalogue of a language, keep what is translated in it already, and "
        "make what the site reads of it. Run it again after each round of translating and after each new version."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("language", help="its code, as de or pt-br")

    def handle(self, *args, **options) -> None:
        from babel import Locale, UnknownLocaleError

        try:
            locale = str(Locale.parse(to_locale(options["language"])))
        except (UnknownLocaleError, ValueError) as wrong:
            raise CommandError(
                f"{options['language']!r} is no code of a language: write one like de or pt-br."
            ) from wrong
        folder = Path(settings.LOCALE_PATHS[0]) / locale / "LC_MESSAGES"
        folder.mkdir(parents=True, exist_ok=True)
        for name, said in [(PAGES, said_on_pages()), (SCRIPTS, said_by_scripts())]:
            translated, of = _written(folder / name, locale, said)
            self.stdout.write(f"{folder / name}.po: {translated} of {of} sentences are translated.")
        self.stdout.write("A site that runs already says them after its next start.")


def _written(place: Path, locale: str, said: Iterable[tuple]) -> tuple[int, int]:
    """Bring a catalogue up to date and make the file the site reads; how many of how many sentences are translated."""
    from babel.messages.catalog import Catalog
    from babel.messages.mofile import write_mo
    from babel.messages.pofile import PoFileError, read_po, write_po

    about = {
        "project": "Gold prospecting log",
        "header_comment": "# Sentences of the site, to be translated.",
    }
    sources, target = Catalog(**about), place.with_suffix(".po")
    for file, line, sentence in said:
        sources.add(sentence, locations=[(file, line)])
    kept = Catalog(locale=locale, **about)
    if target.exists():
        try:
            with target.open("rb") as file:
                kept = read_po(file, locale=locale, abort_invalid=True)
        except (PoFileError, UnicodeDecodeError) as wrong:
            raise CommandError(f"{target} can't be read, so nothing was changed: {wrong}") from wrong
    kept.update(sources)
    for message in kept:
        # "95 % interval" is no place for a figure, whatever it looks like.
        message.flags.discard("python-format")
    for path, write in [(target, partial(write_po, width=120)), (place.with_suffix(".mo"), write_mo)]:
        # In the place of the old one only when it is whole.
        beside = path.with_name(f"{path.name}.new")
        with beside.open("wb") as file:
            write(file, kept)
        beside.replace(path)
    messages = [message for message in kept if message.id]
    return sum(_is_translated(message) for message in messages), len(messages)


def _is_translated(message: "Message") -> bool:
    forms = message.string if isinstance(message.string, tuple | list) else [message.string]
    return bool(forms) and all(forms) and not message.fuzzy
