from decimal import Decimal

import pytest
from django.core.exceptions import ValidationError
from django.http import QueryDict

from prospecting.forms.ground import DegreesField, DigForm, ZoneForm
from prospecting.models import Member
from tests.make import make_member, make_zone

# North and east are plus, south and west minus: ISO 6709, Standard representation of geographic point location by coordinates
# (the rule from memory).
LATITUDE = DegreesField(plus="N", minus="S", most=90)
LONGITUDE = DegreesField(plus="E", minus="W", most=180)


@pytest.mark.parametrize(
    ("field", "text", "degrees"),
    [
        (LATITUDE, "41.5", "41.5"),
        (LATITUDE, "41,5 n", "41.5"),
        (LATITUDE, "41.5° S", "-41.5"),
        (LATITUDE, "٤١٫٥", "41.5"),
        (LONGITUDE, "-105.25", "-105.25"),
        (LONGITUDE, "−105.25", "-105.25"),
        (LONGITUDE, "105.25W", "-105.25"),
        (LONGITUDE, "180", "180"),
        (LONGITUDE, "0.12345678", "0.123457"),
        (LATITUDE, "  ", None),
    ],
)
def test_degrees_are_read_as_people_type_them(field, text, degrees):
    assert field.clean(text) == (None if degrees is None else Decimal(degrees))


@pytest.mark.parametrize(
    ("field", "text"),
    [
        (LATITUDE, "91"),
        (LONGITUDE, "-180.1"),
        (LATITUDE, "41 30 00"),
        (LATITUDE, "41°30'N"),
        (LATITUDE, "41.5 W"),
        (LATITUDE, "-41.5 S"),
        (LATITUDE, "north"),
        (LATITUDE, "N"),
        (LATITUDE, "nan"),
        (LATITUDE, "1e1"),
        (LATITUDE, "9" * 40),
        (LATITUDE, "4\x00"),
    ],
)
def test_what_is_no_position_is_refused_with_a_sentence(field, text):
    with pytest.raises(ValidationError):
        field.clean(text)


def dig_form(member, **typed) -> DigForm:
    data = QueryDict(mutable=True)
    data.update(
        {
            "identity": "7c2b6a2e-1c3d-4d9e-8f00-000000000001",
            "zone": make_zone().pk,
            "station": " N  7 ",
            "done_on": "2026-05-03",
            "digger": "Bo",
            "sample_kind": "chip",
            "is_dry": "wet",
            "mass_1": "10",
        }
        | typed
    )
    return DigForm(data, member=member)


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("unit", "typed", "grams"),
    [
        # One pound avoirdupois is 453.592 37 g exactly: NIST Handbook 44, appendix C.
        ("lb", "22", "9979.03214"),
        ("kg", "22", "22000"),
        # Exactly 10 205.828 325 g; the books keep a hundredth of a milligram, halves to even.
        ("kg", "22 lb 8 oz", "10205.82832"),
        ("lb", "9,5 kg", "9500"),
    ],
)
def test_a_bucket_is_read_in_the_members_unit(unit, typed, grams):
    form = dig_form(make_member(mass_unit=unit), mass_1=typed)
    assert form.is_valid(), form.errors
    [bucket] = form.buckets()
    assert bucket["mass_g"] == Decimal(grams)
    assert bucket["is_dry"] is False
    assert form.facts()["station"] == "N 7"


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("unit", "typed", "centimetres"),
    # One inch is 2.54 cm exactly: NIST Special Publication 811.
    [
        ("lb", "18", "45.7"),
        ("kg", "18", "18"),
        ("kg", "1 ft 6 in", "45.7"),
        ("lb", "0.45 m", "45"),
        ("lb", "", None),
    ],
)
def test_the_width_is_read_in_the_members_unit(unit, typed, centimetres):
    form = dig_form(make_member(mass_unit=unit), width=typed)
    assert form.is_valid(), form.errors
    assert form.facts()["width_cm"] == (None if centimetres is None else Decimal(centimetres))


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("unit", "typed", "metres", "kept"),
    [
        # 1 ft = 0.3048 m exactly (NIST Special Publication 811, appendix B).
        ("lb", "6", "1.83", "6 ft"),
        ("kg", "1.5", "1.50", "1.5 m"),
        ("kg", "6 ft 6 in", "1.98", "6 ft 6 in"),
        ("lb", "0", "0.00", "0 ft"),
        ("kg", "", None, ""),
    ],
)
def test_the_depth_is_read_in_the_members_unit_and_kept_as_typed(unit, typed, metres, kept):
    form = dig_form(make_member(mass_unit=unit), depth=typed)
    assert form.is_valid(), form.errors
    facts = form.facts()
    assert facts["depth_m"] == (None if metres is None else Decimal(metres))
    assert facts["depth_typed"] == kept


@pytest.mark.django_db
def test_gaps_between_buckets_do_not_matter():
    form = dig_form(make_member(), mass_1="10", mass_4="11", mass_6="9", title="rusty")
    assert form.is_valid(), form.errors
    assert [(b["field"], b["mass_g"], b["title"]) for b in form.buckets()] == [
        ("mass_1", 10000, "rusty"),
        ("mass_4", 11000, "rusty"),
        ("mass_6", 9000, "rusty"),
    ]


@pytest.mark.django_db
@pytest.mark.parametrize(
    "typed",
    [
        {"mass_1": "220"},
        {"mass_2": "100 g"},
        {"mass_1": "30", "mass_2": "31", "mass_3": "3"},
        {"width": "18 m"},
        {"depth": "60 m"},
    ],
)
def test_the_guard_asks_once_and_takes_yes_for_an_answer(typed):
    member = make_member()
    form = dig_form(member, **typed)
    assert not form.is_valid()
    assert form.guard_asks
    assert dig_form(member, **typed, keep_as_typed="on").is_valid()


@pytest.mark.django_db
def test_the_usual_spread_of_buckets_is_not_asked_about():
    form = dig_form(make_member(), mass_1="30", mass_2="31", mass_3="12")
    assert form.is_valid(), form.guard_asks


@pytest.mark.django_db
def test_an_unused_stripe_is_offered_first_and_users_are_named():
    member = make_member(role=Member.Role.MEMBER)
    zones = [make_zone(name="North", stripe="a"), make_zone(name="South", stripe="b")]
    form = ZoneForm(member=member, zones=zones)
    assert form.fields["stripe"].initial == "c"
    users = {stripe: users for _, stripe, users in form.stripe_choices()}
    assert "North" in users["a"]
    assert users["c"] == ""
