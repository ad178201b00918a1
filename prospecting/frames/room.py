"""Who takes how much room on the site, for keepers."""

import shutil
from dataclasses import dataclass

from django.conf import settings

from prospecting.models import Member
from prospecting.models.room import BytesKept, bytes_kept


@dataclass(frozen=True)
class MemberRoom:
    member: Member
    kept: BytesKept


@dataclass(frozen=True)
class Room:
    """All sizes in bytes. `members` who keep anything, the largest first."""

    members: list[MemberRoom]
    site_bytes: int
    member_quota_bytes: int
    site_quota_bytes: int
    disk_left_bytes: int
    disk_floor_bytes: int

    @property
    def is_short(self) -> bool:
        """Whether uploads are refused now, for everybody."""
        return self.site_bytes >= self.site_quota_bytes or self.disk_left_bytes <= self.disk_floor_bytes


def room() -> Room:
    """Two queries, however many members."""
    kept = {pk: each for pk, each in bytes_kept().items() if each.total}
    members = [MemberRoom(member, kept[member.pk]) for member in Member.objects.filter(pk__in=kept)]
    return Room(
        members=sorted(members, key=lambda row: (-row.kept.total, str(row.member))),
        site_bytes=sum(each.total for each in kept.values()),
        member_quota_bytes=settings.MEMBER_QUOTA_BYTES,
        site_quota_bytes=settings.SITE_QUOTA_BYTES,
        disk_left_bytes=shutil.disk_usage(settings.DATA_DIR).free,
        disk_floor_bytes=settings.DISK_FLOOR_BYTES,
    )
