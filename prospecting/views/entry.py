"""How a page records what its form holds: once, whole, with the refusal beside the field; and what a phone is told of it."""

from collections.abc import Callable
from dataclasses import dataclass

from django.contrib import messages
from django.core.exceptions import NON_FIELD_ERRORS, ValidationError
from django.db.models import Model
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext_lazy

from prospecting.access import PhoneAnswer, from_phone, identity_of
from prospecting.actions.delivery import ByPhone, deliver_once
from prospecting.actions.held import CAME_TOO_LATE, hold_entry, settle_held
from prospecting.actions.refusal import Refused
from prospecting.calc.language import phrase
from prospecting.calc.number_words import as_written
from prospecting.forms.base import SiteForm
from prospecting.models import Delivery, HeldEntry, JournalEntry

LONGEST_PATH = HeldEntry._meta.get_field("form_path").max_length
# Pages whose address doesn't say in words what is done there.
WORDS = {"run-add": "Test pan", "run-log": "Run"}


@dataclass(frozen=True)
class Change:
    """A form that changes a record: the record, and what the form starts with, read from the record."""

    record: Model
    start: Callable[[Model], dict]
    # The record whose journal tells of it, where that is another.
    told_of: Model | None = None


def enter(
    request: HttpRequest,
    form: SiteForm,
    make: Callable[[], Model],
    *,
    said: str = gettext_lazy("Recorded."),
    then: str = "",
    change: Change | None = None,
) -> HttpResponse | None:
    """Record a valid form through `make` and go to `then`, or to the record; None when the form has to be shown (again).

    A phone's entry is always answered (see access.py), so that its page need not know of it. Where the form is a `change`,
    what another changed since it was shown is never overwritten unseen.
    """
    if change:
        form.note_as_shown()
        make = _unless_overtaken(form, change, make)
    if request.method != "POST":
        return None
    if not form.is_valid():
        return refused(request, form, code="not_valid") if from_phone(request) else None
    try:
        return _recorded(request, form, make, said, then)
    except ValidationError as error:
        refusal = error
    if from_phone(request) and refusal_code(refusal) in CAME_TOO_LATE and not form.cleaned_data["held"]:
        try:
            return _held(request, form, refusal)
        except ValidationError as error:
            refusal = error
    form.add_refusal(refusal)
    return refused(request, form, code=refusal_code(refusal)) if from_phone(request) else None


def _unless_overtaken(form: SiteForm, change: Change, make: Callable[[], Model]) -> Callable[[], Model]:
    """`make`, but refused where the record is no longer what the form's page showed."""

    def look_and_make() -> Model:
        rows = type(change.record)._base_manager.select_for_update()
        now = rows.get(pk=change.record.pk)
        if said := form.overtaken_by(change.start(now)):
            for name, sentence in said.items():
                form.add_error(name, sentence)
            who = _who_changed(change.told_of or now)
            raise Refused(
                phrase(
                    "{who} changed this while you had it open. Nothing of yours was recorded yet: look at what is "
                    "marked below, then send it again.",
                    who=who,
                ),
                code="overtaken",
            )
        return make()

    return look_and_make


def _who_changed(record: Model) -> str:
    last = JournalEntry.objects.about(record).select_related("member").order_by("-pk").first()
    if last is None or last.member is None:
        return phrase("Somebody")
    return f"{last.member} ({date_format(timezone.localtime(last.at), 'j M, H:i')})"


def refusal_code(error: ValidationError) -> str:
    """A sentence of full_clean() has no code of its own."""
    return getattr(error, "code", None) or "not_valid"


def _recorded(
    request: HttpRequest, form: SiteForm, make: Callable[[], Model], said: str, then: str
) -> HttpResponse:
    delivery = _deliver(request, form, _settling(request, form, make))
    if not from_phone(request):
        messages.success(request, said)
        return redirect(then or delivery.record_path)
    status, state = (200, "known") if delivery.is_repeat else (201, "recorded")
    if is_watched(request):
        messages.success(request, said)
    return PhoneAnswer(status, state, identity=identity_of(request), path=delivery.record_path, said=said)


def is_watched(request: HttpRequest) -> bool:
    """Whether the runner still stands on the form, and so will see what the next page says."""
    return request.headers["X-Phone-Entry"] == "now"


def refused(request: HttpRequest, form: SiteForm, *, code: str) -> PhoneAnswer:
    """Why a phone's entry was not recorded: the sentences, those beside a field by its name, and what the guard asks."""
    return PhoneAnswer(
        422,
        "refused",
        identity=identity_of(request),
        code="guard" if form.has_error(NON_FIELD_ERRORS, "guard") else code,
        sentences=[str(sentence) for sentence in form.non_field_errors()],
        fields={
            name: [str(sentence) for sentence in sentences]
            for name, sentences in form.errors.items()
            if name != NON_FIELD_ERRORS
        },
        # The list of what waits shows no fields to stand beside.
        labels={name: str(form[name].label) for name in form.errors if name in form.fields},
        asks=form.guard_asks,
    )


def _deliver(request: HttpRequest, form: SiteForm, make: Callable[[], Model]) -> Delivery:
    told = request.headers
    return deliver_once(
        identity=form.cleaned_data["identity"],
        body=form.typed_body(),
        member=request.user,
        make=make,
        by_phone=ByPhone(born=told.get("X-Born-At", ""), sent=told.get("X-Sent-At", ""))
        if from_phone(request)
        else None,
    )


def _settling(request: HttpRequest, form: SiteForm, make: Callable[[], Model]) -> Callable[[], Model]:
    """`make`, and with it the end of the held entry this form was sent for, if it was."""
    held = form.cleaned_data["held"]
    if held is None:
        return make

    def make_and_settle() -> Model:
        record = make()
        settle_held(pk=held, record=record, form_path=request.path, settled_by=request.user)
        return record

    return make_and_settle


def _held(request: HttpRequest, form: SiteForm, refusal: Refused) -> PhoneAnswer:
    address = request.get_full_path()

    # As the books have it, whoever entered it.
    with as_written():
        as_read = {str(label): said for label, said in form.as_read().items()}

    def hold() -> HeldEntry:
        return hold_entry(
            identity=form.cleaned_data["identity"],
            title=title_of(request),
            form_path=address if len(address) <= LONGEST_PATH else request.path,
            body=form.to_send_again(),
            as_read=as_read,
            upload=next(iter(request.FILES.values()), None),
            refusal=refusal,
            member=request.user,
        )

    delivery = _deliver(request, form, hold)
    told = {"identity": identity_of(request), "path": delivery.record_path}
    if delivery.is_repeat:
        return PhoneAnswer(200, "known", **told)
    sentence = phrase(
        "{refusal} What you typed is kept; a keeper decides what becomes of it.",
        refusal=" ".join(refusal.messages),
    )
    if is_watched(request):
        messages.warning(request, sentence)
    return PhoneAnswer(202, "held", sentence=sentence, **told)


def title_of(request: HttpRequest) -> str:
    """What is done on this page and to what, in a few words: Discard K7A4."""
    match = request.resolver_match
    words = WORDS.get(match.url_name) or match.url_name.removeprefix("lot-").replace("-", " ").capitalize()
    codes = [str(value) for name, value in match.kwargs.items() if name.endswith("code")]
    return " ".join([words, *codes])
