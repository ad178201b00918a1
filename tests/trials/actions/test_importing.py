"""A trial typed in afterwards: whole and once, out of the lot's mass, never blind, and marked so."""

from dataclasses import replace
from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.core.management import call_command

from prospecting.models import JournalEntry, Lot, Step
from tests import make
from tests.trials.make_trial import make_additive
from trials.actions.importing import ImportedTrial, import_trial
from trials.frames.verdicts import verdict_of
from trials.models import Judging, Run, Trial
from trials.readers.run_table import read_run_table

pytestmark = pytest.mark.django_db

HEAD = "treatment,block,order,gold_mg,below_scale,colours_fine,pan_min,tails_gold_mg,mud_gold_mg,dose ml_per_l: Rinse,"
TABLE = f"""{HEAD}panner,state,why,guess
rinse,A,2,6.1,,7,12,0.5,,0.2,Old hand,,,
water,A,1,4.0,,5,11,1,0.2,,Old hand,,,rinse
water,B,3,,yes,0,10,,,,,,,
rinse,B,4,7.0,,9,13,,,0.2,,,,
water,C,6,,,,,,,,,failed,tub knocked over,
rinse,C,5,5.5,,6,12,,,0.2,,,,
"""


def facts(keeper, **fields) -> ImportedTrial:
    return ImportedTrial(
        **{
            "question": "Did it help then?",
            "feed_lot": make.make_lot("10000"),
            "outcome": Trial.Outcome.GOLD_MASS,
            "control": "water",
            "smallest_ratio": Decimal("1.25"),
            "portion_mass_g": Decimal(454),
            "portion_typed": "454 g",
            "water_ml": Decimal(9000),
            "water_typed": "9 L",
            "panned_on": make.DAY,
            "done_by": keeper,
            "scale_step_mg": Decimal("0.1"),
        }
        | fields
    )


def bring_in(text: str = TABLE, keeper=None, **fields) -> Trial:
    keeper = keeper or make.make_member("keeper")
    table = read_run_table(text.encode())
    return import_trial(facts=facts(keeper, **fields), table=table, file_name="old.csv", recorded_by=keeper)


def test_records_the_whole_trial_and_says_what_it_is(capsys, settings, tmp_path):
    # Pictures of other tests are none of these books.
    settings.MEDIA_ROOT = tmp_path
    make_additive()
    trial = bring_in()
    assert trial.state == Trial.State.CLOSED and trial.note.startswith(
        "Typed in afterwards from old.csv: not run"
    )
    assert "The order of the runs is the one of the table." in trial.note and "Old hand" in trial.note
    runs = list(
        Run.objects.filter(planned__trial=trial)
        .select_related("planned__treatment")
        .order_by("planned__run_order")
    )
    assert [run.planned.treatment.name for run in runs] == [
        "water",
        "rinse",
        "water",
        "rinse",
        "rinse",
        "water",
    ]
    assert [run.gold_mg for run in runs] == [4, Decimal("6.1"), None, 7, Decimal("5.5"), None]
    assert runs[2].below_scale and runs[5].failed and runs[5].fail_reason == "tub knocked over"
    assert runs[1].tails_pan.gold_mg == Decimal("0.5") and runs[0].settled_mud.gold_mg == Decimal("0.2")
    assert runs[0].guess_treatment.name == "rinse"
    assert trial.treatments.get(name="rinse").doses.get().ml_per_l == Decimal("0.2")
    # Every portion came out of the lot: the books still add up.
    lot = Lot.objects.get(pk=trial.feed_lot_id)
    assert lot.on_hand_g == Decimal(10000 - 6 * 454)
    call_command("check_books")
    assert "The books add up." in capsys.readouterr().out
    found = verdict_of(trial, trial.recorded_by)
    assert not found.logged_blind and "had seen the key" in found.blindness
    assert not any("before anyone had opened the mixing sheet" in alarm for alarm in found.alarms)
    assert JournalEntry.objects.filter(what__startswith="typed in afterwards from old.csv: 6 runs").exists()


def test_takes_the_same_runs_once():
    make_additive()
    bring_in()
    before = Trial.objects.count(), Step.objects.count()
    # Another lot, another question, the rows in another order: the same runs all the same.
    head, *rows = TABLE.splitlines(keepends=True)
    with pytest.raises(ValidationError, match="on the books already"):
        bring_in(head + "".join(reversed(rows)), question="Once more?")
    # The lot of the second try was dug before it.
    assert (Trial.objects.count(), Step.objects.count()) == (before[0], before[1] + 1)


@pytest.mark.parametrize(
    ("change", "fields", "said"),
    [
        (("6.1", "0"), {}, "Line 2: gold_mg is 0"),
        (("6.1", ""), {}, "Line 2: no gold_mg"),
        (("Rinse", "Never heard of"), {}, "Never heard of is none of the additives"),
        (("4.0", "0.05"), {}, "Line 3: .*less than one step of this scale"),
        ((",,rinse\n", ",,rinse\n"), {"portion_mass_g": Decimal(3000)}, "more than .* holds"),
        ((",,rinse\n", ",,rinse\n"), {"control": "brandy"}, "none of the treatments"),
        ((",,rinse\n", ",,rinse\n"), {"outcome": Trial.Outcome.PLACES}, "no place"),
    ],
)
def test_refuses_whole_what_has_one_bad_row(change, fields, said):
    make_additive()
    keeper = make.make_member("keeper")
    given = facts(keeper, **fields)
    before = Trial.objects.count(), Step.objects.count(), JournalEntry.objects.count()
    table = read_run_table(TABLE.replace(*change, 1).encode())
    with pytest.raises(ValidationError, match=said):
        import_trial(facts=given, table=table, file_name="old.csv", recorded_by=keeper)
    assert (Trial.objects.count(), Step.objects.count(), JournalEntry.objects.count()) == before


def test_keeps_what_is_not_known_as_not_known():
    text = "treatment,gold_mg\nwater,4\nwater,5\nwater,4.4\nrinse,6\nrinse,5.8\n"
    trial = bring_in(text)
    assert trial.design == Trial.Design.RANDOM and "drawn by the site and means nothing" in trial.note
    # Five runs make no plan of three each: the place without a run stands as not done, and says why.
    assert trial.progress() == {"planned": 6, "logged": 5}
    assert trial.close_reason.startswith("Typed in afterwards")
    first, *_ = verdict_of(trial, trial.recorded_by).alarms
    assert first.startswith("Typed in afterwards from a table") and "no run in the table: 1." in first
    assert trial.treatments.get(name="rinse").technique == "rinse"


def test_is_for_keepers():
    member = make.make_member()
    given = replace(facts(make.make_member("keeper")), done_by=member)
    with pytest.raises(PermissionDenied):
        import_trial(facts=given, table=read_run_table(TABLE.encode()), file_name="x", recorded_by=member)


def _masses(rows: list[str]) -> str:
    """A table of rows of treatments in their order, every run with a mass of its own."""
    order, lines = 0, ["treatment,block,order,gold_mg"]
    for block, row in enumerate(rows, start=1):
        for name in row:
            order += 1
            lines.append(f"{ {'W': 'water'}.get(name, name) },{block},{order},{4 + order % 5 / 10}")
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize(
    ("rows", "design"),
    [
        (["WA", "AW"], "blocks"),
        (["WAB", "ABW", "BWA", "WBA", "BAW", "AWB"], "latin"),
        (["WAB", "ABW", "BAW"], "blocks"),
    ],
)
def test_a_square_or_several_are_known_again_and_two_treatments_make_none(rows, design):
    trial = bring_in(_masses(rows))
    assert trial.design == design
    assert ("places are taken out like blocks" in trial.note) == (design == "latin")


def test_places_typed_in_are_one_judging_a_row_without_the_pans_that_failed():
    head = "treatment,block,place,state,why\n"
    rows = (
        "rinse,A,1,,\nwater,A,2,,\nrinse,B,1,,\nwater,B,1,,\n"
        # Of the last row one pan is left: there was nothing to judge.
        "rinse,C,1,,\nwater,C,,failed,tub knocked over\n"
    )
    trial = bring_in(head + rows, outcome=Trial.Outcome.PLACES)
    judgings = Judging.objects.filter(block__trial=trial)
    assert sorted(judging.block.number for judging in judgings) == [1, 2]
    first, second = (
        sorted(judging.places.values_list("place", flat=True))
        for judging in judgings.order_by("block__number")
    )
    assert (first, second) == ([1, 2], [1, 1])
    assert trial.state == Trial.State.CLOSED
