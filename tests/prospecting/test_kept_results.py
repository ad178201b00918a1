import pytest

from prospecting.kept_results import kept_result, kept_results


@pytest.fixture(autouse=True)
def store(settings, tmp_path):
    settings.CACHES = settings.CACHES | {"results": settings.CACHES["results"] | {"LOCATION": tmp_path}}


def test_makes_a_result_once_for_what_it_is_made_from():
    made = []

    def make() -> str:
        made.append(1)
        return f"made {len(made)}"

    assert kept_result("verdict", ("a1", "lb"), make) == "made 1"
    assert kept_result("verdict", ("a1", "lb"), make) == "made 1"
    assert kept_result("verdict", ("a1", "kg"), make) == "made 2"
    assert kept_result("doses", ("a1", "lb"), make) == "made 3"
    assert len(made) == 3


def test_asks_for_all_that_are_missing_at_once_and_for_nothing_else():
    asked = []

    def make(missing: list[int]) -> dict[int, str | None]:
        asked.append(missing)
        return {key: None if key == 2 else f"made {key}" for key in missing}

    first = {1: ("a",), 2: ("b",)}
    assert kept_results("tried", first, make) == {1: "made 1", 2: None}
    assert kept_results("tried", first | {1: ("changed",), 3: ("c",)}, make) == {
        1: "made 1",
        2: None,
        3: "made 3",
    }
    assert kept_results("tried", first, make) == {1: "made 1", 2: None}
    assert kept_results("tried", {}, make) == {}
    assert asked == [[1, 2], [1, 3]]
