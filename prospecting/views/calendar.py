import hashlib

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils.cache import get_conditional_response
from django.utils.http import http_date, quote_etag
from django.views.decorators.cache import never_cache

from prospecting.access import ANYONE, MEMBER, from_phone, page
from prospecting.actions.calendar_link import hash_of_key, remove_calendar_link, renew_calendar_link
from prospecting.calc.language import phrase
from prospecting.forms.base import SiteForm
from prospecting.frames.calendar import calendar_feed as feed_now
from prospecting.models import CalendarLink
from prospecting.views.entry import enter
from prospecting.views.members import OwnPage

# Two forms stand on one page, and no two elements of a page share an id.
REMOVE_IDS = "remove_%s"


@page(role=MEMBER, methods=("GET", "POST"))
@never_cache
def calendar_link(request: HttpRequest) -> HttpResponse:
    """The member's own private address of the calendar. A new one is shown in the answer itself, this once."""
    form = SiteForm(request.POST or None, member=request.user)
    keys = []

    def make() -> CalendarLink:
        link, key = renew_calendar_link(member=request.user)
        keys.append(key)
        return link

    response = enter(request, form, make, said=phrase("The private address is made."))
    if response and (from_phone(request) or not keys):
        return response
    if keys:
        address = request.build_absolute_uri(reverse("calendar-feed", args=keys))
        return _link_page(request, address=address)
    return _link_page(request, form=form)


@page(role=MEMBER, methods=("POST",))
@never_cache
def calendar_remove(request: HttpRequest) -> HttpResponse:
    form = SiteForm(request.POST, member=request.user, auto_id=REMOVE_IDS)
    response = enter(
        request,
        form,
        lambda: OwnPage(remove_calendar_link(member=request.user)),
        said=phrase("The private address opens nothing any more."),
        then=reverse("calendar-link"),
    )
    return response or _link_page(request, remove_form=form)


def _link_page(
    request: HttpRequest,
    *,
    form: SiteForm | None = None,
    remove_form: SiteForm | None = None,
    address: str = "",
) -> HttpResponse:
    return render(
        request,
        "prospecting/calendar_link.html",
        {
            "form": form or SiteForm(member=request.user),
            "remove_form": remove_form or SiteForm(member=request.user, auto_id=REMOVE_IDS),
            "link": CalendarLink.objects.filter(member=request.user).first(),
            "address": address,
            "crumbs": [(phrase("My settings"), reverse("own-settings")), (phrase("Calendar"), "")],
        },
    )


@page(role=ANYONE)
def calendar_feed(request: HttpRequest, key: str) -> HttpResponse:
    """The calendar for whoever holds a member's key; dead for guests and for who may no longer sign in.

    What is compared is the hash of the key, so that how long a wrong one takes tells nothing of the right one.
    """
    link = CalendarLink.objects.filter(key_sha256=hash_of_key(key)).select_related("member").first()
    if link is None or not link.member.can_write:
        raise Http404("No calendar is at this address.")
    feed = feed_now(request.build_absolute_uri)
    response = HttpResponse(
        feed.text,
        content_type="text/calendar; charset=utf-8",
        headers={
            "Content-Disposition": 'inline; filename="days-to-keep.ics"',
            "Cache-Control": "private, no-cache",
            "X-Robots-Tag": "noindex",
        },
    )
    etag = quote_etag(hashlib.sha256(feed.text.encode()).hexdigest())
    response.headers["ETag"] = etag
    last_modified = int(feed.changed_at.timestamp()) if feed.changed_at else None
    if last_modified is not None:
        response.headers["Last-Modified"] = http_date(last_modified)
    return get_conditional_response(request, etag=etag, last_modified=last_modified, response=response)
