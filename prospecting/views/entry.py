"""How a page records what its form holds: once, whole, with the refusal beside the field."""

from collections.abc import Callable

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db.models import Model
from django.http import HttpRequest, HttpResponseRedirect
from django.shortcuts import redirect

from prospecting.actions.delivery import deliver_once
from prospecting.forms.base import SiteForm


def enter(
    request: HttpRequest, form: SiteForm, make: Callable[[], Model], *, said: str = "Recorded."
) -> HttpResponseRedirect | None:
    """Record a valid form through `make` and go to the record; None when the form has to be shown (again)."""
    if not (request.method == "POST" and form.is_valid()):
        return None
    try:
        delivery = deliver_once(
            identity=form.cleaned_data["identity"], body=form.typed_body(), member=request.user, make=make
        )
    except ValidationError as error:
        form.add_refusal(error)
        return None
    messages.success(request, said)
    return redirect(delivery.record_path)
