import pytest

from prospecting.calc.number_words import (
    APART,
    COMMA,
    POINT,
    as_written,
    count_phrase,
    decimal_mark,
    in_mark,
    in_sentence,
    listed,
    marked,
    number_word,
    numeral,
    unmarked,
    write_with,
)


@pytest.mark.parametrize(("number", "word"), [(0, "no"), (1, "one"), (12, "twelve"), (13, "13"), (-1, "-1")])
def test_small_counts_are_words(number, word):
    assert number_word(number) == word


def test_a_count_has_its_noun():
    assert count_phrase("{number} run", "{number} runs", 1) == "one run"
    assert count_phrase("{number} run", "{number} runs", 2) == "two runs"
    assert count_phrase("{number} entry", "{number} entries", 20) == "20 entries"


@pytest.mark.parametrize(
    ("parts", "said"), [([], ""), (["a"], "a"), (["a", "b"], "a and b"), (["a", "b", "c"], "a, b and c")]
)
def test_parts_are_joined_as_in_a_sentence(parts, said):
    assert listed(parts) == said


def test_figures_have_a_point_unless_their_reader_chose():
    assert numeral(1234.5, ",.2f") == "1,234.50"
    assert decimal_mark() == POINT


def test_figures_have_the_readers_comma_and_a_narrow_space_between_thousands():
    with marked(COMMA):
        assert numeral(1234567.25, ",.2f") == f"1{APART}234{APART}567,25"
        assert numeral(-0.5) == "-0,5"
        assert in_mark("12") == "12"


def test_what_is_kept_is_made_with_points_whoever_reads():
    @as_written()
    def kept() -> str:
        return numeral(0.5)

    with marked(COMMA):
        assert kept() == "0.5"
        with as_written():
            assert numeral(0.5) == "0.5"
        assert numeral(0.5) == "0,5"


def test_the_mark_ends_with_what_was_made_for_its_reader():
    with pytest.raises(ZeroDivisionError), marked(COMMA):
        raise ZeroDivisionError
    assert numeral(0.5) == "0.5"
    with as_written():
        write_with(COMMA)
        assert numeral(0.5) == "0,5"
    assert numeral(0.5) == "0.5"


@pytest.mark.parametrize("mark", ["", ";", ",,", None])
def test_there_is_no_other_mark(mark):
    with pytest.raises(ValueError, match="no decimal mark"), marked(mark):
        pass


@pytest.mark.parametrize(
    ("ready", "read"),
    [
        ("0.4 mL/L. Gal is the US gallon.", "0,4 mL/L. Gal is the US gallon."),
        ("1, 2 or 3.5", "1, 2 or 3,5"),
        ("12,5 lb", "12,5 lb"),
        ("no figure.", "no figure."),
    ],
)
def test_a_sentence_that_stands_ready_gets_its_readers_mark(ready, read):
    with marked(COMMA):
        assert in_sentence(ready) == read
    assert in_sentence(ready) == ready


def test_a_sentence_made_for_a_reader_is_kept_with_points():
    with marked(COMMA):
        assert (
            unmarked(f"{numeral(1234.5, ',')} times, in 2, 3 or 4 blocks.")
            == "1,234.5 times, in 2, 3 or 4 blocks."
        )
    assert unmarked("1,234.5 times") == "1,234.5 times"
