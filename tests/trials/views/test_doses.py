"""The pages of doses: one trial's ladder, one additive over its trials, all additives beside each other, and their costs."""

import datetime
import math
import re
from decimal import Decimal
from types import SimpleNamespace

import numpy as np
import pytest
from django.db import transaction
from django.db.models import Value
from django.db.models.functions import Concat
from django.urls import reverse

from prospecting.models import Lot
from tests.make import make_lot, make_member
from tests.trials.make_judging import close, judge
from tests.trials.make_ladder import BELOW, FAILED, NOT_DONE, around, make_ladder
from tests.trials.make_trial import make_additive, make_closed_bridge
from trials.actions.additives import change_additive
from trials.frames.additive_doses import fingerprint, trials_read
from trials.frames.doses import ladder_readings
from trials.frames.ladders import LadderLines
from trials.models import Additive, Dose, Run, Treatment, Trial

WATER = [6.1, 7.4, 5.2, 8.3, 6.6, 7.0]
WOBBLE = [1.06, 0.95, 1.02, 0.97, 1.04, 0.98]
OTHER = [0.96, 1.05, 0.99, 1.03, 0.94, 1.04]
PRICED = {"bottle_ml": Decimal(500), "bottle_typed": "500 mL", "priced_on": datetime.date(2026, 5, 1)}


def ladder(**times: float) -> dict[str, list[float]]:
    """Plain water and doses named by hundredths of a mL/L: `d20=1.6` is 0.2 mL/L with 1.6 times as much."""
    rows = {"plain water": WATER}
    for number, (name, factor) in enumerate(times.items()):
        rows[f"{int(name[1:]) / 100:g} mL/L"] = around(factor, WATER, (WOBBLE, OTHER)[number % 2])
    return rows


def short(**times: float) -> dict[str, list[float]]:
    return {name: row[:4] for name, row in ladder(**times).items()}


@pytest.fixture(scope="module")
def story(django_db_setup, django_db_blocker):
    """Three additives over some seasons and lots, played once for this module and taken back at its end."""
    with django_db_blocker.unblock(), transaction.atomic():
        member = make_member()
        a, b, c = (make_additive(name, member=member) for name in ("Rinse A", "Soap B", "Never tried C"))
        for additive, price in ((a, "9.50"), (b, "3.20")):
            change_additive(
                additive=additive, recorded_by=member, price=Decimal(price), currency="USD", **PRICED
            )
        lots = [make_lot("90000", member=member, is_dry=True) for _ in range(2)]

        def play(rows, additive=a, year=2026, **fields):
            return make_ladder(
                rows, additive=additive, member=member, day=datetime.date(year, 6, 3), **fields
            )

        yield SimpleNamespace(
            a=a,
            b=b,
            c=c,
            lots=lots,
            overdose=play(ladder(d10=1.0, d20=1.9, d40=2.2, d160=0.8), lot=lots[0], year=2024),
            again=play(ladder(d20=1.7, d40=1.8), lot=lots[1], year=2025),
            weak=play(ladder(d20=1.02, d40=1.05), lot=lots[1]),
            bridge=make_closed_bridge(*lots, ["8.0", "7.0", "9.0"], ["8.4", "7.1", "8.9"]),
            both=play(ladder(d20=2.0, d40=2.05, d50=2.0), additive_of={"0.5 mL/L": b}),
        )
        transaction.set_rollback(True)


@pytest.fixture
def ask(story, client_as):
    """What a signed-in reader's page says; `role` of the reader, and the words of the page without its marks."""

    def page(name: str, pk: int | None = None, *, role: str = "member", query: str = "") -> str:
        client = client_as(role, dose_unit="ml_per_l")
        response = client.get(reverse(name, args=[] if pk is None else [pk]) + query)
        assert response.status_code == 200
        return response.content.decode()

    return page


def words(html: str) -> str:
    main = html.partition("<main")[2].partition(">")[2].partition("<footer")[0]
    return " ".join(re.sub(r"<[^>]+>", " ", main).replace("\xa0", " ").replace("&#x27;", "'").split())


def picture(html: str) -> str:
    return html.partition('<figure class="figure ladder">')[2].partition("</svg>")[0]


def test_pages_open_to_readers_and_to_nobody_else(story, client_as, client):
    addresses = [
        reverse("trial-doses", args=[story.overdose.pk]),
        reverse("additive-detail", args=[story.a.pk]),
        reverse("additive-compare"),
    ]
    for role in ("guest", "member", "keeper"):
        reader = client_as(role)
        assert [reader.get(address).status_code for address in addresses] == [200] * 3
        assert [reader.post(address).status_code for address in addresses] == [405] * 3
    assert [client.get(address).status_code for address in addresses] == [302] * 3
    assert client_as("guest").get(reverse("additive-detail", args=[10**6])).status_code == 404


def test_no_page_asks_much_of_the_database_and_kept_ones_answer_alike(
    story, client_as, django_assert_max_num_queries
):
    client = client_as("keeper")
    for name, pk in (
        ("trial-doses", story.overdose.pk),
        ("additive-detail", story.a.pk),
        ("additive-compare", None),
    ):
        address = reverse(name, args=[] if pk is None else [pk])
        with django_assert_max_num_queries(20):
            first = client.get(address).content
        assert words(client.get(address).content.decode()) == words(first.decode())


def test_the_ladder_says_how_little_is_enough_and_where_too_much_begins(story, ask):
    html = ask("trial-doses", story.overdose.pk)
    said = words(html)
    assert (
        "The least dose shown to recover more than plain water is 0.2 mL/L; the next lower one tried, 0.1 mL/L, was not shown."
        in said
    )
    # 0.2 mL/L in 9 L is 1.8 mL, 36 drops of 0.05 mL; half-way by factors from 0.1 to 0.2 is 0.1414, 25 drops.
    assert "Least effective dose: 0.2 mL/L, 36 drops in 9 L" in said
    assert "Next dose to try: 0.141 mL/L, 25 drops in 9 L" in said
    assert "At 1.6 mL/L less than at a lower dose" in said
    assert "Steps that never fall are not drawn: here the top dose fell." in said
    svg = picture(html)
    assert svg.count("<circle") == 30
    assert svg.count('class="bar"') + svg.count('class="bar open"') + svg.count('class="bar worse"') == 4
    assert 'polyline class="fit' not in svg
    assert "0.4 mL/L: 6 runs" in svg
    assert "style=" not in html.partition("<main")[2]


def test_the_same_figures_stand_on_the_verdict_page(story, ask):
    row = re.compile(r"<tr><td.*?</tr>", re.DOTALL)
    verdict, doses = ask("trial-verdict", story.overdose.pk), ask("trial-doses", story.overdose.pk)
    for name in ("0.1 mL/L", "0.2 mL/L", "0.4 mL/L", "1.6 mL/L"):
        here, there = (
            next(words(f"<main>{found}") for found in row.findall(page) if f">{name}" in found)
            for page in (doses, verdict)
        )
        interval = re.search(r"[\d.]+ to [\d.]+", here).group()
        assert interval in there, name


def test_costs_are_reckoned_as_a_hand_does_and_the_season_can_be_typed(story, ask):
    said = words(ask("trial-doses", story.overdose.pk, query="?water=1000+L"))
    # 9.50 / 500 mL = 0.019 a mL; x 0.2 mL/L = 0.0038 a litre; x 9 L = 0.0342; 1000 L 3.80, 200 mL or 0.4 bottles.
    assert "A litre of water 0.0038 USD" in said
    assert "A pan, with a tub of 9 L 0.034 USD" in said
    assert "A season's water, 1000 L 3.80 USD, 0.4 bottles" in said
    assert "on 01 May 2026" in said
    assert "Each extra mg of gold costs" in said


@pytest.mark.parametrize("typed", ["", "much", "-5 L", "0", "9e99 L", "٣٠٠ L", "1000000000 L", "5 oz"])
def test_a_season_typed_badly_says_so_and_keeps_the_page(story, ask, typed):
    html = ask("trial-doses", story.overdose.pk, query=f"?water={typed}")
    if typed in ("", "٣٠٠ L"):
        assert 'class="errors"' not in html
    else:
        assert 'class="errors"' in html
        assert f'value="{typed}"' in html
    assert "What it costs" in html


def test_a_cheaper_product_is_named_only_where_it_is_shown_not_worse(story, ask):
    # Soap at 0.5 mL/L costs 0.0032 a litre, less than the rinse at 0.2 (0.0038); both gave twice plain water, the same one.
    said = words(ask("trial-doses", story.both.pk))
    assert (
        "Cheaper: Soap B, 0.5 mL/L, at 0.0032 USD a litre of water: shown to come within the margin of Rinse A at 0.2 mL/L"
        in said
    )
    change_additive(additive=story.b, recorded_by=make_member(), currency="CAD")
    assert "does not change one money into another" in words(ask("trial-doses", story.both.pk))


def test_a_cheap_product_that_is_not_shown_to_do_as_well_is_not_named(story, ask):
    rows = short(d20=2.0, d40=2.0, d50=1.3)
    trial = make_ladder(rows, additive=story.a, additive_of={"0.5 mL/L": story.b})
    said = words(ask("trial-doses", trial.pk))
    assert "Cheaper:" not in said
    assert "cheaper, not shown to do as well" in said


def test_an_additive_combines_its_trials_by_ratio_and_counts_those_that_did_not_show_it(story, ask):
    html = ask("additive-detail", story.a.pk)
    said = words(html)
    assert "Shown better at some dose in 3 of 4 trials, 2024 to 2026" in said
    assert re.search(rf"Not shown better in: trial {story.weak.pk}, {story.lots[1].code}, 2026", said)
    assert "masses of different trials are never pooled" in said
    # A bridge joins the two lots: named, and in no ratio.
    assert f"bridging runs from {story.lots[0].code} to {story.lots[1].code}" in said
    assert reverse("trial-verdict", args=[story.bridge.pk]) in html
    assert "Paule and Mandel" in said


def test_the_summary_is_that_of_the_trials_own_ratios(story, ask):
    from trials.calc.across_trials import summary_of_ratios
    from trials.calc.bridge import LogRatio

    parts = []
    for trial in (story.overdose, story.again, story.weak, story.both):
        found, _ = LadderLines(trial).compare()
        entry = found.of("0.2 mL/L")
        parts.append(LogRatio.of(entry.ratio, entry.se_log, found.df))
    summary = summary_of_ratios(parts).ratio
    lower, upper = summary.interval()
    assert f"0.2 mL/L 4 {summary.ratio:.3g} {lower:.3g} to {upper:.3g}" in words(
        ask("additive-detail", story.a.pk)
    )


def test_two_trials_alone_are_told_by_their_own_average_beside_what_they_say_of_trials_in_general(client_as):
    """Figures of the average against statsmodels' fixed effect, from the trials' own ratios."""
    from statsmodels.stats.meta_analysis import combine_effects

    additive = make_additive("Twice tried with a name that is as long as names of bottles come")
    parts = []
    for factor in (1.2, 3.0):
        found, _ = LadderLines(make_ladder(short(d20=factor, d40=1.0), additive=additive)).compare()
        parts.append(found.of("0.2 mL/L"))
    theirs = combine_effects(
        np.log([part.ratio for part in parts]), np.square([part.se_log for part in parts])
    )
    average = f"{math.exp(theirs.mean_effect_fe):.3g}"
    client = client_as("guest")
    for address in (reverse("additive-detail", args=[additive.pk]), reverse("additive-compare")):
        html = client.get(address).content.decode()
        said = words(html)
        assert f"just these two: {average} (" in said
        assert f"The average of just these two is {average} times (" in said
        assert "which says nothing of what a third would give." in said
        # Two trials so unlike: the interval over trials in general is told to be of no use.
        assert "less than a hundredth to more than a hundred: too wide to say anything" in said
        svg = html.partition('<figure class="figure">')[2].partition("</svg>")[0]
        assert "the average of just these two" in svg
        assert ">0.2 mL/L, 2 trials</text>" in svg or address != reverse("additive-compare")


@pytest.mark.django_db
def test_the_kept_reading_changes_with_whatever_it_is_made_from():
    make_ladder(short(d20=1.2, d40=1.0), additive=make_additive("Changed under the page"))
    dose = Dose.objects.first().pk

    def told() -> str:
        return fingerprint(trials_read(), list(Additive.objects.order_by("name")))

    before = told()
    assert told() == before
    for number, change in enumerate(
        [
            lambda: Treatment.objects.filter(is_control=False).update(technique="stirred"),
            lambda: Dose.objects.filter(pk=dose).update(typed="a capful"),
            lambda: Dose.objects.filter(pk=dose).update(ml_per_l="0.21"),
            lambda: Run.objects.update(gold_mg="7.7"),
            lambda: Run.objects.update(failed=True, fail_reason="spilled"),
            lambda: Run.objects.update(panned_on=datetime.date(2024, 6, 3)),
            lambda: Trial.objects.update(smallest_ratio="1.5"),
            lambda: Lot.objects.update(code=Concat(Value("X"), "pk")),
            lambda: Additive.objects.update(name=Concat(Value("Renamed "), "pk")),
        ]
    ):
        with transaction.atomic():
            change()
            assert told() != before, number
            transaction.set_rollback(True)
    assert told() == before


def test_a_dose_beside_another_additive_in_every_tub_is_no_trial_against_plain_water(story, ask):
    trial = make_ladder(short(d20=2.0, d40=2.1), additive=story.b, control_dose=(story.a, "0.1 mL/L"))
    said = words(ask("additive-detail", story.b.pk))
    assert f"trial {trial.pk}" in said
    assert "was dosed too: not against plain water" in said


def test_an_additive_nobody_tried_says_so(story, ask):
    assert "has been in no closed trial yet" in words(ask("additive-detail", story.c.pk))


def test_all_additives_stand_by_name_with_what_they_showed_and_what_not(story, ask):
    said = words(ask("additive-compare"))
    assert "Of 2 additives in closed trials, 2 have been shown to beat plain water in at least one." in said
    assert "Rinse A 3 of 4 trials 2024 to 2026" in said
    assert f"trial {story.weak.pk}" in said
    assert "about 1 trial in 40 shows it better by chance alone" in said
    assert said.index("In no closed trial yet") < said.index("Never tried C")


def test_only_a_closed_trial_is_read(story, ask):
    running = make_ladder(short(d20=2.0, d40=2.1), additive=story.c, close=False)
    html = ask("trial-doses", running.pk)
    assert "judged when the trial is closed" in html
    assert "2.1" not in words(html)
    assert "has been in no closed trial yet" in words(ask("additive-detail", story.c.pk))


def test_a_trial_without_a_ladder_says_so_and_leads_back(story, ask):
    html = ask("trial-doses", story.bridge.pk)
    assert "no ladder" in html
    assert story.bridge.get_absolute_url() in html


def test_a_voided_price_or_run_is_seen_at_once(story, ask):
    before = words(ask("trial-doses", story.again.pk))
    run = Run.objects.filter(planned__trial=story.again, planned__treatment__name="0.4 mL/L").first()
    Run.objects.filter(pk=run.pk).update(gold_mg=Decimal("1.0"))
    change_additive(additive=story.a, recorded_by=make_member(), price=Decimal("19.00"))
    after = words(ask("trial-doses", story.again.pk))
    assert before != after
    assert "19.00 USD for 500 mL" in after


COLOURS = Trial.Outcome.COLOURS


EDGES = {
    "two runs of each": (
        {"plain water": WATER[:2], "0.1 mL/L": [20, 30], "0.2 mL/L": [40, 50]},
        "have three runs each",
    ),
    "one block": (
        {"plain water": [6.1, NOT_DONE], "0.1 mL/L": [6.0, NOT_DONE], "0.2 mL/L": [40, NOT_DONE]},
        "can be judged",
    ),
    "all below the scale": (
        {name: [BELOW] * 4 for name in ("plain water", "0.1 mL/L", "0.2 mL/L")},
        "Nothing to draw",
    ),
    "ties everywhere": (
        {name: [5.0] * 4 for name in ("plain water", "0.1 mL/L", "0.2 mL/L")},
        "does as well as plain water",
    ),
    "one dose missing": (
        short(d10=1.0, d20=2.0) | {"0.1 mL/L": [FAILED] * 4},
        "no run of a lower one counts",
    ),
    "no control": (short(d10=1.0, d20=2.0) | {"plain water": [FAILED] * 4}, "nothing to compare with"),
    "a few below": (short(d10=1.0, d20=2.2) | {"plain water": [BELOW, *WATER[1:4]]}, "have no logarithm"),
    "mostly below": (
        {"plain water": [BELOW] * 4, "0.1 mL/L": [BELOW] * 3 + [0.2], "0.2 mL/L": WATER[:4]},
        "Page's test",
    ),
    "harm alone": (short(d10=0.4, d20=0.3), "No dose is shown to recover more than plain water"),
}


@pytest.mark.django_db
@pytest.mark.parametrize(("rows", "sentence"), EDGES.values(), ids=EDGES.keys())
def test_every_edge_ends_in_a_plain_sentence(client_as, rows, sentence):
    trial = make_ladder(rows)
    html = client_as("guest").get(reverse("trial-doses", args=[trial.pk])).content.decode()
    assert sentence in words(html)
    assert not re.search(r"\b(nan|inf)\b", html)
    if "is shown to recover more" in sentence or sentence in ("have three runs each", "can be judged"):
        assert "so no cost is put to it" in words(html)
    detail = (
        client_as("guest")
        .get(reverse("additive-detail", args=[trial.treatments.last().doses.get().additive_id]))
        .content.decode()
    )
    assert not re.search(r"\b(nan|inf)\b", detail)


@pytest.mark.django_db
def test_colours_and_places_make_a_ladder_too(client_as):
    counts = {
        "plain water": [{"fine": n} for n in (9, 11, 8, 12, 10, 9)],
        "0.1 mL/L": [{"fine": n} for n in (10, 9, 11, 8, 12, 10)],
        "0.2 mL/L": [{"fine": n} for n in (30, 28, 33, 27, 31, 29)],
    }
    client = client_as("guest", dose_unit="ml_per_l")
    trial = make_ladder(counts, outcome=COLOURS)
    said = words(client.get(reverse("trial-doses", args=[trial.pk])).content.decode())
    assert "The least dose shown to give more colours than plain water is 0.2 mL/L" in said
    assert "not said, since the gain was not weighed" in said or "is not on record" in said
    names = ["plain water", "0.1 mL/L", "0.2 mL/L"]
    trial = make_ladder({name: [None] * 7 for name in names}, outcome=Trial.Outcome.PLACES, close=False)
    for block in trial.blocks.all():
        judge(block, lambda row: {pan: 3 - names.index(pan.treatment.name) for pan in row})
    close(trial)
    html = client.get(reverse("trial-doses", args=[trial.pk])).content.decode()
    said = words(html)
    assert "More dose, more gold: shown by order over 7 blocks, Page's test" in said
    assert "An order gives no ratio" in said
    assert "bar" not in picture(html)


@pytest.mark.django_db
def test_the_working_links_every_run_and_names_the_rule():
    trial = make_ladder(short(d10=1.05, d20=2.0))
    [reading] = ladder_readings(LadderLines(trial), make_member())
    runs = reading.working.rows[0].inputs
    assert len(runs) == 12
    assert all(link.startswith("/pans/") for *_, link in runs)
    labels = [row.label for row in reading.working.rows]
    assert "0.1 mL/L: shown?" in labels
    assert "Next dose" in labels
