"""What a page says of a count, and what its scripts say, in the reader's language."""

from django import template
from django.utils.html import json_script
from django.utils.safestring import SafeString

from prospecting.calc.language import phrase_counted
from prospecting.calc.number_words import numeral
from prospecting.catalogue import script_sentences

register = template.Library()


@register.simple_tag
def counted(number, one: str, many: str, **parts) -> str:
    """The one of two sentences that fits a count, `{number}` in them being the count: "{number} lot", "{number} lots"."""
    return phrase_counted(one, many, number or 0, number=numeral(number or 0, ",d"), **parts)


@register.simple_tag(name="script_words")
def script_words() -> SafeString | str:
    """What the scripts of a page say, for `say.js`; nothing where the reader's language is English."""
    sentences = script_sentences()
    return json_script(sentences, "words") if sentences else ""
