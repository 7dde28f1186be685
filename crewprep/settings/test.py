"""Settings for the suite: a folder of its own, quick passwords, and whichever database the run names."""

import os
import tempfile
from pathlib import Path

from crewprep.settings import *  # noqa: F403  the product's settings are what is tested
from crewprep.settings import services

VAR_DIR = Path(os.environ.get("CREWPREP_TEST_VAR") or tempfile.mkdtemp(prefix="crewprep-test-"))
QUARANTINE_DIR = VAR_DIR / "quarantine"
WORK_DIR = VAR_DIR / "work"
STATIC_ROOT = VAR_DIR / "static"
STATIC_ROOT.mkdir(parents=True, exist_ok=True)

SECRET_KEY = "for tests only"
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
DATABASES = {"default": services.database(os.environ.get("CREWPREP_TEST_DATABASE_URL", ""), VAR_DIR)}
if DATABASES["default"]["ENGINE"] == "django.db.backends.sqlite3":
    # A file, not memory: races and second processes must meet the same database.
    DATABASES["default"]["TEST"] = {"NAME": str(VAR_DIR / "test.sqlite3")}
STORAGES = services.storages(VAR_DIR)
STORAGES["staticfiles"] = {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}
WHITENOISE_USE_FINDERS = True
WHITENOISE_AUTOREFRESH = True
CELERY_BROKER_URL = "memory://"
CELERY_BROKER_TRANSPORT_OPTIONS = {}
