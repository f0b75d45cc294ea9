"""Celery tasks of calibration. The one there is may be repeated without harm."""

from __future__ import annotations

from celery import shared_task
from django.utils import timezone

from .services import photos


@shared_task(name="calibration.tasks.remove_abandoned_files", ignore_result=True)
def remove_abandoned_files() -> None:
    """Clear away what was killed while it was written."""
    photos.abandoned_files_remove(now=timezone.now())
