import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path
from urllib.parse import urlencode

from django.conf import settings

from tests.load.server import Client


def free_port() -> int:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return listener.getsockname()[1]


def environment(folder: Path, **names) -> dict:
    return {
        "PATH": os.environ["PATH"],
        "PROSPECTING_DATA_DIR": str(folder),
        "PROSPECTING_WEB_PROCESSES": "2",
        "FIRST_PASSWORD": "quartz and shovels",
    } | names


def manage(*words: str) -> list[str]:
    return [sys.executable, str(settings.BASE_DIR / "manage.py"), *words]


def fetch(url: str) -> tuple[bytes, dict]:
    with urllib.request.urlopen(url, timeout=20) as answer:
        return answer.read(), dict(answer.headers)


def wait_for(url: str, process: subprocess.Popen) -> None:
    until = time.monotonic() + 60
    while True:
        try:
            fetch(url)
            return
        except urllib.error.URLError:
            assert process.poll() is None, process.communicate()
            assert time.monotonic() < until, "the site does not answer"
            time.sleep(0.3)


def test_refuses_to_serve_a_site_that_is_not_set_up(tmp_path):
    done = subprocess.run(
        manage("serve"), env=environment(tmp_path), capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 1
    assert "set_up" in done.stderr
    assert "Traceback" not in done.stderr


def memory_and_seconds(pid: int) -> tuple[float, float]:
    """What a process holds in memory, in MB, and how long it has reckoned so far."""
    held = re.search(r"^VmRSS:\s+(\d+) kB$", Path(f"/proc/{pid}/status").read_text(), re.MULTILINE)
    times = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[11:13]
    return int(held[1]) / 1000, sum(map(int, times)) / os.sysconf("SC_CLK_TCK")


def status_of_a_forged_sign_in(port: int) -> int:
    """Somebody on plain http who says that it is https. A site that believes it asks for a Referer, and answers 403."""
    caller = Client(port)
    caller.ask("GET", "/sign-in/")
    headers = {
        "Cookie": f"csrftoken={caller.cookies['csrftoken']}",
        "Content-Type": "application/x-www-form-urlencoded",
        "X-Forwarded-Proto": "https",
    }
    body = urlencode({"csrfmiddlewaretoken": caller.cookies["csrftoken"], "username": "x", "password": "y"})
    caller.connection.request("POST", "/sign-in/", body, headers)
    return caller.connection.getresponse().status


def test_a_site_set_up_is_served_from_any_folder(tmp_path):
    """As on a real site: hashed files, several processes, settings of production."""
    port = free_port()
    names = environment(tmp_path / "data", PROSPECTING_PORT=str(port))
    # The service manager's own way to be told that a service is ready: systemd's sd_notify(3).
    told = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    told.bind(str(tmp_path / "told"))
    told.settimeout(60)
    made = subprocess.run(
        manage("set_up", "--username=tarn", "--password-from-env=FIRST_PASSWORD"),
        env=names,
        capture_output=True,
        text=True,
        timeout=180,
    )
    assert made.returncode == 0, made.stderr
    process = subprocess.Popen(
        manage("serve"),
        env=names | {"NOTIFY_SOCKET": str(tmp_path / "told")},
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    site = f"http://127.0.0.1:{port}"
    try:
        assert process.stdout.readline().startswith(f"The site answers at {site}/")
        wait_for(f"{site}/health/", process)
        assert told.recv(4096).startswith(b"READY=1")
        body, headers = fetch(f"{site}/sign-in/")
        # From nothing to the first page in three seconds of a processor of its own, and small enough for a small computer.
        workers = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
        used = [memory_and_seconds(int(pid)) for pid in workers]
        _, starting_s = memory_and_seconds(process.pid)
        print(f"serve {starting_s:.1f} s; " + "; ".join(f"{mb:.0f} MB, {s:.1f} s" for mb, s in used))
        assert len(used) == 2
        assert max(mb for mb, _ in used) < 150
        assert starting_s + max(s for _, s in used) < 3
        assert status_of_a_forged_sign_in(port) == 200
        assert "default-src 'none'" in headers["Content-Security-Policy"]
        files = re.findall(r'(?:href|src)="(/static/[^"]+)"', body.decode())
        assert any(re.search(r"site\.[0-9a-f]{12}\.css$", file) for file in files)
        for file in files:
            assert "immutable" in fetch(site + file)[1]["Cache-Control"]
    finally:
        told.close()
        process.send_signal(signal.SIGTERM)
        _, complaints = process.communicate(timeout=60)
    assert process.returncode == 0
    assert complaints.count("Booting worker") == 2
