import pytest
from django.test import RequestFactory

from prospecting.filters.readings import ReadingFilter
from prospecting.models import AssayReturn, Reading
from tests import make
from tests.make_books import fill_books

pytestmark = pytest.mark.django_db


def found(**query) -> int:
    return ReadingFilter(RequestFactory().get("/", query), Reading.objects.all()).qs.count()


def test_readings_are_found_by_tag_laboratory_certificate_and_mark():
    fill_books()
    reading = Reading.objects.earliest("pk")
    everything = Reading.objects.count()
    of_sample = Reading.objects.filter(sample=reading.sample).count()
    assert found() == everything and found(tag=reading.sample.tag.lower()) == of_sample
    assert found(tag="nothing so") == 0
    laboratory = reading.sample.dispatch.laboratory
    assert found(laboratory=laboratory.pk) and not found(laboratory=make.make_laboratory(name="Another").pk)
    assert found(certificate="c-1") and not found(certificate="other")
    AssayReturn.objects.update(checks_state=AssayReturn.Checks.PASSED)
    assert found(marked="on") == Reading.objects.filter(assay_return__replaced_by__isnull=False).count()
    AssayReturn.objects.update(checks_state=AssayReturn.Checks.FAILED)
    assert found(marked="on") == everything
