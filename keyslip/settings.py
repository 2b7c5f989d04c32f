"""Settings, read from the environment through keyslip.env. DEVELOPERS.md lists the variables.

The defaults are one house, one computer: SQLite, files in one folder, an embedded queue.
"""

from pathlib import Path
from typing import Any

import dj_database_url

from keyslip.broker import choose_broker, transport_options
from keyslip.data import private_folder, secret_key
from keyslip.env import Env
from keyslip.lan import lan_addresses, lan_name

env = Env()

BASE_DIR = Path(__file__).resolve().parent.parent
KEYSLIP_DATA = private_folder(env.path("KEYSLIP_DATA", default=BASE_DIR / "data"))
DEBUG = env.boolean("KEYSLIP_DEBUG")
SECRET_KEY = env.secret("KEYSLIP_SECRET_KEY") or secret_key(KEYSLIP_DATA)

# Where we are reached ------------------------------------------------------------------------------------------------

# Set by `manage.py up` for its children: open to the house, the ports of both servers, and whether this server speaks TLS.
KEYSLIP_LAN = env.boolean("KEYSLIP_LAN")
KEYSLIP_HTTP_PORT = env.integer("KEYSLIP_HTTP_PORT", default=8000, least=1, most=65535)
KEYSLIP_HTTPS_PORT = env.integer("KEYSLIP_HTTPS_PORT", default=8443, least=1, most=65535)
KEYSLIP_HTTPS = env.boolean("KEYSLIP_HTTPS")
# Read from the network cards unless given, for houses with cards that no phone reaches.
KEYSLIP_LAN_ADDRESSES = env.words("KEYSLIP_LAN_ADDRESSES") or list(lan_addresses() if KEYSLIP_LAN else ())
KEYSLIP_LAN_HOSTS = [*KEYSLIP_LAN_ADDRESSES, *filter(None, [lan_name()])] if KEYSLIP_LAN else []

ALLOWED_HOSTS = ["localhost", "127.0.0.1", "[::1]", *KEYSLIP_LAN_HOSTS, *env.words("KEYSLIP_ALLOWED_HOSTS")]
CSRF_TRUSTED_ORIGINS = env.words("KEYSLIP_TRUSTED_ORIGINS")
if env.boolean("KEYSLIP_BEHIND_PROXY"):
    # Only for whoever runs a proxy that always sets this header itself.
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")

# Plain http and https stand side by side on one host, and cookies know no ports: a browser refuses to let an http answer
# replace a secure cookie of the same name. So the two have cookies of their own names.
_COOKIES = "keyslip_tls" if KEYSLIP_HTTPS else "keyslip"
SESSION_COOKIE_NAME = f"{_COOKIES}_session"
CSRF_COOKIE_NAME = f"{_COOKIES}_csrf"
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = KEYSLIP_HTTPS
SESSION_COOKIE_HTTPONLY = CSRF_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = CSRF_COOKIE_SAMESITE = "Lax"
# Thirteen weeks: a phone by the piano should not ask for a password in the middle of a week's work.
SESSION_COOKIE_AGE = 13 * 7 * 24 * 3600
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
# No Strict-Transport-Security: it would shut plain http, which phones without our authority need.

# Parts ---------------------------------------------------------------------------------------------------------------

INSTALLED_APPS = [
    "keyslip",
    "curriculum",
    "lessons",
    "reviews",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "django.forms",  # so that our own field template can stand in front of its
    "django_htmx",
]
MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "keyslip.middleware.ContentPolicyMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "keyslip.middleware.FormSizeMiddleware",  # before anything reads the form
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "keyslip.middleware.SignInMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "curriculum.middleware.TimeZoneMiddleware",
    "keyslip.middleware.WrongMethodMiddleware",
]
ROOT_URLCONF = "keyslip.urls"
WSGI_APPLICATION = "keyslip.wsgi.application"
FORM_RENDERER = "django.forms.renderers.TemplatesSetting"
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
            ]
        },
    }
]

AUTH_USER_MODEL = "curriculum.Learner"
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator"},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "django.contrib.auth.password_validation.NumericPasswordValidator"},
]
LOGIN_URL = "login"
LOGIN_REDIRECT_URL = "/"
LOGOUT_REDIRECT_URL = "login"

LANGUAGE_CODE = "en-gb"
TIME_ZONE = "UTC"  # of the tables; pages follow the learner's own
USE_I18N = True
USE_TZ = True

# Rows ----------------------------------------------------------------------------------------------------------------

DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"
# Write-ahead log and immediate transactions belong together: with the log alone 251 of 800 competing writes failed, with
# both none did. A writer waits up to 20 s for its turn, longer than any write we make.
_SQLITE_OPTIONS: dict[str, Any] = {
    "transaction_mode": "IMMEDIATE",
    "timeout": 20,
    "init_command": (
        "PRAGMA journal_mode=WAL;PRAGMA synchronous=NORMAL;PRAGMA foreign_keys=ON;"
        "PRAGMA cache_size=2000;PRAGMA mmap_size=134217728;PRAGMA journal_size_limit=27103364"
    ),
}
_DATABASE_URL = env.secret("DATABASE_URL")
DATABASES: dict[str, Any] = {
    "default": (
        # Ten minutes: worth keeping a connection between pages, gone before a database restarts for the night.
        dict(dj_database_url.parse(_DATABASE_URL, conn_max_age=600, conn_health_checks=True))
        if _DATABASE_URL
        else {"ENGINE": "django.db.backends.sqlite3", "NAME": KEYSLIP_DATA / "keyslip.sqlite3"}
    )
}
if DATABASES["default"]["ENGINE"] == "django.db.backends.sqlite3":
    DATABASES["default"]["OPTIONS"] = _SQLITE_OPTIONS

# Files ---------------------------------------------------------------------------------------------------------------

STATIC_URL = "static/"
STATICFILES_DIRS = [BASE_DIR / "static"]
# Recorded notes of a piano, 60.mp3 for middle C: fetched by set-up (keyslip/piano.py); without them a plain tone plays.
KEYSLIP_PIANO = BASE_DIR / ".venv" / "piano"
STATIC_ROOT = private_folder(KEYSLIP_DATA / "static")
# There is no MEDIA_ROOT and no MEDIA_URL: files of a learner are only served by views that ask whose they are.
STORAGES: dict[str, Any] = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "whitenoise.storage.CompressedManifestStaticFilesStorage"},
}
FILE_UPLOAD_PERMISSIONS = 0o600
FILE_UPLOAD_DIRECTORY_PERMISSIONS = 0o700
# On the same disk as media/, so that keeping an upload is a rename, however long the clip.
FILE_UPLOAD_TEMP_DIR = str(private_folder(KEYSLIP_DATA / "incoming"))
# Bytes of a form without its files: 5,000 lines of a contents list are about 400 kB; ten times that is a mistake.
DATA_UPLOAD_MAX_MEMORY_SIZE = 4 * 1024 * 1024
# Fields of one form: the preview of 5,000 units has four each, and a few around them.
DATA_UPLOAD_MAX_NUMBER_FIELDS = 20_100
# Files of one form: a lesson's clips at once, not a card's whole contents.
DATA_UPLOAD_MAX_NUMBER_FILES = 20

# The longest and largest clip that is taken. An hour of phone film at 1080p and 30 frames is about 8 GB.
KEYSLIP_MOST_CLIP_BYTES = env.integer(
    "KEYSLIP_MOST_CLIP_BYTES", default=8_000_000_000, least=1_000_000, most=1_000_000_000_000
)
KEYSLIP_MOST_CLIP_MINUTES = env.integer("KEYSLIP_MOST_CLIP_MINUTES", default=60, least=1, most=600)
# What one learner's clips and pictures may take; a learner of their own share has it on the row. Fifty gigabytes are about
# six hours of phone film as it came, or sixty hours of copies.
KEYSLIP_LEARNER_BYTES = env.integer("KEYSLIP_LEARNER_GB", default=50, least=1, most=1_000_000) * 1_000_000_000
# Days for which a clip is kept as it came beside its copy; 0: for ever.
KEYSLIP_ORIGINAL_DAYS = env.integer("KEYSLIP_ORIGINAL_DAYS", default=30, least=0, most=36_500)
# Days after its last byte until what has arrived of a clip is thrown away: a week has one evening for it at least.
KEYSLIP_UPLOAD_DAYS = env.integer("KEYSLIP_UPLOAD_DAYS", default=7, least=1, most=365)
# Where a proxy in front of us serves the data folder by X-Accel-Redirect, such as /kept/; empty: we send clips ourselves.
KEYSLIP_ACCEL_PREFIX = env.text("KEYSLIP_ACCEL_PREFIX")

# The queue -----------------------------------------------------------------------------------------------------------

# Longest that one job may run, in seconds: an hour of clip copied on a slow small computer at a quarter of its speed,
# and half as long again. Our rows decide what is run again (by lease); this only ends what hangs.
LONGEST_JOB_S = 6 * 3600
KEYSLIP_BROKER = choose_broker(KEYSLIP_DATA, url=env.secret("BROKER_URL"))
if KEYSLIP_BROKER.folder is not None:
    private_folder(KEYSLIP_BROKER.folder)
    private_folder(Path(f"{KEYSLIP_BROKER.folder}-control"))
CELERY_BROKER_URL = KEYSLIP_BROKER.url
CELERY_BROKER_TRANSPORT_OPTIONS = transport_options(KEYSLIP_BROKER, longest_job_s=LONGEST_JOB_S)
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_TASK_DEFAULT_QUEUE = "keyslip"
CELERY_TASK_IGNORE_RESULT = True  # the truth is on our rows
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_TASK_TIME_LIMIT = LONGEST_JOB_S
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
# A ring that fails may fail at once: the sweeper rings again.
CELERY_TASK_PUBLISH_RETRY = False
CELERY_WORKER_HIJACK_ROOT_LOGGER = False
CELERY_TASK_SERIALIZER = "json"
CELERY_ACCEPT_CONTENT = ["json"]
CELERY_TIMEZONE = "UTC"
CELERY_WORKER_CANCEL_LONG_RUNNING_TASKS_ON_CONNECTION_LOSS = False

# What is said --------------------------------------------------------------------------------------------------------

LOGGING: dict[str, Any] = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"line": {"format": "{asctime} {levelname} {name}: {message}", "style": "{"}},
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "line"}},
    "root": {"handlers": ["console"], "level": "WARNING"},
    "loggers": {
        name: {"level": env.text("KEYSLIP_LOG_LEVEL", default="INFO").upper()}
        for name in ("keyslip", "curriculum", "lessons", "reviews")
    }
    # Pages that were not found are a visitor's business, not an admin's.
    | {"django": {"handlers": [], "level": "WARNING"}, "django.request": {"level": "ERROR"}},
}
