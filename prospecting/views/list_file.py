"""A list as a file: the same rows under the same rights, with its present filter and order, for other programs."""

from collections.abc import Iterable
from tempfile import TemporaryFile

from django.conf import settings
from django.contrib import messages
from django.db.models import Model
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone

from prospecting.actions.journal import note_export
from prospecting.frames.sheets import DoesNotFit, check_length, write_csv, write_xlsx
from prospecting.tables.base import ListTable
from prospecting.views.saved_file import CSV, XLSX, saved_from

KINDS = {"csv": CSV, "xlsx": XLSX}


def list_file(
    request: HttpRequest, table: ListTable, name: str, *, records: Iterable[Model] | None = None
) -> HttpResponse | None:
    """The file where the address asks for one (?file=csv); otherwise None, and the list offers it.

    `records` are those of the file where the list itself holds one page of them only.
    """
    table.file_name = name
    asked = request.GET.get("file")
    if asked not in KINDS:
        return None
    # Beside the books: the folder for what is thrown away may be small. The response closes it when it has been sent.
    file = TemporaryFile(dir=settings.DATA_DIR)  # noqa: SIM115
    try:
        if asked == "csv":
            write_csv(file, table.file_lines(records))
        else:
            # Told before a million lines are written for nothing; records that are read as they come are counted on the way.
            if records is None:
                check_length(table.file_rows())
            write_xlsx(file, [(name, table.file_lines(records))])
    except DoesNotFit as error:
        file.close()
        messages.warning(request, str(error))
        query = request.GET.copy()
        del query["file"]
        return redirect(f"{request.path}?{query.urlencode()}")
    except BaseException:
        file.close()
        raise
    note_export(member=request.user, label=request.path, what=f"the list {name} left the site as {asked}")
    return saved_from(file, KINDS[asked], f"{name}-{timezone.localdate():%Y-%m-%d}.{asked}")
