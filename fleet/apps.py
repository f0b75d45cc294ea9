from django.apps import AppConfig
from django.utils.translation import gettext_lazy as _


class FleetConfig(AppConfig):
    name = "fleet"
    verbose_name = _("Fleet")

    def ready(self) -> None:
        from . import checks  # noqa: F401  (registers the system checks)
        from .sign_in import signals

        signals.connect()
