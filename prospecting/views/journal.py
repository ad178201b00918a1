from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django_tables2 import RequestConfig

from prospecting.access import MEMBER, page
from prospecting.forms.journal import JournalFilterForm
from prospecting.models import JournalEntry
from prospecting.tables.journal import JournalTable


@page(role=MEMBER)
def journal(request: HttpRequest) -> HttpResponse:
    filters = JournalFilterForm(request.GET or None)
    table = JournalTable(filters.narrowed(JournalEntry.objects.select_related("member")))
    RequestConfig(request, paginate={"per_page": 50}).configure(table)
    return render(
        request,
        "prospecting/journal.html",
        {
            "table": table,
            "filters": filters,
            "narrowed": filters.is_narrowing(),
            "any_entries": table.rows or JournalEntry.objects.exists(),
        },
    )
