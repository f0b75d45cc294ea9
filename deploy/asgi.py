"""What the web server runs."""

from deploy.threaded import ThreadedApplication
from deploy.uploads import LARGER_BODIES
from deploy.wsgi import application as wsgi_application

application = ThreadedApplication(wsgi_application, larger=LARGER_BODIES)
