"""What comes of the lines of an old list: which doubts are seen, what a choice changes, and that masses close.

The cases are our own; what counts as out of line is `calc/guard.py`'s.
"""

import datetime
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.trials.make_old_sheet import rules
from trials.calc.old_sheets import (
    ANOTHER,
    BELOW,
    BUCKET_ONLY,
    COLOURS,
    LEAVE,
    MARKED,
    NIL,
    PAN_ONLY,
    TAKE,
    TRACE,
    WEIGHT,
    OldGold,
    OldLine,
    plan_old_lines,
    totals_beside,
)


def line(number: int, bucket: str = "", kg: str = "", pan: str = "", mg: str = "", **fields) -> OldLine:
    gold = OldGold(kind=WEIGHT, gold_mg=Decimal(mg), typed=f"{mg} mg", words=mg) if mg else OldGold()
    given = {
        "number": number,
        "text": f"{number} {bucket} {kg} {pan} {mg}",
        "bucket": bucket,
        "mass_g": Decimal(kg) * 1000 if kg else None,
        "mass_typed": f"{kg} kg" if kg else "",
        "portion_g": Decimal(pan) * 1000 if pan else None,
        "portion_typed": f"{pan} kg" if pan else "",
        "gold": gold,
    }
    return OldLine(**(given | fields))


def planned(*lines: OldLine, choices: dict | None = None, **given):
    return plan_old_lines(lines, rules(**given), choices or {})


class TestBuckets:
    def test_of_one_place_day_and_digger_are_one_dig(self):
        plan = planned(line(1, "a", "20"), line(2, "b", "18"), line(3, "c", "18", digger="Bea"))
        assert [[bucket.name for bucket in dig] for dig in plan.digs] == [["a", "b"], ["c"]]

    def test_without_a_name_are_called_by_their_line(self):
        assert [bucket.name for bucket in planned(line(7, "", "20")).buckets] == ["line 7"]

    @pytest.mark.parametrize(
        ("fields", "given", "sentence"),
        [
            ({"kg": ""}, {}, "No weight of the bucket."),
            ({"dug_on": datetime.date(2089, 1, 1)}, {}, "01 Jan 2089 has not come yet"),
            ({"dug_on": datetime.date(1066, 1, 1)}, {}, "1066-01-01 is too long ago"),
            ({"place": "elsewhere"}, {}, "No zone is chosen for “elsewhere”."),
            ({}, {"zone_else": None}, "no zone is chosen for such lines"),
            ({}, {"day_else": None}, "No day."),
            ({"of_line": ("Unreadable.",)}, {}, "Unreadable."),
        ],
    )
    def test_that_cannot_be_made_leave_their_line_out(self, fields, given, sentence):
        (each,) = planned(line(2, "a", **({"kg": "20"} | fields)), **given).lines
        assert each.is_left_out and each.choices == (LEAVE,)
        assert sentence in each.faults[0]

    @pytest.mark.parametrize(("kg", "asks"), [("200", True), ("2", True), ("30", False)])
    def test_ten_times_off_the_others_are_asked_about(self, kg, asks):
        plan = planned(line(1, "a", "20"), line(2, "b", "19"), line(3, "c", "21"), line(4, "d", kg))
        assert plan.lines[3].is_open is asks
        assert plan.lines[3].bucket is not None

    def test_of_a_name_that_stands_there_already_wait_for_a_choice(self):
        lines = (line(1, "a", "20"), line(2, "A", "15", "2", "1"))
        (_, twice) = planned(*lines).lines
        assert twice.is_open and twice.choices == (ANOTHER, PAN_ONLY, BUCKET_ONLY, LEAVE)
        only_pan = planned(*lines, choices={2: PAN_ONLY})
        assert (len(only_pan.buckets), only_pan.pans[0].bucket_line) == (1, 1)
        assert len(planned(*lines, choices={2: ANOTHER}).buckets) == 2
        assert planned(*lines, choices={2: "nonsense"}).lines[1].is_open

    def test_without_names_are_twice_only_where_their_gold_is_the_same(self):
        alike = (line(1, "", "20", text="20"), line(2, "", "20", text="20"))
        assert not planned(*alike).lines[1].asks
        panned = [line(at, "", "20", "2", "1.5", text="20 2 1.5") for at in (1, 2)]
        assert planned(*panned).lines[1].choices == (TAKE, BUCKET_ONLY, LEAVE)

    def test_a_pan_that_its_chosen_bucket_no_longer_holds_waits_again(self):
        lines = (line(1, "a", "20", "19", "1"), line(2, "a", "15", "2", "1"))
        (_, twice) = planned(*lines, choices={2: PAN_ONLY}).lines
        assert twice.is_open and twice.is_left_out and "holds only 1 kg more" in twice.asks[-1]

    def test_known_on_the_books_are_asked_about(self):
        (each,) = planned(line(1, "A7", "20"), known={("here", "a7"): "ABC-12-D"}).lines
        assert each.is_open and "on the books already: ABC-12-D" in each.asks[0]


class TestPans:
    def test_of_a_bucket_before_need_no_weight_of_it_again(self):
        plan = planned(
            line(1, "a", "20", "2", "1"), line(2, "a", "20", "2", "1.2"), line(3, "a", "", "2", "2")
        )
        assert (len(plan.buckets), [pan.bucket_line for pan in plan.pans]) == (1, [1, 1, 1])

    def test_find_their_bucket_by_name_where_no_place_is_given(self):
        zones = {"north": "N", "south": "S"}
        first = line(1, "a", "20", place="North")
        plan = planned(first, line(2, "a", "", "2", "1"), zones=zones, zone_else=None)
        assert plan.pans[0].bucket_line == 1
        both = planned(
            first, line(2, "a", "19", place="South"), line(3, "a", "", "2", "1"), zones=zones, zone_else=None
        )
        assert both.lines[2].is_left_out

    @pytest.mark.parametrize(
        ("fields", "sentence"),
        [
            ({"pan": "", "mg": "1"}, "The pan's own weight is missing"),
            ({"pan": "2", "mg": ""}, "neither gold nor colours are given"),
            ({"pan": "21", "mg": "1"}, "the bucket still holds 20 kg"),
            (
                {"pan": "2", "mg": "", "gold": OldGold(kind=TRACE, words="trace")},
                "“trace” is less than the scale",
            ),
            ({"pan": "2", "of_pan": ("Gold: “blob” holds no number.",)}, "“blob”"),
        ],
    )
    def test_that_cannot_be_logged_leave_their_bucket(self, fields, sentence):
        (each,) = planned(line(1, "a", "20", **fields)).lines
        assert each.bucket is not None and each.pan is None
        assert each.choices == (BUCKET_ONLY, LEAVE) and sentence in each.faults[0]
        assert each.why_not.startswith("Its pan: ")

    def test_of_a_bucket_left_out_are_left_out_too(self):
        lines = (line(1, "a", "20"), line(2, "a", "20"), line(3, "b", "200"), line(4, "b", "", "2", "1"))
        assert planned(*lines).pans
        assert not planned(*lines, choices={3: LEAVE}).pans
        assert "no line before it gives" in planned(*lines, choices={3: LEAVE}).lines[3].faults[0]

    def test_with_an_additive_stay_but_do_not_count(self):
        plan = planned(line(1, "a", "20", "2", "1", additive="soap"))
        assert plan.lines[0].choice == MARKED and not plan.lines[0].is_open
        assert "soap" in plan.pans[0].why_marked
        assert (plan.gold_mg, plan.weighed, plan.marked) == (0, 0, 1)

    def test_ten_times_richer_than_their_zone_are_asked_about(self):
        pans = [line(at, f"b{at}", "20", "2", f"1.{at}") for at in range(1, 6)]
        plan = planned(*pans, line(9, "b9", "20", "2", "40"))
        assert plan.lines[-1].is_open and plan.lines[-1].choices == (TAKE, BUCKET_ONLY, LEAVE)
        # Written down twice a slip doesn't vouch for itself.
        twice = line(9, "b9", "20", "2", "40", text="same"), line(10, "b9", "20", "2", "40", text="same")
        assert all(each.is_open for each in planned(*pans, *twice).lines[-2:])

    @pytest.mark.parametrize(
        ("gold", "given", "shown"),
        [
            (OldGold(kind=TRACE, words="tr"), {"step_mg": Decimal(1)}, (None, True, Decimal(1), {})),
            (OldGold(kind=NIL, words="nil"), {"step_mg": Decimal(1)}, (None, True, Decimal(1), {})),
            (OldGold(kind=NIL, words="nil"), {"nil_is_below": False}, (None, False, None, {"very_fine": 0})),
            (OldGold(kind=BELOW, step_mg=Decimal(2), words="<2"), {}, (None, True, Decimal(2), {})),
            (
                OldGold(kind=COLOURS, colours=3, words="3 col"),
                {"unsized": "fine"},
                (None, False, None, {"fine": 3}),
            ),
        ],
    )
    def test_less_than_nothing_seen_and_colours_stay_what_they_are(self, gold, given, shown):
        (pan,) = planned(line(1, "a", "20", "2", gold=gold), **given).pans
        assert (pan.gold_mg, pan.below_scale, pan.step_mg, pan.colours) == shown
        assert gold.words in pan.note


class TestOddWithinTheList:
    def test_a_bucket_weighed_again_on_another_day_may_be_another_one(self):
        days = [datetime.date(2019, 7, day) for day in (1, 2)]
        lines = [line(at, "1", "20", "2", f"1.{at}", dug_on=day) for at, day in enumerate(days)]
        plan = planned(*lines)
        assert plan.lines[1].is_open and plan.lines[1].choices == (ANOTHER, PAN_ONLY, BUCKET_ONLY, LEAVE)
        assert "Do the names begin anew" in plan.lines[1].asks[0]

    def test_a_pan_ten_times_lighter_than_the_others_is_asked_about(self):
        trace = OldGold(kind=BELOW, step_mg=Decimal(1), words="<1")
        lines = [line(at, f"b{at}", "20", kg, gold=trace) for at, kg in enumerate(("2", "2.2", "2", "0.2"))]
        plan = planned(*lines)
        assert [each.is_open for each in plan.lines] == [False, False, False, True]
        assert "the middle pan of the list" in plan.lines[3].asks[0]

    def test_gold_is_held_against_the_whole_list_where_its_zone_has_few_pans(self):
        pans = [line(at, f"b{at}", "20", "2", f"1.{at}") for at in range(1, 6)]
        plan = planned(*pans, line(9, "b9", "20", "2", "40", place="new"), zones={"new": "elsewhere"})
        assert plan.lines[-1].is_open and "the list's other pans" in plan.lines[-1].asks[0]

    def test_a_day_years_from_all_others_is_asked_about(self):
        years = (2017, 2018, 2019, 1919)
        lines = [line(at, f"b{at}", "20", dug_on=datetime.date(year, 7, 1)) for at, year in enumerate(years)]
        assert [bool(each.asks) for each in planned(*lines).lines] == [False, False, False, True]

    @pytest.mark.parametrize(("kg", "asks"), [("41", True), ("40", False)])
    def test_a_sum_without_a_word_is_asked_about(self, kg, asks):
        plan = planned(line(1, "a", "20"), line(2, "b", "21"), line(3, "", kg))
        assert plan.lines[2].is_open is asks

    def test_a_bucket_without_a_name_may_be_on_the_books_already(self):
        alike = {("here", datetime.date(2019, 7, 1), Decimal(20000)): "ABC-12-D"}
        plan = planned(line(1, "", "20"), line(2, "", "21"), alike=alike)
        assert [each.is_open for each in plan.lines] == [True, False]


class TestRulesForAll:
    def test_weights_nobody_took_are_said_for_all_and_told(self):
        plan = planned(
            line(1, "a", "", "", "1"), mass_else_g=Decimal(18000), mass_else_typed="18 kg",
            portion_else_g=Decimal(2000), portion_else_typed="2 kg",
        )  # fmt: skip
        assert plan.buckets[0].mass_typed == "18 kg" and "Not weighed" in plan.buckets[0].note
        assert plan.pans[0].portion_typed == "2 kg" and "not weighed" in plan.pans[0].note

    def test_pans_may_be_all_that_was_dug(self):
        plan = planned(
            line(1, "a", "", "2", "1"),
            line(2, "a", "", "3", "1"),
            line(3, "", "", "2", "1"),
            pans_are_all=True,
        )
        assert [bucket.mass_g for bucket in plan.buckets] == [5000, 2000]
        assert len(plan.pans) == 3

    def test_totals_stand_beside_what_was_read(self):
        lines = [line(1, "a", "20", "2", "1"), line(2, "b", "19")]
        agree, differ = totals_beside(lines, {"mass": (3, Decimal(39000)), "gold": (3, Decimal(10))})
        assert (agree.agrees, differ.agrees, differ.read) == (True, False, 1)


amounts = st.none() | st.decimals("0.1", "60", places=1)
some_lines = st.lists(
    st.tuples(st.sampled_from(["", "a", "b", "c"]), amounts, amounts, amounts, st.booleans()), max_size=12
)


@given(
    some_lines,
    st.dictionaries(st.integers(1, 12), st.sampled_from([TAKE, LEAVE, BUCKET_ONLY, PAN_ONLY, ANOTHER])),
)
def test_no_bucket_ever_gives_more_than_it_held(rows, choices):
    lines = [
        line(
            number,
            bucket,
            *(str(each) if each else "" for each in (kg, pan, mg)),
            additive="soap" if soaped else "",
        )
        for number, (bucket, kg, pan, mg, soaped) in enumerate(rows, start=1)
    ]
    plan = planned(*lines, choices=choices)
    held = {bucket.line: bucket.mass_g for bucket in plan.buckets}
    for pan in plan.pans:
        held[pan.bucket_line] -= pan.portion_g
    assert all(left >= 0 for left in held.values())
    assert [each.line.number for each in plan.lines] == list(range(1, len(rows) + 1))
    # What is not taken says why, and what is taken is in the totals.
    assert all(each.faults or each.asks for each in plan.left_out)
    assert plan.bucket_mass_g == sum(bucket.mass_g for bucket in plan.buckets)


class TestWhatTheListLeavesOpen:
    def test_panned_before_the_bucket_was_dug_is_asked_about(self):
        days = {"dug_on": datetime.date(2019, 7, 9), "panned_on": datetime.date(2019, 7, 8)}
        (each,) = planned(line(1, "a", "20", "2", "1", **days)).lines
        assert each.is_open and "before its bucket was dug" in each.asks[0]
        days["panned_on"] = days["dug_on"]
        assert not planned(line(1, "a", "20", "2", "1", **days)).lines[0].asks

    @pytest.mark.parametrize(("mg", "is_taken"), [("0.9", False), ("1.0", True)])
    def test_less_than_one_step_of_the_scale_was_never_weighed(self, mg, is_taken):
        (each,) = planned(line(1, "a", "20", "2", mg), step_mg=Decimal(1)).lines
        assert (each.pan is not None) is is_taken
        assert is_taken or "less than one step of the scale" in each.faults[0]

    def test_colours_without_a_size_join_those_of_the_size_said_for_such(self):
        (pan,) = planned(
            line(1, "a", "20", "2", colours={"": 3, "fine": 2, "coarse": 1}), unsized="fine"
        ).pans
        assert pan.colours == {"fine": 5, "coarse": 1}
        assert pan.colours_total == 6

    def test_where_nobody_knows_the_water_pans_stay_and_do_not_count(self):
        plan = planned(line(1, "a", "20", "2", "1"), plain_water=False)
        assert plan.lines[0].choice == MARKED
        assert "in plain water" in plan.pans[0].why_marked
        assert (plan.weighed, plan.marked) == (0, 1)

    def test_a_line_without_a_pan_adds_nothing_to_a_bucket_nobody_weighed(self):
        (first, second) = planned(line(1, "a", "", "2", "1"), line(2, "b", ""), pans_are_all=True).lines
        assert first.bucket.mass_g == 2000
        assert second.is_left_out

    def test_only_what_is_not_taken_in_has_a_reason(self):
        taken, left, pan_left = planned(
            line(1, "a", "20", "2", "1"), line(2, "b", ""), line(3, "c", "20", "", "1")
        ).lines
        assert taken.why_not == ""
        assert left.why_not.startswith("No weight of the bucket.")
        assert pan_left.why_not.startswith("Its pan: ")
        (chosen,) = planned(line(1, "a", "20"), choices={1: LEAVE}).lines
        assert chosen.why_not == ("left out by choice" if chosen.is_left_out else "")
