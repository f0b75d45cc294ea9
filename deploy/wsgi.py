"""What answers requests, behind `deploy.asgi`, which the web server runs."""

import os

from django.core.wsgi import get_wsgi_application
from django.db import connection

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")
# A pool keeps database connections from one request to the next.
os.environ.setdefault("LEVELBOOK_DATABASE_POOL", "1")

django_application = get_wsgi_application()

from fleet.api.problem_handlers import ReadableRequests  # noqa: E402  (needs the applications loaded)
from fleet.checks import refuse_privileged_role  # noqa: E402  (needs the applications loaded)

# Requests that Django itself cannot read are answered before it sees them.
application = ReadableRequests(django_application)

refuse_privileged_role()
connection.close()
