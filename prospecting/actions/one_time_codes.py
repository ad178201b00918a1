"""One-time codes: what a member types after the password, from a phone's code program (TOTP, RFC 6238) or from paper.

Of the recovery codes only a hash is kept. The key that the codes are reckoned from has to be kept as it is: the site reckons
them too.
"""

import base64
import hashlib
import secrets

from django.db import transaction
from django_otp.plugins.otp_static.models import StaticDevice, StaticToken
from django_otp.plugins.otp_totp.models import TOTPDevice

from prospecting.actions.journal import write_journal
from prospecting.actions.permission import require_keeper
from prospecting.actions.refusal import Refused
from prospecting.actions.sign_ins import end_sessions
from prospecting.calc.codes import DIGITS, LETTERS
from prospecting.calc.language import phrase
from prospecting.models import Member

RECOVERY_CODES = 10
# 12 of 28 signs are 57 bits: too many to try out, even with the hashes at hand.
RECOVERY_SIGNS = LETTERS + DIGITS
RECOVERY_LENGTH = 12


def codes_of(member: Member) -> TOTPDevice | None:
    """What reckons the member's codes, once they are turned on."""
    return TOTPDevice.objects.filter(user=member, confirmed=True).first()


def codes_begun(member: Member) -> TOTPDevice | None:
    """The same while it waits for its first code."""
    return TOTPDevice.objects.filter(user=member, confirmed=False).first()


def recovery_codes_left(member: Member) -> int:
    return StaticToken.objects.filter(device__user=member).count()


@transaction.atomic
def begin_codes(*, member: Member) -> TOTPDevice:
    """A new key, which asks for nothing until its first code was typed."""
    member = Member.objects.select_for_update().get(pk=member.pk)
    if codes_of(member):
        raise Refused(phrase("One-time codes are on already."), code="codes_on")
    TOTPDevice.objects.filter(user=member, confirmed=False).delete()
    return TOTPDevice.objects.create(user=member, name="phone", confirmed=False)


@transaction.atomic
def turn_codes_on(*, member: Member, code: str) -> list[str] | None:
    """Turn the codes on if this is one, and return the recovery codes, told this once; None if it is none."""
    member = Member.objects.select_for_update().get(pk=member.pk)
    device = codes_begun(member)
    if device is None:
        raise Refused(phrase("Begin anew: the key of before is gone."), code="not_begun")
    if not device.verify_token(_plain(code)):
        return None
    device.confirmed = True
    device.save(update_fields=["confirmed"])
    write_journal(member=member, about=member, what="turned one-time codes on")
    return _new_recovery_codes(member)


@transaction.atomic
def check_code(*, member: Member, code: str) -> bool:
    """Whether this is a code of now, or a recovery code, neither of them used before; it is used up by this."""
    member = Member.objects.select_for_update().get(pk=member.pk)
    device = codes_of(member)
    if device is None:
        return False
    plain = _plain(code)
    if plain.isascii() and plain.isdigit() and len(plain) == device.digits:
        return device.verify_token(plain)
    used, _ = StaticToken.objects.filter(device__user=member, token=_hashed(member, plain)).delete()
    if used:
        left = recovery_codes_left(member)
        write_journal(member=member, about=member, what=f"used a recovery code; {left} left")
    return used > 0


@transaction.atomic
def renew_recovery_codes(*, member: Member) -> list[str]:
    """Ten new recovery codes, told this once; those before open nothing any more."""
    member = Member.objects.select_for_update().get(pk=member.pk)
    if codes_of(member) is None:
        raise Refused(phrase("One-time codes are off."), code="codes_off")
    write_journal(member=member, about=member, what="made new recovery codes")
    return _new_recovery_codes(member)


@transaction.atomic
def turn_codes_off(*, member: Member) -> Member:
    """That password and code were known is the page's business."""
    _forget_codes(member)
    write_journal(member=member, about=member, what="turned one-time codes off")
    return member


@transaction.atomic
def take_codes_off(*, member: Member, why: str, taken_by: Member) -> Member:
    """A keeper helps a member who lost the phone and the recovery codes."""
    require_keeper(taken_by)
    if member.pk == taken_by.pk:
        # There a code is asked for too: the password alone must not do it.
        raise Refused(phrase("Turn your own codes off under My settings."), code="own_codes")
    if codes_of(member) is None:
        raise Refused(phrase("{member} has no one-time codes.", member=member), code="codes_off")
    _forget_codes(member)
    write_journal(member=taken_by, about=member, what="one-time codes taken off by a keeper", why=why)
    return member


@transaction.atomic
def take_codes_off_at_server(*, member: Member) -> Member:
    """For a keeper whom no other keeper can help. Whoever has the server's shell is asked for nothing more."""
    if codes_of(member) is None:
        raise Refused(phrase("{member} has no one-time codes.", member=member), code="codes_off")
    _forget_codes(member)
    end_sessions(member)
    write_journal(member=None, about=member, what="one-time codes taken off at the server")
    return member


def _forget_codes(member: Member) -> None:
    Member.objects.select_for_update().get(pk=member.pk)
    TOTPDevice.objects.filter(user=member).delete()
    StaticDevice.objects.filter(user=member).delete()


def _new_recovery_codes(member: Member) -> list[str]:
    StaticDevice.objects.filter(user=member).delete()
    device = StaticDevice.objects.create(user=member, name="recovery codes")
    codes = [
        "".join(secrets.choice(RECOVERY_SIGNS) for _ in range(RECOVERY_LENGTH)) for _ in range(RECOVERY_CODES)
    ]
    StaticToken.objects.bulk_create(StaticToken(device=device, token=_hashed(member, code)) for code in codes)
    return ["-".join([code[:4], code[4:8], code[8:]]) for code in codes]


def _plain(code: str) -> str:
    return "".join(sign for sign in code.upper() if sign.isalnum())


def _hashed(member: Member, code: str) -> str:
    """96 bits of a hash, as many as the table's 16 signs hold."""
    read = hashlib.sha256(f"{member.pk}:{code}".encode()).digest()
    return base64.urlsafe_b64encode(read[:12]).decode()
