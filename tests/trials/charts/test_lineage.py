import datetime
import random
from decimal import Decimal

import pytest

from prospecting.calc.ancestry import Flow, Group
from trials.charts.lineage import EDGE, MOST_ON_LINE, PAGE, SIGN, THICKEST, THINNEST, WIDTH, lineage_chart

DAY = datetime.date(2026, 5, 3)


def lots(key: int, word: str = "Bucket", number: int = 1, mass: str = "9000", **fields) -> Group:
    codes = [f"BRK-{key}{n}-T" for n in range(number)]
    return Group(
        key=key,
        is_step=False,
        kind="bucket",
        word=word,
        number=number,
        mass_g=Decimal(mass),
        codes=codes,
        **fields,
    )


def step(
    key: int, word: str = "Crush", number: int = 1, days=(DAY, DAY), kind: str = "crush", **fields
) -> Group:
    return Group(key=key, is_step=True, kind=kind, word=word, number=number, days=days, **fields)


def flow(source: int, target: int, mass: str = "9000", *, is_draw: bool = False) -> Flow:
    return Flow(source=source, target=target, mass_g=Decimal(mass), is_draw=is_draw)


def drawn(groups, flows, mass_unit: str = "kg"):
    return lineage_chart(groups, flows, mass_unit=mass_unit, label="The way")


def boxes_of(chart) -> list:
    return [box for piece in chart.pieces for box in piece.boxes]


def words_of_box(box) -> str:
    return " ".join(text.text for text in box.texts)


def texts_of(chart) -> list[str]:
    return [text.text for piece in chart.pieces for text in piece.texts]


def chain(loss: str = "500"):
    groups = [
        step(1, "Dig 1", kind="dig"),
        lots(2),
        step(3, loss_g=Decimal(loss)),
        lots(4, "Crushed", mass="7500", is_root=True),
    ]
    return groups, [flow(1, 2), flow(2, 3, "8000", is_draw=True), flow(3, 4, "7500")]


def test_each_stands_below_what_it_came_from():
    boxes = boxes_of(drawn(*chain()))
    assert [words_of_box(box).split()[0] for box in sorted(boxes, key=lambda box: box.y)] == [
        "Dig", "BRK-20-T", "Crush", "This",
    ]  # fmt: skip
    for upper, lower in zip(boxes, boxes[1:], strict=False):
        assert lower.y >= upper.y + upper.height


def test_masses_stand_on_the_way_and_losses_beside_it_in_the_members_unit():
    chart = drawn(*chain())
    assert "8 kg" in texts_of(chart)
    assert "−0.5 kg lost" in texts_of(chart)
    # 8000 g and 500 g over 453.59237 g to the pound (NIST Handbook 44, appendix C).
    assert {"17.64 lb", "−1.1 lb lost"} <= set(texts_of(drawn(*chain(), mass_unit="lb")))


def test_a_step_that_lost_nothing_has_no_side_branch():
    chart = drawn(*chain(loss="0"))
    assert [stream for stream in chart.pieces[0].streams if stream.css == "lost"] == []
    assert not any("−" in text for text in texts_of(chart))


def test_what_is_lost_is_called_what_it_is():
    groups, flows = chain()
    groups[2] = step(3, "Dry", kind="dry", loss_g=Decimal(500))
    assert "−0.5 kg water" in texts_of(drawn(groups, flows))


def test_thickness_tells_the_mass():
    groups = [step(1, "Dig 1", kind="dig"), lots(2), step(3), step(4), step(5)]
    flows = [
        flow(1, 2),
        *(flow(2, key, mass, is_draw=True) for key, mass in ((3, "4500"), (4, "2250"), (5, "1"))),
    ]
    streams = drawn(groups, flows).pieces[0].streams
    assert [stream.thickness for stream in streams] == pytest.approx(
        [THICKEST, THICKEST / 2, THICKEST / 4, THINNEST], abs=0.06
    )


def test_codes_of_a_few_and_a_count_of_many():
    few, many = (words_of_box(boxes_of(drawn([lots(1, "portions", number)], []))[0]) for number in (4, 24))
    assert "4 portions" in few
    assert all(f"BRK-1{n}-T" in few for n in range(4))
    assert "and 21 more" in many
    assert many.count("BRK") == 3


def test_days_of_several_steps_are_a_span():
    def day_of(first, last):
        return words_of_box(boxes_of(drawn([step(1, number=2, days=(first, last))], []))[0])

    assert "2 × Crush 3 May 2026" in day_of(DAY, DAY)
    assert "3 to 9 May 2026" in day_of(DAY, DAY.replace(day=9))
    assert "3 May to 1 Jun 2026" in day_of(DAY, datetime.date(2026, 6, 1))
    assert "3 May 2026 to 2 Jan 2027" in day_of(DAY, datetime.date(2027, 1, 2))


def test_void_and_marked_are_told_in_words_and_by_pattern():
    box = boxes_of(drawn([lots(1, is_void=True, is_marked=True)], []))[0]
    assert {"void", "marked"} <= set(box.css.split())
    assert "voided" in words_of_box(box)
    assert "marked" in words_of_box(box)


def test_others_are_told_so_that_no_mass_seems_missing():
    groups, flows = chain()
    groups[2] = step(3, others_out=2, others_out_g=Decimal(1500), others_in=1, others_in_g=Decimal(700))
    said = words_of_box(
        next(
            box
            for box in boxes_of(drawn(groups, flows))
            if "step" in box.css and "Crush" in words_of_box(box)
        )
    )
    assert "+ 2 other lots, 1.5 kg" in said
    assert "with 0.7 kg of 1 other lot" in said


def test_dots_say_on_which_side_the_family_goes_on():
    back, onward = (boxes_of(drawn([lots(1, goes_on=way)], []))[0] for way in ("back", "onward"))
    assert all(y < back.y for _, y in back.dots)
    assert all(y > onward.y + onward.height for _, y in onward.dots)


def test_the_description_names_every_box():
    description = drawn(*chain()).description
    for word in (
        "Dig 1",
        "Bucket BRK-20-T, 9 kg",
        "Crush, 3 May 2026, 0.5 kg lost",
        "Crushed BRK-40-T, 7.5 kg",
    ):
        assert word in description


def random_family(dice: random.Random):
    """Up to forty groups on up to twelve levels, lots and steps in turn, each hanging together with one above."""
    groups, flows, level_of = [], [], {}
    for key in range(dice.randrange(2, 40)):
        level = 0 if not key else min(dice.randrange(12), max(level_of.values()) + 1)
        level_of[key] = level
        number = dice.choice([1, 1, 3, 200])
        groups.append(
            lots(
                key,
                dice.choice(["Bucket", "undersize lots"]),
                number,
                facts=["0.0962 to 0.105 troy oz per short ton, Underthefarcrosscut"],
            )
            if level % 2
            else step(
                key, number=number, loss_g=Decimal(dice.randrange(3) * 700), others_out=dice.randrange(2)
            )
        )
        above = [other for other in level_of if level_of[other] < level and (level_of[other] - level) % 2]
        for other in dice.sample(above, min(len(above), dice.randrange(1, 4))):
            flows.append(flow(other, key, str(dice.randrange(1, 9000)), is_draw=not level % 2))
    met = {key for each in flows for key in (each.source, each.target)}
    return [group for group in groups if group.key in met] or groups[:1], flows


@pytest.mark.parametrize("seed", range(60))
def test_nothing_leaves_the_phone_and_no_box_hides_another(seed):
    groups, flows = random_family(random.Random(seed))
    chart = drawn(groups, flows)
    boxes = boxes_of(chart)
    assert len(boxes) == len(groups)
    for box in boxes:
        assert box.x >= EDGE - 0.1
        assert box.x + box.width <= WIDTH - EDGE + 0.1
        assert all(len(text.text) * SIGN <= box.width for text in box.texts)
    for box in boxes:
        beside = [
            other
            for other in boxes
            if other is not box and other.y < box.y + box.height and box.y < other.y + other.height
        ]
        assert len(beside) < MOST_ON_LINE
        assert all(other.x >= box.x + box.width or box.x >= other.x + other.width for other in beside)
    tops = {}
    for piece in chart.pieces:
        assert piece.height <= max(PAGE, max(box.height for box in piece.boxes) + 120)
        assert all(
            piece.top <= box.y and box.y + box.height <= piece.top + piece.height for box in piece.boxes
        )
        tops[piece.top] = piece.top + piece.height
    # The pieces meet without a gap.
    assert sorted(tops)[1:] == pytest.approx(sorted(tops.values())[:-1])


def test_a_circle_is_refused():
    with pytest.raises(ValueError, match="its own ancestors"):
        drawn([lots(1), step(2)], [flow(1, 2), flow(2, 1)])
