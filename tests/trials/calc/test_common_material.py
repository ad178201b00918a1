import pytest

from trials.calc.common_material import Kinds, Link, Materials, Part, covered_share

KINDS = Kinds(alike=("dry", "crush", "split", "cut", "assay"), sorting=("screen",), recovering=("recover",))


def test_what_is_dried_crushed_and_split_stays_the_material_it_was():
    books = Materials([Link(2, "dry", 1, 900), Link(3, "crush", 2, 890), Link(4, "assay", 3, 400)], KINDS)
    assert [books.of(lot) for lot in (1, 2, 3, 4)] == [1, 1, 1, 1]


def test_a_blend_a_fraction_and_a_dig_begin_a_material():
    books = Materials([Link(3, "blend", 1, 500), Link(3, "blend", 2, 500), Link(4, "screen", 3, 900)], KINDS)
    assert [books.of(lot) for lot in (1, 3, 4)] == [1, 3, 4]


def test_nothing_behind_a_recovery_is_material_of_the_ground():
    books = Materials([Link(2, "recover", 1, 500), Link(3, "assay", 2, 100)], KINDS)
    assert books.of(2) is None and books.of(3) is None


def test_shares_follow_the_masses_through_several_blends():
    links = [
        Link(10, "blend", 1, 300),
        Link(10, "blend", 2, 100),
        Link(11, "crush", 10, 380),
        Link(20, "blend", 11, 100),
        Link(20, "blend", 3, 100),
    ]
    books = Materials(links, KINDS)
    # 3/4 of half from lot 1, half from lot 3; lot 2 is not known, so an eighth is missing.
    parts = books.parts(20, {1, 3})
    assert parts == [Part(1, pytest.approx(0.375)), Part(3, pytest.approx(0.5))]
    assert covered_share(parts) == pytest.approx(0.875)


def test_behind_a_known_material_nothing_is_looked_for():
    books = Materials([Link(10, "blend", 1, 300), Link(10, "blend", 2, 100)], KINDS)
    assert books.parts(10, {1, 10}) == [Part(10, 1.0)]
    assert books.parts(10, set()) == []


def test_a_screen_on_the_way_is_told():
    books = Materials([Link(2, "screen", 1, 900)], KINDS)
    assert books.parts(2, {1}) == [Part(1, 1.0, is_sorted=True)]


def test_a_long_line_does_not_run_out_of_stack():
    books = Materials([Link(lot + 1, "crush", lot, 1.0) for lot in range(1, 5000)], KINDS)
    assert books.of(5000) == 1


def test_what_came_out_of_a_recovery_is_no_part_of_what_it_went_into():
    # 300 g of lot 1, and 100 g of tails (lot 2) that a recovery left of lot 3.
    links = [Link(10, "blend", 1, 300.0), Link(10, "blend", 2, 100.0), Link(2, "recover", 3, 500.0)]
    assert Materials(links, KINDS).parts(10, {1, 3}) == [Part(1, 0.75, False)]


def test_parts_of_no_mass_have_no_share():
    links = [Link(10, "blend", 1, 0.0), Link(10, "blend", 2, 0.0)]
    assert Materials(links, KINDS).parts(10, {1, 2}) == []
