import pytest
from django.core.exceptions import PermissionDenied, ValidationError

from prospecting.actions import members
from prospecting.models import JournalEntry, Member
from tests.make import make_member

GOOD = "quartz and shovels"


def add(keeper, **values):
    values = {"username": "new", "role": "member", "password": GOOD, "added_by": keeper} | values
    return members.add_member(**values)


def change(member, keeper, **values):
    stands = {name: getattr(member, name) for name in ("role", "is_active", "first_name", "last_name")}
    return members.change_member(member=member, changed_by=keeper, **(stands | values))


@pytest.mark.django_db
def test_a_keeper_adds_a_member_who_can_sign_in():
    keeper = make_member("keeper")
    added = add(keeper, username=" Tarn ", first_name="Bo")
    assert added.username == "Tarn"
    assert added.check_password(GOOD)
    entry = JournalEntry.objects.about(added).get()
    assert (entry.member, entry.what) == (keeper, "added as member")


@pytest.mark.django_db
@pytest.mark.parametrize("role", ["guest", "member"])
def test_only_keepers_look_after_members(role):
    other, target = make_member(role), make_member()
    with pytest.raises(PermissionDenied):
        add(other)
    with pytest.raises(PermissionDenied):
        change(target, other, role="keeper")
    with pytest.raises(PermissionDenied):
        members.set_member_password(member=target, password=GOOD, set_by=other)
    assert not Member.objects.filter(username="new").exists()
    assert not JournalEntry.objects.exists()


@pytest.mark.django_db
def test_a_keeper_who_was_switched_off_does_nothing_more():
    keeper = make_member("keeper", is_active=False)
    with pytest.raises(PermissionDenied):
        add(keeper)


@pytest.mark.django_db
@pytest.mark.parametrize("password", ["short", "password123", "1234567890", "newcomer-one"])
def test_refuses_a_weak_password(password):
    with pytest.raises(ValidationError) as refused:
        add(make_member("keeper"), username="newcomer-one", password=password)
    assert refused.value.field == "password"
    assert Member.objects.count() == 1


@pytest.mark.django_db
@pytest.mark.parametrize(("there", "new"), [("tarn", "TARN"), ("Ümit", "ümit")])
def test_refuses_a_user_name_that_differs_only_in_capitals(there, new):
    keeper = make_member("keeper", username=there)
    with pytest.raises(ValidationError) as refused:
        add(keeper, username=new)
    assert refused.value.field == "username"


@pytest.mark.django_db
@pytest.mark.parametrize("values", [{"username": "two words"}, {"username": ""}, {"role": "king"}])
def test_refuses_what_the_model_does_not_know(values):
    keeper = make_member("keeper")
    with pytest.raises(ValidationError):
        add(keeper, **values)
    assert Member.objects.count() == 1


@pytest.mark.django_db
@pytest.mark.parametrize(
    "values", [{"role": "member"}, {"is_active": False}, {"role": "guest", "is_active": False}]
)
def test_the_last_active_keeper_stays(values):
    keeper = make_member("keeper")
    make_member("keeper", is_active=False)
    with pytest.raises(ValidationError) as refused:
        change(keeper, keeper, **values)
    assert refused.value.code == "last_keeper"
    keeper.refresh_from_db()
    assert keeper.is_keeper
    assert not JournalEntry.objects.exists()


@pytest.mark.django_db
def test_one_of_two_keepers_may_go():
    keeper, other = make_member("keeper"), make_member("keeper")
    change(other, keeper, is_active=False)
    other.refresh_from_db()
    assert not other.is_keeper
    entry = JournalEntry.objects.about(other).get()
    assert entry.what == "may no longer sign in"
    assert entry.changes == {"is_active": ["True", "False"]}


@pytest.mark.django_db
def test_the_only_keeper_may_be_renamed():
    keeper = make_member("keeper")
    assert change(keeper, keeper, last_name="Tarn").last_name == "Tarn"


@pytest.mark.django_db
def test_passwords_are_never_in_the_journal():
    keeper, member = make_member("keeper"), make_member()
    members.set_member_password(member=member, password=GOOD, set_by=keeper)
    members.change_own_password(member=member, password=GOOD + " too")
    member.refresh_from_db()
    assert member.check_password(GOOD + " too")
    lines = JournalEntry.objects.about(member)
    assert lines.count() == 2
    assert not any(GOOD in f"{entry.what}{entry.why}{entry.changes}" for entry in lines)


@pytest.mark.django_db
def test_a_guest_chooses_units_of_their_own():
    guest = make_member("guest")
    changed = members.change_own_units(
        member=guest, mass_unit="lb", grade_unit="g_per_t", dose_unit="ml_per_l", decimal_mark=","
    )
    assert changed.mass_unit == "lb"
    with pytest.raises(ValidationError):
        members.change_own_units(
            member=guest, mass_unit="stone", grade_unit="g_per_t", dose_unit="ml_per_l", decimal_mark="."
        )
    guest.refresh_from_db()
    assert guest.mass_unit == "lb"


@pytest.mark.django_db
def test_the_first_keeper_is_made_once():
    keeper = members.add_first_keeper(username="first", password=GOOD)
    assert keeper.is_keeper
    with pytest.raises(ValidationError):
        members.add_first_keeper(username="second", password=GOOD)
    assert Member.objects.get() == keeper


@pytest.mark.django_db
def test_a_change_that_changes_nothing_leaves_no_line():
    keeper, member = make_member("keeper"), make_member()
    before = JournalEntry.objects.count()
    change(member, keeper, role=member.role, first_name=member.first_name, last_name=member.last_name)
    units = {name: getattr(member, name) for name in ("mass_unit", "grade_unit", "dose_unit", "decimal_mark")}
    members.change_own_units(member=member, **units)
    assert JournalEntry.objects.count() == before
    members.change_own_units(member=member, **(units | {"decimal_mark": ","}))
    assert JournalEntry.objects.count() == before + 1
