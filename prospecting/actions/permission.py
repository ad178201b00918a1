"""The second lock behind the pages: an action itself refuses a member who may not do it."""

from django.core.exceptions import PermissionDenied
from django.utils.translation import gettext_lazy


def require_writer(member) -> None:
    if not member.can_write:
        raise PermissionDenied(gettext_lazy("Guests read; recording is for members."))


def require_keeper(member) -> None:
    if not member.is_keeper:
        raise PermissionDenied(gettext_lazy("This is for keepers."))
