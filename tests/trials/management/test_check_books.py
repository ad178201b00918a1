"""The command that adds up the books: silent on books that are right, and it names each thing that is off."""

import datetime
import io
from collections.abc import Callable
from decimal import Decimal

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import call_command
from PIL import Image

from prospecting.actions import assays, dispatching, steps
from prospecting.actions.contamination import mark_lot
from prospecting.actions.material import DrawFrom, StepDetails, void_step
from prospecting.actions.photos import keep_photo
from prospecting.models import (
    AssayReturn,
    Contamination,
    Dig,
    Dispatch,
    Draw,
    HeldEntry,
    Lot,
    Member,
    Origin,
    Photo,
    Sample,
    Step,
)
from prospecting.readers.certificate_csv import read_certificate
from tests import make
from tests.prospecting.actions.test_held import make_held
from tests.trials.make_trial import PORTION, make_closed, make_result
from trials.actions import running
from trials.models import PlannedRun, Run, Treatment, Trial, Weighing

DAY = make.DAY


@pytest.fixture
def books(db, settings, tmp_path):
    """A small group's books with a little of everything in them, all of it entered through the actions."""
    settings.MEDIA_ROOT = tmp_path
    keeper = make.make_member("keeper")
    first, second = make.make_lot("30000", member=keeper), make.make_lot("20000", member=keeper)
    blend = make.make_blend((first, "20000"), (second, "12000"), member=keeper, mass_g="31900")
    make.make_portions(blend, 6, "454", member=keeper)
    make_closed(
        lambda planned: "8.0",
        lot=blend,
        blocks=3,
        member=keeper,
        portions_from=Trial.PortionsFrom.CUT,
    )
    readings = [running.Reading(mg=Decimal(text), typed=f"{text} mg") for text in ("15.4", "15.6", "15.5")]
    running.log_test_pan(
        lot=first,
        portion=PORTION,
        result=make_result(keeper, "12.4", weighings=readings, tare_mg=Decimal("3.1"), tare_typed="3.1 mg"),
        recorded_by=keeper,
    )
    void_step(
        step=make.make_blend((first, "1000"), (second, "1000"), member=keeper).made_by,
        reason="typed twice",
        voided_by=keeper,
    )
    mark_lot(
        lot=second,
        kind=Contamination.Kind.SPILL,
        since=None,
        what="swept up from the floor",
        recorded_by=keeper,
    )
    split = steps.take_for_assay(
        draw=DrawFrom(lot=blend, mass_g=Decimal(400), typed="400 g"),
        recorded_by=keeper,
        done_on=DAY,
        details=StepDetails(method="riffle"),
    ).made.get()
    laboratory = dispatching.add_laboratory(name="Invented Assay Office", recorded_by=keeper)
    dispatch = dispatching.send_dispatch(
        lots=[split], laboratory=laboratory, sent_on=DAY, method="fire_30", recorded_by=keeper
    )
    data = f"Sample,Au g/t\n{dispatch.samples.get().tag},4.1\n".encode()
    assays.store_return(
        dispatch=dispatch,
        certificate=read_certificate(data, "c.csv"),
        certificate_number="C-1",
        reported_on=DAY + datetime.timedelta(days=14),
        file_name="c.csv",
        file_bytes=data,
        recorded_by=keeper,
    )
    picture = io.BytesIO()
    Image.new("RGB", (60, 40), (200, 160, 30)).save(picture, "JPEG")
    keep_photo(
        upload=SimpleUploadedFile("pan.jpg", picture.getvalue(), content_type="image/jpeg"), added_by=keeper
    )


def check() -> tuple[int, str]:
    out, err = io.StringIO(), io.StringIO()
    try:
        call_command("check_books", stdout=out, stderr=err)
    except SystemExit as end:
        return end.code, out.getvalue()
    return 0, out.getvalue()


def test_books_entered_through_the_actions_add_up(books):
    code, said = check()
    assert (code, "OFF" in said) == (0, False), said
    assert said.endswith("The books add up.\n")


def change(rows, **fields) -> None:
    """Change what stands in the books behind the back of the actions."""
    row = rows.first()
    type(row).objects.filter(pk=row.pk).update(**fields)


def blend() -> Lot:
    return Lot.objects.filter(kind=Lot.Kind.BLEND, is_void=False).get()


def keeper() -> Member:
    return Member.objects.earliest("pk")


def checked_parcel() -> Dispatch:
    """Two splits, a second split of one of them, and a coarse blank: packed, and sound."""
    parcel = make.make_parcel(2, member=keeper())
    first = parcel.samples.first()
    second = dispatching.PlannedCheck(
        kind="duplicate",
        of=first,
        stage="field",
        details=StepDetails(method="riffle"),
        done_on=DAY,
    )
    blank = dispatching.PlannedCheck(kind="blank", material=make.make_material("blank", member=keeper()))
    return dispatching.add_checks(dispatch=parcel, checks=[second, blank], recorded_by=keeper())


def test_a_parcel_with_checks_adds_up(books):
    checked_parcel()
    code, said = check()
    assert (code, "OFF" in said) == (0, False), said


def break_file() -> None:
    photo = Photo.objects.get()
    with photo.file.storage.open(photo.file.name, "wb") as file:
        file.write(b"not a picture")


def lose_file() -> None:
    photo = Photo.objects.get()
    photo.file.storage.delete(photo.file.name)


def add_file() -> None:
    Photo.objects.get().file.storage.save("stray.jpg", SimpleUploadedFile("stray.jpg", b"x"))


TAMPERED: dict[str, tuple[Callable[[], None], str]] = {
    "a digit of the mass on hand": (
        lambda: change(Lot.objects.filter(pk=blend().pk), on_hand_g=Decimal("28776.00001")),
        "on hand; added up it is",
    ),
    "a code": (
        lambda: change(Lot.objects.filter(kind="bucket"), code="QQQ-22-Q"),
        "does not agree with its check letter",
    ),
    "a void lot brought back": (
        lambda: change(Lot.objects.filter(is_void=True), is_void=False),
        "it is void and its step is not, or the other way round",
    ),
    "a draw from a void lot": (
        lambda: change(Lot.objects.filter(kind="bucket"), is_void=True),
        "a standing step took material from it",
    ),
    "a loss": (
        lambda: change(Step.objects.filter(pk=blend().made_by_id), loss_g=Decimal("99.99999")),
        "the books say 99.99999 g lost; in less out is 100 g",
    ),
    "a draw made smaller": (
        lambda: change(Draw.objects.filter(step=blend().made_by), mass_g=Decimal("10000")),
        "weighs more than went in",
    ),
    "a draw forgotten": (
        lambda: Draw.objects.filter(step__kind="assay").delete(),
        "it took nothing from any lot",
    ),
    "a step before its lot": (
        lambda: change(Draw.objects.filter(step=blend().made_by), lot=Lot.objects.order_by("-pk").first()),
        "was not made before it",
    ),
    "a share that does not sum": (
        lambda: change(Origin.objects.filter(lot=blend()), share=Decimal("0.5")),
        "not to 1",
    ),
    "shares swapped between digs": (lambda: swap_shares(), "not those of what it was made of"),
    "a dig lost": (lambda: move_dig(), "no dig belongs to it"),
    "a stripe": (
        lambda: change(Lot.objects.filter(pk=blend().pk), stripe="none"),
        "its tag's stripe is none",
    ),
    "a mark wiped off": (
        lambda: change(Lot.objects.filter(pk=blend().pk), is_marked=False),
        "contaminated material is in it, and it is not marked",
    ),
    "a mark from nowhere": (
        lambda: change(Lot.objects.filter(kind="bucket", is_marked=False), is_marked=True),
        "no standing mark reaches it",
    ),
    "a place given twice": (
        lambda: checked_parcel().samples.update(place=3),
        "place 3 of its list has 4 tags",
    ),
    "a duplicate of another parcel": (
        lambda: change(
            checked_parcel().samples.filter(kind="duplicate"), duplicate_of=Sample.objects.earliest("pk")
        ),
        "which went with another dispatch",
    ),
    "a second split of another lot": (
        lambda: change(
            checked_parcel().samples.filter(kind="duplicate"), lot=make.make_assay_split(member=keeper())
        ),
        "not split off the lot of the sample it is a duplicate of",
    ),
    "a packet of the wrong material": (
        lambda: change(
            checked_parcel().samples.filter(kind="blank"), material=make.make_material(member=keeper())
        ),
        "it is a coarse blank, and Invented reference",
    ),
    "a return of a parcel still here": (
        lambda: change(Dispatch.objects.filter(returns__isnull=False), sent_on=None),
        "a return came back, and it is still being packed",
    ),
    "a photo's file lost": (lose_file, "its file is missing"),
    "a photo's file broken": (break_file, "can't be read as a picture"),
    "a photo of another size": (
        lambda: change(Photo.objects, width_px=61),
        "60 by 40 pixels, the books say 61 by 40",
    ),
    "a stray file": (add_file, "no entry knows it"),
    "a sample's tag": (lambda: change(Sample.objects, tag="222229"), "does not agree with its check digit"),
    "a certificate's bytes": (
        lambda: change(AssayReturn.objects, file_bytes=b"Sample,Au g/t\n1,41\n"),
        "its stored file is not the one that was read",
    ),
    "a value in use": (
        lambda: change(Sample.objects.answered(), in_use_g_per_t=Decimal("41")),
        "41 g/t is in use; by its rule, first reading of the first return, it is 4.1 g/t",
    ),
    "a held entry's body": (
        lambda: HeldEntry.objects.filter(pk=make_held(keeper()).pk).update(body={"mass": "6 kg"}),
        "what was typed into it can't be read",
    ),
    "a trial without control": (
        lambda: Treatment.objects.update(is_control=False),
        "does not have one control",
    ),
    "a treatment twice in a block": (
        lambda: change(PlannedRun.objects, treatment=Treatment.objects.exclude(pk=first_treatment()).get()),
        "not every block of its plan holds every treatment",
    ),
    "a place in the plan's order": (
        lambda: change(PlannedRun.objects, run_order=99),
        "does not hold the runs it was fixed with",
    ),
    "a run's portion": (
        lambda: change(Run.objects, portion_mass_g=Decimal("454.00001")),
        "its step took another mass",
    ),
    "a run's step": (
        lambda: change(Step.objects.filter(kind="recover"), kind="discard"),
        "its step is no recovery",
    ),
    "a run's gold": (
        lambda: change(Run.objects.filter(tare_mg__isnull=False), gold_mg=Decimal("12.5")),
        "it names 12.5000 mg of gold, and its weighings make 12.4000 mg",
    ),
    "a run's dish": (
        lambda: change(Run.objects.filter(tare_mg__isnull=False), tare_mg=Decimal("99")),
        "its weighings do not outweigh its dish",
    ),
    "a reading lost": (
        lambda: Weighing.objects.filter(position=1).delete(),
        "its weighings make 12.4500 mg",
    ),
    "a run's lot": (lambda: change(Run.objects, lot=blend()), "another lot than the one it names"),
}


def first_treatment() -> int:
    return PlannedRun.objects.first().treatment_id


def swap_shares() -> None:
    large, small = Origin.objects.filter(lot=blend()).order_by("-share")
    Origin.objects.filter(pk=large.pk).update(share=small.share)
    Origin.objects.filter(pk=small.pk).update(share=large.share)


def move_dig() -> None:
    dig = Dig.objects.order_by("pk").first()
    Dig.objects.filter(pk=dig.pk).update(step=blend().made_by)


@pytest.mark.parametrize("name", TAMPERED)
def test_names_what_is_off(books, name):
    tamper, says = TAMPERED[name]
    tamper()
    code, said = check()
    assert code == 1
    assert says in said, said


@pytest.mark.django_db(transaction=True)
def test_nobody_waits_while_the_books_are_read(settings, tmp_path):
    """Outside a test's own transaction the command reads one state of the books and takes no write lock."""
    settings.MEDIA_ROOT = tmp_path
    make.make_lot("1000")
    code, said = check()
    assert (code, "The books add up." in said) == (0, True)
    make.make_lot("1000")
