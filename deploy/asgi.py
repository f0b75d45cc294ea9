"""What the web server runs."""

from typing import Final

from django.conf import settings

from deploy.threaded import LARGEST_BODY, ThreadedApplication
from deploy.wsgi import application as wsgi_application

AROUND_A_FILE: Final = 100_000
"""Boundaries, headers and the other fields of a form."""
LARGEST_FILE: Final = max(LARGEST_BODY, settings.IMPORT_LARGEST_BYTES + AROUND_A_FILE)

application = ThreadedApplication(
    wsgi_application, larger={"/api/v1/imports/": LARGEST_FILE, "/imports/new/": LARGEST_FILE}
)
