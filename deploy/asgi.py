"""What the web server runs."""

from deploy.threaded import ThreadedApplication
from deploy.wsgi import application as wsgi_application

application = ThreadedApplication(wsgi_application)
