"""The second lock behind the pages: an action itself refuses a member who may not do it."""

from django.core.exceptions import PermissionDenied


def require_writer(member) -> None:
    if not member.can_write:
        raise PermissionDenied("Guests read; recording is for members.")


def require_keeper(member) -> None:
    if not member.is_keeper:
        raise PermissionDenied("This is for keepers.")
