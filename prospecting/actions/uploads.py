"""What every file that comes in has to pass: its size, the room its member and the site have left, the disk itself."""

import shutil

from django.conf import settings
from django.db import transaction

from prospecting.actions.refusal import Refused
from prospecting.calc.accepted_files import AcceptedFile, megabytes
from prospecting.calc.language import phrase
from prospecting.models import Member
from prospecting.models.room import bytes_kept


def check_size(upload, accepted: AcceptedFile, *, field: str, code: str) -> None:
    """Refuse a file that is too large, unread."""
    if sentence := accepted.too_large(upload.size):
        raise Refused(sentence, code=code, field=field)


@transaction.atomic
def check_room(*, member, adds_bytes: int, field: str | None) -> None:
    """Refuse what no longer fits; to be called in the transaction that stores it.

    The member's row is locked, so that a member's own two phones don't fill the last room twice. Several members at once may
    pass the site's limit by what they send in that moment; the disk's floor leaves room for that.
    """
    check_disk(adds_bytes=adds_bytes, field=field)
    Member.objects.select_for_update(no_key=True).get(pk=member.pk)
    kept = bytes_kept()
    own = kept[member.pk].total
    if own + adds_bytes > settings.MEMBER_QUOTA_BYTES:
        raise Refused(
            phrase(
                "It does not fit any more: your pictures and files take {taken} of the {room} a member has. Leave it out and "
                "record the rest, and ask a keeper for more room.",
                taken=megabytes(own),
                room=megabytes(settings.MEMBER_QUOTA_BYTES),
            ),
            code="member_quota",
            field=field,
        )
    everybody = sum(each.total for each in kept.values())
    if everybody + adds_bytes > settings.SITE_QUOTA_BYTES:
        raise Refused(
            phrase(
                "It does not fit any more: all pictures and files of the site take {taken} of {room}. Leave it out and "
                "record the rest, and tell a keeper.",
                taken=megabytes(everybody),
                room=megabytes(settings.SITE_QUOTA_BYTES),
            ),
            code="site_quota",
            field=field,
        )


def check_disk(*, adds_bytes: int, field: str | None) -> None:
    """Refuse a file while the disk still has room for the books themselves."""
    left = shutil.disk_usage(settings.DATA_DIR).free
    if left - adds_bytes < settings.DISK_FLOOR_BYTES:
        raise Refused(
            phrase(
                "The site's disk is nearly full ({left} are left), so no pictures or files are taken just now. Leave it out "
                "and record the rest, and tell a keeper.",
                left=megabytes(left),
            ),
            code="disk_nearly_full",
            field=field,
        )
