"""Settings. Every variable is read here once, through config.env; docs/operations.md lists them.

Two ways to run, one code: `embedded` (SQLite, no services; the default) and `served`
(PostgreSQL, Redis, Celery). The difference is settings alone.
"""

import sys
from pathlib import Path

import dj_database_url
from csp.constants import NONE, SELF, UNSAFE_INLINE
from django.core.exceptions import ImproperlyConfigured

from config.env import env_bool, env_int, env_list, env_text

BASE_DIR = Path(__file__).resolve().parent.parent
DATA_DIR = Path(env_text("BROODTIDE_DATA_DIR", str(BASE_DIR / "data")))
MODE = env_text("BROODTIDE_MODE", "embedded")
if MODE not in {"embedded", "served"}:
    raise ImproperlyConfigured(f"BROODTIDE_MODE is {MODE!r}; write embedded or served.")
SERVED = MODE == "served"
TESTING = "pytest" in sys.modules

DEBUG = env_bool("BROODTIDE_DEBUG", default=False)


def _secret_key() -> str:
    """The key of the installation: given when served, made once and kept when embedded."""
    if SERVED:
        return env_text("BROODTIDE_SECRET_KEY")
    if TESTING:
        return "only-for-tests-" + "0" * 40
    from config.secret import local_secret_key

    return local_secret_key(DATA_DIR)


SECRET_KEY = _secret_key()
ALLOWED_HOSTS = env_list("BROODTIDE_HOSTS", default=[])
if not SERVED:  # it listens on this machine alone, and its parent asks it there whether it is up
    ALLOWED_HOSTS = [*ALLOWED_HOSTS, "localhost", "127.0.0.1", "[::1]"]
if TESTING:
    ALLOWED_HOSTS = [*ALLOWED_HOSTS, "testserver", "localhost", "127.0.0.1"]
CSRF_TRUSTED_ORIGINS = env_list("BROODTIDE_TRUSTED_ORIGINS", default=[])
SITE_URL = env_text("BROODTIDE_SITE_URL", "http://127.0.0.1:8000")

INSTALLED_APPS = [
    "django.contrib.admin",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    "django_htmx",
    "csp",
    "rest_framework",
    "django_filters",
    "drf_spectacular",
    "allauth",
    "allauth.account",
    "allauth.mfa",
    "accounts",
    "breeding",
    "scheduling",
]

# No larger file is ever kept, not even for the moment (docs/security.md).
FILE_UPLOAD_HANDLERS = [
    "accounts.uploads.BoundedUpload",
    "django.core.files.uploadhandler.MemoryFileUploadHandler",
    "django.core.files.uploadhandler.TemporaryFileUploadHandler",
]
MIDDLEWARE = [
    "accounts.head_answers.HeadMiddleware",
    "accounts.request_id.RequestIdMiddleware",
    "config.metrics.RequestMetricsMiddleware",
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "django.middleware.gzip.GZipMiddleware",  # adds random bytes, so that the length says nothing (BREACH)
    "csp.middleware.CSPMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.locale.LocaleMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "accounts.middleware.LanguageMiddleware",
    "django.contrib.auth.middleware.LoginRequiredMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "allauth.account.middleware.AccountMiddleware",  # keeps the request at hand for the passkeys' challenge
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "accounts.middleware.ViewerMiddleware",
    "accounts.middleware.SecondStepMiddleware",
    "accounts.middleware.OnlySentMiddleware",
    "scheduling.middleware.SweepMiddleware",
]

ROOT_URLCONF = "config.urls"
WSGI_APPLICATION = "config.wsgi.application"

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
                "accounts.context.shell",
                "scheduling.context.season_rule",
                "scheduling.context.banners",
                "scheduling.context.keeper",
            ],
            "builtins": [
                "django.templatetags.i18n",
                "django.templatetags.static",
                "accounts.templatetags.broodtide",
            ],
        },
    }
]

DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"
DATABASES = {
    "default": dj_database_url.parse(
        env_text("BROODTIDE_DATABASE_URL", f"sqlite:///{DATA_DIR / 'broodtide.sqlite3'}"),
        conn_max_age=60,  # opening one costs more than most requests, on SQLite too: it reads the whole schema
        conn_health_checks=SERVED,
    )
}
if DATABASES["default"]["ENGINE"].endswith("sqlite3"):
    # IMMEDIATE: the busy timeout does not cover a read that later wants to write.
    DATABASES["default"]["OPTIONS"] = {
        "transaction_mode": "IMMEDIATE",
        "timeout": 20,
        "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL; PRAGMA foreign_keys=ON;",
    }
elif DATABASES["default"]["ENGINE"].endswith("postgresql"):
    options = DATABASES["default"].setdefault("OPTIONS", {})
    options["prepare_threshold"] = 0  # of what is asked for to be prepared (accounts.queries.statements), nothing else
    if SERVED:
        options["options"] = "-c lock_timeout=3s -c statement_timeout=60s"

AUTH_USER_MODEL = "accounts.Person"
LOGIN_URL = "accounts:sign_in"
LOGIN_REDIRECT_URL = "today"
LOGOUT_REDIRECT_URL = "accounts:sign_in"
PASSWORD_RESET_TIMEOUT = 3600  # seconds that a link for a new password works
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
if TESTING:
    PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 12}},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
]

# The second step at sign-in: allauth keeps and checks the codes and passkeys; pages, throttles and audit are our own.
ACCOUNT_USER_MODEL_USERNAME_FIELD = "user_name"
ACCOUNT_LOGIN_METHODS = {"email", "username"}
ACCOUNT_SIGNUP_FIELDS = ["email*", "password1*"]  # nobody signs up: coordinators invite
ACCOUNT_EMAIL_VERIFICATION = "none"  # an invitation or a link for a password goes by the address
MFA_ADAPTER = "accounts.second_step.Adapter"
MFA_SUPPORTED_TYPES = ["totp", "webauthn", "recovery_codes"]
MFA_PASSKEY_LOGIN_ENABLED = True
MFA_RECOVERY_CODE_DIGITS = 12
SECOND_STEP_GRACE_DAYS = 14  # that coordinators have from their first sign-in on, until they have to set one up

LANGUAGE_CODE = "en-gb"
LANGUAGES = [("en-gb", "English"), ("de", "Deutsch"), ("fr", "Français"), ("es", "Español")]  # each by its own name
LOCALE_PATHS = [BASE_DIR / "locale"]
USE_I18N = True
TIME_ZONE = "UTC"
USE_TZ = True
FORMAT_MODULE_PATH = ["config.formats"]

STATIC_URL = "/static/"
STATIC_ROOT = Path(env_text("BROODTIDE_STATIC_ROOT", str(BASE_DIR / "static_built")))
STATICFILES_DIRS = [BASE_DIR / "static"]
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {
        "BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"
        if TESTING or DEBUG
        else "config.static.HashedFiles"
    },
}
WHITENOISE_USE_FINDERS = TESTING or DEBUG

CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [SELF],
        "script-src": [SELF],
        "style-src": [SELF],
        "style-src-attr": [UNSAFE_INLINE],  # percent positions only; templates carry no style attributes
        "img-src": [SELF, "data:"],
        "object-src": [NONE],
        "base-uri": [NONE],
        "form-action": [SELF],
        "frame-ancestors": [NONE],
    }
}
HTTPS = env_bool("BROODTIDE_HTTPS", default=SERVED)
SESSION_COOKIE_SECURE = HTTPS
CSRF_COOKIE_SECURE = HTTPS
SESSION_COOKIE_NAME = "__Host-session" if HTTPS else "broodtide_session"
LANGUAGE_COOKIE_NAME = "broodtide_language"  # of who is not signed in
LANGUAGE_COOKIE_SECURE = HTTPS
LANGUAGE_COOKIE_SAMESITE = "Lax"
LANGUAGE_COOKIE_AGE = 365 * 24 * 3600
CSRF_COOKIE_NAME = "__Host-csrf" if HTTPS else "broodtide_csrf"
SESSION_COOKIE_AGE = 14 * 24 * 3600
SECURE_SSL_REDIRECT = HTTPS
SECURE_REDIRECT_EXEMPT = [r"^healthz/"]
SECURE_HSTS_SECONDS = 31_536_000 if HTTPS else 0
SECURE_HSTS_INCLUDE_SUBDOMAINS = HTTPS
SECURE_HSTS_PRELOAD = HTTPS
SECURE_REFERRER_POLICY = "same-origin"
BEHIND_PROXY = env_bool("BROODTIDE_BEHIND_PROXY", default=False)
if BEHIND_PROXY:
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
X_FRAME_OPTIONS = "DENY"

# E-mail: the embedded mode keeps every mail in the database, readable in the app.
EMAIL_URL = env_text("BROODTIDE_SMTP_HOST", "")
DEFAULT_FROM_EMAIL = env_text("BROODTIDE_MAIL_FROM", "Broodtide <broodtide@localhost>")
if EMAIL_URL:
    EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    EMAIL_HOST = EMAIL_URL
    EMAIL_PORT = env_int("BROODTIDE_SMTP_PORT", default=587)
    EMAIL_HOST_USER = env_text("BROODTIDE_SMTP_USER", "")
    EMAIL_HOST_PASSWORD = env_text("BROODTIDE_SMTP_PASSWORD", "")
    EMAIL_USE_TLS = env_bool("BROODTIDE_SMTP_TLS", default=True)
    EMAIL_TIMEOUT = 5  # one address that hangs must not hold up the others for long
else:
    EMAIL_BACKEND = "accounts.mail.KeptMailBackend"


def _push_key() -> str:
    """Signs messages to devices: given, or made by `push_keys` and kept in the data folder; without it: none."""
    path = DATA_DIR / "push_key"
    kept = path.read_text(encoding="utf-8").strip() if not SERVED and not TESTING and path.is_file() else ""
    return env_text("BROODTIDE_PUSH_KEY", kept)


PUSH_KEY = _push_key()

# Background work. The database row is the truth; a broker, where there is one, only rings the bell.
JOB_HANDLERS = {
    "evaluation": "breeding.services.evaluation.job.evaluation_job",
    "estimate": "breeding.services.variances.job.estimate_job",
    "import": "breeding.services.imports.job.import_job",
    "plan": "scheduling.services.plan_run.plan_job",
    "plan_part": "scheduling.services.plan_parts.plan_part_job",
    "standby": "scheduling.services.standby.standby_job",
    "service_levels": "scheduling.services.service_levels.service_levels_job",
    "what_if": "scheduling.services.what_if_run.what_if_job",
}
JOB_QUEUES = {
    "evaluation": "evaluation",
    "estimate": "evaluation",
    "import": "evaluation",
    "plan": "planning",
    "plan_part": "planning",
    "standby": "planning",
    "service_levels": "planning",
    "what_if": "planning",
}
# Kinds of tables that can be brought in, in the order in which they are offered; apps to the right add theirs.
IMPORT_KINDS = {
    "apiaries": "breeding.services.imports.stock_kinds.APIARIES",
    "queens": "breeding.services.imports.stock_kinds.QUEENS",
    "matings": "breeding.services.imports.stock_kinds.MATINGS",
    "colonies": "breeding.services.imports.stock_kinds.COLONIES",
    "scores": "breeding.services.imports.stock_kinds.SCORES",
    "counts": "scheduling.services.count_import.COUNTS",
}
# Called with the job, in the transaction that ends it, whatever its end. Apps to the right tell of what apps to the
# left made.
JOB_ENDED = "scheduling.services.run_news.run_ended"
# Called with a person who is forgotten, in the same transaction: what apps to the right know of them goes too.
PERSON_FORGOTTEN = "scheduling.services.forgetting.person_forgotten"
# Called with a member that hands over to another one, in the same transaction: what apps to the right hold goes along.
MEMBER_HANDED_OVER = "scheduling.services.handing_over.member_handed_over"
# Called with a webhook that was switched off because nothing gets through, in the same transaction.
WEBHOOK_OFF = "scheduling.services.webhook_news.webhook_switched_off"
JOB_LEASE_SECONDS = 60
TICK_SECONDS = 5
PING_URL = env_text("BROODTIDE_PING_URL", "")
WEB_HELPS_SWEEP = env_bool("BROODTIDE_WEB_HELPS_SWEEP", default=True)

REDIS_URL = env_text("BROODTIDE_REDIS_URL", "redis://127.0.0.1:6379/0")
CELERY_BROKER_URL = REDIS_URL
CELERY_TIMEZONE = "UTC"
CELERY_TASK_IGNORE_RESULT = True
CELERY_TASK_SERIALIZER = "json"
CELERY_ACCEPT_CONTENT = ["json"]
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_TASK_TIME_LIMIT = 600
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_WORKER_MAX_TASKS_PER_CHILD = 1000
CELERY_WORKER_SOFT_SHUTDOWN_TIMEOUT = 20
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_BROKER_TRANSPORT_OPTIONS = {
    "visibility_timeout": 900,
    "unacked_restore_interval": 10,
    "unacked_restore_throttle": 1,
    "socket_timeout": 2,
    "socket_connect_timeout": 2,
    "socket_keepalive": True,
    # A request that rings an absent broker gives up soon; workers and beat reconnect by their own settings.
    "max_retries": 1,
    "interval_start": 0,
    "interval_step": 0.2,
}
# Webhooks stay in the common queue: one that hangs must not take a place of those who tell reminders.
CELERY_TASK_ROUTES = {
    "accounts.run_job_planning": {"queue": "planning"},
    "accounts.run_job_evaluation": {"queue": "evaluation"},
    "scheduling.deliver_due": {"queue": "mail"},
    "scheduling.rederive": {"queue": "mail"},
}
CELERY_BEAT_SCHEDULE = {
    # Interval, never crontab: zone-aware crontabs stop for an hour at the autumn clock change.
    "deliver-due": {
        "task": "scheduling.deliver_due",
        "schedule": float(TICK_SECONDS),
        "options": {"expires": 5},
    },
    "webhooks": {"task": "accounts.webhooks_deliver", "schedule": float(TICK_SECONDS), "options": {"expires": 5}},
    "rederive-moments": {"task": "scheduling.rederive", "schedule": 3600.0, "options": {"expires": 3000}},
    "nightly-evaluations": {"task": "breeding.nightly_ask", "schedule": 600.0, "options": {"expires": 500}},
    "ring-jobs": {"task": "accounts.ring_jobs", "schedule": 30.0, "options": {"expires": 25}},
}

# The HTTP API. LoginRequiredMiddleware passes its views by, so they deny by themselves.
API_REQUESTS_A_MINUTE = env_int("BROODTIDE_API_REQUESTS_A_MINUTE", default=600)
REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "accounts.api.authentication.KeyAuthentication",
        "rest_framework.authentication.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": [
        "rest_framework.permissions.IsAuthenticated",
        "accounts.api.permissions.InCooperative",
        "accounts.api.permissions.InScope",
    ],
    "DEFAULT_THROTTLE_CLASSES": ["accounts.api.limits.PerKey"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["rest_framework.parsers.JSONParser"],
    "DEFAULT_CONTENT_NEGOTIATION_CLASS": "accounts.api.negotiation.AlwaysJson",
    "DEFAULT_PAGINATION_CLASS": "accounts.api.pages.Pages",
    "DEFAULT_FILTER_BACKENDS": ["accounts.api.filters.Filters", "accounts.api.filters.Ordering"],
    "DEFAULT_SCHEMA_CLASS": "accounts.api.schema.Described",
    "DEFAULT_METADATA_CLASS": None,
    "EXCEPTION_HANDLER": "accounts.api.problems.answer_to",
    "UNAUTHENTICATED_USER": "django.contrib.auth.models.AnonymousUser",
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Broodtide",
    "DESCRIPTION": "The HTTP API of a queen-breeding cooperative's season, stock and breeding values. See docs/api.md.",
    "VERSION": "1",
    "LICENSE": {"name": "GPL-3.0-or-later"},
    "SCHEMA_PATH_PREFIX": "/api/v1",
    "SERVE_INCLUDE_SCHEMA": False,
    "SERVE_PERMISSIONS": ["rest_framework.permissions.IsAuthenticated"],
    "COMPONENT_SPLIT_REQUEST": True,
    "POSTPROCESSING_HOOKS": ["accounts.api.schema.shared_answers"],
    "DISABLE_ERRORS_AND_WARNINGS": False,
}

# Figures for whoever watches the machine: only with a key, which is asked for at /metrics.
METRICS_KEY = env_text("BROODTIDE_METRICS_KEY", "")

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {
        "plain": {"format": "%(asctime)s %(levelname)s %(name)s [%(request_id)s]: %(message)s"},
        "json": {
            "()": "pythonjsonlogger.json.JsonFormatter",
            "format": "%(asctime)s %(levelname)s %(name)s %(request_id)s %(process)d %(message)s",
            "rename_fields": {"asctime": "at", "levelname": "level", "name": "logger"},
        },
    },
    "filters": {
        "secret_paths": {"()": "config.logs.SecretPaths"},
        "request_id": {"()": "accounts.request_id.RequestIdFilter"},
    },
    "handlers": {
        "console": {
            "class": "logging.StreamHandler",
            "formatter": "json" if env_bool("BROODTIDE_LOG_JSON", default=False) else "plain",
            "filters": ["secret_paths", "request_id"],
        }
    },
    "root": {"handlers": ["console"], "level": env_text("BROODTIDE_LOG_LEVEL", "WARNING")},
}
