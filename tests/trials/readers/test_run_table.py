"""A table of runs is read whole or told row by row what is wrong; no database, no page."""

import io
from decimal import Decimal

import pytest

from prospecting.calc.cells import as_meant, inert
from trials.readers.run_table import read_run_table

GOOD = "treatment,block,gold_mg,below_scale,dose ml_per_l: Rinse,colours_fine,day\n"


def read(text: str):
    return read_run_table(text.encode())


def faults(text: str, outcome: str = "gold_mass") -> list[str]:
    return [str(fault) for fault in read(text).faults_for(outcome)]


def test_reads_what_stands_there():
    table = read(GOOD + "water,1,4.2,no,0,3,2026-05-03\nrinse,1,,yes,0.2,0,2026-05-03\n")
    first, second = table.rows
    assert (first.number("gold_mg"), first.doses, first.colours) == (Decimal("4.2"), {}, {"fine": 3})
    assert (second.number("gold_mg"), second.is_below(), second.doses) == (
        None,
        True,
        {"Rinse": Decimal("0.2")},
    )
    assert table.blocks == ["1"] and not table.faults_for("gold_mass")


@pytest.mark.parametrize("delimiter", [";", "\t"])
def test_reads_other_delimiters_and_decimal_commas(delimiter):
    text = "treatment,gold_mg\nwater,4.2\n".replace(",", delimiter).replace(".", ",")
    assert read(text).rows[0].number("gold_mg") == Decimal("4.2")


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ("water,1,0,,,,\n", "Line 2: gold_mg is 0: what the scale does not show is not nothing"),
        ("water,1,-3,,,,\n", "Line 2: gold_mg is “-3”"),
        ("water,1,1e99,,,,\n", "Line 2: gold_mg is"),
        ("water,1,=1+1,,,,\n", "Line 2: gold_mg is “=1+1”"),
        ("water,1,3,yes,,,\n", "Line 2: gold_mg and below_scale say two different things"),
        ("water,1,3,perhaps,,,\n", "Line 2: below_scale is “perhaps”"),
        ("water,1,3,,,2.5,\n", "Line 2: colours_fine is “2.5”"),
        ("water,1,3,,,,yesterday\n", "Line 2: day is “yesterday”"),
        (",1,3,,,,\n", "Line 2: it names no treatment"),
        ("water,1,,,,,\n", "Line 2: no gold_mg"),
        ("water,1,3,,,,\nwater,1,4,,,,\n", "Line 3: water stands in block 1 already, in line 2"),
        ("water,1,3,,,,\nrinse,,4,,,,\n", "Line 3: no block"),
        ("rinse,1,3,,0.1,,\nrinse,2,4,,0.2,,\n", "Line 3: rinse has another dose than in line 2"),
        ("Rinse,1,3,,,,\nrinse,2,4,,,,\n", "Line 3: “rinse” and “Rinse”"),
    ],
)
def test_says_what_is_wrong_with_a_row(rows, said):
    found = faults(GOOD + rows)
    assert len(found) == 1 and found[0].startswith(said)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "neither a text table"),
        (b"\x00\x01\x02", "neither a text table"),
        (b"%PDF-1.7", "PDF"),
        (b"PK\x03\x04 and no more", "can't be read"),
        (b"a,b\n1,2\n", "No column is called treatment"),
        (b"treatment,water\nx,y\n", "No column says what a run gave"),
        (b"treatment,gold_mg,gold_mg\nx,1,2\n", "twice"),
        (b"treatment,gold_mg\n", "no run stands under them"),
        (b"treatment,gold_mg\n" + b"x,1\n" * 401, "more than one table takes"),
    ],
)
def test_refuses_what_is_no_table_of_runs(data, said):
    with pytest.raises(ValueError, match=said):
        read_run_table(data)


def test_places_are_those_of_one_judge():
    text = "treatment,block,place\nwater,1,1.5\nrinse,1,2\n"
    assert faults(text, "places") == [
        "Line 2: place 1.50 is no whole number from 1: the place one judge gave is needed, not a mean."
    ]


def test_the_fingerprint_is_of_the_runs_not_of_the_file():
    from openpyxl import Workbook

    book = Workbook()
    for line in (["gold_mg", "treatment", "order"], [4.2, "water", 1], [5, "rinse", 2]):
        book.active.append(line)
    kept = io.BytesIO()
    book.save(kept)
    table = read("treatment,gold_mg,order\nrinse,5.0,2\nwater,4.20,1\n")
    assert table.fingerprint == read_run_table(kept.getvalue()).fingerprint
    assert table.fingerprint != read("treatment,gold_mg,order\nrinse,5.1,2\nwater,4.20,1\n").fingerprint
    assert table.has_order and not read("treatment,gold_mg,order\nrinse,5,1\nwater,4,\n").has_order


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "@x", "\tx", "\rx", "  =x", "＝x", "rinse", "'t Hof", "a=b"]
)
def test_what_a_spreadsheet_would_run_is_inert_and_read_back_as_meant(text):
    made = inert(text)
    assert made[:1] not in "=+-@\t\r＝" and not made.startswith("  =")
    assert as_meant(made) == text
