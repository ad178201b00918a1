from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from prospecting.calc import guard
from prospecting.calc.unit_jump import Others, PanPair, jump_against, jump_against_pans, jump_of_pairs

grades = st.lists(st.decimals("0.001", "900", places=3), min_size=1, max_size=12)


def decimals(*figures) -> list[Decimal]:
    return [Decimal(str(figure)) for figure in figures]


class TestJump:
    @pytest.mark.parametrize(
        ("read", "known", "times", "is_higher"),
        [
            # ppb under a title of ppm, and ppm under one of ppb (common practice, no source).
            ((4100, 380, 9000), (4.0, 1.2, 6.0), 1000, True),
            ((0.0041, 0.0009), (4.0, 1.2), 1000, False),
        ],
    )
    def test_of_a_thousand_shows_against_like_ore(self, read, known, times, is_higher):
        jump = jump_against(decimals(*read), decimals(*known))
        assert (jump.times, jump.is_higher) == (times, is_higher)

    @pytest.mark.parametrize(
        ("read", "known"), [((4.1,), (4.0,)), ((140,), (4.1,)), ((), (4.1,)), ((4.1,), ()), ((0,), (4.1,))]
    )
    def test_is_none_within_what_ore_scatters(self, read, known):
        assert jump_against(decimals(*read), decimals(*known)) is None

    def test_of_ounces_shows_between_readings_of_the_same_material(self):
        # One troy ounce per short ton is 240/7 = 34.29 g/t (NIST Handbook 44, Appendix C, from memory).
        pairs = [(grade * 7 / 240, grade) for grade in decimals(4.1, 1.0, 12)]
        assert jump_of_pairs(pairs).times == 34
        assert jump_of_pairs([(known, read) for read, known in pairs]).is_higher

    def test_one_odd_pair_is_no_jump(self):
        assert jump_of_pairs([(Decimal(4), Decimal(4))] * 3 + [(Decimal(4000), Decimal(4))]) is None


@given(grades)
def test_others_ask_as_a_guard_that_sees_them_all(given_grades):
    others = Others(given_grades)
    for at, grade in enumerate(given_grades):
        rest = given_grades[:at] + given_grades[at + 1 :]
        assert guard.grade_guard(grade, others.of(grade)) == guard.grade_guard(grade, rest)
        if others.hold(grade) and grade <= guard.RICH_G_PER_T:
            assert guard.grade_guard(grade, rest).ask is None


def pairs(*figures, is_same: bool = True) -> list[PanPair]:
    return [PanPair(Decimal(str(read)), Decimal(str(panned)), is_same) for read, panned in figures]


class TestJumpAgainstPans:
    @pytest.mark.parametrize("caught", ["0.1", "0.2", "0.5", "1", "1.4", "3"])
    def test_is_silent_on_what_pans_may_catch(self, caught):
        # A pan misses what is locked up or too small; a nugget makes one catch more than the assay says.
        panned = Decimal("4.1") * Decimal(caught)
        for is_same in (True, False):
            assert jump_against_pans(pairs(("4.1", panned), is_same=is_same)) is None

    @pytest.mark.parametrize("caught", ["0.2", "0.5", "1"])
    @pytest.mark.parametrize("is_same", [True, False])
    def test_of_a_thousand_shows_whatever_the_pans_missed(self, caught, is_same):
        panned = Decimal("4.1") * Decimal(caught)
        for read, is_higher in (("4100", True), ("0.0041", False)):
            jump = jump_against_pans(pairs((read, panned), is_same=is_same))
            assert (jump.times, jump.is_higher) == (1000, is_higher)
            assert jump.meant_g_per_t == Decimal("4.1")
            assert jump.caught_if_meant == Decimal(caught)

    @pytest.mark.parametrize("caught", ["0.25", "0.5", "1"])
    def test_of_ounces_shows_on_the_same_material_only(self, caught):
        # One troy ounce per short ton is 240/7 = 34.29 g/t (NIST Handbook 44, Appendix C, from memory).
        panned = Decimal("4.1") * Decimal(caught)
        for read, is_higher in ((Decimal("4.1") * 7 / 240, False), (Decimal("4.1") * 240 / 7, True)):
            jump = jump_against_pans(pairs((read, panned)))
            assert (jump.times, jump.is_higher) == (34, is_higher)
            assert jump_against_pans(pairs((read, panned), is_same=False)) is None

    def test_one_reading_of_many_shows_and_keeps_its_place(self):
        jump = jump_against_pans(pairs((4.1, 2), (0, 2), (3900, 2), (3.5, 0), (5000, 3)))
        assert jump.places == (2, 4)

    def test_of_like_ground_the_middle_of_the_column_decides(self):
        # One barren spot of a zone is no slip.
        assert jump_against_pans(pairs((0.004, 2), (3.1, 2), (5.0, 2), is_same=False)) is None
        assert jump_against_pans(pairs((0.004, 2), (0.003, 2), (5.0, 2), is_same=False)).places == (0, 1)

    def test_needs_something_on_both_sides(self):
        assert jump_against_pans([]) is None
        assert jump_against_pans(pairs((0, 2), (4100, 0))) is None


@pytest.mark.parametrize("pairs_of_nothing", [[], [(Decimal(0), Decimal(4))], [(Decimal(4000), Decimal(0))]])
def test_readings_of_nothing_show_no_jump(pairs_of_nothing):
    assert jump_of_pairs(pairs_of_nothing) is None


@pytest.mark.parametrize(
    ("read", "times"),
    [("299.9", None), ("300", 1000), ("3000", 1000), ("3000.1", None), ("0.0033", 1000), ("0.0034", None)],
)
def test_a_jump_of_a_thousand_is_three_hundred_to_three_thousand_times(read, times):
    # Our own limits; ppb is a thousandth of ppm by its name.
    jump = jump_against([Decimal(read)], [Decimal(1)])
    assert (jump and jump.times) == times


@pytest.mark.parametrize(
    ("read", "times"),
    [("51.4", 34), ("51.5", None), ("22.9", 34), ("22.8", None), ("0.0195", 34), ("0.0194", None)],
)
def test_a_jump_of_ounces_lies_within_half_as_much_again(read, times):
    # 240/7 g/t to the troy ounce per short ton (NIST Handbook 44, Appendix C, from memory): by 1.5 that is 22.86 to 51.43.
    jump = jump_of_pairs([(Decimal(read), Decimal(1))])
    assert (jump and jump.times) == times


@pytest.mark.parametrize(
    ("panned", "times"), [("0.82", 1000), ("0.81", None), ("6.15", 1000), ("6.16", None)]
)
def test_a_pan_catches_a_fifth_of_the_gold_to_half_as_much_again(panned, times):
    # 4100 read for 4.1: by hand a fifth of 4.1 is 0.82, and one and a half times it 6.15.
    jump = jump_against_pans(pairs((4100, panned)))
    assert (jump and jump.times) == times


def test_a_grade_is_held_between_two_others_and_not_by_one():
    assert Others(decimals(1, 2, 3)).hold(Decimal(2))
    assert not Others(decimals(1, 2, 3)).hold(Decimal(1))
    assert not Others(decimals(1, 3)).hold(Decimal(2))
    assert Others(decimals(0, 4)).of(Decimal(4)) == []


@pytest.mark.parametrize(("grade", "others"), [(9, [1, Decimal("1.5"), 2]), (2, [1, 1, 1]), (1, [2, 2, 2])])
def test_the_others_of_a_grade_leave_out_itself_alone(grade, others):
    assert Others(decimals(1, 2)).of(Decimal(grade)) == others
