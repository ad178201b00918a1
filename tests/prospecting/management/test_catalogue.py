"""manage.py catalogue: every sentence into a file a translator can work on, and what is translated into use."""

import gettext

import pytest
from babel.messages.pofile import read_po, write_po
from django.core.management import CommandError, call_command


@pytest.fixture
def folder(settings, tmp_path):
    settings.LOCALE_PATHS = [tmp_path]
    return tmp_path / "de" / "LC_MESSAGES"


def catalogue_of(path):
    with path.open("rb") as file:
        return read_po(file, locale="de")


def test_a_catalogue_holds_every_sentence_and_keeps_what_is_translated(folder, capsys):
    call_command("catalogue", "de")
    told = capsys.readouterr().out
    assert ": 0 of " in told and "after its next start" in told
    pages = catalogue_of(folder / "django.po")
    # One of a template, one with a count, one of Python, one of a script.
    assert "Skip to the page" in pages
    assert pages["{collected.lots} lot in the list"].id[1] == "{collected.lots} lots in the list"
    assert "two" in pages
    assert "Looking for the position…" in catalogue_of(folder / "djangojs.po")

    pages["two"].string = "zwei"
    pages["Skip to the page"].string = "Zur Seite"
    with (folder / "django.po").open("wb") as file:
        write_po(file, pages)
    call_command("catalogue", "de")
    assert ": 2 of " in capsys.readouterr().out
    read = gettext.GNUTranslations((folder / "django.mo").open("rb"))
    assert (read.gettext("two"), read.gettext("Skip to the page")) == ("zwei", "Zur Seite")
    assert read.gettext("three") == "three"


@pytest.mark.parametrize("code", ["", "german", "../de", "d"])
def test_what_is_no_code_of_a_language_is_refused_and_writes_nothing(folder, code, tmp_path):
    with pytest.raises(CommandError, match="is no code of a language"):
        call_command("catalogue", code)
    assert list(tmp_path.iterdir()) == []


def test_a_catalogue_that_cannot_be_read_is_left_as_it_is(folder):
    call_command("catalogue", "de")
    broken = (folder / "django.po").read_text().replace('msgid "two"\nmsgstr ""', 'msgid "two"\nzwei')
    (folder / "django.po").write_text(broken)
    with pytest.raises(CommandError, match="nothing was changed"):
        call_command("catalogue", "de")
    assert (folder / "django.po").read_text() == broken


def test_a_share_is_no_place_for_a_figure(folder):
    call_command("catalogue", "de")
    lines = (folder / "django.po").read_text().splitlines()
    flagged = [line for line in lines if line.startswith("#,") and "python-format" in line]
    assert "95 % i" in " ".join(lines) and flagged == []
