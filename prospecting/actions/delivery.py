"""Exactly once: an entry carries the identity it was born with, and is recorded once however often it is sent."""

import hashlib
import json
import logging
from collections.abc import Callable
from dataclasses import dataclass
from uuid import UUID

from django.db import IntegrityError, transaction
from django.db.models import Model
from django.utils import timezone

from prospecting.actions.photos import without_files_of_failures
from prospecting.actions.refusal import Refused
from prospecting.calc.language import phrase
from prospecting.calc.phone_clock import read_phone_clock
from prospecting.models.journal import Delivery

logger = logging.getLogger(__name__)


@dataclass(frozen=True)
class ByPhone:
    """What a phone says of its entry: when it was made and when it was sent, by the phone's clock, as text."""

    born: str
    sent: str

    def columns(self) -> dict:
        """The Delivery's columns that keep it; what can't be read is left out, and the clock flagged."""
        clock = read_phone_clock(self.born, self.sent, timezone.now())
        return {
            "born_at": clock.born_at,
            "sent_at": clock.sent_at,
            "clock_ahead_s": clock.ahead_s,
            "clock_flagged": bool(clock.doubts),
        }


def body_sha256(body: dict) -> str:
    """The hash of what was sent, independent of the order of its fields."""
    return hashlib.sha256(json.dumps(body, sort_keys=True, ensure_ascii=False).encode()).hexdigest()


def known_delivery(*, identity: UUID, body: dict, member) -> Delivery | None:
    """The delivery of this very entry of this member, if it was delivered before."""
    return Delivery.objects.filter(identity=identity, member=member, body_sha256=body_sha256(body)).first()


def deliver_once(
    *, identity: UUID, body: dict, member, make: Callable[[], Model], by_phone: ByPhone | None = None
) -> Delivery:
    """Run `make` unless this identity was delivered before; return the delivery with the path of its record.

    `make` runs in the same transaction: it is recorded whole or not at all. The same identity with another body is
    refused and changes nothing, for then two different entries would claim to be one. A delivery that was there before
    says so by `is_repeat`.
    """
    sha256 = body_sha256(body)
    # Read before the transaction waits for its turn: the wait is no error of the phone's clock.
    told = by_phone.columns() if by_phone else {}
    try:
        with without_files_of_failures(), transaction.atomic():
            # The row goes in first: a second sender of the same identity waits here until the first has finished.
            delivery = Delivery.objects.create(identity=identity, member=member, body_sha256=sha256, **told)
            delivery.record_path = make().get_absolute_url()
            delivery.save(update_fields=["record_path"])
            return delivery
    except IntegrityError:
        known = Delivery.objects.filter(identity=identity).first()
        if known is None:
            # Not our identity: two people made the same thing (a name, a number) in the same instant.
            logger.exception("refused by the database")
            raise Refused(
                phrase(
                    "Someone else recorded the same a moment ago. Nothing was recorded; look, then send it again."
                ),
                code="recorded_by_another",
            ) from None
    if known.member_id != member.pk or known.body_sha256 != sha256:
        raise Refused(
            phrase(
                "This form was already recorded once, with other values. Nothing was changed. To record another one, "
                "open a new form; to change the first, open its record."
            ),
            code="sent_before_with_other_values",
        )
    known.is_repeat = True
    return known
