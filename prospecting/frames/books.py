"""The books of material and assays added up anew: whatever does not agree with what stands there, in words."""

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import islice
from pathlib import Path

from django.conf import settings
from django.db.models import Count, Q
from django.urls import Resolver404, resolve
from PIL import Image

from prospecting.calc import codes, lineage, mass_balance
from prospecting.calc.value_in_use import settle
from prospecting.models import (
    AssayReturn,
    Dig,
    Dispatch,
    Draw,
    HeldEntry,
    Lot,
    Origin,
    Photo,
    Reading,
    Sample,
    Step,
)
from prospecting.models.assays import ValueInUse
from prospecting.models.check_evidence import as_figure, counting, readings_of_samples
from prospecting.models.contamination import lots_carrying_a_mark

# Steps read at a time: a few thousand rows in memory, however long the books are.
STEPS_AT_ONCE = 500
SAMPLES_AT_ONCE = 2_000


@dataclass(frozen=True)
class Fault:
    """Something that is off: `where` names the record, `what` says it in a sentence."""

    where: str
    what: str

    def __str__(self) -> str:
        return f"{self.where}: {self.what}"


def faults_of_lots() -> Iterator[Fault]:
    """Codes that don't read back, and masses on hand that are not what was made less what was taken."""
    drawn: dict[int, list[Decimal]] = defaultdict(list)
    standing = Draw.objects.filter(step__voided_at__isnull=True)
    for lot_id, mass_g in standing.values_list("lot_id", "mass_g").iterator():
        drawn[lot_id].append(mass_g)
    for lot in Lot.objects.select_related("made_by").order_by("pk").iterator():
        where = f"Lot {lot.code}"
        if not _reads_back(lot.code):
            yield Fault(where, "its code does not agree with its check letter.")
        taken = drawn.pop(lot.pk, [])
        if lot.is_void != lot.made_by.is_void:
            yield Fault(where, "it is void and its step is not, or the other way round.")
        if lot.is_void and taken:
            yield Fault(where, "it is void, and yet a standing step took material from it.")
        left_g = Decimal(0) if lot.is_void else mass_balance.mass_left_g(lot.mass_g, taken)
        if left_g != lot.on_hand_g:
            yield Fault(where, f"the books say {_g(lot.on_hand_g)} on hand; added up it is {_g(left_g)}.")
        if left_g < 0:
            yield Fault(where, f"more was taken from it than it weighed, by {_g(-left_g)}.")


def faults_of_steps() -> Iterator[Fault]:
    """Losses that are not what went in less what came out, and shares that don't follow from those of the parents."""
    zones = dict(Dig.objects.values_list("pk", "zone_id"))
    stripes = dict(Dig.objects.values_list("pk", "zone__stripe"))
    dig_of_step = dict(Dig.objects.values_list("step_id", "pk"))
    for steps in _some_at_once(Step.objects.order_by("pk").iterator(STEPS_AT_ONCE), STEPS_AT_ONCE):
        ids = [step.pk for step in steps]
        draws, made = (
            _by_step(Draw.objects.filter(step__in=ids), "step_id"),
            _by_step(Lot.objects.filter(made_by__in=ids), "made_by_id"),
        )
        parents = {draw.lot_id for rows in draws.values() for draw in rows}
        shares = _shares(parents | {lot.pk for rows in made.values() for lot in rows})
        born = dict(Lot.objects.filter(pk__in=parents).values_list("pk", "made_by_id"))
        for step in steps:
            where = f"Step {step.pk} ({step.get_kind_display().lower()}, {step.done_on:%d %b %Y})"
            taken, makes = draws[step.pk], made[step.pk]
            if step.is_void:
                continue
            if any(born[draw.lot_id] >= step.pk for draw in taken):
                yield Fault(where, "it takes from a lot that was not made before it.")
            if step.kind == Step.Kind.DIG:
                expected = {dig_of_step[step.pk]: Decimal(1)} if step.pk in dig_of_step else {}
                if not expected:
                    yield Fault(where, "no dig belongs to it.")
            else:
                yield from _faults_of_balance(where, step, taken, makes)
                expected = _blended(taken, shares)
            for lot in makes:
                yield from _faults_of_shares(f"Lot {lot.code}", shares[lot.pk], expected)
                there = {zones[dig] for dig in shares[lot.pk]}
                stripe = "mixed" if len(there) > 1 else next((stripes[dig] for dig in shares[lot.pk]), "none")
                if lot.stripe != stripe:
                    yield Fault(
                        f"Lot {lot.code}", f"its tag's stripe is {lot.stripe}, by its shares it is {stripe}."
                    )


def faults_of_marks() -> Iterator[Fault]:
    """Contamination marks missing on what was made from a marked lot, or left where no mark stands."""
    standing = Lot.objects.standing()
    marked = set(standing.filter(pk__in=lots_carrying_a_mark()).values_list("pk", flat=True))
    flagged = set(standing.filter(is_marked=True).values_list("pk", flat=True))
    for lot in Lot.objects.filter(pk__in=marked ^ flagged).order_by("pk"):
        if lot.pk in marked:
            yield Fault(f"Lot {lot.code}", "contaminated material is in it, and it is not marked.")
        else:
            yield Fault(f"Lot {lot.code}", "it is marked as contaminated, and no standing mark reaches it.")


def faults_of_photos() -> Iterator[Fault]:
    """Photos whose file is missing, broken or another one, and files no entry knows."""
    known = set()
    for photo in Photo.objects.order_by("pk").iterator():
        where = f"Photo {photo.pk} ({photo.file.name})"
        known |= {photo.file.name, photo.thumb.name}
        if photo.thumb and not photo.thumb.storage.exists(photo.thumb.name):
            yield Fault(where, "its small picture is missing.")
        else:
            yield from _faults_of_size(where, photo)
        try:
            with photo.file.open("rb") as file, Image.open(file) as picture:
                picture.verify()
                size = picture.size
        except FileNotFoundError:
            yield Fault(where, "its file is missing.")
        # Pillow raises whatever its readers raise on a broken file; none of it may end the check.
        except Exception as error:
            yield Fault(where, f"its file can't be read as a picture ({error}).")
        else:
            if size != (photo.width_px, photo.height_px):
                wanted = f"{photo.width_px} by {photo.height_px}"
                yield Fault(where, f"its file is {size[0]} by {size[1]} pixels, the books say {wanted}.")
    folder = Path(settings.MEDIA_ROOT)
    on_disk = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    for name in sorted(on_disk - known):
        yield Fault(f"File {name}", "it lies among the photos, and no entry knows it.")


def _faults_of_size(where: str, photo: Photo) -> Iterator[Fault]:
    """What the room its member has left is reckoned from; a missing file is told of elsewhere."""
    if not photo.file.storage.exists(photo.file.name):
        return
    there = photo.file.size + (photo.thumb.size if photo.thumb else 0)
    if photo.size_bytes != there:
        said = "nothing" if photo.size_bytes is None else f"{photo.size_bytes:,} bytes"
        yield Fault(where, f"its files take {there:,} bytes, the books say {said}.")


def faults_of_assays() -> Iterator[Fault]:
    """Laboratory tags that don't read back, and stored files that changed."""
    for tag in Sample.objects.order_by("pk").values_list("tag", flat=True).iterator():
        try:
            fine = codes.read_tag(tag) == tag
        except ValueError:
            fine = False
        if not fine:
            yield Fault(f"Sample {tag}", "its tag does not agree with its check digit.")
    for kept in AssayReturn.objects.filter(file_sha256__isnull=False).order_by("pk").iterator(20):
        if hashlib.sha256(bytes(kept.file_bytes or b"")).hexdigest() != kept.file_sha256:
            yield Fault(
                f"Certificate {kept.certificate_number}", "its stored file is not the one that was read."
            )


def faults_of_values() -> Iterator[Fault]:
    """Values in use that are not what their rule gives today, from the readings that count."""
    samples = Sample.objects.select_related("dispatch").order_by("pk").iterator(SAMPLES_AT_ONCE)
    while some := list(islice(samples, SAMPLES_AT_ONCE)):
        readings: dict[int, list[Reading]] = defaultdict(list)
        for reading in readings_of_samples(Q(sample__in=[sample.pk for sample in some])):
            readings[reading.sample_id].append(reading)
        for sample in some:
            standing = readings[sample.pk]
            if sample.in_use_rule == Sample.Rule.CHOSEN:
                said = _fault_of_choice(sample, standing)
            else:
                said = _fault_of_rule(sample, standing)
            if said:
                yield Fault(f"Sample {sample.tag}", said)


def _fault_of_choice(sample: Sample, standing: Sequence[Reading]) -> str:
    chosen = next((each for each in standing if each.pk == sample.reading_in_use_id), None)
    if chosen is None:
        return "the reading chosen by hand is not one of its own that count."
    if chosen.fraction:
        return "the reading chosen by hand is of one fraction, not of the whole."
    if sample.in_use != (chosen.symbol, chosen.grade_g_per_t, chosen.limit_g_per_t):
        return f"{_in_use_words(sample.in_use)} is in use, and the reading chosen by hand says another value."
    if not sample.in_use_reason:
        return "its reading was chosen by hand, and no reason stands beside it."
    return ""


def _fault_of_rule(sample: Sample, standing: Sequence[Reading]) -> str:
    settled = settle(
        [as_figure(reading) for reading in counting(standing)],
        asked=sample.asked_rule,
        by_screen=sample.by_screen,
    )
    value = settled.value
    gives = ValueInUse(value.symbol, value.grade, value.limit) if value else None
    if sample.in_use_rule != settled.rule:
        return (
            f"its value in use stands by the rule “{sample.get_in_use_rule_display()}”, and "
            f"“{Sample.Rule(settled.rule).label}” is the one that holds and gives a value."
        )
    if sample.in_use != gives:
        return (
            f"{_in_use_words(sample.in_use)} is in use; by its rule, {sample.get_in_use_rule_display()}, "
            f"it is {_in_use_words(gives)}."
        )
    if value and sample.reading_in_use_id != value.used[0].key:
        return "its value in use names another reading than the one it stands in."
    return ""


def _in_use_words(value: ValueInUse | None) -> str:
    if value is None:
        return "no value"
    if value.grade_g_per_t is None:
        return f"{value.symbol} {value.limit_g_per_t.normalize():f} g/t"
    return f"{value.grade_g_per_t.normalize():f} g/t"


def faults_of_held() -> Iterator[Fault]:
    """Entries kept for a keeper that can't be sent again, lack their picture, or are settled by half."""
    held = HeldEntry.objects.select_related("photo", "delivery").order_by("pk")
    for entry in held.iterator(100):
        where = f"Held entry {entry.pk} ({entry.title})"
        if not _can_be_sent_again(entry.body):
            yield Fault(where, "what was typed into it can't be read.")
        if not entry.outcome and not _page_stands(entry.form_path):
            yield Fault(where, "no page stands where its form stood.")
        if entry.photo and not entry.photo.file.storage.exists(entry.photo.file.name):
            yield Fault(where, "the picture that came with it is missing.")
        if entry.delivery.record_path != entry.get_absolute_url():
            yield Fault(where, "the delivery it came with leads elsewhere.")
        if said := _fault_of_settling(entry):
            yield Fault(where, said)


def _page_stands(path: str) -> bool:
    try:
        resolve(path.partition("?")[0])
    except Resolver404:
        return False
    return True


def _can_be_sent_again(body) -> bool:
    """Names of fields with the texts typed into each, as a form sends them."""
    if not isinstance(body, dict) or not body:
        return False
    return all(
        isinstance(some, list) and all(isinstance(text, str) for text in some) for some in body.values()
    )


def _fault_of_settling(entry: HeldEntry) -> str:
    outcome = HeldEntry.Outcome
    if not entry.outcome:
        traces = entry.settled_at or entry.settled_by_id or entry.reason or entry.record_path
        return "it waits for a keeper, and yet says how it was settled." if traces else ""
    if not entry.settled_at or not entry.settled_by_id:
        return "it is settled, and who settled it or when is missing."
    if entry.outcome == outcome.RECORDED and not entry.record_path:
        return "it is settled as recorded, and names no record."
    if entry.outcome == outcome.SET_ASIDE and not entry.reason:
        return "it was set aside, and no reason stands beside it."
    return ""


def faults_of_dispatches() -> Iterator[Fault]:
    """Places on a laboratory's list given twice, checks that are not what they say, and returns of what never went."""
    # Lists of the first days had no places.
    placed = Sample.objects.filter(place__gt=0).values("dispatch_id", "place").annotate(times=Count("pk"))
    for row in placed.filter(times__gt=1).order_by("dispatch_id", "place"):
        yield Fault(
            f"Dispatch {row['dispatch_id']}", f"place {row['place']} of its list has {row['times']} tags."
        )
    for sample in Sample.objects.exclude(duplicate_of=None).select_related("duplicate_of").order_by("pk"):
        where, twin = f"Sample {sample.tag}", sample.duplicate_of
        if sample.dispatch_id != twin.dispatch_id:
            yield Fault(where, f"it is a duplicate of {twin.tag}, which went with another dispatch.")
        elif twin.kind != Sample.Kind.LOT:
            yield Fault(where, f"it is a duplicate of {twin.tag}, which is a check itself.")
    for sample in Sample.objects.exclude(material=None).select_related("material").order_by("pk"):
        if sample.material.kind != sample.kind:
            yield Fault(
                f"Sample {sample.tag}",
                f"it is a {sample.get_kind_display().lower()}, and {sample.material} is none.",
            )
    unsent = Dispatch.objects.filter(sent_on=None, returns__isnull=False).distinct().order_by("pk")
    for dispatch in unsent:
        yield Fault(f"Dispatch {dispatch.pk}", "a return came back, and it is still being packed.")
    yield from _faults_of_second_splits()


def _faults_of_second_splits() -> Iterator[Fault]:
    """Field duplicates that were not taken from the lot their sample was taken from."""
    pairs = Sample.objects.filter(duplicate_stage=Sample.Stage.FIELD).order_by("pk")
    rows = list(pairs.values_list("tag", "lot__made_by_id", "duplicate_of__lot__made_by_id"))
    drawn: dict[int, set[int]] = defaultdict(set)
    for some in _some_at_once((step for _, *both in rows for step in both), 10_000):
        for step_id, lot_id in Draw.objects.filter(step__in=some).values_list("step_id", "lot_id"):
            drawn[step_id].add(lot_id)
    for tag, step, twins_step in rows:
        if drawn[step] != drawn[twins_step]:
            yield Fault(f"Sample {tag}", "it was not split off the lot of the sample it is a duplicate of.")


def _faults_of_balance(
    where: str, step: Step, taken: Sequence[Draw], makes: Sequence[Lot]
) -> Iterator[Fault]:
    if not taken:
        yield Fault(where, "it took nothing from any lot.")
        return
    try:
        loss_g = mass_balance.step_loss_g([draw.mass_g for draw in taken], [lot.mass_g for lot in makes])
    except ValueError as error:
        yield Fault(where, str(error))
        return
    if loss_g != step.loss_g:
        yield Fault(where, f"the books say {_g(step.loss_g)} lost; in less out is {_g(loss_g)}.")


def _faults_of_shares(
    where: str, shares: dict[int, Decimal], expected: dict[int, Decimal]
) -> Iterator[Fault]:
    total = sum(shares.values(), Decimal(0))
    if total != 1:
        yield Fault(where, f"its shares by dig sum to {total.normalize():f}, not to 1.")
    elif shares != expected:
        yield Fault(where, "its shares by dig are not those of what it was made of.")


def _blended(taken: Sequence[Draw], shares: dict[int, dict[int, Decimal]]) -> dict[int, Decimal]:
    """The shares that follow from the parents'; none where a parent's own are off, which is told of the parent."""
    try:
        return lineage.blend_shares([(draw.mass_g, shares[draw.lot_id]) for draw in taken])
    except ValueError:
        return {}


def _shares(lot_ids: Iterable[int]) -> dict[int, dict[int, Decimal]]:
    found: dict[int, dict[int, Decimal]] = defaultdict(dict)
    # SQLite takes no more than some 30,000 numbers in one question.
    for some in _some_at_once(sorted(lot_ids), 10_000):
        rows = Origin.objects.filter(lot__in=some).values_list("lot_id", "dig_id", "share")
        for lot_id, dig_id, share in rows:
            found[lot_id][dig_id] = share
    return found


def _by_step(rows, field: str) -> dict[int, list]:
    found: dict[int, list] = defaultdict(list)
    for row in rows.order_by("pk"):
        found[getattr(row, field)].append(row)
    return found


def _reads_back(code: str) -> bool:
    try:
        return codes.read_code(code) == code
    except ValueError:
        return False


def _some_at_once(rows: Iterable, number: int) -> Iterator[list]:
    rows = iter(rows)
    while some := list(islice(rows, number)):
        yield some


def _g(mass_g: Decimal) -> str:
    """A mass to its last digit: here a rounded one would hide what is off."""
    return f"{mass_g.normalize():f} g"
