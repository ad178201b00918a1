import datetime
from decimal import Decimal

import pytest
from django.utils import timezone

from prospecting.models import Lot
from tests import make
from tests.trials.make_trial import (
    PORTION,
    log,
    make_bridge,
    make_closed,
    make_draft,
    make_result,
    make_running,
)
from trials.actions import planning, running
from trials.frames.stock import FEWEST_BLOCKS, RENEW_BELOW, rate_of, stock_of, stocks_of, stocks_to_renew
from trials.models import Trial

pytestmark = pytest.mark.django_db


def stock(lot: Lot):
    lot.refresh_from_db()
    return stock_of(lot, "kg")


def test_counts_what_can_be_cut_and_what_is_cut_untouched_and_not_held_back():
    lot = make.make_lot("20000")
    portions = make.make_portions(lot, 10)
    Lot.objects.filter(pk=portions[0].pk).update(reserve_reason="spare")
    make.make_portions(lot, 2, mass_g="900")
    member = make.make_member()
    running.log_test_pan(lot=portions[1], portion=PORTION, result=make_result(member), recorded_by=member)
    make_draft(lot=lot, blocks=2)
    found = stock(lot)
    assert (found.cut, found.held_cut, found.other_cut) == (8, 1, 2)
    # 20,000 - 10 x 454 - 2 x 900 = 13,660 g: 30 portions of 454 g.
    assert found.uncut == 30
    assert (found.portions, found.needed, found.free) == (38, 4, 34)


def test_running_trials_need_their_open_runs_drafts_all_of_them():
    lot = make.make_lot("20000")
    trial = make_running(lot=lot, blocks=3)
    make_draft(lot=lot, blocks=4, names=("water", "a", "b"))
    assert stock(lot).needed == 6 + 12
    log(trial.planned_runs.first(), make.make_member())
    assert stock(lot).needed == 5 + 12


def test_portions_in_a_fixed_plan_stand_aside():
    lot = make.make_lot("20000")
    make.make_portions(lot, 10)
    make_running(lot=lot, blocks=3, portions_from=Trial.PortionsFrom.CUT)
    found = stock(lot)
    assert (found.cut, found.set_aside, found.needed) == (4, 6, 0)


def test_a_bridge_needs_half_its_runs_of_either_lot():
    old, new = make.make_lot("9000"), make.make_lot("9000")
    make_bridge(old, new, blocks=7)
    assert [found.needed for found in stocks_of([old, new])] == [7, 7]


def test_warns_before_it_runs_out_and_not_after():
    lot = make.make_lot(str(454 * 20))
    trial = make_draft(lot=lot, blocks=2)
    assert stock(lot).warning == ""
    member = make.make_member()
    said = []
    while True:
        lot.refresh_from_db()
        if lot.on_hand_g < PORTION.mass_g:
            break
        running.log_test_pan(lot=lot, portion=PORTION, result=make_result(member), recorded_by=member)
        said.append((stock(lot).free, stock(lot).warning))
    for free, warning in said[:-1]:
        if free >= RENEW_BELOW:
            assert warning == ""
        elif free >= FEWEST_BLOCKS:
            assert f"{free} portions free, and bridging runs to a new lot take at least 7" in warning
        elif free >= 0:
            assert "fewer than the 7" in warning
        else:
            assert "is short" in warning
    assert said[-1] == (-4, "")
    assert trial.state == Trial.State.DRAFT


def test_a_lot_with_a_bridge_need_not_be_renewed_and_an_untried_one_is_no_test_lot():
    lot = make.make_lot(str(454 * 10))
    assert not stock(lot).is_test_lot
    assert stock(lot).warning == ""
    make_draft(lot=lot, blocks=2)
    assert stock(lot).needs_renewing
    make_bridge(lot, make.make_lot("9000"), blocks=3)
    assert stock(lot).warning == ""
    assert [found.renews[0].feed_lot for found in stocks_of([Trial.objects.first().new_lot])] == [lot]


def test_today_lists_lots_of_drafts_and_of_the_last_months_only():
    lot = make.make_lot(str(454 * 10))
    trial = make_closed(lambda planned: "8.0", lot=lot, blocks=2)
    assert [found.lot for found in stocks_to_renew()] == [lot]
    long_ago = timezone.now() - datetime.timedelta(days=400)
    Trial.objects.filter(pk=trial.pk).update(closed_at=long_ago, planned_at=long_ago)
    assert stocks_to_renew() == []


def test_the_rate_of_use_tells_when_the_rest_is_used_up():
    lot = make.make_lot(str(454 * 20))
    trial = make_running(lot=lot, blocks=5)
    member = make.make_member()
    today = timezone.localdate()
    for planned in trial.planned_runs.all():
        log(planned, member, panned_on=today)
    rate = rate_of(stock(lot))
    # 10 used in 90 days, 10 left: 90 days more.
    assert (rate.used, rate.days) == (10, 90)
    assert rate.used_up_on == today + datetime.timedelta(days=90)


def test_without_use_nothing_is_foretold():
    rate = rate_of(stock(make.make_lot("9000")))
    assert (rate.used, rate.days, rate.used_up_on) == (0, None, None)


def test_a_lot_held_back_gives_no_uncut_portion():
    lot = make.make_lot("9000")
    Lot.objects.filter(pk=lot.pk).update(reserve_reason="next year")
    assert stock(lot).uncut == 0


def test_stocks_of_many_lots_cost_the_same_queries(django_assert_max_num_queries):
    lots = [make.make_lot("9000") for _ in range(6)]
    for lot in lots:
        planning.fix_plan(trial=make_draft(lot=lot), planned_by=make.make_member())
    with django_assert_max_num_queries(2):
        assert len(stocks_of(lots)) == 6


def test_another_mass_of_portion_is_told_in_portions_of_the_usual_one():
    lot = make.make_lot("20000")
    make_draft(lot=lot, blocks=2, portion_mass_g=Decimal(900), portion_typed="900 g")
    make_draft(lot=lot, blocks=2)
    # The latest trial's 454 g is usual: 4 x 900 g are 8 portions of it.
    assert stock(lot).needed == 8 + 4
