"""How much room pictures and files take, by member."""

from collections import defaultdict
from dataclasses import dataclass

from django.db.models import BigIntegerField, Sum, Value
from django.db.models.functions import Coalesce, Length

from prospecting.models.assays import AssayReturn
from prospecting.models.ground import ClaimPaper
from prospecting.models.photos import Photo


@dataclass
class BytesKept:
    photos: int = 0
    papers: int = 0
    certificates: int = 0

    @property
    def total(self) -> int:
        return self.photos + self.papers + self.certificates


def bytes_kept() -> dict[int, BytesKept]:
    """What each member keeps on the site, by the member's id, voided things too; one query, and no file is read."""
    size = BigIntegerField()
    parts = [
        Photo.objects.order_by().values_list(Value("photos"), "added_by").annotate(size=Sum("size_bytes")),
        ClaimPaper.objects.order_by()
        .values_list(Value("papers"), "recorded_by")
        .annotate(size=Sum(Length("file_bytes"), output_field=size)),
        AssayReturn.objects.order_by()
        .values_list(Value("certificates"), "recorded_by")
        .annotate(size=Sum(Coalesce(Length("file_bytes"), 0), output_field=size)),
    ]
    kept: dict[int, BytesKept] = defaultdict(BytesKept)
    for what, member_id, total in parts[0].union(*parts[1:], all=True):
        setattr(kept[member_id], what, total or 0)
    return kept
