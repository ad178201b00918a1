from types import SimpleNamespace

import pytest

from trials.charts.protocol import LEFT, LONGEST, WIDTH, protocol_chart


def stage(number: int, shares: tuple[float, float], worst: str = "") -> SimpleNamespace:
    texts = tuple(f"{100 * share:.0f} %" for share in shares)
    return SimpleNamespace(
        number=number,
        words="9.98 kg to 454 g, riffle splitter",
        size="850 µm",
        shares=shares,
        share_texts=texts,
        worst=worst,
    )


def test_bars_are_as_long_as_the_shares_and_stand_below_each_other():
    chart = protocol_chart([stage(1, (0.6, 0.25), "the worst at exponent 0.5"), stage(2, (0.4, 0.75))])
    bars = [bar for each in chart.stages for bar in each.bars]
    assert [bar.width for bar in bars] == [pytest.approx(LONGEST * share) for share in (0.6, 0.25, 0.4, 0.75)]
    heights = [bar.y for bar in bars]
    assert heights == sorted(heights) and heights[-1] + chart.bar_height < chart.height
    assert [bar.css for bar in bars] == ["fill", "dot open"] * 2
    assert "worst" in chart.stages[0].head and "worst" not in chart.stages[1].head
    assert "60 % at exponent 0.5, 25 % at exponent 1.5" in chart.description


def test_the_longest_bar_leaves_room_for_its_figure_and_long_words_are_cut():
    whole = stage(1, (1.0, 1.0), "the worst")
    whole.words = "a very long way of saying " * 4
    [mark] = protocol_chart([whole]).stages
    assert mark.bars[0].text_x + 45 < WIDTH
    assert len(mark.words) <= 48 and mark.words.endswith("…")
    assert mark.bars[0].width == LONGEST and LEFT + LONGEST < WIDTH


def test_without_a_stage_there_is_no_picture():
    with pytest.raises(ValueError, match="no stage"):
        protocol_chart([])
