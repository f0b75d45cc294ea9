"""What the web server runs."""

from typing import Final

from django.conf import settings

from deploy.threaded import LARGEST_BODY, ThreadedApplication
from deploy.wsgi import application as wsgi_application
from reports.archive.members import LARGEST_UPLOAD

AROUND_A_FILE: Final = 100_000
"""Boundaries, headers and the other fields of a form."""
LARGEST_FILE: Final = max(LARGEST_BODY, settings.IMPORT_LARGEST_BYTES + AROUND_A_FILE)

LARGER: Final = {
    "/api/v1/imports/": LARGEST_FILE,
    "/imports/new/": LARGEST_FILE,
    "/api/v1/archives/": LARGEST_UPLOAD,
    "/archives/": LARGEST_UPLOAD,
}
"""By path, how many bytes a body may have. They lie on disk, like all that are larger than what is kept in memory."""

application = ThreadedApplication(wsgi_application, larger=LARGER)
