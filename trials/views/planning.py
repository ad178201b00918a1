from django.http import Http404

from prospecting.access import page


@page(role="member", methods=("GET", "POST"))
def trial_list(request, **kwargs):
    raise Http404


@page(role="member", methods=("GET", "POST"))
def trial_add(request, **kwargs):
    raise Http404


@page(role="member", methods=("GET", "POST"))
def trial_detail(request, **kwargs):
    raise Http404


@page(role="member", methods=("GET", "POST"))
def trial_edit(request, **kwargs):
    raise Http404


@page(role="member", methods=("GET", "POST"))
def treatment_add(request, **kwargs):
    raise Http404


@page(role="member", methods=("GET", "POST"))
def treatment_edit(request, **kwargs):
    raise Http404


@page(role="member", methods=("GET", "POST"))
def treatment_remove(request, **kwargs):
    raise Http404


@page(role="member", methods=("GET", "POST"))
def trial_plan(request, **kwargs):
    raise Http404


@page(role="member", methods=("GET", "POST"))
def run_sheet(request, **kwargs):
    raise Http404


@page(role="member", methods=("GET", "POST"))
def mixing_sheet(request, **kwargs):
    raise Http404


@page(role="member", methods=("GET", "POST"))
def trial_close(request, **kwargs):
    raise Http404
