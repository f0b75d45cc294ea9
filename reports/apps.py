from django.apps import AppConfig
from django.utils.translation import gettext_lazy as _


class ReportsConfig(AppConfig):
    name = "reports"
    verbose_name = _("Reports")

    def ready(self) -> None:
        from . import tasks  # noqa: F401  (registers who performs which outbox items)
        from .api import history  # noqa: F401  (registers the lines of a vehicle's history)
        from .pages import navigation  # noqa: F401  (registers its entries of the index)
