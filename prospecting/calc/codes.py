"""Codes that survive mud: lot codes, blind codes and tags, with a check sign against one wrong or two swapped signs.

A check sign is the weighted sum of the signs in a finite field, every place with its own weight. One wrong sign changes the
sum by (weight x difference), two swapped signs by (difference of weights x difference of signs); in a field neither is ever
zero. For lot codes the field is the whole numbers modulo the prime 23, for tags it is the field of eight elements.
"""

import random
import re
import unicodedata

from prospecting.calc.language import phrase, to_phrase

LETTERS = "BCDFGHJKMNPQRSTVWXYZ"
DIGITS = "23456789"
# Letters the check may be: those that no digit is taken for.
CHECK_LETTERS = "ABCDEFGHJKMNPQRSTUVWXYZ"
LONGEST_TEXT = 40

# What one sign is taken for when it stands where the other kind belongs.
_DIGIT_FOR_LETTER = {"S": "5", "Z": "2", "B": "8", "G": "6"}
_LETTER_FOR_DIGIT = {digit: letter for letter, digit in _DIGIT_FOR_LETTER.items()}
# Three letters, up to three digits; the check letter weighs 22, that is -1, so that it equals the sum. Any distinct weights
# catch swaps within letters and within digits; these also catch a letter swapped with a digit that looks like a letter.
_WEIGHTS = (1, 2, 4, 17, 11, 21)
_PLACES = (
    to_phrase("first"),
    to_phrase("second"),
    to_phrase("third"),
    to_phrase("fourth"),
    to_phrase("fifth"),
    to_phrase("sixth"),
)
_LAST = to_phrase("last")
_EXAMPLE = to_phrase("A lot code is three letters, two or three digits and a check letter, like BRK-47-T.")


def check_letter(body: str) -> str:
    """Return the check letter of three letters and two or three digits, such as "BRK47" or "BRK-47".

    Raises ValueError when `body` is not of that form.
    """
    plain = body.replace("-", "")
    if not re.fullmatch(rf"[{LETTERS}]{{3}}[{DIGITS}]{{2,3}}", plain):
        raise ValueError(f"{body!r} is not three letters and two or three digits of a lot code.")
    values = [CHECK_LETTERS.index(sign) if sign.isalpha() else DIGITS.index(sign) for sign in plain]
    return CHECK_LETTERS[sum(w * v for w, v in zip(_WEIGHTS, values, strict=False)) % len(CHECK_LETTERS)]


def draw_code(rng: random.Random, digits: int = 2) -> str:
    """Return a lot code drawn at random, with two or three digits; whether it is free is the caller's to check."""
    if digits not in (2, 3):
        raise ValueError(f"A lot code has 2 or 3 digits, not {digits}.")
    letters = "".join(rng.choice(LETTERS) for _ in range(3))
    number = "".join(rng.choice(DIGITS) for _ in range(digits))
    return f"{letters}-{number}-{check_letter(letters + number)}"


def read_code(text: str) -> str:
    """Return the lot code in `text` in its one spelling, whatever case, blanks, hyphens or look-alike signs were typed.

    Raises ValueError with a sentence that names the sign that cannot be right, or says that the check letter does not fit.
    """
    signs = _plain_signs(text)
    if len(signs) not in (6, 7):
        raise ValueError(
            phrase("{example} This has {number} signs.", example=phrase(_EXAMPLE), number=len(signs))
        )
    last = len(signs) - 1
    read = []
    for place, sign in enumerate(signs):
        name = _LAST if place == last else _PLACES[place]
        if 3 <= place < last:
            read.append(_read_digit(sign, name))
        else:
            read.append(_read_letter(sign, name, LETTERS if place < 3 else CHECK_LETTERS))
    body, check = "".join(read[:-1]), read[-1]
    code = f"{body[:3]}-{body[3:]}-{check}"
    if check_letter(body) != check:
        raise ValueError(
            phrase(
                "{code} is not a lot code: the check letter does not fit, so a sign is wrong or two are swapped. Look at the "
                "tag again.",
                code=code,
            )
        )
    return code


def draw_blind_code(rng: random.Random) -> str:
    """Return a blind code: a letter and a digit that say nothing of treatment or order, like "K7"."""
    return rng.choice(LETTERS) + rng.choice(DIGITS)


def draw_blind_codes(rng: random.Random, n: int) -> list[str]:
    """Return `n` different blind codes in random order; a second digit is added when 160 are too few."""
    pool = [letter + digit for letter in LETTERS for digit in DIGITS]
    if n > len(pool):
        pool = [code + digit for code in pool for digit in DIGITS]
    if not 0 <= n <= len(pool):
        raise ValueError(f"Between 0 and {len(pool)} blind codes can be drawn at once, not {n}.")
    return rng.sample(pool, n)


def draw_tag(rng: random.Random) -> str:
    """Return a tag for a laboratory sample: five digits that mean nothing and a check digit, none of them 0 or 1."""
    number = "".join(rng.choice(DIGITS) for _ in range(5))
    return number + tag_check_digit(number)


def tag_check_digit(number: str) -> str:
    """Return the check digit of a tag's five digits 2 to 9. Raises ValueError for anything else."""
    if not re.fullmatch(rf"[{DIGITS}]{{5}}", number):
        raise ValueError(f"{number!r} is not five digits from 2 to 9.")
    # Place i weighs x^(i+1) and the check digit 1: six different elements of the field of eight.
    total = 0
    for sign in reversed(number):
        total = _times_x(total ^ DIGITS.index(sign))
    return DIGITS[total]


def read_tag(text: str) -> str:
    """Return the tag in `text` as six digits, blanks and look-alike signs mended. Raises ValueError with a sentence."""
    signs = _plain_signs(text)
    if len(signs) != 6:
        raise ValueError(phrase("A tag has six digits. This has {number} signs.", number=len(signs)))
    tag = "".join(_read_digit(sign, _PLACES[place]) for place, sign in enumerate(signs))
    if tag_check_digit(tag[:5]) != tag[5]:
        raise ValueError(
            phrase(
                "{tag} is not a tag: its check digit does not fit, so a digit is wrong or two are swapped.",
                tag=tag,
            )
        )
    return tag


def _times_x(element: int) -> int:
    """The element of the field of eight (three bits, x^3 = x + 1) multiplied by x."""
    doubled = element << 1
    return doubled ^ 0b1011 if doubled & 0b1000 else doubled


def _plain_signs(text: str) -> str:
    """The signs of a code in capitals, without blanks, dots or any kind of hyphen."""
    if len(text) > LONGEST_TEXT:
        raise ValueError(phrase("That is too long to be a code."))
    folded = unicodedata.normalize("NFKC", text).upper()
    kept = (sign for sign in folded if unicodedata.category(sign)[0] not in "ZC" and sign not in "._\u2212")
    return "".join(sign for sign in kept if unicodedata.category(sign) != "Pd")


def _read_letter(sign: str, name: str, allowed: str) -> str:
    letter = _LETTER_FOR_DIGIT.get(sign, sign)
    if letter not in allowed:
        raise ValueError(
            phrase(
                "The {place} sign should be a letter of a lot code, not “{sign}”. {example}",
                place=phrase(name),
                sign=sign,
                example=phrase(_EXAMPLE),
            )
        )
    return letter


def _read_digit(sign: str, name: str) -> str:
    digit = _DIGIT_FOR_LETTER.get(sign, sign)
    if digit not in DIGITS:
        raise ValueError(
            phrase(
                "The {place} sign should be a digit from 2 to 9, not “{sign}”.", place=phrase(name), sign=sign
            )
        )
    return digit
