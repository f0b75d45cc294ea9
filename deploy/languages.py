"""The languages of pages, shared by the service and by the page that explains trust."""

from typing import Final

from django.utils.translation import gettext_lazy as _

from deploy.embedded.folder import CHECKOUT

LANGUAGES: Final = [("en", _("English"))]
LOCALE_PATHS: Final = [CHECKOUT / app / "locale" for app in ("fleet", "calibration", "reports", "deploy")]
