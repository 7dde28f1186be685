"""Settings: everything works with no environment at all (see ``env.py`` for what may be named)."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from urllib.parse import urlsplit

from analysis_worker.core.limits import Limits
from crewprep.settings import env, services

BASE_DIR = env.BASE_DIR
VAR_DIR: Path = env.var_dir()

SECRET_KEY = env.secret_key(VAR_DIR)
DEBUG = env.flag("CREWPREP_DEBUG")
ALLOWED_HOSTS = env.names("CREWPREP_HOSTS", ["localhost", "127.0.0.1", "[::1]"])
HTTPS = env.flag("CREWPREP_HTTPS")

INSTALLED_APPS = [
    "django.contrib.admin",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    "django_htmx",
    "rest_framework",
    "knox",
    "drf_spectacular",
    "drf_spectacular_sidecar",
    "axes",
    "crewprep",
]

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "crewprep.common.headers.SmallerPagesMiddleware",
    "crewprep.common.headers.SecurityHeadersMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "axes.middleware.AxesMiddleware",
]

ROOT_URLCONF = "crewprep.urls"
WSGI_APPLICATION = "crewprep.wsgi.application"

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
            ],
            "libraries": {"crewprep": "crewprep.web.templatetags.crewprep"},
        },
    },
]

DATABASES = {"default": services.database(env.text("DATABASE_URL", ""), VAR_DIR)}
STORAGES = services.storages(VAR_DIR)
QUARANTINE_DIR = VAR_DIR / "quarantine"
WORK_DIR = VAR_DIR / "work"

AUTH_USER_MODEL = "crewprep.User"
AUTHENTICATION_BACKENDS = ["axes.backends.AxesStandaloneBackend", "django.contrib.auth.backends.ModelBackend"]
AUTH_PASSWORD_VALIDATORS = [
    {
        "NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator",
        "OPTIONS": {"user_attributes": ("username", "display_name", "email")},
    },
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 10}},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
]
LOGIN_URL = "sign-in"
LOGIN_REDIRECT_URL = "home"
LOGOUT_REDIRECT_URL = "sign-in"

# Ten wrong passwords for one name from one address, then a quarter of an hour of rest.
AXES_FAILURE_LIMIT = 10
AXES_COOLOFF_TIME = 0.25
AXES_LOCKOUT_PARAMETERS = [["username", "ip_address"]]
AXES_LOCKOUT_TEMPLATE = "registration/locked.html"
AXES_RESET_ON_SUCCESS = True
AXES_VERBOSE = False

PUBLIC_URL = env.text("CREWPREP_URL", "http://localhost:8000/").rstrip("/") + "/"
globals().update(services.mail(env.text("EMAIL_URL", "")))
DEFAULT_FROM_EMAIL = env.text("CREWPREP_MAIL_FROM", f"crewprep <crewprep@{urlsplit(PUBLIC_URL).hostname}>")

WEBHOOK_NETWORKS = env.names("CREWPREP_WEBHOOK_NETWORKS", [])
WEBHOOK_PLAIN_HTTP = env.flag("CREWPREP_WEBHOOK_HTTP")

LANGUAGE_CODE = "en-gb"
TIME_ZONE = "UTC"
USE_I18N = False
USE_TZ = True

STATIC_URL = "static/"
STATIC_ROOT = VAR_DIR / "static"
WHITENOISE_USE_FINDERS = DEBUG
WHITENOISE_KEEP_ONLY_HASHED_FILES = False

SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
CSRF_COOKIE_SAMESITE = "Lax"
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = HTTPS
SECURE_SSL_REDIRECT = HTTPS
SECURE_HSTS_SECONDS = 31_536_000 if HTTPS else 0
SECURE_HSTS_INCLUDE_SUBDOMAINS = SECURE_HSTS_PRELOAD = HTTPS
SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https") if HTTPS else None
SECURE_REFERRER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"

UPLOAD_MAX_BYTES = Limits().max_bytes
FILE_UPLOAD_HANDLERS = ["crewprep.tracks.upload.QuarantineUploadHandler"]

# The job table is the truth, Celery only rings (see crewprep.jobs).
JOB_LEASE_S = 60
JOB_RERING_AFTER_S = 5
JOB_MAX_ATTEMPTS = 5

CELERY_BROKER_URL, CELERY_BROKER_TRANSPORT_OPTIONS = services.broker(env.text("CELERY_BROKER_URL", ""), VAR_DIR)
CELERY_TASK_IGNORE_RESULT = True
CELERY_TASK_SERIALIZER = "json"
CELERY_ACCEPT_CONTENT = ["json"]
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_WORKER_MAX_TASKS_PER_CHILD = 200
CELERY_WORKER_LOST_WAIT = 1.0  # Celery waits ten seconds before it believes that a pool process is dead
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_WORKER_HIJACK_ROOT_LOGGER = False
CELERY_TASK_PUBLISH_RETRY_POLICY = {"max_retries": 1, "interval_start": 0, "interval_step": 0.2, "interval_max": 0.2}
CELERY_BEAT_SCHEDULE_FILENAME = str(VAR_DIR / "beat-schedule")
CELERY_BEAT_SCHEDULE = {
    # These lapse where no worker is free to take them, so that they do not pile up behind long jobs.
    "ring-waiting-jobs": {
        "task": "analysis_worker.tasks.ring_waiting_jobs",
        "schedule": 5.0,
        "options": {"expires": 5.0},
    },
    "look-after-notices": {
        "task": "analysis_worker.tasks.look_after_notices",
        "schedule": 10.0,
        "options": {"expires": 10.0},
    },
    "sweep-files": {"task": "analysis_worker.tasks.sweep_files", "schedule": 3600.0, "options": {"expires": 3600.0}},
    "refresh-statistics": {
        "task": "analysis_worker.tasks.refresh_statistics",
        "schedule": 3600.0,
        "options": {"expires": 3600.0},
    },
}

REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "crewprep.api.auth.TokenAuthentication",
        "rest_framework.authentication.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["rest_framework.permissions.IsAuthenticated"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["crewprep.api.parsers.BoundedJSONParser"],
    "DEFAULT_SCHEMA_CLASS": "drf_spectacular.openapi.AutoSchema",
    "EXCEPTION_HANDLER": "crewprep.api.errors.problem_json",
    "UNAUTHENTICATED_USER": None,
    "TEST_REQUEST_DEFAULT_FORMAT": "json",
}
KNOX_TOKEN_MODEL = "knox.AuthToken"  # noqa: S105  a model's name
REST_KNOX = {
    "TOKEN_TTL": timedelta(days=30),
    "TOKEN_LIMIT_PER_USER": 20,
    "TOKEN_PREFIX": "crewprep_",  # so that a leaked token is recognised for what it is
    "USER_SERIALIZER": None,
}
SPECTACULAR_SETTINGS = {
    "TITLE": "crewprep",
    "DESCRIPTION": "Get a crew's shared crate of tracks ready for a night.",
    "VERSION": "1",
    "OAS_VERSION": "3.1.1",
    "SERVE_INCLUDE_SCHEMA": False,
    "SCHEMA_PATH_PREFIX": "/api/v1",
    "COMPONENT_SPLIT_REQUEST": True,
    "ENUM_NAME_OVERRIDES": {
        "Role": "crewprep.crews.models.Role",
        "TrackState": "crewprep.tracks.models.TrackState",
        "JobState": "crewprep.jobs.models.JobState",
        "ListState": "crewprep.exchange.models.ListState",
        "JobKind": "crewprep.jobs.models.JobKind",
        "ProposalState": "crewprep.review.models.ProposalState",
        "ReadinessState": ["nothing", "analysing", "draft", "held", "review", "returned", "approved"],
        "DeliveryState": "crewprep.webhooks.models.DeliveryState",
        "WebhookEvent": "crewprep.webhooks.models.Event",
        "NoticeKind": "crewprep.notices.kinds.Kind",
        "NoticeWay": "crewprep.notices.kinds.Way",
        "SplitStage": "crewprep.splitting.selectors.Stage",
        "RecheckEnd": "crewprep.sheets.models.RecheckEnd",
        "RecheckReason": "crewprep.sheets.effect.REASON_KINDS",
        "SlotChangeKind": "crewprep.conventions.comparison.KINDS",
        "TrackStand": "crewprep.library.models.Stand",
        "BulkKind": "crewprep.library.models.BulkKind",
        "SlotKind": "analysis_worker.core.convention.KINDS",
        "StepCode": "crewprep.onboarding.start.STEP_CODES",
        "StepState": "crewprep.onboarding.start.STATES",
        "CheckSeverity": ["blocker", "warning", "note", "off"],
        "FindingSeverity": ["blocker", "warning", "note"],
    },
    "POSTPROCESSING_HOOKS": [
        "drf_spectacular.hooks.postprocess_schema_enums",
        "crewprep.api.schema.describe_problems",
    ],
    "SWAGGER_UI_DIST": "SIDECAR",
    "SWAGGER_UI_FAVICON_HREF": "SIDECAR",
    "REDOC_DIST": "SIDECAR",
}

# Celery tells of every bell, also of those without work; what is done is told by analysis_worker.handlers.
_BELLS = ("celery.worker.strategy", "celery.worker.request", "celery.app.trace", "celery.beat")
LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"line": {"format": "%(asctime)s %(levelname)s %(name)s %(message)s"}},
    "filters": {"tokens": {"()": "crewprep.common.secrecy.HideTokens"}},
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "line", "filters": ["tokens"]}},
    "root": {"handlers": ["console"], "level": env.text("CREWPREP_LOG_LEVEL", "INFO")},
    "loggers": {name: {"level": "WARNING"} for name in _BELLS},
}
