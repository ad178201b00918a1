"""What the filters of every list share: our words, a sentence beside what cannot be read, the choice kept in the address."""

import datetime
from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import Model, QuerySet
from django.forms.boundfield import BoundField
from django.http import HttpRequest, QueryDict
from django.utils.formats import date_format
from django.utils.functional import cached_property
from django.utils.translation import gettext_lazy
from django_filters import Filter, FilterSet

from prospecting.calc import codes
from prospecting.calc.language import phrase
from prospecting.forms.base import DayField
from prospecting.forms.ground import ZoneChoiceField

LATEST_DAY = datetime.date(2999, 12, 31)
NOT_IN_LIST = {"invalid_choice": gettext_lazy("Choose one from the list.")}
# What of the address says how a list is shown, not what of it: it stays when a filter is set or taken away.
HOW_SHOWN = ("sort", "per_page")


class Narrowing(Filter):
    """Narrows to the rows whose field has the value asked for, or by a function of the list and that value.

    `said` is what it is called where it is set, if that is shorter than its label.
    """

    def __init__(
        self,
        label: str,
        by: Callable[[QuerySet, object], QuerySet] | None = None,
        *,
        said: str = "",
        **kwargs,
    ) -> None:
        super().__init__(label=label, **kwargs)
        self.by = by
        self.said = said or label

    def filter(self, rows: QuerySet, value: object) -> QuerySet:
        return self.by(rows, value) if self.by else rows.filter(**{self.field_name: value})

    def told(self, value: object) -> str:
        """What it narrows to, in words."""
        return f"{self.said}: {value}"


class TextFilter(Narrowing):
    """Something typed, of which a part is enough."""

    field_class = forms.CharField

    def __init__(self, label: str, by: Callable | None = None, **kwargs) -> None:
        super().__init__(label, by, max_length=60, **kwargs)

    def filter(self, rows: QuerySet, value: str) -> QuerySet:
        if self.by:
            return super().filter(rows, value)
        return rows.filter(**{f"{self.field_name}__icontains": value})

    def told(self, value: str) -> str:
        return super().told(f"“{value}”")


class ChoiceFilter(Narrowing):
    """One of a few; `every` is what the list says where none is chosen."""

    field_class = forms.ChoiceField

    def __init__(self, label: str, by: Callable | None = None, *, choices, every: str, **kwargs) -> None:
        super().__init__(
            label, by, choices=[("", every), *choices], error_messages=dict(NOT_IN_LIST), **kwargs
        )

    def told(self, value: str) -> str:
        return super().told(dict(self.extra["choices"])[value])


class RecordFilter(Narrowing):
    """One record of a short list."""

    field_class = forms.ModelChoiceField

    def __init__(
        self, label: str, by: Callable | None = None, *, queryset: QuerySet, every: str, **kwargs
    ) -> None:
        super().__init__(
            label, by, queryset=queryset, empty_label=every, error_messages=dict(NOT_IN_LIST), **kwargs
        )

    def told(self, value: Model) -> str:
        return super().told(str(value))


class ZoneFilter(Narrowing):
    field_class = ZoneChoiceField

    def __init__(self, label: str, by: Callable | None = None) -> None:
        super().__init__(label, by, empty_label=gettext_lazy("every zone"))


class TickFilter(Narrowing):
    field_class = forms.BooleanField

    def told(self, value: bool) -> str:
        return self.said


class DayFilter(Narrowing):
    field_class = DayField

    def __init__(self, label: str, by: Callable | None = None) -> None:
        super().__init__(label, by, initial=None)

    def told(self, value: datetime.date) -> str:
        return super().told(date_format(value, "j M Y"))


def since(field: str) -> DayFilter:
    return DayFilter(gettext_lazy("From"), lambda rows, day: rows.filter(**{f"{field}__gte": day}))


def until(field: str) -> DayFilter:
    return DayFilter(gettext_lazy("To"), lambda rows, day: rows.filter(**{f"{field}__lte": day}))


class CodeField(forms.CharField):
    """The code on a tag, however it is typed."""

    def __init__(self, **kwargs) -> None:
        super().__init__(max_length=60, **kwargs)

    def widget_attrs(self, widget) -> dict:
        return super().widget_attrs(widget) | {
            "autocomplete": "off",
            "autocapitalize": "characters",
            "spellcheck": "false",
        }

    def clean(self, value: str) -> str:
        text = super().clean(value)
        try:
            return codes.read_code(text) if text else ""
        except ValueError as error:
            raise ValidationError(str(error), code="code") from None


class CodeFilter(Narrowing):
    """A lot by the code on its tag: there may be too many of them for a list to choose from."""

    field_class = CodeField


class FilterForm(forms.Form):
    """The fields of a list's filters; where it has days, the later one does not come first."""

    def clean(self) -> dict:
        data = super().clean()
        days = {name: data[name] for name in ("since", "until") if data.get(name)}
        for name, day in days.items():
            if day > LATEST_DAY:
                self.add_error(name, phrase("That is too far ahead."))
        if len(days) == 2 and days["since"] > days["until"]:
            self.add_error(
                "until", phrase("This day is before the one above, so nothing can be between them.")
            )
        return data


@dataclass(frozen=True)
class Chosen:
    """One filter that is set: in words, and where the list stands without it."""

    words: str
    url_without: str


class ListFilter(FilterSet):
    """What of a list is shown (`qs`), as its address asks; what cannot be read narrows nothing and is said beside its field."""

    # What the list holds, one and several.
    noun: ClassVar[tuple[str, str]]

    class Meta:
        form = FilterForm

    def __init__(self, request: HttpRequest, rows: QuerySet, *, path: str = "") -> None:
        """`path` is the address of the list where the page is another one."""
        super().__init__(request.GET or None, rows, request=request)
        self.path = path or request.path

    def filter_queryset(self, rows: QuerySet) -> QuerySet:
        for name, value in self.asked.items():
            rows = self.filters[name].filter(rows, value)
        return rows

    @cached_property
    def fields(self) -> list[BoundField]:
        return self.form.visible_fields()

    @cached_property
    def asked(self) -> dict[str, object]:
        """What is asked for and could be read, by the name of its filter."""
        if not self.is_bound:
            return {}
        self.form.is_valid()
        return {name: value for name, value in self.form.cleaned_data.items() if value}

    @cached_property
    def chosen(self) -> list[Chosen]:
        return [Chosen(words, self._url_without(name)) for name, words in self.told().items()]

    def told(self) -> dict[str, str]:
        """What each filter that is set narrows to, in words."""
        return {name: self.filters[name].told(value) for name, value in self.asked.items()}

    @property
    def is_narrowing(self) -> bool:
        return bool(self.asked)

    @property
    def how_shown(self) -> list[tuple[str, str]]:
        """What of the address goes along when the form is sent, beside its own fields."""
        return [(name, self.data[name]) for name in HOW_SHOWN if self.data.get(name)]

    @property
    def url_of_all(self) -> str:
        return self._url([])

    @cached_property
    def number_in_all(self) -> int:
        """How many rows there are when no filter is set; asks the database."""
        return self.queryset.count()

    def _url_without(self, name: str) -> str:
        return self._url([other for other in self.asked if other != name])

    def _url(self, names: list[str]) -> str:
        query = QueryDict(mutable=True)
        query.update({name: self.data[name] for name in names} | dict(self.how_shown))
        return f"{self.path}?{query.urlencode()}" if query else self.path
