"""Settings, read from the environment. Nothing set means the embedded shop: SQLite and a folder broker.

`DATABASE_URL` or `REDIS_URL` makes it the grown-up installation, which refuses to start without its own
`SECRET_KEY` and `ALLOWED_HOSTS`. A value that makes no sense stops the start and is named.
"""

import os
import secrets
from pathlib import Path
from typing import Any

from django.core.exceptions import ImproperlyConfigured

from shop.environment import (
    a_file,
    a_folder,
    a_list,
    a_mail_url,
    a_number,
    a_postgres_url,
    a_redis_url,
    a_sender,
    a_switch,
    a_text,
    a_word,
)

BASE_DIR = Path(__file__).resolve().parent.parent
DATA_DIR = a_folder("DATA_DIR", BASE_DIR / "data")

DATABASE = a_postgres_url("DATABASE_URL")
REDIS_URL = a_redis_url("REDIS_URL")
EMBEDDED = DATABASE is None and not REDIS_URL
DEBUG = a_switch("DEBUG", False)

# Read by numba at its import: compiled code is kept with the data, where it may be written.
NUMBA_CACHE_DIR = a_folder("NUMBA_CACHE_DIR", DATA_DIR / "numba")
os.environ["NUMBA_CACHE_DIR"] = str(NUMBA_CACHE_DIR)


def _kept_secret(path: Path) -> str:
    """The embedded shop's own secret, made at its first start and kept beside its data."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if not path.exists():
            made = path.with_suffix(f".{os.getpid()}")
            made.touch(mode=0o600)
            made.write_text(secrets.token_urlsafe(50), encoding="ascii")
            made.replace(path)
        return path.read_text(encoding="ascii").strip()
    except OSError as error:
        raise ImproperlyConfigured(
            f"The data folder {path.parent} cannot be written ({error.strerror}). "
            "Set DATA_DIR to a folder that you may write."
        ) from error


SECRET_KEY = a_text("SECRET_KEY")
if not SECRET_KEY:
    if not EMBEDDED:
        raise ImproperlyConfigured(
            "SECRET_KEY is not set. With DATABASE_URL or REDIS_URL set, give the web server, the worker and "
            "the scheduler the same long random SECRET_KEY."
        )
    SECRET_KEY = _kept_secret(DATA_DIR / "secret-key")

ALLOWED_HOSTS = a_list("ALLOWED_HOSTS", ["*"] if EMBEDDED else [])
CSRF_TRUSTED_ORIGINS = a_list("CSRF_TRUSTED_ORIGINS", [])
if not EMBEDDED and not ALLOWED_HOSTS:
    raise ImproperlyConfigured(
        "ALLOWED_HOSTS is not set. Name the hosts that this server answers for, by commas."
    )

# `serve` speaks TLS itself with these; a browser lets phones work without a connection only at a secure address.
TLS_CERT, TLS_KEY = a_file("TLS_CERT"), a_file("TLS_KEY")
if (TLS_CERT is None) != (TLS_KEY is None):
    raise ImproperlyConfigured("TLS_CERT and TLS_KEY go together: set both to files in PEM form, or neither.")

# HTTPS is asked for outside the embedded shop; HTTPS=0 is for a trial behind no proxy.
HTTPS = a_switch("HTTPS", not EMBEDDED or TLS_CERT is not None)
SECURE_SSL_REDIRECT = HTTPS
SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https") if HTTPS and TLS_CERT is None else None
# A certificate of one's own may be gone tomorrow, so an embedded shop's browsers are not held to it.
SECURE_HSTS_SECONDS = int(a_number("HSTS_SECONDS", 0 if EMBEDDED else 31_536_000)) if HTTPS else 0
SECURE_HSTS_INCLUDE_SUBDOMAINS = HTTPS
SECURE_HSTS_PRELOAD = HTTPS
SESSION_COOKIE_SECURE = HTTPS
CSRF_COOKIE_SECURE = HTTPS
SESSION_COOKIE_AGE = 60 * 60 * 24 * 60  # seconds: a maker does not log in with gloves on
X_FRAME_OPTIONS = "DENY"

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    "django.contrib.humanize",
    "axes",
    "csp",
    "rest_framework",
    "drf_spectacular",
    "drf_spectacular_sidecar",
    "shop",
    "jobs",
    "analytics",
]

MIDDLEWARE = [
    "shop.health.HealthMiddleware",
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "csp.middleware.CSPMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "shop.middleware.CurrentShopMiddleware",
    "shop.middleware.SharedDeviceMiddleware",
    "axes.middleware.AxesMiddleware",
]

ROOT_URLCONF = "shop.urls"
WSGI_APPLICATION = "shop.wsgi.application"

TEMPLATES: list[dict[str, Any]] = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "shop.context.shop",
                "analytics.context.dates_at_risk",
            ],
        },
    }
]

CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": ["'self'"],
        "img-src": ["'self'", "data:"],
        "object-src": ["'none'"],
        "worker-src": ["'self'"],
        "manifest-src": ["'self'"],
        "frame-ancestors": ["'none'"],
        "base-uri": ["'self'"],
        "form-action": ["'self'"],
    }
}

if DATABASE is not None:
    DATABASES = {"default": {**DATABASE, "CONN_MAX_AGE": 60, "CONN_HEALTH_CHECKS": True}}
else:
    DATABASES = {
        "default": {
            "ENGINE": "django.db.backends.sqlite3",
            "NAME": DATA_DIR / "lapwright.sqlite3",
            "OPTIONS": {
                "transaction_mode": "IMMEDIATE",
                "timeout": 20,  # seconds to wait for another writer
                # FULL, not NORMAL: a tap that was acknowledged survives a power cut. Measured, it costs a tap 0.1 ms
                # (4 ms while the disk is busy) beside 13 ms of work: tests/benchmarks/test_tap_speed.py.
                "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL",
            },
        }
    }
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

AUTH_USER_MODEL = "shop.User"
AUTHENTICATION_BACKENDS = [
    "axes.backends.AxesStandaloneBackend",
    "django.contrib.auth.backends.ModelBackend",
]
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator"},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
]
LOGIN_URL = "login"
LOGIN_REDIRECT_URL = "shop:home"
LOGOUT_REDIRECT_URL = "login"
AXES_FAILURE_LIMIT = 8
AXES_COOLOFF_TIME = 0.25  # hours
AXES_LOCKOUT_PARAMETERS = [["username", "ip_address"]]
AXES_RESET_ON_SUCCESS = True
AXES_LOCKOUT_TEMPLATE = "shop/locked_out.html"

LANGUAGE_CODE = "en-gb"
TIME_ZONE = "UTC"
USE_TZ = True
USE_I18N = True

STATIC_URL = "static/"
STATIC_ROOT = a_folder("STATIC_ROOT", DATA_DIR / "static")
WHITENOISE_USE_FINDERS = EMBEDDED
# Photos lie with the data. No address leads to them but the views that ask who wants one.
MEDIA_ROOT = DATA_DIR / "media"
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {
        "BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"
        if EMBEDDED
        else "whitenoise.storage.CompressedManifestStaticFilesStorage"
    },
}

REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": ["rest_framework.authentication.SessionAuthentication"],
    "DEFAULT_PERMISSION_CLASSES": ["shop.permissions.InShop"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["rest_framework.parsers.JSONParser"],
    "DEFAULT_SCHEMA_CLASS": "drf_spectacular.openapi.AutoSchema",
    "DEFAULT_PAGINATION_CLASS": "rest_framework.pagination.LimitOffsetPagination",
    "PAGE_SIZE": 50,
    "EXCEPTION_HANDLER": "shop.problems.problem_details",
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Lapwright",
    "DESCRIPTION": "Jobs, the stopwatch, durations and promises of one shop. Errors are RFC 9457 problem details.",
    "VERSION": "1",
    "SERVE_INCLUDE_SCHEMA": False,
    "ENUM_NAME_OVERRIDES": {"JobStatusEnum": "jobs.models.JobStatus"},
    "SWAGGER_UI_DIST": "SIDECAR",
    "SWAGGER_UI_FAVICON_HREF": "SIDECAR",
}

# Slipping dates are told by e-mail where a mail server is set, and to addresses of the shops' own choice.
MAIL = a_mail_url("EMAIL_URL")
MAIL_IS_SET = MAIL is not None
DEFAULT_FROM_EMAIL = a_sender("DEFAULT_FROM_EMAIL")
if MAIL_IS_SET and not DEFAULT_FROM_EMAIL:
    raise ImproperlyConfigured("EMAIL_URL needs DEFAULT_FROM_EMAIL: the address that e-mails come from.")
EMAIL_BACKEND = f"django.core.mail.backends.{'smtp' if MAIL_IS_SET else 'dummy'}.EmailBackend"
EMAIL_TIMEOUT = 10  # seconds
globals().update(MAIL or {})
# An embedded shop may tell what stands in its own network; where many shops are served, none may reach into that one.
WEBHOOK_PRIVATE = a_switch("WEBHOOK_PRIVATE", EMBEDDED)

# True does each task where it is sent, without a worker: the test suite.
CELERY_TASK_ALWAYS_EAGER = a_switch("CELERY_TASK_ALWAYS_EAGER", False)
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_IGNORE_RESULT = True
CELERY_TASK_TIME_LIMIT = 600  # seconds
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_WORKER_HIJACK_ROOT_LOGGER = False
CELERY_TIMEZONE = "UTC"
if REDIS_URL:
    CELERY_BROKER_URL = REDIS_URL
    # Above the longest task, and looked at often: a killed worker's task comes back in minutes.
    CELERY_BROKER_TRANSPORT_OPTIONS: dict[str, Any] = {
        "visibility_timeout": 900,
        "unacked_restore_interval": 10,
        # A tap does not wait for a dead Redis (6 s by default): the sweep does what the message would have.
        "socket_connect_timeout": 2,
        "max_retries": 1,
        "interval_start": 0,
        "interval_step": 0.1,
    }
else:
    CELERY_BROKER_URL = "folder://localhost"
    CELERY_BROKER_TRANSPORT_OPTIONS = {
        "folder": str(DATA_DIR / "queues"),
        "polling_interval": 0.05,
    }  # seconds
    CELERY_WORKER_ENABLE_REMOTE_CONTROL = False  # one worker, and the folder carries no broadcasts
# The sweep finds what a lost message would have done, so tasks may be lost but never the learning.
CELERY_BEAT_SCHEDULE = {
    "sweep": {"task": "analytics.tasks.sweep", "schedule": a_number("SWEEP_SECONDS", 60)},
    "sweep-imports": {"task": "jobs.tasks.sweep_imports", "schedule": a_number("SWEEP_SECONDS", 60)},
    "walks": {
        "task": "analytics.tasks.want_walks",
        "schedule": 600,
    },  # seconds between looks whether one is due
    "watch": {"task": "analytics.tasks.watch", "schedule": a_number("WATCH_SECONDS", 60)},
}
CELERY_BEAT_SCHEDULE_FILENAME = str(DATA_DIR / "beat-schedule")

LOG_LEVEL = a_word("LOG_LEVEL", "WARNING", ("DEBUG", "INFO", "WARNING", "ERROR", "CRITICAL"))
LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"plain": {"format": "{asctime} {levelname} {name}: {message}", "style": "{"}},
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "plain"}},
    "root": {"handlers": ["console"], "level": LOG_LEVEL},
}
