"""After a restart of the database the next request is served, however many connections the pool has lost by it."""

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from django.conf import settings
from django.db import OperationalError, connection
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.utils import ConnectionHandler
from psycopg_pool import PoolTimeout

from deploy import database

ALIAS = "pooled"
IDLE = database.POOL["max_size"]

Connect = Callable[[], BaseDatabaseWrapper]


@pytest.fixture
def connect(request: pytest.FixtureRequest, committed_db: None) -> Iterator[Connect]:
    """Connects one thread more through a pool to the test database, with the backend that is asked for."""
    entry = database.django_database("app", settings.DATA, pooled=True) | getattr(request, "param", {})
    entry["NAME"] = connection.settings_dict["NAME"]
    handler = ConnectionHandler({"default": entry, ALIAS: entry})

    def connect() -> BaseDatabaseWrapper:
        opened: BaseDatabaseWrapper = handler.create_connection(ALIAS)
        opened.ensure_connection()
        return opened

    yield connect
    handler[ALIAS].close_pool()  # type: ignore[attr-defined]


def lose_idle_connections(connect: Connect) -> None:
    """As many as a process keeps at most, ended as a database ends them that is stopped."""
    opened = [connect() for _ in range(IDLE)]
    pids = [one.connection.info.backend_pid for one in opened]
    for one in opened:
        one.close()
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(pg_terminate_backend(pid, 10000)) FROM unnest(%s) AS pid", [pids])
        assert cursor.fetchone() == (IDLE,)


def served(connect: Connect) -> Any:
    one = connect()
    try:
        with one.cursor() as cursor:
            cursor.execute("SELECT 1")
            return cursor.fetchone()
    finally:
        one.close()


def test_the_next_request_is_served_and_so_is_every_other(connect: Connect) -> None:
    lose_idle_connections(connect)
    assert [served(connect) for _ in range(IDLE + 1)] == [(1,)] * (IDLE + 1)


@pytest.mark.parametrize(
    "connect",
    [{"ENGINE": "django_prometheus.db.backends.postgresql", "CONN_HEALTH_CHECKS": True}],
    ids=["the pool's own check"],
    indirect=True,
)
def test_a_pool_that_looks_at_one_connection_at_a_time_refuses_it(connect: Connect) -> None:
    """The seeded fault: the database is there all the time."""
    lose_idle_connections(connect)
    with pytest.raises(OperationalError) as refused:
        served(connect)
    assert isinstance(refused.value.__cause__, PoolTimeout)
