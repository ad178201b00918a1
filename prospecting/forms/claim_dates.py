"""Days to keep for a claim, as a member types them in from its papers."""

from django import forms
from django.db.models import Q
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase
from prospecting.calc.years import next_year
from prospecting.forms.base import CountField, DayField, SiteForm
from prospecting.models import ClaimDate, Member

USUAL_REMIND_DAYS = 60


class ClaimDateForm(SiteForm):
    what = forms.CharField(
        label=gettext_lazy("What is due"),
        max_length=120,
        help_text=gettext_lazy(
            "As the papers call it: yearly fee or waiver, filing with the county, renewal of a permission."
        ),
    )
    due_on = DayField(
        label=gettext_lazy("Due on"),
        initial=None,
        help_text=gettext_lazy("As the land agency, the county or the owner says."),
    )
    remind_days = CountField(
        label=gettext_lazy("Remind so many days before"),
        most=ClaimDate.MOST_REMIND_DAYS,
        initial=USUAL_REMIND_DAYS,
        unit_label=gettext_lazy("days"),
    )
    is_yearly = forms.BooleanField(
        label=gettext_lazy("Comes every year"),
        required=False,
        help_text=gettext_lazy("Once it is kept, the next one is written down a year later."),
    )
    watched_by = forms.ModelChoiceField(
        label=gettext_lazy("Who watches it"),
        queryset=Member.objects.none(),
        required=False,
        empty_label=gettext_lazy("nobody yet"),
        error_messages={"invalid_choice": gettext_lazy("Choose one of the members in the list.")},
    )
    note = forms.CharField(
        label=gettext_lazy("Note"),
        max_length=200,
        required=False,
        help_text=gettext_lazy("Where it is paid, with which form, what it cost last time."),
    )

    def __init__(self, *args, date: ClaimDate | None = None, **kwargs) -> None:
        """`date` is the one to be changed, if any."""
        if date is not None:
            kwargs["initial"] = claim_date_before(date)
        super().__init__(*args, **kwargs)
        may_watch = Q(is_active=True, role__in=[Member.Role.MEMBER, Member.Role.KEEPER])
        if date is not None:
            # Whoever watches it now stays to be chosen, though they may have left.
            may_watch |= Q(pk=date.watched_by_id)
        self.fields["watched_by"].queryset = Member.objects.filter(may_watch)
        self.was_due_on = date.due_on if date is not None else None

    def clean(self) -> dict:
        cleaned = super().clean()
        due_on = cleaned.get("due_on")
        if due_on is not None and due_on != self.was_due_on and due_on < timezone.localdate():
            day = date_format(due_on, "d M Y")
            self.ask(phrase("{day} is past already. Is it still to be kept?", day=day))
        return cleaned

    def values(self) -> dict:
        """The fields of a ClaimDate."""
        names = ("what", "due_on", "remind_days", "is_yearly", "watched_by", "note")
        return {name: self.cleaned_data[name] for name in names} | {
            "what": " ".join(self.cleaned_data["what"].split())
        }


def claim_date_before(date: ClaimDate) -> dict:
    return {name: getattr(date, name) for name in ClaimDateForm.base_fields if hasattr(date, name)}


class ClaimDateKeepForm(SiteForm):
    done_on = DayField(label=gettext_lazy("Kept on"), done=True)
    done_how = forms.CharField(
        label=gettext_lazy("How it was kept"),
        max_length=200,
        help_text=gettext_lazy("The receipt's number, who took it, where the paper lies."),
    )
    next_due_on = DayField(
        label=gettext_lazy("The next one is due on"),
        required=False,
        initial=None,
        help_text=gettext_lazy(
            "Written down with the same reminder. Look at the papers: days move. Left empty: none follows."
        ),
    )

    def __init__(self, *args, date: ClaimDate, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        if not date.is_yearly:
            del self.fields["next_due_on"]
            return
        self.fields["next_due_on"].initial = next_year(date.due_on)

    def values(self) -> dict:
        return {name: self.cleaned_data.get(name) for name in ("done_on", "done_how", "next_due_on")}


class ClaimDateReopenForm(SiteForm):
    reason = forms.CharField(
        label=gettext_lazy("Why it is opened again"),
        max_length=200,
        help_text=gettext_lazy("Like: marked the wrong date, or the office sent it back."),
    )


class ClaimDateVoidForm(SiteForm):
    reason = forms.CharField(
        label=gettext_lazy("Why it is voided"),
        max_length=200,
        help_text=gettext_lazy("Like: typed in twice, or the wrong claim."),
    )
