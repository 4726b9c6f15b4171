"""Settings, read from the environment only; a bad or unsafe value is refused with a sentence.

Variables: DATABASE_URL, REDIS_URL, SECRET_KEY, ALLOWED_HOSTS, DEBUG, TRUSTED_PROXY_TLS, SECOND_PROOF_ROLES,
OIDC_ISSUER, OIDC_CLIENT_ID, OIDC_CLIENT_SECRET, OIDC_NAME, OIDC_SECOND_PROOF_BY, OIDC_LOGIN_EACH_TIME,
PASSWORD_SIGN_IN, EBBLINE_VAR, BACKUP_FOLDER, BACKUP_KEY_FILE, BACKUP_KEEP_DAYS, BACKUP_OLD_AFTER_HOURS, LOG_FORMAT,
METRICS_TOKEN, PROMETHEUS_MULTIPROC_DIR.
"""

import os
from pathlib import Path
from typing import Any

from csp.constants import NONE, SELF
from django.core.exceptions import ImproperlyConfigured

from programme.core.databases import database_of
from programme.core.provider import passwords_for_all, provider_of

BASE_DIR = Path(__file__).resolve().parent.parent
VAR_DIR = Path(os.environ.get("EBBLINE_VAR", BASE_DIR / "var"))

LOCAL_HOSTS = {"localhost", "127.0.0.1", "[::1]", "testserver"}
SMALLEST_SECRET = 50
SMALLEST_TOKEN = 32
ROLES = frozenset({"nurse", "consultant", "coordinator", "administrator"})


def read_flag(name: str, *, default: bool) -> bool:
    """Read True or False from the environment; anything else is refused."""
    text = os.environ.get(name)
    if text is None:
        return default
    if text not in ("True", "False"):
        raise ImproperlyConfigured(f"{name}={text!r} is not understood; write True or False.")
    return text == "True"


def read_count(name: str) -> int | None:
    """Read a whole number of at least 1, None where none is set; anything else is refused."""
    text = os.environ.get(name, "").strip()
    if not text:
        return None
    if not (text.isascii() and text.isdigit() and int(text) > 0):
        raise ImproperlyConfigured(f"{name}={text!r} is not understood; write a whole number of at least 1.")
    return int(text)


def read_path(name: str) -> Path | None:
    """Read an absolute path; a relative one would depend on where a process was started."""
    text = os.environ.get(name, "").strip()
    if text and not Path(text).is_absolute():
        raise ImproperlyConfigured(f"{name}={text!r} must be a whole path, beginning with /.")
    return Path(text) if text else None


def read_roles(name: str) -> frozenset[str]:
    """Read roles, separated by commas; one that does not exist is refused."""
    roles = frozenset(role.strip() for role in os.environ.get(name, "").split(",") if role.strip())
    if not roles <= ROLES:
        raise ImproperlyConfigured(
            f"{name}: {', '.join(sorted(roles - ROLES))} is no role; write some of {', '.join(sorted(ROLES))}."
        )
    return roles


def read_secret() -> str:
    """Read SECRET_KEY, else the key that `make setup` wrote into the ignored folder."""
    key = os.environ.get("SECRET_KEY")
    stored = VAR_DIR / "secret_key"
    if key is None and stored.exists():
        key = stored.read_text().strip()
    if not key:
        raise ImproperlyConfigured("SECRET_KEY is not set and there is no stored key. Run 'make setup', or set it.")
    if len(key) < SMALLEST_SECRET:
        raise ImproperlyConfigured(
            f"SECRET_KEY has {len(key)} characters; at least {SMALLEST_SECRET} random ones are needed."
        )
    return key


def read_hosts() -> list[str]:
    """Read the comma-separated host names; a star would accept forged ones."""
    hosts = [host.strip() for host in os.environ.get("ALLOWED_HOSTS", "localhost,127.0.0.1,[::1]").split(",")]
    hosts = [host for host in hosts if host]
    if "*" in hosts or not hosts:
        raise ImproperlyConfigured("ALLOWED_HOSTS must name each host, separated by commas; '*' is not accepted.")
    return hosts


def read_database() -> dict[str, Any]:
    """Read DATABASE_URL; else an SQLite file in the checkout."""
    try:
        return database_of(os.environ.get("DATABASE_URL") or f"sqlite:///{BASE_DIR / 'ebbline.sqlite3'}")
    except ImproperlyConfigured as error:
        raise ImproperlyConfigured(f"DATABASE_URL: {error}") from error


DEBUG = read_flag("DEBUG", default=False)
SECRET_KEY = read_secret()
ALLOWED_HOSTS = read_hosts()
ON_THIS_MACHINE_ONLY = set(ALLOWED_HOSTS) <= LOCAL_HOSTS
if DEBUG and not ON_THIS_MACHINE_ONLY:
    raise ImproperlyConfigured("DEBUG=True shows code and data; it is accepted only when every host is this machine.")

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "django_tables2",
    "django_htmx",
    "csp",
    "programme.core.apps.CoreConfig",
    "patients.apps.PatientsConfig",
    "sessions.apps.SessionsConfig",
    "sessions.day.apps.DayConfig",
    "programme.intake.apps.IntakeConfig",
    "programme.planning.apps.PlanningConfig",
    "programme.booking.apps.BookingConfig",
    "programme.supply.apps.SupplyConfig",
    "programme.worklist.apps.WorklistConfig",
    "programme.review.apps.ReviewConfig",
    "programme.bedside.apps.BedsideConfig",
    "programme.custody.apps.CustodyConfig",
]

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "programme.core.packing.PackingMiddleware",
    "programme.core.asked.AskedMiddleware",
    "csp.middleware.CSPMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "programme.core.access.AccessMiddleware",
    "programme.core.look.HbUnitMiddleware",
]

ROOT_URLCONF = "programme.urls"
WSGI_APPLICATION = "programme.wsgi.application"
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "programme.core.look.masthead",
                "programme.intake.look.masthead",
            ],
        },
    }
]

DATABASES = {"default": read_database()}
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"
FIXTURE_DIRS = [BASE_DIR / "fixtures"]

AUTH_USER_MODEL = "core.User"
AUTHENTICATION_BACKENDS = ["programme.core.who.Users"]
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
# No rules of composition and no end of validity: NIST SP 800-63B-4 (2025), 3.1.1.2.
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "programme.core.sign_ins.LongEnough"},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
]
SECOND_PROOF_ROLES = read_roles("SECOND_PROOF_ROLES")
OIDC = provider_of(os.environ, debug=DEBUG)
PASSWORDS_FOR_ALL = passwords_for_all(os.environ, OIDC)
LOGIN_URL = "core:sign_in"
LOGIN_REDIRECT_URL = "/"
LOGOUT_REDIRECT_URL = "core:sign_in"
CSRF_FAILURE_VIEW = "programme.core.views.faults.form_expired"

LANGUAGE_CODE = "en-gb"
TIME_ZONE = "UTC"
USE_I18N = True
USE_TZ = True

STATIC_URL = "static/"
STATIC_ROOT = VAR_DIR / "static"
STATICFILES_FINDERS = [
    "django.contrib.staticfiles.finders.AppDirectoriesFinder",
    "programme.worklist.finders.PlotlyFinder",
]
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {
        "BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"
        if DEBUG
        else "whitenoise.storage.CompressedManifestStaticFilesStorage"
    },
}

CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [NONE],
        "script-src": [SELF],
        "worker-src": [SELF],
        # The hash is that of the map style sheet bundled in the chart library, which it adds by itself.
        "style-src": [SELF, "'sha256-ji27qzEtxXZW+7dun6UwjHXJ18e6WAin1VvNtkzIE/o='"],
        "style-src-attr": [NONE],
        "img-src": [SELF, "data:"],
        "connect-src": [SELF],
        "font-src": [SELF],
        "form-action": [SELF],
        "base-uri": [NONE],
        "frame-ancestors": [NONE],
    }
}
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = not ON_THIS_MACHINE_ONLY
# With this prefix a browser takes a cookie only over TLS and from this host, not from a neighbour's of the same domain.
OF_THIS_HOST = "" if ON_THIS_MACHINE_ONLY else "__Host-"
SESSION_COOKIE_NAME, CSRF_COOKIE_NAME = f"{OF_THIS_HOST}sessionid", f"{OF_THIS_HOST}csrftoken"
SESSION_COOKIE_HTTPONLY = True
SESSION_ENGINE = "programme.core.who"
SESSION_COOKIE_AGE = 12 * 3600
SESSION_EXPIRE_AT_BROWSER_CLOSE = True
SECURE_SSL_REDIRECT = not ON_THIS_MACHINE_ONLY
SECURE_REDIRECT_EXEMPT = [r"^(health|ready|metrics)/$"]  # asked from the inside, past the proxy that ends TLS
SECURE_HSTS_SECONDS = 0 if ON_THIS_MACHINE_ONLY else 31536000
SECURE_HSTS_INCLUDE_SUBDOMAINS = SECURE_HSTS_PRELOAD = not ON_THIS_MACHINE_ONLY
BEHIND_PROXY = read_flag("TRUSTED_PROXY_TLS", default=False)
if BEHIND_PROXY:
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
DATA_UPLOAD_MAX_MEMORY_SIZE = 2_621_440
FILE_UPLOAD_MAX_MEMORY_SIZE = 2_621_440

BACKUP_FOLDER, BACKUP_KEY_FILE = read_path("BACKUP_FOLDER"), read_path("BACKUP_KEY_FILE")
BACKUP_KEEP_DAYS = read_count("BACKUP_KEEP_DAYS")
BACKUP_OLD_AFTER_HOURS: int = read_count("BACKUP_OLD_AFTER_HOURS") or 36  # one a night and half a day: chosen here
if (BACKUP_FOLDER is None) != (BACKUP_KEY_FILE is None):
    raise ImproperlyConfigured("BACKUP_FOLDER and BACKUP_KEY_FILE go together: set both, or neither.")

METRICS_TOKEN = os.environ.get("METRICS_TOKEN", "")
if METRICS_TOKEN and len(METRICS_TOKEN) < SMALLEST_TOKEN:
    raise ImproperlyConfigured(
        f"METRICS_TOKEN has {len(METRICS_TOKEN)} characters; at least {SMALLEST_TOKEN} random ones are needed."
    )
METRICS_FOLDER = read_path("PROMETHEUS_MULTIPROC_DIR")  # as the library calls it, which reads it too
if METRICS_FOLDER is not None and not METRICS_FOLDER.is_dir():
    raise ImproperlyConfigured(f"PROMETHEUS_MULTIPROC_DIR: {METRICS_FOLDER} is no folder; make it first.")

REDIS_URL = os.environ.get("REDIS_URL", "")
if REDIS_URL and not REDIS_URL.startswith(("redis://", "rediss://", "redis+socket://")):
    raise ImproperlyConfigured("REDIS_URL must start with redis://, rediss:// or redis+socket://.")
CELERY_BROKER_URL = REDIS_URL or "memory://"
# How long whoever hands a task over waits for a Redis that is gone, or behind a network that swallows everything: each
# is tried twice, so a page waits ten seconds at most. Chosen here; not from a source.
CELERY_BROKER_TRANSPORT_OPTIONS = {"socket_connect_timeout": 2.0, "socket_timeout": 5.0}
CELERY_TASK_ALWAYS_EAGER = not REDIS_URL
CELERY_TASK_EAGER_PROPAGATES = True
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_TIMEZONE = "UTC"

DJANGO_TABLES2_TEMPLATE = "components/table.html"

LOG_FORMAT = os.environ.get("LOG_FORMAT") or ("text" if ON_THIS_MACHINE_ONLY else "json")
if LOG_FORMAT not in ("text", "json"):
    raise ImproperlyConfigured(f"LOG_FORMAT={LOG_FORMAT!r} is not understood; write text or json.")
LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"text": {}, "json": {"()": "programme.core.logs.JsonLines"}},
    "filters": {"not_of_watchers": {"()": "programme.core.logs.NotOfWatchers"}},
    "handlers": {"stderr": {"class": "logging.StreamHandler", "formatter": LOG_FORMAT, "filters": ["not_of_watchers"]}},
    "root": {"handlers": ["stderr"], "level": "WARNING"},
    "loggers": {
        "django": {"handlers": [], "level": "WARNING"},  # its own would write addresses beside ours, or mail them
        # The printer reports every screen-only rule of the style sheets that it leaves out.
        "weasyprint": {"level": "ERROR"},
        "programme.requests": {"level": "INFO" if LOG_FORMAT == "json" else "WARNING"},
    },
}
