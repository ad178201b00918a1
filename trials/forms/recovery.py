"""What a recovery balance is reckoned from: the books' figures, or what was typed over them; nothing is stored."""

from decimal import Decimal

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext_lazy

from prospecting.calc import grade, guard, mass_balance, units
from prospecting.calc.language import phrase
from prospecting.forms.base import GoldMassField, GradeField, MassField, NumberField
from prospecting.models import Member
from trials.forms.sampling import read_in, units_typed

LEVELS = [("0.9", "90 %"), ("0.95", "95 %"), ("0.99", "99 %")]


class RecoveryForm(forms.Form):
    """One recovery, or several together: masses, gold, grades, and how far each can be trusted."""

    feed = MassField(label=gettext_lazy("Feed put through"), help_text="")
    moisture = NumberField(
        label=gettext_lazy("Water in the feed"),
        unit_label=gettext_lazy("% of the wet mass"),
        most=60,
        places=2,
        required=False,
        help_text=gettext_lazy("Left empty or 0: it was dried."),
    )
    gold = GoldMassField(label=gettext_lazy("Gold weighed from the concentrate"), required=False)
    concentrate = MassField(label=gettext_lazy("Concentrate, dry"), required=False, help_text="")
    concentrate_grade = GradeField(label=gettext_lazy("Concentrate's assay"), required=False, max_length=40)
    tails = MassField(
        label=gettext_lazy("Tails, dry"),
        required=False,
        help_text=gettext_lazy("Left empty: what the concentrate leaves of the feed."),
    )
    tails_grade = GradeField(
        label=gettext_lazy("Tails' assay, or re-panned grade"), required=False, max_length=40
    )
    head = GradeField(label=gettext_lazy("Head: the feed's assay"), required=False, max_length=40)
    gold_step = GoldMassField(
        label=gettext_lazy("Step of the gold scale"),
        help_text=gettext_lazy("The smallest step it shows: 1 mg, 0.01 g"),
    )
    mass_step = MassField(label=gettext_lazy("Step of the scale for ore"), help_text="")
    assay_sd = NumberField(
        label=gettext_lazy("Error of one assay, one standard deviation"),
        unit_label="%",
        most=200,
        places=1,
        help_text=gettext_lazy("From duplicates where there are some."),
    )
    head_sd = NumberField(
        label=gettext_lazy("Sampling spread of the head"),
        unit_label="%",
        most=500,
        places=1,
        help_text=gettext_lazy("What chance does to the split that was assayed."),
    )
    tails_sd = NumberField(
        label=gettext_lazy("Sampling spread of the tails"), unit_label="%", most=500, places=1
    )
    level = forms.ChoiceField(label=gettext_lazy("Level of the intervals"), choices=LEVELS)

    def __init__(self, data, *, member: Member, start: dict[str, str]) -> None:
        typed = {name: data.get(name) for name in data if name in self.base_fields}
        self.is_asked = bool(typed) or bool(start.get("feed"))
        super().__init__(start | typed if self.is_asked else None, initial=start)
        self.member = member
        read_in(self.fields, units_typed(data, member))
        # A scale's step is a matter of grams, whatever the member weighs ore in.
        self.fields["mass_step"].set_unit("g")

    def clean(self) -> dict:
        values = super().clean()
        feed, concentrate, tails = (self._canonical(name) for name in ("feed", "concentrate", "tails"))
        if feed and concentrate and concentrate > feed:
            self._refuse(
                "concentrate", phrase("The concentrate can't weigh more than the feed it came from.")
            )
        elif feed and tails and mass_balance.outweigh_feed(feed, [tails, concentrate or Decimal(0)]):
            self._refuse(
                "tails",
                phrase(
                    "Concentrate and tails together weigh more than the feed. Were the tails wet? Dry them, or leave this empty."
                ),
            )
        self._check_gold(feed, concentrate)
        return values

    def values(self) -> dict:
        """What `frames.recovery.balance` is asked with: g, mg, g/t, fractions; None for what is not known."""
        numbers = {
            "feed_g": self._canonical("feed"),
            "gold_mg": self._canonical("gold"),
            "concentrate_g": self._canonical("concentrate"),
            "concentrate_g_per_t": self._canonical("concentrate_grade"),
            "tails_g": self._canonical("tails"),
            "tails_g_per_t": self._canonical("tails_grade"),
            "head_g_per_t": self._canonical("head"),
            "gold_step_mg": self._canonical("gold_step"),
            "mass_step_g": self._canonical("mass_step"),
        }
        percents = {
            "moisture": self.cleaned_data["moisture"] or 0,
            "assay_sd": self.cleaned_data["assay_sd"],
            "head_sd": self.cleaned_data["head_sd"],
            "tails_sd": self.cleaned_data["tails_sd"],
        }
        return (
            {name: None if number is None else float(number) for name, number in numbers.items()}
            | {name: units.share_of_percent(percent) for name, percent in percents.items()}
            | {"level": float(self.cleaned_data["level"])}
        )

    def _check_gold(self, feed: Decimal | None, concentrate: Decimal | None) -> None:
        gold = self._canonical("gold")
        held_g = concentrate or feed
        if gold and held_g and units.convert_mass(gold, "mg", "g") > held_g:
            self._refuse("gold", phrase("That is more gold than the material it was in. Check the unit."))
        elif gold and feed:
            says = guard.gold_guard(
                gold,
                feed,
                self._canonical("gold_step"),
                grade_unit=self.member.grade_unit,
                mass_unit=self.member.mass_unit,
            )
            self.fields["gold"].says = f"{says.sentence} {says.ask or ''}".strip()
        head = self._canonical("head")
        if head:
            others = [grade.grade_g_per_t(gold, feed)] if gold and feed else None
            says = guard.grade_guard(head, others, grade_unit=self.member.grade_unit)
            self.fields["head"].says = f"{says.sentence} {says.ask or ''}".strip()
        for name, mass, sentence in (
            (
                "gold_step",
                gold,
                phrase("A step coarser than the gold itself weighs nothing: check the unit."),
            ),
            (
                "mass_step",
                feed,
                phrase("A step coarser than the feed itself weighs nothing: check the unit."),
            ),
        ):
            if mass and self._canonical(name) and self._canonical(name) > mass:
                self._refuse(name, sentence)

    def _canonical(self, name: str) -> Decimal | None:
        quantity = self.cleaned_data.get(name)
        return None if quantity is None else quantity.canonical

    def _refuse(self, name: str, sentence: str) -> None:
        self.add_error(name, ValidationError(sentence, code="nonsense"))
