"""Serve the site with gunicorn, in place of this process."""

import os
import sys
from pathlib import Path

from django.conf import settings
from django.core.management import BaseCommand, CommandError
from django.db import connection, connections
from django.db.migrations.executor import MigrationExecutor

SHARED_MEMORY = Path("/dev/shm")


class Command(BaseCommand):
    help = "Serve the site on this computer; a proxy in front brings it to phones by https."

    def add_arguments(self, parser) -> None:
        parser.add_argument(
            "--bind",
            default=f"127.0.0.1:{settings.SITE_PORT}",
            help="address and port, if not 127.0.0.1 and PROSPECTING_PORT",
        )

    def handle(self, *args, bind: str, **options) -> None:
        self._check_ready()
        self.stdout.write(f"The site answers at http://{bind}/ until you press Ctrl and C.")
        self.stdout.flush()
        # Nothing of this process's database connections is to live on in the server.
        connections.close_all()
        os.execvp(sys.executable, command_line(bind))

    def _check_ready(self) -> None:
        executor = MigrationExecutor(connection)
        unapplied = executor.migration_plan(executor.loader.graph.leaf_nodes())
        if unapplied or not (settings.STATIC_ROOT / "staticfiles.json").exists():
            raise CommandError(
                "The site is not set up, or not since it was last renewed. Run the command set_up first."
            )


def command_line(bind: str) -> list[str]:
    """The server's command: threads wait for slow phones, and each process opens its own database connections.

    It writes down no request; the proxy in front does, where a group wants that.
    """
    command = [sys.executable, "-m", "gunicorn", "prospecting.wsgi:application", f"--bind={bind}"]
    command += [
        f"--chdir={settings.BASE_DIR}",
        "--no-control-socket",
        "--worker-class=gthread",
        f"--workers={settings.WEB_PROCESSES}",
        "--threads=4",
        # A process that gives no sign of life for so long is replaced; what is under way may go on as long when it is to end.
        # Both are longer than an entry waits for its turn to write (settings.py).
        "--timeout=60",
        "--graceful-timeout=30",
        # Processes are made anew now and then, not all at once: what a library leaks never adds up.
        "--max-requests=5000",
        "--max-requests-jitter=1000",
        # What a caller says of itself in headers is read by the site alone, which knows how many proxies there are.
        "--forwarded-allow-ips=",
    ]
    if SHARED_MEMORY.is_dir():
        # The workers' sign of life is a file; on a slow disk it would look as if they had died.
        command.append(f"--worker-tmp-dir={SHARED_MEMORY}")
    return command
