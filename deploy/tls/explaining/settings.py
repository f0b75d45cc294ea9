"""Settings of the service that explains trust: no database, no sessions, nothing secret."""

import os
import secrets

from deploy import languages
from deploy.content_policy import CONTENT_POLICY
from deploy.embedded.folder import CHECKOUT, data_folder

SECRET_KEY = secrets.token_urlsafe(48)  # Nothing is signed with it; Django wants one.
DEBUG = False
ALLOWED_HOSTS = os.environ["LEVELBOOK_HOSTS"].split(",")
PUBLIC_URL = os.environ["LEVELBOOK_PUBLIC_URL"].rstrip("/")
LOCAL_AUTHORITY = os.environ["LEVELBOOK_LOCAL_AUTHORITY"]
ROOT_URLCONF = "deploy.tls.explaining.urls"
WSGI_APPLICATION = "deploy.tls.explaining.wsgi.application"
INSTALLED_APPS = ["django.contrib.staticfiles"]
MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "csp.middleware.CSPMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "django.middleware.locale.LocaleMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
]
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [CHECKOUT / "deploy" / "templates", CHECKOUT / "fleet" / "templates"],
        "OPTIONS": {"libraries": {"looks": "fleet.templatetags.looks"}},
    }
]
STATIC_URL = "/static/"
STATIC_ROOT = data_folder().static
STORAGES = {"staticfiles": {"BACKEND": "whitenoise.storage.CompressedManifestStaticFilesStorage"}}
LANGUAGE_CODE = "en"
LANGUAGES = languages.LANGUAGES
LOCALE_PATHS = languages.LOCALE_PATHS
USE_I18N = True
USE_TZ = True
TIME_ZONE = "UTC"
FORMAT_MODULE_PATH = ["fleet.formats"]
CONTENT_SECURITY_POLICY = CONTENT_POLICY
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
SECURE_CROSS_ORIGIN_OPENER_POLICY = None  # Browsers know it over HTTPS only, and complain.
X_FRAME_OPTIONS = "DENY"
