"""Concentrate and tails of a recovery kept as lots of their own."""

from collections.abc import Sequence

from django.db import transaction

from prospecting.actions.journal import write_journal
from prospecting.actions.material import NewLot, blended_shares, check_makes, lock_lots, make_lots
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.calc import mass_balance
from prospecting.calc.language import phrase
from prospecting.calc.number_words import as_written
from prospecting.models import Lot, Step


@transaction.atomic
def keep_products(*, step: Step, products: Sequence[NewLot], recorded_by) -> list[Lot]:
    """Turn the weighed concentrate and/or tails of a recover step into lots; the rest stays its loss."""
    require_writer(recorded_by)
    step = Step.objects.select_for_update().get(pk=step.pk)
    if step.is_void:
        raise Refused(phrase("This step is void."), code="step_void")
    if step.kind != Step.Kind.RECOVER:
        raise Refused(phrase("Only a recovery has concentrate and tails."), code="no_recovery")
    if not products:
        raise Refused(
            phrase("Weigh the concentrate, the tails, or both."), code="nothing_weighed", field="concentrate"
        )
    check_makes(products)
    draws = list(step.draws.select_related("lot"))
    locked = lock_lots(draw.lot for draw in draws)
    parents = [locked[draw.lot_id] for draw in draws]
    there = list(step.made.all())
    for product in products:
        if any(lot.kind == product.kind for lot in there):
            raise Refused(
                phrase(
                    "The {product} of this run is a lot already.",
                    product=Lot.Kind(product.kind).label.lower(),
                ),
                code="kept_already",
                field=product.field,
            )
    try:
        loss_g = mass_balance.step_loss_g(
            [draw.mass_g for draw in draws],
            [lot.mass_g for lot in there] + [product.mass_g for product in products],
        )
    except ValueError as error:
        raise Refused(str(error), code="gain", field=products[-1].field) from None
    shares = blended_shares([(draw.mass_g, locked[draw.lot_id]) for draw in draws])
    lots = make_lots(step=step, makes=products, shares=shares, parents=parents)
    step.loss_g = loss_g
    step.save(update_fields=["loss_g"])
    for lot in lots:
        write_journal(
            member=recorded_by,
            about=step,
            what=_kept(lot),
        )
    return lots


@as_written()
def _kept(lot: Lot) -> str:
    return f"kept {lot.get_kind_display().lower()} as {lot.code}, {lot.mass_typed}"
