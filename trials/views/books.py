"""The whole books as a file, for a keeper."""

from collections.abc import Sequence
from tempfile import TemporaryFile

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext_lazy

from prospecting.access import page
from prospecting.actions.keeping import alone_in
from prospecting.actions.refusal import Refused
from prospecting.actions.uploads import check_disk
from prospecting.calc.language import phrase
from prospecting.frames.books_out import CAUTION, WITHOUT, room_for_books, write_books, write_spreadsheet
from prospecting.frames.sheets import DoesNotFit
from prospecting.views.list_file import XLSX
from prospecting.views.saved_file import saved_from
from prospecting.views.signing_in import asked_password
from trials.actions.books_out import say_books_leave, trials_with_open_keys
from trials.forms.books import BooksForm
from trials.models import Trial

WAYS = {"zip": ("ZIP", write_books, "application/zip"), "xlsx": ("spreadsheet", write_spreadsheet, XLSX)}

RUNNING = gettext_lazy(
    "The whole books are being written as a file right now. Try again when that one has come."
)
NO_ROOM = gettext_lazy(
    "The site's disk has no room left for such a file beside the books; the page Keeping shows its room. At the server, the "
    "command export_books writes it onto another disk."
)


@page(role="keeper", methods=("GET", "POST"))
def whole_books(request: HttpRequest) -> HttpResponse:
    hidden_keys = trials_with_open_keys()
    form = BooksForm(
        request.POST if request.method == "POST" else None,
        member=request.user,
        ask=asked_password(request),
        hidden_keys=hidden_keys,
    )
    if request.method == "POST" and form.is_valid():
        try:
            with alone_in(settings.DATA_DIR, ".whole-books-lock", RUNNING):
                return _file(request, form.cleaned_data["kind"], hidden_keys)
        except DoesNotFit as error:
            form.add_error("kind", str(error))
        except Refused as refusal:
            form.add_error(None, NO_ROOM if refusal.code == "disk_nearly_full" else refusal)
        except OSError:
            form.add_error(
                None,
                phrase(
                    "The file could not be written: the site's disk may be full. The page Keeping shows its room."
                ),
            )
    return render(
        request,
        "trials/whole_books.html",
        {
            "form": form,
            "hidden_keys": hidden_keys,
            "caution": phrase(CAUTION),
            "without": phrase(WITHOUT),
            "crumbs": [(phrase("Keeping"), reverse("keeping")), (phrase("The whole books as a file"), "")],
        },
    )


def _file(request: HttpRequest, ending: str, hidden_keys: Sequence[Trial]) -> HttpResponse:
    """Written whole, then put on record, then sent."""
    word, write, kind = WAYS[ending]
    check_disk(adds_bytes=room_for_books(with_photos=ending == "zip"), field=None)
    # In the data folder, whose room was just looked at. The response closes it when it has been sent.
    file = TemporaryFile(dir=settings.DATA_DIR)  # noqa: SIM115
    try:
        write(file)
        say_books_leave(kind=word, hidden_before=hidden_keys, member=request.user)
    except BaseException:
        file.close()
        raise
    return saved_from(file, kind, f"whole-books-{timezone.localtime():%Y-%m-%d-%H%M}.{ending}")
