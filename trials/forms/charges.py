"""What the luck of a charge is reckoned from: typed in the address, nothing is stored."""

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext_lazy

from prospecting.calc import guard
from prospecting.calc.language import phrase
from prospecting.forms.base import GradeField
from prospecting.forms.steps import read_size
from prospecting.models import Member, Step
from trials.forms.sampling import RICHEST_G_PER_T, SizeField

# A nugget of an inch: no charge is asked to hold it (ours, no source).
LARGEST_UM = 25_400


class ChargesForm(forms.Form):
    """Size of the gold's grains and the ore's grade. Sent by GET."""

    gold = SizeField(
        label=gettext_lazy("Gold grains, usual size"),
        help_text=gettext_lazy("The size that holds most of the gold: 0.3 mm, 50 mesh"),
    )
    grade = GradeField(label=gettext_lazy("Grade, or your guess"), max_length=40)

    def __init__(self, data, *, member: Member) -> None:
        self.is_asked = bool(data.get("gold") or data.get("grade"))
        super().__init__(data if self.is_asked else None)
        self.fields["grade"].set_unit(member.grade_unit)
        self.member = member

    def clean_gold(self) -> float:
        try:
            size_um = float(read_size(self.cleaned_data["gold"], Step.MeshSeries.ASTM_E11).opening_um)
        except ValueError as error:
            raise ValidationError(str(error), code="size") from None
        if size_um > LARGEST_UM:
            raise ValidationError(
                phrase("That is a nugget, not a grain. Check the number and its unit."), code="nonsense"
            )
        return size_um

    def clean_grade(self) -> float:
        grade = self.cleaned_data["grade"]
        if grade.canonical >= RICHEST_G_PER_T:
            raise ValidationError(
                phrase("That is a tenth gold or more: no ore is. Check the number and its unit."),
                code="nonsense",
            )
        says = guard.grade_guard(grade.canonical, grade_unit=self.member.grade_unit)
        self.fields["grade"].says = f"{says.sentence} {says.ask or ''}".strip()
        return float(grade.canonical)
