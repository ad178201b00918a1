"""Members: who may sign in, as what, and each one's own units and password."""

import unicodedata

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import transaction

from prospecting.actions.journal import changed_fields, write_event, write_journal
from prospecting.actions.permission import require_keeper
from prospecting.actions.refusal import Refused
from prospecting.actions.sign_ins import end_keys, end_sessions
from prospecting.calc.language import phrase
from prospecting.models import Member

Role = Member.Role


@transaction.atomic
def add_member(
    *, username: str, role: str, password: str, added_by, first_name: str = "", last_name: str = ""
) -> Member:
    require_keeper(added_by)
    member = new_member(
        username=username, role=role, password=password, first_name=first_name, last_name=last_name
    )
    write_journal(member=added_by, about=member, what=f"added as {member.role}")
    return member


@transaction.atomic
def add_first_keeper(*, username: str, password: str) -> Member:
    """The keeper a new site begins with; nobody is there yet who could add them."""
    if Member.objects.filter(role=Role.KEEPER, is_active=True).exists():
        raise Refused(
            "There is a keeper already, who can add others on the page Members.", code="keeper_there"
        )
    member = new_member(username=username, role=Role.KEEPER, password=password)
    write_journal(member=member, about=member, what="added as the first keeper, when the site was set up")
    return member


@transaction.atomic
def change_member(
    *, member: Member, role: str, is_active: bool, first_name: str, last_name: str, changed_by
) -> Member:
    """Change names, role, or whether the member may sign in. The last active keeper stays one."""
    require_keeper(changed_by)
    # All keepers are locked, in one order: two keepers who demote each other at once must not both succeed.
    keepers = set(
        Member.objects.select_for_update()
        .filter(role=Role.KEEPER, is_active=True)
        .order_by("pk")
        .values_list("pk", flat=True)
    )
    member = Member.objects.select_for_update().get(pk=member.pk)
    stays_keeper = role == Role.KEEPER and is_active
    if keepers == {member.pk} and not stays_keeper:
        raise Refused(
            phrase(
                "{member} is the only keeper who can sign in. Make someone else a keeper first.",
                member=member,
            ),
            code="last_keeper",
            field="role" if role != Role.KEEPER else "is_active",
        )
    values = {"role": role, "is_active": is_active, "first_name": first_name, "last_name": last_name}
    changes = changed_fields(record=member, values=values)
    for name, value in values.items():
        setattr(member, name, value)
    member.full_clean(exclude=["password"])
    member.save(update_fields=list(values))
    if not is_active:
        # Their sessions open nothing any more by themselves; ended, they open nothing later either.
        end_sessions(member)
        end_keys(member)
    if changes:
        write_journal(member=changed_by, about=member, what=_what_changed(changes), changes=changes)
    return member


@transaction.atomic
def set_member_password(*, member: Member, password: str, set_by, session_key: str = "") -> Member:
    """A keeper gives a member a new password: their sessions end, but the keeper's own one, and another's keys with them."""
    require_keeper(set_by)
    if member.pk != set_by.pk:
        end_keys(member)
    return _set_password(
        member=member,
        password=password,
        what="given a new password by a keeper",
        by=set_by,
        but=session_key,
    )


@transaction.atomic
def change_own_password(*, member: Member, password: str, session_key: str = "") -> Member:
    """The member's own new password, which ends all sessions but this one.

    That the old one was known is the page's business.
    """
    return _set_password(
        member=member, password=password, what="changed their own password", by=member, but=session_key
    )


@transaction.atomic
def change_own_units(
    *, member: Member, mass_unit: str, grade_unit: str, dose_unit: str, decimal_mark: str
) -> Member:
    values = {
        "mass_unit": mass_unit,
        "grade_unit": grade_unit,
        "dose_unit": dose_unit,
        "decimal_mark": decimal_mark,
    }
    member = Member.objects.select_for_update().get(pk=member.pk)
    changes = changed_fields(record=member, values=values)
    for name, value in values.items():
        setattr(member, name, value)
    member.full_clean(exclude=["password"])
    member.save(update_fields=list(values))
    if changes:
        write_journal(member=member, about=member, what="chose other units or decimals", changes=changes)
    return member


def folded(username: str) -> str:
    """A user name regardless of capitals. Not by the database: SQLite's iexact knows the capitals of ASCII only."""
    return unicodedata.normalize("NFKC", username).strip().casefold()


def note_own_data(*, member: Member) -> None:
    write_event(member=member, kind="export", label=str(member), what="saved what the site holds about them")


def new_member(
    *, username: str, role: str, password: str, first_name: str = "", last_name: str = "", **units: str
) -> Member:
    """Somebody new, inside the caller's transaction; the caller says in the journal by whom."""
    username = Member.normalize_username(username.strip())
    # Two user names that differ only in capitals would be mixed up on a phone that writes its own capitals.
    taken = {folded(other) for other in Member.objects.values_list("username", flat=True)}
    if folded(username) in taken:
        raise Refused(
            phrase("Someone is called {username} already.", username=username),
            code="username_taken",
            field="username",
        )
    member = Member(username=username, role=role, first_name=first_name, last_name=last_name, **units)
    _check_password(member, password)
    member.set_password(password)
    member.full_clean()
    member.save()
    return member


def _set_password(*, member: Member, password: str, what: str, by: Member, but: str) -> Member:
    member = Member.objects.select_for_update().get(pk=member.pk)
    _check_password(member, password)
    member.set_password(password)
    member.save(update_fields=["password"])
    end_sessions(member, but=but)
    write_journal(member=by, about=member, what=what)
    return member


def _check_password(member: Member, password: str) -> None:
    try:
        validate_password(password, user=member)
    except ValidationError as error:
        raise Refused(" ".join(error.messages), code="weak_password", field="password") from None


def _what_changed(changes: dict) -> str:
    if "is_active" in changes:
        return "may sign in again" if changes["is_active"][1] == "True" else "may no longer sign in"
    return "changed"
