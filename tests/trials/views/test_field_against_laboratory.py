"""The pages of pans beside assays and of the next assay: who sees them, what they say, and what they make of nonsense."""

import pytest
from django.urls import reverse

from tests import make
from tests.trials.frames.test_field_against_laboratory import EIGHT, lot_with
from tests.trials.frames.test_next_assays import contradict

pytestmark = pytest.mark.django_db
PAGES = ("field-against-laboratory", "assay-next")
NONSENSE = {
    "zone": "999999",
    "share": "seven",
    "without_failed": "maybe",
    "pan": "much",
    "grain": "-3",
    "method": "by eye",
    "price": "1e999",
}


def text_of(client, name: str, **asked) -> str:
    response = client.get(reverse(name), asked)
    assert response.status_code == 200
    return response.content.decode()


@pytest.mark.parametrize("name", PAGES)
def test_it_asks_who_you_are(client, name):
    assert client.get(reverse(name)).status_code == 302


@pytest.mark.parametrize("role", ["guest", "member", "keeper"])
@pytest.mark.parametrize("name", PAGES)
def test_everyone_of_the_group_reads_it_empty(client_as, name, role):
    text = text_of(client_as(role), name)
    assert "Field against laboratory" in text


@pytest.mark.parametrize("name", PAGES)
def test_it_takes_no_post(client_as, name):
    assert client_as("keeper").post(reverse(name)).status_code == 405


def test_it_shows_the_ratio_the_pair_and_no_calibration(client_as):
    lot = lot_with("1.5", "5.0")
    text = text_of(client_as("guest"), "field-against-laboratory")
    assert "Apparent recovery 60 % over 1 lot" in text
    assert lot.code in text and "100 %, the same lot" in text
    assert "calibrat" not in text.replace("no calibration", "")


@pytest.mark.parametrize("name", PAGES)
def test_nonsense_is_told_beside_its_field_and_the_page_stands(client_as, name):
    lot_with("1.5", "5.0")
    text = text_of(client_as("member"), name, **NONSENSE)
    assert text.count('class="errors"') >= 2
    for typed in ("much", "-3") if name == PAGES[0] else ("1e999", "-3"):
        assert f'value="{typed}"' in text


def test_a_typed_pan_without_enough_pairs_says_how_many_more(client_as):
    lot_with("1.5", "5.0")
    assert "7 more are needed" in text_of(client_as("member"), "field-against-laboratory", pan="3 g/t")


def test_every_lot_has_its_assay_is_said_only_where_none_waits(client_as):
    for gold, grade in EIGHT:
        lot_with(gold, grade)
    client = client_as("member")
    assert "Every lot that was panned has its assay" in text_of(client, "field-against-laboratory")
    lot_with(None, None, below_scale=True)
    text = text_of(client, "field-against-laboratory")
    assert "Every lot that was panned" not in text and "1 lot was panned and not assayed" in text
    assert "the grade you typed" in text_of(client, "field-against-laboratory", pan="3 g/t")


def test_a_reader_of_ounces_gets_ounces(client_as):
    lot_with("1.5", "5.0")
    client = client_as("member", grade_unit="ozt_per_short_ton")
    assert "troy oz per short ton" in text_of(client, "field-against-laboratory")


def test_a_second_reading_is_the_same_and_changes_with_the_books(client_as):
    lot_with("1.5", "5.0")
    client = client_as("member")
    first = text_of(client, "field-against-laboratory")
    assert "over 1 lot" in first and "over 1 lot" in text_of(client, "field-against-laboratory")
    lot_with("1.5", "5.0")
    assert "over 2 lots" in text_of(client, "field-against-laboratory")


def test_a_guest_is_offered_nothing_to_do(client_as):
    zone = make.make_zone()
    for grade in ("4.0", "9.0", "6.0"):
        lot_with("1.5", grade, zone=zone)
    lot_with("1.5", None, zone=zone)
    asked = {"grain": "0.05 mg", "method": "fire_30", "price": "25"}
    assert "take a split" in text_of(client_as("member"), "assay-next", **asked)
    text = text_of(client_as("guest"), "assay-next", **asked)
    assert "take a split" not in text and "Pack a dispatch" not in text
    assert "Most for its price" in text


@pytest.mark.parametrize("method", ["", "by eye"])
def test_a_price_without_its_method_is_told_beside_it_and_ranks_as_if_blank(client_as, method):
    text = text_of(client_as("member"), "assay-next", price="25", method=method)
    assert "Choose the method this price is of." in text and 'value="25"' in text
    assert "Choose the method" not in text_of(client_as("member"), "assay-next", price="25", method="fire_30")


def test_assays_that_contradict_each_other_are_told_and_do_not_break_the_page(client_as):
    contradict(make.make_zone(name="South face"))
    text = text_of(client_as("member"), "assay-next", grain="0.05 mg", method="fire_30")
    assert "its assays contradict each other too much" in text and "1 more needed" not in text
