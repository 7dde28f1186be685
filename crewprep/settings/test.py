"""Settings for the suite: its own folder, quick passwords, and whichever database the run names."""

import os
import tempfile

_var = os.environ.setdefault("CREWPREP_VAR", tempfile.mkdtemp(prefix="crewprep-test-"))
os.environ["DATABASE_URL"] = os.environ.get("CREWPREP_TEST_DATABASE_URL", "")
os.environ["CELERY_BROKER_URL"] = "memory://"

from crewprep.settings import *  # noqa: E402, F403  the environment above must come first
from crewprep.settings import DATABASES, STORAGES, VAR_DIR  # noqa: E402

SECRET_KEY = "for tests only"
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
STORAGES["staticfiles"] = {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}
WHITENOISE_USE_FINDERS = True
WHITENOISE_AUTOREFRESH = True
if DATABASES["default"]["ENGINE"] == "django.db.backends.sqlite3":
    # A file, not memory: races and second processes must meet the same database.
    DATABASES["default"]["TEST"] = {"NAME": str(VAR_DIR / "test.sqlite3")}
