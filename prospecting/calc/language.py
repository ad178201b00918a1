"""What a member reads, in the member's own language: every such sentence passes through here.

The sentence in the source is English and is its own key. `phrase` looks it up where it is shown; `to_phrase` only marks a text
that is kept in a constant and said later. Whoever runs the site with a catalogue of another language hands in how a sentence
is looked up (`speak_by`); without one everything is said as it stands. What is stored or leaves as a file is said in English,
`as_written`.
"""

from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass


@dataclass(frozen=True)
class Speech:
    """How sentences are looked up: one alone, one of two by a count, and a frame inside which they stay English."""

    translate: Callable[[str], str]
    translate_counted: Callable[[str, str, int], str]
    in_english: Callable[[], AbstractContextManager]


def _by_count(one: str, many: str, number: int) -> str:
    return one if number == 1 else many


_speech = Speech(str, _by_count, nullcontext)


def speak_by(speech: Speech) -> None:
    """Say from here on what this looks up, in the whole process."""
    global _speech
    _speech = speech


def in_english() -> AbstractContextManager:
    """Inside, everything is said in English, whoever reads."""
    return _speech.in_english()


def to_phrase(sentence: str) -> str:
    """Mark a text that is said later, by `phrase`; comes back as it is."""
    return sentence


def phrase(sentence: str, /, **parts: object) -> str:
    """A sentence in the reader's language with its parts set in; without parts its braces are left alone.

    A translation that names a part the sentence does not have is passed over. A part that is missing raises KeyError.

    >>> phrase("{lot} weighs {mass}.", lot="R-041", mass="2 kg")
    'R-041 weighs 2 kg.'
    """
    told = _speech.translate(sentence) if sentence else sentence
    return _filled(told, sentence, parts)


def phrase_counted(one: str, many: str, number: int, /, **parts: object) -> str:
    """The one of two sentences that fits a count, `{number}` being the count itself, in the reader's language.

    >>> phrase_counted("{number} run is left.", "{number} runs are left.", 3)
    '3 runs are left.'
    """
    told = _speech.translate_counted(one, many, number)
    return _filled(told, _by_count(one, many, number), {"number": number} | parts)


def _filled(told: str, sentence: str, parts: dict[str, object]) -> str:
    if not parts:
        return told
    if told != sentence:
        try:
            return told.format(**parts)
        except (LookupError, ValueError, AttributeError):
            pass
    return sentence.format(**parts)
