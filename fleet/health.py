"""What machines ask: is the process alive, can it serve, and its figures."""

from __future__ import annotations

import hmac
import ipaddress
from http import HTTPStatus

from django.conf import settings
from django.db import DatabaseError, connection
from django.db.migrations.executor import MigrationExecutor
from django.http import HttpRequest, HttpResponse, HttpResponseNotFound, JsonResponse
from django.views.decorators.http import require_safe
from django_prometheus.exports import ExportToDjangoView  # type: ignore[import-untyped]

FORWARDED_HEADERS = ("X-Forwarded-For", "Forwarded", "X-Real-Ip")


@require_safe
def healthz(request: HttpRequest) -> HttpResponse:
    """The process answers."""
    return JsonResponse({"status": "alive"})


@require_safe
def readyz(request: HttpRequest) -> HttpResponse:
    """The database answers and has every migration; without the broker records are still accepted."""
    database = _database_state()
    is_ready = database == "ready"
    status = HTTPStatus.OK if is_ready else HTTPStatus.SERVICE_UNAVAILABLE
    headers = {} if is_ready else {"Retry-After": "5"}
    body = {"status": "ready" if is_ready else "not ready", "database": database}
    return JsonResponse(body, status=status, headers=headers)


@require_safe
def metrics(request: HttpRequest) -> HttpResponse:
    """Prometheus figures of all web processes, with the token of the settings, or where none is set for this machine.

    For others there is nothing here.
    """
    if not (_has_metrics_token(request) if settings.METRICS_TOKEN else _is_local(request)):
        return HttpResponseNotFound()
    figures: HttpResponse = ExportToDjangoView(request)
    return figures


def _database_state() -> str:
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
        executor = MigrationExecutor(connection)
        waiting = executor.migration_plan(executor.loader.graph.leaf_nodes())
    except DatabaseError:
        return "not reached"
    return "migrations waiting" if waiting else "ready"


def _is_local(request: HttpRequest) -> bool:
    """From this machine, and not through a proxy on it that passes on what others ask."""
    if any(name in request.headers for name in FORWARDED_HEADERS):
        return False
    try:
        return ipaddress.ip_address(request.META.get("REMOTE_ADDR", "")).is_loopback
    except ValueError:
        return False


def _has_metrics_token(request: HttpRequest) -> bool:
    given = request.headers.get("Authorization", "").removeprefix("Bearer ")
    return hmac.compare_digest(given.encode(), settings.METRICS_TOKEN.encode())
