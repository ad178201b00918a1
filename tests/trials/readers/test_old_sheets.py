"""An old list read: which table, which columns, days in three orders, figures with either comma, and what stands for gold.

Sheets are invented; how groups write such lists is common practice, no source.
"""

import datetime
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest

from prospecting.calc.number_words import COMMA, marked
from trials.readers.old_sheets import (
    OldReading,
    likely_comma,
    likely_day_order,
    may_be_changed_over,
    names_unit,
    open_old_sheet,
    proposed,
    read_day,
    read_gold,
    read_old_lines,
    role_of_title,
    table_of,
    unit_of_title,
)

LISTS = Path(__file__).parents[3] / "fixtures" / "old_lists"
PLAIN = OldReading(0, (), ())


def read(text: str):
    table = table_of(open_old_sheet(text.encode()))
    return read_old_lines(table, proposed(table))


@pytest.mark.parametrize(
    ("title", "role"),
    [
        ("Date", "dug_on"), ("Date panned", "panned_on"), ("Zone", "place"), ("Where", "place"), ("Station", "station"),
        ("Bucket", "bucket"), ("Bkt #", "bucket"), ("No.", "bucket"), ("Weight", "mass"), ("lbs", "mass"), ("Wt_kg", "mass"),
        ("Pan weight", "portion"), ("weight of pan", "portion"), ("Gold (mg)", "gold"), ("Au", "gold"),
        ("Colours", "colours"), ("colors", "colours"), ("very fine", "colours_very_fine"), ("Fines", "colours_fine"),
        ("Who", "digger"), ("dug by", "digger"), ("Panner", "panner"), ("Soap", "additive"), ("Remarks", "note"), ("sky", ""),
    ],
)  # fmt: skip
def test_titles_head_what_they_name(title, role):
    assert role_of_title(title) == role


@pytest.mark.parametrize(
    ("title", "unit"), [("Wt lb", "lb"), ("(kg)", "kg"), ("mass, g", "g"), ("oz", ""), ("weight", "")]
)
def test_a_unit_is_read_only_where_it_can_mean_one_thing(title, unit):
    assert unit_of_title(title, ("lb", "kg", "g", "oz")) == unit


@pytest.mark.parametrize(
    ("text", "order", "day"),
    [
        ("2019-05-03", "", "2019-05-03"), ("2019/5/3", "mdy", "2019-05-03"), ("3.5.2019", "dmy", "2019-05-03"),
        ("5/3/19", "mdy", "2019-05-03"), ("3 May 2019", "", "2019-05-03"), ("May 3rd, 2019", "", "2019-05-03"),
        ("Fri 3-May-19", "", "2019-05-03"), ("03.05.98", "dmy", "1998-05-03"), ("2019-05-03 14:30", "", "2019-05-03"),
    ],
)  # fmt: skip
def test_days_in_many_hands(text, order, day):
    assert read_day(text, order) == datetime.date.fromisoformat(day)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("3/5", "has no year"),
        ("3 May", "has no year"),
        ("31.2.2019", "is no day"),
        ("after rain", "is no day"),
        ("13/13/2019", "is no day"),
    ],
)
def test_what_is_no_day_is_said(text, sentence):
    with pytest.raises(ValueError, match=sentence):
        read_day(text, "dmy")


@pytest.mark.parametrize(
    ("days", "order"),
    [
        (["31/12/2019"], "dmy"),
        (["12/31/2019"], "mdy"),
        (["1/2/2019"], ""),
        (["2019-01-02"], "ymd"),
        (["3 May 2019"], "ymd"),
        ([], ""),
    ],
)
def test_the_order_of_days_is_proposed_only_where_it_is_sure(days, order):
    assert likely_day_order(days) == order


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("4.2", "weight", "4.2"), ("0.08 g", "weight", "80"), ("2 gr", "weight", "129.5978"), ("~3", "weight", "3"),
        ("trace", "trace", None), ("Tr.", "trace", None), ("nil", "nil", None), ("0", "nil", None), ("none", "nil", None),
        ("< 1 mg", "below", "1"), ("less than 0.5", "below", "0.5"), ("3 colours", "colours", 3), ("2 specks", "colours", 2),
        ("4 grains seen", "colours", 4), ("1.5 mg, 3 colors", "weight", "1.5"),
    ],
)  # fmt: skip
def test_what_stands_for_gold(text, kind, value):
    # A grain is 64.79891 mg (NIST SP 811, Appendix B).
    gold = read_gold(text, "mg", PLAIN)
    found = {"weight": gold.gold_mg, "below": gold.step_mg, "colours": gold.colours}.get(kind)
    assert gold.kind == kind
    assert found == (Decimal(value) if isinstance(value, str) else value)


@pytest.mark.parametrize("text", ["lots", "1 oz", "1-2", "-3", "1e5", "5 apples"])
def test_what_is_no_gold_is_said(text):
    with pytest.raises(ValueError, match=r"\w"):
        read_gold(text, "mg", PLAIN)


def test_a_plain_list_of_many_pans():
    lines = read((LISTS / "invented_list_plain.csv").read_text()).lines
    assert len(lines) == 8
    assert (lines[0].mass_g, lines[0].mass_typed, lines[0].gold.gold_mg) == (
        Decimal(18200),
        "18,2 kg",
        Decimal("1.8"),
    )
    assert (lines[3].gold.kind, lines[3].colours) == ("nil", {"": 0})


def test_a_messy_sheet_with_titles_totals_and_marks_for_the_same():
    table = table_of(open_old_sheet((LISTS / "invented_list_messy.xlsx").read_bytes()))
    reading = proposed(table)
    assert (table.title_line, table.grid.sheet, table.sheets) == (3, "season", ("season", "gas money"))
    assert (reading.day_order, reading.comma, reading.as_above) == ("mdy", "decimal", False)
    found = read_old_lines(table, reading)
    assert {what: number for what, (number, _) in found.totals.items()} == {"mass": 22, "gold": 22}
    assert found.passed_over == ((21, "rained, went home", "nothing in a column that is read"),)
    second = found.lines[1]
    assert (second.place, second.dug_on, second.gold.kind) == (
        "North cut",
        datetime.date(2019, 6, 14),
        "trace",
    )


def test_empty_cells_hold_what_stands_above_where_that_is_the_custom():
    text = "date,zone,bucket,kg\n2019-05-01,North,1,20\n,,2,21\n,,3,22\n2019-05-02,South,4,20\n"
    lines = read(text).lines
    assert [each.place for each in lines] == ["North", "North", "North", "South"]
    assert lines[2].dug_on == datetime.date(2019, 5, 1)


def test_titles_once_more_and_sums_are_passed_over_aloud():
    text = "bucket,kg,sky\n1,20,\nbucket,kg,sky\n2,19,\n,,rain\ntotal,39,\n"
    found = read(text)
    assert [each.number for each in found.lines] == [2, 4]
    assert [why for _, _, why in found.passed_over] == [
        "the titles once more",
        "nothing in a column that is read",
    ]
    assert found.totals["mass"] == (6, Decimal(39000))


def test_thousands_and_decimals_go_by_what_is_settled():
    table = table_of(open_old_sheet(b"bucket;g\n1;1,250\n"), title_line=1)
    for comma, mass_g in (("thousands", 1250), ("decimal", Decimal("1.25"))):
        reading = OldReading(1, ("bucket", "mass"), ("", "g"), comma=comma)
        assert read_old_lines(table, reading).lines[0].mass_g == mass_g


def test_a_figure_without_any_unit_is_not_guessed():
    reading = OldReading(1, ("bucket", "mass"), ("", ""))
    (line,) = read_old_lines(table_of(open_old_sheet(b"bucket,weight\n1,20\n")), reading).lines
    assert "names no unit" in line.of_line[0]


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (b"", "empty"),
        (b"one column\n1\n", "Nothing divides"),
        (b"%PDF-1.4", "PDF"),
        (b"a\x00b,c", "not a plain text file"),
        (b"PK\x03\x04junk", "can't be read"),
        (("a,b\n" + "1,2\n" * 5001).encode(), "5,002 lines"),
        (b",".join([b"x"] * 41), "41 columns"),
        (b'a,"b\n1,2\n', "quotation mark"),
    ],
)
def test_what_is_no_list_is_refused_in_words(data, sentence):
    with pytest.raises(ValueError, match=sentence) as refusal:
        table_of(open_old_sheet(data))
    assert "certificate" not in str(refusal.value)


def only_asks(text: str, **reading) -> list[tuple[str, ...]]:
    table = table_of(open_old_sheet(text.encode()))
    return [each.asks for each in read_old_lines(table, replace(proposed(table), **reading)).lines]


@pytest.mark.parametrize(
    ("texts", "comma"),
    [
        (["12,5"], "decimal"), (["0,008", "1,250"], "decimal"), (["1.250,5"], "decimal"), (["1,250.5"], "thousands"),
        (["1,250"], ""), (["12,5", "1,250.5"], ""), (["20"], ""),
    ],
)  # fmt: skip
def test_a_comma_before_three_digits_is_asked_about(texts, comma):
    assert likely_comma(texts) == comma


def test_a_nought_before_the_comma_is_never_thousands():
    reading = OldReading(1, ("bucket", "gold"), ("", "g"), comma="thousands")
    (line,) = read_old_lines(table_of(open_old_sheet(b"bucket;au g\n1;0,008\n")), reading).lines
    assert "a comma before three digits" in line.of_pan[0]


def test_a_point_before_three_digits_is_asked_about_among_decimal_commas():
    asks = only_asks("bucket;weight g\na;12500,5\nb;1.250\nc;0.125\n")
    assert [bool(each) for each in asks] == [False, True, False]


def test_what_is_kept_as_typed_has_no_comma_before_three_digits():
    for comma, typed in (("thousands", "2500 g"), ("decimal", "2.500 g")):
        reading = OldReading(1, ("bucket", "mass"), ("", "g"), comma=comma)
        (line,) = read_old_lines(table_of(open_old_sheet(b"bucket;weight g\n1;2,500\n")), reading).lines
        assert line.mass_typed == typed


def test_a_count_hangs_on_nobodys_decimal_mark():
    reading = OldReading(1, ("bucket", "colours"), ("", ""))
    with marked(COMMA):
        (line,) = read_old_lines(table_of(open_old_sheet(b"bucket;colours\n1;1,000\n")), reading).lines
    assert line.colours == {} and "is no count" in line.of_pan[0]


def test_a_vulgar_fraction_needs_its_unit_too():
    assert not names_unit("½") and names_unit("½ lb")


def test_gr_means_grams_to_some():
    assert unit_of_title("Au (gr)", ("mg", "g", "grain")) == ""
    assert "Where grams were meant" in only_asks("bucket,kg,au mg\na,20,2 gr\n")[0][0]


def test_days_in_both_orders_are_asked_about_where_they_fit_both():
    asks = only_asks("date,bucket,kg\n17/4/2019,a,20\n4/18/2019,b,20\n3/4/2019,c,20\n", day_order="dmy")
    assert [bool(each) for each in asks] == [False, False, True]
    assert "03 Apr 2019" in asks[2][0]


@pytest.mark.parametrize(
    ("days", "odd"),
    [
        (["2019-03-04", "17/4/2019"], True), (["2019-03-14", "17/4/2019"], False), (["2019-03-04"], False),
        (["2019-03-04", "7/4/2019"], False), (["2019-03-04", "17/4/2019", "4/17/2019"], False),
    ],
)  # fmt: skip
def test_days_that_a_spreadsheet_took_for_months_are_noticed(days, odd):
    assert may_be_changed_over(days) is odd


def test_days_are_turned_back_where_a_keeper_says_so():
    table = table_of(open_old_sheet(b"date;bucket;kg\n2019-03-04;a;20\n17/4/2019;b;20\n"))
    lines = read_old_lines(table, replace(proposed(table), changed_over=True)).lines
    assert [line.dug_on.isoformat() for line in lines] == ["2019-04-03", "2019-04-17"]


def test_averages_and_earlier_totals_are_passed_over_aloud():
    found = read("bucket,kg\na,20\nsubtotal,20\nb,19\nTotal,39\nAverage,19.5\n")
    assert [each.bucket for each in found.lines] == ["a", "b"]
    assert [number for number, _, _ in found.passed_over] == [5, 6]
    assert found.totals["mass"] == (5, Decimal(39000))


def test_a_line_that_speaks_of_a_total_is_asked_about():
    assert [bool(each) for each in only_asks("bucket,kg\na,20\nTotal of June,20\n")] == [False, True]


def test_a_comma_that_made_a_cell_is_asked_about():
    asks = only_asks("bucket,kg,pan kg\na,18,2\nb,18,2,2,5\n")
    assert [bool(each) for each in asks] == [False, True]
