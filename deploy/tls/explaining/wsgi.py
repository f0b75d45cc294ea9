"""What the web server runs on the port without HTTPS."""

import os

from django.core.wsgi import get_wsgi_application

os.environ["DJANGO_SETTINGS_MODULE"] = "deploy.tls.explaining.settings"
application = get_wsgi_application()
