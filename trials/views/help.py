"""Help: one page for each task, and from each page of the site the way to the task that is done on it."""

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render

from prospecting.access import keep_on_phone, page
from trials.frames import help_tasks


def help_of_page(request: HttpRequest) -> dict:
    """For every template: the task done on the page that was asked for, where it has one."""
    address = request.resolver_match
    return {"help_of_page": help_tasks.BY_PAGE.get(address.url_name) if address else None}


@page(role="guest")
@keep_on_phone
def help_list(request: HttpRequest) -> HttpResponse:
    return render(request, "trials/help_list.html", {"parts": help_tasks.parts()})


@page(role="guest")
@keep_on_phone
def help_task(request: HttpRequest, name: str) -> HttpResponse:
    task = help_tasks.BY_NAME.get(name)
    if task is None:
        raise Http404("No help page has this name.")
    context = {
        "task": task,
        "next": help_tasks.next_after(task),
        "picture": help_tasks.pictures().get(task.name),
    }
    return render(request, task.template, context)
