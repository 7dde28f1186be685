"""What the whole suite shares: servers that may be absent, and a clean folder for files."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.conf import settings
from hypothesis import settings as hypothesis_settings

# No test asks for the time: an example that is slow on a busy machine is none that is wrong.
hypothesis_settings.register_profile("crewprep", deadline=None)
hypothesis_settings.load_profile("crewprep")

pytest_plugins = ["tests.crew", "tests.postgres_run"]

REQUIRED = {name.strip() for name in os.environ.get("CREWPREP_TEST_REQUIRE", "").split(",") if name.strip()}
"""Optional parts whose absence fails the run instead of skipping: postgres, redis, browser."""

REDIS_URL = os.environ.get("CREWPREP_TEST_REDIS", "redis://127.0.0.1:6379/15")
CHROMIUM = os.environ.get("CREWPREP_TEST_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")


def absent(part: str, reason: str) -> None:
    """Skip the test with the reason, or fail where the run requires the part."""
    if part in REQUIRED:
        pytest.fail(f"{part} is required by CREWPREP_TEST_REQUIRE, but {reason}", pytrace=False)
    pytest.skip(f"{part}: {reason}")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave ``server_only`` tests to the run on PostgreSQL (``tests/test_on_postgres.py``)."""
    if settings.DATABASES["default"]["ENGINE"] == "django.db.backends.postgresql":
        return
    left_out = [item for item in items if item.get_closest_marker("server_only")]
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if item not in left_out]


@pytest.fixture(scope="session")
def postgres_url() -> str:
    """Address of a PostgreSQL server on which databases may be made and dropped."""
    from tests.postgres_run import POSTGRES_URL, server_fault  # a plugin must not be imported before it is loaded

    if fault := server_fault():
        absent("postgres", fault)
    return POSTGRES_URL


@pytest.fixture(scope="session")
def redis_url() -> str:
    """Address of a Redis server; the suite uses the database that the address names."""
    import redis

    client = redis.Redis.from_url(REDIS_URL, socket_connect_timeout=3)
    try:
        client.ping()
    except redis.RedisError as error:
        absent("redis", f"no server answers at {REDIS_URL}: {error}")
    finally:
        client.close()
    return REDIS_URL


@pytest.fixture(scope="session")
def chromium() -> str:
    """Path of a Chromium that can be driven."""
    if CHROMIUM is None:
        absent("browser", "no chromium is installed (Debian: apt-get install chromium)")
    return str(CHROMIUM)


@pytest.fixture(autouse=True)
def _clean_files() -> Iterator[None]:
    """Each test starts without uploaded files."""
    yield
    for folder in ("media", "quarantine", "work"):
        shutil.rmtree(Path(settings.VAR_DIR) / folder, ignore_errors=True)
