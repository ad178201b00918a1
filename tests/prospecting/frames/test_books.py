"""Values in use and held entries that are not what they say: each is named, whatever was changed behind the actions' back."""

from decimal import Decimal

import pytest
from django.utils import timezone

from prospecting.actions import values
from prospecting.actions.held import set_held_aside
from prospecting.frames.books import faults_of_held, faults_of_values
from prospecting.models import Delivery, HeldEntry, Photo, Reading, Sample
from tests.make import make_member
from tests.prospecting.actions.test_assays import make_dispatch
from tests.prospecting.actions.test_checks import a_return, lots_of
from tests.prospecting.actions.test_held import make_held, picture
from tests.prospecting.actions.test_values import SCREEN, WHOLE_ASSAY, fractions, set_rule

pytestmark = pytest.mark.django_db
CHOSEN = {"in_use_rule": "chosen", "in_use_reason": "the first was spilt"}


def said(faults) -> list[str]:
    return [fault.what for fault in faults]


class TestValues:
    @pytest.fixture
    def pair(self) -> tuple[Sample, Sample]:
        """Two samples of one return, the first of 4.1 g/t, the second of 7."""
        dispatch = make_dispatch(2)
        a, b = lots_of(dispatch)
        a_return(dispatch, (a, "4.1"), (b, "7"))
        return a, b

    def test_by_every_rule_add_up(self, django_assert_num_queries):
        dispatch = make_dispatch(5)
        mean, waits, chosen, empty, screen = lots_of(dispatch)
        came = a_return(
            dispatch,
            (mean, "4"),
            (mean, "5"),
            (waits, "0.04"),
            (waits, "<0.005"),
            (chosen, "4"),
            (chosen, "9"),
        )
        for sample in (mean, waits, empty):
            set_rule(sample, "mean")
        reading = came.readings.get(raw_text="9")
        values.choose_reading(sample=chosen, reading=reading, reason="spilt", chosen_by=make_member())
        fractions(dispatch, screen, *WHOLE_ASSAY)
        assert screen.in_use_rule == SCREEN
        with django_assert_num_queries(3):
            assert said(faults_of_values()) == []

    @pytest.mark.parametrize(
        ("fields", "says"),
        [
            (
                {"in_use_g_per_t": Decimal(41)},
                "41 g/t is in use; by its rule, first reading of the first return, it is 4.1 g/t.",
            ),
            (
                {
                    "in_use_symbol": "below",
                    "in_use_g_per_t": None,
                    "in_use_limit_g_per_t": Decimal("4.1"),
                },
                "below 4.1 g/t is in use; by its rule, first reading of the first return, it is 4.1 g/t.",
            ),
            (
                {"in_use_symbol": "", "in_use_g_per_t": None, "reading_in_use": None},
                "no value is in use; by its rule, first reading of the first return, it is 4.1 g/t.",
            ),
            (
                {"in_use_rule": "mean"},
                "its value in use stands by the rule “mean of all repeats”, and “first reading of the first return” is "
                "the one that holds and gives a value.",
            ),
            (
                {"asked_rule": "mean", "asked_reason": "x"},
                "its value in use stands by the rule “first reading of the first return”, and “mean of all repeats” is "
                "the one that holds and gives a value.",
            ),
            (
                CHOSEN | {"in_use_g_per_t": Decimal(9)},
                "9 g/t is in use, and the reading chosen by hand says another value.",
            ),
            ({"in_use_rule": "chosen"}, "its reading was chosen by hand, and no reason stands beside it."),
        ],
    )
    def test_names_what_was_changed_in_a_sample(self, pair, fields, says):
        assert said(faults_of_values()) == []
        Sample.objects.filter(pk=pair[0].pk).update(**fields)
        (fault,) = faults_of_values()
        assert (fault.where, fault.what) == (f"Sample {pair[0].tag}", says)

    @pytest.mark.parametrize(
        ("fields", "says"),
        [
            ({}, "its value in use names another reading than the one it stands in."),
            (CHOSEN, "the reading chosen by hand is not one of its own that count."),
        ],
    )
    def test_names_a_value_in_a_reading_of_another_sample(self, pair, fields, says):
        other = Reading.objects.get(sample=pair[1])
        Sample.objects.filter(pk=pair[0].pk).update(reading_in_use=other, **fields)
        assert said(faults_of_values()) == [says]

    def test_names_a_value_whose_reading_was_changed(self, pair):
        Reading.objects.filter(sample=pair[1]).update(grade_g_per_t=Decimal("0.7"))
        (fault,) = faults_of_values()
        assert fault.where == f"Sample {pair[1].tag}"
        assert fault.what.endswith("it is 0.7 g/t.")


class TestHeldEntries:
    def test_waiting_with_a_picture_or_set_aside_are_fine(self, settings, tmp_path):
        settings.MEDIA_ROOT = tmp_path
        keeper = make_member("keeper")
        make_held(keeper, upload=picture())
        set_held_aside(held=make_held(keeper), reason="typed twice", settled_by=keeper)
        assert said(faults_of_held()) == []

    @pytest.mark.parametrize(
        ("fields", "says"),
        [
            ({"body": {}}, "what was typed into it can't be read."),
            ({"body": ["6 kg"]}, "what was typed into it can't be read."),
            ({"body": {"mass": [6]}}, "what was typed into it can't be read."),
            ({"form_path": "/nowhere/"}, "no page stands where its form stood."),
            ({"reason": "typed twice"}, "it waits for a keeper, and yet says how it was settled."),
            (
                {"outcome": "set_aside", "reason": "x"},
                "it is settled, and who settled it or when is missing.",
            ),
            ({"outcome": "recorded", "by": "keeper"}, "it is settled as recorded, and names no record."),
            ({"outcome": "set_aside", "by": "keeper"}, "it was set aside, and no reason stands beside it."),
        ],
    )
    def test_names_what_was_changed(self, fields, says):
        keeper = make_member("keeper")
        held = make_held(keeper)
        if "outcome" in fields:
            fields = fields | {"settled_at": timezone.now()}
        if fields.pop("by", None):
            fields |= {"settled_by": keeper}
        HeldEntry.objects.filter(pk=held.pk).update(**fields)
        (fault,) = faults_of_held()
        assert (fault.where, fault.what) == (f"Held entry {held.pk} (Discard BRK-47-T)", says)

    def test_a_form_that_is_no_more_is_no_fault_of_an_entry_that_is_settled(self):
        keeper = make_member("keeper")
        held = make_held(keeper)
        set_held_aside(held=held, reason="typed twice", settled_by=keeper)
        HeldEntry.objects.filter(pk=held.pk).update(form_path="/nowhere/")
        assert said(faults_of_held()) == []

    def test_names_a_delivery_that_leads_elsewhere(self):
        held = make_held()
        Delivery.objects.filter(pk=held.delivery_id).update(record_path="/")
        assert said(faults_of_held()) == ["the delivery it came with leads elsewhere."]

    def test_names_a_picture_that_is_gone(self, settings, tmp_path):
        settings.MEDIA_ROOT = tmp_path
        make_held(upload=picture())
        photo = Photo.objects.get()
        photo.file.storage.delete(photo.file.name)
        assert said(faults_of_held()) == ["the picture that came with it is missing."]
