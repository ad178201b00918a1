from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from prospecting.access import page
from prospecting.filters.journal import JournalFilter
from prospecting.models import JournalEntry
from prospecting.tables.journal import JournalTable
from prospecting.views.list_file import list_file
from trials.frames.journal_lines import all_lines, journal_page


@page(role="member")
def journal(request: HttpRequest) -> HttpResponse:
    filters = JournalFilter(request, JournalEntry.objects.all())
    entries = filters.qs
    found = journal_page(entries, **filters.place())
    table = JournalTable(found.lines)
    # The whole of it as a file is for keepers: it says much about each member in one place.
    if request.user.is_keeper and (file := list_file(request, table, "journal", records=all_lines(entries))):
        return file
    return render(
        request,
        "trials/journal.html",
        {
            "table": table,
            "found": found,
            "filters": filters,
            "about": filters.record_label(),
        },
    )
