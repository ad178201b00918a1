"""What every test stands on: a data folder of its own, a test database in a file, and signed-in clients."""

import importlib
import os
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest

# The shell of whoever runs the tests must not change what they see; these choose how tests run, not what the site does.
KEPT_NAMES = {"PROSPECTING_BROWSER_TESTS", "PROSPECTING_CHROMIUM", "PROSPECTING_LONG_TESTS"}
for name in [name for name in os.environ if name.startswith("PROSPECTING_") and name not in KEPT_NAMES]:
    del os.environ[name]

# Set before the settings are read: reading them makes the data folder and the key in it.
DATA_FOLDER = Path(tempfile.mkdtemp(prefix="prospecting-tests-"))
os.environ["PROSPECTING_DATA_DIR"] = str(DATA_FOLDER)
os.environ["DJANGO_SETTINGS_MODULE"] = "prospecting.settings"


# Numbers meet no database, and how wide a page is or what a camera reads does not hang on one: a run on PostgreSQL would
# only repeat these.
SAME_ON_ANY_DATABASE = (
    "browser/test_help_pictures.py",
    "prospecting/calc",
    "prospecting/readers",
    "prospecting/charts",
    "prospecting/forms",
    "prospecting/management/test_serve.py",
    "prospecting/views",
    "trials/calc",
    "trials/charts",
    "trials/frames/test_cautions.py",
    "trials/frames/test_changes.py",
    "trials/frames/test_design_verdicts.py",
    "trials/frames/test_field_against_laboratory.py",
    "trials/frames/test_outlook.py",
    "trials/frames/test_pointing.py",
    "trials/frames/test_recovery.py",
    "trials/frames/test_sampling_plan.py",
    "trials/frames/test_uniformity.py",
    "trials/frames/test_verdicts.py",
    "trials/views",
    "reference",
    "laws",
    "test_calc_examples.py",
    "test_pages_cost.py",
    "test_where_numbers_are_made.py",
    "browser/test_clearing.py",
    "browser/test_draw.py",
    "browser/test_judging.py",
    "browser/test_lineage.py",
    "browser/test_main_path.py",
    "browser/test_offline_form.py",
    "browser/test_pages.py",
    "browser/test_phone_queue.py",
    "browser/test_phone_trial.py",
    "browser/test_parcel.py",
    "browser/test_photos.py",
    "browser/test_pocket_pages.py",
    "browser/test_run_page.py",
    "browser/test_shed_day.py",
    "browser/test_tags.py",
    "browser/test_today.py",
    "browser/test_what_a_trial_shows.py",
)


def pytest_ignore_collect(collection_path: Path) -> bool | None:
    same = any(collection_path == Path(__file__).parent / name for name in SAME_ON_ANY_DATABASE)
    return True if same and os.environ.get("DATABASE_URL") else None


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave the long ones out, as many as there are, unless PROSPECTING_LONG_TESTS asks for them."""
    if os.environ.get("PROSPECTING_LONG_TESTS"):
        return
    long = [item for item in items if item.get_closest_marker("long")]
    if long:
        config.hook.pytest_deselected(items=long)
        items[:] = [item for item in items if not item.get_closest_marker("long")]


def pytest_configure() -> None:
    from django.conf import settings

    # Said again here because a worker of pytest-xdist inherits the names above and has read the settings already.
    settings.DATA_DIR = DATA_FOLDER
    settings.MEDIA_ROOT = DATA_FOLDER / "photos"
    settings.STATIC_ROOT = DATA_FOLDER / "static"
    settings.STATIC_ROOT.mkdir(parents=True, exist_ok=True)
    # Unhashed names, which the test server finds in the source tree without collectstatic.
    settings.STORAGES = settings.STORAGES | {
        "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}
    }
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]

    books = settings.DATABASES["default"]
    if books["ENGINE"].endswith("sqlite3"):
        # A file, as on a real site: threads sharing one database in memory would never meet its locks.
        books.setdefault("TEST", {})["NAME"] = str(DATA_FOLDER / "test_books.sqlite3")
    lift_the_journals_guard_around_each_flush()


def lift_the_journals_guard_around_each_flush() -> None:
    """After a test that commits every table is emptied, which the database refuses for the journal. Nothing else lifts that."""
    from django.db import connection
    from django.test import TransactionTestCase

    guard = importlib.import_module("prospecting.migrations.0013_journal_only_added_to")
    empty_all_tables = TransactionTestCase._fixture_teardown

    def without_guard(case: TransactionTestCase) -> None:
        with connection.schema_editor() as editor:
            guard.lift(None, editor)
        try:
            empty_all_tables(case)
        finally:
            with connection.schema_editor() as editor:
                guard.guard(None, editor)

    TransactionTestCase._fixture_teardown = without_guard


def pytest_unconfigure() -> None:
    shutil.rmtree(DATA_FOLDER, ignore_errors=True)


@pytest.fixture
def client_as(db) -> Callable:
    """Make a signed-in client: `client_as("keeper")`; its member is `client.member`."""
    from django.test import Client

    from tests.make import make_member

    def sign_in(role: str = "member", **fields) -> Client:
        client = Client()
        client.member = make_member(role=role, **fields)
        client.force_login(client.member)
        return client

    return sign_in
