"""Fixtures for all tests: the frozen day, clients of each role, a real worker and a strict browser."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
import time_machine
from django.conf import settings
from django.core.cache import cache
from django.db import connection, transaction
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.recorder import MigrationRecorder
from django.test import Client
from hypothesis import settings as hypothesis_settings
from playwright.sync_api import expect

from programme.celery import app as celery_app
from programme.core import guards
from programme.core.models import Role, Site, User
from tests import factories
from tests.browsing import PATIENCE_MS, chromium_program

if TYPE_CHECKING:
    from playwright.sync_api import BrowserContext, Page

ROOT = Path(__file__).resolve().parent.parent
NEEDS_DATABASE = {"db", "transactional_db", "live_server", "django_db_reset_sequences", "django_db_serialized_rollback"}
PAGES = {"nurse_client", "consultant_client", "coordinator_client", "elsewhere_client"}
"""Whoever asks for one of these asks about a page."""
NEEDS_EMPTYING = NEEDS_DATABASE - {"db"}

# The same cases on every run, and no verdict that depends on how busy the machine is.
hypothesis_settings.register_profile("steady", deadline=None, derandomize=True, database=None, max_examples=100)
hypothesis_settings.load_profile("steady")


# How tests are run


def pytest_configure(config: pytest.Config) -> None:
    """Make the settings fit for tests: quick passwords, unhashed static names, a database file of its own."""
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    settings.STORAGES["staticfiles"] = {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}
    database = settings.DATABASES["default"]
    if database["ENGINE"].endswith("sqlite3"):
        # A file, not memory: threads of the live server and of the tests of two writers need own connections.
        folder = tempfile.mkdtemp(prefix="ebbline-test-")
        config.add_cleanup(lambda: shutil.rmtree(folder, ignore_errors=True))
        database.setdefault("TEST", {})["NAME"] = f"{folder}/test.sqlite3"
        # Tests kill processes, never the machine: what was committed need not wait for the disk.
        database["OPTIONS"]["init_command"] = database["OPTIONS"]["init_command"].replace("FULL", "OFF")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Mark each test with its layer, run the browser last, and leave out what has no server to run on."""
    for item in items:
        uses_database = item.get_closest_marker("django_db") or NEEDS_DATABASE & set(item.fixturenames)
        if "numeric" in item.path.parts:
            if uses_database:
                raise pytest.UsageError(f"{item.nodeid}: tests of numeric code run without a database.")
            item.add_marker("numeric")
        if uses_database and not _hangs_on_no_database(item):
            item.add_marker("database")
        if {"page", "browser"} & set(item.fixturenames):
            item.add_marker("browser")
        if "worker" in item.fixturenames:
            item.add_marker("redis")
    missing = [] if os.environ.get("REDIS_URL") else [item for item in items if item.get_closest_marker("redis")]
    if connection.vendor != "postgresql":
        missing += [item for item in items if item.get_closest_marker("postgres") and item not in missing]
    config.hook.pytest_deselected(items=missing)
    items[:] = [item for item in items if item not in missing]
    items.sort(key=lambda item: item.get_closest_marker("browser") is not None)  # its event loop outlives it


def _hangs_on_no_database(item: pytest.Item) -> bool:
    """Whether SQLite alone is asked: pages, which the walk over every address asks of both, and what says so itself."""
    if item.get_closest_marker("postgres"):
        return False
    return bool(item.get_closest_marker("either_database") or PAGES & set(item.fixturenames))


@pytest.fixture(autouse=True)
def _trail_may_be_emptied(request: pytest.FixtureRequest) -> Iterator[None]:
    """Drop the trail's triggers before a test's tables are emptied; they are made again right after."""
    marker = request.node.get_closest_marker("django_db")
    transaction = bool(marker and marker.kwargs.get("transaction"))
    if not transaction and not NEEDS_EMPTYING & set(request.fixturenames):
        yield
        return
    request.getfixturevalue("_django_db_helper")
    yield
    guards.drop()


@pytest.fixture(autouse=True)
def _nothing_is_remembered() -> None:
    """What one test put into the cache of the process is not there in the next."""
    cache.clear()


@pytest.fixture(scope="session")
def django_db_use_migrations() -> bool:
    """Make the tables from the models, in a tenth of the time; `test_migrations.py` says that both ways end alike."""
    return False


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup: None, django_db_blocker: Any) -> None:
    """Note every migration as done: the tables are those that the newest leaves behind."""
    settings.MIGRATION_MODULES = {}
    with django_db_blocker.unblock():
        recorder = MigrationRecorder(connection)
        recorder.ensure_schema()
        for app, name in sorted(MigrationLoader(connection).disk_migrations):
            recorder.record_applied(app, name)


@pytest.fixture
def frozen_day() -> Iterator[date]:
    """The clock stands at nine on factories.TODAY and goes on from there."""
    with time_machine.travel(factories.NOW, tick=True):
        yield factories.TODAY


@pytest.fixture(scope="module")
def rows_of_the_module(django_db_setup: None, django_db_blocker: Any) -> Iterator[None]:
    """Rows made by a module's own fixtures stay for all its tests, each of which still ends where it began.

    Only for modules whose tests all run inside a transaction.
    """
    with django_db_blocker.unblock(), transaction.atomic():
        yield
        transaction.set_rollback(True)


# People who sign in


@pytest.fixture
def site(db: None) -> Site:
    return factories.make_site("saltmarsh", name="Saltmarsh Day Unit")


@pytest.fixture
def other_site(db: None, site: Site) -> Site:
    return factories.make_site("heronsford", name="Heronsford Day Unit")


@pytest.fixture
def nurse(site: Site) -> User:
    return factories.make_user(role=Role.NURSE, site=site)


@pytest.fixture
def consultant(site: Site) -> User:
    return factories.make_user(role=Role.CONSULTANT, site=site)


@pytest.fixture
def coordinator(site: Site) -> User:
    return factories.make_user(role=Role.COORDINATOR, site=site)


@pytest.fixture
def nurse_elsewhere(other_site: Site) -> User:
    return factories.make_user(role=Role.NURSE, site=other_site)


def client_of(user: User) -> Client:
    client = Client()
    client.force_login(user)
    return client


@pytest.fixture
def nurse_client(nurse: User) -> Client:
    return client_of(nurse)


@pytest.fixture
def consultant_client(consultant: User) -> Client:
    return client_of(consultant)


@pytest.fixture
def coordinator_client(coordinator: User) -> Client:
    return client_of(coordinator)


@pytest.fixture
def elsewhere_client(nurse_elsewhere: User) -> Client:
    return client_of(nurse_elsewhere)


# A real worker


def url_of_test_database() -> str:
    """The address of the database that this test run made, for a process of its own."""
    database = connection.settings_dict
    if connection.vendor == "sqlite":
        return f"sqlite:///{database['NAME']}"
    host = database["OPTIONS"].get("host") or database["HOST"]
    return f"postgres://{database['USER']}@/{database['NAME']}?host={host}"


@contextmanager
def worker_process(log: Path, *, redis_url: str, at_once: int) -> Iterator[subprocess.Popen[bytes]]:
    """A real Celery worker in its own process, on this run's database; killed at the end if it does not stop."""
    environment = {**os.environ, "DATABASE_URL": url_of_test_database(), "REDIS_URL": redis_url}
    command = [sys.executable, "-m", "celery", "-A", "programme", "worker", "-c", str(at_once), "--loglevel", "INFO"]
    command += ["--without-gossip", "--without-mingle", "--without-heartbeat"]
    with log.open("wb") as written:
        process = subprocess.Popen(
            command, cwd=ROOT, env=environment, stdout=written, stderr=subprocess.STDOUT, start_new_session=True
        )
        try:
            yield process
        finally:
            process.terminate()
            with suppress(subprocess.TimeoutExpired):
                process.wait(timeout=30)
            with suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait(timeout=30)


@pytest.fixture
def worker(transactional_db: None, tmp_path: Path) -> Iterator[None]:
    """A real worker on the private Redis server of this run."""
    with worker_process(tmp_path / "worker.log", redis_url=os.environ["REDIS_URL"], at_once=2):
        try:
            yield
        finally:
            celery_app.control.purge()


# A real browser


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args: dict[str, Any]) -> dict[str, Any]:
    """The system's own Chromium, which sends nothing anywhere."""
    # From here on the browser's driver runs an event loop in this thread, which Django takes for asynchronous code.
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "1"
    quiet = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"]
    quiet += ["--disable-component-update", "--disable-sync"]
    return {**browser_type_launch_args, "executable_path": chromium_program(), "args": quiet}


@pytest.fixture
def console_errors() -> list[str]:
    """What the browser complained of; a test that provokes a complaint clears the list after looking at it."""
    return []


@pytest.fixture
def context(context: BrowserContext) -> BrowserContext:
    """What a browser is waited for; Playwright's own five seconds for what is expected are short on a busy machine."""
    context.set_default_timeout(PATIENCE_MS)
    expect.set_options(timeout=PATIENCE_MS)
    return context


@pytest.fixture
def page(page: Page, live_server: Any, console_errors: list[str]) -> Iterator[Page]:
    """A strict page: any console error, script error or request to another address fails the test."""
    page.on("console", lambda message: console_errors.append(message.text) if message.type == "error" else None)
    page.on("pageerror", lambda error: console_errors.append(str(error)))

    def stays_here(request: Any) -> None:
        if not request.url.startswith((live_server.url, "data:", "blob:", "about:")):
            console_errors.append(f"asked another address: {request.url}")

    page.on("request", stays_here)
    yield page
    assert console_errors == []


@pytest.fixture
def page_as(page: Page, live_server: Any) -> Callable[[User], Page]:
    """Return a function that signs a user in on the page without typing, and hands the page back."""

    def sign_in(user: User) -> Page:
        cookie = client_of(user).cookies[settings.SESSION_COOKIE_NAME]
        page.context.add_cookies([{"name": cookie.key, "value": cookie.value, "url": live_server.url}])
        return page

    return sign_in
