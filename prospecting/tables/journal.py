import re

import django_tables2 as tables
from django.utils.html import format_html, format_html_join

from prospecting.models import JournalEntry
from prospecting.tables.base import ListTable


class JournalTable(ListTable):
    """The journal's lines, newest first; what changed stands below what was done."""

    at = tables.DateTimeColumn(
        verbose_name="When", format="d M Y H:i", order_by="pk", attrs={"td": {"class": "lead"}}
    )
    member = tables.Column(verbose_name="Who", orderable=False, empty_values=())
    subject_label = tables.Column(
        verbose_name="About", orderable=False, linkify=lambda record: record.subject_path or None
    )
    what = tables.Column(verbose_name="What", orderable=False)
    device = tables.Column(verbose_name="Device", orderable=False, default="the site's computer")

    class Meta:
        model = JournalEntry
        fields = ("at", "member", "subject_label", "what", "device")
        order_by = "-at"
        empty_text = "No line is like that. Take a filter away to see more."

    def render_member(self, record: JournalEntry) -> str:
        return str(record.member) if record.member else "the site"

    def render_what(self, record: JournalEntry):
        return format_html("{}{}{}", record.what, why_line(record), change_lines(record))

    def render_device(self, value: str) -> str:
        return device_words(value)


def why_line(entry: JournalEntry):
    return format_html('<br><span class="soft">why: {}</span>', entry.why) if entry.why else ""


def change_lines(entry: JournalEntry):
    """One line for each field that was changed."""
    return format_html_join(
        "",
        '<br><span class="soft">{}: {} → {}</span>',
        (
            (field.replace("_", " "), before or "blank", after or "blank")
            for field, (before, after) in entry.changes.items()
        ),
    )


def device_words(user_agent: str) -> str:
    """What a browser says of the machine it runs on: the first words in brackets, else how the line begins."""
    inside = re.search(r"\(([^()]+)\)", user_agent)
    return (inside[1] if inside else user_agent)[:48]
