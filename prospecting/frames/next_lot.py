"""Which lot comes next when a step is done to one bucket after the other."""

from prospecting.models import Lot, Origin, Step


def next_lot(step: Step) -> Lot | None:
    """The oldest lot on hand of the kind this step drew from that has not been through the like; the same zone's first.

    Lots held back are left out. None when there is no such lot.
    """
    draw = step.draws.select_related("lot").first()
    if draw is None:
        return None
    waiting = Lot.objects.in_stock().of_kind(draw.lot.kind).filter(reserve_reason="")
    waiting = waiting.exclude(pk=draw.lot_id).exclude(made_by=step).order_by("pk")
    if step.kind == Step.Kind.DRY:
        waiting = waiting.filter(is_dry=False)
    elif step.kind == Step.Kind.SCREEN:
        # Crushed to the same size it still has an oversize; crushed finer it all passes.
        waiting = waiting.exclude(top_size_um__isnull=False, top_size_um__lt=step.target_size_um)
    elif step.target_size_um is not None:
        # As fine already as this step would make it.
        waiting = waiting.exclude(top_size_um__isnull=False, top_size_um__lte=step.target_size_um)
    zones = Origin.objects.filter(lot=draw.lot_id).values_list("dig__zone_id", flat=True)
    same_zone = waiting.filter(origins__dig__zone__in=list(zones))
    return same_zone.first() or waiting.first()
