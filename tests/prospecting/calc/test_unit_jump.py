from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from prospecting.calc import guard
from prospecting.calc.unit_jump import Others, jump_against, jump_of_pairs

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
