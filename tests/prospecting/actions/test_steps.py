from decimal import Decimal

import pytest

from prospecting.actions import steps
from prospecting.actions.lots import describe_lot
from prospecting.actions.material import DrawFrom, NewLot, StepDetails, void_step
from prospecting.actions.refusal import Refused
from prospecting.models import JournalEntry, Lot, Step
from tests.make import DAY, make_lot, make_member, make_portions

pytestmark = pytest.mark.django_db


def facts(**details) -> dict:
    return {"recorded_by": make_member(), "done_on": DAY, "details": StepDetails(**details)}


def draw(lot: Lot, mass_g: str) -> DrawFrom:
    return DrawFrom(lot=lot, mass_g=Decimal(mass_g), typed=f"{mass_g} g")


def made(mass_g: str) -> NewLot:
    return NewLot(kind="", mass_g=Decimal(mass_g), typed=f"{mass_g} g")


def test_drying_keeps_the_kind_and_books_the_water():
    lot = make_portions(make_lot("1000"), 1, "1000")[0]
    step = steps.dry_lot(lot=lot, draw=draw(lot, "1000"), dry=made("900"), **facts())
    dried = step.made.get()
    assert (dried.kind, dried.is_dry, dried.portion_number) == (lot.kind, True, 1)
    assert step.loss_g == 100


def test_crushing_sets_the_top_size_and_needs_one():
    lot = make_lot("1000")
    with pytest.raises(Refused) as refusal:
        steps.crush_lot(draw=draw(lot, "1000"), crushed=made("995"), **facts())
    assert refusal.value.code == "size_missing"
    step = steps.crush_lot(draw=draw(lot, "1000"), crushed=made("995"), **facts(target_size_um=Decimal(850)))
    assert (step.made.get().kind, step.made.get().top_size_um) == (Lot.Kind.CRUSHED, 850)


def test_screening_makes_two_lots_and_never_coarser_ones():
    lot = make_lot("1000", top_size_um=Decimal(600))
    step = steps.screen_lot(
        draw=draw(lot, "1000"),
        opening_um=Decimal(850),
        undersize=made("990"),
        oversize=made("5"),
        **facts(),
    )
    under, over = step.made.order_by("pk")
    assert (under.kind, under.top_size_um) == (Lot.Kind.UNDERSIZE, 600)
    assert (over.kind, over.top_size_um) == (Lot.Kind.OVERSIZE, 600)
    assert (step.loss_g, step.target_size_um) == (5, 850)


def test_screening_needs_something_weighed():
    with pytest.raises(Refused) as refusal:
        steps.screen_lot(
            draw=draw(make_lot(), "10"), opening_um=Decimal(850), undersize=None, oversize=None, **facts()
        )
    assert (refusal.value.code, refusal.value.field) == ("nothing_made", "undersize")


@pytest.mark.parametrize("act", ["split", "cut", "blend", "assay"])
def test_splitting_and_mixing_need_their_method(act):
    lot, common = make_lot("1000"), facts()
    acts = {
        "split": lambda: steps.split_lot(draw=draw(lot, "10"), pieces=[made("5"), made("5")], **common),
        "cut": lambda: steps.cut_portions(draw=draw(lot, "10"), portions=[made("10")], **common),
        "blend": lambda: steps.blend_lots(
            draws=[draw(lot, "5"), draw(make_lot(), "5")], blend=made("10"), **common
        ),
        "assay": lambda: steps.take_for_assay(draw=draw(lot, "10"), **common),
    }
    with pytest.raises(Refused) as refusal:
        acts[act]()
    assert (refusal.value.code, refusal.value.field) == ("method_missing", "method")
    assert not Step.objects.exclude(kind="dig").exists()


def test_one_piece_is_no_split_and_one_lot_no_blend():
    lot = make_lot("1000")
    with pytest.raises(Refused) as one_piece:
        steps.split_lot(draw=draw(lot, "10"), pieces=[made("10")], **facts(method="riffle"))
    with pytest.raises(Refused) as one_parent:
        steps.blend_lots(draws=[draw(lot, "10")], blend=made("10"), **facts(method="rolled"))
    assert (one_piece.value.code, one_parent.value.code) == ("one_piece", "one_parent")


class TestUniformity:
    def blend(self, *portions: str, **details) -> Step:
        first, second = make_lot("1000"), make_lot("1000")
        return steps.blend_lots(
            draws=[draw(first, "1000"), draw(second, "1000")],
            blend=made("1990"),
            uniformity=[made(mass_g) for mass_g in portions],
            **facts(method="rolled", passes=40, **details),
        )

    def test_portions_are_cut_at_once_by_the_same_method(self):
        step = self.blend("50", "50", "50")
        blend = step.made.get()
        cut = Step.objects.get(kind="cut")
        assert (step.kind, step.loss_g, blend.on_hand_g) == ("blend", 10, 1840)
        assert (cut.method, cut.draws.get().mass_g, cut.draws.get().mass_typed) == ("rolled", 150, "3 x 50 g")
        titles = [lot.title for lot in cut.made.order_by("portion_number")]
        assert titles == [f"uniformity portion {number} of {blend.code}" for number in (1, 2, 3)]
        assert {lot.kind for lot in cut.made.all()} == {Lot.Kind.PORTION}

    def test_none_asked_for_cuts_none(self):
        assert self.blend().made.get().on_hand_g == 1990
        assert not Step.objects.filter(kind="cut").exists()

    def test_more_than_the_blend_leaves_no_blend_behind(self):
        with pytest.raises(Refused) as refusal:
            self.blend("1000", "1000")
        assert refusal.value.code == "too_little_on_hand"
        assert not Step.objects.exclude(kind="dig").exists()
        assert list(Lot.objects.values_list("on_hand_g", flat=True)) == [1000, 1000]


def test_a_measured_cut_keeps_its_measure_and_bulk_density():
    lot = make_lot("1000")
    step = steps.cut_portions(
        draw=draw(lot, "800"),
        portions=[made("400"), made("400")],
        **facts(method="riffle", measure_ml=Decimal(250), bulk_density_g_per_ml=Decimal("1.6")),
    )
    step.refresh_from_db()
    assert (step.measure_ml, step.bulk_density_g_per_ml) == (250, Decimal("1.6"))


def test_portions_are_numbered_as_cut_and_the_rest_stays():
    lot = make_lot("1000")
    portions = make_portions(lot, 3, "300")
    assert [portion.portion_number for portion in portions] == [1, 2, 3]
    lot.refresh_from_db()
    assert lot.on_hand_g == 100


def test_says_how_many_portions_the_lot_holds():
    lot = make_lot("1000")
    with pytest.raises(Refused) as refusal:
        make_portions(lot, 4, "300")
    assert refusal.value.messages == [f"{lot.code} holds 1 kg: enough for 3 portions of 300 g, not for 4."]


def test_no_portion_is_no_cut():
    with pytest.raises(Refused) as refusal:
        steps.cut_portions(draw=draw(make_lot(), "10"), portions=[], **facts(method="riffle"))
    assert refusal.value.code == "no_portion"


def test_assay_split_names_its_lot():
    lot = make_lot("1000")
    split = steps.take_for_assay(draw=draw(lot, "500"), **facts(method="riffle")).made.get()
    assert (split.kind, split.title, split.mass_g) == (Lot.Kind.ASSAY_SPLIT, f"of {lot.code}", 500)


class TestReweigh:
    def weigh(self, lot: Lot, mass_g: str, reason: str = "dried out") -> Step:
        return steps.reweigh_lot(
            lot=lot, weighed_g=Decimal(mass_g), typed=f"{mass_g} g", **facts(loss_reason=reason)
        )

    def test_books_what_is_missing_and_keeps_the_code(self):
        lot = make_lot("1000")
        step = self.weigh(lot, "970")
        lot.refresh_from_db()
        assert (lot.on_hand_g, step.loss_g, step.made.count()) == (970, 30, 0)
        assert step.draws.get().mass_typed == "reweighed to 970 g"

    @pytest.mark.parametrize(
        ("mass_g", "reason", "code"),
        [
            ("1000.1", "dried", "gain"),
            ("1000", "dried", "no_change"),
            ("900", " ", "loss_without_reason"),
        ],
    )
    def test_refuses(self, mass_g, reason, code):
        lot = make_lot("1000")
        with pytest.raises(Refused) as refusal:
            self.weigh(lot, mass_g, reason)
        lot.refresh_from_db()
        assert (refusal.value.code, lot.on_hand_g) == (code, 1000)

    def test_refuses_a_void_lot(self):
        member = make_member()
        lot = make_lot("1000", member=member)
        void_step(step=lot.made_by, reason="never dug", voided_by=member)
        with pytest.raises(Refused) as refusal:
            self.weigh(lot, "900")
        assert refusal.value.code == "lot_void"


def test_discarding_needs_its_reason():
    with pytest.raises(Refused) as refusal:
        steps.discard_from_lot(draw=draw(make_lot(), "10"), **facts(loss_reason="  "))
    assert (refusal.value.code, refusal.value.field) == ("reason_missing", "loss_reason")


def test_a_dig_fills_at_least_one_bucket():
    from tests.make import make_zone

    with pytest.raises(Refused) as refusal:
        steps.record_dig(
            zone=make_zone(),
            station="S1",
            dug_on=DAY,
            digger="A",
            sample_kind="bulk",
            buckets=[],
            recorded_by=make_member(),
        )
    assert refusal.value.code == "no_bucket"


class TestDescribe:
    def test_changes_words_and_journals_what_stood_before(self):
        lot = make_lot(title="old words")
        describe_lot(lot=lot, title="new words", place="shed", note="", recorded_by=make_member())
        lot.refresh_from_db()
        assert (lot.title, lot.place) == ("new words", "shed")
        assert JournalEntry.objects.about(lot).get().changes == {
            "title": ["old words", "new words"],
            "place": ["", "shed"],
        }

    def test_writes_nothing_when_nothing_changes(self):
        lot = make_lot(title="words")
        describe_lot(lot=lot, title="words", place="", note="", recorded_by=make_member())
        assert not JournalEntry.objects.about(lot).exists()

    def test_leaves_a_void_lot_alone(self):
        member = make_member()
        lot = make_lot(member=member)
        void_step(step=lot.made_by, reason="never dug", voided_by=member)
        with pytest.raises(Refused):
            describe_lot(lot=lot, title="x", place="", note="", recorded_by=member)
