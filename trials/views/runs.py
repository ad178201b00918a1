from django.http import Http404

from prospecting.access import page


@page(role="member", methods=("GET", "POST"))
def run_add(request, **kwargs):
    raise Http404


@page(role="member", methods=("GET", "POST"))
def run_next(request, **kwargs):
    raise Http404


@page(role="member", methods=("GET", "POST"))
def run_log(request, **kwargs):
    raise Http404


@page(role="member", methods=("GET", "POST"))
def block_close(request, **kwargs):
    raise Http404


@page(role="member", methods=("GET", "POST"))
def run_list(request, **kwargs):
    raise Http404


@page(role="member", methods=("GET", "POST"))
def run_detail(request, **kwargs):
    raise Http404


@page(role="member", methods=("GET", "POST"))
def run_keep(request, **kwargs):
    raise Http404


@page(role="member", methods=("GET", "POST"))
def run_correct(request, **kwargs):
    raise Http404


@page(role="member", methods=("GET", "POST"))
def run_void(request, **kwargs):
    raise Http404
