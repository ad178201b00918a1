import os
import pty
import subprocess
import sys
import time
from io import StringIO
from pathlib import Path

import pytest
from django.conf import settings
from django.core.management import CommandError, call_command

from prospecting.models import Member
from tests.make import make_member

GOOD = "quartz and shovels"


def set_up(**options) -> str:
    out = StringIO()
    call_command("set_up", stdout=out, **options)
    return out.getvalue()


@pytest.fixture
def password(monkeypatch):
    """Put a password where the command is told to look for it."""
    return lambda text: monkeypatch.setenv("FIRST_PASSWORD", text)


@pytest.mark.django_db
def test_makes_the_first_keeper_and_says_what_comes_next(password):
    password(GOOD)
    said = set_up(username="tarn", password_from_env="FIRST_PASSWORD")
    keeper = Member.objects.get()
    assert keeper.is_keeper
    assert keeper.check_password(GOOD)
    assert "tarn is the first keeper." in said
    assert "serve" in said
    assert GOOD not in said
    assert (settings.STATIC_ROOT / "prospecting" / "site.css").exists()


@pytest.mark.django_db
def test_a_second_time_makes_nobody(password):
    make_member("keeper", username="tarn")
    password(GOOD)
    assert "Keepers: tarn." in set_up(username="other", password_from_env="FIRST_PASSWORD")
    assert Member.objects.count() == 1


@pytest.mark.django_db
@pytest.mark.parametrize("text", ["short", "password1234", "", "quartz-tarn"])
def test_refuses_a_weak_password(password, text):
    password(text)
    with pytest.raises(CommandError):
        set_up(username="quartz-tarn", password_from_env="FIRST_PASSWORD")
    assert not Member.objects.exists()


@pytest.mark.django_db
@pytest.mark.parametrize(
    "options",
    [
        {"username": "tarn"},
        {"password_from_env": "FIRST_PASSWORD"},
        {"username": "two words", "password_from_env": "FIRST_PASSWORD"},
        {"username": "", "password_from_env": "FIRST_PASSWORD"},
    ],
)
def test_refuses_half_an_answer(password, options):
    password(GOOD)
    with pytest.raises(CommandError):
        set_up(**options)
    assert not Member.objects.exists()


def command(folder: Path) -> tuple[list[str], dict]:
    environment = {
        "PATH": os.environ["PATH"],
        "PROSPECTING_DATA_DIR": str(folder),
        "DJANGO_SETTINGS_MODULE": "prospecting.settings",
    }
    return [sys.executable, str(settings.BASE_DIR / "manage.py"), "set_up"], environment


@pytest.mark.long
def test_says_what_to_give_where_nobody_can_be_asked(tmp_path):
    line, environment = command(tmp_path)
    done = subprocess.run(
        line, env=environment, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 1
    assert "--password-from-env" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.long
def test_asks_in_a_terminal_until_the_password_will_do(tmp_path):
    """A terminal of its own, for the password is read from there and not from what is piped in."""
    line, environment = command(tmp_path)
    process, terminal = pty.fork()
    if process == 0:
        os.execvpe(line[0], line, environment)
    seen = b""

    def answer(question: bytes, text: str) -> None:
        nonlocal seen
        until = time.monotonic() + 90
        while question not in seen:
            assert time.monotonic() < until, seen
            seen += os.read(terminal, 4096)
        seen = seen.partition(question)[2]
        # The terminal is switched to hiding what is typed just after the question was printed.
        time.sleep(0.3)
        os.write(terminal, text.encode() + b"\n")

    for password, again in (("short", "short"), (GOOD, "quartz"), (GOOD, GOOD)):
        answer(b"User name: ", "tarn")
        answer(b"Password", password)
        answer(b"once more: ", again)
    try:
        while chunk := os.read(terminal, 4096):
            seen += chunk
    except OSError:
        # The terminal closes with the process.
        pass
    _, status = os.waitpid(process, 0)
    os.close(terminal)
    assert os.waitstatus_to_exitcode(status) == 0
    assert b"tarn is the first keeper." in seen
    assert GOOD.encode() not in seen
