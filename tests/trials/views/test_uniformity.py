import pytest
from django.urls import reverse

from tests import make
from tests.trials.frames.test_bucket_compare import buckets
from tests.trials.frames.test_uniformity import blend, pan

pytestmark = pytest.mark.django_db
NONSENSE = ["abc", "-5", "0", "1e9", "99999999999999999999", "٣", "2,5", "5 kg", "", "<script>", "nan", "\0"]


@pytest.fixture
def panned():
    lot = blend()
    for portion, number in zip(make.make_portions(lot, 6), (2, 3, 15, 30, 50, 70), strict=True):
        pan(portion, f"{number * 0.8:.1f}", {"very_fine": number})
    return lot


def uniform(client, lot, **asked):
    return client.get(reverse("lot-uniform", args=[lot.code]), asked)


def compare(client, *lots, **asked):
    return client.get(reverse("bucket-compare"), {"lot": [lot.code for lot in lots], **asked})


def test_a_guest_reads_the_verdict_first(client_as, panned, django_assert_max_num_queries):
    client = client_as("guest")
    with django_assert_max_num_queries(20):
        page = uniform(client, panned).content.decode()
    assert page.index("Uneven: portions differ more than chance") < page.index('<svg viewBox="0 0 360')
    assert "Show the working" in page
    assert "Pan an untreated portion" not in page


def test_a_member_finds_what_to_do_next(client_as, panned):
    page = uniform(client_as("member"), panned).content.decode()
    assert reverse("lot-cut", args=[panned.code]) in page
    assert "no general formula" in page


def test_nobody_else_reads_it(client, panned):
    for response in (uniform(client, panned), compare(client, panned)):
        assert response.status_code == 302


def test_no_bare_chance_and_no_proof_is_written(client_as, panned):
    page = uniform(client_as("guest"), panned).content.decode().lower()
    assert "proved" not in page and "proven" not in page
    assert "p =" not in page and "p-value" not in page


def test_the_smallest_difference_can_be_typed(client_as, panned):
    page = uniform(client_as("guest"), panned, differs="40", grain="0.5").content.decode()
    assert "taken as 40 %: as you typed it" in page


@pytest.mark.parametrize("typed", NONSENSE)
def test_bad_input_keeps_the_page(client_as, panned, typed):
    client = client_as("guest")
    response = uniform(client, panned, differs=typed, grain=typed)
    assert response.status_code == 200
    if typed in ("abc", "-5", "<script>"):
        assert 'class="errors"' in response.content.decode()
    lots = buckets(60, 60)
    masses = {f"mass_{lots[0].code}": typed, "grain": typed}
    assert compare(client, *lots, masses="1", **masses).status_code == 200


def test_an_unknown_lot_is_not_found(client_as):
    assert client_as("guest").get(reverse("lot-uniform", args=["NOPE"])).status_code == 404


def test_lots_are_chosen_and_then_compared(client_as, django_assert_max_num_queries):
    lots = buckets(60, 400, 2)
    client = client_as("guest")
    page = client.get(reverse("bucket-compare")).content.decode()
    assert "Compare them" in page and lots[0].code in page
    with django_assert_max_num_queries(20):
        page = compare(client, *lots).content.decode()
    assert "at least twice as rich" in page
    assert "Go on to the blend" not in page
    blend_url = f"{reverse('lot-blend')}?lot={lots[0].code}"
    assert blend_url in compare(client_as("member"), *lots).content.decode()


def test_one_lot_or_none_that_exists_goes_back_to_the_choice(client_as):
    client = client_as("guest")
    (lot,) = buckets(5)
    assert "Compare them" in compare(client, lot).content.decode()
    assert client.get(reverse("bucket-compare"), {"lot": ["NOPE", "\0"]}).status_code == 200


def test_planned_masses_are_read_in_the_members_unit(client_as):
    lots = buckets(60, 60)
    page = compare(
        client_as("guest"), *lots, **{f"mass_{lots[0].code}": "9 kg", f"mass_{lots[1].code}": "1000 g"}
    )
    assert "90 %" in page.content.decode()
