"""Sentences in the reader's language: parts, counts, and what a broken translation does."""

from contextlib import contextmanager

import pytest

from prospecting.calc import language
from prospecting.calc.language import Speech, phrase, phrase_counted, speak_by, to_phrase
from prospecting.calc.number_words import as_written, count_phrase

GERMAN = {"{lot} weighs {mass}.": "{mass} wiegt {lot}.", "two": "zwei", "Dry it.": "Trocknen."}


@pytest.fixture
def german(monkeypatch):
    monkeypatch.setattr(language, "_speech", language._speech)
    told = [GERMAN]

    @contextmanager
    def english():
        told.append({})
        yield
        told.pop()

    def by_count(one, many, number):
        return (
            ("{number} Los" if number == 1 else "{number} Lose")
            if told[-1]
            else (one if number == 1 else many)
        )

    speak_by(Speech(lambda sentence: told[-1].get(sentence, sentence), by_count, english))
    return GERMAN


def test_a_sentence_is_said_with_its_parts_in_the_order_of_its_language(german):
    assert phrase("{lot} weighs {mass}.", lot="R-041", mass="2 kg") == "2 kg wiegt R-041."
    assert phrase("Dry it.") == "Trocknen."
    assert phrase("") == ""
    assert phrase("Not translated {here}.") == "Not translated {here}."


@pytest.mark.parametrize("wrong", ["{lots} wiegt.", "{lot.secret.x} wiegt", "{0} wiegt", "{lot", "{lot:q}"])
def test_a_broken_translation_is_passed_over(german, monkeypatch, wrong):
    monkeypatch.setitem(GERMAN, "{lot} weighs {mass}.", wrong)
    assert phrase("{lot} weighs {mass}.", lot="R-041", mass="2 kg") == "R-041 weighs 2 kg."


def test_a_count_chooses_the_form(german):
    lots = [phrase_counted("{number} lot", "{number} lots", number) for number in (1, 2)]
    assert lots == ["1 Los", "2 Lose"]
    assert count_phrase("{number} lot", "{number} lots", 2) == "zwei Lose"


def test_what_is_stored_or_leaves_is_english(german):
    with as_written():
        assert phrase("Dry it.") == "Dry it."
        assert count_phrase("{number} lot", "{number} lots", 2) == "two lots"
    assert phrase("Dry it.") == "Trocknen."


def test_without_a_catalogue_a_sentence_is_itself():
    assert phrase(to_phrase("Dry it.")) == "Dry it."
    assert phrase_counted("{number} lot of {of}", "{number} lots of {of}", 0, of="two") == "0 lots of two"
    with pytest.raises(KeyError):
        phrase("{lot} weighs {mass}.", lot="R-041")
