"""What is expected of a lot before its assay, and whether one charge can speak for it."""

from decimal import Decimal

import pytest

from prospecting.actions import assays, dispatching
from prospecting.readers.certificate_csv import read_certificate
from tests import make
from tests.trials.make_trial import PORTION, make_result
from trials.actions import running
from trials.frames.charges import charge_sight
from trials.frames.expected_grades import expected_grades, foreseen

pytestmark = pytest.mark.django_db


@pytest.fixture
def member():
    return make.make_member()


def pan(lot, gold: str, member, **fields):
    return running.log_test_pan(
        lot=lot, portion=PORTION, result=make_result(member, gold, **fields), recorded_by=member
    )


def assay(split, grade: str, member) -> None:
    dispatch = dispatching.send_dispatch(
        laboratory=make.make_laboratory(member),
        sent_on=make.DAY,
        method="fire_30",
        lots=[split],
        recorded_by=member,
    )
    data = f"Sample,Au g/t\n{dispatch.samples.get().tag},{grade}\n".encode()
    assays.store_return(
        dispatch=dispatch,
        certificate=read_certificate(data, "c.csv"),
        certificate_number=f"C-{dispatch.pk}",
        reported_on=make.DAY,
        file_name="c.csv",
        file_bytes=data,
        recorded_by=member,
    )


class TestExpectedGrade:
    def test_comes_from_pans_of_the_lot_a_split_was_taken_from(self, member):
        lot, other = make.make_lot("30000", member=member), make.make_lot(member=member)
        pan(lot, "8.0", member)
        pan(lot, "4.0", member)
        split = make.make_assay_split(lot, member=member)
        unknown = make.make_assay_split(other, member=member)
        found = expected_grades([split, unknown])
        assert set(found) == {split.pk}
        # All the gold over all the ore: 12 mg of two equal portions.
        assert float(found[split.pk].g_per_t) == pytest.approx(12_000 / (2 * float(PORTION.mass_g)), rel=1e-9)
        assert found[split.pk].where == "mean of 2 pans of the same material"

    def test_goes_by_assays_before_pans(self, member):
        lot = make.make_lot("30000", member=member)
        pan(lot, "80.0", member)
        assay(make.make_assay_split(lot, member=member), "4.1", member)
        split = make.make_assay_split(lot, member=member)
        assert expected_grades([split])[split.pk].g_per_t == Decimal("4.1")
        assert expected_grades([split])[split.pk].where == "mean of 1 assay of the same material"

    def test_goes_back_to_what_a_blend_was_made_of(self, member):
        first, second = make.make_lot("9000", member=member), make.make_lot("9000", member=member)
        pan(first, "8.0", member)
        split = make.make_assay_split(
            make.make_blend((first, "4000"), (second, "4000"), member=member), member=member
        )
        assert "blended or screened from" in expected_grades([split])[split.pk].where

    def test_falls_back_on_other_lots_of_its_zone(self, member):
        zone = make.make_zone()
        pan(make.make_lot("9000", member=member, zone=zone), "8.0", member, colours={"fine": 20})
        pan(make.make_lot("9000", member=member), "80.0", member)
        split = make.make_assay_split(make.make_lot(member=member, zone=zone), member=member)
        seen = foreseen([split])[split.pk]
        assert seen.grade.where == "mean of 1 pan of its zone"
        assert float(seen.grade.g_per_t) == pytest.approx(8000 / float(PORTION.mass_g), rel=1e-9)
        assert "pans of its zone" in seen.grain_where

    def test_keeps_failed_pans_out(self, member):
        lot = make.make_lot("30000", member=member)
        pan(lot, "8.0", member, failed=True, fail_kind="spilled", fail_reason="tipped over")
        split = make.make_assay_split(lot, member=member)
        assert expected_grades([split]) == {}

    def test_asks_as_few_queries_for_many_lots_as_for_one(self, member, django_assert_max_num_queries):
        splits = []
        for _ in range(8):
            lot = make.make_lot("30000", member=member)
            pan(lot, "8.0", member)
            splits.append(make.make_assay_split(lot, member=member))
        with django_assert_max_num_queries(10):
            assert len(expected_grades(splits)) == 8

    def test_is_nothing_for_no_lots(self):
        assert expected_grades([]) == {}


class TestGrainSize:
    def test_is_the_ball_of_a_colours_mean_mass(self, member):
        """A ball of fine gold of 0.273 mg is 0.3 mm across: pi/6 x 0.027 mm3 x 19.3 g/cm3."""
        lot = make.make_lot("30000", member=member)
        pan(lot, "2.73", member, colours={"fine": 10})
        split = make.make_assay_split(lot, member=member)
        assert foreseen([split])[split.pk].grain_um == pytest.approx(300, abs=1)

    def test_is_unknown_without_pans(self, member):
        split = make.make_assay_split(member=member)
        seen = foreseen([split])[split.pk]
        assert (seen.grade, seen.grain_um) == (None, None)


class TestChargeSight:
    def test_says_the_worked_example_in_words(self):
        """5 g/t in balls of 0.3 mm: 0.55 grain in 30 g, 58 % nil; 1 kg holds 18, 23 %: trade_practice.md section 4 [K]."""
        sight = charge_sight(grade_g_per_t=5.0, gold_um=300.0, grade_unit="g_per_t")
        assert sight.sentences[1] == (
            "A 30 g charge holds 0.55 grains on average: about 6 in 10 such charges hold none and read about nil, and the "
            "others read far too high."
        )
        assert "1 kg holds 18, and counting alone scatters it by about 23 %" in sight.sentences[-1]
        by_name = {row.name: row for row in sight.rows}
        assert by_name["Fire assay, 30 g charge"].grains == "0.55"
        row = next(row for row in sight.working.rows if "30 g" in row.label)
        assert "none: 0.577" in row.value

    def test_leaves_fine_gold_to_a_charge(self):
        """0.1 mm at 5 g/t: 15 grains in 30 g, 26 %; 25 in 50 g, 20 %: trade_practice.md section 4 [K]."""
        sight = charge_sight(grade_g_per_t=5.0, gold_um=100.0, grade_unit="g_per_t")
        assert "holds 15 grains" in sight.sentences[1] and "26 %" in sight.sentences[1]
        assert "holds 25 grains" in sight.sentences[2] and "20 %" in sight.sentences[2]
        assert not any(row.is_poor for row in sight.rows)
