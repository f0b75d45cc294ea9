"""A real database for every test process. Imports Django late: tests/metrology runs without it."""

import fcntl
import gc
import os
import sys
from collections.abc import Generator, Iterator
from contextlib import contextmanager, nullcontext
from copy import deepcopy
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, settings

from tests.distribution import LongFirst, rank

pytest_plugins = ["tests.browser.fixtures"]

if TYPE_CHECKING:
    from pytest_django import DjangoDbBlocker

    from tests.factories import Site


# How fast a machine is, and what else it does, is no matter of these tests.
settings.register_profile("any machine", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("any machine")

VARIABLES_BEFORE = pytest.StashKey[set[tuple[str, str]]]()
NEEDED_BY_BROWSER_TESTS = {"chromium_path", "node"}


def pytest_configure(config: pytest.Config) -> None:
    if not config.pluginmanager.hasplugin("django"):
        return
    from django.conf import settings as of_service

    # Argon2 is slow on purpose; tests/deploy checks that it is what the service uses.
    of_service.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    # Processes of one test run share nothing, and one `cache.clear()` forgets all attempts.
    of_service.CACHES["default"] = of_service.CACHES["process"]
    # The manifest exists only after collectstatic, and so does the folder.
    of_service.STATIC_ROOT.mkdir(parents=True, exist_ok=True)
    of_service.STORAGES["staticfiles"] = {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Generator[None, object, object]:
    with first_alone() if "PYTEST_XDIST_WORKER" in os.environ else nullcontext():
        return (yield)


@contextmanager
def first_alone() -> Iterator[None]:
    """Of several test processes the first one compiles what is to be compiled, and the others find it compiled.

    In a fresh clone each would otherwise compile all of it, since all start at the same time.
    """
    from deploy.embedded.folder import data_folder

    root = data_folder().root
    root.mkdir(parents=True, exist_ok=True)
    with (root / "compiling.lock").open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            fcntl.flock(lock, fcntl.LOCK_SH)
        yield


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> Iterator[None]:
    """Marks come before what chooses by them, the order after what has an order of its own."""
    for item in items:
        if NEEDED_BY_BROWSER_TESTS & set(getattr(item, "fixturenames", ())):
            item.add_marker(pytest.mark.browser)
    yield
    items.sort(key=lambda item: rank(item.nodeid))


def pytest_collection_finish() -> None:
    """What was imported stays for ever; the garbage collector need not look through it again and again."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 50)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> LongFirst | None:
    return LongFirst(config, log) if config.getoption("dist") == "loadfile" else None


@pytest.fixture(autouse=True)
def _language_of_the_settings() -> Iterator[None]:
    """A request leaves its reader's language behind in the thread that answered it."""
    yield
    if "django" in sys.modules:
        from django.utils import translation

        translation.deactivate()


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    item.stash[VARIABLES_BEFORE] = variables_of_the_service()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_teardown(item: pytest.Item) -> Iterator[None]:
    """A service that a later test starts from this process would take over what an earlier one has set."""
    yield
    changed = {name for name, _value in item.stash[VARIABLES_BEFORE] ^ variables_of_the_service()}
    assert not changed, f"left changed: {', '.join(sorted(changed))}; set them with monkeypatch"


def variables_of_the_service() -> set[tuple[str, str]]:
    """Of this process: what the settings look at."""
    names = ("LEVELBOOK_", "DATABASE_URL", "BROKER_URL")
    return {(name, value) for name, value in os.environ.items() if name.startswith(names)}


@pytest.fixture(scope="session")
def django_db_setup(
    request: pytest.FixtureRequest, django_test_environment: None, django_db_blocker: "DjangoDbBlocker"
) -> Iterator[None]:
    """Point Django at a fresh database, migrated by its owner and used as the application role."""
    from django.core.handlers.wsgi import WSGIHandler
    from django.db import connection

    from deploy import database
    from deploy.embedded.folder import data_folder
    from deploy.embedded.usage import running_database
    from deploy.loading import load_views
    from tests.database import copied_database

    # As in a web process. What many first requests at once load is loaded by each: metrics would be there twice.
    load_views()
    WSGIHandler()
    data = data_folder()
    worker = os.environ.get("PYTEST_XDIST_WORKER", "main")
    server = running_database(data) if database.is_embedded() else nullcontext()
    with server, copied_database(data, worker) as name:
        connection.settings_dict["NAME"] = name
        yield
        with django_db_blocker.unblock():
            connection.close()


@pytest.fixture
def committed_db(django_db_setup: None, django_db_blocker: "DjangoDbBlocker") -> Iterator[None]:
    """Allow the database without a surrounding transaction and without emptying tables afterwards.

    For tests with threads, processes or a live server. Append-only tables refuse to be emptied, so each
    such test makes a workshop of its own and looks at nothing else.
    """
    from django.db import connections

    with django_db_blocker.unblock():
        yield
        connections.close_all()


@pytest.fixture(scope="session")
def standing_sites(django_db_setup: None, django_db_blocker: "DjangoDbBlocker") -> "tuple[Site, Site]":
    """Two workshops that stay for as long as the database; what a test does to them is rolled back."""
    from tests.factories import leave_something_behind, make_site

    with django_db_blocker.unblock():
        leave_something_behind()
        return make_site(), make_site()


@pytest.fixture(scope="session")
def equipped_site(django_db_setup: None, django_db_blocker: "DjangoDbBlocker") -> "Site":
    """A standing workshop with a vehicle and a tape at hand."""
    from tests.factories import make_site

    with django_db_blocker.unblock():
        site = make_site()
        return replace(site, vehicles_at_hand=[site.vehicle()], tapes_at_hand=[site.instrument()])


@pytest.fixture
def site(standing_sites: "tuple[Site, Site]", db: None) -> "Site":
    """A workshop with a manager and a technician, within the test's transaction."""
    return deepcopy(standing_sites[0])


@pytest.fixture
def other_site(standing_sites: "tuple[Site, Site]", db: None) -> "Site":
    """Another workshop, which must not be seen from the first."""
    return deepcopy(standing_sites[1])


@pytest.fixture(scope="session")
def database_environment(django_db_setup: None) -> dict[str, str]:
    """Return the environment variables with which a subprocess works on this process's test database."""
    from django.db import connection

    from deploy.embedded.folder import data_folder
    from tests import database

    return database.database_environment(data_folder(), connection.settings_dict["NAME"])
