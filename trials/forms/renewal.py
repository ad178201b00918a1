"""Renewing a test lot: how much of a new one is wanted, the bridging runs to it, and which two trials to set side by side."""

from decimal import Decimal

from django import forms
from django.http import QueryDict
from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase
from prospecting.forms.base import MassField, SiteForm
from prospecting.forms.lot_choice import LooksForLots, LotField
from prospecting.models import Lot, Member
from trials.forms.planning import TEST_LOTS, PlanForm, draft_before
from trials.models import NO_TEST_LOTS, Trial


class WantedForm(SiteForm):
    """Asks only, so it goes by GET and carries no identity."""

    mass = MassField(label=gettext_lazy("Mass of the new lot"))

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["identity"], self.fields["keep_as_typed"]


class BridgeForm(LooksForLots, PlanForm):
    """The plan of bridging runs from `old_lot` to a newer one."""

    new_lot = LotField(label=gettext_lazy("New lot"), not_kinds=NO_TEST_LOTS, likely=TEST_LOTS)
    field_order = ("new_lot",)

    def __init__(self, *args, member: Member, old_lot: Lot, **kwargs) -> None:
        super().__init__(*args, member=member, **kwargs)
        self.old_lot = old_lot
        self.fields["new_lot"].refuse(
            old_lot,
            phrase(
                "{lot} is the old lot itself. A bridge has another lot at its other end.", lot=old_lot.code
            ),
        )
        matters = self.fields["smallest_ratio"]
        matters.label = phrase("Smallest difference between the lots that would matter to you")
        matters.unit_label = phrase("times the old lot")
        matters.help_text = phrase(
            "1.25 means: a quarter more or less gold in the same mass. The narrower, the more runs."
        )
        self.fields["blocks"].help_text = phrase(
            "Each block takes one portion of either lot. Seven or more is better."
        )

    @staticmethod
    def starting_with(query: dict, last: Trial | None) -> dict:
        """Initial values: the new lot `?new=CODE`, and mass, water and soak as in the old lot's latest trial."""
        new = Lot.objects.in_stock().filter(code=query.get("new", "")).first()
        values = {"smallest_ratio": Decimal("1.25"), "blocks": 8, "new_lot": new.code if new else ""}
        if last is None:
            return values
        kept = ("outcome", "portion", "portions_from", "water", "soak_min", "scale_step")
        return values | {name: value for name, value in draft_before(last).items() if name in kept}

    def clean(self) -> dict:
        data = super().clean()
        new = data.get("new_lot")
        if new and new.is_dry != self.old_lot.is_dry:
            wet = self.old_lot if new.is_dry else new
            self.ask(
                phrase(
                    "{lot} is not dried and the other lot is: equal weights then hold unequal ore. Dry it first?",
                    lot=wet.code,
                )
            )
        return data

    def fields_typed(self) -> dict:
        return super().fields_typed() | {"new_lot": self.cleaned_data["new_lot"]}


class AcrossForm(forms.Form):
    """Two closed trials, by GET: `?trial=1&trial=2` from a link, or one from each list."""

    first = forms.ModelChoiceField(
        label=gettext_lazy("One trial; its lot is the footing"), queryset=Trial.objects.none()
    )
    second = forms.ModelChoiceField(label=gettext_lazy("The other trial"), queryset=Trial.objects.none())

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        closed = Trial.objects.filter(state=Trial.State.CLOSED, new_lot__isnull=True).select_related(
            "feed_lot", "new_lot"
        )
        told = closed.values_list("pk", "question", "feed_lot__code")
        choices = [
            (pk, phrase("{number}: {question}, on {lot}", number=pk, question=question, lot=code))
            for pk, question, code in told
        ]
        for field in self.fields.values():
            field.queryset = closed
            # Both lists are the same trials, read once.
            field.choices = [("", field.empty_label), *choices]

    @staticmethod
    def asked(query: QueryDict) -> dict:
        """What to fill the form with; nothing while nobody asked."""
        linked = dict(zip(("first", "second"), query.getlist("trial"), strict=False))
        return linked or {name: query[name] for name in ("first", "second") if name in query}

    def clean(self) -> dict:
        data = super().clean()
        if data.get("first") and data.get("first") == data.get("second"):
            self.add_error(
                "second", phrase("That is the same trial: its own verdict compares its treatments.")
            )
        return data
