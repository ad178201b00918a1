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
