"""System checks: the service must not run as a role that row-level security does not bind."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.conf import settings
from django.core.checks import CheckMessage, Error, Tags, register
from django.core.exceptions import ImproperlyConfigured
from django.db import connections

PRIVILEGES_SQL = """
    SELECT r.rolsuper, r.rolbypassrls,
           EXISTS (SELECT 1 FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
                   WHERE n.nspname = 'public' AND c.relkind IN ('r', 'p')
                     AND pg_has_role(current_user, c.relowner, 'MEMBER'))
    FROM pg_roles r WHERE r.rolname = current_user
"""


def privileges_of_role(alias: str = "default") -> list[str]:
    """Why the connected role is too powerful to serve; empty where it is plain."""
    with connections[alias].cursor() as cursor:
        return privileges(cursor)


def privileges(cursor: Any) -> list[str]:
    """The same of any session."""
    cursor.execute(PRIVILEGES_SQL)
    is_superuser, bypasses, owns = cursor.fetchone()
    reasons = {
        "is a superuser": is_superuser,
        "has BYPASSRLS": bypasses,
        "owns tables or may act as their owner": owns,
    }
    return [reason for reason, holds in reasons.items() if holds]


def refuse_privileged_role() -> None:
    """Called where web and worker processes begin: stop unless the database role is a plain one."""
    reasons = privileges_of_role()
    if reasons:
        raise ImproperlyConfigured(
            f"The database role of DATABASE_URL {' and '.join(reasons)}, so row-level security would not hold. "
            "Connect as the plain application role that deploy/roles.sql makes."
        )


@register(Tags.database)
def check_role(databases: Sequence[str] | None = None, **kwargs: Any) -> list[CheckMessage]:
    if not databases or "default" not in databases or settings.DATABASE_ROLE != "app":
        return []
    return [
        Error(f"The database role {reason}.", hint="Use the application role.", id="fleet.E001")
        for reason in privileges_of_role()
    ]
