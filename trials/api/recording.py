"""A run sent by a program: the same form, guard and actions as the run page, exactly once by the identity it was given."""

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from django.core.exceptions import NON_FIELD_ERRORS, ValidationError
from django.http import HttpRequest, QueryDict
from django.shortcuts import get_object_or_404
from django.urls import resolve, reverse

from prospecting.access import MEMBER
from prospecting.actions.delivery import deliver_once, known_delivery
from prospecting.actions.held import CAME_TOO_LATE
from prospecting.api.gate import Answer, Problem, by_token, not_valid
from prospecting.api.kinds import (
    DAY,
    ID,
    IDENTITY,
    MOMENT,
    TYPED_DECIMAL,
    WHOLE,
    YES_NO,
    Kind,
    list_of,
    one_of,
    text,
)
from prospecting.models import Lot
from trials.actions import running
from trials.actions.running import Portion
from trials.api.work import COLOURS, RUNS
from trials.forms.runs import WEIGHINGS, RunForm
from trials.models import Run, Trial

# Refusals that say nothing against what was sent: the books have moved on.
MOVED_ON = CAME_TOO_LATE | {"logged_already", "trial_closed", "recorded_by_another"}


@dataclass(frozen=True)
class Sent:
    """One field of what is sent: the field of the form it fills, and the unit it is in."""

    name: str
    kind: Kind
    says: str
    example: Any
    field: str = ""
    unit: str = ""
    is_needed: bool = False

    @property
    def schema(self) -> dict:
        return self.kind.schema | {"description": self.says}

    def fill(self, value: Any) -> dict[str, str]:
        """The form's fields, as a person would have typed them."""
        read = self.kind.read(value)
        if self.name == "weighings_mg":
            return {name: f"{each} mg" for name, each in zip(WEIGHINGS, read, strict=False)}
        if self.name == "colours":
            return {size: str(count) for size, count in read.items()}
        if isinstance(read, bool):
            return {self.field or self.name: "on"} if read else {}
        return {self.field or self.name: f"{read} {self.unit}".strip()}


SENT = (
    Sent(
        "identity",
        IDENTITY,
        "A UUID your program makes once for this run and sends again with it however often.",
        "3f0c6b1e-6a8e-4c39-9d7f-2b1a5c7e9a10",
        is_needed=True,
    ),
    Sent("panned_on", DAY, "Day it was panned.", "2026-05-03", is_needed=True),
    Sent(
        "portion_g",
        TYPED_DECIMAL,
        "Mass put through, g. Left out for a planned run whose portion was cut beforehand.",
        "454",
        field="portion",
        unit="g",
    ),
    Sent(
        "weighings_mg",
        list_of(TYPED_DECIMAL, least=1, most=3),
        "What the scale showed, mg: the dried gold, up to three times.",
        ["12.3", "12.4"],
    ),
    Sent(
        "tare_mg",
        TYPED_DECIMAL,
        "The empty dish, mg, only where the weighings are of dish and gold together.",
        "800.1",
        field="tare",
        unit="mg",
    ),
    Sent(
        "scale_step_mg",
        TYPED_DECIMAL,
        "Smallest step of the scale, mg.",
        "0.1",
        field="scale_step",
        unit="mg",
    ),
    Sent(
        "is_below_scale",
        YES_NO,
        "Nothing shows on the scale; needs scale_step_mg, and no weighing.",
        False,
        field="below_scale",
    ),
    Sent(
        "colours",
        COLOURS,
        "Visible gold grains counted by size; 0 where you looked and saw none.",
        {"fine": 7, "flour": 20},
    ),
    Sent(
        "panner_id",
        ID,
        "Number of the member who panned; the token's member where left out.",
        1,
        field="panner",
    ),
    Sent("began_at", MOMENT, "When it began.", "2026-05-03T17:04:00Z"),
    Sent("ended_at", MOMENT, "When it ended.", "2026-05-03T17:31:00Z"),
    Sent("soak_min", TYPED_DECIMAL, "Soak, minutes.", "5"),
    Sent("pan_min", TYPED_DECIMAL, "Panning, minutes.", "18.5"),
    Sent("pan", text(80), "Pan or gear.", "14 inch pan"),
    Sent("water", text(120), "Where the water is from.", "creek"),
    Sent("water_batch", text(40), "The water's name or barrel.", "barrel 2"),
    Sent("water_uses", WHOLE, "How often the water was used before, up to 999.", 1),
    Sent(
        "water_temp_c", TYPED_DECIMAL, "Temperature of the water, °C.", "14.5", field="water_temp", unit="°C"
    ),
    Sent(
        "water_hardness_mg_per_l",
        TYPED_DECIMAL,
        "Hardness of the water, mg/L as calcium carbonate.",
        "120",
        field="water_hardness",
        unit="mg/L",
    ),
    Sent("light", one_of(Run.Light), "Light it was judged by.", "shade"),
    Sent("note", text(2000), "Note.", "read off the balance"),
    Sent(
        "fail_kind",
        one_of(Run.FailKind),
        "Only of a run that went wrong: how. It is kept and does not count.",
        "spilled",
    ),
    Sent("fail_reason", text(200), "What happened.", "the pan slipped"),
    Sent(
        "sure",
        YES_NO,
        "true after the site has asked whether a figure is right, and it is.",
        False,
        field="keep_as_typed",
    ),
)
BY_NAME = {sent.name: sent for sent in SENT}
# A form's field by the name it has in what was sent.
NAMES = {sent.field or sent.name: sent.name for sent in SENT} | dict.fromkeys(WEIGHINGS, "weighings_mg")
NAMES |= dict.fromkeys(COLOURS.schema["properties"], "colours")
RUN_SENT = {
    "type": "object",
    "description": "A run to record. Decimals are text, in the unit that ends the field's name.",
    "properties": {sent.name: sent.schema for sent in SENT},
    "required": [sent.name for sent in SENT if sent.is_needed],
    "additionalProperties": False,
}
EXAMPLE = {
    name: BY_NAME[name].example
    for name in ("identity", "panned_on", "portion_g", "weighings_mg", "scale_step_mg", "colours", "pan")
}


@by_token(role=MEMBER, methods=("POST",))
def lot_run_record(request: HttpRequest, code: str) -> Answer:
    """A test pan of a lot."""

    def open_form(data: QueryDict) -> tuple[RunForm, Callable[[], Run]]:
        lot = get_object_or_404(Lot.objects.standing(), code=code)
        weighings = Run.objects.filter(lot=lot).weighings()
        form = RunForm(data, member=request.user, weighings=weighings)
        return form, lambda: running.log_test_pan(
            lot=lot, portion=form.portion_taken(), result=form.result(None), recorded_by=request.user
        )

    return _record(request, f"lot {code}", open_form)


@by_token(role=MEMBER, methods=("POST",))
def trial_run_record(request: HttpRequest, pk: int, blind_code: str) -> Answer:
    """A planned run of a trial, by the blind code on its tub. Nothing told here names its treatment."""

    def open_form(data: QueryDict) -> tuple[RunForm, Callable[[], Run]]:
        trial = get_object_or_404(Trial.objects.select_related("feed_lot", "mixer"), pk=pk)
        planned = get_object_or_404(trial.planned_runs.blind(), blind_code=blind_code)
        cut = planned.portion
        if cut is not None and "portion" in data:
            sentence = (
                "The portion of this run was cut beforehand and goes through whole: leave its mass out."
            )
            raise not_valid([("portion_g", "portion_known", sentence)])
        form = RunForm(
            data,
            member=request.user,
            trial=trial,
            weighings=Run.objects.filter(planned__trial=trial).weighings(),
            portion=Portion(mass_g=cut.mass_g, typed=cut.mass_typed) if cut else None,
        )
        return form, lambda: running.log_run(
            planned=planned,
            result=form.result(None),
            portion=None if cut else form.portion_taken(),
            recorded_by=request.user,
        )

    return _record(request, f"trial {pk} {blind_code}", open_form)


def _record(
    request: HttpRequest, what: str, open_form: Callable[[QueryDict], tuple[RunForm, Callable[[], Run]]]
) -> Answer:
    sent = _sent(request)
    data = _typed(sent, request.user.pk)
    identity = IDENTITY.read(sent["identity"])
    # What it belongs to stands in the address and is as much a part of it as its figures.
    body = {"api": [what]} | RunForm.body_of(data, {})
    # Before anything is looked at: what was recorded once is known even where it would be refused by now.
    if known := known_delivery(identity=identity, body=body, member=request.user):
        return _told(known.record_path, status=200)
    form, make = open_form(data)
    if not form.is_valid():
        raise not_valid(_sentences(form), asks=form.guard_asks)
    try:
        delivery = deliver_once(identity=identity, body=body, member=request.user, make=make)
    except ValidationError as error:
        raise _problem(error) from None
    return _told(delivery.record_path, status=200 if delivery.is_repeat else 201)


def _told(record_path: str, *, status: int) -> Answer:
    run = RUNS.find(resolve(record_path).kwargs["pk"])
    return Answer(
        RUNS.record.write(run, for_guest=False),
        status=status,
        headers={"Location": reverse("api-run", args=[run.pk])},
    )


def _problem(error: ValidationError) -> Problem:
    """An action's refusal, its field by the name it has in what was sent."""
    code = getattr(error, "code", None) or "not_valid"
    by_field = getattr(error, "message_dict", {getattr(error, "field", None): error.messages})
    refusals = [
        (NAMES.get(name), code, str(said)) for name, sentences in by_field.items() for said in sentences
    ]
    return Problem(409 if code in MOVED_ON else 422, code, refusals[0][2], refusals=refusals)


def _sent(request: HttpRequest) -> Mapping[str, Any]:
    """The body as a JSON object, each of its fields of the right kind."""
    if request.content_type != "application/json":
        raise Problem(415, "not_json", "Send JSON, with the header Content-Type: application/json.")
    try:
        sent = json.loads(request.body.decode(), parse_constant=_no_number)
    except (ValueError, RecursionError):
        raise Problem(400, "not_json", "That is no JSON.") from None
    if not isinstance(sent, dict):
        raise not_valid([(None, "not_valid", "Send one run: an object in curly brackets.")])
    return sent


def _no_number(text: str) -> None:
    raise ValueError(f"{text} is no number of JSON")


def _typed(sent: Mapping[str, Any], member: int) -> QueryDict:
    """What was sent, as the run page's form would have been filled in."""
    refusals = [
        (name, "unknown_field", "There is no such field: look at its spelling.")
        for name in sent.keys() - BY_NAME
    ]
    refusals += [
        (each.name, "required", "This is needed.")
        for each in SENT
        if each.is_needed and each.name not in sent
    ]
    typed = {"panner": str(member)}
    for name in sent.keys() & BY_NAME:
        try:
            typed |= BY_NAME[name].fill(sent[name])
        except ValueError as error:
            refusals.append((name, "not_valid", str(error)))
    if refusals:
        raise not_valid(sorted(refusals, key=lambda refusal: refusal[0] or ""))
    data = QueryDict(mutable=True)
    data.update(typed)
    return data


def _sentences(form: RunForm) -> list[tuple[str | None, str, str]]:
    return [
        (None if name == NON_FIELD_ERRORS else NAMES.get(name), error.code or "not_valid", str(sentence))
        for name, errors in form.errors.as_data().items()
        for error in errors
        for sentence in error.messages
    ]
