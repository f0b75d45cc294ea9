from django.apps import AppConfig
from django.utils.translation import gettext_lazy as _


class FleetConfig(AppConfig):
    name = "fleet"
    verbose_name = _("Fleet")

    def ready(self) -> None:
        from . import (
            checks,  # noqa: F401  (registers the system checks)
            tasks,  # noqa: F401  (registers who performs which outbox items)
        )
        from .api import schema  # noqa: F401  (registers the documentation of strict fields)
        from .sign_in import signals

        signals.connect()
