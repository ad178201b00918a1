"""Sentences about factors: each says what its figures say, no louder, and each limit falls on its own side.

The figures are chosen, not reckoned: what is tested is which sentence they get. Limits: the module's own and `verdict`'s.
"""

import pytest

from trials.calc.combination import excess
from trials.calc.effect_words import (
    FEWEST,
    OPEN,
    WITHIN,
    Told,
    better_single_card,
    explained,
    hour_words,
    loss_sentences,
    main_card,
    pair_card,
    three_card,
    working_rows,
)
from trials.calc.effects import COLOURS, MASS, Answer, Answers, BetterSingle, LossExcess, Question
from trials.calc.power import MOST_BLOCKS

ASKED = Question("rinse", {"rinse": 1.0, "water": -1.0}, (("rinse",), ("water",)))
# Margin 1.25, so 0.8 to 1.25: an interval above 1, below 1, inside the margin, and one that is none of these.
MORE = Answer(ASKED, 1.6, 1.2, 2.1, 1.3, 2.0, 0.1, 1.4, 0)
LESS = Answer(ASKED, 0.6, 0.4, 0.9, 0.45, 0.8, 0.1, 1.4, 0)
INSIDE = Answer(ASKED, 1.0, 0.9, 1.12, 0.92, 1.1, 0.04, 1.15, 0)
OPEN_ONE = Answer(ASKED, 1.3, 0.7, 2.4, 0.8, 2.1, 0.3, 1.9, 12)
FEW = Answer(ASKED, 1.5, note="few")
MISSING = Answer(ASKED, note="missing")


def answer(*, detectable=1.9, more=12) -> Answer:
    return Answer(ASKED, 1.3, 0.7, 2.4, 0.8, 2.1, 0.3, detectable, more)


def family(*answers: Answer, critical: float | None = 2.57, shared_out: bool = False) -> Answers:
    return Answers(
        answers=answers,
        df=12,
        dispersion=0.04,
        sd=0.2,
        confidence=0.95,
        critical_t=critical,
        critical_chance=None,
        equivalence_t=critical,
        shared_out=shared_out,
        runs_used=16,
        runs_below=0,
    )


def told(route: str = MASS, *, in_one_order: bool = False) -> Told:
    return Told(family(MORE), 1.25, route, in_one_order, "all of them together")


class TestWhatCouldHaveBeenSeen:
    @pytest.mark.parametrize(
        ("detectable", "said"),
        [
            (1.231, "1.3 times or more"),
            (100.0, "100 times or more"),
            (100.01, "nothing short of a hundredfold"),
            (None, "nothing short of a hundredfold"),
        ],
    )
    def test_past_a_hundredfold_it_is_told_in_words(self, detectable, said):
        assert said in told().reach([answer(detectable=detectable)], "a change of")
        assert said in told().aside(answer(detectable=detectable))
        if detectable is not None:
            assert said in told().could_have_seen(detectable).lower()

    def test_of_several_the_one_seen_worst_is_told(self):
        said = told().reach([answer(detectable=1.3, more=2), answer(detectable=1.9, more=12)], "a change of")
        assert "a change of 1.9 times or more" in said
        assert "about 12 more blocks would see 1.25 times" in said

    def test_one_that_no_trial_here_would_see_makes_more_of_the_same_no_way_out(self):
        said = told().reach([answer(more=3), answer(more=None)], "a change of")
        assert f"more than {MOST_BLOCKS} blocks would be needed to see 1.25 times" in said
        assert "lessen the spread first" in said
        assert f"more than {MOST_BLOCKS} runs of each treatment" in told(in_one_order=True).reach(
            [answer(more=None)], "a change of"
        )

    def test_where_no_more_is_needed_nothing_more_is_asked_for(self):
        assert "so 1.25 times was within its sight" in told().reach([answer(more=0)], "a change of")
        assert told().aside(answer(more=0)) == " (1.9 times or more could have been seen, 8 times in 10)"

    def test_in_brackets_it_stands_only_behind_what_is_not_shown(self):
        assert "about 12 more blocks for 1.25 times" in told().aside(OPEN_ONE)
        assert [told().aside(each) for each in (MORE, LESS, INSIDE, FEW)] == [""] * 4


class TestOneFactor:
    @pytest.mark.parametrize(
        ("found", "kind", "word", "headline"),
        [
            (MORE, "more", "Shown: better", "Rinse recovers more than water"),
            (LESS, "less", "Shown: worse", "Rinse recovers less than water"),
            (INSIDE, "within", WITHIN, "Rinse does as well as water"),
            (OPEN_ONE, "open", OPEN, "Rinse against water, averaged over pans: not shown."),
        ],
    )
    def test_each_kind_of_answer_has_its_own_word(self, found, kind, word, headline):
        card = main_card(told(), found, "Rinse", "water", "pans", "")
        assert (card.kind, card.word) == (kind, word)
        assert card.headline.startswith(headline)
        assert "averaged over pans" in card.headline
        assert ("this trial could have seen" in card.explanation.lower()) == (kind == "open")

    def test_a_shown_difference_smaller_than_what_matters_says_so(self):
        small = Answer(ASKED, 1.1, 1.02, 1.18, 1.03, 1.17, 0.03, 1.1, 0)
        card = main_card(told(), small, "Rinse", "water", "", "")
        assert card.headline == "Rinse recovers more than water, but by less than the group said matters."

    def test_the_margin_s_interval_is_told_with_its_own_level(self):
        card = main_card(told(), INSIDE, "Rinse", "water", "", "")
        assert "Between 0.92 and 1.1 times as much (90 % interval" in card.explanation

    def test_without_an_interval_nothing_is_shown_and_the_reason_stands_there(self):
        few = main_card(told(), FEW, "Rinse", "water", "pans", "read with care")
        assert (few.kind, few.word, few.careful) == ("open", OPEN, "read with care")
        assert few.explanation.startswith("The runs give 1.5 times, without an interval: fewer than three")
        assert few.explanation.endswith(FEWEST)
        missing = main_card(told(), MISSING, "Rinse", "water", "", "")
        assert missing.explanation == "Not every combination it takes has a run that counts."

    def test_colours_are_counted_and_not_weighed(self):
        more, less = (main_card(told(COLOURS), found, "Rinse", "water", "", "") for found in (MORE, LESS))
        assert more.headline == "Rinse shows more colours than water."
        assert less.headline == "Rinse shows fewer colours than water."
        assert more.explanation.startswith("About 1.6 times as many colours")

    @pytest.mark.parametrize(
        ("found", "css"), [(MORE, ""), (LESS, " worse"), (INSIDE, " equal"), (OPEN_ONE, " open")]
    )
    def test_each_kind_looks_different(self, found, css):
        assert main_card(told(), found, "Rinse", "water", "", "").css == css


class TestTwoFactors:
    def card(self, *answers, route=MASS, averaged="", expected=""):
        named = [(f"dose {number}", each) for number, each in enumerate(answers, start=1)]
        return pair_card(told(route), "rinse and shaking", named, averaged, expected)

    def test_nothing_known_says_why(self):
        card = self.card(MISSING, FEW)
        assert (card.kind, card.word) == ("open", OPEN)
        assert card.headline == "Not shown that rinse and shaking help or hinder each other."
        assert card.explanation == "Not every combination it takes has a run that counts."

    @pytest.mark.parametrize(
        ("found", "word", "mass", "colours"),
        [
            (MORE, "Shown: they help each other", "together recover more", "together show more colours"),
            (LESS, "Shown: they hinder each other", "together recover less", "together show fewer colours"),
        ],
    )
    def test_help_and_hindrance_are_told_apart_and_two_things_take_a_plural(self, found, word, mass, colours):
        assert self.card(found).word == word
        assert mass in self.card(found).headline
        assert colours in self.card(found, route=COLOURS).headline

    def test_one_shown_ratio_among_open_ones_makes_the_headline(self):
        card = self.card(OPEN_ONE, MORE, OPEN_ONE)
        assert card.kind == "more"
        assert card.headline.startswith("dose 2 together")

    def test_of_two_shown_ratios_the_one_further_from_1_makes_the_headline(self):
        # 0.5 is as far from 1 as 2: further than 1.6.
        far = Answer(ASKED, 0.5, 0.3, 0.9, 0.35, 0.85, 0.1, 1.4, 0)
        assert self.card(MORE, far).headline.startswith("dose 2 together recover less")

    def test_what_is_shown_but_does_not_matter_says_so(self):
        small = Answer(ASKED, 1.1, 1.02, 1.18, 1.03, 1.17, 0.03, 1.1, 0)
        assert "but by less than the group said matters" in self.card(small).headline

    def test_within_the_margin_only_where_every_ratio_is_known_and_is(self):
        lower = Answer(ASKED, 0.95, 0.85, 1.06, 0.88, 1.03, 0.04, 1.15, 0)
        both = self.card(INSIDE, lower, averaged="pans")
        assert (both.kind, both.word) == ("within", WITHIN)
        # The widest of both sides: 0.88 of one, 1.1 of the other.
        assert "Between 0.88 and 1.1 times what their ratios multiplied would give (90 %" in both.explanation
        assert self.card(INSIDE, MISSING).word == OPEN
        assert self.card(INSIDE, OPEN_ONE).word == OPEN

    def test_four_ratios_are_told_and_a_fifth_is_left_to_the_table(self):
        four, five = self.card(*[OPEN_ONE] * 4), self.card(*[OPEN_ONE] * 5)
        assert "The others stand in the table" not in four.explanation
        assert "The others stand in the table" in five.explanation
        assert "dose 4: " in five.explanation and "dose 5: " not in five.explanation

    def test_a_single_ratio_has_no_name_before_it(self):
        assert self.card(OPEN_ONE).explanation.startswith("1.3 times (0.7 to 2.4) what their ratios")

    def test_what_was_expected_follows_the_ratios(self):
        assert "Each alone: 4 mg." in self.card(INSIDE, expected="Each alone: 4 mg.").explanation
        assert "Each alone: 4 mg." in self.card(OPEN_ONE, expected="Each alone: 4 mg.").explanation


class TestThreeFactors:
    @pytest.mark.parametrize(
        ("found", "said", "not_said"),
        [
            (MORE, "look for a mixed-up tub", "only a check for mistakes"),
            (LESS, "look for a mixed-up tub", "only a check for mistakes"),
            (OPEN_ONE, "not shown. This is only a check for mistakes", "less than matters"),
            (INSIDE, "less than matters. This is only a check for mistakes", "not shown"),
            (MISSING, "can't be said. Not every combination", "times"),
        ],
    )
    def test_it_is_a_check_for_mistakes_and_no_finding(self, found, said, not_said):
        sentence = three_card(told(), found, "rinse, shaking and pan")
        assert said in sentence
        assert not_said not in sentence


class TestBothAgainstTheBetterOne:
    def card(self, ratio, lower, upper, inner, outer, reach="No more than that."):
        found = BetterSingle("rinse", ratio, lower, upper, inner, outer)
        return better_single_card(told(), "Both", found, "rinse", reach)

    def test_each_kind_has_its_own_word_and_only_the_open_one_says_what_could_be_seen(self):
        more = self.card(1.6, 1.2, 2.1, 1.3, 2.0)
        less = self.card(0.6, 0.4, 0.9, 0.45, 0.8)
        within = self.card(1.0, 0.9, 1.12, 0.92, 1.1)
        still_open = self.card(1.3, 0.7, 2.4, 0.8, 2.1)
        assert [card.kind for card in (more, less, within, still_open)] == ["more", "less", "within", "open"]
        assert more.headline == "Both recovers more than the better one alone."
        assert less.headline == "Both recovers less than the better one alone."
        assert "one of them is enough" in within.headline
        assert "Between 0.92 and 1.1 as a 90 % interval" in within.explanation
        assert ["No more than that." in card.explanation for card in (more, less, within, still_open)] == [
            False
        ] * 3 + [True]

    def test_too_few_runs_are_no_answer(self):
        card = better_single_card(told(), "Both", None, "", "")
        assert (card.kind, card.word) == ("open", OPEN)
        assert card.explanation.endswith(FEWEST)


class TestAPortionBesideAnHour:
    def words(self, portion, hour):
        return hour_words(told(), "Riffled pan", "gold", "the plain pan's", portion, hour)

    @pytest.mark.parametrize(
        ("portion", "hour", "which"), [(MISSING, MORE, "A portion"), (MORE, MISSING, "An hour")]
    )
    def test_where_one_is_not_known_the_other_is_not_told_alone(self, portion, hour, which):
        headline, explanation = self.words(portion, hour)
        assert headline == "Riffled pan: not known."
        assert explanation == f"{which}: not every combination it takes has a run that counts."

    def test_a_ratio_without_an_interval_says_why_beside_one_that_has_one(self):
        headline, explanation = self.words(FEW, OPEN_ONE)
        assert "1.5 times the gold of a portion, 1.3 times the gold of an hour" in headline
        assert explanation.startswith("A portion: fewer than three runs")
        assert "An hour: 0.7 to 2.4 times the plain pan's" in explanation
        assert "not shown to differ (1.9 times or more could have been seen" in explanation

    @pytest.mark.parametrize(
        ("portion", "hour", "advice"),
        [
            (LESS, MORE, "Faster, but less gold from each portion"),
            (MORE, LESS, "More gold from each portion, but slower"),
            (
                MORE,
                Answer(ASKED, 0.9, 0.6, 1.3, 0.65, 1.25, 0.1, 1.6, 4),
                "more runs before choosing by them",
            ),
            (
                Answer(ASKED, 0.9, 0.6, 1.3, 0.65, 1.25, 0.1, 1.6, 4),
                MORE,
                "more runs before choosing by them",
            ),
        ],
    )
    def test_where_they_point_different_ways_it_says_what_to_choose_by(self, portion, hour, advice):
        assert advice in self.words(portion, hour)[1]

    @pytest.mark.parametrize(
        ("portion", "hour"),
        [
            (MORE, MORE),
            (OPEN_ONE, OPEN_ONE),
            (OPEN_ONE, Answer(ASKED, 0.9, 0.6, 1.3, 0.65, 1.25, 0.1, 1.6, 4)),
        ],
    )
    def test_no_advice_where_they_agree_or_nothing_is_shown(self, portion, hour):
        said = self.words(portion, hour)[1]
        assert not any(words in said for words in ("Faster", "slower", "choosing"))


class TestGoldSavedOfWhatIsLost:
    """Lost 0.40 without either, 0.32 and 0.20 with one, 0.10 with both: saved 1/5, 1/2 and 3/4 of it.

    By hand, Bliss (Ann. Appl. Biol. 26 (1939) 585-615): 1/5 + 1/2 - 1/10 = 0.60 expected, 15 points less than seen; 25 points
    beyond the better one.
    """

    LOST = {"neither": 0.40, "a_only": 0.32, "b_only": 0.20, "both": 0.10}

    def said(self, bliss, highest):
        found = LossExcess(self.LOST, excess(0.2, 0.5, 0.75), *bliss, *highest, 8, 12)
        return loss_sentences(found, "rinse", "shaking", lambda share: f"{100 * share:.0f} %")

    def test_figures_by_hand(self):
        base, bliss, highest = self.said((0.05, 0.25), (0.1, 0.4))
        assert "40 % of the gold found was left" in base and "both together saved 75 %" in base
        assert "they would have saved 60 %: they saved 15 percentage points beyond that (5 to 25" in bliss
        assert "alone saved 50 %: both saved 25 percentage points beyond it (10 to 40" in highest

    @pytest.mark.parametrize(
        ("limits", "said"),
        [
            ((0.01, 0.3), "), shown"),
            ((-0.3, -0.01), "), shown to fall short"),
            ((-0.1, 0.3), "), not shown either way"),
            ((0.0, 0.3), "), not shown either way"),
            ((-0.3, 0.0), "), not shown either way"),
        ],
    )
    def test_an_interval_that_reaches_nothing_shows_nothing(self, limits, said):
        for sentence in self.said(limits, limits)[1:]:
            assert sentence.removesuffix(".").endswith(said.removeprefix(")"))

    def test_less_than_nothing_is_written_with_a_minus_and_nothing_without_one(self):
        bliss = self.said((-0.07, 0.25), (-0.004, 0.4))
        assert "(−7 to 25" in bliss[1]
        assert "(0 to 40" in bliss[2]


class TestTheWorking:
    def test_every_step_from_the_runs_to_what_could_be_seen(self):
        rows = working_rows(family(MORE, OPEN_ONE), {"rinse": "rinse against water"}, "ln ratio")
        assert [row.label for row in rows] == [
            "Scatter of runs within blocks",
            "Standard errors each way for a 95 % interval",
            "Ratios",
            "What could have been seen",
        ]
        # ln 1.6 = 0.470 by any table of logarithms.
        assert rows[2].inputs[0][:2] == (
            "rinse against water",
            "ln ratio 0.47, standard error 0.1: 1.6 times (1.2 to 2.1)",
        )

    def test_nothing_judged_leaves_the_scatter_alone(self):
        rows = working_rows(family(FEW, MISSING, critical=None), {"rinse": "rinse"}, "ln ratio")
        assert [row.label for row in rows] == ["Scatter of runs within blocks"]

    def test_what_could_be_seen_is_left_out_where_it_is_not_asked_or_not_known(self):
        names = {"rinse": "rinse"}
        for rows in (
            working_rows(family(MORE), names, "ln ratio", with_reach=False),
            working_rows(family(answer(detectable=None)), names, "ln ratio"),
        ):
            assert rows[-1].label == "Ratios"

    def test_it_says_when_the_error_was_shared_out(self):
        shared, joint = (
            working_rows(family(MORE, shared_out=shared), {"rinse": "rinse"}, "ln ratio")[1].formula
            for shared in (True, False)
        )
        assert "Bonferroni" in shared
        assert "correlations" in joint


def test_an_answer_with_an_interval_needs_no_excuse():
    assert explained(MORE) == ""
    assert explained(Answer(ASKED, note="alike")).startswith("the runs agree to the last digit")
