import itertools
import random
import string

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from prospecting.calc import codes

SIGNS = string.ascii_uppercase + string.digits
some_code = st.builds(
    lambda seed, digits: codes.draw_code(random.Random(seed), digits), st.integers(), st.sampled_from([2, 3])
)
some_tag = st.integers().map(lambda seed: codes.draw_tag(random.Random(seed)))


def read_or_none(read, text):
    try:
        return read(text)
    except ValueError:
        return None


def with_one_wrong_sign(plain):
    for place, sign in itertools.product(range(len(plain)), SIGNS):
        if sign != plain[place]:
            yield plain[:place] + sign + plain[place + 1 :]


def with_two_signs_swapped(plain):
    for first, second in itertools.combinations(range(len(plain)), 2):
        if plain[first] != plain[second]:
            signs = list(plain)
            signs[first], signs[second] = signs[second], signs[first]
            yield "".join(signs)


@settings(max_examples=60, deadline=None)
@given(some_code)
def test_no_wrong_or_swapped_sign_reads_as_another_code(code):
    plain = code.replace("-", "")
    for mistaken in itertools.chain(with_one_wrong_sign(plain), with_two_signs_swapped(plain)):
        # A look-alike in the wrong place (5 for S) is mended to the same code; another code it must never be.
        assert read_or_none(codes.read_code, mistaken) in (None, code)


def test_no_swap_of_letter_and_digit_passes_for_another_code_exhaustively():
    # Only S, Z, B, G and 5, 2, 8, 6 can trade places and still look like a code; here are all of them in all places.
    filler = "KMN4477"
    for letter, digit in itertools.product("SZBG", "5286"):
        for digits in (2, 3):
            for letter_place, digit_place in itertools.product(range(3), range(3, 3 + digits)):
                signs = list(filler[:3] + "4" * digits)
                signs[letter_place], signs[digit_place] = letter, digit
                body = "".join(signs)
                plain = body + codes.check_letter(body)
                code = codes.read_code(plain)
                for mistaken in with_two_signs_swapped(plain):
                    assert read_or_none(codes.read_code, mistaken) in (None, code)


@given(some_code)
def test_reads_a_code_however_it_is_written(code):
    plain = code.replace("-", "")
    for written in (
        code,
        plain,
        code.lower(),
        f" {' '.join(plain)} ",
        code.replace("-", "–"),
        code.replace("-", ". "),
    ):
        assert codes.read_code(written) == code


@given(some_code)
def test_mends_look_alikes_by_their_place(code):
    letters, digits, check = code.split("-")
    wrong_letters = letters.translate(str.maketrans("SZBG", "5286"))
    wrong_digits = digits.translate(str.maketrans("5286", "SZBG"))
    assert codes.read_code(f"{wrong_letters}-{wrong_digits}-{check}") == code


@given(some_code)
def test_uses_no_sign_that_mud_turns_into_another(code):
    letters, digits, check = code.split("-")
    assert set(letters) <= set("BCDFGHJKMNPQRSTVWXYZ")
    assert set(digits) <= set("23456789")
    assert check not in "ILO"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "0 signs"),
        ("BRK", "3 signs"),
        ("BRK-4777-T", "8 signs"),
        ("BOK-47-T", "second sign should be a letter"),
        ("BR1-47-T", "third sign should be a letter"),
        ("BRK-07-T", "fourth sign should be a digit"),
        ("BRK-47-L", "last sign should be a letter"),
        ("BRK-47-Y", "check letter does not fit"),
        ("RBK-47-T", "check letter does not fit"),
        ("BRK-47-😀", "last sign"),
        ("x" * 100, "too long"),
    ],
)
def test_refuses_a_code_and_says_what_is_wrong(text, says):
    with pytest.raises(ValueError, match=says):
        codes.read_code(text)


@given(st.text(max_size=50))
def test_any_text_is_a_code_or_refused(text):
    read_or_none(codes.read_code, text)
    read_or_none(codes.read_tag, text)


def test_a_code_drawn_from_the_same_seed_is_the_same():
    assert codes.draw_code(random.Random(7)) == codes.draw_code(random.Random(7))
    assert len({codes.draw_code(random.Random(seed)) for seed in range(200)}) > 190
    with pytest.raises(ValueError, match="2 or 3 digits"):
        codes.draw_code(random.Random(7), digits=4)
    with pytest.raises(ValueError, match="three letters"):
        codes.check_letter("BRK4")


@given(st.integers(), st.integers(min_value=0, max_value=400))
def test_blind_codes_of_one_draw_are_all_different_and_of_one_form(seed, n):
    drawn = codes.draw_blind_codes(random.Random(seed), n)
    assert len(set(drawn)) == len(drawn) == n
    assert {len(code) for code in drawn} <= ({2} if n <= 160 else {3})


def test_blind_codes_come_in_no_order():
    drawn = codes.draw_blind_codes(random.Random(3), 160)
    assert drawn != sorted(drawn)
    assert codes.draw_blind_code(random.Random(3)) in drawn
    with pytest.raises(ValueError, match="1280"):
        codes.draw_blind_codes(random.Random(3), 1281)


@settings(max_examples=60, deadline=None)
@given(some_tag)
def test_no_wrong_or_swapped_digit_reads_as_another_tag(tag):
    assert codes.read_tag(f"{tag[:3]} {tag[3:]}") == tag
    for mistaken in itertools.chain(with_one_wrong_sign(tag), with_two_signs_swapped(tag)):
        assert read_or_none(codes.read_tag, mistaken) in (None, tag)


@pytest.mark.parametrize(("text", "says"), [("2345", "4 signs"), ("234501", "fifth sign"), ("", "0 signs")])
def test_refuses_a_tag_and_says_what_is_wrong(text, says):
    with pytest.raises(ValueError, match=says):
        codes.read_tag(text)


def test_a_tag_with_a_wrong_check_digit_is_refused():
    tag = codes.draw_tag(random.Random(1))
    wrong = tag[:5] + next(digit for digit in codes.DIGITS if digit != tag[5])
    with pytest.raises(ValueError, match="check digit does not fit"):
        codes.read_tag(wrong)
    with pytest.raises(ValueError, match="five digits"):
        codes.tag_check_digit("12")
