"""The settings under test: a fresh data folder, a queue in memory, and nothing of the caller's own environment."""

import atexit
import os
import shutil
import tempfile
from pathlib import Path

_folder = Path(tempfile.mkdtemp(prefix="keyslip-test-"))
atexit.register(shutil.rmtree, _folder, ignore_errors=True)

for _name in [name for name in os.environ if name.startswith("KEYSLIP_") and not name.startswith("KEYSLIP_TEST_")]:
    del os.environ[_name]
for _name in ("DATABASE_URL", "BROKER_URL"):
    os.environ.pop(f"{_name}_FILE", None)
    os.environ.pop(_name, None)
os.environ["KEYSLIP_DATA"] = str(_folder)
if os.environ.get("KEYSLIP_TEST_DATABASE_URL"):
    os.environ["DATABASE_URL"] = os.environ["KEYSLIP_TEST_DATABASE_URL"]
os.environ["BROKER_URL"] = os.environ.get("KEYSLIP_TEST_BROKER_URL") or "memory://"

from keyslip.settings import *  # noqa: E402, F403
from keyslip.settings import DATABASES, STORAGES  # noqa: E402

# The environment of programs that tests start is their own affair.
for _name in ("KEYSLIP_DATA", "DATABASE_URL", "BROKER_URL"):
    os.environ.pop(_name, None)

PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]  # tests make hundreds of learners
STORAGES = STORAGES | {"staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}}
if DATABASES["default"]["ENGINE"] == "django.db.backends.sqlite3":
    # A file, as in the running program: threads that share a database in memory do not wait for each other's locks.
    DATABASES["default"]["TEST"] = {"NAME": str(_folder / "test.sqlite3")}
WHITENOISE_USE_FINDERS = True
WHITENOISE_AUTOREFRESH = True
