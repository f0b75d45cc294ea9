"""The languages of pages, shared by the service and by the page that explains trust."""

from typing import Final

from deploy.embedded.folder import CHECKOUT

LANGUAGES: Final = [("en", "English"), ("de", "Deutsch")]
"""Each by its own name."""
LOCALE_PATHS: Final = [CHECKOUT / app / "locale" for app in ("fleet", "calibration", "reports", "deploy")]
