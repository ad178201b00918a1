"""One-time codes. The codes are reckoned here by hand from the key, as RFC 6238 says, not by the library the site uses."""

import base64
import hashlib
import hmac
import re
import struct
import time
import uuid
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse
from django_otp.plugins.otp_static.models import StaticToken
from django_otp.plugins.otp_totp.models import TOTPDevice

from prospecting.models import JournalEntry, SignIn
from tests.make import make_member

PASSWORD = "a long enough password"


def totp(key: bytes, at: float, digits: int = 6) -> str:
    """RFC 6238 with steps of 30 s and SHA-1, over the truncation of RFC 4226, section 5.3."""
    mac = hmac.new(key, struct.pack(">Q", int(at) // 30), hashlib.sha1).digest()
    at = mac[-1] & 15
    number = struct.unpack(">I", mac[at : at + 4])[0] & 0x7FFFFFFF
    return str(number % 10**digits).zfill(digits)


@pytest.mark.parametrize(
    ("at", "code"),
    [(59, "94287082"), (1111111109, "07081804"), (1234567890, "89005924"), (20000000000, "65353130")],
)
def test_the_codes_reckoned_here_are_those_of_the_standard(at, code):
    """RFC 6238, appendix B, SHA1."""
    assert totp(b"12345678901234567890", at, 8) == code


@pytest.fixture
def clock(monkeypatch):
    """The time the site's codes go by; moved by hand, so that no code runs out under a test."""

    class Clock:
        now = 1_800_000_000.0

    monkeypatch.setattr("django_otp.plugins.otp_totp.models.time.time", lambda: Clock.now)
    return Clock


def identity() -> dict:
    return {"identity": str(uuid.uuid4())}


def set_up(client: Client, clock) -> tuple[bytes, list[str]]:
    """Turn the codes on, through the pages; returns the key and the recovery codes."""
    client.post(reverse("own-codes-begin"), identity() | {"current_password": PASSWORD})
    page = client.get(reverse("own-codes")).content.decode()
    key = base64.b32decode(re.search(r"Key: <code data-copy>([A-Z2-7 ]+)<", page)[1].replace(" ", ""))
    answer = client.post(reverse("own-codes-on"), identity() | {"code": totp(key, clock.now)})
    codes = re.findall(r"<li><code>([A-Z2-9-]{14})</code>", answer.content.decode())
    assert len(codes) == 10
    clock.now += 30
    return key, codes


def password_step(username: str) -> Client:
    client = Client()
    answer = client.post(
        reverse("sign-in"), {"username": username, "password": PASSWORD, "next": reverse("dig-list")}
    )
    assert answer.url == reverse("sign-in-code")
    return client


def code_step(client: Client, code: str):
    return client.post(reverse("sign-in-code"), {"code": code})


def is_in(client: Client) -> bool:
    return client.get(reverse("own-settings")).status_code == 200


@pytest.mark.django_db
@pytest.mark.parametrize("role", ["guest", "member", "keeper"])
def test_with_codes_on_the_password_alone_signs_nobody_in(client_as, clock, role):
    own = client_as(role, username="tarn")
    key, _ = set_up(own, clock)
    client = password_step("tarn")
    assert not is_in(client)
    assert client.get(reverse("phone-session")).status_code == 401
    assert not SignIn.objects.exists()
    assert client.get(reverse("sign-in-code")).status_code == 200
    before = client.session.session_key
    assert code_step(client, totp(key, clock.now)).url == reverse("dig-list")
    assert is_in(client)
    assert client.session.session_key != before
    assert SignIn.objects.count() == 1


@pytest.mark.django_db
def test_a_code_works_once_and_one_step_early_or_late(client_as, clock):
    own = client_as("member", username="tarn")
    key, _ = set_up(own, clock)
    code = totp(key, clock.now)
    assert code_step(password_step("tarn"), code).status_code == 302
    again = code_step(password_step("tarn"), code)
    assert "Each one works once" in again.content.decode()
    clock.now += 600
    assert code_step(password_step("tarn"), totp(key, clock.now - 30)).status_code == 302
    assert code_step(password_step("tarn"), totp(key, clock.now + 30)).status_code == 302
    clock.now += 600
    for off in (-90, 120):
        assert code_step(password_step("tarn"), totp(key, clock.now + off)).status_code == 200


@pytest.mark.django_db
def test_a_recovery_code_works_once_and_only_its_hash_is_kept(client_as, clock):
    own = client_as("member", username="tarn")
    _, codes = set_up(own, clock)
    kept = set(StaticToken.objects.values_list("token", flat=True))
    assert len(kept) == 10
    assert not kept & {code.replace("-", "").lower() for code in codes} | kept & set(codes)
    typed = codes[3].lower().replace("-", " ")
    assert code_step(password_step("tarn"), typed).status_code == 302
    assert code_step(password_step("tarn"), typed).status_code == 200
    assert "9 recovery codes are left" in own.get(reverse("own-codes")).content.decode()
    # Another member's open nothing.
    other = client_as("member", username="bo")
    _, of_other = set_up(other, clock)
    assert code_step(password_step("tarn"), of_other[0]).status_code == 200


@pytest.mark.django_db
def test_guessed_codes_are_stopped_from_whatever_address(client_as, clock):
    own = client_as("member", username="tarn")
    key, _ = set_up(own, clock)
    for number in range(5):
        client = password_step("tarn")
        page = client.post(
            reverse("sign-in-code"), {"code": "000000"}, REMOTE_ADDR=f"192.0.2.{number}"
        ).content.decode()
    assert "Wait 15 minutes" in page
    page = code_step(password_step("tarn"), totp(key, clock.now)).content.decode()
    assert "Too many wrong tries" in page
    lines = JournalEntry.objects.filter(subject_kind="refusal").values_list("what", flat=True)
    assert "a wrong one-time code: too often, locked for 15 minutes" in lines


@pytest.mark.django_db
@pytest.mark.parametrize(
    "code", ["", " ", "000000", "12345", "1234567", "x" * 40, "٣٣٣٣٣٣", "a\x00b", "-1", "1e5"]
)
def test_nonsense_is_no_code(client_as, clock, code):
    set_up(client_as("member", username="tarn"), clock)
    client = password_step("tarn")
    assert code_step(client, code).status_code == 200
    assert not is_in(client)


@pytest.mark.django_db
def test_the_code_is_asked_only_of_who_gave_the_password_just_now(client_as, clock, monkeypatch):
    assert Client().get(reverse("sign-in-code")).url == reverse("sign-in")
    own = client_as("member", username="tarn")
    key, _ = set_up(own, clock)
    late = password_step("tarn")
    with monkeypatch.context() as patch:
        now = time.time()
        patch.setattr("prospecting.views.site.time.time", lambda: now + 601)
        assert code_step(late, totp(key, clock.now)).url == reverse("sign-in")
    # A password changed meanwhile ends the wait.
    waiting = password_step("tarn")
    own.member.set_password("quartz and shovels")
    own.member.save()
    assert code_step(waiting, totp(key, clock.now)).url == reverse("sign-in")
    assert not is_in(waiting)


@pytest.mark.django_db
def test_a_member_switched_off_between_password_and_code_stays_out(client_as, clock):
    own = client_as("member", username="tarn")
    key, _ = set_up(own, clock)
    waiting = password_step("tarn")
    own.member.is_active = False
    own.member.save()
    assert code_step(waiting, totp(key, clock.now)).url == reverse("sign-in")


@pytest.mark.django_db
def test_setting_up_takes_the_password_and_a_first_code(client_as, clock):
    client = client_as("member", username="tarn")
    wrong = client.post(reverse("own-codes-begin"), identity() | {"current_password": "guessed"})
    assert "This is not your password" in wrong.content.decode()
    assert not TOTPDevice.objects.exists()
    answer = client.post(reverse("own-codes-on"), identity() | {"code": "123456"}, follow=True)
    assert "Begin anew" in answer.content.decode()
    client.post(reverse("own-codes-begin"), identity() | {"current_password": PASSWORD})
    page = client.post(reverse("own-codes-on"), identity() | {"code": "000000"}).content.decode()
    assert "This is not the code of now" in page
    # Not confirmed, it asks nobody for anything.
    assert Client().post(reverse("sign-in"), {"username": "tarn", "password": PASSWORD}).url == reverse(
        "home"
    )
    again = client.post(reverse("own-codes-begin"), identity() | {"current_password": PASSWORD})
    assert again.status_code == 302
    assert TOTPDevice.objects.count() == 1


@pytest.mark.django_db
def test_turning_off_takes_password_and_code(client_as, clock):
    client = client_as("member", username="tarn")
    key, codes = set_up(client, clock)
    off = reverse("own-codes-off")
    for typed in (
        {"current_password": "guessed", "code": codes[0]},
        {"current_password": PASSWORD, "code": "000000"},
        {"current_password": PASSWORD},
        {},
    ):
        assert client.post(off, identity() | typed).status_code == 200
        assert TOTPDevice.objects.filter(confirmed=True).count() == 1
    # The recovery code was not used up by the wrong password.
    assert StaticToken.objects.count() == 10
    answer = client.post(off, identity() | {"current_password": PASSWORD, "code": totp(key, clock.now)})
    assert answer.url == reverse("own-settings")
    assert not TOTPDevice.objects.exists() and not StaticToken.objects.exists()
    said = list(JournalEntry.objects.about(client.member).order_by("pk").values_list("what", flat=True))
    assert said == ["turned one-time codes on", "turned one-time codes off"]


@pytest.mark.django_db
def test_new_recovery_codes_end_the_old_ones(client_as, clock):
    client = client_as("member", username="tarn")
    key, old = set_up(client, clock)
    page = client.post(
        reverse("own-codes-renew"),
        identity() | {"current_password": PASSWORD, "code": totp(key, clock.now)},
    ).content.decode()
    new = re.findall(r"<li><code>([A-Z2-9-]{14})</code>", page)
    assert len(new) == 10 and not set(new) & set(old)
    assert code_step(password_step("tarn"), old[0]).status_code == 200
    assert code_step(password_step("tarn"), new[0]).status_code == 302


@pytest.mark.django_db
def test_a_keeper_takes_lost_codes_off_with_the_own_password_and_a_reason(client_as, clock):
    own, keeper = client_as("member", username="tarn"), client_as("keeper")
    set_up(own, clock)
    url = reverse("member-codes-off", args=[own.member.pk])
    assert keeper.get(url).status_code == 200
    for role in ("guest", "member"):
        assert client_as(role).post(url, identity()).status_code == 403
    for typed in ({"why": "", "current_password": PASSWORD}, {"why": "x", "current_password": "guessed"}):
        assert keeper.post(url, identity() | typed).status_code == 200
        assert TOTPDevice.objects.exists()
    typed = {"why": "phone in the creek, told me at the fire", "current_password": PASSWORD}
    assert keeper.post(url, identity() | typed).status_code == 302
    assert not TOTPDevice.objects.exists()
    assert Client().post(reverse("sign-in"), {"username": "tarn", "password": PASSWORD}).url == reverse(
        "home"
    )
    line = JournalEntry.objects.about(own.member).first()
    assert (line.member, line.why) == (keeper.member, typed["why"])
    assert keeper.get(url).status_code == 302


@pytest.mark.django_db
def test_a_guest_and_a_stranger_find_their_own_pages_only(client_as):
    assert Client().get(reverse("own-codes")).url.startswith(reverse("sign-in"))
    make_member(username="other")
    assert "Off." in client_as("guest").get(reverse("own-codes")).content.decode()


@pytest.mark.django_db
def test_a_keeper_takes_the_own_codes_off_by_a_code_only(client_as, clock):
    keeper = client_as("keeper")
    set_up(keeper, clock)
    edit = keeper.get(reverse("member-edit", args=[keeper.member.pk])).content.decode()
    url = reverse("member-codes-off", args=[keeper.member.pk])
    assert url not in edit and reverse("own-codes") in edit
    answer = keeper.post(url, identity() | {"why": "lost", "current_password": PASSWORD})
    assert "Turn your own codes off under My settings." in answer.content.decode()
    assert TOTPDevice.objects.filter(confirmed=True).count() == 1


@pytest.mark.django_db
def test_at_the_server_the_only_keeper_is_helped(client_as, clock):
    keeper = client_as("keeper", username="tarn")
    key, _ = set_up(keeper, clock)
    signed_in = password_step("tarn")
    code_step(signed_in, totp(key, clock.now))
    out = StringIO()
    call_command("codes_off", "tarn", stdout=out)
    assert "the password alone" in out.getvalue()
    assert not is_in(signed_in)
    assert not TOTPDevice.objects.exists() and not StaticToken.objects.exists()
    assert Client().post(reverse("sign-in"), {"username": "tarn", "password": PASSWORD}).url == reverse(
        "home"
    )
    line = JournalEntry.objects.about(keeper.member).first()
    assert (line.member, line.what) == (None, "one-time codes taken off at the server")
    for name, said in (("tarn", "has no one-time codes"), ("nobody", "Nobody here")):
        with pytest.raises(CommandError, match=said):
            call_command("codes_off", name)
