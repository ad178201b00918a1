"""The page for programs, and the document it is made from."""

import pytest
from django.urls import reverse

from tests.prospecting.make_token import program_as
from trials.api.description import ENDPOINTS, TOLD
from trials.views.api import addresses

pytestmark = pytest.mark.django_db


def test_the_page_tells_every_address_and_field(client_as, client, django_assert_max_num_queries):
    address = reverse("api-page")
    assert client.get(address).status_code == 302
    guest = client_as("guest")
    with django_assert_max_num_queries(6):
        page = guest.get(address).content.decode()
    for endpoint in ENDPOINTS:
        assert endpoint.address in page and f'id="{endpoint.name}"' in page
    for record in TOLD:
        assert f'id="record-{record.name}"' in page
        assert all(f"<code>{field.name}</code>" in page for field in record.fields)
    assert "<script" not in page.partition("<main")[2]


def test_every_address_is_described_and_every_description_has_its_address():
    described = {endpoint.name for endpoint in ENDPOINTS}
    assert described == {pattern.name for pattern in addresses()} - {"api-page", "api-file", "api-nothing"}


def test_the_document_is_the_same_for_who_is_signed_in_and_for_a_program(client_as, client):
    told = program_as("guest").get(reverse("api-openapi")).json()
    assert client_as("guest").get(reverse("api-file")).json() == told
    assert told["openapi"] == "3.1.0"
    assert client.get(reverse("api-file")).status_code == 302
    assert client.get(reverse("api-openapi")).status_code == 401
