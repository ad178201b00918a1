from prospecting.kept_results import kept_result


def test_makes_a_result_once_for_what_it_is_made_from(settings, tmp_path):
    settings.CACHES = settings.CACHES | {"results": settings.CACHES["results"] | {"LOCATION": tmp_path}}
    made = []

    def make() -> str:
        made.append(1)
        return f"made {len(made)}"

    assert kept_result("verdict", ("a1", "lb"), make) == "made 1"
    assert kept_result("verdict", ("a1", "lb"), make) == "made 1"
    assert kept_result("verdict", ("a1", "kg"), make) == "made 2"
    assert kept_result("doses", ("a1", "lb"), make) == "made 3"
    assert len(made) == 3
