"""How an action says no: a sentence for the person, and the name of the form field it stands beside."""

from collections.abc import Callable

from django.core.exceptions import ValidationError
from django.utils.functional import lazy


def said_when_read(say: Callable[[], str]) -> str:
    """A sentence that is made whenever it is read: once for whoever is refused, and once more as the books keep it."""
    return lazy(say, str)()


class Refused(ValidationError):
    """A refusal with a sentence and, where one field caused it, that field's name.

    A form without that field shows the sentence on top (see forms.base.SiteForm.add_refusal), so that an action need not
    know which form called it.
    """

    def __init__(self, sentence: str, *, code: str, field: str | None = None) -> None:
        super().__init__(sentence, code=code)
        self.field = field
