"""Every list is narrowed by its filters, whatever stands in the address, and says so."""

import re
from html import unescape
from itertools import cycle
from urllib.parse import urlencode

import pytest
from django.urls import reverse

from prospecting.filters.base import ListFilter
from prospecting.filters.dispatching import DispatchFilter
from prospecting.filters.ground import DigFilter
from prospecting.filters.journal import JournalFilter
from prospecting.filters.lots import LotFilter
from prospecting.filters.members import MemberFilter
from prospecting.filters.readings import ReadingFilter
from prospecting.models import Lot, Zone
from tests import make
from tests.make_books import fill_books
from trials.filters.additives import AdditiveFilter
from trials.filters.clearing import ClearingFilter
from trials.filters.findings import FindingFilter
from trials.filters.lineage import GroundLotFilter
from trials.filters.runs import RunFilter
from trials.filters.trials import TrialFilter

pytestmark = pytest.mark.django_db

LISTS = {
    "lot-list": LotFilter,
    "dig-list": DigFilter,
    "dispatch-list": DispatchFilter,
    "reading-list": ReadingFilter,
    "member-list": MemberFilter,
    "journal": JournalFilter,
    "additive-list": AdditiveFilter,
    "clearing-list": ClearingFilter,
    "finding-list": FindingFilter,
    "zone-lots": GroundLotFilter,
    "run-list": RunFilter,
    "trial-list": TrialFilter,
}
NONSENSE = [
    "\x00",
    "9" * 40,
    "-1",
    "2026-13-45",
    "9999-12-31",
    "'; --",
    "<script>alert(1)</script>",
    "½",
    "null",
]


def url_of(name: str) -> str:
    return reverse(name, args=[Zone.objects.earliest("pk").pk] if name == "zone-lots" else [])


def page_of(client, url: str, **query) -> str:
    answer = client.get(url, query)
    assert answer.status_code == 200
    return unescape(answer.content.decode())


def said(page: str) -> str:
    """What the list says of its filters, its tags taken away."""
    found = re.search(r'<div class="narrowed">(.*?)</div>', page, re.S)
    return " ".join(re.sub(r"<[^>]+>", " ", found[1]).split()) if found else ""


def test_every_list_that_narrows_is_tried_here():
    assert set(ListFilter.__subclasses__()) == set(LISTS.values())


def test_no_list_asks_for_more_than_a_handful():
    """A first and a last day count as one."""
    for cls in LISTS.values():
        shown = [name for name in cls.base_filters if name not in ("until", "record")]
        assert 2 <= len(shown) <= 5 + (cls is DigFilter), cls


def test_nonsense_narrows_nothing_or_finds_nothing_and_never_breaks(client_as):
    fill_books()
    client = client_as("keeper")
    for place, (name, cls) in enumerate(LISTS.items()):
        texts = cycle(NONSENSE[place % len(NONSENSE) :] + NONSENSE)
        page = client.get(url_of(name), {field: next(texts) for field in cls.base_filters})
        assert page.status_code == 200, name
        assert "Narrow the list" in page.text and "<script>alert" not in page.text, name


@pytest.mark.long
def test_every_nonsense_in_every_filter(client_as):
    fill_books()
    client = client_as("keeper")
    for name, cls in LISTS.items():
        for field in cls.base_filters:
            for text in NONSENSE:
                page = client.get(url_of(name), {field: text})
                assert page.status_code == 200, (name, field, text)
                assert "<script>alert" not in page.text, (name, field, text)


@pytest.mark.parametrize("tried", [1, pytest.param(None, marks=pytest.mark.long)])
def test_what_is_chosen_is_answered_told_and_can_be_taken_away(client_as, tried):
    """Of each select of each list the first choice; as a long test all of them."""
    fill_books()
    client = client_as("keeper")
    for name, cls in LISTS.items():
        url = url_of(name)
        plain = page_of(client, url)
        assert said(plain) == "" and 'class="filters no-print"' in plain, name
        for field in cls.base_filters:
            select = re.search(rf'<select name="{field}".*?</select>', plain, re.S)
            choices = re.findall(r'<option value="([^"]+)"', select[0]) if select else []
            for value in choices[:tried]:
                page = page_of(client, url, **{field: value})
                assert said(page).endswith("take this filter away"), (name, field, value)
                assert f'<li><a href="{url}">' in page, (name, field, value)


def test_what_cannot_be_read_is_said_beside_its_field_and_the_rest_still_narrows(client_as):
    bucket = make.make_lot()
    blend = make.make_blend((bucket, "500"), (make.make_lot(), "500"))
    page = page_of(client_as("guest"), reverse("lot-list"), kind="nugget", zone="x", text=blend.code)
    assert page.count("Choose one") == 2 and '<details class="filters no-print" open>' in page
    assert blend.get_absolute_url() in page and bucket.get_absolute_url() not in page


def test_it_tells_how_many_of_how_many_and_each_filter_can_be_taken_away(client_as):
    zone = make.make_zone(name="North")
    for _ in range(3):
        make.make_lot(zone=zone)
    make.make_lot()
    query = {"kind": "bucket", "zone": zone.pk, "sort": "-code", "page": "1", "text": " "}
    page = page_of(client_as("guest"), reverse("lot-list"), **query)
    assert said(page).startswith("3 of 4 lots .")
    assert "Kind: Bucket" in said(page) and f"material of zone: {zone}" in said(page)
    path = reverse("lot-list")
    assert f'<a href="{path}?{urlencode({"zone": zone.pk, "sort": "-code"})}">Kind: Bucket' in page
    assert f'<a href="{path}?{urlencode({"kind": "bucket", "sort": "-code"})}">Holds' in page
    assert f'<a href="{path}?sort=-code">Show all' in page
    assert '<input type="hidden" name="sort" value="-code">' in page
    assert '<option value="bucket" selected>' in page


def test_nothing_found_is_said_and_a_list_without_anything_does_not_offer_to_narrow(client_as):
    guest = client_as("guest")
    assert "Narrow the list" not in page_of(guest, reverse("lot-list"))
    make.make_lot()
    page = page_of(guest, reverse("lot-list"), kind="tails")
    assert "No lot is like that. Take a filter away to see more." in page
    assert said(page).startswith("0 of 1 lot .") and "<table" not in page


def test_a_list_without_a_filter_counts_its_rows_once(client_as, django_assert_num_queries):
    make.make_lot()
    guest = client_as("guest")
    guest.get(reverse("lot-list"))
    with django_assert_num_queries(5):  # session, member, zones to choose from, the count, the page
        guest.get(reverse("lot-list"))
    with django_assert_num_queries(6):  # and how many there are in all
        guest.get(reverse("lot-list"), {"kind": "bucket"})


def test_days_are_of_both_ends_and_the_later_one_does_not_come_first(client_as):
    make.make_lot(station="S77")
    day = make.DAY.isoformat()
    guest = client_as("guest")
    assert "S77" in page_of(guest, reverse("dig-list"), since=day, until=day)
    assert "S77" not in page_of(guest, reverse("dig-list"), since="2999-01-01")
    backwards = page_of(guest, reverse("dig-list"), since=day, until="2001-01-01")
    assert "This day is before the one above" in backwards and "S77" in backwards


def test_old_addresses_narrow_as_before(client_as):
    """Links such as those on zone and home pages, and what members keep."""
    lot = make.make_lot(station="S78")
    make.make_portions(lot, 2, "100")
    guest = client_as("guest")
    page = page_of(guest, reverse("lot-list"), kind="bucket", on_hand="on")
    assert said(page).startswith("1 of 3 lots")
    assert "S78" in page_of(guest, reverse("dig-list"), station="s78", voided="on")


def test_a_text_is_looked_for_where_a_lot_stands_and_who_has_it(client_as):
    lot, other = make.make_lot(), make.make_lot()
    Lot.objects.filter(pk=lot.pk).update(place="back of the shed", holder="Wren")
    for text in ("shed", "wren"):
        page = page_of(client_as("guest"), reverse("lot-list"), text=text)
        assert lot.get_absolute_url() in page and other.get_absolute_url() not in page


def test_the_page_that_finds_a_tag_leads_to_the_list(client_as):
    make.make_lot()
    page = page_of(client_as("guest"), reverse("lot-find"), code="nonsense", kind="bucket")
    assert f'action="{reverse("lot-list")}"' in page
    assert f'<li><a href="{reverse("lot-list")}">Kind: Bucket' in page
