import csv
import html
import io
import re

import pytest
from django.urls import reverse

from prospecting.models import AssayReturn, Reading, Sample
from tests import make

pytestmark = pytest.mark.django_db


def words(response) -> str:
    return html.unescape(" ".join(re.sub(r"<[^>]+>", " ", response.content.decode()).split()))


def make_readings(*texts: str) -> None:
    """One return with these readings of one sample: a number is a value in g/t, the rest is below a limit of 0.01."""
    member = make.make_member()
    parcel = make.make_parcel(1, member=member)
    found = AssayReturn.objects.create(
        dispatch=parcel,
        certificate_number="C-1",
        reported_on=make.DAY,
        recorded_by=member,
        file_bytes=b"x" * 1000,
    )
    for order, text in enumerate(texts, start=1):
        figure = {"symbol": "value", "grade_g_per_t": text}
        below = {"symbol": "below", "limit_g_per_t": "0.01"}
        Reading.objects.create(
            assay_return=found,
            sample=parcel.samples.get(),
            order=order,
            raw_text=text,
            unit="ppm",
            **(below if text.startswith("<") else figure),
        )


def test_everybody_who_signs_in_reads_what_came_back(client, client_as):
    url = reverse("reading-list")
    assert client.get(url).status_code == 302
    assert "Nothing has come back from a laboratory yet." in words(client_as("guest").get(url))
    make_readings("2.65", "<0.01")
    page = words(client_as("guest", grade_unit="g_per_t").get(url))
    assert "2.65 ppm" in page and "2.65 g/t" in page
    assert "<0.01 ppm" in page and "below 0.01" in page and "(not zero)" in page


def test_a_hundred_readings_cost_no_more_questions_than_one(client_as, django_assert_max_num_queries):
    make_readings(*(f"{number}.5" for number in range(100)))
    client = client_as("guest")
    with django_assert_max_num_queries(5):
        page = client.get(reverse("reading-list"))
    assert "page 1 of 2, 100 in all" in words(page)


def test_a_figure_that_no_longer_stands_says_so_on_the_page_and_in_the_file(client_as):
    make_readings("2.65")
    first = AssayReturn.objects.get()
    revised = AssayReturn.objects.create(
        dispatch=first.dispatch,
        certificate_number="C-1 revised",
        reported_on=make.DAY,
        replaces=first,
        checks_state="failed",
        recorded_by=first.recorded_by,
    )
    figure = {"symbol": "value", "grade_g_per_t": "2.45", "raw_text": "2.45", "unit": "g/t"}
    kept = Reading.objects.create(
        assay_return=revised, sample=first.dispatch.samples.get(), order=1, **figure
    )
    Sample.objects.update(in_use_symbol="value", in_use_g_per_t="2.45", reading_in_use=kept)
    client = client_as("guest", grade_unit="g_per_t")
    page = words(client.get(reverse("reading-list")))
    assert "2.65 g/t replaced" in page and "2.45 g/t a check failed" in page
    file = b"".join(client.get(reverse("reading-list"), {"file": "csv"}).streaming_content)
    rows = {row["As printed"]: row for row in csv.DictReader(io.StringIO(file.decode("utf-8-sig")))}
    titles = ("Certificate replaced by", "Checks of the return", "Value in use of the sample")
    assert [rows["2.65"][title] for title in titles] == ["C-1 revised", "no check came back in it", "value"]
    assert [rows["2.45"][title] for title in titles] == ["", "a check failed", "value"]
