import pytest
from django.urls import reverse

from prospecting.models import JournalEntry, Lot
from tests import make
from tests.trials.frames.test_recovery import keep
from tests.trials.frames.test_results import assay, pan
from tests.trials.make_trial import log, make_running
from tests.trials.views.test_sampling import NONSENSE

TYPED = {
    "feed": "2 kg",
    "moisture": "0",
    "gold": "5.58 mg",
    "concentrate": "18 g",
    "concentrate_grade": "310 g/t",
    "tails": "1982 g",
    "tails_grade": "0.9 g/t",
    "head": "4.1 g/t",
    "gold_step": "0.1 mg",
    "mass_step": "1 g",
    "assay_sd": "10",
    "head_sd": "25",
    "tails_sd": "25",
    "level": "0.95",
}


def address(lot: Lot) -> str:
    return reverse("lot-recovery", args=[lot.code])


@pytest.mark.parametrize("role", ["guest", "member", "keeper"])
def test_a_balance_is_read_by_all_who_sign_in_and_stores_nothing(
    client_as, django_assert_max_num_queries, role
):
    lot, client = make.make_lot("20000", is_dry=True), client_as(role)
    assay(lot, ["4.1"])
    _, tails = keep(pan(lot, "5.58", "2000"))
    assay(tails, ["0.9"])
    lines = JournalEntry.objects.count()
    with django_assert_max_num_queries(20):
        page = client.get(address(lot))
    text = page.content.decode()
    assert page.status_code == 200
    assert "Recovery of gold into the concentrate: 68 %" in text and "76 % of the gold found" in text
    assert "Accountability 90 %" in text and "Dry basis" in text
    assert JournalEntry.objects.count() == lines
    assert client.post(address(lot), TYPED).status_code == 405


def test_others_are_sent_to_sign_in(client, db):
    assert client.get(address(make.make_lot())).status_code == 302


def test_a_lot_without_recovery_says_so_and_takes_typed_figures(client_as):
    lot, client = make.make_lot("20000"), client_as("member")
    assert "Nothing of it went through a recovery yet" in client.get(address(lot)).content.decode()
    page = client.get(address(lot), TYPED)
    # Case b07: 75.8 % of the gold of both products.
    assert page.context["balance"].routes[1].route.value == pytest.approx(0.757760938646)


@pytest.mark.parametrize("field", sorted([*TYPED, "run", "mass_in", "grade_in"]))
def test_nonsense_is_refused_beside_its_field_and_kept(client_as, field):
    lot, client = make.make_lot("20000"), client_as("member")
    # What is no field of the form leaves the whole reckoning to be done, each time: a few do.
    for nonsense in [*(NONSENSE if field in TYPED else NONSENSE[:3]), ""]:
        page = client.get(address(lot), TYPED | {field: nonsense})
        assert page.status_code == 200, nonsense
        form = page.context["form"]
        if field in form.fields:
            assert form.data[field] == nonsense
        if page.context["balance"] is None:
            assert set(form.errors) - {"__all__"}, nonsense


@pytest.mark.parametrize(
    ("field", "typed", "says"),
    [
        ("concentrate", "3 kg", "can&#x27;t weigh more than the feed"),
        ("tails", "2.2 kg", "Were the tails wet?"),
        ("gold", "20 g", "more gold than the material"),
        ("gold_step", "1 g", "coarser than the gold"),
        ("mass_step", "5 kg", "coarser than the feed"),
        ("moisture", "90", "from 0 to 60"),
        ("head", "4.1 oz/ton", "Which ounce and which ton?"),
        ("level", "1", "Select a valid choice"),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(client_as, field, typed, says):
    page = client_as("member").get(address(make.make_lot("20000")), TYPED | {field: typed})
    assert page.status_code == 200 and page.context["balance"] is None
    assert says in page.content.decode()


def test_more_gold_than_the_head_is_refused_and_not_clipped(client_as):
    text = (
        client_as("member").get(address(make.make_lot("20000")), TYPED | {"gold": "16 mg"}).content.decode()
    )
    assert "Refused." in text and "The arithmetic gives 195 %" in text


def test_a_slip_of_the_grade_is_asked_about(client_as):
    page = client_as("member", grade_unit="g_per_t").get(
        address(make.make_lot("20000")), TYPED | {"head": "95.6 g/t"}
    )
    assert "Were g/t and troy oz per short ton mixed up?" in page.content.decode()


def test_an_open_block_shows_neither_gold_nor_products(client_as):
    trial = make_running(lot=make.make_lot("40000"))
    member = make.make_member()
    runs = [log(planned, member, "9.75") for planned in trial.planned_runs.filter(block__number=1)]
    keep(runs[0], "5", "440")
    client = client_as("keeper")
    for run in ("", "all", str(runs[0].pk)):
        text = client.get(address(trial.feed_lot), {"run": run} if run else {}).content.decode()
        assert "2 runs hidden" in text
        assert "9.75" not in text and "9.8 mg" not in text and "rinse" not in text
