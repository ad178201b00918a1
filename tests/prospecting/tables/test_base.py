"""Sorted lists stand in one order on every page, empty cells last."""

import re

import pytest
from django.urls import reverse

from prospecting.models import Dispatch, Member
from tests import make
from tests.prospecting.views.test_list_file import LISTS, fill_lists, url_of

pytestmark = pytest.mark.django_db


def test_every_column_that_offers_to_sort_does_both_ways(client_as):
    fill_lists()
    keeper = client_as("keeper")
    for name in LISTS:
        url = url_of(name)
        page = keeper.get(url).content.decode()
        columns = set(re.findall(r'<a href="\?sort=-?(\w+)">', page))
        assert columns or name in ("journal", "zone-lots"), name
        for column in columns:
            up, down = (lines(keeper, url, sort) for sort in (column, f"-{column}"))
            assert up and sorted(up) == sorted(down), (name, column)


def lines(client, url: str, sort: str) -> list[str]:
    return b"".join(client.get(url, {"sort": sort, "file": "csv"})).splitlines()[1:]


def test_rows_that_are_alike_are_on_one_page_only(client_as):
    """Digs by one digger on one day, over three pages, each once."""
    zone = make.make_zone()
    for number in range(14):
        make.make_lot(zone=zone, station=f"Q{number}")
    guest = client_as("guest")
    for sort in ("digger", "-zone", "sample_kind"):
        seen = []
        for page in (1, 2, 3):
            answer = guest.get(reverse("dig-list"), {"sort": sort, "page": page, "per_page": 5})
            seen += re.findall(r"<span>(Q\d+)</span>", answer.content.decode())
        assert seen == [f"Q{number}" for number in reversed(range(14))], sort


def test_an_empty_cell_comes_last_up_and_down(client_as):
    packing, sent = make.make_parcel(1), make.make_parcel(1)
    Dispatch.objects.filter(pk=packing.pk).update(sent_on=None, expected_on=None)
    Dispatch.objects.filter(pk=sent.pk).update(sent_on=make.DAY, expected_on=make.DAY)
    keeper = client_as("keeper")
    for sort in ("sent_on", "-sent_on", "expected_on", "-expected_on"):
        page = keeper.get(reverse("dispatch-list"), {"sort": sort}).content.decode()
        assert page.index(f"No. {sent.pk}") < page.index(f"No. {packing.pk}"), sort
    never = make.make_member(first_name="Never")
    assert Member.objects.filter(last_login__isnull=False).exists()
    for sort in ("last_login", "-last_login"):
        page = keeper.get(reverse("member-list"), {"sort": sort}).content.decode()
        assert page.index(keeper.member.username) < page.index(never.username), sort
