"""`manage.py load_demo`: make the demo workshop on the first run; change nothing on the next."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from ...demo.clock import NotTheDemoError
from ...demo.load import load_demo
from ...demo.sign_ins import write_sign_ins


class Command(BaseCommand):
    help = "Make the demo workshop with its vehicles' stories, and write its sign-ins into the data folder."

    def handle(self, *args: Any, **options: Any) -> None:
        now = timezone.now()
        try:
            workshop = load_demo(now)
        except NotTheDemoError as error:
            raise CommandError(str(error)) from error
        if not settings.DATA.demo_sign_ins.exists():
            write_sign_ins(settings.DATA.demo_sign_ins, workshop, now)
        self.stdout.write(f"{workshop.name}: sign-ins are in {settings.DATA.demo_sign_ins}")
