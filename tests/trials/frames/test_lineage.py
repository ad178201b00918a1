import datetime
from decimal import Decimal

import pytest

from prospecting.actions import dispatching, products, steps
from prospecting.actions.material import DrawFrom, NewLot, StepDetails, void_step
from prospecting.models import Lot, Step
from tests import make
from tests.trials.make_trial import log, make_result, make_running
from trials.actions import running
from trials.frames.lineage import (
    MOST_GENERATIONS,
    MOST_LINES,
    family_of,
    lineage_of,
    lots_ever_of_dig,
    lots_ever_of_zone,
    row_keys,
    walks_of,
)
from trials.frames.results import runs_of

pytestmark = pytest.mark.django_db


def split(lot: Lot, *masses: str) -> list[Lot]:
    step = steps.split_lot(
        draw=DrawFrom(lot=lot, mass_g=sum(map(Decimal, masses))),
        pieces=[NewLot(kind=Lot.Kind.SPLIT, mass_g=Decimal(mass)) for mass in masses],
        recorded_by=make.make_member(),
        done_on=make.DAY,
        details=StepDetails(method="riffle"),
    )
    return list(step.made.order_by("pk"))


def shape(tree) -> str:
    """The nesting the template writes, one letter per lot."""
    text = ""
    for line in tree.lines:
        text += "(" if line.opens else ""
        text += "o"
        text += "" if line.has_below else "."
        text += ")" * len(line.closes)
    return text


def test_both_ways_with_the_masses_drawn():
    left, right = make.make_lot("6000"), make.make_lot("4000")
    blend = make.make_blend((left, "5000"), (right, "3000"))
    one, other = split(blend, "4000", "2000")
    up = family_of(one).up.lines
    assert [(line.lot, line.mass_g, line.depth) for line in up] == [
        (blend, Decimal(6000), 1),
        (left, Decimal(5000), 2),
        (right, Decimal(3000), 2),
    ]
    down = family_of(left).down
    assert [(line.lot, line.mass_g, line.made) for line in down.lines] == [
        (blend, Decimal(5000), 1),
        (one, Decimal(6000), 2),
        (other, Decimal(6000), 2),
    ]
    assert shape(down) == "o(o.o.)"
    # One draw made both pieces: its mass is told once.
    assert [line.again for line in down.lines] == [False, False, True]


def test_a_blend_reached_from_two_splits_tells_the_mass_drawn_from_each():
    lot = make.make_lot("9000")
    one, other = split(lot, "4000", "2000")
    make.make_blend((one, "3000"), (other, "1000"))
    told = [(line.mass_g, line.again, line.seen_above) for line in family_of(lot).down.lines]
    assert told == [
        (Decimal(6000), False, False),
        (Decimal(3000), False, False),
        (Decimal(6000), True, False),
        (Decimal(1000), False, True),
    ]


def test_lists_open_and_close_in_pairs():
    lot = make.make_lot("9000")
    one, other = split(lot, "4000", "4000")
    split(one, "2000", "1000")
    split(other, "100", "200")
    tree = family_of(lot).down
    assert shape(tree) == "o(o.o.)o(o.o.)"
    assert sum(line.opens for line in tree.lines) == sum(len(line.closes) for line in tree.lines)


def test_the_trees_stop_after_two_steps():
    lot = make.make_lot("9000")
    line = [lot]
    for number in range(4):
        line.append(split(line[-1], str(8000 - 1000 * number), "100")[0])
    family = family_of(line[2])
    assert [each.lot for each in family.up.lines] == [line[1], line[0]]
    assert max(each.depth for each in family.down.lines) == 2
    assert line[4] in [each.lot for each in family.down.lines]


def alike_of(lot: Lot) -> set[Lot]:
    return set(Lot.objects.filter(pk__in=family_of(lot).alike))


def test_alike_are_portions_and_splits_but_not_a_blend():
    lot = make.make_lot("9000")
    one, other = split(lot, "4000", "2000")
    portions = make.make_portions(one, 2)
    make.make_blend((other, "1000"), (lot, "1000"))
    assert alike_of(lot) == {lot, one, other, *portions}


def test_alike_reaches_farther_than_the_trees():
    lots = [make.make_lot("9000")]
    for number in range(5):
        lots += split(lots[-1], "10", str(8000 - 1000 * number))
    assert alike_of(lots[0]) == set(lots)


def test_a_voided_step_is_no_part_of_what_became_of_it():
    lot = make.make_lot("9000")
    piece = split(lot, "4000", "2000")[0]
    void_step(step=piece.made_by, reason="slip", voided_by=make.make_member("keeper"))
    assert family_of(lot).down.lines == []
    assert alike_of(lot) == {lot}
    assert walks_of(lot).onward.draws == 0


def test_a_long_tree_is_cut_and_says_so():
    lot = make.make_lot("99000")
    make.make_portions(lot, MOST_LINES + 20)
    tree = family_of(lot).down
    assert (len(tree.lines), tree.is_cut) == (MOST_LINES, True)
    assert {line.made for line in tree.lines} == {MOST_LINES + 20}


def test_the_trees_take_four_queries_however_large(django_assert_num_queries):
    lot = make.make_lot("99000")
    for portion in make.make_portions(lot, 12):
        split(portion, "100", "100")
    with django_assert_num_queries(4):
        family = family_of(lot)
    assert len(family.down.lines) == 36


def whole(lot: Lot, way: str = ""):
    walks = walks_of(Lot.objects.select_related("made_by").get(pk=lot.pk))
    return lineage_of(walks, keys=row_keys(walks, way)[:], grade_unit="g_per_t")


def told(lineage) -> dict[tuple, tuple]:
    """{(word, number): (mass, loss)} of the groups."""
    return {(group.word, group.number): (group.mass_g, group.loss_g) for group in lineage.groups}


def flows_of(lineage) -> dict[tuple[str, str], Decimal]:
    word = {group.key: group.word for group in lineage.groups}
    return {(word[flow.source], word[flow.target]): flow.mass_g for flow in lineage.flows}


def crushed(lot: Lot, loss: str) -> Lot:
    lot.refresh_from_db()
    return steps.crush_lot(
        draw=DrawFrom(lot=lot, mass_g=lot.on_hand_g),
        crushed=NewLot(kind=Lot.Kind.CRUSHED, mass_g=lot.on_hand_g - Decimal(loss)),
        recorded_by=make.make_member(),
        done_on=make.DAY,
        details=StepDetails(target_size_um=Decimal(2000)),
    ).made.get()


def shed_day() -> tuple[Lot, list[Lot]]:
    """Three buckets of one dig and one of another, crushed and blended with a loss; the buckets too."""
    member, zone = make.make_member(), make.make_zone(name="Gouge seam")
    first = steps.record_dig(
        zone=zone,
        station="S1",
        dug_on=make.DAY,
        digger="A. Digger",
        sample_kind="bulk",
        buckets=[NewLot(kind=Lot.Kind.BUCKET, mass_g=Decimal(9000))] * 3,
        recorded_by=member,
    )
    buckets = [*first.made.order_by("pk"), make.make_lot("9000", zone=zone)]
    lots = [crushed(bucket, "50") for bucket in buckets]
    return make.make_blend(*((lot, "8000") for lot in lots), mass_g="31900"), buckets


def test_the_groups_keep_every_gram():
    blend, buckets = shed_day()
    lineage = whole(blend)
    dig = buckets[0].made_by.dig
    masses = told(lineage)
    masses.pop(("Blend", 1))
    assert masses == {
        (f"Dig {dig.pk}", 1): (None, 0),
        (f"Dig {buckets[3].made_by.dig.pk}", 1): (None, 0),
        ("buckets", 3): (27000, 0),
        ("Bucket", 1): (9000, 0),
        ("Crush", 3): (None, 150),
        ("Crush", 1): (None, 50),
        ("crushed lots", 3): (26850, 0),
        ("Crushed", 1): (8950, 0),
    }
    blends = [group for group in lineage.groups if group.word == "Blend"]
    assert {(group.is_step, group.mass_g, group.loss_g) for group in blends} == {
        (True, None, Decimal(100)),
        (False, Decimal(31900), Decimal(0)),
    }
    flows = flows_of(lineage)
    assert flows["crushed lots", "Blend"] == 24000
    assert flows["Crushed", "Blend"] == 8000
    assert flows["buckets", "Crush"] == 27000
    assert not lineage.is_coarse


def test_what_else_a_step_made_or_took_is_told():
    lot, other = make.make_lot("9000"), make.make_lot("9000")
    one, _, _ = split(lot, "4000", "2000", "1000")
    make.make_blend((one, "1000"), (other, "3000"))
    groups = {group.word: group for group in whole(one).groups if group.is_step}
    assert (groups["Split"].others_out, groups["Split"].others_out_g) == (2, 3000)
    assert (groups["Blend"].others_in, groups["Blend"].others_in_g) == (1, 3000)
    assert groups["Split"].others_in == 0


def test_the_rows_hold_the_masses_and_losses_of_each_draw():
    blend, buckets = shed_day()
    rows = whole(blend, "back").rows
    assert [(row.away, row.draw.mass_g) for row in rows if row.step.pk == blend.made_by_id] == [(1, 8000)] * 4
    dug = [row for row in rows if row.draw is None]
    assert {row.dig for row in dug} == {bucket.made_by.dig for bucket in buckets}
    assert {row.away for row in dug} == {3}
    crush = [row for row in rows if row.step.kind == Step.Kind.CRUSH]
    assert {(row.draw.mass_g, row.made_g, row.step.loss_g) for row in crush} == {(9000, 8950, 50)}
    assert whole(blend, "on").rows == []


def test_a_marked_lot_stands_apart_from_its_like():
    blend, buckets = shed_day()
    Lot.objects.filter(pk=buckets[0].pk).update(is_marked=True)
    groups = [group for group in whole(blend).groups if group.kind == Lot.Kind.BUCKET]
    assert sorted((group.number, group.is_marked) for group in groups) == [(1, False), (1, True), (2, False)]


def test_many_digs_are_drawn_as_one():
    lots = [make.make_lot("9000", zone=make.make_zone()) for _ in range(9)]
    lineage = whole(make.make_blend(*((lot, "1000") for lot in lots)))
    assert ("Dig", 9) in told(lineage)
    assert ("buckets", 9) in told(lineage)
    assert [group.facts for group in lineage.groups if group.word == "Dig"] == [["9 zones"]]


def test_branches_that_have_nothing_in_common_are_drawn_by_level_and_kind():
    """Each lot of the blend has another history, so none shares a group: the picture is coarse, says so, and loses no gram."""
    pieces = []
    for number in range(8):
        piece = make.make_lot("9000")
        for turn in range(number):
            piece = split(piece, str(8000 - 100 * turn), "100")[0]
        pieces.append(piece)
    lineage = whole(make.make_blend(*((piece, "500") for piece in pieces)))
    assert lineage.is_coarse
    assert told(lineage)["buckets", 8] == (72000, 0)
    assert sum(flow.mass_g for flow in lineage.flows if flow.is_draw) == 8 * 500 + sum(
        8000 - 100 * turn + 100 for number in range(8) for turn in range(number)
    )


def pan(lot: Lot, gold: str | None, mass: str = "500", **fields):
    member = make.make_member()
    return running.log_test_pan(
        lot=lot,
        portion=running.Portion(mass_g=Decimal(mass), typed=f"{mass} g"),
        result=make_result(member, gold, **fields),
        recorded_by=member,
    )


def facts_of(lineage, word: str) -> list[str]:
    return [fact for group in lineage.groups if group.word == word for fact in group.facts]


def test_pans_are_told_with_their_gold():
    lot = make.make_lot("9000")
    pan(lot, "5.0")
    pan(lot, "8.0")
    pan(lot, None, below_scale=True)
    pan(lot, None, colours={"fine": 3})
    pan(lot, None, failed=True, fail_reason="spilled")
    lineage = whole(lot)
    assert facts_of(lineage, "Pan") == ["gold 5 to 8 mg", "1 below 0.1 mg", "3 colours", "1 failed"]
    assert told(lineage)["Pan", 5] == (None, 2500)


def test_an_open_block_tells_neither_gold_nor_treatment():
    lot = make.make_lot("40000")
    make.make_portions(lot, 6)
    trial = make_running(lot=lot, portions_from="cut", names=("plain water", "a secret rinse"))
    member = make.make_member()
    for planned in trial.planned_runs.all()[:2]:
        log(planned, member, "7.77")
    shown = whole(lot)
    assert facts_of(shown, "Pan") == ["gold told when the block is closed"]
    assert "7.77" not in str(shown.rows)
    block = trial.blocks.first()
    running.close_block(block=block, closed_by=member)
    assert facts_of(whole(lot), "Pan") == ["gold 7.77 mg"]


def test_concentrate_and_tails_follow_their_pan():
    lot = make.make_lot("9000")
    run = pan(lot, "5.0")
    products.keep_products(
        step=run.step,
        products=[
            NewLot(kind=Lot.Kind.CONCENTRATE, mass_g=Decimal(2)),
            NewLot(kind=Lot.Kind.TAILS, mass_g=Decimal(480)),
        ],
        recorded_by=run.recorded_by,
    )
    flows = flows_of(whole(lot))
    assert flows["Pan", "Concentrate"] == 2
    assert flows["Pan", "Tails"] == 480
    assert told(whole(lot))["Pan", 1] == (None, 18)


def chain(generations: int) -> Lot:
    left, right = make.make_lot("90000"), make.make_lot("90000")
    for _ in range(generations):
        left, right = make.make_blend((left, "900"), (right, "900")), right
    return left


def test_a_long_line_is_cut_and_the_rest_is_counted():
    lot = chain(MOST_GENERATIONS + 4)
    lineage = whole(lot)
    assert lineage.left_out_back == 4
    assert [group.goes_on for group in lineage.groups].count("back") == 1
    assert len(row_keys(walks_of(lot))) == (MOST_GENERATIONS + 4) * 2 + 2


def test_sixty_generations_take_no_more_queries_than_three(django_assert_max_num_queries):
    for lot in (chain(3), chain(60)):
        lot = Lot.objects.select_related("made_by").get(pk=lot.pk)
        with django_assert_max_num_queries(8):
            walks = walks_of(lot)
            lineage_of(walks, keys=row_keys(walks)[:40], grade_unit="g_per_t")


def test_everything_that_ever_held_a_dig_in_one_query(django_assert_num_queries):
    zone = make.make_zone()
    lot, other = make.make_lot("9000", zone=zone), make.make_lot("9000", zone=zone)
    elsewhere = make.make_lot("9000")
    blend = make.make_blend((lot, "3000"), (other, "1000"), (elsewhere, "4000"))
    pan(blend, "3.0")
    make_running(lot=blend)
    voided = split(other, "100", "100")[0]
    void_step(step=voided.made_by, reason="slip", voided_by=make.make_member("keeper"))
    with django_assert_num_queries(1):
        held = list(lots_ever_of_dig(lot.made_by.dig))
    assert [(each, each.share) for each in held] == [(blend, Decimal("0.375")), (lot, 1)]
    assert [(each.pan_count, each.trial_count, each.sample_count) for each in held] == [(1, 1, 0), (0, 0, 0)]
    with django_assert_num_queries(1):
        held = list(lots_ever_of_zone(zone))
    assert [(each, each.share) for each in held] == [(blend, Decimal("0.5")), (other, 1), (lot, 1)]


def test_a_reading_in_use_stands_at_its_split():
    from prospecting.actions import assays
    from prospecting.readers.certificate_csv import read_certificate

    lot, keeper = make.make_lot("9000"), make.make_member("keeper")
    cells = ["3.1", "<0.01", None]
    for cell in cells:
        taken = steps.take_for_assay(
            draw=DrawFrom(lot=lot, mass_g=Decimal(400), typed="400 g"),
            recorded_by=keeper,
            done_on=make.DAY + datetime.timedelta(1),
            details=StepDetails(method="riffle"),
        ).made.get()
        dispatch = dispatching.send_dispatch(
            laboratory=dispatching.add_laboratory(
                name=f"Invented Assay Office {taken.pk}", recorded_by=keeper
            ),
            sent_on=make.DAY,
            method="fire_30",
            lots=[taken],
            recorded_by=keeper,
        )
        if cell:
            data = f"Sample,Au_ppm\n{dispatch.samples.get().tag},{cell}\n".encode()
            assays.store_return(
                dispatch=dispatch,
                certificate=read_certificate(data, "c.csv"),
                certificate_number="C-17",
                reported_on=make.DAY,
                file_name="c.csv",
                file_bytes=data,
                recorded_by=keeper,
            )
    assert sorted(facts_of(whole(lot), "splits for assay")) == [
        "1 without a reading yet",
        "3.1 g/t",
        "below 0.01 g/t",
    ]


def test_more_lots_alike_than_a_query_can_name_are_found_all_the_same(monkeypatch):
    lot = make.make_lot("90000")
    portions = make.make_portions(lot, 6)
    monkeypatch.setattr("prospecting.models.lineage.MOST_WRITTEN_OUT", 3)
    assert alike_of(lot) == {lot, *portions}
    pan(portions[2], "3.0", mass="400")
    assert [line.run.lot for line in runs_of(family_of(lot).alike)] == [portions[2]]
