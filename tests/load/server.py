"""The real server on books of its own, for tests that come at it with many clients at once."""

import html
import http.client
import os
import re
import secrets
import signal
import socket
import subprocess
import sys
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlencode, urlsplit, urlunsplit

ROOT = Path(__file__).parents[2]
PASSWORD = "a long enough password"


class Client:
    """One phone: a connection, its cookies, and a form sent as a browser sends it."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.cookies: dict[str, str] = {}
        self.connection = http.client.HTTPConnection("127.0.0.1", port, timeout=90)

    def ask(
        self,
        method: str,
        path: str,
        fields: dict | None = None,
        *,
        body: bytes | None = None,
        content_type: str = "",
    ) -> tuple[int, str]:
        headers = {"Cookie": "; ".join(f"{name}={value}" for name, value in self.cookies.items())}
        if body is not None:
            headers["Content-Type"] = content_type
        if fields is not None:
            body = urlencode(fields | {"csrfmiddlewaretoken": self.cookies["csrftoken"]}, doseq=True)
            headers["Content-Type"] = "application/x-www-form-urlencoded"
        try:
            self.connection.request(method, path, body, headers)
            answer = self.connection.getresponse()
        except (http.client.RemoteDisconnected, ConnectionResetError, BrokenPipeError):
            # The server closes a connection that was quiet for some seconds. A form carries its identity, so a second
            # sending is the same entry.
            self.connection.close()
            self.connection.request(method, path, body, headers)
            answer = self.connection.getresponse()
        for name, value in answer.getheaders():
            if name.lower() == "set-cookie":
                cookie, _, kept = value.partition(";")[0].partition("=")
                self.cookies[cookie] = kept
        text = answer.read().decode()
        return answer.status, text

    def sign_in(self, username: str) -> None:
        self.ask("GET", "/sign-in/")
        status, _ = self.ask("POST", "/sign-in/", {"username": username, "password": PASSWORD})
        assert status == 302, f"{username} could not sign in: {status}"

    def send(self, path: str, **fields) -> tuple[int, str]:
        """Post a form with an identity of its own; the status, and the first refusal the page shows."""
        status, text = self.ask("POST", path, fields | {"identity": str(uuid.uuid4())})
        refusal = re.search(r'<ul class="errors"[^>]*><li>(.*?)</li>', text, re.S)
        return status, html.unescape(refusal[1]).strip() if refusal else ""


@dataclass
class Served:
    """A site that runs, can be killed and started again: its port, and what was printed while its books were filled."""

    folder: Path
    environment: dict[str, str]
    port: int = field(default_factory=lambda: _free_port())
    printed: str = ""
    server: subprocess.Popen | None = None

    def start(self) -> None:
        log = self.folder / "server.log"
        with log.open("ab") as out:
            self.server = subprocess.Popen(
                [sys.executable, "manage.py", "serve", f"--bind=127.0.0.1:{self.port}"],
                cwd=ROOT,
                env=self.environment,
                stdout=out,
                stderr=out,
                start_new_session=True,
            )
        _wait_for(self.port, self.server, log)

    def kill(self) -> None:
        """End every process of the server at once, as a power cut would; none gets to finish anything."""
        # Started in a session of its own, so its group is itself and its own children, and nobody else.
        os.killpg(self.server.pid, signal.SIGKILL)
        self.server.wait(timeout=30)

    def stop(self) -> None:
        self.server.terminate()
        self.server.wait(timeout=30)

    def what_is_off(self) -> list[str]:
        """The lines of the command that adds the whole books up anew about what is off."""
        done = _done([sys.executable, "manage.py", "check_books"], self.environment)
        off = [line for line in done.stdout.splitlines() if line.startswith("OFF")]
        assert done.returncode == bool(off), done.stderr
        return off

    def ask_books(self, lines: str) -> str:
        """Run these Python lines on the site's books; what they print."""
        return _run(
            [sys.executable, "-c", f"import django\ndjango.setup()\n{lines}"], self.environment
        ).strip()


@contextmanager
def served(folder: Path, prepare: str) -> Iterator[Served]:
    """Run the site as a group does, several processes, after `prepare` (Python lines) filled its books.

    On the engine that DATABASE_URL names, in a database made for this alone.
    """
    with a_database() as url:
        environment = os.environ | {
            "PROSPECTING_DATA_DIR": str(folder),
            "PROSPECTING_WEB_PROCESSES": "3",
            "DATABASE_URL": url,
            "PYTHONPATH": str(ROOT),
            "DJANGO_SETTINGS_MODULE": "prospecting.settings",
        }
        _run(
            [sys.executable, "manage.py", "set_up", "--username=first", "--password-from-env=FIRST"],
            environment,
        )
        site = Served(folder, environment)
        site.printed = site.ask_books(prepare)
        try:
            site.start()
            yield site
        finally:
            site.stop()


@contextmanager
def a_database() -> Iterator[str]:
    """The address of an empty database made for this alone; blank where the tests run on SQLite."""
    url = os.environ.get("DATABASE_URL", "")
    if not url:
        yield ""
        return
    import psycopg

    name = f"fire_{secrets.token_hex(6)}"
    parts = urlsplit(url)
    with psycopg.connect(urlunsplit(parts._replace(path="/postgres")), autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
        try:
            yield urlunsplit(parts._replace(path=f"/{name}"))
        finally:
            connection.execute(f"DROP DATABASE {name} WITH (FORCE)")


def _run(command: list[str], environment: dict) -> str:
    done = _done(command, environment)
    assert done.returncode == 0, done.stderr
    return done.stdout


def _done(command: list[str], environment: dict) -> subprocess.CompletedProcess:
    environment = environment | {"FIRST": PASSWORD}
    return subprocess.run(
        command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=180, check=False
    )


def _free_port() -> int:
    with socket.socket() as some:
        some.bind(("127.0.0.1", 0))
        return some.getsockname()[1]


def _wait_for(port: int, server: subprocess.Popen, log: Path) -> None:
    until = time.monotonic() + 60
    while time.monotonic() < until:
        assert server.poll() is None, log.read_text()
        try:
            status, _ = Client(port).ask("GET", "/health/")
        except OSError:
            time.sleep(0.2)
        else:
            if status == 200:
                return
    raise AssertionError(f"the server does not answer: {log.read_text()}")
