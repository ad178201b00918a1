"""What evidence shows of a finding's sentence: by additive, dose and matter, from frozen figures alone."""

from decimal import Decimal

import pytest

from trials.frames.findings import doubt_of, rows_meant, sign_of
from trials.models import Additive, Finding

RINSE, SOAP = Additive(pk=1, name="Rinse"), Additive(pk=2, name="Soap")


def row(name: str, kind: str, *doses: tuple[int, str], technique: str = "", **figures) -> dict:
    return {
        "treatment": name,
        "kind": kind,
        "headline": f"{name}: {kind}.",
        "explanation": "",
        "doses": [list(dose) for dose in doses],
        "technique": technique,
        "ratio": None,
        "lower": None,
        "upper": None,
    } | figures


def figures(*rows: dict) -> dict:
    return {"verdicts": list(rows)}


LADDER = figures(row("low", "not shown", (1, "0.1")), row("high", "better", (1, "0.2")))
BOTH = figures(row("both", "better", (1, "0.2"), (2, "0.3")), row("rinse", "not shown", (1, "0.2")))


def doubt(*evidence, about="additive", stand="do", additive=RINSE, dose: str | None = None) -> str:
    ml_per_l = None if dose is None else Decimal(dose)
    return doubt_of(about=about, stand=stand, additive=additive, ml_per_l=ml_per_l, evidence=evidence)


@pytest.mark.parametrize(
    ("case", "said"),
    [
        ({"dose": "0.2"}, ""),
        # So near that drops counted out whole come to the same.
        ({"dose": "0.195"}, ""),
        ({}, ""),
        ({"dose": "0.1"}, "The evidence did not show it: low: not shown."),
        ({"dose": "0.3"}, "The evidence did not show it: Rinse at 0.3 mL/L was not tried in it."),
        ({"additive": SOAP}, "The evidence did not show it: Soap was not tried in it."),
        ({"additive": None}, ""),
        ({"dose": "0.1", "stand": "do_not"}, ""),
        ({"dose": "0.1", "stand": "open"}, ""),
    ],
)
def test_a_claim_is_held_against_its_own_additive_and_dose(case, said):
    assert doubt(LADDER, **case) == said


def test_both_together_tell_nothing_of_the_one_where_it_was_tried_alone():
    assert "rinse: not shown" in doubt(BOTH, dose="0.2")
    assert doubt(BOTH, additive=SOAP) == ""


def test_one_of_several_pieces_is_enough():
    assert doubt(figures(row("rinse", "worse", (1, "0.2"))), LADDER, dose="0.2") == ""
    assert doubt(figures()) == "The evidence did not show it: Rinse was not tried in it."
    assert doubt(figures(), additive=None).endswith("nothing in it was compared with a control.")
    assert doubt() == ""


@pytest.mark.parametrize("about", Finding.About.values)
def test_as_good_as_without_it_is_enough_but_for_an_additive(about):
    same = figures(row("rinse", "equivalent", (1, "0.2")))
    assert bool(doubt(same, about=about)) is (about == "additive")


def test_a_technique_beside_the_dose_is_another_treatment():
    mixed = figures(row("a", "better", (1, "0.2"), technique="rinse twice"), row("b", "worse", (1, "0.2")))
    assert [each["treatment"] for each in rows_meant(mixed, RINSE, Decimal("0.2"))] == ["b"]


@pytest.mark.parametrize(
    "change", [{"kind": "worse"}, {"headline": "x"}, {"ratio": 1.2}, {"ratio": 1.1, "upper": 2.0}]
)
def test_the_sign_moves_with_kind_sentence_and_figures(change):
    before = row("rinse", "better", (1, "0.2"), ratio=1.1, lower=0.9, upper=1.3)
    assert sign_of(figures(before)) != sign_of(figures(before | change))
    assert sign_of(figures(before)) == sign_of(figures(dict(before)))
