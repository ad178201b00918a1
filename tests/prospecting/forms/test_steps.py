"""What is typed becomes masses and sizes, or a sentence beside its field; nothing here touches the books."""

import datetime
import uuid
from decimal import Decimal

import pytest

from prospecting.actions.refusal import Refused
from prospecting.forms.lots import FindForm
from prospecting.forms.steps import (
    BlendForm,
    CrushForm,
    CutEqualForm,
    CutMeasuredForm,
    ReweighForm,
    ScreenForm,
    SplitForm,
    read_size,
    typed_size,
)
from prospecting.models import Lot, Member, Step
from tests import make

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
        "takes_all": True,
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


class TestMeasuredPortions:
    def fill(self, **typed) -> CutMeasuredForm:
        whole = {"measure": "250 mL", "weighed_volume": "1250", "weighed_mass": "2 kg", "number": "6"}
        return fill(CutMeasuredForm, method="riffle", **(whole | typed))

    def test_weigh_volume_times_bulk_density(self):
        # 2000 g in 1250 mL is 1.6 g/mL; 250 mL of it weigh 400 g.
        form = self.fill()
        assert form.is_valid(), form.errors
        assert (
            form.portions()
            == [{"mass_g": Decimal(400), "typed": "250 mL at 1.60 g/mL", "field": "measure"}] * 6
        )
        assert (form.taken()["mass_g"], form.taken()["typed"]) == (2400, "6 x 250 mL at 1.60 g/mL")
        details = form.details()
        assert (details["measure_ml"], details["bulk_density_g_per_ml"]) == (250, Decimal("1.6"))

    def test_a_cup_is_a_measure_too_and_its_text_fits(self):
        # A US cup is 236.5882365 mL (NIST Handbook 44, appendix C).
        form = self.fill(measure="1 1/2 cups", weighed_volume="1 gal", weighed_mass="13.5 lb", number="10")
        assert form.is_valid(), form.errors
        assert form.portions()[0]["mass_g"] == pytest.approx(Decimal("574.06"), abs=Decimal("0.1"))
        assert len(form.taken()["typed"]) <= 40

    @pytest.mark.parametrize(
        ("weighed_volume", "weighed_mass", "says"),
        [("1250", "0.9 kg", "lighter than water"), ("1250", "4 kg", "denser than solid quartz")],
    )
    def test_asks_about_a_density_no_loose_ore_has(self, weighed_volume, weighed_mass, says):
        typed = {"weighed_volume": weighed_volume, "weighed_mass": weighed_mass}
        form = self.fill(**typed)
        assert not form.is_valid()
        assert says in form.guard_asks[0]
        assert self.fill(**typed, keep_as_typed="on").is_valid()

    def test_refuses_a_density_nothing_has(self):
        form = self.fill(weighed_volume="100", weighed_mass="2 kg")
        assert not form.is_valid()
        assert "no ore is" in str(form.errors["weighed_mass"])

    @pytest.mark.parametrize("text", ["", "a cup", "-1", "0", "5 kg", "9" * 40, "1,200", "2 oz", "💥"])
    @pytest.mark.parametrize("field", ["measure", "weighed_volume"])
    def test_a_volume_that_cannot_be_read_is_refused_beside_it_and_kept(self, field, text):
        form = self.fill(**{field: text})
        assert list(form.errors) == [field]
        assert form[field].value() == text


class TestUniformityPortions:
    def fill(self, **typed) -> BlendForm:
        lots = [lot(), Lot(pk=2, code="KLM-22-B", kind="split", mass_g=500, on_hand_g=Decimal(500))]
        return fill(BlendForm, lots=lots, mass_out="10.4", method="rolled", **typed)

    def test_are_cut_only_when_asked_for(self):
        form = self.fill()
        assert form.is_valid(), form.errors
        assert form.uniformity_portions() == []
        form = self.fill(check_number="4", check_mass="454 g")
        assert form.is_valid(), form.errors
        assert [each["mass_g"] for each in form.uniformity_portions()] == [454] * 4

    @pytest.mark.parametrize(
        ("typed", "field"),
        [
            ({"check_number": "4"}, "check_mass"),
            ({"check_mass": "1 lb"}, "check_number"),
            ({"check_number": "13", "check_mass": "1 lb"}, "check_number"),
            ({"check_number": "0", "check_mass": "1 lb"}, "check_number"),
            ({"check_number": "some", "check_mass": "1 lb"}, "check_number"),
            ({"check_number": "4", "check_mass": "lots"}, "check_mass"),
        ],
    )
    def test_need_a_number_and_a_mass_that_can_be(self, typed, field):
        form = self.fill(**typed)
        assert list(form.errors) == [field]
        assert any(fold.is_open for fold in form.folds())


class TestReweighReason:
    def fill(self, **typed) -> ReweighForm:
        return fill(ReweighForm, mass="9.7", **typed)

    @pytest.mark.parametrize(
        ("typed", "reason"),
        [
            ({"reason": "dried"}, "It dried out"),
            ({"reason": "spilled", "loss_reason": "on the road"}, "Some was spilled or lost: on the road"),
            ({"reason": "other", "loss_reason": "mice"}, "mice"),
        ],
    )
    def test_is_a_tick_and_words(self, typed, reason):
        form = self.fill(**typed)
        assert form.is_valid(), form.errors
        assert form.details()["loss_reason"] == reason

    @pytest.mark.parametrize(
        ("typed", "field"),
        [
            ({}, "reason"),
            ({"reason": "magic"}, "reason"),
            ({"reason": "other"}, "loss_reason"),
            ({"reason": "dried", "loss_reason": "x" * 151}, "loss_reason"),
        ],
    )
    def test_cannot_be_left_out(self, typed, field):
        assert list(self.fill(**typed).errors) == [field]

    def test_an_earlier_weight_that_was_wrong_leads_to_its_correction(self):
        form = self.fill(reason="wrong")
        assert list(form.errors) == ["reason"]
        assert form.correct_beside == "reason"

    def test_a_gain_leads_there_too(self):
        form = self.fill(reason="dried")
        assert form.is_valid()
        assert form.correct_beside == ""
        form.add_refusal(Refused("Too much.", code="gain", field="mass"))
        assert form.correct_beside == "mass"


class TestLikeAnEarlierStep:
    def step(self, **fields) -> Step:
        return Step(
            pk=7,
            kind="crush",
            done_on=datetime.date(2026, 5, 2),
            people="Ada and Ben",
            machine="jaw",
            passes=3,
            loss_reason="spilled",
            note="wet",
            **fields,
        )

    def test_takes_over_what_stays_the_same_and_no_mass(self):
        sized = {"target_size_um": Decimal(833), "mesh_series": "tyler", "mesh_number": 20}
        form = CrushForm(member=member(), lot=lot(), like=self.step(**sized))
        shown = {field.name: field.value() for field in form.shown_fields()}
        assert shown == {
            "mass": None,
            "machine": "jaw",
            "passes": 3,
            "size": "20 mesh",
            "mesh_series": "tyler",
            "mass_out": None,
            "done_on": datetime.date(2026, 5, 2),
            "people": "Ada and Ben",
            "loss_reason": None,
            "note": None,
        }

    @pytest.mark.parametrize(("um", "text"), [("850.0", "850 µm"), ("6350", "6350 µm"), ("74.5", "74.5 µm")])
    def test_a_size_without_a_sieve_number_reads_back_the_same(self, um, text):
        assert typed_size(self.step(target_size_um=Decimal(um))) == text
        assert read_size(text, "astm_e11").opening_um == Decimal(um)

    def test_an_empty_form_folds_away_what_is_seldom_needed(self):
        form = CrushForm(member=member(), lot=lot())
        first = [field.name for field in form.first_fields()]
        assert first == ["mass", "machine", "passes", "size", "mesh_series", "mass_out"]
        (fold,) = form.folds()
        assert ([field.name for field in fold.fields], fold.is_open) == (
            ["done_on", "people", "loss_reason", "note"],
            False,
        )
        (fold,) = crush(note="belt slipped").folds()
        assert fold.is_open


@pytest.mark.parametrize("text", ["", "   ", "BRK", "BRK-47-Z", "x" * 200, "💥", "BRK\0"])
def test_code_that_cannot_be_is_refused_with_a_sentence(text):
    form = FindForm({"code": text})
    assert not form.is_valid()
    assert form.errors["code"]


def test_a_form_sent_back_writes_its_day_in_words(db):
    lot = make.make_lot()
    data = {"done_on": "2026-05-04", "people": "Ada", "mass_out": "nonsense", "identity": str(uuid.uuid4())}
    form = CrushForm(data, member=make.make_member(), lot=lot)
    assert not form.is_valid()
    assert form.folds()[0].summary.startswith("4 May 2026, Ada")
