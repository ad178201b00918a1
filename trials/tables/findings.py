from collections.abc import Collection
from operator import attrgetter

import django_tables2 as tables
from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase
from prospecting.tables.base import FileColumn, ListTable
from trials.models import Finding


class FindingTable(ListTable):
    sentence = tables.Column(verbose_name=gettext_lazy("Finding"), linkify=True, orderable=False)
    stand = tables.Column(verbose_name=gettext_lazy("What follows"))
    about = tables.Column(verbose_name=gettext_lazy("About"))
    concluded_on = tables.DateColumn(verbose_name=gettext_lazy("Day"), format="j M Y")
    concluded_by = tables.Column(verbose_name=gettext_lazy("Concluded by"))
    state = tables.Column(verbose_name=gettext_lazy("State"), empty_values=(), orderable=False)

    class Meta:
        model = Finding
        fields = ("sentence", "stand", "about", "concluded_on", "concluded_by", "state")
        empty_text = gettext_lazy(
            "No finding yet. Close a trial, read its verdict together, and record what you conclude: it is kept "
            "with its evidence as it stood."
        )

    def __init__(self, *args, changed: Collection[int] = (), **kwargs) -> None:
        """`changed` are the findings whose records read otherwise now."""
        super().__init__(*args, **kwargs)
        self.changed = changed

    def render_state(self, record: Finding) -> str:
        if record.taken_back_at:
            return phrase("taken back")
        if record.replaced_by_id:
            return phrase("replaced")
        return (
            phrase("stands; its records have changed since")
            if record.pk in self.changed
            else phrase("stands")
        )

    def file_columns(self) -> list[FileColumn]:
        return [
            ("Finding", attrgetter("sentence")),
            ("What follows", Finding.get_stand_display),
            ("About", Finding.get_about_display),
            ("Why", attrgetter("why")),
            ("Day", attrgetter("concluded_on")),
            ("Concluded by", attrgetter("concluded_by")),
            ("State", self.render_state),
        ]
