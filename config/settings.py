"""Django settings. One file; what differs between machines comes from the environment."""

from __future__ import annotations

import os
from pathlib import Path
from urllib.parse import parse_qsl, unquote, urlsplit

import django_stubs_ext

from config import embedded, env

django_stubs_ext.monkeypatch()

BASE_DIR = Path(__file__).resolve().parent.parent
DATA_DIR = Path(env.text("ZONEWRIGHT_DATA", str(BASE_DIR / ".data")))

DEBUG = env.flag("ZONEWRIGHT_DEBUG", default=False)
# The demo firm and the tests run on one machine over plain HTTP; everything else is production.
LOCAL = env.flag("ZONEWRIGHT_LOCAL", default="DATABASE_URL" not in os.environ)

# Local runs keep their keys beside their data, so that a second start can read what the first wrote.
SECRET_KEY = env.local_secret(DATA_DIR, "secret_key") if LOCAL else env.text("ZONEWRIGHT_SECRET_KEY")
# Fernet keys for access notes, newest first; older ones still decrypt.
FIELD_KEYS = (
    [env.local_secret(DATA_DIR, "field_key")] if LOCAL else env.text("ZONEWRIGHT_FIELD_KEYS").split(",")
)
ALLOWED_HOSTS = env.words("ZONEWRIGHT_HOSTS", default="localhost,127.0.0.1,[::1]" if LOCAL else "")
CSRF_TRUSTED_ORIGINS = env.words("ZONEWRIGHT_ORIGINS")

INSTALLED_APPS = [
    "config.accounts",
    "stock",
    "installs",
    "maintenance",
    "config",
    "django.contrib.admin",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.postgres",
    "django.contrib.staticfiles",
    "django.contrib.humanize",
    "pgtrigger",
    "pghistory",
    "rest_framework",
    "django_filters",
    "drf_spectacular",
    "drf_spectacular_sidecar",
    "django_htmx",
    "allauth",
    "allauth.account",
    "allauth.mfa",
]

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "pghistory.middleware.HistoryMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "allauth.account.middleware.AccountMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "config.middleware.ContentPolicyMiddleware",
    "config.middleware.SecondFactorMiddleware",
    "config.middleware.ErrorPageMiddleware",
]

ROOT_URLCONF = "config.urls"
WSGI_APPLICATION = "config.wsgi.application"
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "config" / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "config.context.navigation",
            ],
        },
    }
]


def _database(url: str) -> dict[str, object]:
    """Django's settings for a postgresql:// address; the query string holds libpq options."""
    parts = urlsplit(url)
    if parts.scheme not in {"postgres", "postgresql"}:
        raise env.BadEnvironment(f"DATABASE_URL starts with {parts.scheme!r}; Zonewright needs postgresql://.")
    options: dict[str, object] = dict(parse_qsl(parts.query))
    host = str(options.pop("host", "") or unquote(parts.hostname or ""))
    return {
        "ENGINE": "django.db.backends.postgresql",
        "NAME": unquote(parts.path.lstrip("/")),
        "USER": unquote(parts.username or ""),
        "PASSWORD": unquote(parts.password or ""),
        "HOST": host,
        "PORT": str(parts.port or ""),
        "ATOMIC_REQUESTS": False,
        "CONN_HEALTH_CHECKS": True,
        "OPTIONS": options
        | {
            # A pool smaller than the process's threads makes them wait 30 s for nothing: size it
            # from the threads and fail fast.
            "pool": {
                "min_size": 1,
                "max_size": env.whole("ZONEWRIGHT_THREADS", default=8, least=1) + 2,
                "timeout": 5,
            },
        },
    }


SERVICES = embedded.ensure(DATA_DIR)
DATABASES = {"default": _database(SERVICES.database_url)}
REDIS_URL = SERVICES.redis_url
CACHES = {"default": {"BACKEND": "django.core.cache.backends.redis.RedisCache", "LOCATION": REDIS_URL}}
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

CELERY_BROKER_URL = REDIS_URL
CELERY_RESULT_BACKEND = REDIS_URL
CELERY_RESULT_EXPIRES = 86_400
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_BROKER_TRANSPORT_OPTIONS = {"visibility_timeout": 4 * 3600, "global_keyprefix": "zonewright:"}
CELERY_TIMEZONE = "Europe/London"
CELERY_BEAT_SCHEDULE_FILENAME = str(DATA_DIR / "beat-schedule")

AUTH_USER_MODEL = "accounts.User"
AUTHENTICATION_BACKENDS = ["allauth.account.auth_backends.AuthenticationBackend"]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator"},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
]
LOGIN_URL = "account_login"
LOGIN_REDIRECT_URL = "home"
ACCOUNT_LOGIN_METHODS = {"email"}
ACCOUNT_SIGNUP_FIELDS = ["email*", "password1*"]
ACCOUNT_USER_MODEL_USERNAME_FIELD = None
ACCOUNT_EMAIL_VERIFICATION = "none"
ACCOUNT_ADAPTER = "config.accounts.adapter.StaffOnlyAdapter"
ACCOUNT_LOGOUT_REDIRECT_URL = "account_login"
ACCOUNT_PREVENT_ENUMERATION = True
MFA_SUPPORTED_TYPES = ["totp", "recovery_codes"]
MFA_TOTP_ISSUER = "Zonewright"
# Everyone carries a second factor where real sites are kept; the demo firm has none worth guarding.
REQUIRE_SECOND_FACTOR = env.flag("ZONEWRIGHT_SECOND_FACTOR", default=not LOCAL)

LANGUAGE_CODE = "en-gb"
TIME_ZONE = env.text("ZONEWRIGHT_TIME_ZONE", "Europe/London")
USE_I18N = False
USE_TZ = True

STATIC_URL = "static/"
STATIC_ROOT = DATA_DIR / "static"
STATICFILES_DIRS = [BASE_DIR / "config" / "static"]
WHITENOISE_USE_FINDERS = LOCAL
MEDIA_ROOT = DATA_DIR / "media"
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {
        "BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"
        if LOCAL
        else "whitenoise.storage.CompressedManifestStaticFilesStorage"
    },
}

EMAIL_BACKEND = env.text(
    "ZONEWRIGHT_EMAIL_BACKEND",
    "django.core.mail.backends.filebased.EmailBackend" if LOCAL else "django.core.mail.backends.smtp.EmailBackend",
)
EMAIL_FILE_PATH = DATA_DIR / "mail"
EMAIL_HOST = env.text("ZONEWRIGHT_EMAIL_HOST", "localhost")
DEFAULT_FROM_EMAIL = env.text("ZONEWRIGHT_EMAIL_FROM", "zonewright@localhost")

if not LOCAL:
    SECURE_SSL_REDIRECT = env.flag("ZONEWRIGHT_SSL_REDIRECT", default=True)
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
    SECURE_HSTS_SECONDS = 31_536_000
    SESSION_COOKIE_SECURE = True
    CSRF_COOKIE_SECURE = True
SESSION_COOKIE_AGE = 12 * 3600
SECURE_REFERRER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"

REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "config.accounts.authentication.TokenAuthentication",
        "rest_framework.authentication.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["config.accounts.permissions.HasViewRight"],
    "DEFAULT_PAGINATION_CLASS": "config.api.KeysetPagination",
    "DEFAULT_FILTER_BACKENDS": ["django_filters.rest_framework.DjangoFilterBackend"],
    "DEFAULT_SCHEMA_CLASS": "drf_spectacular.openapi.AutoSchema",
    "DEFAULT_RENDERER_CLASSES": [
        "rest_framework.renderers.JSONRenderer",
        "rest_framework.renderers.BrowsableAPIRenderer",
    ],
    "EXCEPTION_HANDLER": "config.api.problem_details",
    "PAGE_SIZE": 50,
    "TEST_REQUEST_DEFAULT_FORMAT": "json",
    "COERCE_DECIMAL_TO_STRING": False,
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Zonewright",
    "DESCRIPTION": "Stock, as-installed record and maintenance visits of intruder alarms.",
    "VERSION": "1",
    "SERVE_INCLUDE_SCHEMA": False,
    "SERVE_PERMISSIONS": ["rest_framework.permissions.IsAuthenticated"],
    "SWAGGER_UI_DIST": "SIDECAR",
    "SWAGGER_UI_FAVICON_HREF": "SIDECAR",
    "COMPONENT_SPLIT_REQUEST": True,
    "POSTPROCESSING_HOOKS": [
        "drf_spectacular.hooks.postprocess_schema_enums",
        "config.api.describe_problems",
    ],
    "ENUM_NAME_OVERRIDES": {
        "ItemKind": "stock.models.Item.Kind",
        "LocationKind": "stock.models.Location.Kind",
        "MovementKind": "stock.models.Movement.Kind",
        "DocumentKind": "installs.models.Document.Kind",
        "VisitKind": "maintenance.models.Visit.Kind",
        "TestOutcome": "maintenance.models.TestResult.Outcome",
        "DeliveryOutcome": "stock.models.HeldDelivery.Outcome",
        "WorkState": "config.background.BackgroundWork.State",
    },
}

# History rows carry who did it; the trigger reads it from the session that the middleware opens.
PGHISTORY_APPEND_ONLY = True

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"plain": {"format": "%(asctime)s %(levelname)s %(name)s %(message)s"}},
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "plain"}},
    "root": {"handlers": ["console"], "level": env.text("ZONEWRIGHT_LOG", "WARNING")},
    "loggers": {"zonewright": {"level": "INFO"}},
}
