"""Pans put into places by eye: the order they are shown in, and several judges' places made one. Plain Python."""

from collections.abc import Hashable, Mapping, Sequence
from fractions import Fraction
from itertools import combinations

from prospecting.calc.language import phrase, to_phrase

Places = Mapping[Hashable, int]


def pan_order(codes: Sequence[str], block: int, judge: int) -> list[str]:
    """Return the codes in the order in which this judge is shown this block's pans: another one for each judge and block.

    Parameters
    ----------
    codes : sequence of str
    block, judge : int
        Numbers that only tell blocks and judges apart.

    Notes
    -----
    Sorted by a 32-bit FNV-1a hash [1]_ of "code|block|judge", its bits stirred once more [2]_: without that some orders come
    ten times as often as others. It knows neither the trial's seed nor its treatments, and the judging page's script reckons
    the same, so the order stands without a signal too.

    .. [1] Fowler, Noll and Vo; offset basis 2166136261, prime 16777619 (IETF draft "The FNV Non-Cryptographic Hash
       Algorithm", from memory; the tests hold it to the draft's published values).
    .. [2] Appleby, MurmurHash3, 32-bit finalizer (public domain; constants from memory).

    >>> pan_order(["K7", "M4", "P2"], block=3, judge=5) == pan_order(["P2", "K7", "M4"], block=3, judge=5)
    True
    """
    return sorted(codes, key=lambda code: (_stirred(fnv1a(f"{code}|{block}|{judge}")), code))


def fnv1a(text: str) -> int:
    """Return the 32-bit FNV-1a hash of a text's UTF-8 bytes.

    >>> hex(fnv1a("a"))
    '0xe40c292c'
    """
    value = 2166136261
    for byte in text.encode():
        value = (value ^ byte) * 16777619 % 2**32
    return value


def ordinal(place: int) -> str:
    """Write a place as it is spoken of.

    >>> [ordinal(place) for place in (1, 2, 3, 4, 11, 22)]
    ['1st', '2nd', '3rd', '4th', '11th', '22nd']
    """
    written = {1: to_phrase("{place}st"), 2: to_phrase("{place}nd"), 3: to_phrase("{place}rd")}
    other = to_phrase("{place}th")
    return phrase(other if 10 < place % 100 < 14 else written.get(place % 10, other), place=place)


def in_steps(places: Places) -> dict[Hashable, int]:
    """Return the same order in places without gaps: 1, 2, 2, 4 and 1, 2, 2, 3 say the same.

    >>> in_steps({"K7": 1, "M4": 2, "P2": 2, "R9": 4})
    {'K7': 1, 'M4': 2, 'P2': 2, 'R9': 3}
    """
    steps = {place: number for number, place in enumerate(sorted(set(places.values())), 1)}
    return {pan: steps[place] for pan, place in places.items()}


def mean_places(judgings: Sequence[Places]) -> dict[Hashable, float]:
    """Return each pan's place averaged over the judges of one block; pans alike share the mean of the places they take.

    Parameters
    ----------
    judgings : sequence of mappings from pan to place, 1 for most gold
        One per judge. Only pans that every judge placed come back, placed anew among themselves.

    >>> mean_places([{"K7": 1, "M4": 2, "P2": 2}, {"K7": 2, "M4": 1, "P2": 3}])
    {'K7': 1.5, 'M4': 1.75, 'P2': 2.75}
    """
    if not judgings:
        return {}
    shared = [pan for pan in judgings[0] if all(pan in places for places in judgings)]
    ranked = [_shared_ranks({pan: places[pan] for pan in shared}) for places in judgings]
    # Fractions: two pans with the same places from different judges are alike to the last digit.
    return {pan: float(sum(ranks[pan] for ranks in ranked) / len(ranked)) for pan in shared}


def opposite_pairs(one: Places, other: Places) -> tuple[int, int]:
    """Return of how many pairs of pans two judges said the same, and of how many the opposite; pairs alike to one are neither.

    >>> opposite_pairs({"K7": 1, "M4": 2, "P2": 3}, {"K7": 3, "M4": 2, "P2": 2})
    (0, 2)
    """
    same = opposite = 0
    for first, second in combinations([pan for pan in one if pan in other], 2):
        sides = (one[first] - one[second]) * (other[first] - other[second])
        same += sides > 0
        opposite += sides < 0
    return same, opposite


def _stirred(value: int) -> int:
    value = (value ^ value >> 16) * 0x85EBCA6B % 2**32
    value = (value ^ value >> 13) * 0xC2B2AE35 % 2**32
    return value ^ value >> 16


def _shared_ranks(places: Places) -> dict[Hashable, Fraction]:
    taken = list(places.values())
    return {
        pan: Fraction(2 * sum(other < place for other in taken) + taken.count(place) + 1, 2)
        for pan, place in places.items()
    }
