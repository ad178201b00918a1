import re
import time
from decimal import Decimal

import pytest
import segno

from prospecting.calc.label_sheets import TAPES, USUAL_SHEETS, LabelSheet, Paper, tape_sheet
from prospecting.charts.tags import (
    QUIET_MODULES,
    TagWords,
    draw_sheets,
    draw_tag,
    square_path,
    stripe_paths,
    tag_words,
)
from prospecting.models import Lot
from tests.make import make_blend, make_lot, make_portions, make_zone

ADDRESS = "HTTPS://GOLD.EXAMPLE.ORG/LOTS/BRK-47-T/"


def words(**fields) -> TagWords:
    plain = {
        "code": "BRK-47-",
        "check": "T",
        "address": ADDRESS,
        "kind": "Portion 7",
        "mass": "454 g",
        "day": "3 May 2026",
        "zone": "North face",
        "stripe": "a",
        "is_marked": False,
    }
    return TagWords(**(plain | fields))


class TestSquare:
    @pytest.mark.parametrize(
        ("signs", "version"),
        # ISO/IEC 18004, table of capacities, alphanumeric mode, level Q: 29 signs in version 2, 47 in 3, 67 in 4 (from memory).
        [(29, 2), (30, 3), (47, 3), (48, 4), (67, 4), (68, 5)],
    )
    def test_is_as_small_as_the_standard_lets_level_q_be(self, signs, version):
        path, modules = square_path("A" * signs)
        # The same standard: 17 + 4 x version modules on a side, and four light ones around.
        assert modules == 17 + 4 * version + 2 * QUIET_MODULES
        assert QUIET_MODULES == 4

    def test_capitals_save_a_version(self):
        assert square_path(ADDRESS)[1] < square_path(ADDRESS.lower())[1]

    def test_level_h_is_taken_where_it_is_free(self):
        # Version 3, level H: 35 signs; level Q alone would do with as large a square.
        assert segno.make("A" * 35, error="q", micro=False).designator == "3-H"
        assert segno.make("A" * 36, error="q", micro=False).designator == "3-Q"

    def test_path_has_exactly_the_dark_modules(self):
        path, modules = square_path(ADDRESS)
        dark = set()
        for x, y, wide, back in re.findall(r"M(\d+) (\d+)h(\d+)v1H(\d+)z", path):
            assert x == back
            dark |= {(int(x) + step, int(y)) for step in range(int(wide))}
        matrix = segno.make(ADDRESS, error="q", micro=False).matrix
        assert dark == {
            (x + 4, y + 4) for y, row in enumerate(matrix) for x, module in enumerate(row) if module
        }
        assert re.sub(r"M\d+ \d+h\d+v1H\d+z", "", path) == ""
        assert all(4 <= place < modules - 4 for module in dark for place in module)


LABELS = [*USUAL_SHEETS, *map(tape_sheet, TAPES.values())] + [
    LabelSheet(Paper("a4", Decimal(210), Decimal(297)), 1, 1, Decimal(width), Decimal(height))
    for width, height in [(25, 12), (25, 100), (60, 50), (200, 290), (200, 12)]
]


@pytest.mark.parametrize("sheet", LABELS, ids=str)
@pytest.mark.parametrize("marked", [False, True])
def test_everything_lies_on_its_label(sheet, marked):
    tag = draw_tag(
        words(is_marked=marked, zone="A zone with rather a long name, " * 3), sheet, (Decimal(3), Decimal(5))
    )
    width, height = 100 * float(sheet.width_mm), 100 * float(sheet.height_mm)
    side = float(tag.module) * square_path(ADDRESS)[1]
    assert int(tag.square_x) >= 0
    assert int(tag.square_x) + side <= width
    assert int(tag.square_y) >= 0
    assert int(tag.square_y) + side <= height + 1
    baselines = [int(line.y) for line in [tag.code, *tag.lines]]
    assert baselines == sorted(baselines)
    for line in [tag.code, *tag.lines]:
        # Capitals are about three quarters of the size they are set in.
        assert 0.75 * int(line.size) <= int(line.y) <= height
        assert 0 < int(line.x) <= int(line.text_x) < width
    assert int(tag.stripe_x) + int(tag.stripe_width) <= width
    assert int(tag.stripe_y) + int(tag.stripe_height) <= height
    assert any("MARKED" in line.text for line in tag.lines if line.sign) == marked


def test_modules_are_coarse_enough_for_a_phone_on_the_narrowest_tape():
    # 0.25 mm is three dots of a 300 dpi printer; common practice, no source.
    tag = draw_tag(words(), tape_sheet(TAPES[12]), (Decimal(0), Decimal(0)))
    assert float(tag.module) >= 25


def test_a_name_too_long_is_cut_short_and_says_so():
    tag = draw_tag(words(zone="x" * 80), tape_sheet(TAPES[12]), (Decimal(0), Decimal(0)))
    assert re.fullmatch(r"x{5,60}…", tag.lines[-1].text)


def test_day_and_mass_are_never_cut_short():
    for sheet in LABELS:
        tag = draw_tag(words(mass="22.49 lb", day="30 Sep 2026"), sheet, (Decimal(0), Decimal(0)))
        said = " ".join(line.text for line in tag.lines)
        assert "22.49 lb" in said
        if sheet.height_mm >= 18:
            assert "30 Sep 2026" in said


def test_labels_before_the_first_free_one_stay_free():
    sheet = USUAL_SHEETS[3]
    drawn = draw_sheets([words()] * 30, sheet, first_label=20)
    assert [len(page.tags) for page in drawn] == [5, 24, 1]
    x, y = sheet.places()[19]
    assert (drawn[0].tags[0].x, drawn[0].tags[0].y) == (f"{100 * x:.0f}", f"{100 * y:.0f}")
    assert (drawn[1].tags[0].x, drawn[1].tags[0].y) == ("0", "50")


def test_every_stripe_has_a_path_of_its_own():
    names = {"a", "b", "c", "d", "e", "f", "g", "h", "mixed"}
    paths = stripe_paths(names | {"none"})
    assert set(paths) == names
    assert len(set(paths.values())) == len(names)


@pytest.mark.django_db
class TestWords:
    def said(self, lot: Lot, zones=("North face",), unit="kg") -> TagWords:
        return tag_words(lot, zones=zones, address="https://gold.example/LOTS/X/", mass_unit=unit)

    def test_of_a_bucket(self):
        lot = make_lot("10200", title="north face", zone=make_zone(stripe="c"))
        said = self.said(lot, unit="lb")
        assert said.code + said.check == lot.code
        assert said.address == "HTTPS://GOLD.EXAMPLE/LOTS/X/"
        assert said.kind == f"Bucket, dig {lot.made_by.dig.pk}, north face"
        assert (said.mass, said.day, said.stripe, said.zone) == ("22.49 lb", "3 May 2026", "c", "North face")
        assert not said.is_marked

    def test_of_a_portion_of_several_zones(self):
        blend = make_blend((make_lot("5000"), "5000"), (make_lot("5000"), "5000"))
        portion = make_portions(blend, 3)[1]
        portion.is_marked = True
        # Its mass when made, though it has been panned since.
        portion.on_hand_g = 0
        said = self.said(portion, zones=["Creek", "North face"])
        assert said.kind == f"Portion 2 of {blend.code}"
        assert (said.mass, said.zone) == ("0.454 kg", "Mixed: Creek, North face")
        assert (said.stripe, said.is_marked) == ("mixed", True)

    def test_of_a_portion_with_a_name_of_its_own(self):
        portion = make_portions(make_lot("5000"), 2)[0]
        portion.title = "kept back"
        assert self.said(portion).kind == "Portion 1, kept back"

    def test_without_a_known_zone(self):
        assert self.said(make_lot(), zones=[]).zone == "zone not known"


def test_a_hundred_tags_are_drawn_in_well_under_a_second():
    many = [words(address=f"HTTPS://GOLD.EXAMPLE.ORG/LOTS/BRK-{number}-T/") for number in range(100)]
    start = time.process_time()
    draw_sheets(many, USUAL_SHEETS[3])
    assert time.process_time() - start < 1
