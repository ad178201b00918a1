"""What files the site takes, and how large something is, in words."""

from django import template

from prospecting.calc import accepted_files

register = template.Library()
register.filter("megabytes", accepted_files.megabytes)


@register.simple_tag
def accepted_kinds() -> tuple[accepted_files.AcceptedFile, ...]:
    return accepted_files.ACCEPTED
