"""What a draft's plan could see: the answer in a sentence, what would help, and that every help does what it says."""

from collections.abc import Sequence
from decimal import Decimal

import pytest

from prospecting.actions import steps
from prospecting.actions.material import DrawFrom, StepDetails
from prospecting.calc.units import parse_mass
from prospecting.models import Lot
from tests import make
from tests.trials.make_trial import PORTION, make_bridge, make_draft, make_result
from trials.actions import planning, running
from trials.frames.outlook import Help, plan_outlook
from trials.models import Trial

pytestmark = pytest.mark.django_db

# Spread 30 %: 10 mg with a standard deviation of 3 (divisor 9).
SPREAD_30 = ("5.9", "6.8", "7.7", "8.6", "9.5", "10.5", "11.4", "12.3", "13.2", "14.1")


def lot_giving(*golds_mg: str, mass_g: str = "40000", colours: Sequence[int] = ()) -> Lot:
    lot, member = make.make_lot(mass_g), make.make_member()
    for number, gold in enumerate(golds_mg):
        seen = {"colours": {"fine": colours[number]}} if colours else {}
        result = make_result(member, gold, **seen)
        running.log_test_pan(lot=lot, portion=PORTION, result=result, recorded_by=member)
    lot.refresh_from_db()
    return lot


def outlook_of(trial: Trial):
    return plan_outlook(trial, trial.treatments.count())


def said(helps: Sequence[Help], start: str) -> Help:
    return next(help for help in helps if start in help.said)


def test_warns_of_a_scale_too_coarse_for_the_lot():
    trial = make_draft(lot=lot_giving("1.2"), scale_step_mg=Decimal("0.5"))
    found = outlook_of(trial)
    assert "gives about 1.2 mg" in found.coarse_scale
    assert "steps of 0.5 mg" in found.coarse_scale
    assert found.fine_scale == ""
    # Twice the portion holds twice the gold, and the scale is fine enough for that.
    trial.portion_mass_g *= 2
    assert outlook_of(trial).coarse_scale == ""
    assert "fine enough" in outlook_of(trial).fine_scale


def test_says_nothing_against_the_scale_where_it_is_fine_or_not_used():
    assert outlook_of(make_draft(lot=lot_giving("8.0"))).coarse_scale == ""
    counted = make_draft(lot=lot_giving("1.2"), scale_step_mg=Decimal("0.5"), outcome="colours")
    assert outlook_of(counted).coarse_scale == ""
    assert "not known yet" in outlook_of(make_draft()).fine_scale
    assert "does not name" in outlook_of(make_draft(scale_step_mg=None)).fine_scale


def test_a_wishful_plan_is_told_so_in_a_sentence():
    trial = make_draft(lot=lot_giving(*SPREAD_30), names=("plain water", "a", "b", "c"), blocks=5)
    found = outlook_of(trial)
    # 1.79 at a spread of 28 %; see tests/trials/calc/test_plan_sight.py for the figure against statsmodels and power.
    assert found.sentence.startswith(
        "This plan can't answer your question: at best it would show a gain of 1."
    )
    assert found.sentence.endswith("you asked for 1.25 times.")
    assert found.cannot == found.sentence


def test_a_plan_that_can_answer_says_so():
    trial = make_draft(lot=lot_giving(*SPREAD_30), blocks=20, smallest_ratio=Decimal(2))
    found = outlook_of(trial)
    assert (found.answer, found.cannot, found.helps) == ("can", "", [])


def test_few_runs_leave_it_open():
    trial = make_draft(lot=lot_giving("8.0", "10.0", "12.0", "10.0"), blocks=6, smallest_ratio=Decimal("1.6"))
    found = outlook_of(trial)
    assert found.answer == "perhaps"
    assert "Going by 4 runs this plan can answer" in found.sentence
    # Limits of chi-squared for 4 runs of spread 16 %: 9 and 61 % (tables, 3 degrees of freedom: 0.216 and 9.348).
    assert "so few that it may be 9 % to 61 %" in found.basis


def test_without_a_past_usual_spreads_stand_in_and_are_called_so():
    found = outlook_of(make_draft(blocks=5))
    weights = [row for row in found.rows if row.outcome.startswith("Gold")]
    assert [(row.spread, row.seen) for row in weights] == [(0.2, 0), (0.35, 0), (0.6, 0)]
    assert "nobody has seen yet" in found.basis
    assert "Pan 4 untreated portions" in found.helps[0].said
    assert "were counted" in found.missing[0]


def test_usual_spreads_may_leave_it_open():
    found = outlook_of(make_draft(blocks=10, smallest_ratio=Decimal("1.5")))
    assert found.answer == "perhaps"
    assert "only if equal portions differ by no more than 3" in found.sentence


def test_theory_stands_in_where_grade_and_sizes_are_known():
    lot = lot_giving("8.0", "9.0", colours=(20, 22))
    Lot.objects.filter(pk=lot.pk).update(top_size_um=2000)
    lot.refresh_from_db()
    found = outlook_of(make_draft(lot=lot))
    weights = [row for row in found.rows if row.outcome.startswith("Gold")]
    assert len(weights) == 2
    assert all("sampling theory" in row.told for row in weights)


def test_counts_of_the_lot_give_the_colours_a_row():
    lot = lot_giving(*SPREAD_30, colours=(20, 22, 18, 25, 15, 21, 19, 23, 17, 20))
    [row] = [row for row in outlook_of(make_draft(lot=lot)).rows if row.outcome == "Colours counted"]
    # Twenty a portion scatter by 1 / sqrt(20) = 22 %, and these no more than chance.
    assert round(row.spread, 2) == 0.22
    assert "about 20 a portion" in row.told
    doubled = make_draft(lot=lot, portion_mass_g=Decimal(908), portion_typed="908 g")
    [row] = [row for row in outlook_of(doubled).rows if row.outcome == "Colours counted"]
    assert "about 40 a portion" in row.told


def test_colours_that_nobody_counted_are_not_invented():
    found = outlook_of(make_draft(lot=lot_giving(*SPREAD_30), outcome="colours"))
    assert found.answer == "unknown"
    assert "no colours of this lot were counted" in found.sentence
    assert not [row for row in found.rows if row.outcome == "Colours counted"]


def test_a_few_counts_are_taken_as_chance_and_called_so():
    lot = lot_giving("8.0", colours=(40,))
    found = outlook_of(make_draft(lot=lot, outcome="colours", blocks=30, smallest_ratio=Decimal(2)))
    assert found.answer == "perhaps"
    assert "As far as chance in sampling goes" in found.sentence


def test_places_are_judged_by_what_they_can_say():
    short = outlook_of(make_draft(outcome="places", blocks=4))
    assert short.answer == "cannot"
    # Two pans: 2 x 0.5^6 is the first level under 5 %.
    assert "6 blocks would" in short.sentence
    assert "6 blocks instead of 4" in short.helps[0].said
    long = outlook_of(make_draft(outcome="places", blocks=12))
    assert long.answer == "perhaps"
    assert "never how much more" in long.sentence


def test_a_bridge_asks_for_a_width_not_a_gain():
    found = outlook_of(make_bridge(make.make_lot("40000"), make.make_lot("40000"), blocks=8))
    assert (found.answer, found.cannot, found.helps) == ("", "", [])
    assert all(row.width_blocks for row in found.rows)


def test_says_which_rows_make_a_square():
    found = outlook_of(make_draft(names=("plain water", "a", "b"), blocks=5, design="williams"))
    assert "3 treatments take 6, 12, 18 rows" in found.misfit
    assert outlook_of(make_draft(names=("plain water", "a", "b"), blocks=6, design="williams")).misfit == ""


def test_told_in_runs_of_each_where_there_are_no_blocks():
    trial = make_draft(lot=lot_giving(*SPREAD_30), blocks=5, design="random")
    found = outlook_of(trial)
    assert "runs of each instead of 5" in said(found.helps, "instead of 5").said
    in_blocks = outlook_of(make_draft(lot=trial.feed_lot, blocks=5))
    # Without blocks more degrees of freedom are left, so in a lot that does not drift it sees a little more.
    assert float(found.rows[0].ratio.split()[0]) < float(in_blocks.rows[0].ratio.split()[0])


def test_time_is_the_drafts_own_or_an_assumption():
    names = ("plain water", "a")
    assert (
        "About 5.0 h of panning, 30 min a run, an assumption"
        in outlook_of(make_draft(names=names, blocks=5)).hours
    )
    told = outlook_of(make_draft(names=names, blocks=5, run_min=Decimal(12), soak_min=Decimal(30))).hours
    assert told.startswith("About 2.0 h of panning, 12 min a run.")
    assert "2.5 h where a block's tubs soak side by side, 5.0 h one after the other" in told


def changed(trial: Trial, **fields) -> str:
    """The answer once the draft is changed so."""
    planning.change_trial(trial=trial, recorded_by=trial.recorded_by, **fields)
    trial.refresh_from_db()
    return outlook_of(trial)


@pytest.fixture
def wishful() -> Trial:
    """Four treatments on a large lot whose portions differ by 28 %, asked for a gain of half as much again."""
    lot = lot_giving(*SPREAD_30, mass_g="900000", colours=(40, 44, 36, 50, 30, 42, 38, 46, 34, 40))
    return make_draft(
        lot=lot,
        names=("plain water", "a", "b", "c"),
        blocks=5,
        smallest_ratio=Decimal("1.5"),
        scale_step_mg=None,
    )


def test_more_blocks_answer_as_the_page_says(wishful):
    found = outlook_of(wishful)
    help = said(found.helps, "blocks instead of 5")
    assert help.answers
    blocks = int(help.said.split()[0])
    assert changed(wishful, blocks_planned=blocks).answer == "can"
    assert changed(wishful, blocks_planned=blocks - 1).answer == "cannot"


def test_larger_portions_answer_as_the_page_says():
    # Nothing says how much of the spread is chance, so all of it is taken for that, and the page says so.
    trial = make_draft(
        lot=lot_giving(*SPREAD_30, mass_g="900000"),
        names=("plain water", "a", "b"),
        smallest_ratio=Decimal("1.5"),
        blocks=5,
    )
    help = said(outlook_of(trial).helps, "Portions of")
    assert help.answers
    assert "taken as grains falling by chance" in help.said
    typed = " ".join(help.said.split()[2:4])
    enough_g = parse_mass(typed, "lb").canonical.quantize(Decimal("0.01"))
    assert changed(trial, portion_mass_g=enough_g, portion_typed=typed).answer == "can"
    less_g = (enough_g * Decimal("0.9")).quantize(Decimal("0.01"))
    assert changed(trial, portion_mass_g=less_g, portion_typed=typed).answer == "cannot"


def test_larger_portions_lessen_only_what_is_chance(wishful):
    help = said(outlook_of(wishful).helps, "Portions of")
    assert "of the variance being chance" in help.said
    # Two thirds of this lot's variance is no chance and stays, however large the portion.
    assert not help.answers


def test_fewer_treatments_answer_as_the_page_says(wishful):
    help = said(outlook_of(wishful).helps, "Only the control")
    assert help.answers
    keep = 1 + (1 if "one treatment" in help.said else int(help.said.split()[4]))
    blocks = int(help.said.split(", in ")[1].split()[0])
    for treatment in list(wishful.treatments.all())[keep:]:
        planning.remove_treatment(treatment=treatment, recorded_by=wishful.recorded_by)
    assert keep * blocks <= 20
    assert changed(wishful, blocks_planned=blocks).answer == "can"


def test_colours_answer_as_the_page_says(wishful):
    help = said(outlook_of(wishful).helps, "Judged by colours")
    assert help.answers == (changed(wishful, outcome="colours").answer == "can")


def test_asking_for_less_answers_as_the_page_says(wishful):
    help = said(outlook_of(wishful).helps, "Ask for less")
    asked = Decimal(help.said.split(" gives ")[1].split()[0])
    assert changed(wishful, smallest_ratio=asked).answer == "can"
    assert changed(wishful, smallest_ratio=asked - Decimal("0.03")).answer == "cannot"


def test_offers_nothing_the_lot_cannot_give():
    lot = lot_giving(*SPREAD_30, mass_g="15000")
    found = outlook_of(make_draft(lot=lot, names=("plain water", "a", "b", "c"), blocks=5))
    assert not [help for help in found.helps if help.answers and "Ask for less" not in help.said]
    # What it takes stands in the table, and that the lot holds less.
    [row] = [row for row in found.rows if row.outcome.startswith("Gold")]
    assert "holds only" in row.beyond


def test_finer_crushing_is_offered_where_theory_knows_enough():
    lot = lot_giving(*SPREAD_30, colours=(20, 22, 18, 25, 15, 21, 19, 23, 17, 20))
    assert not [help for help in outlook_of(make_draft(lot=lot)).helps if "crushed" in help.said]
    Lot.objects.filter(pk=lot.pk).update(top_size_um=2000)
    lot.refresh_from_db()
    help = said(outlook_of(make_draft(lot=lot)).helps, "crushed to pass")
    assert "sampling theory" in help.said
    assert lot.code in help.url


def test_none_before_there_are_two_treatments():
    assert outlook_of(make_draft(names=("plain water",))) is None


def test_a_lot_that_is_used_up_still_gets_an_answer():
    lot = make.make_lot("500")
    trial = make_draft(lot=lot)
    steps.discard_from_lot(
        draw=DrawFrom(lot=lot, mass_g=Decimal(500), typed="500 g"),
        recorded_by=trial.recorded_by,
        done_on=make.DAY,
        details=StepDetails(loss_reason="spilled"),
    )
    trial.feed_lot.refresh_from_db()
    found = outlook_of(trial)
    assert found.feeds[0].too_small
    assert found.answer
