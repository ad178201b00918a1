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

from django.conf import settings


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


def test_a_site_set_up_is_served_from_any_folder(tmp_path):
    """As on a real site: hashed files, several processes, settings of production."""
    port = free_port()
    names = environment(tmp_path / "data", PROSPECTING_PORT=str(port))
    made = subprocess.run(
        manage("set_up", "--username=tarn", "--password-from-env=FIRST_PASSWORD"),
        env=names,
        capture_output=True,
        text=True,
        timeout=180,
    )
    assert made.returncode == 0, made.stderr
    process = subprocess.Popen(
        manage("serve"), env=names, cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    site = f"http://127.0.0.1:{port}"
    try:
        assert process.stdout.readline().startswith(f"The site answers at {site}/")
        wait_for(f"{site}/health/", process)
        body, headers = fetch(f"{site}/sign-in/")
        assert "default-src 'none'" in headers["Content-Security-Policy"]
        files = re.findall(r'(?:href|src)="(/static/[^"]+)"', body.decode())
        assert any(re.search(r"site\.[0-9a-f]{12}\.css$", file) for file in files)
        for file in files:
            assert "immutable" in fetch(site + file)[1]["Cache-Control"]
    finally:
        process.send_signal(signal.SIGTERM)
        _, complaints = process.communicate(timeout=60)
    assert process.returncode == 0
    assert complaints.count("Booting worker") == 2
