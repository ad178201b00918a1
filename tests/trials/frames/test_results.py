import datetime
from collections.abc import Iterable
from decimal import Decimal

import pytest

from prospecting.actions import assays, dispatching, products, steps, values
from prospecting.actions.material import DrawFrom, NewLot, StepDetails
from prospecting.models import Laboratory, Lot, Sample
from prospecting.readers.certificate_csv import read_certificate
from tests import make
from tests.trials.make_trial import log, make_closed, make_result, make_running
from trials.actions import running
from trials.frames import results
from trials.frames.lineage import family_of
from trials.frames.results import beside_assay, readings_of, runs_of, samples_waiting
from trials.frames.zone_grade import zone_grade

pytestmark = pytest.mark.django_db

UNITS = {"grade_unit": "g_per_t", "mass_unit": "kg"}


def pan(lot: Lot, gold: str | None, mass: str = "500", **fields):
    member = make.make_member()
    return running.log_test_pan(
        lot=lot,
        portion=running.Portion(mass_g=Decimal(mass), typed=f"{mass} g"),
        result=make_result(member, gold, **fields),
        recorded_by=member,
    )


def send(lot: Lot, mass: str = "400") -> Sample:
    """A split of the lot, taken and sent."""
    keeper = make.make_member("keeper")
    split = steps.take_for_assay(
        draw=DrawFrom(lot=lot, mass_g=Decimal(mass), typed=f"{mass} g"),
        recorded_by=keeper,
        done_on=make.DAY,
        details=StepDetails(method="riffle"),
    ).made.get()
    laboratory = Laboratory.objects.first() or dispatching.add_laboratory(
        name="Invented Assay Office", recorded_by=keeper
    )
    dispatch = dispatching.send_dispatch(
        laboratory=laboratory, sent_on=make.DAY, method="fire_30", lots=[split], recorded_by=keeper
    )
    return dispatch.samples.get()


def assay(lot: Lot, cells: Iterable[str], mass: str = "400") -> Sample:
    sample = send(lot, mass)
    data = ("Sample,Au_ppm\n" + "".join(f"{sample.tag},{cell}\n" for cell in cells)).encode()
    assays.store_return(
        dispatch=sample.dispatch,
        certificate=read_certificate(data, "c.csv"),
        certificate_number=f"C-{sample.dispatch_id}",
        reported_on=make.DAY,
        file_name="c.csv",
        file_bytes=data,
        recorded_by=sample.dispatch.recorded_by,
    )
    sample.refresh_from_db()
    return sample


def crush(lot: Lot, mass: str) -> Lot:
    step = steps.crush_lot(
        draw=DrawFrom(lot=lot, mass_g=Decimal(mass)),
        crushed=NewLot(kind=Lot.Kind.CRUSHED, mass_g=Decimal(mass)),
        recorded_by=make.make_member(),
        done_on=make.DAY,
        details=StepDetails(target_size_um=Decimal(850)),
    )
    return step.made.get()


def screen(lot: Lot, mass: str) -> Lot:
    step = steps.screen_lot(
        draw=DrawFrom(lot=lot, mass_g=Decimal(mass)),
        opening_um=Decimal(850),
        undersize=NewLot(kind=Lot.Kind.UNDERSIZE, mass_g=Decimal(mass)),
        oversize=None,
        recorded_by=make.make_member(),
        done_on=make.DAY,
        details=StepDetails(),
    )
    return step.made.get()


def beside(lot: Lot):
    return beside_assay(family_of(lot).alike, **UNITS)


def test_the_site_words_of_a_pan_agree_with_its_grade():
    # 80 mg of gold in 10 kg (22 lb) are 8 g/t, 0.233 troy oz per short ton: 8 / 34.2857, from the units' definitions.
    lot = make.make_lot("20000")
    pan(lot, "80", "10000")
    assert beside(lot).panned.mean_text == "8.0 g/t"
    american = beside_assay([lot.pk], grade_unit="ozt_per_short_ton", mass_unit="lb")
    assert american.panned.mean_text.startswith("0.233 ")


def test_pans_and_assays_of_the_same_material_count_wherever_they_were_taken():
    lot = make.make_lot("20000", is_dry=True)
    crushed = crush(lot, "10000")
    portion = make.make_portions(crushed, 2)[0]
    pan(lot, "2.0")
    pan(crushed, "4.0")
    pan(portion, "1.0", "454")
    assay(crushed, ["6.2"])
    found = beside(lot)
    assert len(found.panned.results) == 3
    # 7 mg in 1454 g.
    assert found.panned.mean_text == "4.81 g/t"
    assert found.panned.range_text == "2.2 to 8.0 g/t"
    assert found.assayed.mean_text == "6.2 g/t"
    # 4.814 / 6.2, to two figures.
    assert found.recovery_text == "78 %"
    assert not found.panned_above_assay
    assert found.wet == 0


def test_a_blend_a_screen_fraction_and_what_a_recovery_left_do_not_count_for_the_lot():
    lot, other = make.make_lot("20000"), make.make_lot("20000")
    blend = make.make_blend((lot, "5000"), (other, "5000"))
    undersize = screen(lot, "3000")
    run = pan(lot, "2.0")
    tails = products.keep_products(
        step=run.step,
        products=[NewLot(kind=Lot.Kind.TAILS, mass_g=Decimal(480))],
        recorded_by=make.make_member(),
    )[0]
    for elsewhere in (blend, undersize, tails):
        pan(elsewhere, "50.0", "200")
    assert beside(lot).panned.mean_text == "4.0 g/t"
    assert len(beside(blend).panned.results) == 1


def test_below_the_scale_is_neither_nought_nor_dropped():
    lot = make.make_lot("20000")
    pan(lot, "2.0")
    nothing = pan(lot, None, below_scale=True)
    found = beside(lot).panned
    assert [result.url for result in found.below] == [nothing.get_absolute_url()]
    assert found.below[0].limit_g_per_t == Decimal("0.2")
    # 2 mg in 1 kg at least, 2.1 mg at most.
    assert found.mean_text == "between 2.0 and 2.1 g/t"
    assert found.range_text == "4.0 g/t"


def test_only_below_the_scale_has_an_upper_bound_only():
    lot = make.make_lot("20000")
    pan(lot, None, below_scale=True)
    assay(lot, ["1.0"])
    found = beside(lot)
    assert found.panned.mean_text == "below 0.2 g/t (not zero)"
    assert found.panned.range_text == ""
    assert found.recovery_text == "below 20 %"


def test_colours_without_a_weight_give_no_grade():
    lot = make.make_lot("20000")
    pan(lot, None, colours={"fine": 9})
    found = beside(lot)
    assert found.panned is None
    assert found.colours_only == 1


def test_failed_and_voided_pans_do_not_count():
    lot = make.make_lot("20000")
    pan(lot, "2.0")
    pan(lot, None, failed=True, fail_reason="spilled")
    taken_back = pan(lot, "90.0")
    running.void_run(run=taken_back, reason="wrong bucket", voided_by=taken_back.recorded_by)
    assert beside(lot).panned.mean_text == "4.0 g/t"
    assert [line.in_estimate for line in runs_of([lot.pk])] == [False, False, True]


def test_only_control_runs_of_closed_blocks_count():
    lot = make.make_lot("40000")
    member = make.make_member()
    trial = make_running(lot=lot, names=("plain water", "rinse"), blocks=2, member=member)
    first, second = trial.blocks.all()
    for planned in trial.planned_runs.select_related("treatment"):
        log(planned, member, "4.54" if planned.treatment.is_control else "90.8")
    assert beside(lot).panned is None
    running.close_block(block=first, closed_by=member)
    found = beside(lot).panned
    assert len(found.results) == 1
    assert found.mean_text == "10.0 g/t"
    lines = runs_of([lot.pk])
    assert sum(line.in_estimate for line in lines) == 1
    for line in lines:
        assert line.hidden == (line.run.planned.block_id == second.pk)
        assert (line.treatment == "") == line.hidden
        assert (line.result is None) == line.hidden


def test_the_value_in_use_counts_and_every_repeat_is_kept():
    lot = make.make_lot("20000")
    sample = assay(lot, ["4.1", "9.9", "<0.01"])
    assert beside(lot).assayed.mean_text == "4.1 g/t"
    assert [reading.raw_text for reading in readings_of(family_of(lot).alike)] == ["4.1", "9.9", "<0.01"]
    chosen = sample.readings.get(raw_text="9.9")
    values.choose_reading(
        sample=sample, reading=chosen, reason="larger charge", chosen_by=make.make_member("keeper")
    )
    assert beside(lot).assayed.mean_text == "9.9 g/t"


def test_an_assay_below_its_limit_is_a_bound_and_one_above_has_none():
    lot = make.make_lot("20000")
    pan(lot, "1.0")
    assay(lot, ["<0.5"])
    found = beside(lot)
    assert found.assayed.mean_text == "below 0.5 g/t (not zero)"
    assert found.recovery_text == "at least 4.0 times the assay"
    assert found.panned_above_assay
    assay(lot, [">10"])
    found = beside(lot)
    assert found.assayed.mean_text == "at least 5.0 g/t"
    assert found.recovery_text == "at most 40 %"
    assert not found.panned_above_assay


def test_a_sample_at_the_laboratory_waits():
    lot = make.make_lot("20000")
    sample = send(lot)
    assert samples_waiting(family_of(lot).alike) == [sample]
    assert beside(lot).assayed is None


def test_undried_material_is_told():
    lot = make.make_lot("20000", is_dry=False)
    pan(lot, "2.0")
    assert beside(lot).wet == 1


def test_the_working_links_every_input():
    lot = make.make_lot("20000")
    run = pan(lot, "2.0")
    sample = assay(lot, ["6.0"])
    working = beside(lot).working
    links = [link for row in working for *_, link in row.inputs]
    assert run.get_absolute_url() in links
    assert sample.reading_in_use.assay_return.get_absolute_url() in links
    # 4 g/t over 6 g/t.
    assert working.rows[-1].value == "67 %"


def test_a_zone_gets_each_result_with_its_share_and_its_days():
    claim = make.make_claim()
    upper, lower = make.make_zone(claim), make.make_zone(claim)
    early = make.make_lot("9000", zone=upper, day=datetime.date(2026, 3, 1))
    late = make.make_lot("9000", zone=upper, day=datetime.date(2026, 3, 11))
    foreign = make.make_lot("9000", zone=lower, day=datetime.date(2026, 4, 1))
    blend = make.make_blend((early, "3000"), (late, "1000"), (foreign, "4000"))
    pan(blend, "4.0")
    pan(early, "1.0")
    assay(late, ["3.0"])
    grade = zone_grade(upper, **UNITS)
    by_lot = {result.lot: result for result in grade.results if result.kind == "pan"}
    mixed = by_lot[blend.code]
    assert mixed.share == Decimal("0.5")
    # Three quarters of 1 March and one quarter of 11 March: 2.5 days on, to the even day.
    assert mixed.day == datetime.date(2026, 3, 3)
    assert (mixed.first_day, mixed.last_day) == (datetime.date(2026, 3, 1), datetime.date(2026, 3, 11))
    assert (by_lot[early.code].share, by_lot[early.code].spans_days) == (1, False)
    # (0.5 x 8 + 1 x 2) / 1.5, both of 500 g.
    assert grade.panned.mean_text == "4.0 g/t"
    assert grade.panned.digs == 2
    assert (grade.assayed.mean_text, grade.assayed.digs) == ("3.0 g/t", 1)
    assert grade.has_mixed
    below = zone_grade(lower, **UNITS)
    assert [result.lot for result in below.results] == [blend.code]
    assert below.assayed is None


def test_a_zones_grade_leaves_out_what_a_recovery_left_and_marks_what_was_screened():
    zone = make.make_zone()
    lot = make.make_lot("20000", zone=zone)
    undersize = screen(lot, "3000")
    run = pan(undersize, "2.0")
    concentrate, tails = products.keep_products(
        step=run.step,
        products=[
            NewLot(kind=Lot.Kind.CONCENTRATE, mass_g=Decimal(8)),
            NewLot(kind=Lot.Kind.TAILS, mass_g=Decimal(480)),
        ],
        recorded_by=make.make_member(),
    )
    assay(concentrate, ["4200"], "7")
    # Even a blend that holds some of the tails.
    pan(make.make_blend((lot, "1000"), (tails, "200")), "9.0")
    grade = zone_grade(zone, **UNITS)
    assert [(result.lot, result.is_screened) for result in grade.results] == [(undersize.code, True)]
    assert grade.left_out == 2
    assert grade.assayed is None


def test_a_zones_grade_tells_select_samples_waiting_samples_and_open_blocks():
    zone = make.make_zone()
    lot = make.make_lot("40000", zone=zone)
    dig = lot.made_by.dig
    dig.sample_kind = "select"
    dig.save()
    pan(lot, "2.0")
    pan(lot, None, colours={"fine": 3})
    send(lot)
    member = make.make_member()
    trial = make_running(lot=lot, member=member)
    log(trial.planned_runs.first(), member, "70")
    grade = zone_grade(zone, **UNITS)
    assert len(grade.results) == 1
    assert (grade.has_select, grade.waiting, grade.colours_only) == (True, 1, 1)


def test_control_runs_of_a_closed_trial_count_for_the_zone():
    zone = make.make_zone()
    lot = make.make_lot("40000", zone=zone)
    make_closed(lambda planned: "4.54" if planned.treatment.is_control else "45.4", lot=lot, blocks=2)
    grade = zone_grade(zone, **UNITS)
    assert len(grade.panned.results) == 2
    assert grade.panned.mean_text == "10.0 g/t"
    assert grade.panned.digs == 1


def test_a_zones_grade_costs_few_queries_however_many_results(django_assert_num_queries):
    zone = make.make_zone()
    for _ in range(3):
        lot = make.make_lot("20000", zone=zone)
        pan(lot, "2.0")
        pan(lot, "3.0")
        assay(lot, ["4.0"])
    with django_assert_num_queries(6):
        grade = zone_grade(zone, **UNITS)
    assert len(grade.results) == 9


def test_of_very_many_results_the_latest_are_named_and_the_rest_stand_together(monkeypatch):
    monkeypatch.setattr(results, "MOST_RESULTS", 2)
    zone = make.make_zone()
    for day, gold in ((1, "1.0"), (2, "2.0"), (3, "3.0"), (4, "4.0")):
        pan(make.make_lot("9000", zone=zone, day=datetime.date(2026, 3, day)), gold)
    grade = zone_grade(zone, **UNITS)
    assert [result.day.day for result in grade.latest] == [3, 4]
    [row] = grade.working.rows
    # (1 + 2) mg of 1 kg stand together, the mean is over all four: 10 mg of 2 kg.
    assert [value for _, value, *_ in row.inputs] == [
        "mean 3.0 g/t of 1 kg counted",
        "6.0 g/t of 0.5 kg",
        "8.0 g/t of 0.5 kg",
    ]
    assert row.inputs[0][0] == "2 further results"
    assert row.value == "5.0 g/t"
