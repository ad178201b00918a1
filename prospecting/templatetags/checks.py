"""The mark beside a value whose return's checks failed."""

from django import template

from prospecting.models import AssayReturn
from prospecting.models.check_evidence import mark_of

register = template.Library()


@register.filter
def check_mark(assay_return: AssayReturn) -> str:
    """What is said beside each value of this return; nothing where no check of it failed."""
    return mark_of(assay_return.checks_state, assay_return.accepted_reason)
