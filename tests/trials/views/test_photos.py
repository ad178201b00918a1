from decimal import Decimal
from io import BytesIO

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from PIL import Image

from prospecting.actions.photos import keep_photo, set_scale
from tests.make import DAY, make_member
from tests.trials.make_trial import log, make_running
from trials.actions import running
from trials.models import Judging

pytestmark = pytest.mark.django_db


def make_photo(member, size=(1600, 1200), px_per_mm: str | None = None):
    out = BytesIO()
    Image.new("RGB", size, "brown").save(out, "JPEG")
    photo = keep_photo(upload=SimpleUploadedFile("pan.jpg", out.getvalue()), added_by=member)
    if px_per_mm:
        set_scale(photo=photo, px_per_mm=Decimal(px_per_mm), recorded_by=member)
    return photo


@pytest.fixture
def pictured():
    """A trial of one control and two treatments, block 1 all in: two pictures with a scale, one without."""
    member = make_member()
    trial = make_running(names=("plain water", "rinse low", "rinse high"), blocks=2)
    block = trial.blocks.get(number=1)
    for planned, scale in zip(block.planned_runs.all(), ("10", "40", None), strict=True):
        log(planned, member, "8.4", photo=make_photo(member, px_per_mm=scale))
    return block


def url_of(block):
    return reverse("block-photos", args=[block.trial_id, block.number])


def test_no_photo_stands_beside_its_treatment_before_the_block_is_closed(pictured, client_as):
    member, keeper = client_as("member"), client_as("keeper")
    for client in (member, keeper):
        page = client.get(url_of(pictured)).content.decode()
        assert "once it is closed" in page
        codes = pictured.planned_runs.values_list("blind_code", flat=True)
        for name in ("rinse low", "rinse high", "/photos/1", *(f">{code}<" for code in codes)):
            assert name not in page
    run = pictured.planned_runs.first().run
    page = member.get(run.get_absolute_url()).content.decode()
    assert run.photo.get_thumb_url() in page
    assert "rinse" not in page
    assert "rinse" not in member.get(run.photo.get_scale_url()).content.decode()


def test_once_closed_they_stand_at_one_scale_with_treatment_gold_and_code(
    pictured, client_as, django_assert_max_num_queries
):
    running.close_block(block=pictured, closed_by=make_member())
    member = client_as("member")
    with django_assert_max_num_queries(20):
        page = member.get(url_of(pictured)).content.decode()
    for planned in pictured.planned_runs.select_related("treatment"):
        assert planned.blind_code in page
        assert planned.treatment.name in page
    assert "Block 1: its pans side by side" in page
    assert page.count("8.4 mg") == 3
    # 1600 pixels at 10 to the mm are 160 mm across, at 40 to the mm 40 mm: both in frames of 160 mm.
    assert page.count('viewBox="0 0 160.0 ') == 2
    assert 'width="160.0" height="120.0"' in page
    assert 'width="40.0" height="30.0"' in page
    assert "50 mm</b>" in page
    assert page.index("Without a scale") > page.index("At one scale")
    assert page.count("Set its scale") == 1
    # The control comes first within what has a scale.
    assert "(control)" in page


def test_a_guest_sees_none_and_another_block_is_missing(pictured, client_as, client):
    running.close_block(block=pictured, closed_by=make_member())
    assert client.get(url_of(pictured)).status_code == 302
    assert client_as("guest").get(url_of(pictured)).status_code == 403
    assert client_as("member").get(reverse("block-photos", args=[pictured.trial_id, 99])).status_code == 404


def test_a_failed_run_says_so_and_a_judges_row_is_shown(client_as):
    judge = make_member(first_name="Juno")
    trial = make_running(blocks=2)
    block = trial.blocks.get(number=1)
    first, second = block.planned_runs.all()
    log(first, judge, None, failed=True, fail_reason="kicked over", photo=make_photo(judge))
    log(second, judge)
    Judging.objects.create(
        block=block, judge=judge, judged_on=DAY, photo=make_photo(judge, (1600, 400)), recorded_by=judge
    )
    running.close_block(block=block, closed_by=judge)
    page = client_as("member").get(url_of(block)).content.decode()
    assert "failed: kicked over" in page
    assert "At one scale" not in page
    assert "1</span> of its runs has no photo" in page
    assert "as Juno saw it" in page


def test_a_block_without_photos_says_what_to_do(client_as):
    trial = make_running(blocks=2)
    block, member = trial.blocks.get(number=1), make_member()
    for planned in block.planned_runs.all():
        log(planned, member)
    running.close_block(block=block, closed_by=member)
    assert "No run of this block has a photo" in client_as("member").get(url_of(block)).content.decode()
