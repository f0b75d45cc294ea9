"""Which database a process connects to, and as which role."""

import os
from typing import Any, Literal, get_args

from psycopg.conninfo import conninfo_to_dict

from deploy.embedded import postgres
from deploy.embedded.folder import DataFolder

Role = Literal["app", "owner", "admin"]
URL_VARIABLES: dict[Role, str] = {
    "app": "DATABASE_URL",
    "owner": "DATABASE_OWNER_URL",
    "admin": "DATABASE_ADMIN_URL",
}
EMBEDDED_ROLES: dict[Role, str] = {"app": postgres.APP, "owner": postgres.OWNER, "admin": postgres.ADMIN}
# Every other command, the web server and the workers run as the application role.
ROLE_OF_COMMAND: dict[str, Role] = {
    "migrate": "owner",
    "backup": "admin",
    "restore": "admin",
    "verify_records": "owner",  # who may list the workshops
    "accept_new_signing_key": "owner",
    "recompute_certificate": "owner",
}
COMMANDS_WITHOUT_DATABASE = {
    "collectstatic",
    "compilemessages",
    "help",
    "makemessages",
    "spectacular",
    "version",
}
DJANGO_KEYS = {"dbname": "NAME", "user": "USER", "password": "PASSWORD", "host": "HOST", "port": "PORT"}
# A process has no more threads than connections, so a request waits only while the database is away: long enough for
# a restart, not longer. The pool's own attempts to reconnect would come ever more seldom, up to minutes after the
# database is back; given up early, every new request starts them again.
POOL = {"min_size": 1, "max_size": 8, "timeout": 4, "reconnect_timeout": 2}


def is_embedded() -> bool:
    """Tell whether this installation runs its own PostgreSQL."""
    return not os.environ.get("DATABASE_URL")


def current_role() -> Role:
    """Return the role of this process; `manage.py` chooses it by command."""
    role = os.environ.get("LEVELBOOK_DATABASE_ROLE", "app")
    if role not in get_args(Role):
        raise ValueError(f"LEVELBOOK_DATABASE_ROLE is {role!r}; allowed are {', '.join(get_args(Role))}.")
    return role  # type: ignore[return-value]


def connection_parameters(role: Role, data: DataFolder) -> dict[str, Any]:
    """Return libpq's connection parameters for one role; only this role's password is read."""
    return _embedded(role, data) if is_embedded() else _external(role)


def django_database(role: Role, data: DataFolder, *, pooled: bool) -> dict[str, Any]:
    """Return Django's entry for one role."""
    parts = connection_parameters(role, data)
    options: dict[str, Any] = {key: value for key, value in parts.items() if key not in DJANGO_KEYS}
    if pooled:
        options["pool"] = POOL
    return {
        "ENGINE": "deploy.postgresql",
        **{name: str(parts.get(key, "")) for key, name in DJANGO_KEYS.items()},
        "CONN_HEALTH_CHECKS": not pooled,  # of a pool: see `deploy.postgresql`
        "OPTIONS": options,
    }


def _embedded(role: Role, data: DataFolder) -> dict[str, Any]:
    user = EMBEDDED_ROLES[role]
    return {
        "dbname": postgres.DATABASE,
        "user": user,
        "password": data.secret(user),
        "host": str(data.sockets),
    }


def _external(role: Role) -> dict[str, Any]:
    variable = URL_VARIABLES[role]
    url = os.environ.get(variable)
    if not url:
        raise ValueError(
            f"{variable} is not set: with DATABASE_URL given, this command needs the {role} role's own URL "
            "(see deploy/roles.sql)."
        )
    return dict(conninfo_to_dict(url))
