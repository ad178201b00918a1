"""A long certificate beside pans: every line is looked at, however many there are."""

from decimal import Decimal

from prospecting.frames.certificates import LOTS_AT_ONCE, Panned, pan_questions
from prospecting.models import Lot, Sample


def test_a_slip_after_the_first_five_hundred_lines_is_asked_about():
    samples = [Sample(tag=f"T{n}", lot=Lot(pk=n)) for n in range(1, LOTS_AT_ONCE + 2)]
    read = [(sample, Decimal("4.0")) for sample in samples[:-1]] + [(samples[-1], Decimal(4000))]
    asked = []

    def pans_of(lots):
        asked.append(len(lots))
        return {lot.pk: Panned(Decimal(2), is_same=True) for lot in lots}

    (question,) = pan_questions("what was typed", read, "g_per_t", pans_of)
    assert f"T{LOTS_AT_ONCE + 1} 4000 g/t where pans gave 2.0 g/t. As printed" in question
    assert asked == [LOTS_AT_ONCE, 1]
