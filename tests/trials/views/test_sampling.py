import pytest
from django.urls import reverse

from prospecting.models import JournalEntry, Lot
from tests import make

TYPED = {
    "top": "850 µm",
    "gold": "0.2 mm",
    "gold_low": "0.1 mm",
    "gold_high": "0.4 mm",
    "coarse_share": "100",
    "grade": "8 g/t",
    "lot_mass": "20 kg",
    "portion": "454 g",
    "wanted": "20",
    "method": "riffle",
    "series": "astm_e11",
    "keep1": "2 kg",
    "size2": "30 mesh",
    "keep2": "454 g",
    "how2": "scooped",
    "before": "1/4 inch",
}
NONSENSE = [
    "-5",
    "0",
    "nan",
    "9" * 60,
    "<b>",
    "5 parsecs",
    "\x00",
    "٣٫٥",
    "1,200",
    "999999 t",
    "½ mesh",
    "1/0",
]


def address(lot: Lot) -> str:
    return reverse("lot-sampling", args=[lot.code])


def made() -> Lot:
    return make.make_lot("20000", is_dry=True)


@pytest.mark.parametrize("role", ["guest", "member", "keeper"])
def test_a_plan_is_read_by_all_who_sign_in_and_stores_nothing(client_as, django_assert_max_num_queries, role):
    lot, client = made(), client_as(role)
    lines = JournalEntry.objects.count()
    with django_assert_max_num_queries(20):
        page = client.get(address(lot), TYPED)
    assert page.status_code == 200
    text = page.content.decode()
    assert "Portions of" in text and "The usual mistake" in text and "Show the working" in text
    assert "worst" in text and "about 1 in" in text
    assert JournalEntry.objects.count() == lines
    assert client.post(address(lot), TYPED).status_code == 405


def test_others_are_sent_to_sign_in_and_an_unknown_lot_is_not_found(client, client_as):
    lot = made()
    assert client.get(address(lot)).status_code == 302
    assert client_as("member").get("/lots/ZZZ-99-Z/sampling/").status_code == 404


def test_an_empty_lot_asks_for_what_the_books_do_not_know(client_as):
    page = client_as("member").get(address(made())).content.decode()
    assert "Fill in what is empty" in page
    assert "This field is required" not in page


@pytest.mark.parametrize("field", sorted(TYPED))
def test_nonsense_is_refused_beside_its_field_and_kept(client_as, field):
    lot, client = made(), client_as("member")
    for nonsense in NONSENSE:
        page = client.get(address(lot), TYPED | {field: nonsense})
        assert page.status_code == 200, nonsense
        form = page.context["form"]
        assert form.data[field] == nonsense
        if page.context["plan"] is None:
            assert set(form.errors) - {"__all__"}, nonsense


@pytest.mark.parametrize(
    ("field", "typed", "says"),
    [
        ("gold", "2 mm", "don&#x27;t pass where the lot&#x27;s largest piece is 0.85 mm"),
        ("gold_high", "0.1 mm", "finer than the usual size"),
        ("gold_low", "0.3 mm", "coarser than the usual size"),
        ("portion", "30 kg", "can&#x27;t weigh more than the lot"),
        ("grade", "50 %", "a tenth gold or more"),
        ("top", "850", "of what?"),
        ("top", "21 mesh", "There is no US sieve"),
        ("keep2", "3 kg", "More than there is to split"),
        ("keep1", "", "Stage 1 is empty"),
        ("size2", "2 mm", "Crushing makes finer"),
        ("size3", "75 µm", "Say how much this stage keeps"),
        ("before", "0.2 mm", "at least as coarse"),
        ("method", "guessing", "Select a valid choice"),
        ("coarse_share", "0", "from 0.1 to 100"),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(client_as, field, typed, says):
    page = client_as("member").get(address(made()), TYPED | {field: typed})
    assert page.status_code == 200 and page.context["plan"] is None
    assert says in page.content.decode()


def test_a_link_means_the_same_to_a_reader_with_other_units(client_as):
    typed = TYPED | {
        "portion": "1",
        "lot_mass": "40",
        "mass_in": "lb",
        "grade": "0.2",
        "grade_in": "ozt_per_short_ton",
    }
    lot = made()
    plans = [
        client_as("guest", mass_unit=mass, grade_unit=grade).get(address(lot), typed).context["plan"]
        for mass, grade in (("lb", "ozt_per_short_ton"), ("kg", "g_per_t"))
    ]
    assert plans[0].grains == plans[1].grains
    assert "1 lb" in plans[0].sentences[0] and "0.454 kg" in plans[1].sentences[0]
    bad = client_as("member").get(address(lot), typed | {"mass_in": "stone", "grade_in": "<b>"})
    assert bad.status_code == 200


def test_a_voided_lot_has_no_plan(client_as):
    lot = made()
    Lot.objects.filter(pk=lot.pk).update(is_void=True)
    assert client_as("member").get(address(lot)).status_code == 404
