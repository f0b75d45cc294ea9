"""The Celery application. Messages are hints that an outbox row is due; losing one costs seconds, no work."""

import os
import warnings
from typing import Any

from celery import Celery, signals
from celery.exceptions import SecurityWarning
from django.conf import settings

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")

HARD_TIME_LIMIT = 60
# A task that runs longer than the visibility timeout is delivered a second time while it still runs.
VISIBILITY_TIMEOUT = 2 * HARD_TIME_LIMIT + 30
SWEEP_SECONDS = 5.0
CLEARING_SECONDS = 24 * 3600.0
BROKER_TIMEOUT = 5

# Only JSON is accepted, so a message cannot run code whoever the worker is; root is a supported user.
warnings.filterwarnings("ignore", category=SecurityWarning)

app = Celery("levelbook")
app.conf.update(
    broker_url=settings.BROKER_URL,
    broker_connection_retry_on_startup=True,
    broker_transport_options={
        "visibility_timeout": VISIBILITY_TIMEOUT,
        "unacked_restore_interval": 1,
        "unacked_restore_throttle": 1,
        "socket_connect_timeout": BROKER_TIMEOUT,
        "socket_timeout": BROKER_TIMEOUT,
        # Sending a hint: kombu would try for six seconds to reach a broker that is down, within the request.
        "max_retries": 0,
    },
    # The sweep repeats a hint that the broker could not take; a request must not wait for it.
    task_publish_retry=False,
    accept_content=["json"],
    task_serializer="json",
    result_serializer="json",
    task_ignore_result=True,
    task_acks_late=True,
    task_reject_on_worker_lost=True,
    task_time_limit=HARD_TIME_LIMIT,
    task_soft_time_limit=HARD_TIME_LIMIT - 10,
    worker_prefetch_multiplier=1,
    worker_cancel_long_running_tasks_on_connection_loss=True,
    enable_utc=True,
    timezone="UTC",
    beat_schedule_filename=str(settings.DATA.root / "beat-schedule"),
    beat_schedule={
        "sweep the outbox": {
            "task": "fleet.tasks.sweep_outbox",
            "schedule": SWEEP_SECONDS,
            # A sweep that was not started in time is replaced by the next one.
            "options": {"expires": SWEEP_SECONDS},
        },
        "clear away expired sessions": {
            "task": "fleet.tasks.clear_expired_sessions",
            "schedule": CLEARING_SECONDS,
            "options": {"expires": CLEARING_SECONDS},
        },
        "clear away old failed attempts to sign in": {
            "task": "fleet.tasks.clear_old_refusals",
            "schedule": CLEARING_SECONDS,
            "options": {"expires": CLEARING_SECONDS},
        },
        "clear away abandoned files": {
            "task": "calibration.tasks.remove_abandoned_files",
            "schedule": CLEARING_SECONDS,
            "options": {"expires": CLEARING_SECONDS},
        },
    },
)
app.autodiscover_tasks(["fleet", "calibration", "reports"])


@signals.setup_logging.connect
def keep_logging_of_settings(**_: Any) -> None:
    """Replace Celery's own logging set-up by doing nothing: the settings made one."""


@signals.worker_init.connect
def refuse_privileged_role(**_: Any) -> None:
    """Stop a worker that row-level security would not bind."""
    from django.db import connection

    from fleet.checks import refuse_privileged_role as refuse

    refuse()
    connection.close()
