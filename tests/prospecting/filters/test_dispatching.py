import datetime

import pytest
from django.test import RequestFactory
from django.utils import timezone

from prospecting.filters.dispatching import DispatchFilter
from prospecting.models import Dispatch
from tests import make

pytestmark = pytest.mark.django_db


def found(**query) -> set[int]:
    filters = DispatchFilter(RequestFactory().get("/", query), Dispatch.objects.with_state())
    return set(filters.qs.values_list("pk", flat=True))


def test_dispatches_are_found_by_what_came_back_of_them():
    yesterday = timezone.localdate() - datetime.timedelta(days=1)
    packing, late = make.make_parcel(2), make.make_parcel(2)
    Dispatch.objects.filter(pk=packing.pk).update(sent_on=None)
    Dispatch.objects.filter(pk=late.pk).update(sent_on=make.DAY, expected_on=yesterday)
    assert found() == {packing.pk, late.pk}
    assert found(state="packing") == {packing.pk}
    assert found(state="waiting") == found(state="late") == {late.pk}
    assert found(state="returned") == found(state="part") == set()
    assert found(laboratory=late.laboratory_id, state="waiting") == {late.pk}
