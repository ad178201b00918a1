#!/usr/bin/env python
"""Command line of the site: `manage.py set_up`, `manage.py demo`, `manage.py serve`, and Django's own."""

import os
import sys
from pathlib import Path


def main() -> None:
    if sys.argv[1:2] == ["demo"]:
        # The invented scenario lives in a folder of its own, so that it never mixes with a group's books.
        os.environ.setdefault("PROSPECTING_DATA_DIR", str(Path(__file__).resolve().parent / ".demo"))
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "prospecting.settings")
    from django.core.management import execute_from_command_line

    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
