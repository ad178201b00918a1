from django.http import Http404

from prospecting.access import page


@page(role="member", methods=("GET", "POST"))
def additive_list(request, **kwargs):
    raise Http404


@page(role="member", methods=("GET", "POST"))
def additive_add(request, **kwargs):
    raise Http404


@page(role="member", methods=("GET", "POST"))
def additive_edit(request, **kwargs):
    raise Http404
