"""Settings, from environment variables with working defaults for one machine (see deploy/README.md)."""

import gc
import os
from pathlib import Path

from django.core.exceptions import ImproperlyConfigured

from deploy import broker, database, languages, logs, mail, outbound, signing_certificate
from deploy.content_policy import CONTENT_POLICY
from deploy.embedded.folder import CHECKOUT, data_folder
from fleet.signed_heads import HeadError, public_key


def _flag(name: str, default: bool) -> bool:
    value = os.environ.get(name, "1" if default else "0")
    if value not in {"0", "1"}:
        raise ImproperlyConfigured(f"{name} is {value!r}; use 1 or 0.")
    return value == "1"


def _list(name: str, default: str) -> list[str]:
    return [entry.strip() for entry in os.environ.get(name, default).split(",") if entry.strip()]


def _public_keys(name: str) -> list[str]:
    keys = _list(name, "")
    for each in keys:
        try:
            public_key(each)
        except HeadError as error:
            raise ImproperlyConfigured(
                f"{name} holds something that is no public key: {error}. Write whole keys as certificates name them "
                "(verifier_key) or as /verify/ shows them, with commas between them."
            ) from None
    return keys


def _whole_number(name: str, default: int, *, of: str, lowest: int, highest: int) -> int:
    value = os.environ.get(name) or str(default)
    if not (value.isascii() and value.isdecimal() and lowest <= int(value) <= highest):
        raise ImproperlyConfigured(f"{name} is {value!r}; use a whole number of {of} from {lowest} to {highest}.")
    return int(value)


def _shared_cache(url: str | None) -> dict[str, object]:
    """What every web process must see alike: a folder on one machine, Valkey or Redis for several."""
    if not url:
        return {
            "BACKEND": "deploy.cache.FolderCache",
            "LOCATION": DATA.root / "cache",
            "OPTIONS": {"MAX_ENTRIES": 10_000},
        }
    scheme, separator, place = url.partition("://")
    if scheme not in {"redis", "rediss", "valkey", "valkeys"} or not (separator and place):
        raise ImproperlyConfigured("CACHE_URL must be like redis://HOST:6379/1 (or rediss, valkey, valkeys).")
    server = f"{scheme.replace('valkey', 'redis')}://{place}"
    return {"BACKEND": "django.core.cache.backends.redis.RedisCache", "LOCATION": server}


# What is loaded stays: looking for garbage among it, after every 700 objects, takes a fifth of the time of a start.
gc.set_threshold(50_000, 20, 50)

BASE_DIR = CHECKOUT
DATA = data_folder()

# --- What is secret and who may call -----------------------------------------------------------------
SECRET_KEY = os.environ.get("SECRET_KEY") or DATA.secret("django-secret-key")
# Signs the heads of the workshops' trees; public keys of before are `verifier_key` of old checkpoints.
CHECKPOINT_KEY = os.environ.get("CHECKPOINT_KEY") or DATA.secret("checkpoint-key")
FORMER_CHECKPOINT_KEYS = _public_keys("FORMER_CHECKPOINT_KEYS")
# Signs certificates: PEM text with the private key, its certificate and those of its issuers.
SIGNING_PEM = signing_certificate.signing_pem(DATA)
DEBUG = False
ALLOWED_HOSTS = _list("LEVELBOOK_HOSTS", "localhost,127.0.0.1,[::1]")
CSRF_TRUSTED_ORIGINS = _list("LEVELBOOK_ORIGINS", "")
# The address that links in certificates and e-mails start with.
PUBLIC_URL = os.environ.get("LEVELBOOK_PUBLIC_URL", "http://127.0.0.1:8000").rstrip("/")

# --- Applications ------------------------------------------------------------------------------------
INSTALLED_APPS = [
    "fleet",
    "calibration",
    "reports",
    "deploy",
    "allauth.account",
    "allauth.mfa",
    "csp",
    "rest_framework",
    "drf_spectacular",
    "drf_spectacular_sidecar",
    "django_filters",
    "django_prometheus",
    "django_structlog",
    "django.contrib.admin",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
]
MIDDLEWARE = [
    "fleet.api.problem_handlers.ApiProblemMiddleware",
    "django_prometheus.middleware.PrometheusBeforeMiddleware",
    "django.middleware.security.SecurityMiddleware",
    "csp.middleware.CSPMiddleware",
    "fleet.static_files.StaticFilesMiddleware",
    "django_structlog.middlewares.RequestMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.locale.LocaleMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "allauth.account.middleware.AccountMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "fleet.middleware.WorkshopMiddleware",
    "fleet.pages.middleware.PagesMiddleware",
    "django_prometheus.middleware.PrometheusAfterMiddleware",
]
ROOT_URLCONF = "deploy.urls"
WSGI_APPLICATION = "deploy.wsgi.application"
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "fleet.pages.surroundings.surroundings",
            ]
        },
    }
]

# --- Database, broker, files -------------------------------------------------------------------------
DATABASE_ROLE = database.current_role()
DATABASES = {
    "default": database.django_database(DATABASE_ROLE, DATA, pooled=_flag("LEVELBOOK_DATABASE_POOL", default=False))
}
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"
BROKER_URL = os.environ.get("BROKER_URL") or broker.embedded_url(DATA)
MEDIA_ROOT = Path(os.environ.get("FILES_URL") or DATA.files)
# Uploaded files are records: they leave through views that check who asks, never by a public address.
FILE_UPLOAD_PERMISSIONS = 0o600
FILE_UPLOAD_DIRECTORY_PERMISSIONS = 0o700
DATA_UPLOAD_MAX_MEMORY_SIZE = 1_000_000
# More than the largest picture. Larger files are imports, which lie on disk without a name meanwhile.
FILE_UPLOAD_MAX_MEMORY_SIZE = 12_000_000
FILE_UPLOAD_HANDLERS = [
    "django.core.files.uploadhandler.MemoryFileUploadHandler",
    "deploy.uploads.UnnamedFileUploadHandler",
]
DATA_UPLOAD_MAX_NUMBER_FIELDS = 1_000
DATA_UPLOAD_MAX_NUMBER_FILES = 20
STATIC_URL = "/static/"
STATIC_ROOT = DATA.static
WHITENOISE_ALLOW_ALL_ORIGINS = False  # nobody else's pages load them
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "fleet.static_files.SlimStaticFiles", "OPTIONS": {"slimmed": ["bench/", "looks/"]}},
}

# --- What processes remember: together, attempts to sign in; each for itself, requests counted per token ---------
CACHES = {
    "default": _shared_cache(os.environ.get("CACHE_URL")),
    "process": {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"},
}

# --- E-mail ------------------------------------------------------------------------------------------
# Without EMAIL_URL messages are kept as files, in a folder that only the service's user can read.
MAIL_SERVER = mail.mail_server(os.environ.get("EMAIL_URL"))
EMAIL_BACKEND = MAIL_SERVER.backend
EMAIL_FILE_PATH = DATA.logs / "mail"
EMAIL_HOST, EMAIL_PORT = MAIL_SERVER.host, MAIL_SERVER.port
EMAIL_HOST_USER, EMAIL_HOST_PASSWORD = MAIL_SERVER.user, MAIL_SERVER.password
EMAIL_USE_TLS, EMAIL_USE_SSL = MAIL_SERVER.starts_tls, MAIL_SERVER.is_tls
EMAIL_TIMEOUT = 10
DEFAULT_FROM_EMAIL = os.environ.get("LEVELBOOK_EMAIL_FROM", "Levelbook <levelbook@localhost>")

# --- Imports ------------------------------------------------------------------------------------------
IMPORT_LARGEST_BYTES = 1_000_000 * _whole_number("IMPORT_LARGEST_MB", 200, of="megabytes", lowest=1, highest=2_000)
IMPORT_MOST_ROWS = _whole_number("IMPORT_MOST_ROWS", 1_000_000, of="rows", lowest=1, highest=10_000_000)
# All of them are recorded in one transaction, which holds the books of their vehicles for as long as it takes.
IMPORT_MOST_ATOMIC_ROWS = _whole_number("IMPORT_MOST_ATOMIC_ROWS", 5_000, of="rows", lowest=1, highest=20_000)
IMPORT_FILE_DAYS = _whole_number("IMPORT_FILE_DAYS", 7, of="days", lowest=1, highest=365)

# --- Webhooks ----------------------------------------------------------------------------------------
WEBHOOK_POLICY = outbound.webhook_policy(
    networks=_list("LEVELBOOK_WEBHOOK_NETWORKS", ""),
    ports=_list("LEVELBOOK_WEBHOOK_PORTS", "80,443"),
    allows_http=_flag("LEVELBOOK_WEBHOOK_HTTP", default=False),
)

WEBHOOK_DELIVERIES_DAYS = _whole_number("WEBHOOK_DELIVERIES_DAYS", 90, of="days", lowest=1, highest=3650)
# --- Exports and archives ----------------------------------------------------------------------------
EXPORT_DAYS = _whole_number("EXPORT_DAYS", 7, of="days", lowest=1, highest=365)
# To how many bytes an archive that somebody hands in may unpack.
ARCHIVE_LARGEST_BYTES = _whole_number("ARCHIVE_LARGEST_MB", 50_000, of="MB", lowest=1, highest=10_000_000) * 1_000_000

# --- People ------------------------------------------------------------------------------------------
AUTH_USER_MODEL = "fleet.User"
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
TOKEN_LIFETIME_DAYS = _whole_number("TOKEN_LIFETIME_DAYS", 90, of="days", lowest=1, highest=3650)
PASSWORD_RESET_TIMEOUT = 3600  # seconds that a link to set a new password holds
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 12}},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
]

# --- Signing in with a browser -------------------------------------------------------------------------
AUTHENTICATION_BACKENDS = ["django.contrib.auth.backends.ModelBackend"]
LOGIN_URL = "account_login"
LOGIN_REDIRECT_URL = "choose_workshop"
SESSION_COOKIE_AGE = _whole_number("SESSION_HOURS", 12, of="hours", lowest=1, highest=720) * 3600
ACCOUNT_ADAPTER = "fleet.sign_in.adapters.AccountAdapter"
ACCOUNT_FORMS = {
    "login": "fleet.pages.forms.SignInForm",
    "reauthenticate": "fleet.pages.forms.ConfirmPasswordForm",
    "change_password": "fleet.pages.forms.ChangePasswordForm",
}
ACCOUNT_LOGIN_METHODS = {"email"}
ACCOUNT_SIGNUP_FIELDS = ["email*", "password1*"]  # of people whom an invitation signs up; there is no other way
ACCOUNT_USER_MODEL_USERNAME_FIELD = None
ACCOUNT_EMAIL_VERIFICATION = "none"  # the invitation was sent to the address
ACCOUNT_LOGOUT_REDIRECT_URL = "account_login"
ACCOUNT_SESSION_REMEMBER = True  # for SESSION_COOKIE_AGE
ACCOUNT_RATE_LIMITS = {
    "login": "60/m/ip",
    "login_failed": "60/m/ip,10/15m/key",  # ten wrong passwords, or second factors, lock out for a quarter of an hour
}
# --- Second factors ------------------------------------------------------------------------------------
MFA_ADAPTER = "fleet.sign_in.adapters.SecondFactorAdapter"
MFA_FORMS = {
    "authenticate": "fleet.pages.forms.SecondFactorForm",
    "reauthenticate": "fleet.pages.forms.ConfirmSecondFactorForm",
    "activate_totp": "fleet.pages.forms.AuthenticatorAppForm",
    "add_webauthn": "fleet.pages.forms.PasskeyForm",
    "login_webauthn": "fleet.pages.forms.PasskeySignInForm",
    "authenticate_webauthn": "fleet.pages.forms.PasskeySecondFactorForm",
    "reauthenticate_webauthn": "fleet.pages.forms.ConfirmPasskeyForm",
}
MFA_SUPPORTED_TYPES = ["totp", "webauthn", "recovery_codes"]
MFA_PASSKEY_LOGIN_ENABLED = True
MFA_RECOVERY_CODES_SHOW_ONCE = True
MFA_TOTP_ISSUER = "Levelbook"
MFA_TOTP_TOLERANCE = 1

# --- Language and time -------------------------------------------------------------------------------
LANGUAGE_CODE = "en"
LANGUAGES = languages.LANGUAGES
LOCALE_PATHS = languages.LOCALE_PATHS
USE_I18N = True
USE_TZ = True
TIME_ZONE = "UTC"
FORMAT_MODULE_PATH = ["fleet.formats"]

# --- Transport security ------------------------------------------------------------------------------
# Set to 1 where browsers reach the service over HTTPS, directly or through a proxy.
HTTPS = _flag("LEVELBOOK_HTTPS", default=False)
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = SECURE_SSL_REDIRECT = HTTPS
# Set by deploy/start --local-tls: the certificate of the authority that tablets come to trust.
LOCAL_AUTHORITY = os.environ.get("LEVELBOOK_LOCAL_AUTHORITY") or None
# Not with a local authority: a browser that ceases to trust it must be able to go back.
SECURE_HSTS_SECONDS = 365 * 24 * 3600 if HTTPS and not LOCAL_AUTHORITY else 0
if _flag("LEVELBOOK_BEHIND_PROXY", default=False):
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
# Browsers offer passkeys without HTTPS on this machine alone, as localhost.
MFA_WEBAUTHN_ALLOW_INSECURE_ORIGIN = not HTTPS
CSRF_FAILURE_VIEW = "fleet.pages.middleware.foreign_form"
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = CSRF_COOKIE_SAMESITE = "Lax"
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
SECURE_CROSS_ORIGIN_OPENER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
CONTENT_SECURITY_POLICY = CONTENT_POLICY

# --- API ---------------------------------------------------------------------------------------------
REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "fleet.api.authentication.TokenAuthentication",
        "fleet.api.authentication.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["fleet.api.authentication.IsPerson"],
    "UNAUTHENTICATED_USER": None,
    "DEFAULT_PARSER_CLASSES": ["fleet.api.parsers.StrictJSONParser"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PAGINATION_CLASS": "fleet.api.pagination.CursorPagination",
    "DEFAULT_FILTER_BACKENDS": ["django_filters.rest_framework.DjangoFilterBackend"],
    "DEFAULT_SCHEMA_CLASS": "drf_spectacular.openapi.AutoSchema",
    "EXCEPTION_HANDLER": "fleet.api.problems.exception_handler",
    # What is answered is asked for by Accept alone.
    "URL_FORMAT_OVERRIDE": None,
    # Whoever asks can write into X-Forwarded-For; only proxies of one's own in front make it worth reading.
    "NUM_PROXIES": _whole_number("PROXIES_IN_FRONT", 0, of="proxies", lowest=0, highest=10),
    "TEST_REQUEST_DEFAULT_FORMAT": "json",
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Levelbook",
    "VERSION": "1",
    "OAS_VERSION": "3.1.1",
    "SERVE_INCLUDE_SCHEMA": False,
    "DEFAULT_GENERATOR_CLASS": "fleet.api.openapi.EnglishGenerator",
    "SWAGGER_UI_DIST": "SIDECAR",
    "SWAGGER_UI_FAVICON_HREF": "SIDECAR",
    "COMPONENT_SPLIT_REQUEST": True,
    "SCHEMA_PATH_PREFIX": "/api/v1",
    "ENUM_NAME_OVERRIDES": {
        "CertificateKindEnum": "reports.models.Certificate.Kind",
        "CertificateStateEnum": "reports.models.Certificate.State",
        "CornerEnum": "fleet.api.fields.CORNERS",
        "EventKindEnum": "fleet.models.ServiceEvent.Kind",
        "ImportKindEnum": "reports.api.import_serializers.KINDS",
        "ImportStateEnum": "reports.models.Import.State",
        "InstrumentKindEnum": "fleet.models.Instrument.Kind",
        "LengthUnitEnum": "fleet.models.Workshop.LengthUnit",
        "TokenKindEnum": "fleet.models.AccessToken.Kind",
        "ArchiveStateEnum": "reports.selectors.archives.State",
        "AlertStateEnum": "reports.models.DriftAlert.State",
        "WebhookDeliveryStateEnum": "reports.models.WebhookDelivery.State",
        "WebhookEventEnum": "reports.api.webhook_serializers.EVENTS",
        "WebhookStateEnum": "reports.models.Webhook.State",
        "WithdrawalKindEnum": "fleet.models.InstrumentWithdrawal.Kind",
        "WorkStateEnum": "fleet.models.OutboxItem.State",
    },
    "POSTPROCESSING_HOOKS": [
        "drf_spectacular.hooks.postprocess_schema_enums",
        "fleet.api.schema.document_conventions",
    ],
}

# --- Figures -----------------------------------------------------------------------------------------
# With a token /metrics wants it of everybody; without one it answers whoever is on this machine. It counts requests
# by kind, and holds nothing of people, vehicles or workshops.
METRICS_TOKEN = os.environ.get("METRICS_TOKEN", "")

# --- Logging -----------------------------------------------------------------------------------------
LOGGING_CONFIG = None
logs.configure(as_json=_flag("LEVELBOOK_JSON_LOGS", default=False))
