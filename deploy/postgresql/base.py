"""PostgreSQL with a pool that, when it meets one connection lost, looks at all the others before it goes on."""

from typing import Any

import psycopg
from django_prometheus.db.backends.postgresql import base  # type: ignore[import-untyped]
from psycopg_pool import ConnectionPool


class DatabaseWrapper(base.DatabaseWrapper):  # type: ignore[misc]
    """One thread's connection.

    A restarted database leaves nothing but lost connections behind. The pool's own check meets them one by one, with
    pauses that double: with four of them idle, a request is refused although the database has long been back.
    """

    def get_new_connection(self, conn_params: dict[str, Any]) -> psycopg.Connection:
        """Give a connection that has just answered."""
        connection: psycopg.Connection = super().get_new_connection(conn_params)
        if self.pool is None or _answers(connection):
            return connection
        self.pool.putconn(connection)  # which replaces a lost one
        self.pool.check()
        replaced: psycopg.Connection = super().get_new_connection(conn_params)
        return replaced


def _answers(connection: psycopg.Connection) -> bool:
    try:
        ConnectionPool.check_connection(connection)
    except psycopg.OperationalError:
        return False
    return True
