"""What is typed becomes masses and sizes, or a sentence beside its field; nothing here touches the books."""

import uuid
from decimal import Decimal

import pytest

from prospecting.forms.lots import FindForm
from prospecting.forms.steps import BlendForm, CrushForm, CutEqualForm, ScreenForm, SplitForm, read_size
from prospecting.models import Lot, Member

COMMON = {"done_on": "2026-05-03", "people": "A. Digger"}


def member(unit: str = "kg") -> Member:
    return Member(pk=1, username="pat", mass_unit=unit)


def lot(on_hand_g: str = "10000") -> Lot:
    return Lot(pk=1, code="BRK-47-T", kind="bucket", mass_g=Decimal(on_hand_g), on_hand_g=Decimal(on_hand_g))


def fill(form_class, unit: str = "kg", on_hand_g: str = "10000", **typed):
    data = COMMON | {"identity": str(uuid.uuid4())} | typed
    more = {"lots": typed.pop("lots")} if "lots" in typed else {}
    data.pop("lots", None)
    if form_class is SplitForm:
        more["pieces"] = 2
    return form_class(data, member=member(unit), **({"lot": lot(on_hand_g)} | more))


def crush(unit: str = "kg", on_hand_g: str = "10000", **typed) -> CrushForm:
    whole = {"mass_out": "10", "size": "20 mesh", "mesh_series": "astm_e11", "machine": "jaw"}
    return fill(CrushForm, unit, on_hand_g, **(whole | typed))


# Openings: ASTM E11 number 20 is 850 um and 200 is 75 um; Tyler 20 is 833 um (both series as printed in handbook tables,
# from memory). An inch is 25.4 mm by definition.
@pytest.mark.parametrize(
    ("text", "series", "opening_um", "number"),
    [
        ("20 mesh", "astm_e11", "850", 20),
        ("20mesh", "astm_e11", "850", 20),
        ("-20 mesh", "astm_e11", "850", 20),
        ("minus 200 Mesh", "astm_e11", "75", 200),
        ("#20", "astm_e11", "850", 20),
        ("20 mesh", "tyler", "833", 20),
        ("٢٠ mesh", "astm_e11", "850", 20),
        ("0.85 mm", "tyler", "850", None),
        ("0,85 mm", "astm_e11", "850", None),
        ("850 µm", "astm_e11", "850", None),
        ("1/4 in", "astm_e11", "6350", None),
    ],
)
def test_size_is_read_as_the_trade_writes_it(text, series, opening_um, number):
    size = read_size(text, series)
    assert (size.opening_um, size.mesh_number) == (Decimal(opening_um), number)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("20", "of what?"),
        ("21 mesh", "Known:"),
        ("0 mesh", "above zero"),
        ("mesh", "no number"),
        ("twenty mesh", "no number"),
        ("1e3 mesh", "powers of ten"),
        ("9" * 30 + " mesh", "Known:"),
        ("-1 mm", "negative"),
        ("2 kg", "mass"),
        ("0.00001 µm", "finer"),
        ("200 m", "100 m"),
    ],
)
def test_size_that_cannot_be_is_refused_with_a_sentence(text, says):
    with pytest.raises(ValueError, match=says):
        read_size(text, "astm_e11")


def test_blank_mass_is_all_on_hand():
    form = crush()
    assert form.is_valid(), form.errors
    assert form.draw() == {
        "lot": form.lot,
        "mass_g": Decimal(10000),
        "typed": "all, 10 kg",
        "field": "mass",
    }
    assert form.details()["mesh_number"] == 20


def test_masses_are_in_the_members_unit_and_kept_as_typed():
    form = crush(unit="lb", mass="22 lb", mass_out="21.9")
    assert form.is_valid(), form.errors
    # 1 lb is 453.59237 g by definition (NIST Handbook 44, appendix C).
    assert form.draw()["mass_g"] == Decimal("9979.03214")
    assert form.made("mass_out") == {
        "mass_g": Decimal("9933.67290"),
        "typed": "21.9 lb",
        "field": "mass_out",
    }


@pytest.mark.parametrize(
    "text",
    ["abc", "-3", "0", "1e9", "9" * 24, "1,200", "3 L", "5 ton", "5 oz", "1 mesh", "…", "0.000000001 g"],
)
def test_mass_that_cannot_be_read_is_refused_beside_its_field_and_kept(text):
    form = crush(mass_out=text)
    assert not form.is_valid()
    assert list(form.errors) == ["mass_out"]
    assert form["mass_out"].value() == text


@pytest.mark.parametrize(
    ("text", "mass_g"), [("9,5", "9500"), ("٩٫٥", "9500"), ("9.5 kg", "9500"), ("21 lb", "9525.43977")]
)
def test_mass_is_read_however_it_is_written(text, mass_g):
    form = crush(mass_out=text)
    assert form.is_valid(), form.errors
    assert form.made("mass_out")["mass_g"] == Decimal(mass_g)


class TestGuard:
    def test_asks_when_ten_times_less_came_out(self):
        form = crush(mass_out="0.98")
        assert not form.is_valid()
        assert len(form.guard_asks) == 1
        assert "10 times less" in form.guard_asks[0]

    def test_is_content_once_told_to_keep_it(self):
        assert crush(mass_out="0.98", keep_as_typed="on").is_valid()

    def test_asks_when_grams_were_meant_for_what_went_in(self):
        form = crush(mass="0.9", mass_out="0.9")
        assert not form.is_valid()
        assert form.guard_asks[0].startswith("Mass put in: ")

    def test_speaks_the_members_unit(self):
        form = crush(unit="lb", on_hand_g="9979", mass_out="2")
        assert not form.is_valid()
        assert "2 lb is 11 times less than what was expected (22 lb)" in form.guard_asks[0]

    def test_says_nothing_of_a_used_up_lot_so_that_a_second_sending_reads_like_the_first(self):
        assert crush(on_hand_g="0", mass_out="9.8").is_valid()
        assert crush(on_hand_g="0", mass="9.9", mass_out="9.8").is_valid()

    def test_lets_an_odd_piece_pass_only_when_confirmed(self):
        pieces = {"piece_1": "3", "piece_2": "3", "piece_3": "0.3", "method": "riffle"}
        data = COMMON | {"identity": str(uuid.uuid4())} | pieces
        form = SplitForm(data, member=member(), lot=lot("6300"), pieces=3)
        assert not form.is_valid()
        assert [question.split(":")[0] for question in form.guard_asks] == ["Piece 3"]


def test_screen_needs_one_of_its_two_masses():
    form = fill(ScreenForm, size="20 mesh", mesh_series="astm_e11")
    assert not form.is_valid()
    assert list(form.errors) == ["undersize"]


def test_screen_says_nothing_of_missing_masses_when_one_cannot_be_read():
    form = fill(ScreenForm, size="20 mesh", mesh_series="astm_e11", oversize="much")
    assert list(form.errors) == ["oversize"]


@pytest.mark.parametrize(
    ("number", "says"),
    [("0", "from 1"), ("61", "to 60"), ("-2", "negative"), ("2.5", "whole"), ("many", "no number")],
)
def test_number_of_portions_is_held_within_reason(number, says):
    form = fill(CutEqualForm, number=number, each="0.5", method="riffle")
    assert not form.is_valid()
    assert says in str(form.errors["number"])


def test_portions_together_are_drawn_unless_nothing_is_left():
    form = fill(CutEqualForm, number="٦", each="454 g", method="riffle")
    assert form.is_valid(), form.errors
    assert (form.taken()["mass_g"], form.taken()["typed"]) == (Decimal(2724), "6 x 454 g")
    assert len(form.portions()) == 6
    form = fill(CutEqualForm, on_hand_g="2800", number="6", each="454 g", method="riffle", nothing_left="on")
    assert form.is_valid(), form.errors
    assert form.taken()["mass_g"] == 2800


def test_cut_says_how_many_the_lot_holds():
    # 10 kg hold 22 portions of 1 lb (22 x 453.59 g = 9979 g) and 44 of half a pound.
    help_text = fill(CutEqualForm, unit="lb").fields["number"].help_text
    assert "22 portions of 1 lb or 44 of 1/2 lb" in help_text


def test_blend_puts_each_mass_beside_its_lot():
    first, second = lot(), Lot(pk=2, code="KLM-22-B", kind="split", mass_g=500, on_hand_g=Decimal(500))
    typed = {"mass_BRK-47-T": "much", "mass_KLM-22-B": "", "mass_out": "1", "method": "rolled"}
    form = fill(BlendForm, lots=[first, second], **typed)
    assert list(form.errors) == ["mass_BRK-47-T"]
    typed["mass_BRK-47-T"] = "0.5"
    form = fill(BlendForm, lots=[first, second], **typed)
    assert form.is_valid(), form.errors
    assert [(each["field"], each["mass_g"]) for each in form.draws()] == [
        ("mass_BRK-47-T", Decimal(500)),
        ("mass_KLM-22-B", Decimal(500)),
    ]


@pytest.mark.parametrize("text", ["", "   ", "BRK", "BRK-47-Z", "x" * 200, "💥", "BRK\0"])
def test_code_that_cannot_be_is_refused_with_a_sentence(text):
    form = FindForm({"code": text})
    assert not form.is_valid()
    assert form.errors["code"]
