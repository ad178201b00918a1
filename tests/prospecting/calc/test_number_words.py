import pytest

from prospecting.calc.number_words import counted, listed, number_word


@pytest.mark.parametrize(("number", "word"), [(0, "no"), (1, "one"), (12, "twelve"), (13, "13"), (-1, "-1")])
def test_small_counts_are_words(number, word):
    assert number_word(number) == word


def test_a_count_has_its_noun():
    assert counted(1, "run") == "one run"
    assert counted(2, "run") == "two runs"
    assert counted(20, "entry", "entries") == "20 entries"


@pytest.mark.parametrize(
    ("parts", "said"), [([], ""), (["a"], "a"), (["a", "b"], "a and b"), (["a", "b", "c"], "a, b and c")]
)
def test_parts_are_joined_as_in_a_sentence(parts, said):
    assert listed(parts) == said
