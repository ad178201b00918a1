"""What a refusal says to its reader, and what the books keep of it."""

import uuid
from contextlib import contextmanager
from decimal import Decimal

import pytest

from prospecting.actions import steps
from prospecting.actions.delivery import deliver_once
from prospecting.actions.held import hold_entry
from prospecting.actions.material import DrawFrom, StepDetails
from prospecting.actions.refusal import Refused
from prospecting.calc import language
from prospecting.calc.language import Speech
from prospecting.models import HeldEntry
from tests.make import DAY, make_lot, make_member


@pytest.fixture
def loud(monkeypatch):
    """A language in which every sentence begins with a call; its parts stay."""
    english = []

    @contextmanager
    def in_english():
        english.append(True)
        yield
        english.pop()

    def say(sentence: str) -> str:
        return sentence if english else f"Hear! {sentence}"

    monkeypatch.setattr(
        language, "_speech", Speech(say, lambda one, many, n: say(one if n == 1 else many), in_english)
    )


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("held_g", "said"), [("10", "only 10 g is on hand, 1 g less than was to be taken."), ("0", "is used up")]
)
def test_one_that_came_too_late_is_said_in_the_readers_language_and_kept_in_english(loud, held_g, said):
    member, lot = make_member(), make_lot("10")
    lot.on_hand_g = Decimal(held_g)
    lot.save(update_fields=["on_hand_g"])
    with pytest.raises(Refused) as refused:
        steps.discard_from_lot(
            draw=DrawFrom(lot=lot, mass_g=Decimal("11"), typed="11 g"),
            recorded_by=member,
            done_on=DAY,
            details=StepDetails(loss_reason="spilled"),
        )
    (sentence,) = refused.value.messages
    assert sentence.startswith("Hear!")
    assert said in sentence
    identity = uuid.uuid4()
    deliver_once(
        identity=identity,
        body={},
        member=member,
        make=lambda: hold_entry(
            identity=identity,
            title="Discard",
            form_path="/lots/",
            body={},
            as_read={},
            upload=None,
            refusal=refused.value,
            member=member,
        ),
    )
    kept = HeldEntry.objects.get(delivery__identity=identity).sentence
    assert kept == sentence.replace("Hear! ", "")
