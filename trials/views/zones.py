from django.http import Http404

from prospecting.access import page


@page(role="member", methods=("GET", "POST"))
def zone_detail(request, **kwargs):
    raise Http404
