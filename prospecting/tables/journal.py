import re
from operator import attrgetter
from urllib.parse import urlencode

import django_tables2 as tables
from django.utils.html import format_html, format_html_join
from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase
from prospecting.models import JournalEntry
from prospecting.tables.base import FileColumn, ListTable


class JournalTable(ListTable):
    """The journal's lines as they are given; what changed stands below what was done."""

    at = tables.DateTimeColumn(
        verbose_name=gettext_lazy("When"), format="d M Y H:i", attrs={"td": {"class": "lead"}}
    )
    member = tables.Column(
        verbose_name=gettext_lazy("Who"), empty_values=(), attrs={"td": {"class": "whole"}}
    )
    subject_label = tables.Column(verbose_name=gettext_lazy("About"))
    what = tables.Column(verbose_name=gettext_lazy("What"), attrs={"td": {"class": "words"}})
    device = tables.Column(verbose_name=gettext_lazy("Device"), default=gettext_lazy("the site's computer"))
    seal = tables.Column(verbose_name=gettext_lazy("Number"), empty_values=(), attrs={"td": {"class": "num"}})

    class Meta:
        model = JournalEntry
        fields = ("at", "member", "subject_label", "what", "device", "seal")
        orderable = False
        empty_text = gettext_lazy("No line is like that. Take a filter away to see more.")

    def render_member(self, record: JournalEntry) -> str:
        return str(record.member) if record.member else phrase("the site")

    def render_subject_label(self, record: JournalEntry, value: str):
        label = (
            format_html('<a href="{}">{}</a>', record.subject_path, value) if record.subject_path else value
        )
        if not record.subject_id:
            return label
        query = urlencode({"kind": record.subject_kind, "record": record.subject_id})
        return format_html('{}<br><a class="soft" href="?{}">{}</a>', label, query, phrase("all its lines"))

    def render_what(self, record: JournalEntry):
        return format_html("{}{}{}", record.what, why_line(record), change_lines(record))

    def render_device(self, value: str) -> str:
        return device_words(value)

    def render_seal(self, record: JournalEntry):
        seal = getattr(record, "seal", None)
        if seal is None:
            return phrase("not sealed yet")
        return format_html('{} <span class="soft code">{}</span>', seal.number, seal.sha256[:8])

    def file_columns(self) -> list[FileColumn]:
        return [
            ("Line", attrgetter("pk")),
            ("When (UTC)", attrgetter("at")),
            ("Who", self.render_member),
            ("About", attrgetter("subject_label")),
            ("What", attrgetter("what")),
            ("Why", attrgetter("why")),
            ("Changes", change_words),
            ("Device", attrgetter("device")),
            ("Number of its seal", lambda line: line.seal.number if hasattr(line, "seal") else None),
            ("Seal", lambda line: line.seal.sha256 if hasattr(line, "seal") else None),
        ]


def why_line(entry: JournalEntry):
    if not entry.why:
        return ""
    return format_html('<br><span class="soft">{}</span>', phrase("why: {reason}", reason=entry.why))


def change_words(entry: JournalEntry) -> str:
    return "; ".join(f"{field}: {before} → {after}" for field, before, after in changes_of(entry))


def change_lines(entry: JournalEntry):
    """One line for each field that was changed."""
    return format_html_join(
        "",
        '<br><span class="soft">{}: {} → {}</span>',
        ((field.replace("_", " "), before, after) for field, before, after in changes_of(entry)),
    )


def changes_of(entry: JournalEntry) -> list[tuple[str, str, str]]:
    """Each field that was changed, with what stood there before and after, in words where that was nothing."""
    return [
        (field, before or phrase("nothing"), after or phrase("nothing"))
        for field, (before, after) in entry.changes.items()
    ]


def device_words(user_agent: str) -> str:
    """What a browser says of the machine it runs on: the first words in brackets, else how the line begins."""
    inside = re.search(r"\(([^()]+)\)", user_agent)
    return (inside[1] if inside else user_agent)[:48]
